"""What every protection method answers: the same question, `run`, with the same record.

A method is given the HF branch's source voltage frame by frame and the driver's thermal network, and says what reached
the driver and what became of the protective part. Part and coil share one current, so they are solved together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.driver.coil import REFERENCE_C

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.driver.coil import CoilNetwork

    Trace = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class ThermalState:
    """Heat and damage carried from one stretch of programme to the next.

    part : tuple of float
        The method's own state; for a lamp, filament temperature [K] and the share of its life used.
    """

    coil_temp_c: float
    body_temp_c: float
    part: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Run:
    """One stretch of programme through protection and driver; arrays have shape=(frames,), dtype float32.

    Voltages and powers are means over the frame; temperatures and resistance are those at its end.
    """

    frame_s: float
    driver_voltage_rms_v: Trace
    coil_temp_c: Trace
    body_temp_c: Trace
    protection_resistance_ohm: Trace
    protection_power_w: Trace
    filament_temp_k: Trace | None
    life_used_ratio: float
    failed_at_s: float | None
    end: ThermalState
    cold_resistance_ohm: float
    network: CoilNetwork

    @property
    def attenuation_db(self) -> Trace:
        """Loss against the cold part, with the coil as warm as it is [dB]; nought once it has failed."""
        network = self.network
        added_ohm = network.dc_resistance_ohm * network.alpha_per_k * (self.coil_temp_c - np.float32(REFERENCE_C))
        impedance_ohm = np.float32(network.rated_impedance_ohm) + added_ohm.astype(np.float32)
        cold_ohm = impedance_ohm + np.float32(self.cold_resistance_ohm)
        loss: Trace = 20 * np.log10((self.protection_resistance_ohm + impedance_ohm) / cold_ohm)
        if self.failed_at_s is not None:
            loss[round(self.failed_at_s / self.frame_s) :] = 0.0
        return loss
