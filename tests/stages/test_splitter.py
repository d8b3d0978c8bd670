"""The HF branch against the exact analogue response, applied to the whole signal by one double-precision transform.

Requirement: rms within 0.05 dB, peak within 0.3 dB. The response comes from `scipy.signal`, not from the package. The
synthesised material has more energy next to half the sampling rate than music has, and is the hardest case.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.chain.splitter import DEFAULT_FRAME_S, HfFrames, Splitter, split
from tests.published.models import crossover
from tests.stages.signals import (
    Samples,
    WholeFile,
    analogue_high_pass,
    demo_clip,
    framed,
    level_db,
    music,
    overall_rms,
    tone,
)

RMS_DB, PEAK_DB = 0.05, 0.3
LIBRARY_DB = 0.05
VOLTS = 50.0
CORNERS_HZ = (800.0, 1800.0, 3500.0, 6000.0)
ALIGNMENTS = (
    *(("linkwitz-riley", order) for order in (2, 4, 8)),
    *(("butterworth", order) for order in (1, 2, 3, 4, 8)),
    *(("bessel", order) for order in (2, 4)),
)
PROGRAMMES = {
    "speech 48 kHz": lambda: demo_clip("01", seconds=4.0),
    "acoustic 44.1 kHz": lambda: demo_clip("02", from_s=10.0, seconds=4.0),
    "dance 44.1 kHz": lambda: demo_clip("04", from_s=8.0, seconds=4.0),
    "drums 48 kHz": lambda: demo_clip("05", from_s=12.0, seconds=4.0),
    "synthesised 44.1 kHz": lambda: (music(44_100, seconds=4.0), 44_100),
    "synthesised 48 kHz": lambda: (music(48_000, seconds=4.0), 48_000),
    "synthesised 96 kHz": lambda: (music(96_000, seconds=3.0), 96_000),
}


@functools.cache
def programme(name: str) -> tuple[Samples, int, WholeFile]:
    samples, rate_hz = PROGRAMMES[name]()
    volts = samples * np.float32(VOLTS)
    return volts, rate_hz, WholeFile(volts, rate_hz)


def pushed(volts: Samples, rate_hz: int, size: int, kind: tuple[str, int]) -> HfFrames:
    splitter = Splitter(rate_hz, crossover(*kind, 1800.0))
    for start in range(0, len(volts), size):
        splitter.push(volts[start : start + size])
    return splitter.finish()


@pytest.mark.parametrize("kind", ALIGNMENTS, ids=lambda kind: f"{kind[0]} {kind[1]}")
@pytest.mark.parametrize("name", PROGRAMMES)
def test_rms_and_peak_are_those_of_the_analogue_branch(name: str, kind: tuple[str, int]) -> None:
    volts, rate_hz, whole = programme(name)
    for corner_hz in CORNERS_HZ:
        frames = split(volts, rate_hz, crossover(*kind, corner_hz))
        rms_v, peak_v = framed(whole.branch(*kind, corner_hz), round(DEFAULT_FRAME_S * rate_hz))
        assert level_db(overall_rms(frames) / np.sqrt(np.mean(rms_v**2))) == pytest.approx(0.0, abs=RMS_DB), corner_hz
        assert level_db(frames.peak_v.max() / peak_v.max()) == pytest.approx(0.0, abs=PEAK_DB), corner_hz


@pytest.mark.parametrize("corner_hz", CORNERS_HZ)
@pytest.mark.parametrize("name", PROGRAMMES)
def test_every_frame_that_matters_is_that_of_the_analogue_branch(name: str, corner_hz: float) -> None:
    volts, rate_hz, whole = programme(name)
    frames = split(volts, rate_hz, crossover("linkwitz-riley", 4, corner_hz))
    rms_v, peak_v = framed(whole.branch("linkwitz-riley", 4, corner_hz), round(DEFAULT_FRAME_S * rate_hz))
    assert frames.rms_v.shape == rms_v.shape
    loud = rms_v > 10.0 ** (-10.0 / 20.0) * rms_v.max()
    assert np.abs(level_db(frames.rms_v[loud] / rms_v[loud])).max() < RMS_DB
    assert np.abs(level_db(frames.peak_v[loud] / peak_v[loud])).max() < PEAK_DB
    # Quiet frames next to loud ones hear the band limit's ringing, which fades off only slowly.
    assert np.abs(frames.rms_v - rms_v).max() < 0.01 * rms_v.max()


@pytest.mark.parametrize("kind", [("linkwitz-riley", 4), ("butterworth", 1), ("none", 1)])
@pytest.mark.parametrize("size", [997, 4095, 65_536])
def test_block_size_changes_nothing(size: int, kind: tuple[str, int]) -> None:
    volts, rate_hz, _ = programme("dance 44.1 kHz")
    whole, streamed = split(volts, rate_hz, crossover(*kind, 1800.0)), pushed(volts, rate_hz, size, kind)
    np.testing.assert_allclose(streamed.rms_v, whole.rms_v, rtol=1e-6)
    np.testing.assert_allclose(streamed.peak_v, whole.peak_v, rtol=1e-6)


def test_sample_by_sample_is_the_same_too() -> None:
    volts = programme("dance 44.1 kHz")[0][:5000]
    whole, streamed = (pushed(volts, 44_100, size, ("linkwitz-riley", 4)) for size in (len(volts), 1))
    np.testing.assert_array_equal(streamed.rms_v, whole.rms_v)


@pytest.mark.parametrize("corner_hz", [800.0, 1800.0, 3500.0])
@pytest.mark.parametrize("name", ["dance 44.1 kHz", "drums 48 kHz", "synthesised 48 kHz"])
def test_energy_is_that_of_librosa_spectra_weighted_by_the_response(name: str, corner_hz: float) -> None:
    # A sine window at half overlap is power-complementary: the weighted spectra add up to the branch's energy, but for
    # what leaks between their bins. An oracle for material rich in treble, which these are.
    librosa = pytest.importorskip("librosa")
    volts, rate_hz, _ = programme(name)
    size = 2048
    spectra = librosa.stft(
        np.pad(volts.astype(np.float64), size),
        n_fft=size,
        hop_length=size // 2,
        window=np.sin(np.pi * (np.arange(size) + 0.5) / size),
        center=False,
        dtype=np.complex128,
    )
    at_hz = librosa.fft_frequencies(sr=rate_hz, n_fft=size)
    weight = np.abs(analogue_high_pass("linkwitz-riley", 4, corner_hz, at_hz)) ** 2 * 2.0
    weight[[0, -1]] /= 2.0
    energy = float(np.sum(weight[:, None] * np.abs(spectra) ** 2)) / size
    splitter = Splitter(rate_hz, crossover("linkwitz-riley", 4, corner_hz))
    splitter.push(volts)
    ours = float(np.sum(np.square(splitter.finish().rms_v, dtype=np.float64))) * splitter.frame_length
    assert 10.0 * np.log10(ours / energy) == pytest.approx(0.0, abs=LIBRARY_DB)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("frequency_hz", [450.0, 1800.0, 7200.0])
def test_a_steady_tone_has_the_level_of_the_response(frequency_hz: float, rate_hz: int) -> None:
    frames = split(tone(rate_hz, frequency_hz, 1.0), rate_hz, crossover("linkwitz-riley", 4, 1800.0))
    ratio = (frequency_hz / 1800.0) ** 4 / (1.0 + (frequency_hz / 1800.0) ** 4)
    settled = frames.rms_v[20:-20]
    assert np.sqrt(np.mean(settled**2)) == pytest.approx(ratio / np.sqrt(2.0), rel=1e-3)


def test_the_pad_takes_off_what_it_says() -> None:
    from dataclasses import replace

    volts, rate_hz, _ = programme("drums 48 kHz")
    plain = crossover("butterworth", 3, 2000.0)
    without, padded = (split(volts, rate_hz, kind) for kind in (plain, replace(plain, pad_db=4.5)))
    np.testing.assert_allclose(padded.rms_v, without.rms_v * 10.0 ** (-4.5 / 20.0), rtol=1e-5)


def test_silence_and_steady_voltage_give_nothing() -> None:
    assert not split(np.zeros(50_000), 48_000, crossover("linkwitz-riley", 4, 1800.0)).rms_v.any()
    frames = split(np.full(48_000, 30.0), 48_000, crossover("linkwitz-riley", 4, 1800.0))
    assert frames.rms_v[20:-20].max() < 1e-4 * 30.0


@settings(max_examples=40, deadline=None)
@given(length=st.integers(0, 9000), rate_hz=st.sampled_from([8000, 44_100, 48_000, 192_000]))
def test_no_sample_is_lost_or_counted_twice(length: int, rate_hz: int) -> None:
    samples = np.random.default_rng(length).standard_normal(length).astype(np.float32)
    splitter = Splitter(rate_hz, crossover("none", 1, 1000.0))
    splitter.push(samples)
    frames = splitter.finish()
    assert len(frames.rms_v) == -(-length // splitter.frame_length)
    energy = float(np.sum(np.square(frames.rms_v, dtype=np.float64))) * splitter.frame_length
    assert energy == pytest.approx(float(np.sum(np.square(samples, dtype=np.float64))), rel=1e-5)
