"""The voice coil's thermal values: from the maker where given, otherwise from the driver's rating.

Two stages, coil -> body -> ambient, each with a thermal resistance and a time constant. Makers hardly ever print them,
so they are derived from what is printed.

Source and range
----------------
Resistance: at V = sqrt(continuous_power_w * rated_impedance_ohm) the coil settles at its limit, by the program's own
model of the driver (`auditor/driver/coil.py`). The split between the stages is an assumption.
Time constants: P. J. Chapman, AES preprint 4667 (1998), second-hand: a 19 mm tweeter, 0.84 s and 6.5 min; a 70 mm
driver, 5.6 s and 33 min. A power law of the coil's diameter through the two; outside 19 to 70 mm it is extrapolated.
Only `math` is imported, so that a rig file can be read without numpy.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from auditor import published
from auditor.driver.coil import REFERENCE_C, alpha_per_k

# Of the rig file, in the order of `CoilThermal`: the two resistances first.
THERMAL_KEYS = (
    "coil_thermal_resistance_k_per_w",
    "body_thermal_resistance_k_per_w",
    "coil_time_constant_s",
    "body_time_constant_s",
)


@dataclass(frozen=True, kw_only=True)
class CoilThermal:
    """The two-stage network of a driver.

    Parameters
    ----------
    coil_thermal_resistance_k_per_w, body_thermal_resistance_k_per_w : float
        Coil to body and body to ambient [K/W].
    coil_time_constant_s, body_time_constant_s : float
        Each stage's own resistance times its own heat capacity [s].
    """

    coil_thermal_resistance_k_per_w: float
    body_thermal_resistance_k_per_w: float
    coil_time_constant_s: float
    body_time_constant_s: float


def rated_thermal_resistance_k_per_w(
    *,
    rated_impedance_ohm: float,
    dc_resistance_ohm: float,
    continuous_power_w: float,
    coil_material: Literal["copper", "aluminium"],
    coil_temp_limit_c: float,
    ambient_temp_c: float,
    current_a_per_v: float | None = None,
) -> float:
    """Thermal resistance from coil to ambient that takes the coil to its limit at its continuous rating.

    Parameters
    ----------
    rated_impedance_ohm, dc_resistance_ohm : float
        The driver, cold (20 C) [ohm].
    continuous_power_w : float
        Rating, as voltage squared over rated impedance [W].
    coil_material : {"copper", "aluminium"}
    coil_temp_limit_c, ambient_temp_c : float
        Where the coil ends and the air it stands in [C].
    current_a_per_v : float, optional
        Of the rating's noise with the coil at its limit [A/V], where the impedance differs from frequency to frequency.

    Returns
    -------
    float
        Coil to ambient [K/W].

    Notes
    -----
    With V^2 = P_c Z_r and x = alpha (T_lim - 20)::

        I = V / (Z_r + R_dc x),  R_th = (T_lim - T_a) / (I^2 R_dc (1 + x))

    An impedance that rises above the rated one lets less current through at the same rating, so the coil that stood it
    is the worse cooled; with the rated impedance alone it would come out too cool.
    """
    x = alpha_per_k(coil_material) * (coil_temp_limit_c - REFERENCE_C)
    if current_a_per_v is None:
        current_a_per_v = 1.0 / (rated_impedance_ohm + dc_resistance_ohm * x)
    current_a = math.sqrt(continuous_power_w * rated_impedance_ohm) * current_a_per_v
    heat_w = current_a**2 * dc_resistance_ohm * (1.0 + x)
    return (coil_temp_limit_c - ambient_temp_c) / heat_w


def time_constants_s(*, coil_diameter_mm: float) -> tuple[float, float]:
    """Time constants of coil and body for a coil of that diameter [s], by Chapman's two drivers."""
    small, large = published.CHAPMAN_TWEETER.value, published.CHAPMAN_LARGE_DRIVER.value
    position = math.log(coil_diameter_mm / small.coil_diameter_mm) / math.log(
        large.coil_diameter_mm / small.coil_diameter_mm
    )
    coil_s = _between(small.coil_time_constant_s, large.coil_time_constant_s, position)
    body_min = _between(small.magnet_time_constant_min, large.magnet_time_constant_min, position)
    return coil_s, 60.0 * body_min


def complete_thermal(
    given: Mapping[str, float], *, rated_resistance_k_per_w: float, coil_diameter_mm: float
) -> CoilThermal:
    """The four thermal values, the measured ones as given and the rest derived to fit them.

    Parameters
    ----------
    given : mapping of str to float
        Any of the four fields of `CoilThermal` that the maker or a measurement gives.
    rated_resistance_k_per_w : float
        Coil to ambient by the rating [K/W]; where one of the two resistances is given, the other is the rest of it.
    coil_diameter_mm : float
        Diameter of the voice coil [mm].

    Raises
    ------
    ValueError
        When one resistance is given, the other is not, and the one alone is no less than the rating implies for both.
    """
    coil_key, body_key = "coil_thermal_resistance_k_per_w", "body_thermal_resistance_k_per_w"
    coil_k_per_w, body_k_per_w = given.get(coil_key), given.get(body_key)
    if coil_k_per_w is None:
        if body_k_per_w is None:
            body_k_per_w = (1.0 - published.COIL_SHARE_OF_THERMAL_RESISTANCE.value) * rated_resistance_k_per_w
        coil_k_per_w = rated_resistance_k_per_w - body_k_per_w
    elif body_k_per_w is None:
        body_k_per_w = rated_resistance_k_per_w - coil_k_per_w
    if min(coil_k_per_w, body_k_per_w) <= 0.0:
        raise ValueError("one thermal resistance alone is no less than the rating implies for both together")
    coil_s, body_s = time_constants_s(coil_diameter_mm=coil_diameter_mm)
    return CoilThermal(
        coil_thermal_resistance_k_per_w=coil_k_per_w,
        body_thermal_resistance_k_per_w=body_k_per_w,
        coil_time_constant_s=given.get("coil_time_constant_s", coil_s),
        body_time_constant_s=given.get("body_time_constant_s", body_s),
    )


def _between(low: float, high: float, position: float) -> float:
    """The value at `position` between 0 (`low`) and 1 (`high`) on a logarithmic scale."""
    return float(low * (high / low) ** position)
