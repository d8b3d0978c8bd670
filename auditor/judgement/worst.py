"""The worst of everything that is held against a limit, over a whole channel, and by how much it is over."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor import published
from auditor.audit_types import Cause
from auditor.judgement.before import NOTHING, Before
from auditor.judgement.ratings import Stretch, stretches
from auditor.units import amplitude_to_db, power_to_db

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig

Excess = tuple[float, Cause]


@dataclass
class Worst:
    """Largest values over the stretches seen so far."""

    power_1s_w: float = 0.0
    power_60s_w: float = 0.0
    power_peak_w: float = 0.0
    coil_temp_c: float = -math.inf
    filament_temp_k: float = 0.0
    life_used_ratio: float = 0.0
    failed_at_s: float | None = None
    displacement_mm: float | None = None

    def take(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        run = stretch.run
        self.power_1s_w = max(self.power_1s_w, float(stretch.power_1s_w.max()))
        self.power_60s_w = max(self.power_60s_w, float(stretch.power_60s_w.max()))
        self.power_peak_w = max(self.power_peak_w, float(stretch.power_peak_w.max()))
        self.coil_temp_c = max(self.coil_temp_c, float(run.coil_temp_c.max()))
        if run.filament_temp_k is not None:
            self.filament_temp_k = max(self.filament_temp_k, float(run.filament_temp_k.max()))
        self.life_used_ratio = max(self.life_used_ratio, run.life_used_ratio)  # a fuse's damage heals
        if stretch.displacement_mm is not None:
            self.displacement_mm = max(self.displacement_mm or 0.0, float(stretch.displacement_mm.max()))
        if run.failed_at_s is not None and self.failed_at_s is None:
            self.failed_at_s = stretch.first_frame * run.frame_s + run.failed_at_s

    def excess(self, rig: Rig) -> Excess:
        """By how much the worst quantity is over its limit [dB], negative if under it, and which it is."""
        return max((excess_db, cause) for cause, excess_db in self.excesses(rig).items())

    def excesses(self, rig: Rig) -> dict[Cause, float]:
        """By how much each quantity is over its limit [dB], negative if under it.

        Powers, and rises of temperature above ambient, count as 10 log10 of their ratio to the limit; a filament's
        temperature as 40 log10, for its power goes with the fourth power of it; a displacement as 20 log10.
        """
        driver, ambient_c = rig.driver, rig.site.ambient_temp_c
        molten = max(self.filament_temp_k, 1.0) / published.TUNGSTEN_MELTING_K.value
        part_db = max(40.0 * math.log10(molten), power_to_db(self.life_used_ratio))
        limit_mm = driver.excursion_limit_mm
        moved: dict[Cause, float] = {}
        if limit_mm is not None and self.displacement_mm is not None:
            moved["excursion"] = amplitude_to_db(self.displacement_mm / limit_mm)
        return moved | {
            "driver_power_1s": power_to_db(self.power_1s_w / driver.program_power_w),
            "driver_power_60s": power_to_db(self.power_60s_w / driver.continuous_power_w),
            "driver_power_peak": power_to_db(self.power_peak_w / driver.peak_power_w),
            "coil_temp": power_to_db((self.coil_temp_c - ambient_c) / (driver.coil_temp_limit_c - ambient_c)),
            "protection_failed": part_db if self.failed_at_s is None else max(part_db, 0.0),
        }


def worst_of(frames: HfFrames, rig: Rig, *, before: Before = NOTHING) -> Worst:
    """The worst of a whole channel, everything cold at its start unless something was played before."""
    return worst_and_after(frames, rig, before=before)[0]


def worst_and_after(frames: HfFrames, rig: Rig, *, before: Before) -> tuple[Worst, Before]:
    """The same, and what the channel leaves to what is played next."""
    worst = Worst()
    for stretch in stretches(frames, rig, protected=True, before=before):
        worst.take(stretch)
        before = stretch.after
    return worst, before
