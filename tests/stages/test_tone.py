"""The calibration signals: level, spectrum, limits and fades, measured in the file that was written."""

# ruff: noqa: E501 - expected messages stand whole

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from auditor.errors import AuditorError
from auditor.tone import FADE_S, MOST_CREST, MOST_PINK_DBFS, Tone, write

SINE = Tone(
    kind="sine",
    level_dbfs=-30.0,
    duration_s=5.0,
    sample_rate_hz=48_000,
    frequency_hz=315.0,
    low_hz=100.0,
    high_hz=10_000.0,
)
PINK = replace(SINE, kind="pink", duration_s=30.0)


def steady(tone: Tone, folder: Path) -> np.ndarray:
    """What lies between the fades, one channel; both are the same."""
    path = folder / "tone.wav"
    told = write(tone, path, "WAV")
    samples, rate_hz = soundfile.read(path, always_2d=True)
    assert rate_hz == tone.sample_rate_hz
    assert soundfile.info(path).subtype == "PCM_24"
    assert np.array_equal(samples[:, 0], samples[:, 1])
    fade = round(FADE_S * rate_hz)
    assert len(samples) / rate_hz == pytest.approx(told.duration_s + 2.0 * FADE_S, abs=1e-9)
    assert told.duration_s >= tone.duration_s - 1.0 / rate_hz
    assert told.level_dbfs == pytest.approx(tone.level_dbfs, abs=0.002)
    assert told.peak_dbfs == pytest.approx(20.0 * math.log10(np.abs(samples).max()), abs=0.001)
    return samples[fade : len(samples) - fade, 0]


def level_dbfs(samples: np.ndarray) -> float:
    """rms against that of a full-scale sine, as AES17 counts (from memory)."""
    return 20.0 * math.log10(math.sqrt(2.0) * float(np.sqrt(np.mean(samples**2))))


@pytest.mark.parametrize("asked_dbfs", [-60.0, -30.0, -12.5, 0.0])
def test_a_sine_has_its_level_and_peaks(tmp_path: Path, asked_dbfs: float) -> None:
    samples = steady(replace(SINE, level_dbfs=asked_dbfs), tmp_path)
    assert level_dbfs(samples) == pytest.approx(asked_dbfs, abs=0.002)
    # Of a sine rms and peak are the same number; 315 Hz comes within 1 degree of its crest at 48 kHz.
    assert 20.0 * math.log10(np.abs(samples).max()) == pytest.approx(asked_dbfs, abs=0.005)
    assert np.abs(samples).max() <= 1.0


@pytest.mark.parametrize(("frequency_hz", "rate_hz"), [(20.0, 48_000), (997.0, 44_100), (5400.0, 96_000)])
def test_a_sine_has_its_frequency_and_nothing_else(tmp_path: Path, frequency_hz: float, rate_hz: int) -> None:
    tone = replace(SINE, frequency_hz=frequency_hz, sample_rate_hz=rate_hz)
    samples = steady(tone, tmp_path)
    time_s = np.arange(len(samples)) / rate_hz
    # Least squares with sine and cosine of that frequency: what they leave is the cut to 24 bits, a step of 2^-23.
    basis = np.stack([f(2.0 * np.pi * frequency_hz * time_s) for f in (np.sin, np.cos)], axis=1)
    fitted, *_ = np.linalg.lstsq(basis, samples, rcond=None)
    assert 20.0 * math.log10(np.hypot(*fitted)) == pytest.approx(-30.0, abs=0.001)
    assert np.abs(samples - basis @ fitted).max() < 1.5 * 2.0**-23


@pytest.mark.parametrize(("seconds", "rate_hz"), [(1.0, 48_000), (30.0, 44_100), (75.0, 48_000)])
def test_noise_has_its_level_and_crest(tmp_path: Path, seconds: float, rate_hz: int) -> None:
    samples = steady(replace(PINK, duration_s=seconds, sample_rate_hz=rate_hz), tmp_path)
    assert level_dbfs(samples) == pytest.approx(-30.0, abs=0.002)
    crest = np.abs(samples).max() / np.sqrt(np.mean(samples**2))
    assert 3.0 < crest <= MOST_CREST * 1.0001  # noise still, and no more than what was promised


