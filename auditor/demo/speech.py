"""A talking steward: formant synthesis of English sentences from phoneme strings.

A glottal pulse train and breath noise pass a cascade of six moving resonators (the vocal tract up to 6 kHz, at a
quarter of the output rate); friction noise and the bursts of stops are added at the full rate. Formant frequencies
are round textbook values for an adult voice: plausible speech is wanted, not a measurement (common practice, no
source). Spectral balance and pauses are what matters to a high-frequency driver.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from auditor.demo import mixing
from auditor.demo.mixing import Samples, seeded

_FRAME_S = 0.005
_TRACT_STEP_S = 0.001
_UPSAMPLING = 4
_UPPER_FORMANTS_HZ = (3500.0, 4500.0, 5400.0)
_BANDWIDTHS_HZ = (75.0, 95.0, 140.0, 220.0, 300.0, 400.0)


@dataclass(frozen=True, kw_only=True)
class Phone:
    """One speech sound: length, first three formants, and how much voice, breath and friction it has (0 to 1)."""

    duration_s: float
    formants_hz: tuple[float, float, float]
    voice: float = 0.0
    breath: float = 0.0
    friction: float = 0.0
    band_hz: tuple[float, float] = (0.0, 0.0)
    stop: bool = False


def _vowel(first_hz: float, second_hz: float, third_hz: float, duration_s: float = 0.11) -> Phone:
    return Phone(duration_s=duration_s, formants_hz=(first_hz, second_hz, third_hz), voice=1.0, breath=0.05)


def _hiss(low_hz: float, high_hz: float, friction: float, *, second_hz: float, voice: float = 0.0) -> Phone:
    length_s = 0.11 if voice == 0.0 else 0.075
    return Phone(
        duration_s=length_s,
        formants_hz=(320.0, second_hz, 2550.0),
        voice=voice,
        friction=friction,
        band_hz=(low_hz, high_hz),
    )


def _stop(low_hz: float, high_hz: float, friction: float, *, second_hz: float, voiced: bool) -> Phone:
    return Phone(
        duration_s=0.075 if voiced else 0.1,
        formants_hz=(300.0, second_hz, 2500.0),
        voice=0.12 if voiced else 0.0,
        breath=0.0 if voiced else 0.25,
        friction=friction,
        band_hz=(low_hz, high_hz),
        stop=True,
    )


def _sonorant(first_hz: float, second_hz: float, third_hz: float, voice: float) -> Phone:
    return Phone(duration_s=0.075, formants_hz=(first_hz, second_hz, third_hz), voice=voice)


PHONES = {
    "iy": _vowel(280, 2250, 2950),
    "ih": _vowel(390, 1990, 2600, 0.08),
    "eh": _vowel(530, 1840, 2480, 0.1),
    "ae": _vowel(660, 1720, 2410, 0.13),
    "ah": _vowel(640, 1190, 2390, 0.09),
    "ax": _vowel(500, 1400, 2450, 0.06),
    "aa": _vowel(730, 1090, 2440, 0.14),
    "ao": _vowel(570, 840, 2410, 0.14),
    "uh": _vowel(440, 1020, 2240, 0.08),
    "uw": _vowel(300, 870, 2240, 0.12),
    "er": _vowel(490, 1350, 1690, 0.13),
    "m": _sonorant(260, 1100, 2200, 0.4),
    "n": _sonorant(270, 1550, 2400, 0.4),
    "ng": _sonorant(270, 1950, 2600, 0.35),
    "l": _sonorant(350, 1050, 2700, 0.6),
    "r": _sonorant(340, 1150, 1600, 0.6),
    "w": _sonorant(300, 700, 2200, 0.55),
    "y": _sonorant(280, 2200, 2950, 0.55),
    "h": Phone(duration_s=0.07, formants_hz=(500.0, 1400.0, 2500.0), breath=0.45),
    "s": _hiss(4800, 9500, 0.8, second_hz=1750),
    "z": _hiss(4600, 9000, 0.4, second_hz=1750, voice=0.35),
    "sh": _hiss(2300, 6000, 0.9, second_hz=1900),
    "f": _hiss(1800, 9500, 0.2, second_hz=1100),
    "v": _hiss(1800, 8000, 0.07, second_hz=1100, voice=0.4),
    "th": _hiss(2500, 9500, 0.16, second_hz=1350),
    "dh": _hiss(2500, 8000, 0.05, second_hz=1350, voice=0.45),
    "p": _stop(500, 1800, 0.5, second_hz=900, voiced=False),
    "b": _stop(400, 1500, 0.3, second_hz=900, voiced=True),
    "t": _stop(3200, 8000, 0.9, second_hz=1750, voiced=False),
    "d": _stop(2800, 7000, 0.5, second_hz=1700, voiced=True),
    "k": _stop(1400, 3200, 0.8, second_hz=1900, voiced=False),
    "g": _stop(1300, 2800, 0.4, second_hz=1900, voiced=True),
}
# Diphthongs and affricates are spelt as two sounds.
_PAIRS = {"ay": ("aa", "ih"), "ey": ("eh", "ih"), "aw": ("aa", "uh"), "ow": ("ao", "uh"), "ch": ("t", "sh")}


@dataclass(frozen=True, kw_only=True)
class _Score:
    """Frame-by-frame control of the voice, one value per `_FRAME_S`; formants have shape=(3, frames)."""

    pitch_hz: Samples
    formants_hz: Samples
    voice: Samples
    breath: Samples
    friction: tuple[tuple[int, int, float, tuple[float, float]], ...]  # first frame, frames, level, band [Hz]


def speak(sentences: str, *, sample_rate_hz: int, pitch_hz: float, pace: float, seed: int) -> Samples:
    """Speak sentences.

    Parameters
    ----------
    sentences : str
        Phonemes parted by blanks; `1` after a vowel stresses it; `,` is a short and `.` a long pause.
    sample_rate_hz : int
        A multiple of 4.
    pitch_hz : float
        Middle of the speaker's range [Hz].
    pace : float
        1 is brisk; larger is slower.
    seed : int

    Returns
    -------
    ndarray [shape=(n,)]
        Largest vowels near 0.5.
    """
    random = seeded(seed)
    score = _score(sentences, pitch_hz=pitch_hz, pace=pace, random=random)
    inner_rate_hz = sample_rate_hz / _UPSAMPLING
    per_frame = round(_FRAME_S * inner_rate_hz)
    tract = _tract(_source(score, per_frame=per_frame, rate_hz=inner_rate_hz, random=random), score, inner_rate_hz)
    tract /= float(np.abs(tract).max())
    # A speaker evens out what open and closed vowels differ by; so does this.
    tract = mixing.compress(tract[None, :], sample_rate_hz=round(inner_rate_hz), threshold_dbfs=-24.0, ratio=2.5,
                            attack_s=0.003, release_s=0.12, makeup_db=6.0)[0]  # fmt: skip
    tract = mixing.limit(tract[None, :] / float(np.abs(tract).max()), sample_rate_hz=round(inner_rate_hz),
                         ceiling_dbfs=-4.0)[0]  # fmt: skip
    voice = np.asarray(signal.resample_poly(tract * (0.5 / float(np.abs(tract).max())), _UPSAMPLING, 1))
    return voice + _friction(score, count=len(voice), sample_rate_hz=sample_rate_hz, random=random)


def _score(sentences: str, *, pitch_hz: float, pace: float, random: np.random.RandomState) -> _Score:
    pitch: list[float] = []
    rows: list[tuple[float, float, float, float, float]] = []
    friction: list[tuple[int, int, float, tuple[float, float]]] = []
    phrase_start = 0
    for token in sentences.split():
        if token in ",.":
            frames = round((0.32 if token == "," else 1.05) * (0.9 + 0.2 * random.random_sample()) / _FRAME_S)
            rows.extend([(500.0, 1400.0, 2450.0, 0.0, 0.0)] * frames)
            pitch.extend([pitch_hz] * frames)
            phrase_start = len(rows)
            continue
        stress = token.endswith("1")
        names = _PAIRS.get(token.rstrip("1"), (token.rstrip("1"),))
        for name in names:
            phone = PHONES[name]
            length_s = phone.duration_s * pace * (1.25 if stress else 1.0) * (0.75 if len(names) == 2 else 1.0)
            frames = max(4, round(length_s / _FRAME_S * (0.93 + 0.14 * random.random_sample())))
            _append(phone, rows, friction, frames=frames, strength=1.25 if stress else 0.9)
            # Pitch falls through a phrase and jumps on the stressed words.
            fall = math.exp(-(len(rows) - phrase_start) * _FRAME_S / 2.2)
            pitch.extend([pitch_hz * (0.76 + 0.42 * fall + (0.36 if stress else 0.0))] * frames)
    table = np.array(rows).T
    window = signal.windows.hann(17)
    window /= window.sum()
    smooth = np.array([ndimage.convolve1d(row, window, mode="nearest") for row in table])
    slow_pitch = ndimage.gaussian_filter1d(np.array(pitch), 9.0, mode="nearest")
    # Voice and breath switch faster than the tongue moves.
    quick = np.array([ndimage.gaussian_filter1d(row, 1.6, mode="nearest") for row in table[3:]])
    return _Score(
        pitch_hz=slow_pitch, formants_hz=smooth[:3], voice=quick[0], breath=quick[1], friction=tuple(friction)
    )


def _append(
    phone: Phone,
    rows: list[tuple[float, float, float, float, float]],
    friction: list[tuple[int, int, float, tuple[float, float]]],
    *,
    frames: int,
    strength: float,
) -> None:
    first = len(rows)
    if not phone.stop:
        rows.extend([(*phone.formants_hz, phone.voice * strength, phone.breath)] * frames)
        if phone.friction > 0.0:
            friction.append((first, frames, phone.friction, phone.band_hz))
        return
    # A stop is a closed mouth, a burst of two frames, then (unvoiced) a puff of breath.
    closed = round(frames * 0.55)
    rows.extend([(*phone.formants_hz, phone.voice, 0.0)] * closed)
    rows.extend([(*phone.formants_hz, phone.voice, phone.breath)] * (frames - closed))
    friction.append((first + closed, 3, phone.friction, phone.band_hz))


def _source(score: _Score, *, per_frame: int, rate_hz: float, random: np.random.RandomState) -> Samples:
    count = len(score.pitch_hz) * per_frame
    frames = np.arange(count) / per_frame
    index = np.arange(len(score.pitch_hz))
    flutter = ndimage.gaussian_filter1d(random.standard_normal(len(index)), 4.0) * 0.025
    pitch_hz = np.interp(frames, index, score.pitch_hz * (1.0 + flutter))
    phase = np.cumsum(pitch_hz) / rate_hz % 1.0
    open_share = 0.62
    # Derivative of the flow t^2 (open - t): a slow opening, then the sharp closure that makes the voice bright.
    pulse = np.where(phase < open_share, 2.0 * phase * open_share - 3.0 * phase**2, 0.0) / open_share**2
    noise = random.standard_normal(count)
    voice = np.interp(frames, index, score.voice)
    breath = np.interp(frames, index, score.breath)
    tilted = signal.lfilter(*signal.butter(1, 1700.0, fs=rate_hz), voice * pulse)  # a talker, not a shouter
    return np.asarray(tilted + 0.02 * voice * noise * (phase < open_share) + 0.1 * breath * noise)


def _tract(source: Samples, score: _Score, rate_hz: float) -> Samples:
    """Pass the source through the moving resonators, in steps of a millisecond: longer ones are heard as clicks."""
    frames = len(score.pitch_hz)
    step = round(_TRACT_STEP_S * rate_hz)
    knots = np.arange(len(source)) * (frames / len(source))
    out = source.copy()
    for index, bandwidth_hz in enumerate(_BANDWIDTHS_HZ):
        radius = math.exp(-math.pi * bandwidth_hz / rate_hz)
        if index < len(score.formants_hz):
            track_hz = np.interp(knots, np.arange(frames), score.formants_hz[index])
        else:
            track_hz = np.full(len(source), _UPPER_FORMANTS_HZ[index - len(score.formants_hz)])
        first = -2.0 * radius * np.cos(2.0 * np.pi * track_hz / rate_hz)
        second = radius**2
        out *= 1.0 + first + second  # unity at 0 Hz, as in a cascade synthesiser
        state = np.zeros(2)
        for start in range(0, len(out), step):
            part = slice(start, start + step)
            out[part], state = signal.lfilter((1.0,), (1.0, first[start], second), out[part], zi=state)
    return out


def _friction(score: _Score, *, count: int, sample_rate_hz: int, random: np.random.RandomState) -> Samples:
    out = np.zeros(count + sample_rate_hz)
    per_frame = count / len(score.pitch_hz)
    for first, frames, level, band_hz in score.friction:
        length = round((frames + 4) * per_frame)
        start = max(0, round((first - 1) * per_frame))
        sos = signal.butter(2, band_hz, "bandpass", fs=sample_rate_hz, output="sos")
        noise = signal.sosfilt(sos, random.standard_normal(length + 256))[256:]
        edge = 0.003 if frames <= 3 else 0.025  # s: bursts are sharp, hisses swell
        time_s = np.arange(length) / sample_rate_hz
        envelope = np.clip(time_s / edge, 0, 1) * np.clip((time_s[-1] - time_s) / (1.4 * edge), 0, 1)
        out[start : start + length] += 0.03 * level * envelope * noise / float(np.std(noise))
    return out[:count]
