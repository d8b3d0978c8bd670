"""Fuses: the curves' order, the circuit, damage that heals, what carries over, and the faults of their table."""

from __future__ import annotations

import copy
import itertools
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from auditor.parts.protective import between_ratings, fuses
from auditor.protection import method
from auditor.protection.contract import OPEN_ATTENUATION_DB, Run, ThermalState
from auditor.protection.fuse import GATES, Fuse, curves
from auditor.protection.none import NoProtection
from auditor.rig_resolve import resolve_rig
from tests.published.models import network

FRAME_S = 0.006
# Heavy enough that the coil's warming hardly changes the current.
LOAD = network(alpha=0.004, coil_j_per_k=200.0, body_j_per_k=2000.0)
KINDS = list(GATES)
FUSE = Fuse(part="F2A", rating_a=2.0, characteristic="F", body="glass", cold_resistance_ohm=0.044)
DOCUMENT: dict[str, dict[str, Any]] = {
    "level": {"full_scale_dbu": 18.0},
    "amplifier": {"gain_db": 32.0, "rated_power_w": 300.0, "rated_load_ohm": 8.0},
    "crossover": {"alignment": "linkwitz-riley", "order": 4, "frequency_hz": 1800.0},
    "driver": {"rated_impedance_ohm": 8.0, "continuous_power_w": 60.0},
}


def resolved(**table: Any) -> tuple[Any, list[str]]:
    """Rig and faults, worded, of a [protection] table."""
    document = copy.deepcopy(DOCUMENT) | {"protection": {"kind": "fuse", **table}}
    rig, faults = resolve_rig(document, path="test")
    return rig, [str(fault) for fault in faults]


def run(source: NDArray[np.float32], start: ThermalState | None = None, settings: Any = FUSE) -> Run:
    return method(settings.kind).run(settings, LOAD, source, FRAME_S, start=start)


def held(ratio: float, seconds: float) -> NDArray[np.float32]:
    """So many times the rating into fuse and cold driver."""
    return np.full(round(seconds / FRAME_S), ratio * 2.0 * (8.0 + 0.044), dtype=np.float32)


@pytest.mark.parametrize("kind", KINDS, ids=" ".join)
def test_earliest_comes_before_latest_and_more_current_opens_sooner(kind) -> None:
    earliest, latest = curves(*kind, 2.0)
    currents = np.geomspace(1.0, 200.0, 400)
    early, late = ([curve.opening_time_s(current) for current in currents] for curve in (earliest, latest))
    assert all(first < last or first == last == math.inf for first, last in zip(early, late, strict=True))
    for times in (early, late):
        finite = [time for time in times if time < math.inf]
        assert all(later < sooner for sooner, later in itertools.pairwise(finite))


@pytest.mark.parametrize("kind", KINDS, ids=" ".join)
def test_no_fuse_opens_at_its_rating_and_none_need_below_twice_it(kind) -> None:
    earliest, latest = curves(*kind, 2.0)
    assert earliest.opening_time_s(1.49 * 2.0) == math.inf
    assert latest.opening_time_s(2.09 * 2.0) == math.inf
    assert latest.opening_time_s(2.1 * 2.0) <= 1800.0 * 1.001


# Some are listed for their resistance only: no curve is published for them.
WITH_CURVE = [
    part
    for part in fuses()
    if (gates := GATES[part.characteristic, part.body].value).rating_a[0] <= part.rating_a <= gates.rating_a[1]
]


@pytest.mark.parametrize("part", WITH_CURVE, ids=lambda part: f"{part.characteristic} {part.rating_a:g} A")
def test_the_makers_melting_integral_lies_between_the_curves(part) -> None:
    earliest, latest = curves(part.characteristic, part.body, part.rating_a)
    assert earliest.melting_i2t_a2s < part.melting_i2t_a2s < latest.melting_i2t_a2s


def test_the_list_holds_the_published_rows() -> None:
    listed = {
        (part.characteristic, part.rating_a): (part.cold_resistance_ohm, part.melting_i2t_a2s) for part in fuses()
    }
    assert len(listed) == 21
    assert listed["F", 0.5] == (0.27, 0.18)
    assert listed["F", 6.3] == (0.010, 69.0)
    assert listed["T", 1.0] == (0.169, 1.38)
    assert listed["T", 5.0] == (0.013, 71.2)
    assert all(part.status == "read" and part.source for part in fuses())


def test_between_ratings_is_straight_in_logarithms_and_ends_with_the_list() -> None:
    listed = {1.0: 0.1, 4.0: 0.025}
    assert between_ratings(listed, 2.0) == pytest.approx(0.05)
    assert between_ratings(listed, 4.0) == 0.025
    assert between_ratings(listed, 0.9) is None
    assert between_ratings(listed, 4.1) is None


def test_a_whole_fuse_is_a_small_series_resistance() -> None:
    source = held(1.0, 6.0)
    fused = run(source)
    bare = run(source * np.float32(8.0 / 8.044), settings=NoProtection())
    np.testing.assert_allclose(fused.driver_voltage_rms_v[0], source[0] * 8.0 / 8.044, rtol=1e-4)
    np.testing.assert_allclose(fused.coil_temp_c, bare.coil_temp_c, rtol=1e-3)
    np.testing.assert_allclose(fused.protection_power_w[0], 2.0**2 * 0.044, rtol=1e-3)
    assert not fused.muted.any()
    assert fused.opens_at_s == (None, None)
    assert (fused.trips, fused.replace, fused.failed_at_s) == (0, (), None)
    assert np.abs(fused.attenuation_db).max() < 1e-5


