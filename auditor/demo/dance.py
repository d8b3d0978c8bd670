"""Lantern Wheel: one dance tune twice, as it left the mixing desk and after a heavy hand on the bus.

Both come from the same mix and stand at the same peak. The second went through a two-band compressor that lifts the
top, a soft clipper and a limiter, and that is the whole difference.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy import signal

from auditor.demo import drums, mixing, voices
from auditor.demo.mixing import Samples

_BEAT_S = 60.0 / 126.0
_BAR_S = 4.0 * _BEAT_S
_BARS = 12
_PEAK_DBFS = -0.3
_SPLIT_HZ = 2200.0  # between the two bands of the bus compressor
# F minor, one chord a bar.
_CHORDS = ((53, 56, 60, 63, 67), (49, 56, 60, 65, 68), (56, 60, 63, 67, 70), (51, 55, 58, 63, 65))
_ROOTS = (29, 25, 32, 27)
_ARPEGGIO = (0, 2, 4, 1, 3, 2, 4, 3)
_BREAK_BARS = (5, 6)


def before(*, sample_rate_hz: int) -> Samples:
    """Play the tune as mixed, with its dynamics.

    Returns
    -------
    ndarray [shape=(2, n)]
    """
    return mixing.normalise(_mix(sample_rate_hz), peak_dbfs=_PEAK_DBFS)


def after(*, sample_rate_hz: int) -> Samples:
    """Play the same mix through the bus: brighter, compressed, limited, at the same peak.

    Returns
    -------
    ndarray [shape=(2, n)]
    """
    rate, bus = sample_rate_hz, before(sample_rate_hz=sample_rate_hz)
    split = signal.butter(2, _SPLIT_HZ, fs=rate, output="sos")
    low = np.asarray(signal.sosfilt(split, bus))
    high = bus - low
    low = mixing.shelf(low, sample_rate_hz=rate, frequency_hz=110.0, gain_db=-6.0, high=False)
    low = mixing.compress(low, sample_rate_hz=rate, threshold_dbfs=-30.0, ratio=6.0, attack_s=0.002, release_s=0.08,
                          makeup_db=26.0)  # fmt: skip
    # The upper band is held far below everything else and lifted again: that is what makes it bright and dense.
    high = mixing.compress(high, sample_rate_hz=rate, threshold_dbfs=-46.0, ratio=8.0, attack_s=0.0008,
                           release_s=0.05, makeup_db=46.0)  # fmt: skip
    low = np.asarray(signal.sosfilt(split, mixing.saturate(low, ceiling_dbfs=-7.0)))
    bus = mixing.saturate(low + mixing.saturate(high, ceiling_dbfs=-10.0), ceiling_dbfs=-3.0)
    bus = mixing.limit(bus, sample_rate_hz=rate, ceiling_dbfs=-4.0, lookahead_s=0.0005)
    bus = mixing.fade(bus, sample_rate_hz=rate, in_s=0.005, out_s=1.2)
    return mixing.normalise(bus, peak_dbfs=_PEAK_DBFS)


@cache
def _mix(sample_rate_hz: int) -> Samples:
    bus = mixing.silent_bus(2, duration_s=_BARS * _BAR_S + 1.6, sample_rate_hz=sample_rate_hz)
    bus += _duck(_harmony(sample_rate_hz), sample_rate_hz=sample_rate_hz)
    bus += _percussion(sample_rate_hz)
    _lay_kicks(bus, rate=sample_rate_hz)
    return mixing.fade(bus, sample_rate_hz=sample_rate_hz, in_s=0.005, out_s=0.8)


def _full(bar: int) -> bool:
    """Whether the whole band plays: not in the two-bar opening, the break, or the last stroke."""
    return 2 <= bar < _BARS - 1 and bar not in _BREAK_BARS


def _lay_kicks(bus: Samples, *, rate: int) -> None:
    stroke = drums.kick(sample_rate_hz=rate, seed=400, tight=True)
    for bar in range(_BARS):
        if bar in _BREAK_BARS:
            continue
        for beat in range(4 if bar < _BARS - 1 else 1):
            mixing.place(bus, stroke, start_s=bar * _BAR_S + beat * _BEAT_S, sample_rate_hz=rate, gain_db=-1.0)


def _percussion(rate: int) -> Samples:
    bus = mixing.silent_bus(2, duration_s=_BARS * _BAR_S + 1.6, sample_rate_hz=rate)
    closed = [drums.hat(sample_rate_hz=rate, open_s=0.035, seed=410 + index) for index in range(4)]
    opened = drums.hat(sample_rate_hz=rate, open_s=0.16, seed=420)
    hands = drums.clap(sample_rate_hz=rate, seed=430)
    crash = drums.crash(sample_rate_hz=rate, seed=440)
    for bar in range(_BARS - 1):
        start_s = bar * _BAR_S
        if bar in _BREAK_BARS:
            continue
        for step in range(16):
            accent_db = (-3.0, -7.0, 0.0, -6.0)[step % 4]
            mixing.place(bus, closed[(step * 3 + bar) % 4], start_s=start_s + step * _BEAT_S / 4.0, sample_rate_hz=rate,
                         gain_db=-17.0 + accent_db, position=0.25)  # fmt: skip
        for beat in range(4):
            mixing.place(bus, opened, start_s=start_s + (beat + 0.5) * _BEAT_S, sample_rate_hz=rate, gain_db=-14.0,
                         position=-0.2)  # fmt: skip
            if beat % 2 and _full(bar):
                mixing.place(bus, hands, start_s=start_s + beat * _BEAT_S, sample_rate_hz=rate, gain_db=-8.0)
    for bar in (2, 7, 11):
        mixing.place(bus, crash, start_s=bar * _BAR_S, sample_rate_hz=rate, gain_db=-13.0, position=0.4)
    return mixing.room(bus, sample_rate_hz=rate, decay_s=0.6, level_db=-14.0, seed=450)


def _harmony(rate: int) -> Samples:
    bus = mixing.silent_bus(2, duration_s=_BARS * _BAR_S + 1.6, sample_rate_hz=rate)
    plucks = mixing.silent_bus(2, duration_s=_BARS * _BAR_S + 1.6, sample_rate_hz=rate)
    for bar in range(2, _BARS):
        chord, root, start_s = _CHORDS[bar % 4], _ROOTS[bar % 4], bar * _BAR_S
        _pad(bus, chord, start_s=start_s, bar=bar, rate=rate)
        if bar == _BARS - 1:
            continue
        _arpeggio(plucks, chord, start_s=start_s, bar=bar, rate=rate)
        if _full(bar):
            for step, shift in ((1, 0), (3, 12), (5, 0), (6, 12), (7, 7)):
                sound = voices.bass_note(root + 12 + shift, duration_s=0.21, sample_rate_hz=rate)
                mixing.place(bus, sound, start_s=start_s + step * _BEAT_S / 2.0, sample_rate_hz=rate, gain_db=-14.5)
    sweep = voices.riser(duration_s=2 * _BAR_S, sample_rate_hz=rate, seed=460)
    mixing.place(bus, sweep, start_s=_BREAK_BARS[0] * _BAR_S, sample_rate_hz=rate, gain_db=-13.0)
    bus += mixing.echo(plucks, sample_rate_hz=rate, delay_s=0.75 * _BEAT_S, level_db=-6.0)
    return mixing.room(bus, sample_rate_hz=rate, decay_s=1.3, level_db=-12.0, seed=470)


def _pad(bus: Samples, chord: tuple[int, ...], *, start_s: float, bar: int, rate: int) -> None:
    length_s = _BAR_S if bar < _BARS - 1 else 1.5 * _BEAT_S
    cutoff_hz = 3500.0 if bar in _BREAK_BARS else 9000.0
    for side in (0, 1):
        sound = voices.saw_chord(
            tuple(float(midi + 12) for midi in chord), duration_s=length_s, sample_rate_hz=rate, cutoff_hz=cutoff_hz,
            seed=480 + bar % 4, side=side,
        )  # fmt: skip
        first = round(start_s * rate)
        part = bus[side, first : first + len(sound)]
        part += mixing.amplitude(-11.0) * sound[: len(part)]


def _arpeggio(bus: Samples, chord: tuple[int, ...], *, start_s: float, bar: int, rate: int) -> None:
    for step in range(16):
        midi = chord[_ARPEGGIO[step % 8]] + (24 if step % 5 else 36)
        bright = 0.35 + 0.5 * min(1.0, (bar % 8) / 8.0 + step / 64.0)
        sound = voices.glass_pluck(midi, duration_s=0.28, sample_rate_hz=rate, bright=bright)
        mixing.place(bus, sound, start_s=start_s + step * _BEAT_S / 4.0, sample_rate_hz=rate,
                     gain_db=-15.0 - (3.0 if step % 2 else 0.0), position=0.6 if step % 2 else -0.6)  # fmt: skip


def _duck(bus: Samples, *, sample_rate_hz: int) -> Samples:
    """Dip everything pitched under each kick, the pumping this music is built on."""
    time_s = np.arange(bus.shape[1]) / sample_rate_hz
    since_kick_s = time_s % _BEAT_S
    gain = 1.0 - 0.72 * np.exp(-((since_kick_s / 0.13) ** 2))
    first, last = _BREAK_BARS[0] * _BAR_S, (_BREAK_BARS[-1] + 1) * _BAR_S
    gain[(time_s >= first) & (time_s < last)] = 1.0
    return np.asarray(bus * gain)
