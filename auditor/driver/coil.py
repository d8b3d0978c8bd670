"""The voice coil: heat in from its own resistance, heat out through the gap into the body and on to the air.

    C_c dT_c/dt = P - (T_c - T_b)/R_cb          P = I^2 R_dc (1 + alpha (T_c - 20))
    C_b dT_b/dt = (T_c - T_b)/R_cb - (T_b - T_a)/R_ba

The driver's impedance is its rated impedance plus what heating adds to the wire, so a hot coil draws less current
(power compression). Source: the two-stage network of P. J. Chapman, AES preprint 4667 (1998), as quoted in the
published values. Valid from the ambient up to the coil's limit; nothing here knows about cooling by excursion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor import published

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.rig import Driver

REFERENCE_C = 20.0  # temperature at which dc resistance and alpha are stated


def alpha_per_k(material: str) -> float:
    """Temperature coefficient of resistance at 20 C [1/K] of ``"copper"`` or ``"aluminium"`` (EC grade)."""
    record = {"copper": published.COPPER_ALPHA_PER_K, "aluminium": published.ALUMINIUM_ALPHA_PER_K}[material]
    return float(record.value)


@dataclass(frozen=True, kw_only=True)
class CoilNetwork:
    """The driver as the simulation needs it; several on one branch as one that takes all their current and heat.

    Equal drivers have equal shares, so m in series and n strings in parallel act as one of m/n times the resistance
    with an mn-th of the thermal resistances: its temperatures are theirs, its terminal voltage the branch's.
    """

    rated_impedance_ohm: float
    dc_resistance_ohm: float
    alpha_per_k: float
    coil_to_body_k_per_w: float
    body_to_air_k_per_w: float
    coil_heat_capacity_j_per_k: float
    body_heat_capacity_j_per_k: float
    ambient_temp_c: float
    driver_count: int = 1

    @property
    def v2_per_w(self) -> float:
        """Square of the terminal voltage for each watt in one driver, as it is rated [V2/W]."""
        return self.rated_impedance_ohm * self.driver_count

    def added_ohm(self, coil_temp_c: NDArray[np.float32]) -> NDArray[np.float32]:
        """What heat adds to the coil's resistance at 20 C [ohm], coil in [C]."""
        rise_k: NDArray[np.float32] = coil_temp_c - REFERENCE_C
        return rise_k * (self.dc_resistance_ohm * self.alpha_per_k)

    @classmethod
    def of(cls, driver: Driver, ambient_temp_c: float) -> CoilNetwork:
        """Network of a driver in air of the given temperature [C].

        Notes
        -----
        A time constant is heat capacity times the thermal resistance it drains through.
        """
        ratio = driver.series_count / driver.parallel_count
        count = driver.series_count * driver.parallel_count
        coil_k_per_w = driver.coil_thermal_resistance_k_per_w / count
        body_k_per_w = driver.body_thermal_resistance_k_per_w / count
        return cls(
            rated_impedance_ohm=driver.rated_impedance_ohm * ratio,
            dc_resistance_ohm=driver.dc_resistance_ohm * ratio,
            alpha_per_k=alpha_per_k(driver.coil_material),
            coil_to_body_k_per_w=coil_k_per_w,
            body_to_air_k_per_w=body_k_per_w,
            coil_heat_capacity_j_per_k=driver.coil_time_constant_s / coil_k_per_w,
            body_heat_capacity_j_per_k=driver.body_time_constant_s / body_k_per_w,
            ambient_temp_c=ambient_temp_c,
            driver_count=count,
        )


def resistance_ratio(temp_c: float, material: str) -> float:
    """Resistance of the wire at `temp_c` over that at 20 C."""
    return 1.0 + alpha_per_k(material) * (temp_c - REFERENCE_C)


def constant_voltage_rise_k(cold_power_w: float, thermal_resistance_k_per_w: float, material: str) -> float:
    """Settled rise of a purely resistive coil on a steady voltage [K].

    Heating raises the resistance and so lowers the power: rise = R_th P_0 / (1 + alpha rise), solved for the rise.

    Parameters
    ----------
    cold_power_w : float
        Power the voltage puts into the cold coil [W].
    thermal_resistance_k_per_w : float
        From coil to air [K/W].
    """
    alpha = alpha_per_k(material)
    return (math.sqrt(1.0 + 4.0 * alpha * thermal_resistance_k_per_w * cold_power_w) - 1.0) / (2.0 * alpha)
