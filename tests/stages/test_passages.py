"""Passages: known bursts at known times, with the values and limits they must show."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from auditor.audit_types import Passage
from auditor.chain.splitter import HfFrames
from auditor.judgement import ratings
from auditor.judgement.passages import PassageFinder
from auditor.judgement.ratings import stretches
from auditor.rig import Rig
from tests.published.models import rig

FRAME_S = 0.005  # divides a second, so that windows hold whole frames
BARE_LIMITS = {"continuous_power_w": 60.0, "program_power_w": 120.0, "peak_power_w": 240.0}


def volts(power_w: float) -> float:
    return math.sqrt(power_w * 8.0)


def silence(seconds: float) -> NDArray[np.float32]:
    return np.zeros(round(seconds / FRAME_S), dtype=np.float32)


def with_bursts(seconds: float, *bursts: tuple[float, float, float]) -> NDArray[np.float32]:
    """Source voltage with bursts of (from [s], to [s], power [W]) into the driver's rated impedance."""
    source = silence(seconds)
    for start_s, end_s, power_w in bursts:
        source[round(start_s / FRAME_S) : round(end_s / FRAME_S)] = volts(power_w)
    return source


def found(source: NDArray[np.float32], system: Rig, *, crest: float = 1.0) -> list[Passage]:
    frames = HfFrames(
        frame_s=FRAME_S, duration_s=FRAME_S * len(source), rms_v=source, peak_v=source * np.float32(crest)
    )
    finder = PassageFinder(system, 0, FRAME_S)
    for stretch in stretches(frames, system, protected=True):
        finder.look(stretch)
    return finder.finish(len(source) * FRAME_S)


def of(cause: str, passages: list[Passage]) -> list[Passage]:
    return [passage for passage in passages if passage.cause == cause]


def cold_rig(**driver: Any) -> Rig:
    """A driver whose coil stays cold whatever happens, so that powers are known in closed form."""
    cooled = {"coil_thermal_resistance_k_per_w": 0.01, "body_thermal_resistance_k_per_w": 0.01}
    return rig(driver=BARE_LIMITS | cooled | driver)


def test_one_second_of_too_much() -> None:
    # 150 W from 5 to 7 s: the mean over a second passes 120 W when 0.8 s of it lie in the window.
    (passage,) = of("driver_power_1s", found(with_bursts(12.0, (5.0, 7.0, 150.0)), cold_rig()))
    assert passage.start_s == pytest.approx(4.8, abs=2 * FRAME_S)
    assert passage.end_s == pytest.approx(7.2, abs=2 * FRAME_S)
    assert passage.value == pytest.approx(150.0, rel=1e-3)
    assert (passage.limit, passage.unit, passage.verdict) == (120.0, "W", "risk")


def test_a_burst_too_short_for_the_window_is_let_through() -> None:
    passages = found(with_bursts(12.0, (5.0, 5.7, 150.0)), cold_rig())
    assert passages == []


def test_a_minute_of_too_much() -> None:
    # 90 W from 30 to 100 s: the mean over a minute passes 60 W once 40 s of it lie in the window.
    (passage,) = of("driver_power_60s", found(with_bursts(130.0, (30.0, 100.0, 90.0)), cold_rig()))
    assert passage.start_s == pytest.approx(10.0, abs=2 * FRAME_S)
    assert passage.end_s == pytest.approx(120.0, abs=2 * FRAME_S)
    assert passage.value == pytest.approx(90.0, rel=1e-3)
    assert passage.limit == 60.0


def test_a_short_track_over_its_rating_is_flagged_from_its_start() -> None:
    (passage,) = of("driver_power_60s", found(with_bursts(20.0, (0.0, 20.0, 61.0)), cold_rig()))
    assert passage.start_s == 0.0
    assert passage.end_s == pytest.approx(20.0)
    assert passage.value == pytest.approx(61.0, rel=1e-3)


def test_a_peak_is_where_it_is() -> None:
    # 100 W of crest 2 reaches 400 W.
    (passage,) = of("driver_power_peak", found(with_bursts(6.0, (3.0, 3.1, 100.0)), cold_rig(), crest=2.0))
    assert passage.start_s == pytest.approx(3.0)
    assert passage.end_s == pytest.approx(3.1)
    assert passage.value == pytest.approx(400.0, rel=1e-3)
    assert (passage.limit, passage.unit) == (240.0, "W")


