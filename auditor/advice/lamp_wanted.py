"""What to look for in a shop where the list has no lamp that fits: of each usual voltage, the range of wattage."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.advice import lamp_banks
from auditor.advice.lamp_strain import comes_through, median_loss_db

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.advice.lamp_strain import Programme
    from auditor.rig import Rig

VOLTAGES_V = (6.0, 12.0, 24.0, 28.0)
# Wattages as a shop might have them, largest last: own choice.
POWERS_W = (2, 3, 4, 5, 6, 8, 10, 12, 15, 18, 21, 24, 27, 30, 35, 40, 45, 50, 55, 60, 70, 80, 90, 100, 120, 150, 200)
DULLS_BY_DB = 0.5  # more than the largest one takes off on normal passages; own definition


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Single lamps of one voltage that protect at the worst case and on the programme.

    Parameters
    ----------
    design_voltage_v : float
        Rated voltage [V].
    largest_w, least_w : float or None
        Largest wattage that still protects, and the least that neither burns out nor dulls by half a decibel more;
        None where none of that voltage protects.
    attenuation_normal_db : float or None
        What the largest takes off on normal passages [dB].
    """

    design_voltage_v: float
    largest_w: float | None
    least_w: float | None
    attenuation_normal_db: float | None


def wanted(voltage_v: float, rig: Rig, programme: Programme) -> Wanted:
    """Try wattages of one voltage from the largest down, with the class values of a lamp known by its rating alone."""

    def behind(power_w: float) -> Rig:
        return replace(rig, protection=lamp_banks.of_rating(voltage_v, power_w))

    def protects(power_w: float) -> bool:
        return comes_through(programme, behind(power_w))

    falling = [float(power_w) for power_w in reversed(POWERS_W)]
    largest_w = next((power_w for power_w in falling if protects(power_w)), None)
    if largest_w is None:
        return Wanted(design_voltage_v=voltage_v, largest_w=None, least_w=None, attenuation_normal_db=None)
    loss_db = median_loss_db(programme, behind(largest_w))
    smaller = falling[falling.index(largest_w) + 1 :]

    def serves(power_w: float) -> bool:
        return median_loss_db(programme, behind(power_w)) <= loss_db + DULLS_BY_DB and protects(power_w)

    return Wanted(
        design_voltage_v=voltage_v,
        largest_w=largest_w,
        least_w=_last_that(serves, smaller, largest_w),
        attenuation_normal_db=loss_db,
    )


def _last_that(serves: Callable[[float], bool], falling: Sequence[float], power_w: float) -> float:
    for smaller_w in falling:
        if not serves(smaller_w):
            break
        power_w = smaller_w
    return power_w
