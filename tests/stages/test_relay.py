"""The relay against a simulation in steps of a tenth of a millisecond, its rig file, and what it must always do."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from auditor.protection.comparator import follow
from auditor.protection.relay import Relay
from auditor.rig import Rig
from auditor.rig_resolve import resolve_rig
from auditor.simulation import simulate
from tests.published.models import rig

FRAME_S = 0.006
PLAIN = Relay(threshold_v=10.0, release_v=7.0, attack_s=0.01, hold_s=0.5, switch_s=0.01)


def relay_rig(**keys: Any) -> Rig:
    return rig(protection={"kind": "relay", "threshold_v": 10.0} | keys)


def faults(**protection: Any) -> list[str]:
    document: dict[str, Any] = {
        "level": {"full_scale_dbu": 18.0},
        "amplifier": {"gain_db": 32.0, "rated_power_w": 300.0, "rated_load_ohm": 8.0},
        "crossover": {"alignment": "none"},
        "driver": {"rated_impedance_ohm": 8.0, "continuous_power_w": 60.0},
        "protection": {"kind": "relay"} | protection,
    }
    return [str(fault) for fault in resolve_rig(document, path="test")[1]]


def held(frames: int, *stretches: tuple[int, int, float]) -> NDArray[np.float32]:
    source = np.zeros(frames, dtype=np.float32)
    for start, end, volts in stretches:
        source[start:end] = volts
    return source


def small_steps(relay: Relay, level_v: NDArray[np.float32], frame_s: float, step_s: float = 1e-4) -> tuple[float, int]:
    """Seconds open and trips, by the plainest program there is."""
    smoothed_v, phase, timer_s, open_s, trips = 0.0, "closed", 0.0, 0.0, 0
    keep = math.exp(-step_s / relay.attack_s)
    for volts in np.repeat(level_v, round(frame_s / step_s)):
        smoothed_v = float(volts) + (smoothed_v - float(volts)) * keep
        timer_s -= step_s
        if phase == "closed" and smoothed_v >= relay.threshold_v:
            phase, timer_s = "opening", relay.switch_s
        elif phase == "opening" and timer_s <= 0.0:
            phase, timer_s, trips = "open", relay.hold_s, trips + 1
        elif phase == "open" and timer_s <= 0.0 and smoothed_v <= relay.release_v:
            phase, timer_s = "closing", relay.switch_s
        elif phase == "closing" and timer_s <= 0.0:
            phase = "closed"
        open_s += step_s if phase in ("open", "closing") else 0.0
    return open_s, trips


@pytest.mark.parametrize("frame_s", [0.001, FRAME_S, 0.05])
@pytest.mark.parametrize("switch_s", [0.0, 0.0105, 0.1])
@pytest.mark.parametrize("hold_s", [0.0, 0.033, 0.5])
def test_the_contact_does_what_small_steps_say(frame_s: float, switch_s: float, hold_s: float) -> None:
    relay = Relay(threshold_v=10.0, release_v=7.0, attack_s=0.02, hold_s=hold_s, switch_s=switch_s)
    rng = np.random.default_rng(5)
    level_v = np.repeat(rng.uniform(0.0, 25.0, 40), max(1, round(0.05 / frame_s))).astype(np.float32)
    contact = follow(relay, level_v, frame_s, start=())
    open_s, trips = small_steps(relay, level_v, frame_s)
    assert contact.trips == trips
    assert np.sum(1.0 - contact.closed_ratio.astype(float)) * frame_s == pytest.approx(open_s, abs=4e-4 * (trips + 1))
    assert np.count_nonzero(contact.muted) * frame_s == pytest.approx(open_s, abs=frame_s * (trips + 1))


@pytest.mark.parametrize("volts", [10.5, 20.0, 200.0])
def test_it_opens_after_the_filters_and_the_contacts_time(volts: float) -> None:
    run = simulate(held(200, (0, 200, volts)), FRAME_S, relay_rig(attack_s=0.02, switch_s=0.015))
    expected_s = 0.02 * math.log(volts / (volts - 10.0)) + 0.015
    assert run.opens_at_s == (pytest.approx(expected_s, abs=1e-9),) * 2
    # Until then the driver got it all, and after that nothing.
    energy = float(np.sum(run.driver_voltage_rms_v.astype(float) ** 2)) * FRAME_S
    assert energy == pytest.approx(volts**2 * expected_s, rel=1e-5)
    assert run.muted is not None
    assert np.argmax(run.muted) == math.floor(expected_s / FRAME_S)


@pytest.mark.parametrize("frame_s", [0.0005, 0.001, 0.01, 0.25])
def test_the_frame_length_changes_nothing(frame_s: float) -> None:
    relay = Relay(threshold_v=10.0, release_v=7.0, attack_s=0.02, hold_s=0.6, switch_s=0.015)
    count = round(0.25 / frame_s)
    level_v = np.concatenate([np.full(count, volts, dtype=np.float32) for volts in (5.0, 20.0, 3.0, 0.0, 0.0, 15.0)])
    contact = follow(relay, level_v, frame_s, start=())
    opens_s = 0.25 + 0.02 * math.log((20.0 - 5.0 * (1.0 - math.exp(-12.5))) / 10.0) + 0.015
    assert contact.opens_at_s == pytest.approx(opens_s, rel=1e-6)
    assert contact.trips == 2
    closes_s = opens_s + 0.6 + 0.015
    again_s = 1.25 + 0.02 * math.log(15.0 / 5.0) + 0.015
    open_s = closes_s - opens_s + 1.5 - again_s
    assert np.sum(1.0 - contact.closed_ratio.astype(float)) * frame_s == pytest.approx(open_s, abs=1e-5)


def test_a_steady_level_just_under_the_threshold_never_trips() -> None:
    run = simulate(held(5000, (0, 5000, 9.999)), FRAME_S, relay_rig())
    assert run.trips == 0
    assert run.opens_at_s == (None, None)
    np.testing.assert_array_equal(run.attenuation_db, 0.0)


def test_between_release_and_threshold_it_stays_as_it_is() -> None:
    run = simulate(held(3000, (0, 500, 8.0), (500, 520, 20.0), (520, 3000, 8.0)), FRAME_S, relay_rig(release_v=7.0))
    assert run.muted is not None
    assert not run.muted[:500].any()
    assert run.muted[510:].all()
    np.testing.assert_array_equal(run.attenuation_db[run.muted], 60.0)


def test_a_beat_makes_it_chatter() -> None:
    beats = [(first, first + 10, 30.0) for first in range(0, 3000, 50)]  # every 0.3 s
    run = simulate(held(3000, *beats), FRAME_S, relay_rig(hold_s=0.1))
    assert run.trips == 60
    assert run.chatter == 59
    long = simulate(held(3000, *beats), FRAME_S, relay_rig(hold_s=1.4))
    assert 0 < long.trips < 15
    assert long.chatter == long.trips - 1
    rare = simulate(held(3000, (0, 10, 30.0), (1000, 1010, 30.0)), FRAME_S, relay_rig(hold_s=0.1))
    assert (rare.trips, rare.chatter) == (2, 0)


@pytest.mark.parametrize("cut", [1, 12, 13, 14, 137, 300])
def test_two_halves_are_one_whole(cut: int) -> None:
    volts = held(500, (10, 40, 25.0), (100, 101, 80.0), (130, 140, 40.0), (200, 400, 15.0), (400, 500, 5.0))
    system = relay_rig(hold_s=0.2)
    whole, first = simulate(volts, FRAME_S, system), simulate(volts[:cut], FRAME_S, system)
    second = simulate(volts[cut:], FRAME_S, system, start=first.end)
    assert whole.trips > 2
    for trace in ("driver_voltage_rms_v", "coil_temp_c", "body_temp_c", "muted", "attenuation_db"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(first, trace), getattr(second, trace)]), getattr(whole, trace)
        )
    assert second.end == whole.end
    assert first.trips + second.trips == whole.trips
    assert first.chatter + second.chatter == whole.chatter


def test_found_open_it_is_open_from_the_start() -> None:
    first = simulate(held(50, (0, 50, 30.0)), FRAME_S, relay_rig())
    second = simulate(held(50, (0, 50, 30.0)), FRAME_S, relay_rig(), start=first.end)
    assert second.opens_at_s == (0.0, 0.0)
    assert second.trips == 0
    assert not second.driver_voltage_rms_v.any()


def test_the_coil_cools_by_solve_ivp_once_it_is_open() -> None:
    run = simulate(held(2000, (0, 2000, 30.0)), FRAME_S, relay_rig(attack_s=1.0, hold_s=100.0))
    opens = math.ceil((run.opens_at_s[0] or 0.0) / FRAME_S)
    network = run.network

    def rates(_: float, state: NDArray[np.float64]) -> list[float]:
        into_body_w = (state[0] - state[1]) / network.coil_to_body_k_per_w
        into_air_w = (state[1] - network.ambient_temp_c) / network.body_to_air_k_per_w
        return [
            -into_body_w / network.coil_heat_capacity_j_per_k,
            (into_body_w - into_air_w) / network.body_heat_capacity_j_per_k,
        ]

    start = [float(run.coil_temp_c[opens]), float(run.body_temp_c[opens])]
    times_s = FRAME_S * np.arange(1, 2000 - opens)
    wanted = solve_ivp(rates, (0.0, times_s[-1]), start, "DOP853", times_s, rtol=1e-9, atol=1e-9).y
    assert float(run.coil_temp_c[opens]) > network.ambient_temp_c + 5.0
    np.testing.assert_allclose(run.coil_temp_c[opens + 1 :], wanted[0], rtol=1e-5)
    np.testing.assert_allclose(run.body_temp_c[opens + 1 :], wanted[1], rtol=1e-5)


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.floats(0.0, 100.0, width=32), min_size=1, max_size=30),
    attack_s=st.floats(1e-4, 10.0),
    hold_s=st.floats(0.0, 1.0),
    switch_s=st.floats(0.0, 1.0),
    release_v=st.floats(0.01, 9.999),
)
def test_it_always_comes_to_an_end(
    steps: list[float], attack_s: float, hold_s: float, switch_s: float, release_v: float
) -> None:
    relay = Relay(threshold_v=10.0, release_v=release_v, attack_s=attack_s, hold_s=hold_s, switch_s=switch_s)
    level_v = np.repeat(np.array(steps, dtype=np.float32), 5)
    contact = follow(relay, level_v, FRAME_S, start=())
    assert np.all((contact.closed_ratio >= 0.0) & (contact.closed_ratio <= 1.0))
    assert contact.chatter <= contact.trips <= len(level_v)
    assert (contact.opens_at_s is None) == (contact.trips == 0)
    # A second of silence per time constant and timer, and it is closed again.
    quiet_s = 2.0 * (hold_s + 2.0 * switch_s) + attack_s * 12.0 + 1.0
    quiet = follow(relay, np.zeros(math.ceil(quiet_s / FRAME_S), dtype=np.float32), FRAME_S, start=contact.end)
    assert not quiet.muted[-1]


def test_what_is_left_out_is_assumed_and_said() -> None:
    system = relay_rig()
    assert isinstance(system.protection, Relay)
    assert system.protection == Relay(threshold_v=10.0, release_v=7.0, attack_s=0.01, hold_s=1.0, switch_s=0.01)
    keys = {key for key in system.assumed if key.startswith("protection.")}
    assert keys == {f"protection.{key}" for key in ("release_v", "attack_s", "hold_s", "switch_s")}
    given = relay_rig(release_v=5.0, attack_s=0.1, hold_s=2.0, switch_s=0.0)
    assert not any(key.startswith("protection.") for key in given.assumed)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({}, ("protection.threshold_v", "missing", "0.05 to 1000 V")),
        ({"threshold_v": 10.0, "release_v": 10.0}, ("protection.release_v", "never settle", "got 10 V", "below 10 V")),
        ({"threshold_v": 10.0, "release_v": 12.0}, ("protection.release_v", "got 12 V")),
        ({"threshold_v": 0.0}, ("protection.threshold_v", "V")),
        ({"threshold_v": 10.0, "hold_s": -1.0}, ("protection.hold_s", "not negative")),
        ({"threshold_v": 10.0, "attack_s": 0.0}, ("protection.attack_s", "0.0001 to 10 s")),
        ({"threshold_v": 10.0, "switch_s": 2.0}, ("protection.switch_s", "no relay is that slow")),
    ],
)
def test_what_cannot_be_is_refused(keys: dict[str, float], words: tuple[str, ...]) -> None:
    found = faults(**keys)
    assert any(all(word in fault for word in words) for fault in found), found
