"""Worst values and sums of one channel, gathered stretch by stretch."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor import published
from auditor.audit_types import Exposure, LampWork, Opening, ProtectionWork
from auditor.judgement.passages import ENGAGED_FROM_DB
from auditor.judgement.worst import Worst
from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.units import SILENCE_DB, db_to_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.judgement.ratings import Stretch
    from auditor.rig import Rig

# A frame counts as one with HF in it within this of the loudest frame: own definition, for the median attenuation.
HEARD_WITHIN_DB = 40.0
_STEP_DB = 0.01
_STEPS = round(OPEN_ATTENUATION_DB / _STEP_DB) + 1


@dataclass
class Attenuations:
    """How much of the time which attenuation lasted: counts of frames in steps of a hundredth of a decibel."""

    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_STEPS, dtype=np.int64))

    def add(self, attenuation_db: NDArray[np.float32]) -> None:
        """Take some frames."""
        steps = np.clip(np.rint(attenuation_db / _STEP_DB), 0, _STEPS - 1).astype(np.int64)
        self.counts += np.bincount(steps, minlength=_STEPS)

    @property
    def median_db(self) -> float:
        """The attenuation that is not passed for half of the time [dB]; nought where there is none."""
        total = int(self.counts.sum())
        step = int(np.searchsorted(np.cumsum(self.counts), total / 2.0))
        return float(step * _STEP_DB) if total else 0.0


@dataclass
class Tally:
    """One channel with a part as rated, or without one.

    Parameters
    ----------
    frames : HfFrames
        The whole channel.
    """

    frames: HfFrames
    worst: Worst = field(default_factory=Worst)
    most: dict[str, float] = field(default_factory=dict)
    sums: dict[str, float] = field(default_factory=dict)
    attenuations: Attenuations = field(default_factory=Attenuations)
    trips: int = 0
    chatter: int = 0
    opens_at_s: tuple[float | None, float | None] = (None, None)
    replace: dict[str, None] = field(default_factory=dict)

    def add(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        run = stretch.run
        self.worst.take(stretch)
        attenuation_db = run.attenuation_db
        self._raise("body_temp_c", run.body_temp_c)
        self._raise("attenuation_db", attenuation_db)
        self._raise("resistance_ohm", run.protection_resistance_ohm)
        self._raise("part_power_w", run.protection_power_w)
        self._sum("power_w", stretch.power_w)
        self._sum("part_power_w", run.protection_power_w)
        self._sum("attenuation_db", attenuation_db)
        self._sum("engaged", attenuation_db > ENGAGED_FROM_DB)
        self._sum("silent", run.silent)
        if run.filament_temp_k is not None:
            self._sum("glowing", run.filament_temp_k >= published.DRAPER_POINT_K.value)
        first = stretch.first_frame
        heard = self.frames.rms_v[first : first + len(attenuation_db)] > self._least_heard_v
        self.attenuations.add(attenuation_db[heard])
        self._open(first * run.frame_s, run.opens_at_s)
        self.trips += run.trips
        self.chatter += run.chatter
        self.replace.update(dict.fromkeys(run.replace))

    @cached_property  # every stretch asks for it, and it looks through the whole channel
    def _least_heard_v(self) -> float:
        return float(self.frames.rms_v.max(initial=0.0)) * db_to_amplitude(-HEARD_WITHIN_DB)

    def _open(self, stretch_s: float, opens_at_s: tuple[float | None, float | None]) -> None:
        earliest, latest = (
            before if before is not None or now is None else stretch_s + now
            for before, now in zip(self.opens_at_s, opens_at_s, strict=True)
        )
        self.opens_at_s = (earliest, latest)

    def _raise(self, name: str, values: NDArray[np.float32]) -> None:
        self.most[name] = max(self.most.get(name, SILENCE_DB), float(values.max()))

    def _sum(self, name: str, values: NDArray[Any]) -> None:
        self.sums[name] = self.sums.get(name, 0.0) + float(values.sum(dtype=np.float64))

    def exposure(self, duration_s: float) -> Exposure:
        """What the driver was put through in a track of that length [s]."""
        return Exposure(
            driver_power_mean_w=self.sums["power_w"] * self.frames.frame_s / duration_s,
            driver_power_max_1s_w=self.worst.power_1s_w,
            driver_power_max_60s_w=self.worst.power_60s_w,
            driver_power_peak_w=self.worst.power_peak_w,
            coil_temp_max_c=self.worst.coil_temp_c,
            body_temp_max_c=self.most["body_temp_c"],
            displacement_peak_mm=self.worst.displacement_mm,
        )

    def protection(self, rig: Rig, duration_s: float) -> ProtectionWork:
        """What the part did in a track of that length [s]; its tolerance is the caller's."""
        frame_s, frames = self.frames.frame_s, len(self.frames.rms_v)
        lamp = None
        if "glowing" in self.sums:
            lamp = LampWork(
                filament_temp_max_k=self.worst.filament_temp_k,
                resistance_max_ohm=self.most["resistance_ohm"],
                power_max_w=self.most["part_power_w"],
                glow_s=min(self.sums["glowing"] * frame_s, duration_s),
                life_used_ratio=self.worst.life_used_ratio,
            )
        earliest, latest = self.opens_at_s
        return ProtectionWork(
            kind=rig.protection.kind,
            part=rig.protection.part,
            engaged_s=min(self.sums["engaged"] * frame_s, duration_s),
            attenuation_max_db=self.most["attenuation_db"],
            attenuation_mean_db=self.sums["attenuation_db"] / frames,
            attenuation_median_db=self.attenuations.median_db,
            failed_at_s=self.worst.failed_at_s,
            trips=self.trips,
            chatter=self.chatter,
            muted_s=min(self.sums["silent"] * frame_s, duration_s),
            opens_at_s=Opening(earliest=earliest, latest=latest),
            replace=tuple(self.replace),
            lamp=lamp,
        )
