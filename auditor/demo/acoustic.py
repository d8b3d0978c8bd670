"""The gleaners' air: two citterns, two fiddles and a frame drum, from a whisper to a full barn and back."""

from __future__ import annotations

from auditor.demo import drums, mixing, voices
from auditor.demo.mixing import Samples

_BAR_S = 1.8  # three beats
_BEAT_S = _BAR_S / 3.0
# D dorian, one chord a bar; low string first.
_CHORDS = {
    "Dm": (50, 57, 62, 65, 69),
    "F": (53, 60, 65, 69, 72),
    "C": (48, 55, 60, 64, 67),
    "G": (43, 55, 59, 62, 67),
    "Am": (45, 52, 57, 60, 64),
}
_SEQUENCE = ("Dm", "F", "C", "Dm", "G", "Dm", "Am", "Dm")
_QUIET_BARS, _MIDDLE_BARS, _FULL_BARS, _LAST_BARS = 6, 6, 8, 4
# (bar within the eight, beat, length in beats, MIDI note)
_TUNE = (
    (0, 0.0, 1.5, 74), (0, 1.5, 0.5, 76), (0, 2.0, 1.0, 77), (1, 0.0, 2.0, 81), (1, 2.0, 1.0, 79), (2, 0.0, 1.5, 76),
    (2, 1.5, 0.5, 74), (2, 2.0, 1.0, 72), (3, 0.0, 3.0, 74), (4, 0.0, 1.0, 74), (4, 1.0, 1.0, 79), (4, 2.0, 1.0, 83),
    (5, 0.0, 1.5, 81), (5, 1.5, 0.5, 77), (5, 2.0, 1.0, 74), (6, 0.0, 1.5, 76), (6, 1.5, 0.5, 72), (6, 2.0, 1.0, 71),
    (7, 0.0, 2.8, 74),
)  # fmt: skip


def gleaners_air(*, sample_rate_hz: int) -> Samples:
    """Play the whole piece.

    Returns
    -------
    ndarray [shape=(2, n)]
    """
    bars = _QUIET_BARS + _MIDDLE_BARS + _FULL_BARS + _LAST_BARS
    bus = mixing.silent_bus(2, duration_s=bars * _BAR_S + 3.5, sample_rate_hz=sample_rate_hz)
    random = mixing.seeded(200)
    for bar in range(bars):
        loud = _loudness(bar)
        chord = _CHORDS[_SEQUENCE[bar % 8] if bar < bars - 1 else "Dm"]
        full = loud > 0.8
        for step in range(6):
            late_s = float(random.uniform(0.0, 0.012))
            start_s = 0.3 + bar * _BAR_S + step * _BEAT_S / 2.0 + late_s
            if full and step in (0, 2, 3, 4):
                _strum(
                    bus,
                    chord,
                    start_s=start_s,
                    loud=loud,
                    down=step != 3,
                    seed=300 + bar * 8 + step,
                    rate=sample_rate_hz,
                )
            elif not full and (bar < bars - 1 or step == 0):
                order = (0, 2, 3, 4, 3, 2)[step]
                _course(bus, chord[order], start_s=start_s, loud=loud * (1.0 if step == 0 else 0.75), position=-0.35,
                        seed=600 + bar * 8 + step, rate=sample_rate_hz)  # fmt: skip
        if full:
            _drum_bar(bus, start_s=0.3 + bar * _BAR_S, rate=sample_rate_hz, seed=bar)
    _fiddles(bus, rate=sample_rate_hz)
    bus = mixing.bell(bus, sample_rate_hz=sample_rate_hz, frequency_hz=210.0, gain_db=3.0, q=1.2)
    bus = mixing.bell(bus, sample_rate_hz=sample_rate_hz, frequency_hz=420.0, gain_db=-2.0, q=1.0)
    # Wood and gut swallow the top of what bare string models give.
    bus = mixing.shelf(bus, sample_rate_hz=sample_rate_hz, frequency_hz=2600.0, gain_db=-6.0, high=True)
    bus = mixing.room(bus, sample_rate_hz=sample_rate_hz, decay_s=1.5, level_db=-7.0, seed=210)
    bus = mixing.fade(bus, sample_rate_hz=sample_rate_hz, in_s=0.01, out_s=1.5)
    return mixing.normalise(bus, peak_dbfs=-1.0)


