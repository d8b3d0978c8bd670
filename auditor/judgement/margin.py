"""How many decibels of room are left, and what binds first.

The margin is the largest gain change for which nothing is at risk: positive is room, negative is how far to turn down.
Each trial gain runs protection and driver again; where the amplifier clips, the frames come from the ladder of gains
that was climbed while the file was decoded (`auditor.chain.overdrive`), and no gain above its highest is tried: by then
a full-scale signal overdrives the amplifier by 20 dB more than now. Where clipping meets the peak rating, the few rows
of samples that decide are read from the file again and clipped exactly; where it meets heat, the whole file is. Behind
a limiter none of that holds, and the file is played again for each trial (`auditor.judgement.replayed_margin`).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import compress
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.overdrive import FRAMES_PER_ROW, WishedRow
from auditor.judgement.ratings import stretches
from auditor.judgement.replayed_margin import limited_margin
from auditor.judgement.sketch import sketch
from auditor.judgement.trial import LEAST_SLOPE, LOWEST_GAIN_DB, Point, at, solve
from auditor.judgement.worst import Excess, Worst, worst_of
from auditor.protection import opens
from auditor.threads import THREADS
from auditor.units import SILENCE_DB, power_to_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.audit_types import Cause
    from auditor.chain.overdrive import OverdriveLadder
    from auditor.chain.play import ChannelFeed
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig


_TOLERANCE_DB = 0.02
_GUARD_DB = 0.01  # kept from the limit, so that the gain found is safe when it is set, whatever the last digit does
_COARSE_DB = 0.2
_NEARLY_DB = 0.06  # for a guess: no finer than a sketch is
_ALIKE_DB = 3.0  # channels that are so near to the worst are worked out side by side
_NEAR_DB = 1.0  # more than the ladder can be off
_LARGE_DEPARTURE_DB = 0.3  # the ladder's rungs are near enough for a tenth of it
_ROWS_AT_A_TIME = 12
_MOST_READINGS = 8


@dataclass(frozen=True, kw_only=True)
class Line:
    """One channel through one rig: at either end of the part's tolerance the rig is another one.

    excess : Excess
        At the present gain.
    """

    feed: ChannelFeed
    rig: Rig
    excess: Excess


def margin(lines: Sequence[Line]) -> tuple[float | None, Cause | None]:
    """Margin of a programme: that of its tightest channel, with the part anywhere within its tolerance.

    Parameters
    ----------
    lines : sequence of Line
        Every channel, with each end of the part's tolerance.

    Returns
    -------
    margin_db : float or None
        None where even the highest gain tried reaches no limit.
    limited_by : Cause or None
    """
    channels = [trial_channel(line.feed, line.rig) for line in lines]
    starts = [Point(0.0, excess_db + _GUARD_DB, cause) for excess_db, cause in (line.excess for line in lines)]
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        guesses_db = list(pool.map(lambda channel, start: channel.guess_db(start), channels, starts))
        leading = _leading(starts, guesses_db)
        found = [
            each
            for each in pool.map(
                lambda channel, start, guess_db: channel.margin(start, guess_db),
                *(compress(each, leading) for each in (channels, starts, guesses_db)),
            )
            if each is not None
        ]
        others = [not leads for leads in leading]
        if found:
            # The others mostly need one look, to see that they do not bind.
            may_bind = pool.map(lambda channel: channel.may_bind(min(found)[0]), compress(channels, others))
            others = [other and next(may_bind) for other in others]
    for channel, start, guess_db in zip(
        *(compress(each, others) for each in (channels, starts, guesses_db)), strict=True
    ):
        tighter = channel.margin(at(channel.excess, min(found)[0]) if found else start, None if found else guess_db)
        found += [tighter] if tighter is not None else []
    return min(found, default=(None, None))


def _leading(starts: Sequence[Point], guesses_db: Sequence[float | None]) -> list[bool]:
    """Channels that are likely to bind: they are worked out side by side."""
    guessed_db = [guess_db for guess_db in guesses_db if guess_db is not None]
    if len(guessed_db) < len(guesses_db):
        leading_db = max(start.excess_db for start in starts) - _ALIKE_DB
        return [start.excess_db >= leading_db for start in starts]
    return [guess_db <= min(guessed_db) + _COARSE_DB for guess_db in guessed_db]


def trial_channel(feed: ChannelFeed, rig: Rig) -> _Channel:
    """One channel, to be tried at other gains."""
    return _LimitedChannel(feed, rig) if rig.limiters else _Channel(feed, rig)


class _Channel:
    """One channel at trial gains; rows whose peaks decide are read again from the file, to be exact."""

    def __init__(
        self,
        feed: ChannelFeed,
        rig: Rig,
        *,
        frames_per_row: int = FRAMES_PER_ROW,
        exact: dict[int, WishedRow | None] | None = None,
    ) -> None:
        self._feed = feed
        self._rig = rig
        self._frames_per_row = frames_per_row
        self._exact = {} if exact is None else exact
        self._seen: dict[float, _Look] = {}  # by gain, for as long as no more rows are read

    @property
    def _ladder(self) -> OverdriveLadder:
        ladder = self._feed.ladder
        assert ladder is not None, "played without what the margin needs"
        return ladder

    def excess(self, gain_db: float) -> Excess:
        """Worst excess at a gain change, with the guard [dB]."""
        return self._look(gain_db).excess

    def _look(self, gain_db: float) -> _Look:
        if gain_db not in self._seen:
            self._seen[gain_db] = _look(self._frames(gain_db), self._rig, self._frames_per_row)
        return self._seen[gain_db]

    def guess_db(self, start: Point) -> float | None:
        """A gain near which the limit seems to be [dB]; None where it cannot be guessed.

        Not for a part that opens: there the nearest limit from the present level is asked for, and others may lie
        beyond it.
        """
        if opens(self._rig.protection) or start.excess_db <= SILENCE_DB:
            return None
        found = self._rough.found(start, _NEARLY_DB)
        self._seen.clear()  # rows were read meanwhile
        return self._ladder.highest_gain_db if found is None else found[0]

    @cached_property
    def _rough(self) -> _Channel:
        """The same in an eighth of the frames, with the same rows exact."""
        rough_feed = replace(self._feed, frames=sketch(self._feed.frames))
        return _Channel(rough_feed, self._rig, frames_per_row=1, exact=self._exact)

    def _nearest(self, guess_db: float) -> Point:
        """The limit as all frames have it, as near as one more guess brings it."""
        here = at(self.excess, guess_db)
        if -_TOLERANCE_DB <= here.excess_db <= 0.0:
            return here
        rise_db = self._rough.excess(guess_db)[0] - self._rough.excess(guess_db - _NEAR_DB)[0]
        over_db = here.excess_db + _TOLERANCE_DB / 2.0
        nearer_db = guess_db - over_db / max(rise_db / _NEAR_DB, LEAST_SLOPE)
        return at(self.excess, min(max(nearer_db, LOWEST_GAIN_DB), self._ladder.highest_gain_db))

    def may_bind(self, gain_db: float) -> bool:
        """Whether the limit may be below that gain; every row that could decide is read for the answer."""
        for _ in range(_MOST_READINGS):
            excess_db, cause = self.excess(gain_db)
            if excess_db < -_NEAR_DB or not self._read_deciding_rows(gain_db):
                break
        departs = cause != "driver_power_peak" and abs(self._departure_db(gain_db)) >= _LARGE_DEPARTURE_DB
        return excess_db > (-_NEAR_DB if departs else 0.0)

    def margin(self, start: Point, guess_db: float | None) -> tuple[float, Cause] | None:
        """Gain at which the first limit is reached, and which; None if none is in range.

        Parameters
        ----------
        start : Point
            Where the search begins, unless there is a guess.
        guess_db : float or None
        """
        found = self.found(start if guess_db is None else self._nearest(guess_db), _TOLERANCE_DB)
        return None if found is None else self._replayed(*found)

    def found(self, start: Point, tolerance_db: float) -> tuple[float, Cause] | None:
        """The same as far as the ladder and the rows that were read tell."""
        if start.excess_db <= SILENCE_DB:
            return None
        highest_db = self._ladder.highest_gain_db
        found = solve(self.excess, start, highest_db, _COARSE_DB)  # near enough to see which rows decide
        for reading in range(_MOST_READINGS):
            if found is None:
                return None
            if not self._read_deciding_rows(found[0]) and reading > 0:
                break
            found = solve(self.excess, at(self.excess, found[0]), highest_db, tolerance_db)
        return found

    def _replayed(self, gain_db: float, cause: Cause) -> tuple[float, Cause]:
        """The margin from all samples clipped at just that gain, where heat binds and clipping has a large part."""
        if cause == "driver_power_peak" or abs(self._departure_db(gain_db)) < _LARGE_DEPARTURE_DB:
            return gain_db, cause
        replayed = self._feed.replay.frames(gain_db)
        if len(replayed.rms_v) != len(self._feed.frames.rms_v):
            return gain_db, cause  # the file is no longer there, or no longer the same: the ladder's figure stands
        exact_db, cause = worst_of(replayed, self._rig).excess(self._rig)
        slope = (self.excess(gain_db)[0] - self.excess(gain_db - _NEAR_DB)[0]) / _NEAR_DB
        return gain_db - (exact_db + _GUARD_DB + _TOLERANCE_DB / 2.0) / max(slope, LEAST_SLOPE), cause

    def _departure_db(self, gain_db: float) -> float:
        """What clipping does to the energy of the HF branch at this gain, over plain scaling [dB]."""
        now, then = (
            float(np.square(each.rms_v, dtype=np.float64).sum()) for each in (self._feed.frames, self._frames(gain_db))
        )
        return power_to_db(then / now) - gain_db if now > 0.0 else 0.0

    def _frames(self, gain_db: float) -> HfFrames:
        rows = [row for row in self._exact.values() if row is not None]
        return self._ladder.frames_at(self._feed.frames, gain_db, rows, frames_per_row=self._frames_per_row)

    def _read_deciding_rows(self, gain_db: float) -> bool:
        """Read the rows with the highest peaks at this gain that clipping makes uncertain; False if none is new."""
        ladder = self._ladder
        new = [
            row for row in self._look(gain_db).loudest_rows if row not in self._exact and ladder.departs(row, gain_db)
        ]
        if new:
            self._seen.clear()
        for row in sorted(new):  # in the order of the file, which some formats can only be read in
            wished_v = self._feed.replay.wished_v(
                row * ladder.row_length - ladder.lead, ladder.row_length + 2 * ladder.lead
            )
            self._exact[row] = None if wished_v is None else WishedRow(row=row, wished_v=wished_v)
        return bool(new)


class _LimitedChannel(_Channel):
    """One channel behind a limiter: every trial is a replay of the file."""

    def guess_db(self, start: Point) -> float | None:
        return None

    def may_bind(self, gain_db: float) -> bool:
        return self.excess(gain_db)[0] >= -_NEAR_DB

    def margin(self, start: Point, guess_db: float | None) -> tuple[float, Cause] | None:
        return limited_margin(self.excess, start)

    def _frames(self, gain_db: float) -> HfFrames:
        return self._feed.replay.frames(gain_db)


@dataclass(frozen=True)
class _Look:
    """A channel at one gain: its excess, with the guard, and the rows with peaks near the rating, loudest first."""

    excess: Excess
    loudest_rows: list[int]


def _look(frames: HfFrames, rig: Rig, frames_per_row: int) -> _Look:
    near_w = rig.driver.peak_power_w * 10.0 ** (-_NEAR_DB / 10.0)
    worst, powers, rows = Worst(), [np.empty(0, dtype=np.float32)], [np.empty(0, dtype=np.int64)]
    for stretch in stretches(frames, rig, protected=True):
        worst.take(stretch)
        high = np.flatnonzero(stretch.power_peak_w > near_w)
        powers.append(stretch.power_peak_w[high])
        rows.append((high + stretch.first_frame) // frames_per_row)
    excess_db, cause = worst.excess(rig)
    ranked = np.concatenate(rows)[np.argsort(np.concatenate(powers))[::-1]]
    loudest = list(dict.fromkeys(ranked.tolist()))[:_ROWS_AT_A_TIME]
    return _Look((excess_db + _GUARD_DB, cause), loudest)
