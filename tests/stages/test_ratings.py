"""Powers in their rating windows against numpy by brute force, and in stretches against one piece."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from auditor.chain.splitter import HfFrames
from auditor.judgement import ratings
from auditor.judgement.ratings import Stretch, stretches
from auditor.rig import Rig
from tests.published.models import rig

FRAME_S = 0.006
IMPEDANCE_OHM = 8.0


def lamp_rig() -> Rig:
    return rig(protection={"kind": "lamp", "part": "1156"})


def hf_frames(rms_v: NDArray[np.floating], *, crest: float = 1.5, frame_s: float = FRAME_S) -> HfFrames:
    rms_v = np.asarray(rms_v, dtype=np.float32)
    return HfFrames(frame_s=frame_s, duration_s=frame_s * len(rms_v), rms_v=rms_v, peak_v=rms_v * np.float32(crest))


def random_frames(count: int, *, seed: int = 3) -> HfFrames:
    rng = np.random.default_rng(seed)
    return hf_frames(20.0 * rng.random(count) * (rng.random(count) > 0.4))


def one_piece(frames: HfFrames, system: Rig) -> Stretch:
    (only,) = stretches(frames, system, protected=True)
    return only


def trailing_means(values: NDArray[np.float64], window: int) -> NDArray[np.float64]:
    return np.array([values[max(0, end - window) : end].sum() / window for end in range(1, len(values) + 1)])


def joined(parts: list[Stretch], name: str) -> NDArray[np.float32]:
    return np.concatenate([getattr(part, name) for part in parts])


@pytest.mark.parametrize("count", [1, 40, 166, 167, 168, 3000, 10_500])
def test_means_are_those_of_numpy(count: int) -> None:
    frames = random_frames(count)
    piece = one_piece(frames, rig())
    power_w = frames.rms_v.astype(float) ** 2 / IMPEDANCE_OHM
    np.testing.assert_allclose(piece.power_w, power_w, rtol=1e-5)
    short, long = (min(round(seconds / FRAME_S), count) for seconds in (1.0, 60.0))
    np.testing.assert_allclose(piece.power_1s_w, trailing_means(power_w, short), rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(piece.power_60s_w, trailing_means(power_w, long), rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(piece.power_peak_w, frames.peak_v.astype(float) ** 2 / IMPEDANCE_OHM, rtol=1e-5)


def test_powers_are_those_behind_the_lamp() -> None:
    frames = random_frames(2000)
    piece = one_piece(frames, lamp_rig())
    power_w = piece.run.driver_voltage_rms_v.astype(float) ** 2 / IMPEDANCE_OHM
    np.testing.assert_allclose(piece.power_1s_w, trailing_means(power_w, 167), rtol=1e-5, atol=1e-5)
    # A frame's peak meets the lamp as its rms does.
    np.testing.assert_allclose(piece.power_peak_w, 1.5**2 * power_w, rtol=1e-4)


def test_a_track_shorter_than_the_window_takes_the_mean_of_the_whole() -> None:
    frames = random_frames(1000)  # six seconds
    piece = one_piece(frames, rig())
    assert piece.power_60s_w[-1] == pytest.approx(float(np.mean(frames.rms_v.astype(float) ** 2)) / 8.0, rel=1e-5)
    assert piece.power_60s_w.max() == piece.power_60s_w[-1]


def test_quiet_after_loud_falls_back_to_nothing() -> None:
    # Running sums must not keep a remainder of what has left the window.
    rms_v = np.zeros(30_000)
    rms_v[:500] = 5000.0
    rms_v[25_000:] = 1e-3
    piece = one_piece(hf_frames(rms_v), rig())
    assert piece.power_1s_w[24_000] < 1e-6
    assert piece.power_60s_w[24_000] < 1e-6
    assert piece.power_1s_w[-1] == pytest.approx(1e-6 / 8.0, rel=0.01)


@pytest.mark.parametrize("length", [64, 128, 1024])
@pytest.mark.parametrize("system", [rig(), lamp_rig()], ids=["none", "lamp"])
def test_stretches_are_one_piece(length: int, system: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    frames = random_frames(11_003)
    whole = one_piece(frames, system)
    monkeypatch.setattr(ratings, "STRETCH_FRAMES", length)
    parts = list(stretches(frames, system, protected=True))
    assert [part.first_frame for part in parts] == list(range(0, 11_003, length))
    for name in ("power_w", "power_peak_w"):
        np.testing.assert_array_equal(joined(parts, name), getattr(whole, name))
    for name in ("power_1s_w", "power_60s_w"):
        np.testing.assert_allclose(joined(parts, name), getattr(whole, name), rtol=1e-5, atol=1e-6)
    for name in ("coil_temp_c", "body_temp_c", "attenuation_db"):
        np.testing.assert_array_equal(
            np.concatenate([getattr(part.run, name) for part in parts]), getattr(whole.run, name)
        )


@settings(max_examples=30, deadline=None)
@given(gain=st.floats(1.0, 10.0), seed=st.integers(0, 1000))
def test_more_gain_never_lowers_the_power_into_a_bare_driver(gain: float, seed: int) -> None:
    soft = random_frames(600, seed=seed)
    quiet, loud = one_piece(soft, rig()), one_piece(hf_frames(soft.rms_v * gain), rig())
    for name in ("power_w", "power_1s_w", "power_60s_w", "power_peak_w"):
        np.testing.assert_allclose(getattr(loud, name), getattr(quiet, name) * gain**2, rtol=1e-4, atol=1e-4)


def test_a_peak_in_the_frame_in_which_a_relay_opens_counts_in_full() -> None:
    system = rig(protection={"kind": "relay", "threshold_v": 10.0, "attack_s": 0.01, "switch_s": 0.01, "hold_s": 1.0})
    source = np.zeros(200, dtype=np.float32)
    source[50:] = 30.0
    (piece,) = stretches(
        HfFrames(frame_s=0.006, duration_s=1.2, rms_v=source, peak_v=2.0 * source), system, protected=True
    )
    assert piece.run.muted is not None
    opening = int(np.argmax(piece.run.muted))
    assert 0.0 < piece.run.driver_voltage_rms_v[opening] < 30.0
    assert piece.power_peak_w[opening] == pytest.approx(60.0**2 / 8.0, rel=1e-3)
    assert piece.power_peak_w[opening + 1] == 0.0
