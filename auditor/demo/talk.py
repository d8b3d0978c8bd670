"""Clips with a microphone in them: the steward's announcement, the squeal, and the line check that is left running."""

from __future__ import annotations

import math

import numpy as np
from scipy import signal

from auditor.demo import mixing, speech
from auditor.demo.mixing import Samples, amplitude

_ANNOUNCEMENT = (
    "g uh1 d iy1 v n ih ng , v eh1 l ax n w ih k . "
    "w eh1 l k ax m t ax dh ax h aa1 r v ih s t d ae1 n s . "
    "p l iy1 z k iy1 p dh ax b aa1 r n d ao1 r z k l ih1 r , "
    "ax n d m ay1 n d dh ax s t eh1 p b ay dh ax s ay1 d er p r eh1 s . "
    "dh ax f er1 s t s eh1 t s t aa1 r t s ae t ey1 t . "
    "ch ih1 l d r ax n t ax dh ax f r ah1 n t , sh iy1 p s t ey1 aw t s ay1 d . "
    "th ae1 ng k y uw1 , ae n d d ae1 n s w eh1 l ."
)
_QUESTION = "k ae1 n y uw h iy1 r m iy , ae t dh ax b ae1 k . ay l t er1 n ih t ah1 p ."
_TONE_DBFS = -3.0  # loud enough that the lamp cannot save the driver
_LINE_CHECK = "l ay1 n ch eh1 k , l eh1 f t t ao1 p , w ah1 n t uw1 ."


def _hush(count: int, *, sample_rate_hz: int, level_dbfs: float, seed: int) -> Samples:
    """The quiet of a barn full of people: low noise, some of it from throats and feet."""
    noise = mixing.seeded(seed).standard_normal(count)
    rumble = signal.sosfilt(signal.butter(1, (40.0, 400.0), "bandpass", fs=sample_rate_hz, output="sos"), noise)
    air = signal.sosfilt(signal.butter(1, (400.0, 4000.0), "bandpass", fs=sample_rate_hz, output="sos"), noise)
    sound = rumble / float(np.std(rumble)) + 0.25 * air / float(np.std(air))
    return np.asarray(amplitude(level_dbfs) * sound)


def announcement(*, sample_rate_hz: int) -> Samples:
    """Let a steward open the evening: speech with pauses, in the room, over a quiet crowd.

    Returns
    -------
    ndarray [shape=(1, n)]
    """
    voice = speech.speak(_ANNOUNCEMENT, sample_rate_hz=sample_rate_hz, pitch_hz=128.0, pace=1.12, seed=11)
    voice = mixing.shelf(voice, sample_rate_hz=sample_rate_hz, frequency_hz=160.0, gain_db=-6.0, high=False)
    bus = mixing.silent_bus(1, duration_s=1.2 + len(voice) / sample_rate_hz + 0.8, sample_rate_hz=sample_rate_hz)
    mixing.place(bus, voice, start_s=1.0, sample_rate_hz=sample_rate_hz)
    bus = mixing.room(bus, sample_rate_hz=sample_rate_hz, decay_s=0.9, level_db=-13.0, seed=12)
    bus = mixing.normalise(bus, peak_dbfs=-7.0)
    bus += _hush(bus.shape[1], sample_rate_hz=sample_rate_hz, level_dbfs=-62.0, seed=13)
    return mixing.fade(bus, sample_rate_hz=sample_rate_hz, in_s=0.2, out_s=0.5)


def feedback(*, sample_rate_hz: int) -> Samples:
    """Turn the talking microphone up until it rings: the ring grows by 13 dB a second, is caught and pulled down.

    Returns
    -------
    ndarray [shape=(1, n)]
    """
    bus = mixing.silent_bus(1, duration_s=18.4, sample_rate_hz=sample_rate_hz)
    voice = speech.speak(_QUESTION, sample_rate_hz=sample_rate_hz, pitch_hz=196.0, pace=1.05, seed=21)
    mixing.place(bus, voice, start_s=0.8, sample_rate_hz=sample_rate_hz, gain_db=-12.0)
    question = speech.speak("s ao1 r iy .", sample_rate_hz=sample_rate_hz, pitch_hz=205.0, pace=1.0, seed=22)
    mixing.place(bus, question, start_s=16.9, sample_rate_hz=sample_rate_hz, gain_db=-14.0)
    # On the edge of ringing, the loop already rings after every loud syllable.
    edge = signal.lfilter(*signal.iirpeak(3360.0, 170.0, fs=sample_rate_hz), bus)
    bus += 2.5 * edge
    time_s = np.arange(bus.shape[1]) / sample_rate_hz
    bus += _squeal(time_s, start_s=5.0, growth_db_per_s=13.0, ceiling_dbfs=-3.8, caught_s=12.6, frequency_hz=3360.0)
    bus += _squeal(time_s, start_s=13.9, growth_db_per_s=34.0, ceiling_dbfs=-22.0, caught_s=15.5, frequency_hz=3710.0)
    bus = mixing.room(bus, sample_rate_hz=sample_rate_hz, decay_s=0.8, level_db=-22.0, seed=23)
    bus += _hush(bus.shape[1], sample_rate_hz=sample_rate_hz, level_dbfs=-60.0, seed=24)
    return mixing.fade(bus, sample_rate_hz=sample_rate_hz, in_s=0.2, out_s=0.5)


