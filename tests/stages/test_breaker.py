"""Breakers: the curves' order, closing again by hand or by itself, what carries over, and the faults of their table."""

from __future__ import annotations

import copy
import itertools
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from auditor.parts.protective import breakers
from auditor.protection import breaker
from auditor.protection.breaker import Breaker, curves
from auditor.protection.contract import OPEN_ATTENUATION_DB, Run, ThermalState
from auditor.rig_resolve import resolve_rig
from tests.published.models import network
from tests.stages.test_fuse import DOCUMENT

FRAME_S = 0.006
# Heavy enough that the coil's warming hardly changes the current.
LOAD = network(alpha=0.004, coil_j_per_k=200.0, body_j_per_k=2000.0)
RATINGS = (0.25, 1.0, 2.0, 3.0, 20.0)
HAND = Breaker(part="1 A", rating_a=1.0, reset="hand", reset_s=None, resistance_ohm=0.89)
SELF = Breaker(part="1 A", rating_a=1.0, reset="self", reset_s=3.0, resistance_ohm=0.89)


def resolved(**table: Any) -> tuple[Any, list[str]]:
    """Rig and faults, worded, of a [protection] table."""
    document = copy.deepcopy(DOCUMENT) | {"protection": {"kind": "breaker", **table}}
    rig, faults = resolve_rig(document, path="test")
    return rig, [str(fault) for fault in faults]


def run(settings: Breaker, source: NDArray[np.float32], start: ThermalState | None = None) -> Run:
    return breaker.run(settings, LOAD, source, FRAME_S, start=start)


def held(ratio: float, seconds: float) -> NDArray[np.float32]:
    """So many times the rating into breaker and cold driver."""
    return np.full(round(seconds / FRAME_S), ratio * (8.0 + 0.89), dtype=np.float32)


@pytest.mark.parametrize("rating_a", RATINGS)
def test_earliest_comes_before_latest_and_more_current_trips_sooner(rating_a: float) -> None:
    earliest, latest = curves(rating_a)
    currents = rating_a * np.geomspace(0.5, 50.0, 400)
    early, late = ([curve.opening_time_s(current) for current in currents] for curve in (earliest, latest))
    assert all(first < last or first == last == math.inf for first, last in zip(early, late, strict=True))
    for times in (early, late):
        finite = [time for time in times if time < math.inf]
        assert all(later < sooner for sooner, later in itertools.pairwise(finite))


@pytest.mark.parametrize("rating_a", RATINGS)
def test_the_rating_is_carried_and_nothing_must_trip_below_the_hour_gate(rating_a: float) -> None:
    earliest, latest = curves(rating_a)
    hour_gate = 1.75 if rating_a <= 2.0 else 1.35
    assert earliest.opening_time_s(0.999 * rating_a) == math.inf
    assert latest.opening_time_s((hour_gate - 0.01) * rating_a) == math.inf
    assert latest.opening_time_s(hour_gate * rating_a) == pytest.approx(3600.0)


def test_reset_by_hand_it_stays_open_but_is_not_lost() -> None:
    tripped = run(HAND, held(4.0, 10.0))
    early_s, late_s = tripped.opens_at_s
    assert 1.0 <= early_s < 1.2  # the coil warms and takes less, so it is a little later than the gate
    assert 6.5 <= late_s < 10.0
    assert tripped.muted[round(early_s / FRAME_S) + 1 :].all()
    assert (tripped.failed_at_s, tripped.replace, tripped.life_used_ratio, tripped.trips) == (None, (), 0.0, 1)
    after = run(HAND, held(0.5, 5.0), start=tripped.end)
    assert after.muted.all()
    assert (after.attenuation_db == OPEN_ATTENUATION_DB).all()
    assert after.opens_at_s == (0.0, 0.0)


