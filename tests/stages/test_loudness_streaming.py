"""Streamed loudness and true peak against pyloudnorm on the whole file and scipy's resampling."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy import signal

from auditor.programme.loudness import ChannelMeter, combine, measure
from tests.stages.signals import DEMO, demo_clip, demo_path, music, tone

LOUDNESS_LU = 0.1
TRUE_PEAK_DB = (-0.4, 0.2)


@pytest.mark.parametrize("start", DEMO)
def test_loudness_is_that_of_pyloudnorm(start: str) -> None:
    samples, rate_hz = soundfile.read(demo_path(start), dtype="float64", always_2d=True)
    reference = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(samples)
    assert measure(samples, rate_hz).integrated_lufs == pytest.approx(reference, abs=LOUDNESS_LU)


@pytest.mark.parametrize("start", ["01", "02", "04", "05"])
def test_true_peak_is_that_of_a_sixteenfold_resampling(start: str) -> None:
    samples, rate_hz = demo_clip(start, from_s=8.0, seconds=3.0)
    reference = 20.0 * np.log10(
        np.abs(signal.resample_poly(samples.astype(float), 16, 1, window=("kaiser", 14.0))).max()
    )
    found = measure(samples[:, None], rate_hz).true_peak_dbtp
    assert found is not None
    assert TRUE_PEAK_DB[0] <= found - reference <= TRUE_PEAK_DB[1]


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 96_000, 192_000])
@pytest.mark.parametrize("size", [1, 977, 65_536])
def test_block_size_changes_nothing(rate_hz: int, size: int) -> None:
    samples = music(rate_hz, seconds=1.0)[: 6000 if size == 1 else None]
    whole, streamed = ChannelMeter(rate_hz), ChannelMeter(rate_hz)
    whole.push(samples)
    for start in range(0, len(samples), size):
        streamed.push(samples[start : start + size])
    one, other = combine([whole]), combine([streamed])
    assert other.integrated_lufs == pytest.approx(one.integrated_lufs, abs=1e-6)
    assert other.true_peak_dbtp == pytest.approx(one.true_peak_dbtp, abs=1e-4)


def test_gain_moves_both_by_as_much() -> None:
    samples = music(48_000, seconds=3.0)
    loud, soft = (measure(samples * np.float32(scale), 48_000) for scale in (1.0, 0.1))
    assert loud.integrated_lufs is not None
    assert soft.integrated_lufs == pytest.approx(loud.integrated_lufs - 20.0, abs=0.01)
    assert loud.true_peak_dbtp is not None
    assert soft.true_peak_dbtp == pytest.approx(loud.true_peak_dbtp - 20.0, abs=0.01)


def test_two_equal_channels_are_three_decibels_louder() -> None:
    samples = tone(48_000, 1000.0, 3.0, 0.1)
    one, two = measure(samples[:, None], 48_000), measure(np.stack([samples, samples], axis=1), 48_000)
    assert one.integrated_lufs is not None
    assert two.integrated_lufs == pytest.approx(one.integrated_lufs + 10.0 * np.log10(2.0), abs=1e-4)


def test_silence_has_no_loudness() -> None:
    loudness = measure(np.zeros((48_000, 2)), 48_000)
    assert (loudness.integrated_lufs, loudness.true_peak_dbtp, loudness.peak_to_loudness_db) == (None, None, None)


def test_true_peak_never_reads_below_the_samples() -> None:
    for rate_hz in (44_100, 96_000, 192_000):
        samples = music(rate_hz, seconds=1.0)
        peak = measure(samples[:, None], rate_hz).true_peak_dbtp
        assert peak is not None
        assert peak >= 20.0 * np.log10(np.abs(samples).max()) - 1e-6
