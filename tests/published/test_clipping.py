"""The amplifier out of rail: sines, two tones, noise. Power is that into the load a 100 W sine just fills."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.chain.amplifier import clip
from auditor.chain.splitter import split

from .models import crossover
from .oracle import HALF_A_UNIT, Check, about, half_a_unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

_subject = {"subject": "Clipping"}
PERIOD = 1 << 16  # samples in a period of the finely sampled waves
HUGE_DB = 160.0  # overdrive that makes a sine a square wave
TWO_TONE_RATE_HZ = 4_800_000
FILE_RATE_HZ = 48_000
QUANTILES = 1_000_000


@functools.cache
def _sine_powers(overdrive_db: float) -> NDArray[np.float64]:
    """Power of each harmonic of a clipped sine over that of the sine at the edge; index 0 is the total."""
    sine = np.sin(2.0 * np.pi * (np.arange(PERIOD) + 0.5) / PERIOD)
    clipped = clip(10.0 ** (overdrive_db / 20.0) * sine, 1.0)
    amplitudes = np.abs(np.fft.rfft(clipped)) * 2.0 / PERIOD
    return np.concatenate([[2.0 * np.mean(clipped**2)], amplitudes[1:10] ** 2])


def _sine_power(overdrive_db: float, harmonic: int, scale: float) -> float:
    return float(scale * _sine_powers(overdrive_db)[harmonic])


@functools.cache
def _two_tone(overdrive_db: float, rate_hz: int) -> tuple[float, float]:
    """Watts of the 5030 Hz tone, and of everything from 3 kHz up, of an amplifier of 100 W."""
    time_s = np.arange(rate_hz // 10) / rate_hz  # a tenth of a second holds whole periods of both
    ratio = 10.0 ** (published.TWO_TONE_LEVEL_DB.value / 20.0)
    low = 1.0 / (1.0 + ratio)
    wave = low * np.sin(2.0 * np.pi * 100.0 * time_s + 0.3) + low * ratio * np.sin(2.0 * np.pi * 5030.0 * time_s)
    clipped = clip(10.0 ** (overdrive_db / 20.0) * wave, 1.0)
    lines_w = 100.0 * (np.abs(np.fft.rfft(clipped)) * 2.0 / len(time_s)) ** 2
    return float(lines_w[503]), float(lines_w[300:].sum())


@functools.cache
def _gaussian(clip_sigma: float) -> tuple[float, float, float]:
    """Peak over rms, change of level [dB] and distortion [% of power] of clipped Gaussian noise."""
    from scipy.special import ndtri

    noise = ndtri((np.arange(QUANTILES) + 0.5) / QUANTILES)
    clipped = clip(noise, clip_sigma)
    power = np.mean(clipped**2)
    undistorted = np.mean(clipped * noise) ** 2 / np.mean(noise**2)
    crest = np.max(np.abs(clipped)) / math.sqrt(power)
    return float(crest), float(10.0 * np.log10(power)), float(100.0 * (1.0 - undistorted / power))


def _crest_db(tones_hz: tuple[float, ...]) -> float:
    time_s = np.arange(FILE_RATE_HZ) / FILE_RATE_HZ
    frames = split(
        sum(np.cos(2.0 * np.pi * hz * time_s) for hz in tones_hz), FILE_RATE_HZ, crossover("none", 0, 1000.0)
    )
    middle = slice(len(frames.rms_v) // 4, 3 * len(frames.rms_v) // 4)
    rms_v = math.sqrt(float(np.mean(frames.rms_v[middle].astype(float) ** 2)))
    return 20.0 * math.log10(float(frames.peak_v.max()) / rms_v)


CHECKS = (
    about(
        "2.000",
        quantity="square wave, power over the sine of equal peak",
        record=published.SQUARE_WAVE_POWER_RATIO,
        unit="",
        compute=functools.partial(_sine_power, HUGE_DB, 0, 1.0),
        **_subject,
    ),
    about(
        published.SQUARE_WAVE_FUNDAMENTAL_PERCENT.value,
        quantity="square wave, fundamental",
        unit="% of power",
        record=published.SQUARE_WAVE_FUNDAMENTAL_PERCENT,
        compute=functools.partial(_sine_power, HUGE_DB, 1, 50.0),
        **_subject,
    ),
    *(
        about(
            printed,
            quantity=f"square wave of a 100 W amplifier, harmonic {harmonic}",
            unit="W",
            record=published.SQUARE_WAVE_HARMONICS_W,
            compute=functools.partial(_sine_power, HUGE_DB, harmonic, 100.0),
            **_subject,
        )
        for harmonic, printed in published.SQUARE_WAVE_HARMONICS_W.value
    ),
    *(
        about(
            text,
            quantity=f"square wave of a 100 W amplifier, harmonic {harmonic}, as Lesurf prints it",
            unit="W",
            record=published.SQUARE_WAVE_HARMONICS_PRINTED_W,
            compute=functools.partial(_sine_power, HUGE_DB, harmonic, 100.0),
            faults=(0.0, factor),
            why=why,
            **_subject,
        )
        for harmonic, text, factor, why in (
            (1, "162", 1.1, HALF_A_UNIT),
            (3, "18", 1.1, HALF_A_UNIT),
            (5, "6.5", 1.1, HALF_A_UNIT),
            (7, "3", 1.25, f"{HALF_A_UNIT}; 'about 3' is printed to one digit"),
        )
    ),
    *(
        about(
            f"{printed:.4f}",
            quantity=f"sine clipped by {overdrive_db:g} dB, {what} power",
            unit="of the edge's",
            record=published.CLIPPED_SINE,
            compute=functools.partial(_sine_power, overdrive_db, index, 1.0),
            **_subject,
        )
        for overdrive_db, *powers in published.CLIPPED_SINE.value
        for index, (what, printed) in enumerate(zip(("total", "fundamental"), powers, strict=True))
    ),
    *(
        about(
            printed,
            quantity=f"5030 Hz under clipped 100 Hz, {overdrive_db:g} dB over, {what}",
            unit="W",
            record=published.TWO_TONE,
            tolerance=half_a_unit(printed) + 0.0005,
            why=f"{HALF_A_UNIT}, and 0.0005 W for the print's own sampling",
            compute=functools.partial(lambda db, i: _two_tone(db, TWO_TONE_RATE_HZ)[i], overdrive_db, index),
            **_subject,
        )
        for overdrive_db, *watts in published.TWO_TONE.value
        for index, (what, printed) in enumerate(zip(("the tone", "all from 3 kHz up"), watts, strict=True))
    ),
    *(
        about(
            printed,
            quantity=f"5030 Hz under clipped 100 Hz, {overdrive_db:g} dB over, {what}, at 48 kHz",
            unit="W",
            record=published.TWO_TONE,
            relative=10.0 ** (0.05 / 10.0) - 1.0,
            why="0.05 dB, what the HF branch's rms voltage must reach",
            compute=functools.partial(lambda db, i: _two_tone(db, FILE_RATE_HZ)[i], overdrive_db, index),
            **_subject,
        )
        for overdrive_db, *watts in published.TWO_TONE.value[1:]
        for index, (what, printed) in enumerate(zip(("the tone", "all from 3 kHz up"), watts, strict=True))
    ),
    *(
        about(
            printed,
            quantity=f"Gaussian noise clipped at {sigma:.2f} sigma, {what}",
            unit=unit,
            scale=scale,
            record=published.CLIPPED_GAUSSIAN,
            compute=functools.partial(lambda a, i: _gaussian(a)[i], sigma, index),
            **_subject,
        )
        for sigma, *values in published.CLIPPED_GAUSSIAN.value
        for index, (what, unit, scale, printed) in enumerate(
            zip(
                ("peak over rms", "level", "distortion"),
                ("", "dB", "% of power"),
                ("linear", "db", "linear"),
                values,
                strict=True,
            )
        )
    ),
    about(
        published.SINE_CREST_DB.value,
        quantity="crest factor of a sine",
        record=published.SINE_CREST_DB,
        unit="dB",
        scale="db",
        compute=functools.partial(_crest_db, (1000.0,)),
        **_subject,
    ),
    about(
        published.TWO_SINES_CREST_DB.value,
        quantity="crest factor of two equal sines",
        unit="dB",
        scale="db",
        record=published.TWO_SINES_CREST_DB,
        compute=functools.partial(_crest_db, (1000.0, 1700.0)),
        **_subject,
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
