"""Thermal breakers: both curves cross the printed trip windows."""

from __future__ import annotations

import functools
import math
from typing import Literal

from auditor.protection.breaker import GATES, Breaker

from .models import drive, network
from .oracle import Check, about

IMPEDANCE_OHM, BREAKER_OHM = 8.0, 0.1
_subject = {"subject": "Breaker"}


def _trips_s(rating_a: float, ratio: float, seconds: float, curve: Literal[0, 1]) -> float:
    """When it trips at a steady current, played for twice as long as it is said to take."""
    settings = Breaker(part="breaker", rating_a=rating_a, reset="hand", reset_s=None, resistance_ohm=BREAKER_OHM)
    volts = ratio * rating_a * (IMPEDANCE_OHM + BREAKER_OHM)
    run = drive(settings, network(impedance_ohm=IMPEDANCE_OHM), volts, 2.0 * seconds, seconds / 500.0)
    trips_s = run.opens_at_s[curve]
    return math.inf if trips_s is None else trips_s


CHECKS = tuple(
    about(
        printed_s,
        relative=1e-4,
        why="rounding in single precision",
        quantity=f"{rating_a:g} A, {word} at {100.0 * ratio:g} % of rating",
        record=record,
        unit="s",
        compute=functools.partial(_trips_s, rating_a, ratio, printed_s, curve),
        **_subject,
    )
    for record in GATES
    for rating_a in record.value.rating_a
    for ratio, least_s, most_s in record.value.gates
    for curve, word, printed_s in ((0, "earliest", least_s), (1, "latest", most_s))
    if printed_s is not None
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