def test_the_driver_plays_on_until_the_latest_time_and_the_show_stops_at_the_earliest() -> None:
    source = held(4.0, 1.0)
    opened = run(source)
    early_s, late_s = opened.opens_at_s
    assert early_s == pytest.approx(0.010, rel=0.01)  # the coil warms, so a little later than the gate
    assert late_s > 0.3
    assert opened.failed_at_s == early_s
    first, last = int(early_s / FRAME_S), int(late_s / FRAME_S)
    assert not opened.muted[:first].any()
    assert opened.muted[first:].all()
    assert (opened.driver_voltage_rms_v[:last] > 0.0).all()
    assert (opened.driver_voltage_rms_v[last + 1 :] == 0.0).all()
    assert (opened.attenuation_db[first:] == OPEN_ATTENUATION_DB).all()
    assert opened.coil_temp_c.argmax() in (last - 1, last)
    assert opened.replace == ("fuse F2A, glass",)
    assert opened.trips == 1


def test_an_open_fuse_stays_open_on_the_next_track() -> None:
    opened = run(held(4.0, 1.0))
    after = run(held(1.0, 1.0), start=opened.end)
    assert after.muted.all()
    assert (after.driver_voltage_rms_v == 0.0).all()
    assert after.opens_at_s == (0.0, 0.0)
    assert after.failed_at_s == 0.0
    assert after.trips == 0


@pytest.mark.parametrize("ratio", [2.3, 2.75, 4.0])
def test_two_halves_equal_one_run(ratio: float) -> None:
    source = held(ratio, 3.0) * np.tile(np.float32([1.0, 0.6]), 250)
    whole, first = run(source), run(source[:211])
    second = run(source[211:], start=first.end)
    for name in ("driver_voltage_rms_v", "coil_temp_c", "body_temp_c", "protection_power_w", "muted"):
        halves = np.concatenate([getattr(first, name), getattr(second, name)])
        np.testing.assert_array_equal(halves, getattr(whole, name))
    assert second.end == whole.end


def test_damage_heals_while_the_current_is_low() -> None:
    _, latest = curves("F", "glass", 2.0)
    pulse, rest = held(4.0, 0.06), np.zeros(round(20.0 * latest.memory_s / FRAME_S), dtype=np.float32)
    together = run(np.tile(pulse, 10))
    apart = run(np.tile(np.concatenate([pulse, rest]), 10))
    assert together.opens_at_s[1] is not None
    assert apart.opens_at_s[1] is None


def test_damage_heals_at_the_rate_of_the_elements_memory() -> None:
    earliest, _ = curves("F", "glass", 2.0)
    silence = np.zeros(round(earliest.memory_s / FRAME_S), dtype=np.float32)
    hurt = run(held(4.0, FRAME_S))
    healed = run(silence, start=hurt.end)
    expected = math.exp(-len(silence) * FRAME_S / earliest.memory_s)
    assert healed.end.part[2] / hurt.end.part[2] == pytest.approx(expected, rel=1e-9)


def test_a_listed_fuse_brings_its_resistance() -> None:
    rig, faults = resolved(rating_a=2, characteristic="F", body="glass")
    assert not faults
    assert rig.protection.cold_resistance_ohm == 0.044
    assert rig.protection.part == "F2A"
    assert not any(key.startswith("protection.") for key in rig.assumed)


def test_what_is_filled_in_is_told() -> None:
    rig, _ = resolved(rating_a=2.2, characteristic="T")
    assert rig.protection.body == "glass"
    assert 0.040 < rig.protection.cold_resistance_ohm < 0.055
    assert {"protection.body", "protection.cold_resistance_ohm"} <= set(rig.assumed)


FAULTS = [
    (
        {"characteristic": "F"},
        "protection.rating_a: missing; allowed: 0.01 to 100 A (rated current, as stamped on the cap)",
    ),
    (
        {"rating_a": 2, "characteristic": "M"},
        'protection.characteristic: not one of the words allowed, got "M"; allowed: F, T '
        "(quick (F) or time-lag (T), as stamped on the cap)",
    ),
    (
        {"rating_a": 5, "characteristic": "T", "body": "ceramic"},
        "protection.rating_a: no published curve for a fuse T in ceramic of that rating, got 5 A; "
        "allowed: 1 to 3.15 A (published for glass 0.125 to 6.3 A; `auditor parts fuse` prints the gates)",
    ),
    (
        {"rating_a": 8, "characteristic": "F"},
        "protection.rating_a: no published curve for a fuse F in glass of that rating, got 8 A; "
        "allowed: 0.125 to 6.3 A (published for ceramic 0.05 to 4 A; `auditor parts fuse` prints the gates)",
    ),
    (
        {"rating_a": 0.2, "characteristic": "F"},
        "protection.cold_resistance_ohm: missing: none is published for a fuse F of 0.2 A; allowed: "
        "0.0001 to 1000 ohm (measure it, or take it from the maker's sheet; known from 0.5 to 6.3 A)",
    ),
    (
        {"rating_a": 2, "characteristic": "F", "reset_s": 3},
        'protection.reset_s: kind = "fuse" has no such key '
        "(remove it; keys here: kind, rating_a, characteristic, body, cold_resistance_ohm)",
    ),
]


@pytest.mark.parametrize(("table", "line"), FAULTS, ids=range(len(FAULTS)))
def test_each_fault_of_the_table_is_told(table, line) -> None:
    rig, faults = resolved(**table)
    assert rig is None
    assert faults == [line]
