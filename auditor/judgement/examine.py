"""One channel under the light: simulate it with and without its protection, and keep what a reader needs.

The simulation comes in stretches of some minutes; each is reduced to its worst values, its flagged passages and its
share of the traces, and then let go.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.arrays import MOST_BINS, frames_per_bin
from auditor.audit_types import AtEnd, ChannelAudit, End, Passage, ProtectionWork, Tolerance, Traces, Verdict
from auditor.judgement.before import NOTHING, Before
from auditor.judgement.passages import PassageFinder
from auditor.judgement.ratings import STRETCH_FRAMES, Stretch, stretches, together
from auditor.judgement.tally import Attenuations, Tally
from auditor.judgement.worst import Excess, Worst, each_worst_and_after
from auditor.kernels import largest_of_groups
from auditor.protection import UNPROTECTED
from auditor.protection import ends as protection_ends
from auditor.units import amplitude_to_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from auditor.chain.play import ChannelFeed
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig

MAX_BINS = MOST_BINS


@dataclass(frozen=True, kw_only=True)
class Carried:
    """What one channel carries from track to track: bare, with the part as rated, and at the ends of its tolerance."""

    bare: Before = NOTHING
    rated: Before = NOTHING
    ends: tuple[Before, ...] = (NOTHING, NOTHING)

    @property
    def coil_temp_c(self) -> float:
        """How hot the coil behind the part as rated is [C]."""
        return self.rated.coil_temp_c


@dataclass(frozen=True, kw_only=True)
class Examined:
    """A channel's part of the audit.

    excess : Excess
        With the part as rated.
    ends : tuple of EndOfTolerance
        With the part that acts earliest and the one that acts latest; empty where the part as rated says it all.
    attenuations : Attenuations
        With the part as rated.
    part_energy_j, part_power_max_w : float
        Heat the part gives off in all [J], and at most [W].
    carried : Carried
        What it leaves to what is played next.
    """

    channel: ChannelAudit
    passages: list[Passage]
    excess: Excess
    ends: tuple[EndOfTolerance, ...]
    worst: Worst
    attenuations: Attenuations
    part_energy_j: float
    part_power_max_w: float
    carried: Carried


@dataclass(frozen=True, kw_only=True)
class EndOfTolerance:
    """The same channel with a part at one end of its tolerance; what was before it, and what it leaves."""

    part_at: End
    rig: Rig
    worst: Worst
    excess: Excess
    before: Before
    after: Before


def examine(feed: ChannelFeed, rig: Rig, index: int, duration_s: float, *, before: Carried | None = None) -> Examined:
    """Put one channel through protection and driver.

    Parameters
    ----------
    feed : ChannelFeed
    rig : Rig
    index : int
        Which channel it is.
    duration_s : float
        Length of the track [s].
    before : Carried, optional
        From what was played before; without it everything is cold.
    """
    frames, before = feed.frames, before or Carried()
    bins = _Binning(len(frames.rms_v))
    finder = PassageFinder(rig, index, frames.frame_s)
    bare, guarded = Tally(frames), Tally(frames)
    end_parts = protection_ends(rig.protection) or ()
    end_worsts = [Worst() for _ in end_parts]
    afters = [before.bare, before.rated, *before.ends[: len(end_parts)]]
    for found in together(frames, rig, [UNPROTECTED, rig.protection, *end_parts], before=afters):
        unprotected, protected, *at_end_parts = found
        bare.add(unprotected)
        bins.add("unprotected_power_1s_w", unprotected.power_1s_w)
        bins.add("unprotected_coil_temp_c", unprotected.run.coil_temp_c)
        guarded.add(protected)
        finder.look(protected)
        _keep_traces(bins, protected)
        for worst, stretch in zip(end_worsts, at_end_parts, strict=True):
            worst.take(stretch)
        afters = [stretch.after for stretch in found]
    after_bare, after, *end_afters = afters
    bins.add("hf_voltage_rms_v", frames.rms_v)
    bins.add("hf_voltage_peak_v", frames.peak_v)
    bins.add("clipped_ratio", feed.clipped_ratio, each_of=frames_per_bin(len(frames.rms_v)))
    excess = guarded.worst.excess(rig)
    ends = as_ends(rig, list(zip(end_worsts, end_afters, strict=True)), before=before.ends)
    protection = guarded.protection(rig, duration_s)
    rms_v, peak_v = feed.hf_voltage_rms_v, feed.hf_voltage_peak_v
    channel = ChannelAudit(
        index=index,
        clipped_ratio=feed.overall_clipped_ratio,
        hf_energy_ratio=feed.hf_energy_ratio,
        hf_voltage_rms_v=rms_v,
        hf_voltage_peak_v=peak_v,
        hf_crest_db=amplitude_to_db(peak_v / rms_v) if rms_v > 0.0 else None,
        protected=guarded.exposure(duration_s),
        unprotected=bare.exposure(duration_s),
        protection=replace(protection, tolerance=_tolerance(ends, protection)),
        traces=Traces(step_s=bins.group * frames.frame_s, **{"filament_temp_k": None, **bins.joined()}),
        limiter=feed.limiter,
    )
    passages = finder.finish(duration_s)
    if excess[0] <= 0.0:
        for end in ends:
            passages += _risks(frames, end, index, duration_s) if end.excess[0] > 0.0 else []
    return Examined(
        channel=channel,
        passages=passages,
        excess=excess,
        ends=ends,
        worst=guarded.worst,
        attenuations=guarded.attenuations,
        part_energy_j=guarded.sums["part_power_w"] * frames.frame_s,
        part_power_max_w=guarded.most["part_power_w"],
        carried=Carried(bare=after_bare, rated=after, ends=tuple(end.after for end in ends)),
    )


def at_ends(frames: HfFrames, rig: Rig, *, before: Sequence[Before] = (NOTHING, NOTHING)) -> tuple[EndOfTolerance, ...]:
    """The channel with the part that acts earliest, and with the one that acts latest."""
    parts = protection_ends(rig.protection)
    return () if parts is None else as_ends(rig, each_worst_and_after(frames, rig, parts, before=before), before=before)


def as_ends(rig: Rig, found: Sequence[tuple[Worst, Before]], *, before: Sequence[Before]) -> tuple[EndOfTolerance, ...]:
    """The same from the worst with each of these parts, and what it leaves; empty without any."""
    if not found:
        return ()
    names: tuple[End, End] = ("earliest", "latest")
    rigs = [replace(rig, protection=part) for part in protection_ends(rig.protection) or ()]
    return tuple(
        EndOfTolerance(
            part_at=part_at, rig=end_rig, worst=worst, excess=worst.excess(end_rig), before=earlier, after=after
        )
        for part_at, end_rig, (worst, after), earlier in zip(names, rigs, found, before, strict=True)
    )


def _risks(frames: HfFrames, end: EndOfTolerance, index: int, duration_s: float) -> list[Passage]:
    """What is at risk with the part at that end, where with a part as rated nothing is."""
    finder = PassageFinder(end.rig, index, frames.frame_s, part_at=end.part_at)
    for stretch in stretches(frames, end.rig, protected=True, before=end.before):
        finder.look(stretch)
    return [passage for passage in finder.finish(duration_s) if passage.verdict == "risk"]


def _tolerance(ends: tuple[EndOfTolerance, ...], work: ProtectionWork) -> Tolerance | None:
    if not ends:
        return None
    found = {}
    for end in ends:
        calm: Verdict = "engaged" if work.engaged_s > 0.0 else "clear"
        found[end.part_at] = AtEnd(
            verdict="risk" if end.excess[0] > 0.0 else calm,
            coil_temp_max_c=end.worst.coil_temp_c,
            driver_power_max_1s_w=end.worst.power_1s_w,
            driver_power_max_60s_w=end.worst.power_60s_w,
            failed_at_s=end.worst.failed_at_s,
        )
    return Tolerance(earliest=found["earliest"], latest=found["latest"])


def _keep_traces(bins: _Binning, stretch: Stretch) -> None:
    run = stretch.run
    bins.add("driver_power_w", stretch.power_w)
    bins.add("driver_power_1s_w", stretch.power_1s_w)
    bins.add("driver_power_60s_w", stretch.power_60s_w)
    bins.add("driver_power_peak_w", stretch.power_peak_w)
    bins.add("coil_temp_c", run.coil_temp_c)
    bins.add("body_temp_c", run.body_temp_c)
    bins.add("attenuation_db", run.attenuation_db)
    bins.add("protection_resistance_ohm", run.protection_resistance_ohm)
    if run.filament_temp_k is not None:
        bins.add("filament_temp_k", run.filament_temp_k)


class _Binning:
    """Gathers frames into at most `MAX_BINS` bins that keep the largest value."""

    def __init__(self, frames: int) -> None:
        # A power of two divides the stretches evenly, so that no bin straddles two of them.
        self.group = frames_per_bin(frames, MAX_BINS)
        assert STRETCH_FRAMES % self.group == 0 or frames <= STRETCH_FRAMES
        self._parts: dict[str, list[NDArray[np.float32]]] = {}

    def add(self, name: str, values: NDArray[np.float32], *, each_of: int = 1) -> None:
        """Put values at the end of a trace, each of which is the largest of so many frames."""
        self._parts.setdefault(name, []).append(largest_of_groups(values, self.group // each_of))

    def joined(self) -> dict[str, Any]:
        return {name: np.concatenate(parts) for name, parts in self._parts.items()}
