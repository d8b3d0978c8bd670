"""The self-resetting part against `scipy.integrate.solve_ivp`, its rig file, its list, and what it must always do.

The reference writes the part's curve down once more in closed form and integrates at tight tolerance. Requirement:
within 1 %.
"""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from auditor import published
from auditor.driver.coil import REFERENCE_C, CoilNetwork
from auditor.parts.resettables import find_resettable, nearest_resettables, resettables
from auditor.protection.polymer import OPEN_RATIO, Polymer, extremes
from auditor.protection.resettable import Resettable
from auditor.rig import Rig
from auditor.rig_resolve import resolve_rig
from auditor.simulation import simulate
from tests.published.models import rig
from tests.stages.signals import Exact

FRAME_S = 0.006
RATIO = 0.01
# Never heated, and nearly a current source.
STIFF = {
    "rated_impedance_ohm": 1000.0,
    "dc_resistance_ohm": 0.1,
    "coil_thermal_resistance_k_per_w": 0.01,
    "body_thermal_resistance_k_per_w": 0.01,
}
OWN = {"hold_a": 0.2, "trip_a": 0.4, "resistance_ohm": 2.0, "time_to_trip_s": 2.0, "tripped_power_w": 0.5}


def part_rig(hold_a: float = 0.5, **changes: dict[str, Any]) -> Rig:
    return rig(protection={"kind": "resettable", "hold_a": hold_a}, **changes)


def faults(**protection: Any) -> list[str]:
    document: dict[str, Any] = {
        "level": {"full_scale_dbu": 18.0},
        "amplifier": {"gain_db": 32.0, "rated_power_w": 300.0, "rated_load_ohm": 8.0},
        "crossover": {"alignment": "none"},
        "driver": {"rated_impedance_ohm": 8.0, "continuous_power_w": 60.0},
        "protection": {"kind": "resettable"} | protection,
    }
    return [str(fault) for fault in resolve_rig(document, path="test")[1]]


def held(frames: int, *stretches: tuple[int, int, float]) -> NDArray[np.float32]:
    source = np.zeros(frames, dtype=np.float32)
    for start, end, volts in stretches:
        source[start:end] = volts
    return source


SOURCES = {
    "heats, trips, latches, recovers": lambda: held(6000, (0, 1500, 30.0), (1500, 2500, 12.0), (5000, 6000, 2.0)),
    "bursts": lambda: held(1500, (10, 60, 25.0), (100, 101, 120.0), (150, 300, 60.0), (400, 1500, 8.0)),
    "cold inrush": lambda: held(500, (0, 500, 200.0)),
    "never trips": lambda: held(500, (0, 500, 2.0)),
}


def curve_ohm(cold_ohm: float, temp_c: float) -> float:
    """The curve of `polymer` written down once more: 130 C, foot at 107.5 C, ten thousandfold at 125 C."""
    foot_ratio = (130.0 - 23.0) / (130.0 - 107.5)
    if temp_c <= 107.5:
        return cold_ohm * (130.0 - 23.0) / (130.0 - temp_c)
    return float(cold_ohm * foot_ratio * (1e4 / foot_ratio) ** ((temp_c - 107.5) / (125.0 - 107.5)))


