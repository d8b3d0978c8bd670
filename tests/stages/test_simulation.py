"""Lamp and coil against `scipy.integrate.solve_ivp` at tight tolerance, and the invariants of the physics.

The reference takes the lamp's curves in closed form, not off the package's grid, and integrates driver voltage and lamp
power along with the temperatures. Requirement: within 0.5 %. What is reached is a hundred times better.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp

from auditor.chain.splitter import split
from auditor.driver.coil import REFERENCE_C, CoilNetwork
from auditor.protection import thermal_element
from auditor.protection.contract import Run
from auditor.protection.filament import Filament
from auditor.protection.lamp import Lamp
from auditor.published import TUNGSTEN_MELTING_K
from auditor.rig import Rig
from auditor.simulation import simulate
from tests.published.models import rig
from tests.stages.signals import Exact, demo_clip

FRAME_S = 0.006
RATIO = 0.005
# The grid's straight lines move the balance of nought, at ambient, by this much.
GRID_K = 0.02
KELVIN = 273.15
LAMPS: dict[str, dict[str, Any]] = {
    "21 W": {"part": "1156"},
    "tiny": {"design_voltage_v": 12.0, "design_current_a": 0.04},
    "bank": {"design_voltage_v": 24.0, "design_current_a": 3.0, "series_count": 2, "parallel_count": 4},
    "big bank": {"design_voltage_v": 120.0, "design_current_a": 4.0, "series_count": 4, "parallel_count": 8},
}


def lamp_rig(name: str, **changes: dict[str, Any]) -> Rig:
    return rig(protection={"kind": "lamp"} | LAMPS[name], **changes)


def held(frames: int, *stretches: tuple[int, int, float]) -> NDArray[np.float32]:
    """Silence of so many frames but for the voltages given, each from one frame to another."""
    source = np.zeros(frames, dtype=np.float32)
    for start, end, volts in stretches:
        source[start:end] = volts
    return source


@functools.cache
def dance_source() -> NDArray[np.float32]:
    samples, rate_hz = demo_clip("04", from_s=8.0, seconds=2.0)
    return split(samples * 60.0, rate_hz, rig().crossover).rms_v


SOURCES = {
    "bursts": lambda: held(500, (10, 60, 25.0), (100, 101, 60.0), (150, 152, 40.0), (200, 400, 15.0), (400, 500, 5.0)),
    "cold inrush": lambda: held(200, (0, 200, 200.0)),
    "short inrush": lambda: held(100, (0, 1, 200.0), (40, 43, 120.0)),
    "low level": lambda: held(500, (0, 500, 1.0)),
    "dance": dance_source,
}


def reference(system: Rig, source: NDArray[np.float32], frame_s: float) -> Exact:
    """Filament [K], coil and body [C] at frame ends; driver voltage [V rms], lamp power [W] over each frame."""
    assert isinstance(system.protection, Lamp)
    network = CoilNetwork.of(system.driver, system.site.ambient_temp_c)
    filament = Filament.from_lamp(system.protection, system.site.ambient_temp_c + KELVIN)
    series, parallel = system.protection.series_count, system.protection.parallel_count

    def rates(_: float, state: Exact, volts: float) -> list[float]:
        filament_k, coil_c, body_c = state[:3]
        lamp_ohm = float(filament.resistance_ohm(filament_k)) * series / parallel
        added_ohm = network.dc_resistance_ohm * network.alpha_per_k * (coil_c - REFERENCE_C)
        current_a = volts / (lamp_ohm + network.rated_impedance_ohm + added_ohm)
        one_lamp_w = current_a**2 * lamp_ohm / (series * parallel)
        into_body_w = (coil_c - body_c) / network.coil_to_body_k_per_w
        into_air_w = (body_c - network.ambient_temp_c) / network.body_to_air_k_per_w
        coil_w = current_a**2 * (network.dc_resistance_ohm + added_ohm)
        return [
            (one_lamp_w - float(filament.loss_w(filament_k))) / float(filament.heat_capacity_j_per_k(filament_k)),
            (coil_w - into_body_w) / network.coil_heat_capacity_j_per_k,
            (into_body_w - into_air_w) / network.body_heat_capacity_j_per_k,
            (current_a * (network.rated_impedance_ohm + added_ohm)) ** 2,
            current_a**2 * lamp_ohm,
        ]

    ambient_c = system.site.ambient_temp_c
    start = np.array([ambient_c + KELVIN, ambient_c, ambient_c, 0.0, 0.0])
    states = [start[None, :]]
    # Equal frames in a row are one smooth problem.
    for stretch in np.split(source, np.flatnonzero(np.diff(source)) + 1):
        ends_s = frame_s * np.arange(1, len(stretch) + 1)
        solved = solve_ivp(
            rates, (0.0, ends_s[-1]), states[-1][-1], "DOP853", ends_s, args=(float(stretch[0]),), rtol=1e-9, atol=1e-11
        )
        assert solved.success
        states.append(solved.y.T)
    joined = np.concatenate(states)
    means = np.diff(joined[:, 3:], axis=0) / frame_s
    return np.column_stack([joined[1:, :3], np.sqrt(np.maximum(means[:, 0], 0.0)), means[:, 1]])


def worst_ratio(got: NDArray[np.float32], wanted: Exact, base: float = 0.0, slack: float = 0.0) -> float:
    """Largest relative error of what rises above `base`; of the largest rise, where the rise is under 1 % of that.

    A trace holds single precision, so one last bit of it is no error, nor is `slack`.
    """
    rise = np.abs(wanted - base)
    error = np.abs(got - wanted) - slack - np.spacing(np.abs(got))
    return float(np.max(error / np.maximum(rise, 0.01 * rise.max())))


def until_molten(run: Run) -> int:
    """Frames before the one in which the lamp fails."""
    return len(run.coil_temp_c) if run.failed_at_s is None else round(run.failed_at_s / run.frame_s)


@pytest.mark.parametrize("frame_s", [0.003, FRAME_S])
@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("name", LAMPS)
def test_every_trace_is_that_of_solve_ivp(name: str, source: str, frame_s: float) -> None:
    system, volts = lamp_rig(name), SOURCES[source]()
    run = simulate(volts, frame_s, system)
    count = until_molten(run)
    if count == 0:
        # It melts within the first frame: nothing of it can be compared, and the next test looks at that.
        assert (name, float(volts[0])) == ("tiny", 200.0)
        return
    wanted = reference(system, volts[:count], frame_s)
    ambient_c = system.site.ambient_temp_c
    assert run.filament_temp_k is not None
    assert worst_ratio(run.filament_temp_k[:count], wanted[:, 0], ambient_c + KELVIN, GRID_K) < RATIO
    assert worst_ratio(run.coil_temp_c[:count], wanted[:, 1], ambient_c) < RATIO
    assert worst_ratio(run.body_temp_c[:count], wanted[:, 2], ambient_c) < RATIO
    assert worst_ratio(run.driver_voltage_rms_v[:count], wanted[:, 3]) < RATIO
    assert worst_ratio(run.protection_power_w[:count], wanted[:, 4]) < RATIO


@pytest.mark.parametrize("volts", [60.0, 200.0])
def test_a_molten_filament_is_no_hotter_than_molten(volts: float) -> None:
    run = simulate(held(50, (0, 50, volts)), FRAME_S, lamp_rig("tiny"))
    assert run.failed_at_s == 0.0
    assert run.filament_temp_k is not None
    assert run.filament_temp_k.max() <= TUNGSTEN_MELTING_K.value * 1.01
    assert not run.driver_voltage_rms_v[1:].any()


def test_the_coil_alone_is_that_of_solve_ivp() -> None:
    system, volts = rig(), dance_source()
    network = CoilNetwork.of(system.driver, system.site.ambient_temp_c)

    def rates(_: float, state: Exact, source_v: float) -> list[float]:
        added_ohm = network.dc_resistance_ohm * network.alpha_per_k * (state[0] - REFERENCE_C)
        current_a = source_v / (network.rated_impedance_ohm + added_ohm)
        into_body_w = (state[0] - state[1]) / network.coil_to_body_k_per_w
        into_air_w = (state[1] - network.ambient_temp_c) / network.body_to_air_k_per_w
        coil_w = current_a**2 * (network.dc_resistance_ohm + added_ohm)
        return [
            (coil_w - into_body_w) / network.coil_heat_capacity_j_per_k,
            (into_body_w - into_air_w) / network.body_heat_capacity_j_per_k,
        ]

    state = np.full(2, network.ambient_temp_c)
    wanted = []
    for source_v in volts:
        state = solve_ivp(rates, (0.0, FRAME_S), state, "DOP853", args=(float(source_v),), rtol=1e-9, atol=1e-8).y[
            :, -1
        ]
        wanted.append(state)
    run = simulate(volts, FRAME_S, system)
    assert worst_ratio(run.coil_temp_c, np.array(wanted)[:, 0], network.ambient_temp_c) < RATIO
    assert worst_ratio(run.body_temp_c, np.array(wanted)[:, 1], network.ambient_temp_c) < RATIO
    np.testing.assert_allclose(run.driver_voltage_rms_v, volts, rtol=1e-6)


@pytest.mark.parametrize(
    "thermal",
    [
        {"coil_time_constant_s": 0.01, "body_time_constant_s": 10.0},
        {"body_time_constant_s": 1.0, "coil_thermal_resistance_k_per_w": 0.05, "body_thermal_resistance_k_per_w": 3.0},
        {"body_time_constant_s": 1.0, "coil_thermal_resistance_k_per_w": 0.05, "body_thermal_resistance_k_per_w": 30.0},
    ],
)
def test_a_light_coil_or_body_settles_where_it_must(thermal: dict[str, float]) -> None:
    # All within what a rig file may say. Settled, all heat goes through both resistances.
    system = rig(driver=thermal)
    driver, network = system.driver, CoilNetwork.of(system.driver, system.site.ambient_temp_c)
    total_k_per_w = driver.coil_thermal_resistance_k_per_w + driver.body_thermal_resistance_k_per_w
    slowest_s = total_k_per_w * (network.coil_heat_capacity_j_per_k + network.body_heat_capacity_j_per_k)
    run = simulate(np.full(round(10.0 * slowest_s / FRAME_S), 10.0, dtype=np.float32), FRAME_S, system)
    assert np.all(np.isfinite(run.coil_temp_c))
    coil_c = float(run.coil_temp_c[-1])
    added_ohm = driver.dc_resistance_ohm * network.alpha_per_k * (coil_c - REFERENCE_C)
    heat_w = (10.0 / (driver.rated_impedance_ohm + added_ohm)) ** 2 * (driver.dc_resistance_ohm + added_ohm)
    assert coil_c - system.site.ambient_temp_c == pytest.approx(heat_w * total_k_per_w, rel=RATIO)


def test_silence_heats_nothing() -> None:
    for system in (rig(), *map(lamp_rig, LAMPS)):
        run = simulate(held(1000), FRAME_S, system)
        ambient_c = system.site.ambient_temp_c
        np.testing.assert_allclose(run.coil_temp_c, ambient_c, rtol=1e-7)
        np.testing.assert_allclose(run.body_temp_c, ambient_c, rtol=1e-7)
        assert not run.driver_voltage_rms_v.any()
        assert not run.protection_power_w.any()
        np.testing.assert_allclose(run.attenuation_db, 0.0, atol=1e-4)
        if run.filament_temp_k is not None:
            np.testing.assert_allclose(run.filament_temp_k, ambient_c + KELVIN, atol=GRID_K)


def test_the_lamps_energy_is_stored_or_lost() -> None:
    system, frame_s = lamp_rig("21 W"), 0.0005
    run = simulate(held(6000, (0, 2500, 30.0), (3000, 3800, 12.0)), frame_s, system)
    assert isinstance(system.protection, Lamp)
    assert run.filament_temp_k is not None
    ambient_k = system.site.ambient_temp_c + KELVIN
    filament = Filament.from_lamp(system.protection, ambient_k)
    for count in (2500, 6000):
        temp_k = np.concatenate([[ambient_k], run.filament_temp_k[:count].astype(float)])
        taken_j = float(np.sum(run.protection_power_w[:count], dtype=float)) * frame_s
        stored_j, _ = quad(lambda k: float(filament.heat_capacity_j_per_k(k)), ambient_k, temp_k[-1])
        lost_j = float(np.trapezoid(filament.loss_w(temp_k), dx=frame_s))
        assert stored_j + lost_j == pytest.approx(taken_j, rel=1e-3)


@pytest.mark.parametrize("name", [None, "21 W"])
def test_the_drivers_energy_is_stored_or_lost(name: str | None) -> None:
    system, frame_s = rig() if name is None else lamp_rig(name), 0.001
    run = simulate(held(9000, (0, 4000, 25.0), (6000, 8000, 15.0)), frame_s, system)
    network, ambient_c = run.network, system.site.ambient_temp_c
    coil_c, body_c = (
        np.concatenate([[ambient_c], trace]).astype(float) for trace in (run.coil_temp_c, run.body_temp_c)
    )
    middle_c = (coil_c[1:] + coil_c[:-1]) / 2.0
    added_ohm = network.dc_resistance_ohm * network.alpha_per_k * (middle_c - REFERENCE_C)
    current_a = run.driver_voltage_rms_v.astype(float) / (network.rated_impedance_ohm + added_ohm)
    taken_j = float(np.sum(current_a**2 * (network.dc_resistance_ohm + added_ohm))) * frame_s
    stored_j = network.coil_heat_capacity_j_per_k * (coil_c[-1] - ambient_c)
    stored_j += network.body_heat_capacity_j_per_k * (body_c[-1] - ambient_c)
    lost_j = float(np.trapezoid(body_c - ambient_c, dx=frame_s)) / network.body_to_air_k_per_w
    assert stored_j + lost_j == pytest.approx(taken_j, rel=1e-3)


@pytest.mark.parametrize("name", [None, *LAMPS])
def test_two_halves_are_one_whole(name: str | None) -> None:
    system, volts = rig() if name is None else lamp_rig(name), SOURCES["bursts"]()
    whole = simulate(volts, FRAME_S, system)
    first = simulate(volts[:137], FRAME_S, system)
    second = simulate(volts[137:], FRAME_S, system, start=first.end)
    for trace in ("driver_voltage_rms_v", "coil_temp_c", "body_temp_c", "protection_resistance_ohm", "attenuation_db"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(first, trace), getattr(second, trace)]), getattr(whole, trace)
        )
    assert second.end == whole.end
    assert second.life_used_ratio == whole.life_used_ratio


def test_a_lamp_that_has_failed_stays_open() -> None:
    system = lamp_rig("tiny")
    first = simulate(held(10, (0, 10, 200.0)), FRAME_S, system)
    second = simulate(held(100, (0, 100, 20.0)), FRAME_S, system, start=first.end)
    assert first.failed_at_s is not None
    assert not second.driver_voltage_rms_v.any()


def test_an_open_lamp_is_not_called_a_good_conductor() -> None:
    run = simulate(held(3000, (0, 1, 200.0), (1, 3000, 10.0)), FRAME_S, lamp_rig("tiny"))
    assert run.failed_at_s == 0.0
    assert run.attenuation_db[-1] >= run.attenuation_db[1]


@pytest.mark.parametrize(("series", "parallel"), [(2, 2), (1, 3), (4, 1)])
def test_a_bank_is_its_lamps_added_up(series: int, parallel: int) -> None:
    # Each lamp of a bank that carries I/parallel and drops V/series is a lone lamp in a circuit scaled to match.
    bank = rig(protection={"kind": "lamp", "part": "1156", "series_count": series, "parallel_count": parallel})
    scale = series / parallel
    volts = dance_source()
    one = rig(
        protection={"kind": "lamp", "part": "1156"},
        driver={"rated_impedance_ohm": 8.0 / scale, "dc_resistance_ohm": 5.8 / scale, "continuous_power_w": 60.0},
    )
    lamps = series * parallel
    # The driver of the lone lamp is one of as many equal shares of the bank's own.
    own = bank.driver
    one = replace(
        one,
        driver=replace(
            one.driver,
            coil_thermal_resistance_k_per_w=own.coil_thermal_resistance_k_per_w * lamps,
            body_thermal_resistance_k_per_w=own.body_thermal_resistance_k_per_w * lamps,
        ),
    )
    whole, share = simulate(volts, FRAME_S, bank), simulate(volts / np.float32(series), FRAME_S, one)
    assert whole.filament_temp_k is not None
    assert share.filament_temp_k is not None
    np.testing.assert_allclose(whole.filament_temp_k, share.filament_temp_k, rtol=1e-5)
    np.testing.assert_allclose(whole.driver_voltage_rms_v, share.driver_voltage_rms_v * series, rtol=1e-5)
    np.testing.assert_allclose(whole.protection_power_w, share.protection_power_w * lamps, rtol=1e-4)
    np.testing.assert_allclose(whole.coil_temp_c, share.coil_temp_c, rtol=1e-5)
    np.testing.assert_allclose(whole.protection_resistance_ohm, share.protection_resistance_ohm * scale, rtol=1e-5)


def test_two_by_two_has_the_cold_resistance_of_one() -> None:
    one = simulate(held(1), FRAME_S, lamp_rig("21 W"))
    four = simulate(
        held(1), FRAME_S, rig(protection={"kind": "lamp", "part": "1156", "series_count": 2, "parallel_count": 2})
    )
    assert four.cold_resistance_ohm == pytest.approx(one.cold_resistance_ohm, rel=1e-9)


def test_the_lines_of_a_part_go_through_its_table_and_on_beyond_its_ends() -> None:
    grid_k = thermal_element.GRID_FROM_K + thermal_element.GRID_STEP_K * np.arange(5)
    element = thermal_element.ThermalElement(
        table=np.stack([grid_k, grid_k**2, grid_k**3, 1e-9 * grid_k**4], axis=1), fails_at_k=1e9, ambient_temp_k=293.15
    )
    curves, ends_k = element.table, (grid_k[0] - 3.0, grid_k[-1] + 3.0)
    for temp_k in (*ends_k, *np.linspace(grid_k[0], grid_k[-1], 50)):
        at = thermal_element.first_of_lines(0, element.last_row, temp_k)
        resistance, ageing = thermal_element.resistance_and_ageing(element.lines, at, temp_k)
        found = (*thermal_element.curves(element.lines, at, temp_k), ageing)
        row = min(max(int((temp_k - grid_k[0]) // thermal_element.GRID_STEP_K), 0), 3)
        share = (temp_k - grid_k[row]) / thermal_element.GRID_STEP_K
        np.testing.assert_allclose(found, curves[row] + share * (curves[row + 1] - curves[row]), rtol=1e-12)
        assert resistance == found[0]


def test_a_part_of_no_resistance_is_no_part() -> None:
    system, volts = rig(), dance_source()
    network = CoilNetwork.of(system.driver, system.site.ambient_temp_c)
    nothing = thermal_element.ThermalElement.of(
        resistance_ohm=lambda k: np.zeros(np.shape(k)),
        heat_capacity_j_per_k=lambda k: np.full(np.shape(k), 0.01),
        loss_w=lambda k: 1e-3 * (np.asarray(k) - 293.15),
        ageing_per_s=lambda k: np.zeros(np.shape(k)),
        fails_at_k=3695.0,
        ambient_temp_k=293.15,
    )
    without, with_it = (
        simulate(volts, FRAME_S, system),
        thermal_element.run(nothing, network, volts, FRAME_S, start=None),
    )
    np.testing.assert_allclose(with_it.driver_voltage_rms_v, without.driver_voltage_rms_v, rtol=1e-6)
    np.testing.assert_allclose(with_it.coil_temp_c, without.coil_temp_c, rtol=1e-6)
    np.testing.assert_array_equal(with_it.attenuation_db, without.attenuation_db)
    unprotected = simulate(volts, FRAME_S, lamp_rig("21 W"), protected=False)
    np.testing.assert_array_equal(unprotected.coil_temp_c, without.coil_temp_c)


_volts = st.floats(0.0, 60.0, width=32)


@settings(max_examples=40, deadline=None)
@given(steps=st.lists(_volts, min_size=1, max_size=12), gain=st.floats(1.0, 4.0, width=32))
def test_louder_is_never_cooler(steps: list[float], gain: float) -> None:
    volts = np.repeat(np.array(steps, dtype=np.float32), 20)
    for system in (rig(), lamp_rig("21 W")):
        soft, loud = simulate(volts, FRAME_S, system), simulate(volts * np.float32(gain), FRAME_S, system)
        if loud.failed_at_s is None:
            assert np.all(loud.coil_temp_c >= soft.coil_temp_c - 1e-3)
            assert np.all(loud.body_temp_c >= soft.body_temp_c - 1e-3)


@settings(max_examples=40, deadline=None)
@given(steps=st.lists(_volts, min_size=1, max_size=12), name=st.sampled_from(list(LAMPS)))
def test_a_lamp_never_adds_and_never_runs_away(steps: list[float], name: str) -> None:
    volts = np.repeat(np.array(steps, dtype=np.float32), 20)
    run, bare = simulate(volts, FRAME_S, lamp_rig(name)), simulate(volts, FRAME_S, lamp_rig(name), protected=False)
    assert np.all(run.driver_voltage_rms_v <= bare.driver_voltage_rms_v * (1.0 + 1e-6))
    assert np.all(run.coil_temp_c <= bare.coil_temp_c + 1e-3)
    assert np.all(run.attenuation_db > -1e-3 - 20.0 * np.log10(1.2))
    assert np.all(np.isfinite(run.protection_power_w))
