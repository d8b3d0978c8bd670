"""How much of a known spectrum reaches the HF branch, through the response alone and through the splitter.

A Butterworth filter of order 60 stands in for the brick wall of the printed tables.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor import published
from auditor.chain.crossover import response
from auditor.chain.splitter import split

from .models import crossover
from .oracle import Check, about

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Spectrum = tuple[NDArray[np.float64], NDArray[np.float64]]

RATE_HZ = 48_000
SPLITTER_DB = 0.05  # what the splitter's rms voltage must reach
BRICK_WALL = ("butterworth", 60)
ALIGNMENTS = {"brick-wall": BRICK_WALL, "Butterworth 2": ("butterworth", 2), "Linkwitz-Riley 4": ("linkwitz-riley", 4)}
THIRD_OCTAVE_EDGE = 10.0**0.05
# Music: the fit's upper end is not printed; this one gives back all nine derived shares.
MUSIC_RANGE_HZ = (30.0, 15_700.0)


def _log_grid(low_hz: float, high_hz: float) -> NDArray[np.float64]:
    edges = np.geomspace(low_hz, high_hz, 40_001)
    return np.sqrt(edges[1:] * edges[:-1])


def _programme_db(frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Table II as a density per third octave: straight lines between the exact band centres."""
    levels_db = [level_db for _, level_db in published.SIMULATED_PROGRAMME.value]
    bands = np.arange(len(levels_db)) - [hz for hz, _ in published.SIMULATED_PROGRAMME.value].index(1000)
    return np.interp(10.0 * np.log10(frequency_hz / 1000.0), bands, levels_db)


@functools.cache
def _programme() -> Spectrum:
    frequency_hz = _log_grid(1000.0 * 10**-1.7 / THIRD_OCTAVE_EDGE, 1000.0 * 10**1.3 * THIRD_OCTAVE_EDGE)
    return frequency_hz, 10.0 ** (_programme_db(frequency_hz) / 10.0)


@functools.cache
def _bands() -> Spectrum:
    """Table II as steps: each band's power spread evenly over its third of an octave."""
    frequency_hz, _ = _programme()
    levels_db = np.array([level_db for _, level_db in published.SIMULATED_PROGRAMME.value])
    thirds = 10.0 * np.log10(frequency_hz / frequency_hz[0])
    return frequency_hz, 10.0 ** (levels_db[np.minimum(thirds.astype(int), len(levels_db) - 1)] / 10.0)


@functools.cache
def _music() -> Spectrum:
    frequency_hz = _log_grid(*MUSIC_RANGE_HZ)
    x = 60.0 * np.log2(frequency_hz / 30.0)
    below, above = (
        np.polyval(fit.value, x) for fit in (published.MUSIC_SPECTRUM_BELOW, published.MUSIC_SPECTRUM_ABOVE)
    )
    per_hz_db = np.where(frequency_hz < published.MUSIC_SPECTRUM_JOIN_HZ.value, below, above)
    return frequency_hz, 10.0 ** (per_hz_db / 10.0) * frequency_hz


@functools.cache
def _pink() -> Spectrum:
    frequency_hz = _log_grid(20.0, 20_000.0)
    return frequency_hz, np.ones_like(frequency_hz)


def _share_percent(spectrum: Any, alignment: str, order: int, corner_hz: float) -> float:
    frequency_hz, power = spectrum()
    weight = np.abs(response(crossover(alignment, order, corner_hz), frequency_hz)) ** 2
    return float(100.0 * (power @ weight) / power.sum())


@functools.cache
def _noise() -> NDArray[np.float64]:
    """Ten seconds of noise with the spectrum of table II: every bin of the transform at its level, random phase."""
    frequency_hz = np.fft.rfftfreq(1 << 19, 1.0 / RATE_HZ)[1:]
    inside = (frequency_hz > 1000.0 * 10**-1.7 / THIRD_OCTAVE_EDGE) & (
        frequency_hz < 1000.0 * 10**1.3 * THIRD_OCTAVE_EDGE
    )
    density = np.where(inside, 10.0 ** (_programme_db(frequency_hz) / 10.0) / frequency_hz, 0.0)
    phase = np.random.default_rng(1985).uniform(0.0, 2.0 * np.pi, len(density))
    return np.fft.irfft(np.concatenate([[0.0], np.sqrt(density) * np.exp(1j * phase)]))


def _split_percent(alignment: str, order: int, corner_hz: float) -> float:
    noise_v = _noise() / np.std(_noise())
    frames = split(noise_v, RATE_HZ, crossover(alignment, order, corner_hz))
    samples = len(noise_v) / RATE_HZ / frames.frame_s
    return float(100.0 * np.sum(frames.rms_v.astype(float) ** 2) / samples)


def _shares(name: str, record: Any, spectrum: Any) -> list[Check]:
    return [
        about(
            f"{printed:.2f}",
            subject="HF share of test noise and music",
            quantity=f"{name} above {corner_hz} Hz, {label}",
            record=record,
            unit="%",
            compute=functools.partial(_share_percent, spectrum, *alignment, corner_hz),
        )
        for corner_hz, *row in record.value
        for (label, alignment), printed in zip(ALIGNMENTS.items(), row, strict=False)
    ]


CHECKS = (
    *_shares("IEC 60268-1 noise", published.SIMULATED_PROGRAMME_HF_SHARE, _programme),
    *(
        about(
            f"{printed:.2f}",
            subject="HF share of test noise and music",
            quantity=f"IEC 60268-1 noise above {corner_hz} Hz, {label}, through the splitter",
            record=published.SIMULATED_PROGRAMME_HF_SHARE,
            unit="%",
            relative=10.0 ** (SPLITTER_DB / 10.0) - 1.0,
            why="0.05 dB, what the splitter's rms voltage must reach",
            compute=functools.partial(_split_percent, *ALIGNMENTS[label], corner_hz),
        )
        for corner_hz, _, *row in published.SIMULATED_PROGRAMME_HF_SHARE.value
        for label, printed in zip(("Butterworth 2", "Linkwitz-Riley 4"), row, strict=True)
    ),
    about(
        published.DIN_SHARE_ABOVE_4K_PERCENT.value,
        subject="HF share of test noise and music",
        quantity="the same spectrum, bands of 4 kHz and up",
        record=published.DIN_SHARE_ABOVE_4K_PERCENT,
        unit="%",
        compute=functools.partial(_share_percent, _bands, *BRICK_WALL, 1000.0 * 10**0.6 / THIRD_OCTAVE_EDGE),
    ),
    *_shares("popular music", published.MUSIC_HF_SHARE, _music),
    *(
        about(
            printed,
            subject="HF share of test noise and music",
            quantity=f"pink noise, 20 Hz to 20 kHz, above {corner_hz} Hz, brick-wall",
            record=published.PINK_HF_SHARE,
            unit="%",
            compute=functools.partial(_share_percent, _pink, *BRICK_WALL, corner_hz),
        )
        for corner_hz, printed in published.PINK_HF_SHARE.value
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
