"""Pitched voices of the demonstration set: plucked and bowed strings, synthesiser chords, bass, bell-like plucks.

Every function returns one mono note, shape=(n,), with a largest sample near 1.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import signal

from auditor.demo.mixing import Samples, seeded


def note_hz(midi: float) -> float:
    """Return the frequency of a MIDI note number, equal temperament, A4 (69) = 440 Hz [Hz]."""
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def _time_s(duration_s: float, sample_rate_hz: int) -> Samples:
    return np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz


def _unit(sound: Samples) -> Samples:
    return np.asarray(sound / max(float(np.abs(sound).max()), 1e-9))


def plucked(
    frequency_hz: float, *, duration_s: float, sample_rate_hz: int, force: float, seed: int, decay_s: float = 3.0
) -> Samples:
    """Pluck a steel string (Karplus and Strong's loop with a tuned, damped delay).

    Parameters
    ----------
    frequency_hz : float
    duration_s : float
        The string is damped at the end of it [s].
    sample_rate_hz : int
    force : float
        0 to 1; a harder pluck is brighter as well as louder.
    seed : int
    decay_s : float
        Time for the fundamental to fall by 60 dB [s].
    """
    period = sample_rate_hz / frequency_hz
    damping = 0.5 - 0.3 * force  # share of the neighbouring sample in the loop: more is darker
    delay = int(period - damping)
    fraction = period - damping - delay
    loss = 10.0 ** (-3.0 / (decay_s * frequency_hz))
    loop = loss * np.convolve((1.0 - damping, damping), (1.0 - fraction, fraction))
    feedback = np.zeros(delay + 3)
    feedback[0] = 1.0
    feedback[delay : delay + 3] -= loop
    count = round(duration_s * sample_rate_hz)
    burst = np.zeros(count)
    length = min(count, round(period))
    burst[:length] = seeded(seed).uniform(-1.0, 1.0, length)
    smooth_hz = min(0.45 * sample_rate_hz, 900.0 + 9000.0 * force**1.5)
    burst = np.asarray(signal.lfilter(*signal.butter(1, smooth_hz, fs=sample_rate_hz), burst))
    pick = max(1, round(0.17 * period))  # plucked at about a sixth of its length: a comb in the spectrum
    burst[pick:] -= 0.8 * burst[:-pick].copy()
    sound = np.asarray(signal.lfilter((1.0,), feedback, burst))
    sound = np.asarray(signal.lfilter(*signal.butter(1, 40.0, "highpass", fs=sample_rate_hz), sound))
    tail = min(count, round(0.04 * sample_rate_hz))
    sound[count - tail :] *= np.linspace(1.0, 0.0, tail)
    return _unit(sound)


def bowed(
    frequency_hz: float, *, duration_s: float, sample_rate_hz: int, pressure: float, swell_s: float, seed: int
) -> Samples:
    """Bow a string: a sawtooth's harmonics through a fiddle-like body, with vibrato, bow noise and a swell.

    Parameters
    ----------
    frequency_hz : float
    duration_s : float
    sample_rate_hz : int
    pressure : float
        0 to 1; more pressure, more upper harmonics.
    swell_s : float
        Time to full loudness [s].
    seed : int
    """
    random = seeded(seed)
    time_s = _time_s(duration_s, sample_rate_hz)
    depth = 0.0045 * np.clip((time_s - 0.25) / 0.5, 0.0, 1.0)
    knots = int(duration_s * 10.0) + 2
    wander = np.interp(time_s, 0.1 * np.arange(knots), random.standard_normal(knots))
    vibrato = 1.0 + depth * np.sin(2.0 * np.pi * 5.3 * time_s + random.uniform(0, 6.0)) + 0.0008 * wander
    phase = 2.0 * np.pi * np.cumsum(frequency_hz * vibrato) / sample_rate_hz
    sound = np.zeros(len(time_s))
    for harmonic in range(1, int(min(14000.0, 0.45 * sample_rate_hz) / frequency_hz) + 1):
        partial_hz = harmonic * frequency_hz
        sound += np.sin(harmonic * phase) / harmonic * _body_gain(partial_hz, pressure)
    hair = signal.sosfilt(
        signal.butter(1, (1500.0, 6000.0), "bandpass", fs=sample_rate_hz, output="sos"),
        random.standard_normal(len(sound)),
    )
    sound += 0.02 * hair
    release = np.clip((duration_s - time_s) / 0.18, 0.0, 1.0)
    envelope = (1.0 - np.exp(-3.0 * time_s / swell_s)) * release * (1.0 + 0.04 * wander)
    return _unit(sound * envelope)


def _body_gain(partial_hz: float, pressure: float) -> float:
    """Amplitude of a fiddle body: a few broad resonances, then a fall that bow pressure pushes upward."""
    resonances = ((280.0, 0.25, 0.8), (460.0, 0.2, 1.0), (1050.0, 0.35, 0.7), (2600.0, 0.45, 0.9))
    peaks = sum(height * math.exp(-((math.log2(partial_hz / hz) / width) ** 2)) for hz, width, height in resonances)
    return (0.35 + peaks) / (1.0 + (partial_hz / (2200.0 + 3500.0 * pressure)) ** 2)


def saw_chord(
    notes: tuple[float, ...], *, duration_s: float, sample_rate_hz: int, cutoff_hz: float, seed: int, side: int
) -> Samples:
    """Play a synthesiser chord of seven detuned sawtooths a note; the two sides differ in phase and detune."""
    random = seeded(seed * 2 + side)
    time_s = _time_s(duration_s, sample_rate_hz)
    sound = np.zeros(len(time_s))
    for midi in notes:
        for detune in np.linspace(-0.14, 0.14, 7):
            frequency_hz = note_hz(midi + detune * random.uniform(0.85, 1.15))
            sound += _saw(frequency_hz, time_s=time_s, start=random.random_sample(), sample_rate_hz=sample_rate_hz)
    sos = signal.butter(2, cutoff_hz, fs=sample_rate_hz, output="sos")
    envelope = np.clip(time_s / 0.006, 0, 1) * np.clip((duration_s - time_s) / 0.05, 0, 1)
    return _unit(np.asarray(signal.sosfilt(sos, sound)) * envelope)


def _saw(frequency_hz: float, *, time_s: Samples, start: float, sample_rate_hz: int) -> Samples:
    """A sawtooth with its step rounded over two samples, which keeps aliasing out of the top octave."""
    step = frequency_hz / sample_rate_hz
    phase = (frequency_hz * time_s + start) % 1.0
    rise, fall = phase / step, (phase - 1.0) / step
    corner = np.where(
        phase < step, 2.0 * rise - rise**2 - 1.0, np.where(phase > 1.0 - step, fall**2 + 2.0 * fall + 1.0, 0.0)
    )
    return np.asarray(2.0 * phase - 1.0 - corner)


def bass_note(midi: float, *, duration_s: float, sample_rate_hz: int) -> Samples:
    """Play a synthesiser bass: a strong fundamental under harmonics that close like a filter."""
    time_s = _time_s(duration_s, sample_rate_hz)
    frequency_hz = note_hz(midi)
    sound = 1.1 * np.sin(2.0 * np.pi * frequency_hz * time_s)
    for harmonic in range(2, 26):
        fall = np.exp(-time_s * (2.0 + 0.9 * harmonic))
        sound += np.sin(2.0 * np.pi * harmonic * frequency_hz * time_s) / harmonic * fall * 0.9
    envelope = np.clip(time_s / 0.004, 0, 1) * np.clip((duration_s - time_s) / 0.03, 0, 1)
    return _unit(np.tanh(1.3 * sound) * envelope)


def glass_pluck(midi: float, *, duration_s: float, sample_rate_hz: int, bright: float) -> Samples:
    """Play a bright, glassy pluck whose upper harmonics die first; `bright` (0 to 1) slows that."""
    time_s = _time_s(duration_s, sample_rate_hz)
    frequency_hz = note_hz(midi)
    sound = np.zeros(len(time_s))
    for harmonic in range(1, int(15000.0 / frequency_hz) + 1):
        fall = np.exp(-time_s * (5.0 + (2.6 - 1.8 * bright) * harmonic))
        stretch = harmonic * math.sqrt(1.0 + 0.0004 * harmonic**2)
        sound += np.sin(2.0 * np.pi * stretch * frequency_hz * time_s + 0.7 * harmonic) / harmonic**0.8 * fall
    return _unit(sound * np.clip(time_s / 0.001, 0, 1) * np.clip((duration_s - time_s) / 0.02, 0, 1))


def riser(*, duration_s: float, sample_rate_hz: int, seed: int) -> Samples:
    """Sweep noise upward, the way a dance tune announces its next part."""
    time_s = _time_s(duration_s, sample_rate_hz)
    noise = seeded(seed).standard_normal(len(time_s))
    sound = np.zeros(len(time_s))
    centres_hz = np.geomspace(300.0, 12000.0, 14)
    sweep_hz = 300.0 * (9000.0 / 300.0) ** (time_s / duration_s)
    for centre_hz in centres_hz:
        sos = signal.butter(1, (centre_hz / 1.2, centre_hz * 1.2), "bandpass", fs=sample_rate_hz, output="sos")
        sound += np.asarray(signal.sosfilt(sos, noise)) * np.exp(-((np.log2(sweep_hz / centre_hz) / 0.8) ** 2))
    return _unit(sound * (time_s / duration_s) ** 2)
