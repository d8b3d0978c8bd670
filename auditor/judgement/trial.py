"""What the ways of finding the margin share: a gain that was tried, the range of gains, the search along them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import Cause
    from auditor.judgement.worst import Excess

LOWEST_GAIN_DB = -120.0
_MOST_TRIALS = 40
LEAST_SLOPE = 0.1  # even a lamp at full work lets a tenth of a decibel through for one


@dataclass(frozen=True)
class Point:
    """A gain that was tried."""

    gain_db: float
    excess_db: float
    cause: Cause


def at(trial: Callable[[float], Excess], gain_db: float) -> Point:
    """The point that a trial makes."""
    return Point(gain_db, *trial(gain_db))


def solve(
    trial: Callable[[float], Excess], start: Point, highest_gain_db: float, tolerance_db: float
) -> tuple[float, Cause] | None:
    """Gain change at which the worst excess is nought, from the safe side, and what binds there; None if out of range.

    False position (with the Illinois rule against stalling), which needs few trials because excess goes nearly straight
    with gain: one decibel for one on a plain driver, less once a lamp works. A part that fails makes a step, on which
    the two gains close in.
    """
    if -tolerance_db <= start.excess_db <= 0.0:
        return start.gain_db, start.cause
    safe, over = _bracket(trial, start, highest_gain_db, tolerance_db)
    if over is None:
        return None
    if safe is None:
        return LOWEST_GAIN_DB, over.cause
    safe_weight = over_weight = 1.0
    for _ in range(_MOST_TRIALS):
        if over.gain_db - safe.gain_db < tolerance_db / 4.0 or safe.excess_db >= -tolerance_db:
            break
        # Aim at the middle of the tolerance, which lies on the safe side.
        below, above = (safe.excess_db + tolerance_db / 2.0) * safe_weight, over.excess_db * over_weight
        share = below / (below - above)
        point = at(trial, safe.gain_db + min(max(share, 0.02), 0.98) * (over.gain_db - safe.gain_db))
        if point.excess_db <= 0.0:
            safe, safe_weight, over_weight = point, 1.0, over_weight / 2.0
        else:
            over, over_weight, safe_weight = point, 1.0, safe_weight / 2.0
    return safe.gain_db, over.cause


def _bracket(
    trial: Callable[[float], Excess], start: Point, highest_gain_db: float, tolerance_db: float
) -> tuple[Point | None, Point | None]:
    """The nearest gains found that are safe and that are over the limit; None where there is none in range."""
    here = start
    slope = 1.0  # decibels of excess for one of gain, as far as is known
    while True:
        # A little beyond where a straight line crosses, so that most often the next point lies on the other side.
        step_db = -here.excess_db / slope * 1.05 - math.copysign(2.0 * tolerance_db, here.excess_db)
        there = at(trial, min(max(here.gain_db + step_db, LOWEST_GAIN_DB), highest_gain_db))
        if (there.excess_db <= 0.0) != (here.excess_db <= 0.0):
            safe, over = sorted((here, there), key=lambda point: point.excess_db)
            return safe, over
        if there.gain_db in (LOWEST_GAIN_DB, highest_gain_db):
            return (there, None) if there.excess_db <= 0.0 else (None, there)
        slope = max((there.excess_db - here.excess_db) / (there.gain_db - here.gain_db), LEAST_SLOPE)
        here = there
