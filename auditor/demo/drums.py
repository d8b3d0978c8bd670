"""Drums and cymbals of the demonstration set, built from modes and shaped noise.

A drum is a few decaying modes whose pitch drops as the stretched head relaxes, plus the noise of the stroke. A cymbal
is hundreds of inharmonic modes: the high ones take a few milliseconds to fill up and die first. Every function
returns one mono stroke, shape=(n,), with a largest sample near 1.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

from auditor.demo.mixing import Samples, seeded


def _time_s(duration_s: float, sample_rate_hz: int) -> Samples:
    return np.arange(round(duration_s * sample_rate_hz)) / sample_rate_hz


def _unit(sound: Samples) -> Samples:
    return np.asarray(sound / max(float(np.abs(sound).max()), 1e-9))


def _noise(count: int, *, low_hz: float, high_hz: float, sample_rate_hz: int, seed: int) -> Samples:
    sos = signal.butter(2, (low_hz, high_hz), "bandpass", fs=sample_rate_hz, output="sos")
    sound = np.asarray(signal.sosfilt(sos, seeded(seed).standard_normal(count + 512)))[512:]
    return np.asarray(sound / float(np.std(sound)))


def _swept_tone(time_s: Samples, *, start_hz: float, end_hz: float, drop_s: float) -> Samples:
    frequency_hz = end_hz + (start_hz - end_hz) * np.exp(-time_s / drop_s)
    step_s = float(time_s[1] - time_s[0])
    return np.asarray(np.sin(2.0 * np.pi * np.cumsum(frequency_hz) * step_s))


def kick(*, sample_rate_hz: int, seed: int, tight: bool) -> Samples:
    """Strike a bass drum; `tight` gives the short, deep electronic one."""
    time_s = _time_s(0.45 if tight else 0.6, sample_rate_hz)
    if tight:
        body = _swept_tone(time_s, start_hz=320.0, end_hz=48.0, drop_s=0.028) * np.exp(-time_s / 0.11)
        snap = 0.35
    else:
        body = _swept_tone(time_s, start_hz=120.0, end_hz=58.0, drop_s=0.05) * np.exp(-time_s / 0.14)
        body += 0.25 * _swept_tone(time_s, start_hz=190.0, end_hz=104.0, drop_s=0.04) * np.exp(-time_s / 0.07)
        snap = 0.18
    click = _noise(len(time_s), low_hz=1200.0, high_hz=6000.0, sample_rate_hz=sample_rate_hz, seed=seed)
    sound = body + snap * 0.4 * click * np.exp(-time_s / 0.004)
    return _unit(sound * np.clip((time_s[-1] - time_s) / 0.05, 0.0, 1.0))


def snare(*, sample_rate_hz: int, force: float, seed: int) -> Samples:
    """Strike a side drum; wires and shell get brighter with `force` (0 to 1)."""
    time_s = _time_s(0.4, sample_rate_hz)
    shell = np.zeros(len(time_s))
    for mode_hz, level, decay_s in ((186.0, 1.0, 0.085), (278.0, 0.55, 0.06), (331.0, 0.4, 0.05), (467.0, 0.25, 0.035)):
        shell += (
            level
            * _swept_tone(time_s, start_hz=1.25 * mode_hz, end_hz=mode_hz, drop_s=0.012)
            * np.exp(-time_s / decay_s)
        )
    wires = _noise(
        len(time_s), low_hz=1100.0, high_hz=4500.0 + 5500.0 * force, sample_rate_hz=sample_rate_hz, seed=seed
    )
    rattle = wires * (np.exp(-time_s / 0.02) + 0.45 * np.exp(-time_s / (0.05 + 0.05 * force)))
    return _unit(shell + (0.12 + 0.14 * force) * rattle)


def tom(frequency_hz: float, *, sample_rate_hz: int, seed: int) -> Samples:
    """Strike a tom tuned to `frequency_hz`."""
    time_s = _time_s(0.9, sample_rate_hz)
    sound = np.zeros(len(time_s))
    for ratio, level, decay_s in ((1.0, 1.0, 0.22), (1.59, 0.4, 0.12), (2.14, 0.22, 0.09), (2.65, 0.12, 0.06)):
        mode_hz = ratio * frequency_hz
        sound += (
            level
            * _swept_tone(time_s, start_hz=1.3 * mode_hz, end_hz=mode_hz, drop_s=0.035)
            * np.exp(-time_s / decay_s)
        )
    stick = _noise(len(time_s), low_hz=900.0, high_hz=5000.0, sample_rate_hz=sample_rate_hz, seed=seed)
    return _unit(sound + 0.16 * stick * np.exp(-time_s / 0.006))


def frame_drum(*, sample_rate_hz: int, rim: bool, seed: int) -> Samples:
    """Strike a hand-held frame drum, in the middle or at its rim."""
    time_s = _time_s(0.8, sample_rate_hz)
    modes = ((92.0, 1.0, 0.2), (150.0, 0.5, 0.12), (204.0, 0.35, 0.09))
    if rim:
        modes = ((204.0, 0.5, 0.09), (330.0, 0.7, 0.07), (540.0, 0.6, 0.05))
    sound = np.zeros(len(time_s))
    for mode_hz, level, decay_s in modes:
        sound += (
            level
            * _swept_tone(time_s, start_hz=1.15 * mode_hz, end_hz=mode_hz, drop_s=0.03)
            * np.exp(-time_s / decay_s)
        )
    skin = _noise(len(time_s), low_hz=400.0, high_hz=3500.0, sample_rate_hz=sample_rate_hz, seed=seed)
    return _unit(sound + (0.2 if rim else 0.08) * skin * np.exp(-time_s / 0.012))


def clap(*, sample_rate_hz: int, seed: int) -> Samples:
    """Clap a handful of hands not quite together."""
    time_s = _time_s(0.35, sample_rate_hz)
    noise = _noise(len(time_s), low_hz=900.0, high_hz=7500.0, sample_rate_hz=sample_rate_hz, seed=seed)
    envelope = np.exp(-np.maximum(time_s - 0.031, 0.0) / 0.07) * (time_s >= 0.031) * 0.8
    for start_s in (0.0, 0.011, 0.021):
        envelope += np.exp(-np.maximum(time_s - start_s, 0.0) / 0.004) * (time_s >= start_s)
    return _unit(noise * envelope)


def cymbal(
    *,
    sample_rate_hz: int,
    duration_s: float,
    decay_s: float,
    low_hz: float,
    modes: int,
    wash: float,
    seed: int,
    ping_hz: float | None = None,
) -> Samples:
    """Strike a cymbal.

    Parameters
    ----------
    sample_rate_hz : int
    duration_s, decay_s : float
        Length, and time for the low modes to fall by 60 dB [s].
    low_hz : float
        Where its modes begin [Hz].
    modes : int
        How many.
    wash : float
        Noise-like part against the modes, 0 to 1.
    seed : int
    ping_hz : float, optional
        The stick's own clear tone on a ride cymbal [Hz].
    """
    random = seeded(seed)
    time_s = _time_s(duration_s, sample_rate_hz)
    sound = np.zeros(len(time_s))
    modes_hz = np.sort(low_hz * (16000.0 / low_hz) ** random.random_sample(modes))
    for mode_hz in modes_hz:
        relative = float(mode_hz) / 3000.0
        fall_s = decay_s / 6.9 / (0.6 + 0.5 * relative)
        fill_s = 0.002 + 0.010 * min(relative, 2.0)
        level = random.uniform(0.4, 1.0) / (1.0 + 0.35 * relative**1.3)
        # A mode is written from its audible part only; the rest of a long clip would be numerical dust.
        count = min(len(time_s), round(9.0 * fall_s * sample_rate_hz))
        part_s = time_s[:count]
        tone = np.sin(2.0 * np.pi * mode_hz * part_s + random.uniform(0.0, 6.28))
        sound[:count] += level * tone * np.exp(-part_s / fall_s) * (1.0 - 0.85 * np.exp(-part_s / fill_s))
    sound /= float(np.std(sound[: sample_rate_hz // 10]))
    noise = _noise(
        len(time_s), low_hz=max(low_hz, 2500.0), high_hz=15000.0, sample_rate_hz=sample_rate_hz, seed=seed + 1
    )
    stroke = 0.3 * np.exp(-time_s / 0.012) + np.exp(-time_s * 6.9 / (0.55 * decay_s))
    sound = (1.0 - wash) * sound + wash * noise * stroke
    if ping_hz is not None:
        sound += 1.6 * np.sin(2.0 * np.pi * ping_hz * time_s) * np.exp(-time_s / 0.09)
    return _unit(sound * np.clip((duration_s - time_s) / 0.1, 0.0, 1.0))


def hat(*, sample_rate_hz: int, open_s: float, seed: int) -> Samples:
    """Strike a hi-hat; `open_s` is its ring (0.05 closed, 0.4 open) [s]."""
    return cymbal(
        sample_rate_hz=sample_rate_hz,
        duration_s=2.2 * open_s + 0.1,
        decay_s=3.0 * open_s,
        low_hz=2600.0,
        modes=90,
        wash=0.55,
        seed=seed,
    )


def ride(*, sample_rate_hz: int, seed: int) -> Samples:
    """Strike a ride cymbal: a ping over a long, quiet wash."""
    return cymbal(
        sample_rate_hz=sample_rate_hz,
        duration_s=2.2,
        decay_s=3.2,
        low_hz=420.0,
        modes=170,
        wash=0.25,
        seed=seed,
        ping_hz=3130.0,
    )


def mallet_crash(*, sample_rate_hz: int, seed: int) -> Samples:
    """Touch a crash cymbal with a soft mallet: it speaks late and without a stroke."""
    sound = crash(sample_rate_hz=sample_rate_hz, seed=seed)[: round(1.6 * sample_rate_hz)]
    time_s = np.arange(len(sound)) / sample_rate_hz
    return _unit(sound * np.clip(time_s / 0.05, 0.0, 1.0) * np.clip((time_s[-1] - time_s) / 0.4, 0.0, 1.0))


def crash(*, sample_rate_hz: int, seed: int) -> Samples:
    """Strike a crash cymbal."""
    return cymbal(
        sample_rate_hz=sample_rate_hz, duration_s=3.6, decay_s=3.6, low_hz=330.0, modes=260, wash=0.5, seed=seed
    )
