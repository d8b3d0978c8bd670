"""The margin of a rig with a limiter, from whole replays of the file.

A limiter takes back what a trial gain adds, in its own time: what it does at another gain follows neither from scaling
nor from the ladder of rungs that serves the amplifier's clipping (`auditor.chain.overdrive`). So the file is put
through the whole chain again at each trial gain, which acts at the mixer, before the limiter; a few trials must do.

Excess over the limit goes up with gain, decibel for decibel while the limiter rests and ever flatter as it works. Along
such a curve the chord between two trials crosses the limit too high and the line that goes on from the safe one too
low; a parabola through three trials comes near. Where even the highest gain reaches no limit the limiter protects, and
there is no margin to state.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.judgement.trial import LEAST_SLOPE, LOWEST_GAIN_DB, Point, at
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import Cause
    from auditor.judgement.worst import Excess

HIGHEST_GAIN_DB = 20.0
MOST_REPLAYS = 8
_TOLERANCE_DB = 0.08  # of excess: the margin, applied and audited anew, must come within 0.1 dB of the limit
_NARROW_DB = 0.02  # of gain, where a part that fails makes a step
_AWAY_DB = 6.0
_FIRST_STEP_DB = 1.0  # up from a limit that is reached already: 1, 2, 4, 8, 16, 20 dB
_BEYOND = 1.1  # so that the next trial most often lies on the other side


def limited_margin(trial: Callable[[float], Excess], start: Point) -> tuple[float, Cause] | None:
    """Gain at which the first limit is reached, and which.

    Parameters
    ----------
    trial : callable
        Worst excess at a gain change [dB], by a replay.
    start : Point
        Where the search begins.

    Returns
    -------
    (float, Cause) or None
        Never above the true margin, and below it by no more than `MOST_REPLAYS` trials leave; None where even
        `HIGHEST_GAIN_DB` reaches no limit.
    """
    if start.excess_db <= SILENCE_DB:
        return None
    search, left = _Search(start), MOST_REPLAYS
    if -_TOLERANCE_DB <= start.excess_db <= 0.0:
        search, left = _climbed(trial, start)
    for _ in range(left):
        if search.done:
            break
        search.take(at(trial, search.next_db()))
    if search.over is None:
        return None if search.exhausted or search.safe is None else (search.safe.gain_db, search.safe.cause)
    if search.safe is None:
        return LOWEST_GAIN_DB, search.over.cause
    return search.safe.gain_db, search.over.cause


def _climbed(trial: Callable[[float], Excess], start: Point) -> tuple[_Search, int]:
    """From the very limit up in doubled steps, and how many replays are left: a limiter may hold it just there.

    A threshold chosen for this programme holds the excess a few hundredths of a decibel under its limit, and that far
    above the present gain.
    """
    safe, gain_db, left = start, _FIRST_STEP_DB, MOST_REPLAYS
    while True:
        point = at(trial, gain_db)
        left -= 1
        if point.excess_db > 0.0:
            search = _Search(safe)
            search.take(point)
            return search, left
        safe = point
        if gain_db >= HIGHEST_GAIN_DB:
            return _Search(safe), left
        gain_db = min(2.0 * gain_db, HIGHEST_GAIN_DB)


class _Search:
    """The nearest gains found that are safe and over, and where to try next."""

    def __init__(self, start: Point) -> None:
        self.safe: Point | None = None
        self.over: Point | None = None
        self._trials: list[Point] = []
        self._last_is_safe = True
        self._slope = 1.0
        self._misses = 0  # trials in a row on the side where the one before was
        self._settled = False
        self.take(start)

    @property
    def exhausted(self) -> bool:
        """Whether the highest gain is safe."""
        return self.safe is not None and self.safe.gain_db >= HIGHEST_GAIN_DB

    @property
    def done(self) -> bool:
        return self._settled or self.exhausted

    def take(self, point: Point) -> None:
        """Enter a trial."""
        is_safe = point.excess_db <= 0.0
        before = self.safe if is_safe else self.over
        self._misses = self._misses + 1 if before is not None and is_safe == self._last_is_safe else 0
        if before is not None:
            rise_db, step_db = point.excess_db - before.excess_db, point.gain_db - before.gain_db
            self._slope = min(max(rise_db / step_db, LEAST_SLOPE), 1.0) if step_db else 1.0
        self._last_is_safe = is_safe
        self._trials.append(point)
        if is_safe:
            self.safe = point
        else:
            self.over = point
        narrow = self.safe and self.over and self.over.gain_db - self.safe.gain_db <= _NARROW_DB
        lowest = self.over is not None and self.over.gain_db <= LOWEST_GAIN_DB
        near = self.safe is not None and self.safe.excess_db >= -_TOLERANCE_DB
        self._settled = bool(narrow or lowest or near)

    def next_db(self) -> float:
        """The gain to try next [dB]."""
        safe, over = self.safe, self.over
        if safe is not None and over is not None:
            return self._between_db(safe, over)
        if safe is not None:
            # Once the limiter is seen to hold, the question is whether it ever lets go.
            far = self._misses >= 1
            step_db = -safe.excess_db / self._slope * _BEYOND + _TOLERANCE_DB
            return HIGHEST_GAIN_DB if far else min(safe.gain_db + step_db, HIGHEST_GAIN_DB)
        assert over is not None
        step_db = over.excess_db / self._slope * _BEYOND + _TOLERANCE_DB
        if self._misses:  # the limiter holds the excess up: out of where it works
            step_db = max(step_db, _AWAY_DB * 2.0 ** (self._misses - 1))
        return max(over.gain_db - step_db, LOWEST_GAIN_DB)

    def _between_db(self, safe: Point, over: Point) -> float:
        width_db = over.gain_db - safe.gain_db
        short_db = -safe.excess_db - _TOLERANCE_DB / 2.0  # to the middle of the tolerance
        others = [point for point in self._trials if point not in (safe, over)]
        if self._misses >= 2:  # no such curve: a step
            step_db = width_db / 2.0
        elif others:
            third = min(others, key=lambda point: abs(point.gain_db - (safe.gain_db + over.gain_db) / 2.0))
            step_db = _crossing_db(safe, over, third) - safe.gain_db
        elif self._last_is_safe:
            step_db = width_db * short_db / (over.excess_db - safe.excess_db)
        else:
            step_db = short_db
        return safe.gain_db + min(max(step_db, 0.03 * width_db), 0.97 * width_db)


def _crossing_db(safe: Point, over: Point, third: Point) -> float:
    """Gain between `safe` and `over` at which the parabola through all three is in the middle of the tolerance."""
    chord = (over.excess_db - safe.excess_db) / (over.gain_db - safe.gain_db)
    other = (third.excess_db - over.excess_db) / (third.gain_db - over.gain_db)
    bend = (other - chord) / (third.gain_db - safe.gain_db)
    low_db, high_db = safe.gain_db, over.gain_db
    for _ in range(40):
        middle_db = (low_db + high_db) / 2.0
        past_safe_db = middle_db - safe.gain_db
        excess_db = safe.excess_db + past_safe_db * (chord + bend * (middle_db - over.gain_db))
        if excess_db + _TOLERANCE_DB / 2.0 <= 0.0:
            low_db = middle_db
        else:
            high_db = middle_db
    return low_db
