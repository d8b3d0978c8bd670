"""Which limiter settings: found on the real content, by playing it through one trial after another.

An rms limiter holds what heats (the coil's temperature and the powers over 1 s and 60 s), a peak limiter behind it the
peak rating: `limiter_stages` has the search for each. The programme is then played once more through both and judged as
`auditor check` would (`limiter_verify`); if anything is still over, the limiter concerned comes down and it is played
again. Limiters that the rig has already are left out for the question; its protective part stays fitted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from auditor.advice import limiter_reason
from auditor.advice.limiter_search import HEAT, PEAK, STEP_DB, Trial, Trials, judged
from auditor.advice.limiter_stages import Stage, at_threshold, peak_stage, rms_stage, textbook_dbu
from auditor.advice.limiter_verify import Pass, Verified, pass_through, verify
from auditor.advice.material import gather
from auditor.judgement.heat import CarriedHeat
from auditor.programme.entry import Source

if TYPE_CHECKING:
    from auditor.advice.material import Material, Progress
    from auditor.audit_types import FileFault
    from auditor.rig import Limiter, Rig

    Tell = Callable[[str], None]

_MOST_PASSES = 6


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One limiter, as it would be set.

    Parameters
    ----------
    threshold_dbu, threshold_v : float
        At the amplifier's input, and at its output as rms of a sine.
    threshold_dbfs : float
        Level of a sine in the file that just reaches it, where no equaliser changes it.
    textbook_dbu : float
        What the rating alone would give: for a sine in the HF band, without regard to the programme.
    needed : bool
        Whether the programme is over a limit that it is for; otherwise it just begins to work on the loudest passage.
    """

    detector: str
    threshold_dbu: float
    threshold_v: float
    threshold_dbfs: float
    attack_s: float
    hold_s: float
    release_s: float
    averaging_s: float
    band: str
    textbook_dbu: float
    needed: bool


@dataclass(frozen=True, kw_only=True)
class LimiterChoice:
    """The proposal, what became of it, and why it is what it is.

    Parameters
    ----------
    rig : Rig
        As it was given.
    rms, peak : Setting
    limiters : tuple of Limiter
        The same two, for a rig.
    rms_only_db, peak_only_db : float
        What either alone would leave over [dB], negative below every limit.
    reachable : bool
        Whether everything is within its limits behind the two.
    reason : str
        Why these, in sentences.
    notes : tuple of str
        What was left out or taken for granted.
    decodes : int
        How often a file was read, at most.
    """

    rig: Rig
    rms: Setting
    peak: Setting
    limiters: tuple[Limiter, Limiter]
    verified: Verified
    rms_only_db: float
    peak_only_db: float
    reachable: bool
    reason: str
    notes: tuple[str, ...]
    durations_s: tuple[float, ...]
    faults: tuple[FileFault, ...]
    decodes: int


@dataclass(frozen=True, kw_only=True)
class NoChoice:
    """No file could be read: there is nothing to go by."""

    faults: tuple[FileFault, ...]


def find(
    files: Sequence[Source],
    rig: Rig,
    *,
    progress: Callable[[int], Progress] | None = None,
    earlier_faults: Sequence[FileFault] = (),
    tell: Tell | None = None,
    with_margin: bool = True,
) -> LimiterChoice | NoChoice:
    """Find the settings for these files.

    Parameters
    ----------
    files : sequence of str, Path or Entry
    rig : Rig
        Its limiters are left out.
    progress : callable, optional
        For the first pass; given a track's index, returns the callable that is told how much of it is done.
    earlier_faults : sequence of FileFault
        Faults found before any file was opened, to stand in the result.
    tell : callable, optional
        Told in a few words what is being tried.
    with_margin : bool
        False saves the replays for the margin of the proposal.

    Raises
    ------
    KeyboardInterrupt
        Settings for a part of the programme would be mistaken for settings for all of it.
    """
    told: Tell = tell or (lambda _: None)
    bare = replace(rig, limiters=(), assumed=tuple(key for key in rig.assumed if not key.startswith("limiter.")))
    material = gather(files, bare, progress=progress, earlier_faults=earlier_faults)
    if material.interrupted:
        raise KeyboardInterrupt
    if not material.tracks:
        return NoChoice(faults=material.faults)
    sources = {played.programme.name: played.programme.source for played in material.tracks}
    trials = Trials(rig=bare, sources=sources, decodes=len(files))
    without = _enter(material, trials)
    paths = list(without)
    rms = rms_stage(trials, paths, told)
    peak = peak_stage(trials, paths, rms.limiter, told)
    rms, peak, final = _settled(trials, paths, rms, peak, told)
    if with_margin:
        told("looking how much further up the mixer may go")
    verified, decodes = verify(final, without, with_margin=with_margin)
    excesses_db = final.outcome.excesses_db
    alone = (
        _worst_db(trials, paths, (rms.limiter,)) if rms.needed or peak.needed else max(excesses_db.values()),
        _worst_db(trials, paths, (peak.limiter,)) if rms.needed or peak.needed else max(excesses_db.values()),
    )
    found = limiter_reason.Found(
        rig=bare,
        without=without,
        heat_db=_carried_db(material),
        rms=rms,
        peak=peak,
        verified=verified,
        rms_only_db=alone[0],
        peak_only_db=alone[1],
    )
    return LimiterChoice(
        rig=rig,
        rms=_setting(rms, bare),
        peak=_setting(peak, bare),
        limiters=(rms.limiter, peak.limiter),
        verified=verified,
        rms_only_db=alone[0],
        peak_only_db=alone[1],
        reachable=max(excesses_db.values()) <= 0.0,
        reason=limiter_reason.reason(found),
        notes=limiter_reason.notes(rig, found),
        durations_s=tuple(played.duration_s for played in material.tracks),
        faults=material.faults,
        decodes=trials.decodes + decodes,
    )