def reference(part: Polymer, network: CoilNetwork, source: NDArray[np.float32]) -> Exact:
    """Conductor, coil and body [C] at frame ends; driver voltage [V rms], part's power [W] over each frame."""

    def rates(_: float, state: Exact, volts: float) -> list[float]:
        part_c, coil_c, body_c = state[:3]
        ohm = curve_ohm(part.cold_resistance_ohm, part_c)
        added_ohm = network.dc_resistance_ohm * network.alpha_per_k * (coil_c - REFERENCE_C)
        current_a = volts / (ohm + network.rated_impedance_ohm + added_ohm)
        into_body_w = (coil_c - body_c) / network.coil_to_body_k_per_w
        into_air_w = (body_c - network.ambient_temp_c) / network.body_to_air_k_per_w
        lost_w = part.conductance_w_per_k * (part_c - network.ambient_temp_c)
        return [
            (current_a**2 * ohm - lost_w) / part.heat_capacity_j_per_k,
            (current_a**2 * (network.dc_resistance_ohm + added_ohm) - into_body_w) / network.coil_heat_capacity_j_per_k,
            (into_body_w - into_air_w) / network.body_heat_capacity_j_per_k,
            (current_a * (network.rated_impedance_ohm + added_ohm)) ** 2,
            current_a**2 * ohm,
        ]

    states = [np.array([[network.ambient_temp_c] * 3 + [0.0, 0.0]])]
    for stretch in np.split(source, np.flatnonzero(np.diff(source)) + 1):
        ends_s = FRAME_S * np.arange(1, len(stretch) + 1)
        solved = solve_ivp(
            rates, (0.0, ends_s[-1]), states[-1][-1], "LSODA", ends_s, args=(float(stretch[0]),), rtol=1e-9, atol=1e-10
        )
        assert solved.success
        states.append(solved.y.T)
    joined = np.concatenate(states)
    means = np.diff(joined[:, 3:], axis=0) / FRAME_S
    return np.column_stack([joined[1:, :3], np.sqrt(np.maximum(means[:, 0], 0.0)), means[:, 1]])


def worst_ratio(got: NDArray[np.float32], wanted: Exact, base: float = 0.0) -> float:
    rise = np.abs(wanted - base)
    error = np.abs(got - wanted) - np.spacing(np.abs(got))
    return float(np.max(error / np.maximum(rise, 0.01 * rise.max())))


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("hold_a", [0.3, 0.75, 3.0])
def test_every_trace_is_that_of_solve_ivp(hold_a: float, source: str) -> None:
    system, volts = part_rig(hold_a), SOURCES[source]()
    assert isinstance(system.protection, Resettable)
    network, latest = CoilNetwork.of(system.driver, system.site.ambient_temp_c), extremes(system.protection)[1]
    run, wanted = simulate(volts, FRAME_S, system), reference(latest, network, volts)
    ambient_c = system.site.ambient_temp_c
    ohms = np.array([curve_ohm(latest.cold_resistance_ohm, temp_c) for temp_c in wanted[:, 0]])
    assert worst_ratio(run.coil_temp_c, wanted[:, 1], ambient_c) < RATIO
    assert worst_ratio(run.body_temp_c, wanted[:, 2], ambient_c) < RATIO
    assert worst_ratio(run.driver_voltage_rms_v, wanted[:, 3]) < RATIO
    assert worst_ratio(run.protection_power_w, wanted[:, 4]) < RATIO
    assert worst_ratio(np.log(run.protection_resistance_ohm), np.log(ohms)) < RATIO


@functools.cache
def _tripped_and_back() -> Any:
    return simulate(SOURCES["heats, trips, latches, recovers"](), FRAME_S, part_rig(0.5))


def test_it_trips_latches_while_there_is_power_and_recovers() -> None:
    run = _tripped_and_back()
    earliest_s, latest_s = run.opens_at_s
    assert earliest_s is not None
    assert latest_s is not None
    assert 0.0 < earliest_s < latest_s < 1500 * FRAME_S
    assert run.trips == 1
    assert run.failed_at_s is None
    assert run.muted is not None
    # Tripped on 30 V, it stays so on the 12 V that alone would take far longer; after silence it lets 2 V through.
    assert run.muted[round(earliest_s / FRAME_S) : 2500].all()
    assert not run.muted[5000:].any()
    assert run.driver_voltage_rms_v[2499] < 0.15 * 12.0
    assert run.driver_voltage_rms_v[-1] == pytest.approx(2.0, rel=0.1)
    np.testing.assert_array_equal(run.attenuation_db[run.muted], 60.0)


def test_the_muted_frames_are_those_of_twenty_decibels() -> None:
    assert 20.0 * math.log10(1.0 + OPEN_RATIO) == pytest.approx(20.0)