def test_by_itself_it_closes_after_its_time_with_a_new_life() -> None:
    tripped = run(SELF, held(6.0, 30.0))
    starts = np.flatnonzero(np.diff(tripped.muted.astype(int)) == 1)
    assert tripped.trips == len(starts) > 3
    ends = np.flatnonzero(np.diff(tripped.muted.astype(int)) == -1)
    muted_s = (ends - starts[: len(ends)]) * FRAME_S
    np.testing.assert_allclose(muted_s, 3.0, atol=FRAME_S)
    closed_s = (starts[1:] - ends[: len(starts) - 1]) * FRAME_S
    np.testing.assert_allclose(closed_s, 0.4, rtol=0.25)  # each time from the start; the coil is warmer or cooler
    assert tripped.failed_at_s is None
    assert (tripped.driver_voltage_rms_v > 0.0).any()


@pytest.mark.parametrize("settings", [HAND, SELF], ids=["hand", "self"])
def test_two_halves_equal_one_run(settings: Breaker) -> None:
    source = held(6.0, 30.0) * np.tile(np.float32([1.0, 0.7]), 2500)
    whole, first = run(settings, source), run(settings, source[:1733])
    second = run(settings, source[1733:], start=first.end)
    for name in ("driver_voltage_rms_v", "coil_temp_c", "body_temp_c", "protection_power_w", "muted"):
        halves = np.concatenate([getattr(first, name), getattr(second, name)])
        np.testing.assert_array_equal(halves, getattr(whole, name))
    assert second.end == whole.end
    assert first.trips + second.trips == whole.trips


def test_the_list_holds_the_published_rows() -> None:
    listed = {part.rating_a: part.resistance_ohm for part in breakers()}
    assert listed == {0.5: 3.55, 1.0: 0.89, 2.0: 0.17, 3.0: 0.069, 5.0: 0.030}
    assert all(part.status == "read" and part.source for part in breakers())


def test_a_listed_rating_brings_its_resistance_and_others_lie_between() -> None:
    rig, faults = resolved(rating_a=1, reset="hand")
    assert not faults
    assert rig.protection == Breaker(part="1 A", rating_a=1.0, reset="hand", reset_s=None, resistance_ohm=0.89)
    assert not any(key.startswith("protection.") for key in rig.assumed)
    rig, _ = resolved(rating_a=1.5, reset="self", reset_s=20)
    assert 0.17 < rig.protection.resistance_ohm < 0.89
    assert "protection.resistance_ohm" in rig.assumed


FAULTS = [
    (
        {"rating_a": 1},
        ["protection.reset: missing; allowed: hand, self (whether it is closed again by hand or closes by itself)"],
    ),
    (
        {"rating_a": 1, "reset": "self"},
        [
            'protection.reset_s: missing: reset "self" needs the time after which it closes; '
            "allowed: 0.1 to 3600 s (see its datasheet, or try it out)"
        ],
    ),
    (
        {"rating_a": 1, "reset": "hand", "reset_s": 5},
        [
            'protection.reset_s: reset "hand" stays open until somebody closes it, got 5 s (remove it, or '
            'reset = "self")'
        ],
    ),
    (
        {"rating_a": 2.5, "reset": "hand"},
        [
            "protection.rating_a: no published trip window for a breaker of that rating, got 2.5 A; "
            "allowed: 0.25 to 2 A or 3 to 20 A (`auditor parts breaker` prints the windows)"
        ],
    ),
    (
        {"rating_a": 10, "reset": "self"},
        [
            'protection.reset_s: missing: reset "self" needs the time after which it closes; '
            "allowed: 0.1 to 3600 s (see its datasheet, or try it out)",
            "protection.resistance_ohm: missing: none is published for a breaker of 10 A; allowed: "
            "0.0001 to 1000 ohm (measure it, or take it from the maker's sheet; known from 0.5 to 5 A)",
        ],
    ),
    (
        {"rating_a": 1, "reset": "self", "reset_s": 0},
        ["protection.reset_s: a bimetal does not cool that fast, got 0 s; allowed: 0.1 to 3600 s"],
    ),
]


@pytest.mark.parametrize(("table", "lines"), FAULTS, ids=range(len(FAULTS)))
def test_each_fault_of_the_table_is_told(table, lines) -> None:
    rig, faults = resolved(**table)
    assert rig is None
    assert faults == lines
