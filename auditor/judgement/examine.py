"""One channel under the light: simulate it with and without its protection, and keep what a reader needs.

The simulation comes in stretches of some minutes; each is reduced to its worst values, its flagged passages and its
share of the traces, and then let go.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor import published
from auditor.audit_types import ChannelAudit, Exposure, LampWork, Passage, ProtectionWork, Traces
from auditor.judgement.passages import ENGAGED_FROM_DB, PassageFinder
from auditor.judgement.ratings import STRETCH_FRAMES, Stretch, stretches
from auditor.judgement.worst import Excess, Worst
from auditor.units import SILENCE_DB, amplitude_to_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.chain.play import ChannelFeed
    from auditor.rig import Rig

MAX_BINS = 1 << 16  # a track of up to six minutes keeps every frame


@dataclass(frozen=True, kw_only=True)
class Examined:
    """A channel's part of the audit."""

    channel: ChannelAudit
    passages: list[Passage]
    excess: Excess


def examine(feed: ChannelFeed, rig: Rig, index: int, duration_s: float) -> Examined:
    """Put one channel through protection and driver.

    Parameters
    ----------
    feed : ChannelFeed
    rig : Rig
    index : int
        Which channel it is.
    duration_s : float
        Length of the track [s].
    """
    frame_s, count = feed.frames.frame_s, len(feed.frames.rms_v)
    bins = _Binning(count)
    finder = PassageFinder(rig, index, frame_s)
    bare, guarded = _Tally(), _Tally()
    for stretch in stretches(feed.frames, rig, protected=False):
        bare.add(stretch)
        bins.add("unprotected_power_1s_w", stretch.power_1s_w)
        bins.add("unprotected_coil_temp_c", stretch.run.coil_temp_c)
    for stretch in stretches(feed.frames, rig, protected=True):
        guarded.add(stretch)
        finder.look(stretch)
        _keep_traces(bins, stretch)
    bins.add("hf_voltage_rms_v", feed.frames.rms_v)
    bins.add("hf_voltage_peak_v", feed.frames.peak_v)
    bins.add("clipped_ratio", feed.clipped_ratio)
    rms_v, peak_v = feed.hf_voltage_rms_v, feed.hf_voltage_peak_v
    channel = ChannelAudit(
        index=index,
        clipped_ratio=feed.overall_clipped_ratio,
        hf_energy_ratio=feed.hf_energy_ratio,
        hf_voltage_rms_v=rms_v,
        hf_voltage_peak_v=peak_v,
        hf_crest_db=amplitude_to_db(peak_v / rms_v) if rms_v > 0.0 else None,
        protected=guarded.exposure(duration_s, frame_s),
        unprotected=bare.exposure(duration_s, frame_s),
        protection=guarded.protection(rig, count, frame_s, duration_s),
        traces=Traces(step_s=bins.group * frame_s, **{"filament_temp_k": None, **bins.joined()}),
        limiter=feed.limiter,
    )
    return Examined(channel=channel, passages=finder.finish(duration_s), excess=guarded.worst.excess(rig))


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
        self.group = 1 << max(0, math.ceil(math.log2(max(frames, 1) / MAX_BINS)))
        assert STRETCH_FRAMES % self.group == 0 or frames <= STRETCH_FRAMES
        self._parts: dict[str, list[NDArray[np.float32]]] = {}

    def add(self, name: str, values: NDArray[np.float32]) -> None:
        starts = np.arange(0, len(values), self.group)
        gathered = np.maximum.reduceat(values, starts) if len(values) else values
        self._parts.setdefault(name, []).append(gathered)

    def joined(self) -> dict[str, Any]:
        return {name: np.concatenate(parts) for name, parts in self._parts.items()}


@dataclass
class _Tally:
    """Worst values and sums over the stretches seen so far."""

    worst: Worst = field(default_factory=Worst)
    most: dict[str, float] = field(default_factory=dict)
    sums: dict[str, float] = field(default_factory=dict)

    def add(self, stretch: Stretch) -> None:
        run = stretch.run
        self.worst.take(stretch)
        attenuation_db = run.attenuation_db
        self._raise("body_temp_c", run.body_temp_c)
        self._raise("attenuation_db", attenuation_db)
        self._raise("resistance_ohm", run.protection_resistance_ohm)
        self._raise("part_power_w", run.protection_power_w)
        self._sum("power_w", stretch.power_w)
        self._sum("attenuation_db", attenuation_db)
        self._sum("engaged", attenuation_db > ENGAGED_FROM_DB)
        if run.filament_temp_k is not None:
            self._sum("glowing", run.filament_temp_k >= published.DRAPER_POINT_K.value)

    def _raise(self, name: str, values: NDArray[np.float32]) -> None:
        self.most[name] = max(self.most.get(name, SILENCE_DB), float(values.max()))

    def _sum(self, name: str, values: NDArray[Any]) -> None:
        self.sums[name] = self.sums.get(name, 0.0) + float(values.sum(dtype=np.float64))

    def exposure(self, duration_s: float, frame_s: float) -> Exposure:
        return Exposure(
            driver_power_mean_w=self.sums["power_w"] * frame_s / duration_s,
            driver_power_max_1s_w=self.worst.power_1s_w,
            driver_power_max_60s_w=self.worst.power_60s_w,
            driver_power_peak_w=self.worst.power_peak_w,
            coil_temp_max_c=self.worst.coil_temp_c,
            body_temp_max_c=self.most["body_temp_c"],
        )

    def protection(self, rig: Rig, frames: int, frame_s: float, duration_s: float) -> ProtectionWork:
        lamp = None
        if "glowing" in self.sums:
            lamp = LampWork(
                filament_temp_max_k=self.worst.filament_temp_k,
                resistance_max_ohm=self.most["resistance_ohm"],
                power_max_w=self.most["part_power_w"],
                glow_s=min(self.sums["glowing"] * frame_s, duration_s),
                life_used_ratio=self.worst.life_used_ratio,
            )
        return ProtectionWork(
            kind=rig.protection.kind,
            part=rig.protection.part,
            engaged_s=min(self.sums["engaged"] * frame_s, duration_s),
            attenuation_max_db=self.most["attenuation_db"],
            attenuation_mean_db=self.sums["attenuation_db"] / frames,
            failed_at_s=self.worst.failed_at_s,
            lamp=lamp,
        )
