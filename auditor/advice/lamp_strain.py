"""What a bank of lamps makes of the worst case and of the programme, quickly enough to try two hundred of them.

The worst case is `auditor.advice.worst_case`. The programme has eight frames put into one, and of each track only
the channel with most HF is asked about risks; what comes out first is put through again frame by frame, every channel
of it (`auditor.advice.trial`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.advice.worst_case import worst_case
from auditor.chain.divider import is_per_frequency, steady_division
from auditor.chain.splitter import HfFrames
from auditor.driver.coil import CoilNetwork
from auditor.judgement.ratings import stretches
from auditor.judgement.sketch import merged
from auditor.judgement.tally import Attenuations, Tally
from auditor.judgement.worst import Worst, worst_of
from auditor.protection import ends
from auditor.protection.lamp import Lamp
from auditor.protection.steady import SteadyCurve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.advice.material import Material
    from auditor.audit_types import Cause
    from auditor.rig import Rig

NOISE_FRAME_S = 0.05  # a fifth of the time a lamp takes to light up
FRAMES_IN_ONE = 8  # 48 ms, likewise


@dataclass(frozen=True, kw_only=True)
class Programme:
    """Longer frames: of each track the channel with most HF, and all other channels of all tracks."""

    busiest: tuple[HfFrames, ...]
    others: tuple[HfFrames, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Strain:
    """What came of one bank; what is over a limit with the worse lamp of its tolerance, `failed_at_s` with any.

    excesses_db : dict of Cause to float
        By how much each limit is passed that a lamp can do something about [dB]; nought or more where it burns out.
    peak_excess_db : float
        By how much the peaks pass the peak rating [dB]: too quick for any lamp.
    coil_temp_max_c, attenuation_median_db, attenuation_max_db, life_used_ratio : float
    part_power_mean_w, part_power_max_w : float
        With lamps as rated.
    """

    excesses_db: dict[Cause, float]
    peak_excess_db: float
    failed_at_s: float | None
    coil_temp_max_c: float
    attenuation_median_db: float
    attenuation_max_db: float
    life_used_ratio: float
    part_power_mean_w: float
    part_power_max_w: float

    @property
    def is_safe(self) -> bool:
        """Whether driver and lamps come through."""
        return self.failed_at_s is None and max(self.excesses_db.values()) <= 0.0

    @property
    def worst(self) -> tuple[float, Cause]:
        """The limit that is passed furthest, or nearest to it [dB]."""
        return max((excess_db, cause) for cause, excess_db in self.excesses_db.items())


def programme_of(material: Material) -> Programme:
    """Every channel in longer frames; of each track that with most HF apart."""
    busiest, others = [], []
    for played in material.tracks:
        channels = sorted(
            (feed.frames for feed in played.feeds), key=lambda each: float(np.linalg.norm(each.rms_v)), reverse=True
        )
        busiest.append(merged(channels[0], count=FRAMES_IN_ONE))
        others += [merged(each, count=FRAMES_IN_ONE) for each in channels[1:]]
    return Programme(busiest=tuple(busiest), others=tuple(others))


def at_worst_case(rig: Rig) -> Strain:
    """Put the rig's lamps through the worst case."""
    return strain(Programme(busiest=(_noise(rig),)), rig)


def strain(programme: Programme, rig: Rig) -> Strain:
    """Put the rig's lamps through tracks, each from cold, as rated and at both ends of their tolerance.

    The other channels are asked only what the lamps as rated take off there.
    """
    tracks = programme.busiest
    tallies = [_tally(frames, rig) for frames in tracks]
    every = [worst_of(frames, end) for end in _ends(rig) for frames in tracks]
    every += [tally.worst for tally in tallies]
    excesses_db = _excesses_db(every, rig)
    energy_j = sum(tally.sums["part_power_w"] * tally.frames.frame_s for tally in tallies)
    return Strain(
        peak_excess_db=excesses_db.pop("driver_power_peak"),
        excesses_db=excesses_db,
        failed_at_s=_first_failure_s(every),
        coil_temp_max_c=max(tally.worst.coil_temp_c for tally in tallies),
        attenuation_median_db=_median_loss_db([*tallies, *(_tally(frames, rig) for frames in programme.others)]),
        attenuation_max_db=max(tally.most["attenuation_db"] for tally in tallies),
        life_used_ratio=sum(tally.worst.life_used_ratio for tally in tallies),
        part_power_mean_w=energy_j / max(math.fsum(frames.duration_s for frames in tracks), 1e-9),
        part_power_max_w=max(tally.most["part_power_w"] for tally in tallies),
    )


def comes_through(programme: Programme, rig: Rig) -> bool:
    """Whether driver and lamps are safe in the worst case and on the programme; no more is tried than it takes."""
    return all(
        _is_safe(worst_of(frames, end), rig) for frames in (_noise(rig), *programme.busiest) for end in _ends(rig)
    )


def steady_curve(rig: Rig) -> SteadyCurve:
    """Curve of the rig's driver behind its lamps as they are, or bare."""
    network = CoilNetwork.of(rig.driver, rig.site.ambient_temp_c)
    division = steady_division(rig) if is_per_frequency(rig) else None
    if isinstance(rig.protection, Lamp):
        return SteadyCurve.of(rig.protection, network, division)
    return SteadyCurve.bare(network, division)


def median_loss_db(programme: Programme, rig: Rig) -> float:
    """What the lamps take off on normal passages [dB]."""
    return _median_loss_db([_tally(frames, rig) for frames in (*programme.busiest, *programme.others)])


def _median_loss_db(tallies: Sequence[Tally]) -> float:
    pool = Attenuations()
    for tally in tallies:
        pool.counts += tally.attenuations.counts
    return pool.median_db


def _tally(frames: HfFrames, rig: Rig) -> Tally:
    tally = Tally(frames)
    for stretch in stretches(frames, rig, protected=True):
        tally.add(stretch)
    return tally


def _first_failure_s(every: Sequence[Worst]) -> float | None:
    return min((worst.failed_at_s for worst in every if worst.failed_at_s is not None), default=None)


def _ends(rig: Rig) -> list[Rig]:
    """The rig with the lamp that acts earliest and with the one that acts latest."""
    return [replace(rig, protection=end) for end in ends(rig.protection) or (rig.protection,)]


def _noise(rig: Rig) -> HfFrames:
    """The worst case, in frames that are short for a lamp and long for a computer."""
    return worst_case(rig, frame_s=NOISE_FRAME_S)


def _excesses_db(every: Sequence[Worst], rig: Rig) -> dict[Cause, float]:
    found = [worst.excesses(rig) for worst in every]
    return {cause: max(each[cause] for each in found) for cause in found[0]}


def _is_safe(worst: Worst, rig: Rig) -> bool:
    excesses_db = worst.excesses(rig)
    del excesses_db["driver_power_peak"]
    return worst.failed_at_s is None and max(excesses_db.values()) <= 0.0