def _loudness(bar: int) -> float:
    """Playing force of a bar, 0 to 1."""
    if bar < _QUIET_BARS:
        return 0.25 + 0.025 * bar
    if bar < _QUIET_BARS + _MIDDLE_BARS:
        return 0.42 + 0.07 * (bar - _QUIET_BARS)
    if bar < _QUIET_BARS + _MIDDLE_BARS + _FULL_BARS:
        return 0.9 + 0.0125 * (bar - _QUIET_BARS - _MIDDLE_BARS)
    return 0.24


def _course(
    bus: Samples,
    midi: float,
    *,
    start_s: float,
    loud: float,
    position: float,
    seed: int,
    rate: int,
    length_s: float = 2.2,
) -> None:
    """A course is a pair of strings a few cents apart."""
    for string, cents in enumerate((-0.03, 0.035)):
        sound = voices.plucked(
            voices.note_hz(midi + cents), duration_s=length_s, sample_rate_hz=rate, force=loud, seed=2 * seed + string
        )
        mixing.place(
            bus, sound, start_s=start_s, sample_rate_hz=rate, gain_db=-18.0 + 22.0 * (loud - 0.5), position=position
        )


def _strum(
    bus: Samples, chord: tuple[int, ...], *, start_s: float, loud: float, down: bool, seed: int, rate: int
) -> None:
    """Both players, one each side, across the strings in about 40 ms."""
    order = chord if down else chord[::-1][:3]
    for player, position in enumerate((-0.55, 0.55)):
        for index, midi in enumerate(order):
            _course(bus, midi + 12 * (player and index > 1), start_s=start_s + 0.009 * index + 0.006 * player,
                    loud=(loud - 0.26) * (1.0 if down else 0.75), position=position,
                    seed=seed * 40 + player * 10 + index, rate=rate, length_s=1.0)  # fmt: skip


def _drum_bar(bus: Samples, *, start_s: float, rate: int, seed: int) -> None:
    for beat, rim, gain_db in ((0.0, False, -5.0), (1.0, True, -15.0), (1.5, True, -18.0), (2.0, True, -13.0)):
        sound = drums.frame_drum(sample_rate_hz=rate, rim=rim, seed=700 + 10 * seed + int(2 * beat))
        mixing.place(bus, sound, start_s=start_s + beat * _BEAT_S, sample_rate_hz=rate, gain_db=gain_db, position=0.1)


def _fiddles(bus: Samples, *, rate: int) -> None:
    middle_s = 0.3 + _QUIET_BARS * _BAR_S
    for half in range(3):
        # A low drone grows under the middle part.
        sound = voices.bowed(
            voices.note_hz(50), duration_s=2 * _BAR_S, sample_rate_hz=rate, pressure=0.15, swell_s=1.6, seed=220 + half
        )
        mixing.place(bus, sound, start_s=middle_s + half * 2 * _BAR_S, sample_rate_hz=rate, gain_db=-24.0 + 3.0 * half,
                     position=0.3)  # fmt: skip
    full_s = middle_s + _MIDDLE_BARS * _BAR_S
    for index, (bar, beat, beats, midi) in enumerate(_TUNE):
        start_s = full_s + bar * _BAR_S + beat * _BEAT_S
        for voice, (shift, gain_db, position) in enumerate(((0, -14.0, 0.25), (-12, -16.0, -0.2))):
            sound = voices.bowed(voices.note_hz(midi + shift), duration_s=beats * _BEAT_S + 0.15, sample_rate_hz=rate,
                                 pressure=0.75, swell_s=0.16, seed=230 + 2 * index + voice)  # fmt: skip
            mixing.place(bus, sound, start_s=start_s, sample_rate_hz=rate, gain_db=gain_db, position=position)