@pytest.mark.parametrize(("gap_s", "count"), [(0.5, 1), (0.95, 1), (1.1, 2), (3.0, 2)])
def test_gaps_up_to_a_second_are_bridged(gap_s: float, count: int) -> None:
    source = with_bursts(10.0, (2.0, 2.1, 100.0), (2.1 + gap_s, 2.2 + gap_s, 120.0))
    passages = of("driver_power_peak", found(source, cold_rig(), crest=2.0))
    assert len(passages) == count
    assert passages[0].start_s == pytest.approx(2.0)
    assert passages[-1].end_s == pytest.approx(2.2 + gap_s)
    assert max(passage.value for passage in passages) == pytest.approx(480.0, rel=1e-3)


def test_a_coil_that_gets_too_hot() -> None:
    # Constant voltage into the coil alone: an exponential with the coil's time constant, body held at ambient.
    system = rig(
        driver={
            "continuous_power_w": 1000.0,
            "coil_thermal_resistance_k_per_w": 4.0,
            "body_thermal_resistance_k_per_w": 0.01,
            "coil_time_constant_s": 2.0,
            "coil_temp_limit_c": 100.0,
        }
    )
    source = with_bursts(40.0, (10.0, 25.0, 60.0))
    (passage,) = of("coil_temp", found(source, system))
    frames = HfFrames(frame_s=FRAME_S, duration_s=FRAME_S * len(source), rms_v=source, peak_v=source)
    (piece,) = stretches(frames, system, protected=True)
    over = np.flatnonzero(piece.run.coil_temp_c > 100.0)
    assert 10.0 < passage.start_s < 15.0
    assert passage.start_s == pytest.approx(over[0] * FRAME_S)
    assert passage.end_s == pytest.approx((over[-1] + 1) * FRAME_S)
    assert passage.value == pytest.approx(float(piece.run.coil_temp_c.max()))
    assert (passage.limit, passage.unit, passage.verdict) == (100.0, "C", "risk")


def test_a_lamp_at_work_and_a_lamp_destroyed() -> None:
    lamp = {"kind": "lamp", "part": "1156"}
    (working,) = found(with_bursts(6.0, (1.0, 3.0, 40.0)), rig(protection=lamp))
    assert (working.cause, working.verdict, working.unit, working.limit) == ("protection_engaged", "engaged", "dB", 1.0)
    assert 1.0 < working.start_s < 1.5
    assert 3.0 < working.end_s < 5.0
    tiny = {"kind": "lamp", "design_voltage_v": 12.0, "design_current_a": 0.04}
    (failure,) = of("protection_failed", found(with_bursts(6.0, (2.0, 3.0, 500.0)), rig(protection=tiny)))
    assert failure.verdict == "risk"
    assert failure.start_s == pytest.approx(2.0, abs=2 * FRAME_S)
    assert failure.value >= failure.limit


@pytest.mark.parametrize("length", [64, 256, 1024])
@pytest.mark.parametrize("kind", ["none", "lamp"])
def test_stretch_boundaries_do_not_show(length: int, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    protection = {"kind": "lamp", "part": "1156"} if kind == "lamp" else {"kind": "none"}
    system = rig(protection=protection, driver=BARE_LIMITS | {"coil_temp_limit_c": 60.0})
    rng = np.random.default_rng(5)
    source = with_bursts(
        90.0,
        *(
            (float(start), float(start) + 0.05 + 1.5 * rng.random(), 30.0 + 400.0 * rng.random())
            for start in range(2, 85, 3)
        ),
    )
    whole = found(source, system, crest=2.0)
    monkeypatch.setattr(ratings, "STRETCH_FRAMES", length)
    assert len(whole) > 5
    parts = found(source, system, crest=2.0)
    assert [(p.cause, p.start_s, p.end_s) for p in parts] == [(p.cause, p.start_s, p.end_s) for p in whole]
    np.testing.assert_allclose([p.value for p in parts], [p.value for p in whole], rtol=1e-5)


def test_silence_has_none() -> None:
    for protection in ({"kind": "none"}, {"kind": "lamp", "part": "1156"}):
        assert found(silence(70.0), rig(protection=protection)) == []
