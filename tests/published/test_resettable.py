"""Self-resetting polymer parts against their maker's table, each part run as the audit runs it."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from typing import TYPE_CHECKING

from auditor import published
from auditor.protection.polymer import Polymer, extremes
from auditor.protection.resettable import Resettable

from .models import drive, network, rig
from .oracle import Check, about, within

if TYPE_CHECKING:
    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Run

_subject = {"subject": "Self-resetting polymer part"}
RATING_C = published.RESETTABLE_RATING_C.value
SOURCE_OHM = 1e4  # so large that the current hardly falls as the part warms
SHORT_OHM = 2.0  # so small that any of them trips
HOUR_S = 3600.0
SHORT_FRAME_S, LONG_FRAME_S = 0.006, 0.1
WHY_HOUR = "within an hour, at constant current"
# By 19 % and 14 %.
POOR_W = (
    "holding its hold current at its highest resistance takes more cooling than this power tells; holding goes first"
)


@functools.cache
def _part(hold_a: float) -> Resettable:
    return rig(protection={"kind": "resettable", "hold_a": hold_a}).protection  # type: ignore[return-value]


def _load(impedance_ohm: float) -> CoilNetwork:
    """A coil that stays cold."""
    cold = network(
        impedance_ohm=impedance_ohm, coil_k_per_w=1e-3, body_k_per_w=1e-3, coil_j_per_k=1e4, body_j_per_k=1e6
    )
    return replace(cold, ambient_temp_c=RATING_C)


def _run(hold_a: float, current_a: float, seconds: float, frame_s: float) -> Run:
    return drive(_part(hold_a), _load(SOURCE_OHM), current_a * SOURCE_OHM, seconds, frame_s)


@functools.cache
def _opens_s(hold_a: float, ratio: float) -> tuple[float, float]:
    """Earliest and latest time at which a steady current opens it; inf where it holds for an hour."""
    # An hour in long frames where it matters whether; a minute in short ones where it matters when.
    seconds, frame_s = (60.0, SHORT_FRAME_S) if ratio > 2.0 else (HOUR_S, LONG_FRAME_S)
    times = _run(hold_a, ratio * hold_a, seconds, frame_s).opens_at_s
    earliest, latest = (math.inf if each is None else each + frame_s for each in times)
    return earliest, latest


def _latest(hold_a: float) -> Polymer:
    return extremes(_part(hold_a))[1]


@functools.cache
def _tripped_w(hold_a: float, most_v: float) -> float:
    """Power of the part settled on its rated voltage behind next to nothing."""
    return float(drive(_part(hold_a), _load(SHORT_OHM), most_v, 120.0, SHORT_FRAME_S).protection_power_w[-1])


def _held_percent(ambient_c: float) -> float:
    reference_c = next(at_c for at_c, percent in published.RESETTABLE_HOLD_AT.value if percent == 100.0)
    part = _latest(0.30)
    return 100.0 * part.held_current_a(ambient_c) / part.held_current_a(reference_c)


def _part_checks(row: tuple[float, ...]) -> tuple[Check, ...]:
    hold_a, _, _, time_s, power_w, most_v = row
    name = f"{hold_a:.2f} A"
    trip = published.RESETTABLE_TRIP_RATIO.value
    test = published.RESETTABLE_TIME_AT_RATIO.value
    common = {"record": published.RESETTABLE_SERIES, **_subject}
    return (
        within(
            HOUR_S,
            HOUR_S,
            printed="holds",
            quantity=f"{name}, time it holds the hold current at least, of an hour",
            unit="s",
            why=WHY_HOUR,
            compute=lambda: min(_opens_s(hold_a, 1.0)[0], HOUR_S),
            **common,
        ),
        within(
            time_s,
            HOUR_S,
            printed="trips",
            quantity=f"{name}, latest time to trip at the trip current",
            unit="s",
            why=WHY_HOUR,
            faults=(0.0, 1e4),
            compute=lambda: _opens_s(hold_a, trip)[1],
            **common,
        ),
        about(
            f"{time_s:.1f}",
            quantity=f"{name}, latest time to trip at five times the hold current",
            unit="s",
            compute=lambda: _opens_s(hold_a, test)[1],
            **common,
        ),
        within(
            0.2 * time_s,
            time_s,
            printed=f"at most {time_s:.1f}",
            quantity=f"{name}, earliest time to trip at five times the hold current",
            unit="s",
            why="no more than the printed longest time; a fifth of it is a bound of our own",
            faults=(0.0, 4.0),
            compute=lambda: _opens_s(hold_a, test)[0],
            **common,
        ),
        about(
            f"{power_w:.2f}",
            quantity=f"{name}, power tripped at {most_v:.0f} V",
            unit="W",
            relative=0.025,
            why="2.5 %: the conductor is within 2.5 K of the printed surface temperature",
            not_met=POOR_W if hold_a in (1.10, 1.60) else None,
            compute=lambda: _tripped_w(hold_a, most_v),
            **common,
        ),
    )


CHECKS = (
    *(check for row in published.RESETTABLE_SERIES.value for check in _part_checks(row)),
    *(
        about(
            f"{percent:.0f}",
            quantity=f"current held at {ambient_c:.0f} C",
            record=published.RESETTABLE_HOLD_AT,
            unit="%",
            not_met="the printed row lies 0.9 under the straight line of the others" if ambient_c == 85.0 else None,
            compute=functools.partial(_held_percent, ambient_c),
            **_subject,
        )
        for ambient_c, percent in published.RESETTABLE_HOLD_AT.value
        if percent != 100.0
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
