"""A thermal circuit breaker in series with the HF driver: opens on heat, and can be closed again.

Source and range
----------------
Trip windows at 2, 4 and 6 times the rating, and the current it must trip at within an hour, from a maker's datasheet by
range of ratings, at 25 C (`auditor/published/protective_parts.py`); straight in logarithms between them, I2 t constant
beyond the last. Nothing is printed of the least time below twice the rating: the earliest curve is drawn on with its
slope down to the rating itself, below which it holds (assumed; the careful reading). Resistance from the list of parts.
The site's temperature is not counted: a breaker trips earlier in a hot box.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from auditor import published
from auditor.errors import Fault
from auditor.parts.protective import between_ratings, breakers
from auditor.rig_fields import RigTable, choice, quantity, shown

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Run, ThermalState
    from auditor.protection.time_current import Curve, TimeCurrentPart
    from auditor.published.protective_parts import OpeningGates

GATES: tuple[published.Published[OpeningGates], ...] = (published.BREAKER_SMALL, published.BREAKER_LARGE)


@dataclass(frozen=True, kw_only=True)
class Breaker:
    """One thermal breaker.

    Parameters
    ----------
    part : str
        Its rating in words.
    rating_a : float
        Rated current [A].
    reset : {"hand", "self"}
        Whether somebody must close it again, or it does so by itself.
    reset_s : float or None
        After how long it closes by itself [s]; None for ``"hand"``.
    resistance_ohm : float
    """

    kind: Literal["breaker"] = "breaker"
    part: str
    rating_a: float
    reset: Literal["hand", "self"]
    reset_s: float | None
    resistance_ohm: float


class Table(RigTable):
    """The ``[protection]`` table for `kind = "breaker"`."""

    kind: Literal["breaker"] = choice("Protection method.")
    rating_a: float = quantity("Rated current.", unit="A", low=0.01, high=100.0)
    reset: Literal["hand", "self"] = choice("Whether it is closed again by hand or closes by itself.")
    reset_s: float | None = quantity(
        "After how long it closes by itself.",
        unit="s",
        low=0.1,
        high=3600.0,
        below="a bimetal does not cool that fast",
        above="it would not close again during the show",
        optional=True,
    )
    resistance_ohm: float | None = quantity(
        "Resistance of the closed breaker.",
        unit="ohm",
        low=0.0001,
        high=1000.0,
        below="no thermal breaker has that little",
        optional=True,
    )


def key_faults(given: AbstractSet[str]) -> list[Fault]:
    """What `reset_s` needs beside it depends on the value of `reset`, which `resolve` sees."""
    return []


def resolve(table: Table) -> tuple[Breaker | None, list[str], list[Fault]]:
    """Fill in the resistance.

    Parameters
    ----------
    table : Table

    Returns
    -------
    settings : Breaker or None
        None where there are faults.
    assumed : list of str
        Keys filled in, without the table's name. A resistance printed for that very rating is not among them.
    faults : list of Fault
        No published window or resistance, or `reset_s` missing or out of place.
    """
    faults = _reset_faults(table)
    if gates_of(table.rating_a) is None:
        return None, [], [_no_window(table), *faults]
    listed = {breaker.rating_a: breaker.resistance_ohm for breaker in breakers()}
    ohm = table.resistance_ohm
    if ohm is None:
        ohm = between_ratings(listed, table.rating_a)
    if ohm is None:
        hint = f"measure it, or take it from the maker's sheet; known from {min(listed):g} to {max(listed):g} A"
        what = f"missing: none is published for a breaker of {table.rating_a:g} A"
        faults.append(Fault(key="resistance_ohm", what=what, allowed="0.0001 to 1000 ohm", hint=hint))
    if faults or ohm is None:
        return None, [], faults
    breaker = Breaker(
        part=f"{table.rating_a:g} A",
        rating_a=table.rating_a,
        reset=table.reset,
        reset_s=table.reset_s,
        resistance_ohm=ohm,
    )
    is_known = table.resistance_ohm is not None or table.rating_a in listed
    return breaker, [] if is_known else ["resistance_ohm"], []


def gates_of(rating_a: float) -> OpeningGates | None:
    """The trip windows printed for breakers of that rating; None where there are none."""
    found = (record.value for record in GATES)
    return next((gates for gates in found if gates.rating_a[0] <= rating_a <= gates.rating_a[1]), None)


def curves(rating_a: float) -> tuple[Curve, Curve]:
    """Earliest and latest curve of a breaker whose rating is in the published ranges."""
    from auditor.protection.time_current import Curve, between_gates

    gates = gates_of(rating_a)
    if gates is None:
        raise ValueError("no trip window is published for that rating; `resolve` tells the user so")
    early, latest = between_gates(gates.gates, rating_a)
    (first_a, second_a), (first_s, second_s) = early.current_a[:2], early.time_s[:2]
    slope = math.log(second_s / first_s) / math.log(second_a / first_a)
    at_rating_s = first_s * (rating_a / first_a) ** slope
    earliest = Curve(current_a=(rating_a, *early.current_a), time_s=(at_rating_s, *early.time_s))
    return earliest, latest


def run(
    settings: Breaker,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None = None,
    division: Division | None = None,
) -> Run:
    """Drive breaker and driver together; see `auditor.simulation.simulate`."""
    from auditor.protection import time_current

    return time_current.run(_part(settings), network, source_rms_v, frame_s, start=start, division=division)


@functools.lru_cache(maxsize=64)
def _part(settings: Breaker) -> TimeCurrentPart:
    from auditor.protection.time_current import TimeCurrentPart

    earliest, latest = curves(settings.rating_a)
    return TimeCurrentPart(
        earliest=earliest,
        latest=latest,
        resistance_ohm=settings.resistance_ohm,
        rating_a=settings.rating_a,
        recloses_after_s=math.inf if settings.reset_s is None else settings.reset_s,
    )


def _reset_faults(table: Table) -> list[Fault]:
    if table.reset == "self" and table.reset_s is None:
        what = 'missing: reset "self" needs the time after which it closes'
        return [Fault(key="reset_s", what=what, allowed="0.1 to 3600 s", hint="see its datasheet, or try it out")]
    if table.reset == "hand" and table.reset_s is not None:
        what = 'reset "hand" stays open until somebody closes it'
        return [
            Fault(key="reset_s", what=what, got=shown(table.reset_s, unit="s"), hint='remove it, or reset = "self"')
        ]
    return []


def _no_window(table: Table) -> Fault:
    ranges = [record.value.rating_a for record in GATES]
    return Fault(
        key="rating_a",
        what="no published trip window for a breaker of that rating",
        got=shown(table.rating_a, unit="A"),
        allowed=" or ".join(f"{low:g} to {high:g} A" for low, high in ranges),
        hint="`auditor parts breaker` prints the windows",
    )