@pytest.mark.parametrize("cut", [137, 400, 2600])
def test_two_halves_are_one_whole(cut: int) -> None:
    volts, system = SOURCES["heats, trips, latches, recovers"](), part_rig(0.5)
    whole, first = _tripped_and_back(), simulate(volts[:cut], FRAME_S, system)
    second = simulate(volts[cut:], FRAME_S, system, start=first.end)
    for trace in ("driver_voltage_rms_v", "coil_temp_c", "body_temp_c", "protection_resistance_ohm", "muted"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(first, trace), getattr(second, trace)]), getattr(whole, trace)
        )
    assert second.end == whole.end
    assert first.trips + second.trips == whole.trips


def test_a_part_found_tripped_is_open_from_the_start() -> None:
    first = simulate(held(1000, (0, 1000, 30.0)), FRAME_S, part_rig(0.5))
    second = simulate(held(100, (0, 100, 30.0)), FRAME_S, part_rig(0.5), start=first.end)
    assert second.opens_at_s == (0.0, 0.0)
    assert second.trips == 0


@pytest.mark.parametrize("ambient_c", [-20.0, 40.0, 60.0])
def test_hot_air_lowers_what_it_holds(ambient_c: float) -> None:
    system = part_rig(0.5, site={"ambient_temp_c": ambient_c}, driver=STIFF)
    assert isinstance(system.protection, Resettable)
    latest = extremes(system.protection)[1]
    held_a = latest.held_current_a(ambient_c)
    # Held with nothing to spare, the conductor is half way to 130 C.
    at_c = (130.0 + ambient_c) / 2.0
    behind_ohm = curve_ohm(latest.cold_resistance_ohm, at_c) + system.driver.rated_impedance_ohm
    for ratio, trips in ((0.97, False), (1.05, True)):
        volts = np.full(6000, ratio * held_a * behind_ohm, dtype=np.float32)
        run = simulate(volts, 0.1, system)
        assert (run.opens_at_s[1] is not None) == trips


def test_silence_heats_nothing() -> None:
    run = simulate(held(1000), FRAME_S, part_rig())
    np.testing.assert_allclose(run.coil_temp_c, 25.0, rtol=1e-7)
    assert not run.driver_voltage_rms_v.any()
    assert not run.protection_power_w.any()
    np.testing.assert_allclose(run.attenuation_db, 0.0, atol=1e-5)
    assert run.opens_at_s == (None, None)
    assert run.trips == 0


@pytest.mark.parametrize(("volts", "told"), [(55.0, False), (70.0, True)])
def test_more_than_its_voltage_means_a_new_part(volts: float, told: bool) -> None:
    run = simulate(held(1500, (0, 1500, volts)), FRAME_S, part_rig(0.5))
    assert bool(run.replace) == told
    if told:
        assert "made for 60 V" in run.replace[0]


@settings(max_examples=30, deadline=None)
@given(
    steps=st.lists(st.floats(0.0, 500.0, width=32), min_size=1, max_size=12),
    part=st.sampled_from([each.hold_a for each in resettables()]),
)
def test_it_never_adds_and_never_runs_away(steps: list[float], part: float) -> None:
    volts = np.repeat(np.array(steps, dtype=np.float32), 30)
    run = simulate(volts, FRAME_S, part_rig(part))
    assert np.all(run.driver_voltage_rms_v <= volts * (1.0 + 1e-6))
    assert np.all(np.isfinite(run.protection_power_w))
    assert np.all(np.isfinite(run.protection_resistance_ohm))
    # Even 500 V is held by a resistance at which it burns a few watts.
    assert run.protection_resistance_ohm.max() < 1e7
    earliest_s, latest_s = run.opens_at_s
    assert latest_s is None or (earliest_s is not None and earliest_s <= latest_s)


