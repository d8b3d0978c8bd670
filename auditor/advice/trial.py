"""One try: the whole material through a rig with another protective part."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor.audit_types import SEVERITY, Cause, Opening, Verdict
from auditor.judgement.examine import Examined, examine
from auditor.judgement.heat import CarriedHeat, heat_from_cold
from auditor.judgement.tally import Attenuations
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.advice.material import Material
    from auditor.rig import Rig


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What the part makes of the material. Largest figures are over all tracks and channels, with the part as rated.

    Parameters
    ----------
    verdict : Verdict
        As `auditor.audit_set` has it: of every track from cold, and of the set with the heat carried.
    excesses_db : dict of Cause to float
        By how much each limit is passed, negative below it [dB]; with the part at its worst end of tolerance.
    first_risk_s : float or None
        When the first thing is at risk in the track where that is soonest [s].
    attenuation_median_db : float
        Over the time in which there is HF.
    muted_s, trips, chatter
        In the channel where most of it happens, summed over the tracks.
    failed_at_s, failed_track
        The first time the part is destroyed, and in which file.
    opens_at_s : Opening
        Soonest of all tracks, each from cold.
    part_power_mean_w, part_power_max_w : float
        Heat the part gives off: mean of its busiest channel over all of the material, and largest [W].
    """

    rig: Rig
    verdict: Verdict
    excesses_db: dict[Cause, float]
    first_risk_s: float | None
    coil_temp_max_c: float
    driver_power_max_1s_w: float
    driver_power_max_60s_w: float
    driver_power_peak_w: float
    attenuation_max_db: float
    attenuation_median_db: float
    muted_s: float
    trips: int
    chatter: int
    failed_at_s: float | None
    failed_track: str | None
    replace: tuple[str, ...]
    opens_at_s: Opening
    life_used_ratio: float
    part_power_mean_w: float
    part_power_max_w: float


def put_through(material: Material, rig: Rig) -> Outcome:
    """Put every track through the rig's protection and driver.

    Parameters
    ----------
    material : Material
        Must hold at least one track.
    rig : Rig
        That of the material but for protection and driver.

    Raises
    ------
    ValueError
        If there is no track.
    """
    if not material.tracks:
        raise ValueError("there is nothing to put through")
    heat = CarriedHeat(rig)
    tracks: list[list[Examined]] = []
    for played in material.tracks:
        with ThreadPoolExecutor(max_workers=thread_count()) as pool:
            jobs = [
                pool.submit(examine, feed, rig, index, played.duration_s) for index, feed in enumerate(played.feeds)
            ]
            tracks.append([job.result() for job in jobs])
        frames = [feed.frames for feed in played.feeds]
        heat.carry_through(frames, from_cold=[heat_from_cold(one) for one in tracks[-1]])
    return _outcome(material, rig, tracks, heat)


def _outcome(material: Material, rig: Rig, tracks: Sequence[Sequence[Examined]], heat: CarriedHeat) -> Outcome:
    every = [one for track in tracks for one in track]
    passages = [passage for one in every for passage in one.passages]
    verdicts: list[Verdict] = [passage.verdict for passage in passages]
    verdict: Verdict = max(verdicts, key=SEVERITY.__getitem__, default="clear")
    works = [one.channel.protection for one in every]
    failures = [
        (one.channel.protection.failed_at_s, played.programme.name)
        for played, track in zip(material.tracks, tracks, strict=True)
        for one in track
        if one.channel.protection.failed_at_s is not None
    ]
    failed_at_s, failed_track = min(failures, default=(None, None))
    duration_s = sum(played.duration_s for played in material.tracks)
    excesses_db = _worst_excesses(every, rig)
    excesses_db["coil_temp"] = max(excesses_db["coil_temp"], heat.excess_db)
    hottest_c = max(one.channel.protected.coil_temp_max_c for one in every)
    return Outcome(
        rig=rig,
        verdict="risk" if heat.excess_db > 0.0 else verdict,
        excesses_db=excesses_db,
        first_risk_s=min((each.start_s for each in passages if each.verdict == "risk"), default=None),
        coil_temp_max_c=max(hottest_c, heat.coil_temp_max_c or hottest_c),
        driver_power_max_1s_w=max(one.channel.protected.driver_power_max_1s_w for one in every),
        driver_power_max_60s_w=max(one.channel.protected.driver_power_max_60s_w for one in every),
        driver_power_peak_w=max(one.channel.protected.driver_power_peak_w for one in every),
        attenuation_max_db=max(work.attenuation_max_db for work in works),
        attenuation_median_db=_pooled(every).median_db,
        muted_s=_busiest(tracks, lambda one: one.channel.protection.muted_s),
        trips=round(_busiest(tracks, lambda one: one.channel.protection.trips)),
        chatter=round(_busiest(tracks, lambda one: one.channel.protection.chatter)),
        failed_at_s=failed_at_s,
        failed_track=failed_track,
        replace=tuple(dict.fromkeys(each for work in works for each in work.replace)),
        opens_at_s=Opening(
            earliest=_soonest([work.opens_at_s.earliest for work in works]),
            latest=_soonest([work.opens_at_s.latest for work in works]),
        ),
        life_used_ratio=_busiest(tracks, lambda one: one.worst.life_used_ratio),
        part_power_mean_w=_busiest(tracks, lambda one: one.part_energy_j) / duration_s,
        part_power_max_w=max(one.part_power_max_w for one in every),
    )


def _worst_excesses(every: Sequence[Examined], rig: Rig) -> dict[Cause, float]:
    found = [one.worst.excesses(rig) for one in every]
    found += [end.worst.excesses(end.rig) for one in every for end in one.ends]
    return {cause: max(each[cause] for each in found) for cause in found[0]}


def _pooled(every: Sequence[Examined]) -> Attenuations:
    pool = Attenuations()
    for one in every:
        pool.counts += one.attenuations.counts
    return pool


def _busiest(tracks: Sequence[Sequence[Examined]], of: Callable[[Examined], float]) -> float:
    """Sum over the tracks, of the channel that comes to most."""
    channels = max(len(track) for track in tracks)
    return max(
        sum(float(of(track[channel])) for track in tracks if channel < len(track)) for channel in range(channels)
    )


def _soonest(times_s: Sequence[float | None]) -> float | None:
    return min((each for each in times_s if each is not None), default=None)