def _squeal(
    time_s: Samples,
    *,
    start_s: float,
    growth_db_per_s: float,
    ceiling_dbfs: float,
    caught_s: float,
    frequency_hz: float,
) -> Samples:
    """A ring from -75 dBFS that grows until the loop saturates, then falls by 60 dB in half a second when caught."""
    level_db = np.minimum(-75.0 + growth_db_per_s * (time_s - start_s), 12.0)
    grown = 10.0 ** (level_db / 20.0) / amplitude(ceiling_dbfs)
    held = amplitude(ceiling_dbfs) * grown / (1.0 + grown**4) ** 0.25
    held *= np.where(time_s < start_s, 0.0, 10.0 ** (-6.0 * np.maximum(time_s - caught_s, 0.0)))
    # The person with the microphone moves: the ring drifts by a few hertz and wavers a little.
    drift_hz = frequency_hz + 7.0 * np.sin(2.0 * np.pi * 0.31 * time_s) + 3.0 * np.sin(2.0 * np.pi * 1.3 * time_s)
    phase = 2.0 * np.pi * np.cumsum(drift_hz) * float(time_s[1] - time_s[0])
    waver = 1.0 - 0.06 * (0.5 + 0.5 * np.sin(2.0 * np.pi * 0.9 * time_s))
    # A saturated loop adds a third harmonic.
    return np.asarray(held * waver * (np.sin(phase) - 0.06 * np.minimum(grown, 1.0) * np.sin(3.0 * phase)))


def line_check(*, sample_rate_hz: int) -> Samples:
    """Check the lines, run an 8 kHz tone up to find a rattling top, and forget it for three quarters of a minute.

    Returns
    -------
    ndarray [shape=(1, n)]
    """
    bus = mixing.silent_bus(1, duration_s=60.0, sample_rate_hz=sample_rate_hz)
    voice = speech.speak(_LINE_CHECK, sample_rate_hz=sample_rate_hz, pitch_hz=112.0, pace=1.0, seed=31)
    mixing.place(bus, voice, start_s=0.5, sample_rate_hz=sample_rate_hz, gain_db=-12.0)
    chatter = speech.speak(
        "g ah1 n f er1 t iy1 . b ae1 k s uw1 n .", sample_rate_hz=sample_rate_hz, pitch_hz=140.0, pace=1.0, seed=32
    )
    mixing.place(bus, chatter, start_s=19.0, sample_rate_hz=sample_rate_hz, gain_db=-30.0)
    bus = mixing.room(bus, sample_rate_hz=sample_rate_hz, decay_s=1.1, level_db=-12.0, seed=33)
    _pink_bursts(bus[0], sample_rate_hz=sample_rate_hz)
    time_s = np.arange(bus.shape[1]) / sample_rate_hz
    bus += _gated(time_s, start_s=8.4, end_s=11.4) * amplitude(-18.0) * np.sin(2.0 * np.pi * 1000.0 * time_s)
    level_dbfs = np.interp(time_s, (12.5, 14.5, 17.0), (-30.0, -18.0, _TONE_DBFS))
    tone = _gated(time_s, start_s=12.5, end_s=59.2) * np.cos(2.0 * np.pi * 8000.0 * time_s)
    bus += 10.0 ** (level_dbfs / 20.0) * tone
    bus += _hush(bus.shape[1], sample_rate_hz=sample_rate_hz, level_dbfs=-78.0, seed=34)
    return mixing.fade(bus, sample_rate_hz=sample_rate_hz, in_s=0.2, out_s=0.3)


def _gated(time_s: Samples, *, start_s: float, end_s: float) -> Samples:
    return np.asarray(np.clip((time_s - start_s) / 0.02, 0.0, 1.0) * np.clip((end_s - time_s) / 0.02, 0.0, 1.0))


def _pink_bursts(channel: Samples, *, sample_rate_hz: int) -> None:
    """Add three half-second bursts of pink noise at -20 dBFS rms."""
    length = round(0.5 * sample_rate_hz)
    for index in range(3):
        spectrum = np.fft.rfft(mixing.seeded(35 + index).standard_normal(length))
        spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(length, 1.0 / sample_rate_hz), 25.0))
        noise = np.fft.irfft(spectrum, length)
        noise *= amplitude(-20.0) / math.sqrt(float(np.mean(noise**2)))
        first = round((5.0 + 1.0 * index) * sample_rate_hz)
        channel[first : first + length] += mixing.fade(
            noise[None, :], sample_rate_hz=sample_rate_hz, in_s=0.01, out_s=0.02
        )[0]
