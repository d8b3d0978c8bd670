"""Runs side by side against each of them alone, to the last bit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from auditor.division import NODES, Division
from auditor.judgement.before import NOTHING
from auditor.judgement.ratings import STRETCH_FRAMES, stretches, together
from auditor.judgement.worst import each_worst_and_after
from auditor.protection import UNPROTECTED, Settings, of_keys
from auditor.protection.contract import Run, ThermalState
from auditor.simulation import simulate, simulate_each
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
    parts = [PARTS[name] for name in names]
    starts: list[ThermalState | None] = [None] * len(parts)
    for piece in (source[:half], source[half:]):
        found = simulate_each(piece, FRAME_S, rig, parts, starts=starts)
        for part, start, run in zip(parts, starts, found, strict=True):
            assert_same(run, simulate(piece, FRAME_S, replace(rig, protection=part), start=start))
        starts = [run.end for run in found]


def test_a_lamp_that_melts_beside_one_that_does_not() -> None:
    rig, source = made_rig(), bursts(120.0, 3)
    tiny, bank = simulate_each(source, FRAME_S, rig, [PARTS["tiny"], PARTS["bank"]], starts=[None, None])
    assert tiny.failure is not None
    assert bank.failure is None
    assert_same(tiny, simulate(source, FRAME_S, replace(rig, protection=PARTS["tiny"])))
    assert_same(bank, simulate(source, FRAME_S, replace(rig, protection=PARTS["bank"])))


def test_without_the_part() -> None:
    rig = replace(made_rig(), protection=PARTS["1156"])
    source = bursts(30.0, 5)
    bare, lamp = simulate_each(source, FRAME_S, rig, [UNPROTECTED, rig.protection], starts=[None, None])
    assert_same(bare, simulate(source, FRAME_S, rig, protected=False))
    assert_same(lamp, simulate(source, FRAME_S, rig))


def test_drivers_in_a_bank() -> None:
    rig = made_rig(driver={"series_count": 2, "parallel_count": 3})
    source = bursts(60.0, 9)
    parts = [UNPROTECTED, PARTS["1156"], PARTS["bank"]]
    for part, run in zip(parts, simulate_each(source, FRAME_S, rig, parts, starts=[None] * 3), strict=True):
        assert_same(run, simulate(source, FRAME_S, replace(rig, protection=part)))


def test_what_differs_from_frequency_to_frequency_goes_one_after_the_other() -> None:
    rig, source = made_rig(), bursts(40.0, 7)
    means = np.linspace(0.5, 2.0, 3 * NODES).reshape(1, 3, NODES) * np.square(source)[:, None, None]
    division = Division.from_means(means, np.square(source), rated_impedance_ohm=8.0)
    parts = [UNPROTECTED, PARTS["1156"]]
    found = simulate_each(source, FRAME_S, rig, parts, starts=[None, None], division=division)
    plain = simulate_each(source, FRAME_S, rig, parts, starts=[None, None])
    for part, run, other in zip(parts, found, plain, strict=True):
        assert_same(run, simulate(source, FRAME_S, replace(rig, protection=part), division=division))
        assert not np.array_equal(run.driver_voltage_rms_v, other.driver_voltage_rms_v)


@pytest.mark.parametrize("warm", [False, True], ids=["cold", "warm"])
@pytest.mark.parametrize("name", sorted(PARTS))
def test_stretches_side_by_side_are_those_of_one(name: str, warm: bool) -> None:
    rig = replace(made_rig(), protection=PARTS[name])
    frames = made_frames((20.0, 300.0), (5.0, 200.0))  # more than one stretch
    earlier = [NOTHING, NOTHING]
    if warm:
        parts = [UNPROTECTED, rig.protection]
        earlier = [after for _, after in each_worst_and_after(made_frames((9.0, 90.0)), rig, parts, before=earlier)]
        earlier = [replace(each, silence_s=3.0) for each in earlier]
    alone = list(stretches(frames, rig, protected=True, before=earlier[1]))
    beside = [pair[1] for pair in together(frames, rig, [UNPROTECTED, rig.protection], before=earlier)]
    assert len(alone) == len(beside) == -(-len(frames.rms_v) // STRETCH_FRAMES) > 1
    for one, other in zip(alone, beside, strict=True):
        assert_same(other.run, one.run)
        for trace in ("power_w", "power_1s_w", "power_60s_w", "power_peak_w"):
            np.testing.assert_array_equal(getattr(one, trace), getattr(other, trace))
