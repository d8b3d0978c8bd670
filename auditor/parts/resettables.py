"""The self-resetting polymer parts the program knows, by the current they hold.

Source and range
----------------
One radial series for 60 V and one for 30 V, every row read in its maker's datasheet; all values at 23 C in still air.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from auditor.published.record import Status


@dataclass(frozen=True, kw_only=True)
class ResettablePart:
    """One row of the list.

    Parameters
    ----------
    part : str
        Hold current and voltage, which is what the trade orders it by.
    hold_a, trip_a : float
        Current it carries for good, and current that trips it in the end [A].
    resistance_ohm, max_resistance_ohm : float
        Lowest and highest cold resistance as delivered [ohm].
    time_to_trip_s : float
        Longest time to trip at five times the hold current [s].
    tripped_power_w : float
        What it burns while tripped [W].
    max_voltage_v : float
        Highest voltage it may stand tripped [V].
    status, source : str
        How the row reached us, and where from.
    """

    part: str
    hold_a: float
    trip_a: float
    resistance_ohm: float
    max_resistance_ohm: float
    time_to_trip_s: float
    tripped_power_w: float
    max_voltage_v: float
    status: Status
    source: str


@cache
def resettables() -> tuple[ResettablePart, ...]:
    """Every part of `resettables.toml`, in rising order of hold current."""
    text = files("auditor.parts").joinpath("resettables.toml").read_text(encoding="utf-8")
    parts = [ResettablePart(**row) for row in tomllib.loads(text)["resettable"]]
    return tuple(sorted(parts, key=lambda each: each.hold_a))


def find_resettable(hold_a: float) -> ResettablePart | None:
    """The part that holds just that current [A]; None when the list has none."""
    return next((each for each in resettables() if math.isclose(each.hold_a, hold_a, rel_tol=1e-6)), None)


def nearest_resettables(hold_a: float, *, count: int = 2) -> list[ResettablePart]:
    """The parts whose hold current comes nearest to that [A], in rising order."""
    nearest = sorted(resettables(), key=lambda each: abs(math.log(each.hold_a / hold_a)))[:count]
    return sorted(nearest, key=lambda each: each.hold_a)
