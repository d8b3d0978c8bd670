"""Runs side by side against each of them alone, to the last bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from auditor.judgement.ratings import stretches, together
from auditor.protection import UNPROTECTED, Settings, of_keys
from auditor.protection.contract import Run
from auditor.rig import Rig
from auditor.simulation import Course, simulate, simulate_all
from tests.stages.made_material import made_frames, made_rig

FRAME_S = 0.006
PARTS: dict[str, Settings] = {
    "none": UNPROTECTED,
    "1156": of_keys("lamp", part="1156"),
    "tiny": of_keys("lamp", design_voltage_v=12.0, design_current_a=0.04),
    "bank": of_keys("lamp", design_voltage_v=24.0, design_current_a=3.0, series_count=2, parallel_count=4),
    "fuse": of_keys("fuse", rating_a=1.0, characteristic="F"),
}
TRACES = ("driver_voltage_rms_v", "coil_temp_c", "body_temp_c", "protection_resistance_ohm", "protection_power_w")


def bursts(volts: float, seed: int, frames: int = 3000) -> NDArray[np.float32]:
    """Voltage that is quiet, loud and nought in turn."""
    rng = np.random.default_rng(seed)
    envelope = np.repeat(rng.choice([0.0, 0.05, 0.4, 1.0], size=frames // 100 + 1), 100)[:frames]
    return (volts * envelope * rng.uniform(0.5, 1.0, frames)).astype(np.float32)


def courses(names: list[str], rig: Rig) -> list[Course]:
    return [Course(rig=replace(rig, protection=PARTS[name])) for name in names]


def assert_same(found: Run, alone: Run) -> None:
    for trace in TRACES:
        np.testing.assert_array_equal(getattr(found, trace), getattr(alone, trace))
    assert (found.filament_temp_k is None) == (alone.filament_temp_k is None)
    if alone.filament_temp_k is not None:
        np.testing.assert_array_equal(found.filament_temp_k, alone.filament_temp_k)
    assert (found.end, found.failure, found.replace) == (alone.end, alone.failure, alone.replace)
    assert found.life_used_ratio == alone.life_used_ratio


@settings(max_examples=25, deadline=None)
@given(
    names=st.lists(st.sampled_from(sorted(PARTS)), min_size=1, max_size=6),
    volts=st.floats(0.5, 300.0),
    seed=st.integers(0, 1000),
)
def test_every_run_is_what_it_is_alone(names: list[str], volts: float, seed: int) -> None:
    rig, source = made_rig(), bursts(volts, seed)
    half = len(source) // 2
    lanes = courses(names, rig)
    for part in (source[:half], source[half:]):
        found = simulate_all(part, FRAME_S, lanes)
        for lane, run in zip(lanes, found, strict=True):
            assert_same(run, simulate(part, FRAME_S, lane.rig, start=lane.start))
        lanes = [replace(lane, start=run.end) for lane, run in zip(lanes, found, strict=True)]


def test_a_lamp_that_melts_beside_one_that_does_not() -> None:
    lanes = courses(["tiny", "bank"], made_rig())
    source = bursts(120.0, 3)
    tiny, bank = simulate_all(source, FRAME_S, lanes)
    assert tiny.failure is not None
    assert bank.failure is None
    assert_same(tiny, simulate(source, FRAME_S, lanes[0].rig))


def test_without_the_part() -> None:
    rig = replace(made_rig(), protection=PARTS["1156"])
    source = bursts(30.0, 5)
    bare, lamp = simulate_all(source, FRAME_S, [Course(rig=rig, protected=False), Course(rig=rig)])
    assert_same(bare, simulate(source, FRAME_S, rig, protected=False))
    assert_same(lamp, simulate(source, FRAME_S, rig))


@pytest.mark.parametrize("name", sorted(PARTS))
def test_stretches_side_by_side_are_those_of_one(name: str) -> None:
    rig = replace(made_rig(), protection=PARTS[name])
    frames = made_frames((20.0, 300.0), (5.0, 200.0))  # more than one stretch
    alone = list(stretches(frames, rig, protected=True))
    beside = [pair[1] for pair in together(frames, [Course(rig=rig, protected=False), Course(rig=rig)])]
    assert len(alone) == len(beside) == 2
    for one, other in zip(alone, beside, strict=True):
        for trace in ("power_w", "power_1s_w", "power_60s_w", "power_peak_w"):
            np.testing.assert_array_equal(getattr(one, trace), getattr(other, trace))
