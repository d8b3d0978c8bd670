"""The mixing desk of the demonstration set: placing sounds on a bus, room, equaliser, compressor, limiter.

A mono sound is an array of shape=(n,), a bus of shape=(channels, n). Everything is plain double-precision numpy and
scipy with fixed seeds, so that a second rendering gives the same 16-bit samples.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

Samples = NDArray[np.float64]

_GAIN_STEP = 64  # samples between two gain values of the compressor: 1.5 ms, well under its attack


def seeded(seed: int) -> np.random.RandomState:
    """Return the random source of one sound.

    Notes
    -----
    The legacy generator on purpose: numpy promises that its streams never change, which it does not promise for
    `default_rng`, and the shipped clips have to stay reproducible.
    """
    return np.random.RandomState(seed)


def amplitude(gain_db: float) -> float:
    """Return the amplitude ratio of a gain."""
    return float(10.0 ** (gain_db / 20.0))


def silent_bus(channels: int, *, duration_s: float, sample_rate_hz: int) -> Samples:
    """Return an empty bus, shape=(channels, n)."""
    return np.zeros((channels, round(duration_s * sample_rate_hz)))


def place(
    bus: Samples, sound: Samples, *, start_s: float, sample_rate_hz: int, gain_db: float = 0.0, position: float = 0.0
) -> None:
    """Add a mono sound to a bus, panned with constant power.

    Parameters
    ----------
    bus : ndarray [shape=(channels, n)]
        One or two channels; changed in place. What runs past its end is dropped.
    sound : ndarray [shape=(m,)]
    start_s : float
        Where it starts [s].
    sample_rate_hz : int
    gain_db : float
    position : float
        From -1 (left) to 1 (right); without effect on a mono bus.
    """
    first = round(start_s * sample_rate_hz)
    length = min(len(sound), bus.shape[1] - first)
    if length <= 0:
        return
    angle = (position + 1.0) * math.pi / 4.0
    gains = (1.0,) if bus.shape[0] == 1 else (math.cos(angle) * math.sqrt(2.0), math.sin(angle) * math.sqrt(2.0))
    for channel, gain in zip(bus, gains, strict=True):
        channel[first : first + length] += gain * amplitude(gain_db) * sound[:length]


def room(
    bus: Samples,
    *,
    sample_rate_hz: int,
    decay_s: float,
    level_db: float,
    seed: int,
    predelay_s: float = 0.012,
) -> Samples:
    """Return the bus with the sound of a room added.

    Parameters
    ----------
    bus : ndarray [shape=(channels, n)]
    sample_rate_hz : int
    decay_s : float
        Time to fall by 60 dB at mid frequencies [s]; timber and air shorten it towards high frequencies.
    level_db : float
        Energy of the room's response against the direct sound [dB].
    seed : int
    predelay_s : float
        Gap before the first reflection [s].
    """
    wet = np.empty_like(bus)
    send = bus.mean(axis=0)
    for index in range(bus.shape[0]):
        response = _room_response(
            sample_rate_hz=sample_rate_hz, decay_s=decay_s, predelay_s=predelay_s, random=seeded(seed + index)
        )
        # Each side hears mostly itself and a good part of the other side: walls do not know left from right.
        source = 0.6 * bus[index] + 0.4 * send
        wet[index] = signal.fftconvolve(source, response)[: bus.shape[1]]
    return np.asarray(bus + amplitude(level_db) * wet)


def _room_response(*, sample_rate_hz: int, decay_s: float, predelay_s: float, random: np.random.RandomState) -> Samples:
    count = round(1.2 * decay_s * sample_rate_hz)
    time_s = np.arange(count) / sample_rate_hz
    noise = random.standard_normal(count)
    bands = ((60.0, 500.0, 1.15), (500.0, 2500.0, 1.0), (2500.0, 7000.0, 0.7), (7000.0, 15000.0, 0.4))
    late = np.zeros(count)
    for low_hz, high_hz, share in bands:
        sos = signal.butter(2, (low_hz, high_hz), "bandpass", fs=sample_rate_hz, output="sos")
        late += signal.sosfilt(sos, noise) * 10.0 ** (-3.0 * time_s / (decay_s * share))
    late *= 1.0 - np.exp(-time_s / 0.02)
    late /= math.sqrt(float(np.sum(late**2)))
    early = np.zeros(count)
    for delay_s in np.sort(random.uniform(0.002, 0.07, 11)):
        early[round(delay_s * sample_rate_hz)] += random.choice([-1.0, 1.0]) * math.exp(-delay_s / 0.03)
    early = np.asarray(signal.sosfilt(signal.butter(1, 5000.0, fs=sample_rate_hz, output="sos"), early))
    early /= math.sqrt(float(np.sum(early**2)))
    return np.concatenate((np.zeros(round(predelay_s * sample_rate_hz)), 0.8 * late + 0.6 * early))


def echo(bus: Samples, *, sample_rate_hz: int, delay_s: float, level_db: float, repeats: int = 4) -> Samples:
    """Return the bus with ping-pong repeats, each darker than the one before."""
    out = bus.copy()
    tap = bus
    gap = round(delay_s * sample_rate_hz)
    sos = signal.butter(1, (250.0, 5000.0), "bandpass", fs=sample_rate_hz, output="sos")
    for _ in range(repeats):
        tap = np.asarray(signal.sosfilt(sos, tap[::-1], axis=1)) * amplitude(level_db)
        tap = np.concatenate((np.zeros((tap.shape[0], gap)), tap[:, :-gap]), axis=1)
        out += tap
    return out


def shelf(bus: Samples, *, sample_rate_hz: int, frequency_hz: float, gain_db: float, high: bool) -> Samples:
    """Return the bus through a second-order shelf (the cookbook form, slope 0.8)."""
    root, omega = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * frequency_hz / sample_rate_hz
    sign = 1.0 if high else -1.0
    cosine = sign * math.cos(omega)
    alpha = math.sin(omega) / 2.0 * math.sqrt((root + 1.0 / root) * (1.0 / 0.8 - 1.0) + 2.0)
    edge = 2.0 * math.sqrt(root) * alpha
    numerator = (
        root * ((root + 1) + (root - 1) * cosine + edge),
        -2.0 * root * sign * ((root - 1) + (root + 1) * cosine),
        root * ((root + 1) + (root - 1) * cosine - edge),
    )
    denominator = (
        (root + 1) - (root - 1) * cosine + edge,
        2.0 * sign * ((root - 1) - (root + 1) * cosine),
        (root + 1) - (root - 1) * cosine - edge,
    )
    return np.asarray(signal.lfilter(numerator, denominator, bus))


def bell(bus: Samples, *, sample_rate_hz: int, frequency_hz: float, gain_db: float, q: float) -> Samples:
    """Return the bus through a parametric bell (the cookbook form)."""
    root, omega = 10.0 ** (gain_db / 40.0), 2.0 * math.pi * frequency_hz / sample_rate_hz
    alpha, cosine = math.sin(omega) / (2.0 * q), -2.0 * math.cos(omega)
    numerator = (1.0 + alpha * root, cosine, 1.0 - alpha * root)
    denominator = (1.0 + alpha / root, cosine, 1.0 - alpha / root)
    return np.asarray(signal.lfilter(numerator, denominator, bus))


def compress(
    bus: Samples,
    *,
    sample_rate_hz: int,
    threshold_dbfs: float,
    ratio: float,
    attack_s: float,
    release_s: float,
    makeup_db: float,
) -> Samples:
    """Return the bus through a feed-forward compressor, both channels moved together.

    Notes
    -----
    Level is the rms of 64-sample steps; the gain in dB follows with one-pole attack and release.
    """
    count = -(-bus.shape[1] // _GAIN_STEP)
    padded = np.pad(bus, ((0, 0), (0, count * _GAIN_STEP - bus.shape[1])))
    power = np.mean(padded.reshape(bus.shape[0], count, _GAIN_STEP) ** 2, axis=2).max(axis=0)
    level_dbfs = 10.0 * np.log10(2.0 * power + 1e-12)
    wanted_db = np.minimum(0.0, (threshold_dbfs - level_dbfs) * (1.0 - 1.0 / ratio))
    step_s = _GAIN_STEP / sample_rate_hz
    attack, release = math.exp(-step_s / attack_s), math.exp(-step_s / release_s)
    gain_db, gains_db = 0.0, np.empty(count)
    for index, target_db in enumerate(wanted_db.tolist()):
        keep = attack if target_db < gain_db else release
        gain_db = keep * gain_db + (1.0 - keep) * target_db
        gains_db[index] = gain_db
    centres = (np.arange(count) + 0.5) * _GAIN_STEP
    smooth_db = np.interp(np.arange(bus.shape[1]), centres, gains_db)
    return np.asarray(bus * 10.0 ** ((smooth_db + makeup_db) / 20.0))


def limit(bus: Samples, *, sample_rate_hz: int, ceiling_dbfs: float, lookahead_s: float = 0.0015) -> Samples:
    """Return the bus through a look-ahead peak limiter that never passes its ceiling."""
    ceiling = amplitude(ceiling_dbfs)
    width = 2 * round(lookahead_s * sample_rate_hz) + 1
    peak = np.abs(bus).max(axis=0)
    wanted = np.minimum(1.0, ceiling / np.maximum(peak, 1e-9))
    held = ndimage.minimum_filter1d(wanted, 2 * width + 1)
    # A mean over less than the held width never rises above the gain a peak needs, so the ceiling holds.
    smooth = ndimage.uniform_filter1d(ndimage.uniform_filter1d(held, width), width)
    return np.asarray(np.clip(bus * smooth, -ceiling, ceiling))


def saturate(bus: Samples, *, ceiling_dbfs: float) -> Samples:
    """Return the bus bent softly (a hyperbolic tangent) under a ceiling, as an overdriven output stage would."""
    ceiling = amplitude(ceiling_dbfs)
    return np.asarray(ceiling * np.tanh(bus / ceiling))


def fade(bus: Samples, *, sample_rate_hz: int, in_s: float, out_s: float) -> Samples:
    """Return the bus with raised-cosine ends."""
    gain = np.ones(bus.shape[1])
    first, last = round(in_s * sample_rate_hz), round(out_s * sample_rate_hz)
    gain[:first] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(first) / max(first, 1))
    gain[len(gain) - last :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(last) / max(last, 1))
    return np.asarray(bus * gain)


def normalise(bus: Samples, *, peak_dbfs: float) -> Samples:
    """Return the bus scaled so that its largest sample stands at `peak_dbfs`."""
    return np.asarray(bus * (amplitude(peak_dbfs) / float(np.abs(bus).max())))


def to_pcm16(bus: Samples) -> NDArray[np.int16]:
    """Return 16-bit samples, shape=(n, channels), rounded to nearest without dither so that they repeat exactly."""
    return np.clip(np.rint(bus.T * 32767.0), -32768, 32767).astype(np.int16)