def test_noise_is_pink_within_its_limits_and_nothing_beyond(tmp_path: Path) -> None:
    """Third octaves of IEC 61260-1 (base ten, read for `auditor.programme.spectrum`) by scipy's Welch estimate.

    Pink noise has the same power in every band; 100 Hz to 10 kHz holds ln(100) of it and a third octave ln(10^0.1).
    """
    rate_hz = PINK.sample_rate_hz
    samples = steady(PINK, tmp_path)
    frequency_hz, density = signal.welch(samples, rate_hz, nperseg=1 << 16, window="hann")
    band_db = []
    for number in range(-9, 10):  # 125 Hz to 8 kHz: wholly inside
        low, high = (1000.0 * 10.0 ** ((number + side) / 10.0) for side in (-0.5, 0.5))
        # Each line's share of the band: its own width, cut at the edges.
        width = frequency_hz[1]
        share = np.clip(
            (np.minimum(frequency_hz + width / 2, high) - np.maximum(frequency_hz - width / 2, low)) / width, 0, 1
        )
        band_db.append(10.0 * math.log10(2.0 * float((density * share).sum() * width)))
    ideal_db = -30.0 + 10.0 * math.log10(math.log(10.0**0.1) / math.log(100.0))
    assert np.mean(band_db) == pytest.approx(ideal_db, abs=0.05)
    assert np.abs(np.array(band_db) - ideal_db).max() < 0.2  # Welch's own scatter in the narrowest band
    assert np.polyfit(np.arange(len(band_db)), band_db, 1)[0] == pytest.approx(0.0, abs=0.01)  # dB a band
    spectrum = np.square(np.abs(np.fft.rfft(samples)))
    lines_hz = np.fft.rfftfreq(len(samples), 1.0 / rate_hz)
    outside = (lines_hz < 100.0) | (lines_hz > 10_000.0)
    assert 10.0 * math.log10(spectrum[outside].sum() / spectrum.sum()) < -90.0


def test_a_long_noise_repeats_without_a_seam(tmp_path: Path) -> None:
    samples = steady(replace(PINK, duration_s=70.0), tmp_path)
    half = len(samples) // 2
    assert np.array_equal(samples[:half], samples[half:])
    usual = np.abs(np.diff(samples)).max()
    assert abs(samples[half] - samples[half - 1]) <= usual


@pytest.mark.parametrize("tone", [SINE, replace(PINK, duration_s=1.0)], ids=["sine", "pink"])
def test_fades_come_up_and_go_down_without_a_step(tmp_path: Path, tone: Tone) -> None:
    path = tmp_path / "tone.flac"
    write(tone, path, "FLAC")
    samples = soundfile.read(path)[0][:, 0]
    fade = round(FADE_S * tone.sample_rate_hz)
    tenth = fade // 10
    inside = np.abs(samples[fade:-fade]).max()
    for ramp in (samples[:fade], samples[::-1][:fade]):
        assert np.abs(ramp[:tenth]).max() < 0.04 * inside
        assert np.abs(ramp[-tenth:]).max() > 0.5 * inside
    steps = np.abs(np.diff(samples))
    edges = np.r_[fade - 2 : fade + 2, len(samples) - fade - 2 : len(samples) - fade + 2]
    assert steps[edges].max() <= steps[fade:-fade].max()


@pytest.mark.parametrize(
    ("tone", "message"),
    [
        (replace(SINE, level_dbfs=0.1), "--level-dbfs: a sine above 0 dBFS is clipped, and no tone any more, got 0.1 dBFS; allowed: up to 0 dBFS (-30 is enough for a meter)"),
        (replace(PINK, level_dbfs=-9.0), "--level-dbfs: the noise has peaks 9.03 dB above those of a sine of that level, which would pass full scale, got -9 dBFS; allowed: up to -9.04 dBFS (-30 is enough for a meter)"),
        (replace(SINE, frequency_hz=20_000.0, sample_rate_hz=44_100), "--frequency-hz: too near to half the sampling rate, got 20000 Hz; allowed: up to 19845 Hz at 44100 Hz"),
        (replace(PINK, low_hz=6000.0), "--high-hz: the noise must be an octave wide at least, got 6000 to 10000 Hz; allowed: at least 12000 Hz"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(tmp_path: Path, tone: Tone, message: str) -> None:
    with pytest.raises(AuditorError) as caught:
        write(tone, tmp_path / "tone.wav", "WAV")
    assert str(caught.value) == message


def test_the_loudest_noise_stays_within_full_scale(tmp_path: Path) -> None:
    samples = steady(replace(PINK, level_dbfs=math.floor(100.0 * MOST_PINK_DBFS) / 100.0, duration_s=10.0), tmp_path)
    assert np.abs(samples).max() < 1.0
