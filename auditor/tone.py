"""A calibration signal of exactly known level: a sine to read volts by, or pink noise to read sound level by.

Levels are those of AES17: 0 dBFS is the rms of a sine whose peaks just fill the scale, so a sine's rms and peak are the
same number. (The standard itself was not read: from memory.)

The sine is 315 Hz unless asked otherwise: a preferred frequency (ISO 266) under every usual crossover, so that the HF
driver gets next to none of it; inside the range in which a plain multimeter reads AC rightly, 40 to 400 Hz; and no
multiple of the mains, so that hum shows as beating and not as level. Own choice.

The noise is a sum of sines, one for each line of a transform over the whole period, with amplitudes that fall by 3 dB
an octave between two limits and nothing outside. Its crest is brought to 4 (12 dB) by turning phases only: the wave is
clipped, the phases of what comes out are kept and the amplitudes put back, until no peak is higher. So its spectrum is
exact and no peak is clipped.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from auditor.errors import AuditorError
from auditor.units import amplitude_to_db, db_to_amplitude

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from auditor.render_file import Container

    At = Callable[[NDArray[np.int_]], NDArray[np.float64]]

FADE_S = 0.5
MOST_CREST = 4.0  # of the noise
MOST_PINK_DBFS = amplitude_to_db(math.sqrt(2.0) / MOST_CREST)  # above, its peaks would pass full scale
CHANNELS = 2  # with the same in both, so that it does not matter which one is measured
_LONGEST_PERIOD_S = 60.0  # of the noise; longer files repeat it without a seam
_CLIP_AT = 3.6  # times rms: lower than what is wanted, for peaks grow again when the amplitudes are put back
_MOST_TURNS = 60
_SEED = 315
_PIECE = 1 << 18  # samples


@dataclass(frozen=True, kw_only=True)
class Tone:
    """What to write.

    Parameters
    ----------
    kind : {"sine", "pink"}
    level_dbfs : float
        rms between the fades, a full-scale sine being 0.
    duration_s : float
        Length between the fades, at least [s].
    sample_rate_hz : int
    frequency_hz : float
        Of the sine.
    low_hz, high_hz : float
        Limits of the noise.
    """

    kind: Literal["sine", "pink"]
    level_dbfs: float
    duration_s: float
    sample_rate_hz: int
    frequency_hz: float
    low_hz: float
    high_hz: float


def samples(tone: Tone) -> Iterator[NDArray[np.float64]]:
    """The signal in pieces, shape=(n,), with fades before and behind what has the level.

    Raises
    ------
    AuditorError
        If a peak would pass full scale, or a frequency lies beyond the sampling rate.
    """
    _refuse_impossible(tone)
    at, length = _sine(tone) if tone.kind == "sine" else _pink(tone)
    fade = round(FADE_S * tone.sample_rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    yield at(np.arange(-fade, 0)) * ramp
    for first in range(0, length, _PIECE):
        yield at(np.arange(first, min(first + _PIECE, length)))
    yield at(np.arange(length, length + fade)) * ramp[::-1]


def _refuse_impossible(tone: Tone) -> None:
    most_dbfs = 0.0 if tone.kind == "sine" else MOST_PINK_DBFS
    if tone.level_dbfs > most_dbfs:
        raise AuditorError(
            "a sine above 0 dBFS is clipped, and no tone any more"
            if tone.kind == "sine"
            else f"the noise has peaks {-MOST_PINK_DBFS:.2f} dB above those of a sine of that level, "
            "which would pass full scale",
            where="--level-dbfs",
            got=f"{tone.level_dbfs:g} dBFS",
            allowed=f"up to {math.floor(100.0 * most_dbfs) / 100.0:g} dBFS",
            hint="-30 is enough for a meter",
        )
    highest_hz = tone.frequency_hz if tone.kind == "sine" else tone.high_hz
    if highest_hz > 0.45 * tone.sample_rate_hz:
        raise AuditorError(
            "too near to half the sampling rate",
            where="--frequency-hz" if tone.kind == "sine" else "--high-hz",
            got=f"{highest_hz:g} Hz",
            allowed=f"up to {0.45 * tone.sample_rate_hz:g} Hz at {tone.sample_rate_hz} Hz",
        )
    if tone.kind == "pink" and tone.high_hz < 2.0 * tone.low_hz:
        raise AuditorError(
            "the noise must be an octave wide at least",
            where="--high-hz",
            got=f"{tone.low_hz:g} to {tone.high_hz:g} Hz",
            allowed=f"at least {2.0 * tone.low_hz:g} Hz",
        )


def _sine(tone: Tone) -> tuple[At, int]:
    """The sine at any samples, and a whole number of its cycles to the nearest sample."""
    per_sample = tone.frequency_hz / tone.sample_rate_hz
    amplitude = db_to_amplitude(tone.level_dbfs)
    length = round(math.ceil(tone.duration_s * tone.frequency_hz) / per_sample)
    return lambda index: amplitude * np.sin(2.0 * np.pi * per_sample * index), length


def _pink(tone: Tone) -> tuple[At, int]:
    """The noise at any samples, and a whole number of its periods."""
    from scipy.fft import irfft, next_fast_len, rfft

    count = math.ceil(tone.duration_s / _LONGEST_PERIOD_S)
    length = next_fast_len(math.ceil(tone.duration_s * tone.sample_rate_hz / count), real=True)
    frequency_hz = np.fft.rfftfreq(length, 1.0 / tone.sample_rate_hz)
    inside = (frequency_hz >= tone.low_hz) & (frequency_hz <= tone.high_hz)
    amplitude = np.zeros(len(frequency_hz))
    amplitude[inside] = 1.0 / np.sqrt(frequency_hz[inside])
    # rms of the sum: half the square of each amplitude, by Parseval.
    amplitude *= length / 2.0 / math.sqrt(0.5 * float(np.square(amplitude).sum()))
    turned = np.random.default_rng(_SEED).uniform(0.0, 2.0 * np.pi, len(frequency_hz))
    wave = irfft(amplitude * np.exp(1j * turned), length)
    for _ in range(_MOST_TURNS):
        if float(np.abs(wave).max()) <= MOST_CREST:
            break
        spectrum = rfft(np.clip(wave, -_CLIP_AT, _CLIP_AT))
        wave = irfft(amplitude * np.exp(1j * np.angle(spectrum)), length)
    rms = db_to_amplitude(tone.level_dbfs) / math.sqrt(2.0)
    # Should a peak be left, it is the only thing that is not as asked: full scale is never passed.
    period = rms * np.clip(wave, -MOST_CREST, MOST_CREST)
    return lambda index: period[index % length], count * length


@dataclass(frozen=True, kw_only=True)
class Written:
    """What stands in the file.

    level_dbfs : float
        Between the fades, as written.
    peak_dbfs : float
        Highest sample.
    duration_s : float
        Between the fades.
    """

    level_dbfs: float
    peak_dbfs: float
    duration_s: float


def write(tone: Tone, target: Path, container: Container) -> Written:
    """Write the signal, 24 bits, the same in both channels, and measure it on the way.

    Raises
    ------
    AuditorError
        If the tone cannot be, or the file cannot be written.
    """
    import soundfile

    lengths, squares, peaks = [], [], []
    try:
        with soundfile.SoundFile(
            str(target) if os.name == "nt" else os.fsencode(target),
            "w",
            tone.sample_rate_hz,
            CHANNELS,
            "PCM_24",
            format=container,
        ) as sound:
            for each in samples(tone):
                sound.write(np.repeat(each[:, None], CHANNELS, axis=1))
                lengths.append(len(each))
                squares.append(float(np.square(each).sum()))
                peaks.append(float(np.abs(each).max()))
    except (soundfile.LibsndfileError, AssertionError, OSError) as error:
        # libsndfile says no more than "System error", and soundfile asserts that all was taken.
        reason = getattr(error, "strerror", None) or "the disk is full, or has gone"
        raise AuditorError(f"cannot be written: {reason}") from None
    steady = slice(1, -1)  # first and last are the fades
    length = sum(lengths[steady])
    return Written(
        level_dbfs=amplitude_to_db(math.sqrt(2.0 * sum(squares[steady]) / length)),
        peak_dbfs=amplitude_to_db(max(peaks)),
        duration_s=length / tone.sample_rate_hz,
    )
