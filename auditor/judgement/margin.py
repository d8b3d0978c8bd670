"""How many decibels of room are left, and what binds first.

The margin is the largest gain change for which nothing is at risk: positive is room, negative is how far to turn down.
Each trial gain runs protection and driver again; where the amplifier clips, the frames come from the ladder of gains
that was climbed while the file was decoded (`auditor.chain.overdrive`), and no gain above its highest is tried: by then
a full-scale signal overdrives the amplifier by 20 dB more than now. Where clipping meets the peak rating, the few rows
of samples that decide are read from the file again and clipped exactly; where it meets heat, the whole file is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.chain.overdrive import FRAMES_PER_ROW, WishedRow
from auditor.judgement.ratings import stretches
from auditor.units import SILENCE_DB, power_to_db

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.audit_types import Cause
    from auditor.chain.play import ChannelFeed
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig

    Excess = tuple[float, Cause]

_LOWEST_GAIN_DB = -120.0
_TOLERANCE_DB = 0.02
_MOST_TRIALS = 40
_NEAR_DB = 1.0  # more than the ladder can be off
_LARGE_DEPARTURE_DB = 0.3  # the ladder's rungs are near enough for a tenth of it
_ROWS_AT_A_TIME = 12
_MOST_READINGS = 8
_LEAST_SLOPE = 0.1  # even a lamp at full work lets a tenth of a decibel through for one


def worst_excess(frames: HfFrames, rig: Rig) -> Excess:
    """By how much the worst quantity is over its limit [dB], and which it is.

    Powers, and rises of temperature above ambient, count as 10 log10 of their ratio to the limit; a filament's
    temperature as 40 log10, for its power goes with the fourth power of it. Negative is under the limit.
    """
    most = dict.fromkeys(("power_1s", "power_60s", "peak", "coil_c", "filament_k", "life"), 0.0)
    failed = False
    for stretch in stretches(frames, rig, protected=True):
        run = stretch.run
        here = {
            "power_1s": stretch.power_1s_w.max(),
            "power_60s": stretch.power_60s_w.max(),
            "peak": stretch.power_peak_w.max(),
            "coil_c": run.coil_temp_c.max(),
            "filament_k": 0.0 if run.filament_temp_k is None else run.filament_temp_k.max(),
            "life": run.life_used_ratio,
        }
        most = {key: max(most[key], float(value)) for key, value in here.items()}
        failed = failed or run.failed_at_s is not None
    driver, ambient_c = rig.driver, rig.site.ambient_temp_c
    part_db = max(
        40.0 * math.log10(max(most["filament_k"], 1.0) / published.TUNGSTEN_MELTING_K.value), power_to_db(most["life"])
    )
    excesses: list[Excess] = [
        (power_to_db(most["power_1s"] / driver.program_power_w), "driver_power_1s"),
        (power_to_db(most["power_60s"] / driver.continuous_power_w), "driver_power_60s"),
        (power_to_db(most["peak"] / driver.peak_power_w), "driver_power_peak"),
        (power_to_db((most["coil_c"] - ambient_c) / (driver.coil_temp_limit_c - ambient_c)), "coil_temp"),
        (max(part_db, 0.0) if failed else part_db, "protection_failed"),
    ]
    return max(excesses)


def margin(feeds: Sequence[ChannelFeed], rig: Rig, present: Sequence[Excess]) -> tuple[float | None, Cause | None]:
    """Margin of a programme: that of its tightest channel.

    Parameters
    ----------
    feeds : sequence of ChannelFeed
    rig : Rig
    present : sequence of (float, Cause)
        `worst_excess` of each channel at the present gain.

    Returns
    -------
    margin_db : float or None
        None where even the highest gain tried reaches no limit.
    limited_by : Cause or None
    """
    found: tuple[float, Cause] | None = None
    # The channel that is worst now is tried first: the others then mostly need one look, to see that they do not bind.
    for index in sorted(range(len(feeds)), key=lambda each: present[each], reverse=True):
        channel = _Channel(feeds[index], rig)
        if found is not None and channel.excess(found[0])[0] < -_NEAR_DB:
            continue
        here = channel.margin(present[index])
        if here is not None and (found is None or here[0] < found[0]):
            found = here
    return found if found is not None else (None, None)


class _Channel:
    """One channel at trial gains; rows whose peaks decide are read again from the file, to be exact."""

    def __init__(self, feed: ChannelFeed, rig: Rig) -> None:
        self._feed = feed
        self._rig = rig
        self._exact: dict[int, WishedRow | None] = {}

    def excess(self, gain_db: float) -> Excess:
        """Worst excess at a gain change [dB]."""
        return worst_excess(self._frames(gain_db), self._rig)

    def margin(self, present: Excess) -> tuple[float, Cause] | None:
        """Gain at which the first limit is reached, and which; None if none is in range."""
        if present[0] <= SILENCE_DB:
            return None
        start = _Point(0.0, *present)
        for _ in range(_MOST_READINGS):
            found = _solve(self.excess, start, self._feed.ladder.highest_gain_db)
            if found is None or not self._read_deciding_rows(found[0]):
                break
            start = _at(self.excess, found[0])
        return None if found is None else self._replayed(*found)

    def _replayed(self, gain_db: float, cause: Cause) -> tuple[float, Cause]:
        """The margin from all samples clipped at just that gain, where heat binds and clipping has a large part."""
        if cause == "driver_power_peak" or abs(self._departure_db(gain_db)) < _LARGE_DEPARTURE_DB:
            return gain_db, cause
        exact_db, cause = worst_excess(self._feed.replay.frames(gain_db), self._rig)
        slope = (self.excess(gain_db)[0] - self.excess(gain_db - _NEAR_DB)[0]) / _NEAR_DB
        return gain_db - (exact_db + _TOLERANCE_DB / 2.0) / max(slope, _LEAST_SLOPE), cause

    def _departure_db(self, gain_db: float) -> float:
        """What clipping does to the energy of the HF branch at this gain, over plain scaling [dB]."""
        now, then = (
            float(np.square(each.rms_v, dtype=np.float64).sum()) for each in (self._feed.frames, self._frames(gain_db))
        )
        return power_to_db(then / now) - gain_db if now > 0.0 else 0.0

    def _frames(self, gain_db: float) -> HfFrames:
        rows = [row for row in self._exact.values() if row is not None]
        return self._feed.ladder.frames_at(self._feed.frames, gain_db, rows)

    def _read_deciding_rows(self, gain_db: float) -> bool:
        """Read the rows with the highest peaks at this gain that clipping makes uncertain; False if none is new."""
        ladder = self._feed.ladder
        new = [
            row
            for row in _rows_near_peak_rating(self._frames(gain_db), self._rig)
            if row not in self._exact and ladder.departs(row, gain_db)
        ]
        for row in new:
            wished_v = self._feed.replay.wished_v(
                row * ladder.row_length - ladder.lead, ladder.row_length + 2 * ladder.lead
            )
            self._exact[row] = None if wished_v is None else WishedRow(row=row, wished_v=wished_v)
        return bool(new)


def _rows_near_peak_rating(frames: HfFrames, rig: Rig) -> list[int]:
    """Rows of frames whose peak power comes near the rating or passes it, the highest first."""
    powers = [stretch.power_peak_w for stretch in stretches(frames, rig, protected=True)]
    power_w = np.concatenate([np.empty(0, dtype=np.float32), *powers])
    high = np.flatnonzero(power_w > rig.driver.peak_power_w * 10.0 ** (-_NEAR_DB / 10.0))
    rows = high[np.argsort(power_w[high])[::-1]] // FRAMES_PER_ROW
    return list(dict.fromkeys(rows.tolist()))[:_ROWS_AT_A_TIME]


def _solve(trial: Callable[[float], Excess], start: _Point, highest_gain_db: float) -> tuple[float, Cause] | None:
    """Gain change at which the worst excess is nought, from the safe side, and what binds there; None if out of range.

    False position (with the Illinois rule against stalling), which needs few trials because excess goes nearly straight
    with gain: one decibel for one on a plain driver, less once a lamp works. A part that fails makes a step, on which
    the two gains close in.
    """
    safe, over = _bracket(trial, start, highest_gain_db)
    if over is None:
        return None
    if safe is None:
        return _LOWEST_GAIN_DB, over.cause
    safe_weight = over_weight = 1.0
    for _ in range(_MOST_TRIALS):
        if over.gain_db - safe.gain_db < _TOLERANCE_DB / 4.0 or safe.excess_db >= -_TOLERANCE_DB:
            break
        # Aim at the middle of the tolerance, which lies on the safe side.
        below, above = (safe.excess_db + _TOLERANCE_DB / 2.0) * safe_weight, over.excess_db * over_weight
        share = below / (below - above)
        point = _at(trial, safe.gain_db + min(max(share, 0.02), 0.98) * (over.gain_db - safe.gain_db))
        if point.excess_db <= 0.0:
            safe, safe_weight, over_weight = point, 1.0, over_weight / 2.0
        else:
            over, over_weight, safe_weight = point, 1.0, safe_weight / 2.0
    return safe.gain_db, over.cause


@dataclass(frozen=True)
class _Point:
    """A gain that was tried."""

    gain_db: float
    excess_db: float
    cause: Cause


def _at(trial: Callable[[float], Excess], gain_db: float) -> _Point:
    return _Point(gain_db, *trial(gain_db))


def _bracket(
    trial: Callable[[float], Excess], start: _Point, highest_gain_db: float
) -> tuple[_Point | None, _Point | None]:
    """The nearest gains found that are safe and that are over the limit; None where there is none in range."""
    here = start
    slope = 1.0  # decibels of excess for one of gain, as far as is known
    while True:
        # A little beyond where a straight line crosses, so that most often the next point lies on the other side.
        step_db = -here.excess_db / slope * 1.05 - math.copysign(2.0 * _TOLERANCE_DB, here.excess_db)
        there = _at(trial, min(max(here.gain_db + step_db, _LOWEST_GAIN_DB), highest_gain_db))
        if (there.excess_db <= 0.0) != (here.excess_db <= 0.0):
            safe, over = sorted((here, there), key=lambda point: point.excess_db)
            return safe, over
        if there.gain_db in (_LOWEST_GAIN_DB, highest_gain_db):
            return (there, None) if there.excess_db <= 0.0 else (None, there)
        slope = max((there.excess_db - here.excess_db) / (there.gain_db - here.gain_db), _LEAST_SLOPE)
        here = there
