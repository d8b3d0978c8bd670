"""Third-octave spectra: sines and noises of known level, energy kept, and scipy's Welch estimate from outside."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from auditor.errors import ProgrammeError
from auditor.programme.spectrum import BANDS_HZ, Spectrum, midbands_hz, spectrum
from auditor.units import SILENCE_DB
from tests.stages.signals import write_wav

RATES_HZ = (44_100, 48_000)
AT_1K = BANDS_HZ.index(1000.0)
EDGE = 10.0 ** (1.0 / 20.0)


def sine(frequency_hz: float, rate_hz: int, *, duration_s: float = 20.0, amplitude: float = 1.0) -> np.ndarray:
    return amplitude * np.sin(2.0 * np.pi * frequency_hz * np.arange(round(duration_s * rate_hz)) / rate_hz)


def white(rate_hz: int = 48_000, *, duration_s: float = 60.0, rms: float = 0.1, seed: int = 1) -> np.ndarray:
    return rms * np.random.default_rng(seed).standard_normal(round(duration_s * rate_hz))


def of(folder: Path, samples: np.ndarray, rate_hz: int = 48_000, *, most_steps: int = 600) -> Spectrum:
    return spectrum(write_wav(folder / "track.wav", samples, rate_hz), most_steps=most_steps)


def test_nominal_midbands_are_the_exact_ones_rounded() -> None:
    assert len(BANDS_HZ) == 31
    assert np.array(BANDS_HZ) == pytest.approx(midbands_hz(), rel=0.015)
    assert midbands_hz()[AT_1K] == 1000.0
    assert BANDS_HZ[0] == 20.0
    assert BANDS_HZ[-1] == 20_000.0


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("band", range(31), ids=lambda band: f"{BANDS_HZ[band]:g}Hz")
def test_full_scale_sine_reads_nought_in_its_band(tmp_path: Path, band: int, rate_hz: int) -> None:
    levels = of(tmp_path, sine(midbands_hz()[band], rate_hz), rate_hz).band_level_dbfs
    assert levels[band] == pytest.approx(0.0, abs=0.1)
    assert np.delete(levels, band).max() < -15.0


@pytest.mark.parametrize("rate_hz", [8_000, 96_000, 192_000])
def test_other_rates(tmp_path: Path, rate_hz: int) -> None:
    levels = of(tmp_path, sine(1000.0, rate_hz), rate_hz).band_level_dbfs
    assert levels[AT_1K] == pytest.approx(0.0, abs=0.1)
    assert np.all(levels[midbands_hz() >= rate_hz / 2.0] == SILENCE_DB)


def test_sine_on_an_edge_is_shared_by_both(tmp_path: Path) -> None:
    """Here also where transforms of two lengths meet, which may count a little of it twice: under 0.1 dB."""
    levels = of(tmp_path, sine(1000.0 * EDGE, 48_000)).band_level_dbfs
    shares = 10.0 ** (levels / 10.0)
    assert shares[AT_1K : AT_1K + 2].sum() == pytest.approx(1.0, abs=0.02)
    assert shares[AT_1K] == pytest.approx(0.5, abs=0.15)


def test_white_noise_by_closed_form(tmp_path: Path) -> None:
    """Power of a band is its width over half the sampling rate; a long band is sure within a few tenths."""
    levels = of(tmp_path, white(rms=0.1)).band_level_dbfs
    width_hz = midbands_hz() * (EDGE - 1.0 / EDGE)
    wanted_db = 10.0 * np.log10(2.0 * 0.1**2 * width_hz / 24_000.0)
    spread_db = 4.0 * 4.34 / np.sqrt(width_hz * 60.0)  # four standard deviations of a mean of B*T independent values
    assert np.all(np.abs(levels - wanted_db) < spread_db + 0.03)


def test_pink_noise_is_flat(tmp_path: Path) -> None:
    length = 1 << 22
    rng = np.random.default_rng(3)
    at_hz = np.fft.rfftfreq(length, 1.0 / 48_000)
    lines = rng.standard_normal(len(at_hz)) + 1j * rng.standard_normal(len(at_hz))
    pink = np.fft.irfft(lines / np.sqrt(np.maximum(at_hz, 5.0)), length)
    levels = of(tmp_path, 0.1 * pink / pink.std()).band_level_dbfs
    slope_db = np.polyfit(np.arange(10, 31), levels[10:], 1)[0]
    assert slope_db == pytest.approx(0.0, abs=0.02)
    assert levels[10:].std() < 0.15


@pytest.mark.parametrize("duration_s", [0.01, 0.3, 7.7])
def test_power_of_all_bands_is_that_of_the_file(tmp_path: Path, duration_s: float) -> None:
    """Also of a burst between silences, wherever it stands to the windows."""
    band_limited = signal.sosfilt(signal.butter(8, [60, 15_000], "bandpass", fs=48_000, output="sos"), white())
    burst = band_limited[: round(duration_s * 48_000)] * np.hanning(round(duration_s * 48_000))
    samples = np.concatenate([np.zeros(12_345), burst, np.zeros(4_321)])
    levels = of(tmp_path, samples).band_level_dbfs
    whole_db = 10.0 * np.log10(2.0 * np.mean(samples**2))
    assert 10.0 * np.log10(np.sum(10.0 ** (levels / 10.0))) == pytest.approx(whole_db, abs=0.1)


def test_against_welch(tmp_path: Path) -> None:
    """Outside oracle: scipy.signal.welch, its density summed between the band edges."""
    shaped = signal.lfilter([1.0], [1.0, -0.9], white(44_100, duration_s=40.0, rms=0.02))
    levels = of(tmp_path, shaped, 44_100).band_level_dbfs
    at_hz, density = signal.welch(shaped, 44_100, nperseg=1 << 17)
    cumulated = np.concatenate([[0.0], np.cumsum(density) * at_hz[1]])
    edges_hz = np.concatenate([at_hz - at_hz[1] / 2.0, [at_hz[-1] + at_hz[1] / 2.0]])
    power = np.interp(midbands_hz() * EDGE, edges_hz, cumulated) - np.interp(midbands_hz() / EDGE, edges_hz, cumulated)
    assert levels[4:] == pytest.approx(10.0 * np.log10(2.0 * power[4:]), abs=0.15)
    assert levels == pytest.approx(10.0 * np.log10(2.0 * power), abs=0.6)


def test_channels_count_by_their_mean_power(tmp_path: Path) -> None:
    left = white(duration_s=5.0)
    mono = of(tmp_path, left).band_level_dbfs
    one_sided = of(tmp_path, np.stack([left, np.zeros_like(left)], axis=1)).band_level_dbfs
    both = of(tmp_path, np.stack([left, -left], axis=1)).band_level_dbfs
    assert both == pytest.approx(mono, abs=0.001)
    assert one_sided == pytest.approx(mono - 3.0103, abs=0.001)


def test_silence(tmp_path: Path) -> None:
    found = of(tmp_path, np.zeros(48_000))
    assert np.all(found.band_level_dbfs == SILENCE_DB)
    assert np.all(found.picture_dbfs == SILENCE_DB)


@pytest.mark.parametrize("most_steps", [7, 100, 600])
def test_picture_covers_the_file_and_shows_when(tmp_path: Path, most_steps: int) -> None:
    samples = np.concatenate(
        [np.zeros(48_000 * 4), sine(4000.0, 48_000, duration_s=2.0, amplitude=0.5), np.zeros(96_000)]
    )
    found = of(tmp_path, samples, most_steps=most_steps)
    steps = len(found.picture_dbfs)
    assert most_steps / 2 <= steps <= most_steps
    assert (steps - 1) * found.step_s < 8.0 <= steps * found.step_s
    at_4k = found.picture_dbfs[:, BANDS_HZ.index(4000.0)]
    loud = np.flatnonzero(at_4k > -7.0)
    assert loud[0] * found.step_s == pytest.approx(4.0, abs=found.step_s + 0.02)
    assert (loud[-1] + 1) * found.step_s == pytest.approx(6.0, abs=found.step_s + 0.02)
    assert at_4k.max() == pytest.approx(-6.02, abs=0.1)


def test_step_of_the_picture_is_its_largest(tmp_path: Path) -> None:
    """Halving the steps keeps the peaks: every coarse step is the larger of the two fine ones in it."""
    samples = white(duration_s=10.0)
    fine, coarse = of(tmp_path, samples, most_steps=1000), of(tmp_path, samples, most_steps=500)
    assert coarse.step_s == pytest.approx(2.0 * fine.step_s)
    pairs = fine.picture_dbfs[: len(fine.picture_dbfs) // 2 * 2].reshape(-1, 2, 31).max(axis=1)
    above = slice(BANDS_HZ.index(1600.0), None)
    assert coarse.picture_dbfs[: len(pairs), above] == pytest.approx(pairs[:, above], abs=1e-3)


def test_long_files_in_blocks_are_as_short_ones(tmp_path: Path) -> None:
    """Several blocks of the decoder: the mean is that of one transform over the whole."""
    samples = white(duration_s=30.0)
    levels = of(tmp_path, samples).band_level_dbfs
    whole = np.abs(np.fft.rfft(samples)) ** 2 * 2.0 / len(samples) ** 2
    at_hz = np.fft.rfftfreq(len(samples), 1.0 / 48_000)
    for band in range(15, 31):
        inside = (at_hz >= midbands_hz()[band] / EDGE) & (at_hz < midbands_hz()[band] * EDGE)
        assert levels[band] == pytest.approx(10.0 * np.log10(2.0 * whole[inside].sum()), abs=0.1)


def test_unreadable_is_the_decoders_error(tmp_path: Path) -> None:
    with pytest.raises(ProgrammeError, match="no such file"):
        spectrum(tmp_path / "missing.wav")


@pytest.mark.parametrize("gain_db", [-7.3, 4.1])
def test_louder_is_what_is_measured_of_the_louder_file(gain_db: float, tmp_path: Path) -> None:
    noise = white(duration_s=3.0, rms=0.05)
    plain = of(tmp_path, noise).louder_by(gain_db)
    louder = of(tmp_path, noise * 10.0 ** (gain_db / 20.0))
    np.testing.assert_allclose(plain.band_level_dbfs, louder.band_level_dbfs, atol=1e-3)
    np.testing.assert_allclose(plain.picture_dbfs, louder.picture_dbfs, atol=1e-3)


def test_silence_turned_up_is_silence(tmp_path: Path) -> None:
    silence = of(tmp_path, np.zeros(48_000)).louder_by(20.0)
    assert (silence.band_level_dbfs == SILENCE_DB).all()
    assert (silence.picture_dbfs == SILENCE_DB).all()