def _enter(material: Material, trials: Trials) -> dict[str, Trial]:
    """The tracks without limiters, by path."""
    found = {}
    for played in material.tracks:
        path = played.programme.name
        found[path] = judged([feed.frames for feed in played.feeds], material.rig)
        trials.enter(path, found[path])
    return found


def _carried_db(material: Material) -> float:
    heat = CarriedHeat(material.rig)
    for played in material.tracks:
        heat.carry_through([feed.frames for feed in played.feeds])
    return heat.excess_db


def _worst_db(trials: Trials, paths: Sequence[str], limiters: tuple[Limiter, ...]) -> float:
    """What these limiters leave over on the tracks that are over without any [dB]."""
    found = []
    for path in paths:
        bare = trials.at(path, ())
        over = bare.worst(bare.excesses_db)[0] > 0.0
        trial = trials.at(path, limiters) if over else bare
        found.append(trial.worst(trial.excesses_db)[0])
    return max(found)


def _settled(trials: Trials, paths: Sequence[str], rms: Stage, peak: Stage, tell: Tell) -> tuple[Stage, Stage, Pass]:
    """The whole programme through both; whichever leaves something over comes down until nothing is, or it is given up.

    Each track alone is within its limits by now: it takes the heat carried from track to track to pass one.
    """
    for attempt in range(_MOST_PASSES):
        tell("playing all of it through the limiters")
        final = pass_through(
            [trials.sources[path] for path in paths], replace(trials.rig, limiters=(rms.limiter, peak.limiter))
        )
        trials.decodes += final.decodes
        excesses_db = final.outcome.excesses_db
        hot_db, high_db = (max(excesses_db[cause] for cause in causes) for causes in (HEAT, PEAK))
        given_up = rms.left_db > 0.0, peak.left_db > 0.0
        lower_rms, lower_peak = hot_db > 0.0 and not given_up[0], high_db > 0.0 and not given_up[1]
        if not (lower_rms or lower_peak) or attempt == _MOST_PASSES - 1:
            break
        rms = _lowered(rms, hot_db, trials) if lower_rms else rms
        peak = _lowered(peak, high_db, trials) if lower_peak else peak
    return rms, peak, final


def _lowered(stage: Stage, over_db: float, trials: Trials) -> Stage:
    threshold_dbu = round(stage.limiter.threshold_dbu - max(STEP_DB, round(over_db + STEP_DB / 2.0, 1)), 1)
    return replace(stage, limiter=at_threshold(stage.limiter, threshold_dbu, trials.rig), needed=True)


def _setting(stage: Stage, rig: Rig) -> Setting:
    limiter = stage.limiter
    return Setting(
        detector=limiter.detector,
        threshold_dbu=limiter.threshold_dbu,
        threshold_v=limiter.threshold_v,
        threshold_dbfs=limiter.threshold_dbu - rig.level.full_scale_dbu - rig.level.gain_db,
        attack_s=limiter.attack_s,
        hold_s=limiter.hold_s,
        release_s=limiter.release_s,
        averaging_s=limiter.averaging_s,
        band=limiter.band,
        textbook_dbu=textbook_dbu(rig, limiter.detector),
        needed=stage.needed,
    )


def rig_lines(choice: LimiterChoice) -> list[str]:
    """The two limiters as they stand in a rig file, in place of any that it has."""
    lines = []
    for limiter in choice.limiters:
        lines += ["[[limiter]]", f'detector = "{limiter.detector}"', f"threshold_dbu = {limiter.threshold_dbu:.1f}"]
        lines += [
            f"attack_s = {limiter.attack_s:g}",
            f"hold_s = {limiter.hold_s:g}",
            f"release_s = {limiter.release_s:g}",
        ]
        lines += [f"averaging_s = {limiter.averaging_s:g}"] if limiter.detector == "rms" else []
        lines += [f'band = "{limiter.band}"'] if limiter.band == "hf" else []
        lines.append("")
    return lines[:-1]


def document(choice: LimiterChoice) -> dict[str, Any]:
    """The answer as plain values."""
    verified, outcome = choice.verified, choice.verified.outcome
    return {
        "rms": asdict(choice.rms),
        "peak": asdict(choice.peak),
        "verified": {
            "verdict": outcome.verdict,
            "margin_db": verified.margin_db,
            "margin_limited_by": verified.margin_limited_by,
            "active_ratio": verified.active_ratio,
            "reduction_max_db": verified.reduction_max_db,
            "excesses_db": outcome.excesses_db,
            "coil_temp_max_c": outcome.coil_temp_max_c,
            "driver_power_max_1s_w": outcome.driver_power_max_1s_w,
            "driver_power_max_60s_w": outcome.driver_power_max_60s_w,
            "driver_power_peak_w": outcome.driver_power_peak_w,
            "tracks": [asdict(each) for each in verified.tracks],
        },
        "rms_only_db": choice.rms_only_db,
        "peak_only_db": choice.peak_only_db,
        "reachable": choice.reachable,
        "reason": choice.reason,
        "notes": list(choice.notes),
        "rig_lines": rig_lines(choice),
    }
