"""The drummer's turn: a groove, round the toms, a ride passage and a barrage of crashes, alone in the barn.

One microphone hangs over the kit, so the clip is mono."""

from __future__ import annotations

from dataclasses import dataclass

from auditor.demo import drums, mixing
from auditor.demo.mixing import Samples

_BEAT_S = 60.0 / 112.0
_BAR_S = 4.0 * _BEAT_S
_BARS = 13
_SWELL_DB = -2.0
# Sixteenths of one bar: k kick, s snare, g ghost snare, h hat, o open hat, r ride, c crash, d second crash,
# 1-3 toms from high to low. One string per voice group, a dot is a rest.
_GROOVE = ("k..k..k...k.k...", "....s..g.g..s..g", "h.hhh.h.h.hhh.o.")
_BUSY = ("k..k..k.k.k..k..", "..g.s..g.gs.s.gs", "h.hhhhh.hhh.h.oh")
_RIDE = ("k.....k.k..k..k.", "..g.s.g.g..gs.gs", "r.rrr.r.r.rrr.rr")
_TOMS = ("k...k...k...k...", "1.112.223.333213", "................")
_ROLL = ("k.k.k.k.k.k.k.k.", "s.ss1122ss1133ss", "c.......d.......")
_BLAZE = ("k..kk..kk..kk.kk", "..s...s...s.ssss", "c..d..c..d..c.d.")
_PLAN = (_GROOVE, _BUSY, _TOMS, _RIDE, _RIDE, _BUSY, _ROLL, _TOMS, _RIDE, _ROLL, _BLAZE, _BLAZE)


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """One thing to hit: its strokes (taken in turn) and how loud they are."""

    strokes: tuple[Samples, ...]
    gain_db: float


def solo(*, sample_rate_hz: int) -> Samples:
    """Play the whole solo.

    Returns
    -------
    ndarray [shape=(1, n)]
    """
    kit = _kit(sample_rate_hz)
    random = mixing.seeded(500)
    bus = mixing.silent_bus(1, duration_s=_BARS * _BAR_S + 1.2, sample_rate_hz=sample_rate_hz)
    for bar, rows in enumerate(_PLAN):
        for row in rows:
            for step, letter in enumerate(row):
                if letter == ".":
                    continue
                piece = kit[letter]
                human_db = float(random.uniform(-2.5, 0.0)) + (0.8 if step % 4 == 0 else 0.0)
                late_s = float(random.uniform(0.0, 0.007))
                stroke = piece.strokes[random.randint(len(piece.strokes))]
                mixing.place(bus, stroke, start_s=0.25 + bar * _BAR_S + step * _BEAT_S / 4.0 + late_s,
                             sample_rate_hz=sample_rate_hz, gain_db=piece.gain_db + human_db)  # fmt: skip
    _swell(bus, first_bar=4, bars=2, top_db=-13.0, rate=sample_rate_hz)
    _swell(bus, first_bar=8, bars=4, top_db=_SWELL_DB, rate=sample_rate_hz)
    for letter in "ks1c":
        mixing.place(bus, kit[letter].strokes[0], start_s=0.25 + len(_PLAN) * _BAR_S, sample_rate_hz=sample_rate_hz,
                     gain_db=kit[letter].gain_db)  # fmt: skip
    bus = mixing.room(bus, sample_rate_hz=sample_rate_hz, decay_s=1.0, level_db=-11.0, seed=510)
    bus = mixing.fade(bus, sample_rate_hz=sample_rate_hz, in_s=0.01, out_s=1.2)
    return mixing.normalise(bus, peak_dbfs=-2.0)


def _swell(bus: Samples, *, first_bar: int, bars: int, top_db: float, rate: int) -> None:
    """Roll mallets on two cymbals, from nothing to a blaze in the first half of the bars, and hold it."""
    strokes = tuple(drums.mallet_crash(sample_rate_hz=rate, seed=620 + 10 * side) for side in range(2))
    count = 32 * bars
    for index in range(count):
        start_s = 0.25 + first_bar * _BAR_S + index * bars * _BAR_S / count
        gain_db = top_db - 26.0 * max(0.0, 1.0 - 2.0 * index / count)
        mixing.place(bus, strokes[index % 2], start_s=start_s, sample_rate_hz=rate, gain_db=gain_db)


def _kit(rate: int) -> dict[str, _Piece]:
    toms = {
        str(index + 1): _Piece(
            strokes=tuple(
                drums.tom(frequency_hz, sample_rate_hz=rate, seed=540 + 10 * index + take) for take in range(2)
            ),
            gain_db=-7.0,
        )
        for index, frequency_hz in enumerate((196.0, 138.0, 92.0))
    }
    return toms | {
        "k": _Piece(strokes=(drums.kick(sample_rate_hz=rate, seed=520, tight=False),), gain_db=-3.0),
        "s": _Piece(
            strokes=tuple(drums.snare(sample_rate_hz=rate, force=0.9, seed=530 + take) for take in range(3)),
            gain_db=-3.5,
        ),
        "g": _Piece(
            strokes=tuple(drums.snare(sample_rate_hz=rate, force=0.2, seed=535 + take) for take in range(3)),
            gain_db=-21.0,
        ),
        "h": _Piece(
            strokes=tuple(drums.hat(sample_rate_hz=rate, open_s=0.045, seed=570 + 2 * take) for take in range(3)),
            gain_db=-12.0,
        ),
        "o": _Piece(strokes=(drums.hat(sample_rate_hz=rate, open_s=0.3, seed=580),), gain_db=-11.0),
        "r": _Piece(
            strokes=tuple(drums.ride(sample_rate_hz=rate, seed=590 + 2 * take) for take in range(2)),
            gain_db=-10.0,
        ),
        "c": _Piece(strokes=(drums.crash(sample_rate_hz=rate, seed=600),), gain_db=-7.0),
        "d": _Piece(strokes=(drums.crash(sample_rate_hz=rate, seed=610),), gain_db=-8.0),
    }
