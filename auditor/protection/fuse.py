"""A miniature fuse of 5x20 mm in series with the HF driver.

It answers the heat in its own wire, not in the coil: it carries half as much again as its rating for an hour, and at
2.75 times its rating one quick fuse may take forty times as long as another, both within the standard. Opened, it
stays open, on the next track too.

Source and range
----------------
Pre-arcing gates of IEC 60127-2 by characteristic and body (`auditor/published/protective_parts.py`). The earliest curve
goes through the least times: an hour at 1.5 times the rating, below which no fuse opens. The latest goes through the
most: from 2.1 times the rating up, below which none need open. Straight in logarithms between the gates; where a gate
prints one of the two times only, the other curve passes over it; beyond the last, I2 t holds. Cold resistance from
the list of parts; it counts in the circuit, its growth with heat does not. A fuse without printed gates is refused.
"""

from __future__ import annotations

import functools
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from auditor import published
from auditor.errors import Fault
from auditor.parts.protective import Body, Characteristic, between_ratings, fuses
from auditor.rig_fields import RigTable, choice, quantity, shown

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Run, ThermalState
    from auditor.protection.time_current import Curve, TimeCurrentPart
    from auditor.published.protective_parts import OpeningGates

ASSUMED_BODY: Body = "glass"  # the commonest in loudspeakers; common practice, no source

GATES: dict[tuple[Characteristic, Body], published.Published[OpeningGates]] = {
    ("F", "glass"): published.FUSE_F_GLASS,
    ("F", "ceramic"): published.FUSE_F_CERAMIC,
    ("T", "glass"): published.FUSE_T_GLASS,
    ("T", "ceramic"): published.FUSE_T_CERAMIC,
}


@dataclass(frozen=True, kw_only=True)
class Fuse:
    """One fuse.

    Parameters
    ----------
    part : str
        As stamped on its cap, without the voltage.
    rating_a : float
        Rated current [A].
    characteristic : {"F", "T"}
        Quick or time-lag.
    body : {"glass", "ceramic"}
    cold_resistance_ohm : float
    """

    kind: Literal["fuse"] = "fuse"
    part: str
    rating_a: float
    characteristic: Characteristic
    body: Body
    cold_resistance_ohm: float


class Table(RigTable):
    """The ``[protection]`` table for `kind = "fuse"`."""

    kind: Literal["fuse"] = choice("Protection method.")
    rating_a: float = quantity("Rated current, as stamped on the cap.", unit="A", low=0.01, high=100.0)
    characteristic: Literal["F", "T"] = choice("Quick (F) or time-lag (T), as stamped on the cap.")
    body: Literal["glass", "ceramic"] | None = choice("What the tube is made of.", optional=True)
    cold_resistance_ohm: float | None = quantity(
        "Resistance of the cold fuse.",
        unit="ohm",
        low=0.0001,
        high=1000.0,
        below="no fuse has that little",
        optional=True,
    )


def key_faults(given: AbstractSet[str]) -> list[Fault]:
    """No two keys depend on each other."""
    return []


def resolve(table: Table) -> tuple[Fuse | None, list[str], list[Fault]]:
    """Fill in body and cold resistance.

    Parameters
    ----------
    table : Table

    Returns
    -------
    settings : Fuse or None
        None where there are faults.
    assumed : list of str
        Keys filled in, without the table's name. A resistance printed for that very fuse is not among them.
    faults : list of Fault
        No published curve, or no published resistance.
    """
    body = table.body or ASSUMED_BODY
    low_a, high_a = GATES[table.characteristic, body].value.rating_a
    if not low_a <= table.rating_a <= high_a:
        return None, [], [_no_curve(table, body)]
    assumed = [] if table.body else ["body"]
    cold_ohm = table.cold_resistance_ohm
    if cold_ohm is None:
        cold_ohm, is_listed = _listed_resistance(table, body)
        assumed += [] if is_listed else ["cold_resistance_ohm"]
    if cold_ohm is None:
        return None, [], [_no_resistance(table)]
    fuse = Fuse(
        part=f"{table.characteristic}{table.rating_a:g}A",
        rating_a=table.rating_a,
        characteristic=table.characteristic,
        body=body,
        cold_resistance_ohm=cold_ohm,
    )
    return fuse, assumed, []


def curves(characteristic: Characteristic, body: Body, rating_a: float) -> tuple[Curve, Curve]:
    """Earliest and latest curve that the standard allows a fuse."""
    from auditor.protection.time_current import between_gates

    return between_gates(GATES[characteristic, body].value.gates, rating_a)


def run(
    settings: Fuse,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None = None,
    division: Division | None = None,
) -> Run:
    """Drive fuse and driver together; see `auditor.simulation.simulate`."""
    from auditor.protection import time_current

    return time_current.run(_part(settings), network, source_rms_v, frame_s, start=start, division=division)


@functools.lru_cache(maxsize=64)
def _part(settings: Fuse) -> TimeCurrentPart:
    from auditor.protection.time_current import TimeCurrentPart

    earliest, latest = curves(settings.characteristic, settings.body, settings.rating_a)
    return TimeCurrentPart(
        earliest=earliest,
        latest=latest,
        resistance_ohm=settings.cold_resistance_ohm,
        rating_a=settings.rating_a,
        destroyed=f"fuse {settings.part}, {settings.body}",
    )


def _listed(characteristic: Characteristic) -> dict[float, float]:
    return {fuse.rating_a: fuse.cold_resistance_ohm for fuse in fuses() if fuse.characteristic == characteristic}


def _listed_resistance(table: Table, body: Body) -> tuple[float | None, bool]:
    """Cold resistance by the list, and whether it is printed for that very fuse."""
    is_listed = any(
        (fuse.characteristic, fuse.body, fuse.rating_a) == (table.characteristic, body, table.rating_a)
        for fuse in fuses()
    )
    return between_ratings(_listed(table.characteristic), table.rating_a), is_listed


def _no_curve(table: Table, body: Body) -> Fault:
    low_a, high_a = GATES[table.characteristic, body].value.rating_a
    others = [
        f"{other} {GATES[table.characteristic, other].value.rating_a[0]:g} to "
        f"{GATES[table.characteristic, other].value.rating_a[1]:g} A"
        for characteristic, other in GATES
        if characteristic == table.characteristic and other != body
    ]
    return Fault(
        key="rating_a",
        what=f"no published curve for a fuse {table.characteristic} in {body} of that rating",
        got=shown(table.rating_a, unit="A"),
        allowed=f"{low_a:g} to {high_a:g} A",
        hint=f"published for {', '.join(others)}; `auditor parts fuse` prints the gates",
    )


def _no_resistance(table: Table) -> Fault:
    listed = _listed(table.characteristic)
    return Fault(
        key="cold_resistance_ohm",
        what=f"missing: none is published for a fuse {table.characteristic} of {table.rating_a:g} A",
        allowed="0.0001 to 1000 ohm",
        hint=f"measure it, or take it from the maker's sheet; known from {min(listed):g} to {max(listed):g} A",
    )
