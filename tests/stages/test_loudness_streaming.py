"""Streamed loudness and true peak against pyloudnorm on the whole file and scipy's resampling."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy import signal

from auditor import published
from auditor.programme.loudness import ChannelMeter, _interpolation_phases, _k_weighting, combine, measure
from tests.stages.signals import DEMO, demo_clip, demo_path, music, tone

LOUDNESS_LU = 0.1
TRUE_PEAK_DB = (-0.4, 0.2)


@pytest.mark.parametrize("rate_hz", [4000, 8000, 22_050, 44_100, 48_000, 96_000, 192_000, 768_000])
def test_weighting_filters_are_those_of_pyloudnorm(rate_hz: int) -> None:
    reference = pyloudnorm.Meter(rate_hz, filter_class="DeMan")._filters.values()
    for ours, theirs in zip(_k_weighting(rate_hz), reference, strict=True):
        np.testing.assert_allclose(ours, [*theirs.b, *theirs.a[1:]], rtol=0.0, atol=1e-11)


def test_weighting_filters_at_48_khz_are_the_printed_ones() -> None:
    for ours, (b, a) in zip(
        _k_weighting(48_000), (published.BS1770_STAGE_1.value, published.BS1770_STAGE_2.value), strict=True
    ):
        np.testing.assert_allclose(ours, [*b, *a[1:]], rtol=0.0, atol=1e-13)


def test_interpolator_is_that_of_scipy() -> None:
    taps = 4.0 * signal.firwin(65, 0.25, window=("kaiser", 5.0))
    expected = [taps[phase : phase + 64 : 4][::-1] for phase in (1, 2, 3)]
    np.testing.assert_allclose(_interpolation_phases(44_100), expected, rtol=0.0, atol=1e-7)


@pytest.mark.parametrize("seconds", [0.05, 0.4, 6.4, 6.5, 13.0])
def test_mean_squares_are_those_of_one_filter_from_end_to_end(seconds: float) -> None:
    rate_hz, step = 44_100, 4410
    samples = music(rate_hz, seconds=13.0)[: round(seconds * rate_hz)]
    weighted = samples.astype(float)
    for row in _k_weighting(rate_hz):
        weighted = signal.lfilter(row[:3], [1.0, *row[3:]], weighted)
    meter = ChannelMeter(rate_hz)
    meter.push(samples)
    whole = len(weighted) // step
    if whole < 4:  # shorter than a gating block: all of it stands for the block
        expected = np.full(4, np.mean(weighted**2))
    else:
        expected = np.mean(weighted[: whole * step].reshape(whole, step) ** 2, axis=1)
    np.testing.assert_allclose(meter.finish(), expected, rtol=1e-7)


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