def test_time_to_trip_is_that_of_the_closed_integral() -> None:
    for row in resettables():
        system = part_rig(row.hold_a)
        assert isinstance(system.protection, Resettable)
        earliest, latest = extremes(system.protection)
        assert latest.time_to_trip_s(5.0 * row.hold_a) == pytest.approx(row.time_to_trip_s, rel=1e-9)
        assert earliest.time_to_trip_s(5.0 * row.hold_a) < row.time_to_trip_s
        assert earliest.time_to_trip_s(0.99 * row.hold_a) == math.inf


def test_the_list_is_the_published_table() -> None:
    rows = tuple(
        (
            each.hold_a,
            each.resistance_ohm,
            each.max_resistance_ohm,
            each.time_to_trip_s,
            each.tripped_power_w,
            each.max_voltage_v,
        )
        for each in resettables()
    )
    assert rows == published.RESETTABLE_SERIES.value
    for each in resettables():
        assert each.trip_a == pytest.approx(published.RESETTABLE_TRIP_RATIO.value * each.hold_a)
        assert each.part == f"{each.hold_a:.2f} A {each.max_voltage_v:.0f} V"
    assert find_resettable(0.65) is not None
    assert find_resettable(0.66) is None
    assert [each.hold_a for each in nearest_resettables(0.6)] == [0.5, 0.65]


def test_a_listed_part_assumes_nothing() -> None:
    system = part_rig(1.1)
    assert isinstance(system.protection, Resettable)
    assert system.protection.part == "1.10 A 30 V"
    assert not any(key.startswith("protection.") for key in system.assumed)


def test_a_part_of_ones_own_says_what_it_assumes() -> None:
    system = rig(protection={"kind": "resettable"} | OWN)
    assert isinstance(system.protection, Resettable)
    assert system.protection.part is None
    assert system.protection.max_resistance_ohm == 2.0
    assert {"protection.max_resistance_ohm", "protection.max_voltage_v"} <= set(system.assumed)


def test_a_measured_resistance_leaves_no_tolerance() -> None:
    system = rig(protection={"kind": "resettable", "hold_a": 0.5, "resistance_ohm": 0.6})
    assert isinstance(system.protection, Resettable)
    assert system.protection.max_resistance_ohm == 0.6
    run = simulate(held(1000, (0, 1000, 30.0)), FRAME_S, system)
    assert run.opens_at_s[0] == run.opens_at_s[1] is not None


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({}, ("protection.hold_a", "missing", "0.01 to 50 A")),
        ({"hold_a": 0.6}, ("protection.hold_a", "got 0.6 A", "nearest: 0.5 A and 0.65 A")),
        ({"hold_a": -1.0}, ("protection.hold_a", "A")),
        (OWN | {"hold_a": 0.4}, ("protection.hold_a", "would trip on what it is to hold", "below 0.4 A")) ,
        (OWN | {"hold_a": 0.41}, ("protection.hold_a", "got 0.41 A", "below 0.4 A")),
        (OWN | {"trip_a": 1.0}, ("protection.trip_a", "five times hold_a", "below 1 A")),
        (OWN | {"max_resistance_ohm": 1.5}, ("protection.max_resistance_ohm", "got 1.5 ohm", "at least 2 ohm")),
        (OWN | {"max_resistance_ohm": 9.0}, ("protection.max_resistance_ohm", "spread", "at most 8 ohm")),
        (OWN | {"tripped_power_w": 0.1}, ("protection.tripped_power_w", "too little", "got 0.1 W", "hold_a")),
        (OWN | {"tripped_power_w": 5.0}, ("protection.tripped_power_w", "too much", "got 5 W", "trip_a")),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(keys: dict[str, Any], words: tuple[str, ...]) -> None:
    if words[1].startswith("would trip"):
        keys = keys | {"trip_a": 0.4}
    found = faults(**keys)
    assert any(all(word in fault for word in words) for fault in found), found


def test_the_power_allowed_is_allowed() -> None:
    (fault,) = faults(**OWN | {"tripped_power_w": 5.0})
    low, high = fault.split("allowed: ")[1].split(" W")[0].split(" to ")
    for power_w in (float(low), float(high)):
        assert not faults(**OWN | {"tripped_power_w": power_w})
