"""A relay is quick where a lamp is slow: the trade's own rule, run with the real lamp beside it."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import numpy as np

from auditor import published

from .models import drive, network, part_1156, rig
from .oracle import Check, within

if TYPE_CHECKING:
    from auditor.protection.contract import Run
    from auditor.protection.relay import Relay

_subject = {"subject": "Relay with level comparator", "record": published.RELAY_TRIPS_ON}
FRAME_S = 0.006
THRESHOLD_V = 5.0  # 3 W into 8 ohm: the burst at twice that is 12 W, well within what such drivers take
BARELY_DB = 0.5


def _relay() -> Relay:
    return rig(protection={"kind": "relay", "threshold_v": THRESHOLD_V}).protection  # type: ignore[return-value]


@functools.cache
def _burst(*, lamp: bool, level_ratio: float) -> Run:
    burst_s, _ = published.RELAY_TRIPS_ON.value
    source = np.zeros(round(0.5 / FRAME_S))
    source[10 : 10 + round(burst_s / FRAME_S)] = level_ratio * THRESHOLD_V
    return drive(part_1156() if lamp else _relay(), network(alpha=0.004), source, 0.5, FRAME_S)


def _trips(level_ratio: float) -> float:
    return float(_burst(lamp=False, level_ratio=level_ratio).trips)


CHECKS = (
    within(
        1.0,
        1.0,
        printed="trips",
        quantity="trips on 50 ms at twice the threshold",
        unit="",
        why="one burst, one trip",
        compute=lambda: _trips(published.RELAY_TRIPS_ON.value[1]),
        **_subject,
    ),
    within(
        0.0,
        BARELY_DB,
        printed="barely moves",
        quantity="most that a 12 V 21 W lamp takes away in the same burst",
        unit="dB",
        why="half a decibel at most is what we call barely",
        scale="db",
        faults=(0.0, 1.1),
        compute=lambda: float(_burst(lamp=True, level_ratio=published.RELAY_TRIPS_ON.value[1]).attenuation_db.max()),
        **_subject,
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()


def test_it_stays_closed_on_a_burst_under_the_threshold() -> None:
    assert _trips(0.95) == 0.0
