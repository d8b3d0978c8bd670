"""How many decibels of room are left, and what binds first.

The margin is the largest gain change for which nothing is at risk: positive is room, negative is how far to turn down.
Each trial gain runs protection and driver again; where the amplifier clips, the frames come from the ladder of gains
that was climbed while the file was decoded (`auditor.chain.overdrive`), and no gain above its highest is tried: by then
a full-scale signal overdrives the amplifier by 20 dB more than now. Where clipping meets the peak rating, the few rows
of samples that decide are read from the file again and clipped exactly; where it meets heat, the whole file is. Behind
a limiter none of that holds, and the file is played again for each trial (`auditor.judgement.replayed_margin`).
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import compress
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.overdrive import WishedRow
from auditor.judgement.before import NOTHING, Before
from auditor.judgement.look import NEAR_DB, Look, Row, look_at
from auditor.judgement.replayed_margin import limited_margin
from auditor.judgement.trial import LEAST_SLOPE, LOWEST_GAIN_DB, Point, at
from auditor.judgement.worst import Excess, worst_of
from auditor.threads import THREADS
from auditor.units import SILENCE_DB, power_to_db

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.audit_types import Cause
    from auditor.chain.overdrive import OverdriveLadder
    from auditor.chain.play import ChannelFeed
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig


_TOLERANCE_DB = 0.02
_GUARD_DB = 0.01  # kept from the limit, so that the gain found is safe when it is set, whatever the last digit does
_COARSE_DB = 0.2
_ALIKE_DB = 3.0  # channels that are so near to the worst are worked out side by side
_MOST_TRIALS = 40
_LARGE_DEPARTURE_DB = 0.3  # the ladder's rungs are near enough for a tenth of it
_MOST_READINGS = 8


@dataclass(frozen=True, kw_only=True)
class Line:
    """One channel through one rig: at either end of the part's tolerance the rig is another one.

    excess : Excess
        At the present gain.
    before : Before
        What was played before it, which another gain leaves as it was.
    """

    feed: ChannelFeed
    rig: Rig
    excess: Excess
    before: Before = NOTHING


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
    channels = [trial_channel(line.feed, line.rig, line.before) for line in lines]
    starts = [Point(0.0, excess_db + _GUARD_DB, cause) for excess_db, cause in (line.excess for line in lines)]
    leading_db = max(start.excess_db for start in starts) - _ALIKE_DB
    leading = [start.excess_db >= leading_db for start in starts]
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        found = [
            each
            for each in pool.map(
                lambda channel, start: channel.margin(start), compress(channels, leading), compress(starts, leading)
            )
            if each is not None
        ]
    # The others mostly need one look, to see that they do not bind.
    for channel, start, leads in zip(channels, starts, leading, strict=True):
        if not leads:
            here = at(channel.excess, min(found)[0]) if found else start
            tighter = channel.margin(here) if here.excess_db >= -NEAR_DB or not found else None
            found += [tighter] if tighter is not None else []
    return min(found, default=(None, None))


ExactRows = dict[int, WishedRow | None]


def trial_channel(
    feed: ChannelFeed,
    rig: Rig,
    before: Before = NOTHING,
    *,
    exact: ExactRows | None = None,
    only: Cause | None = None,
) -> TrialChannel:
    """One channel, to be tried at other gains.

    Parameters
    ----------
    feed : ChannelFeed
    rig : Rig
    before : Before, optional
        What was played before.
    exact : dict, optional
        Rows read from the file so far, for trials of one file in several rigs to share.
    only : Cause, optional
        What alone counts.
    """
    kind = _LimitedChannel if rig.limiters else TrialChannel
    return kind(feed, rig, before, exact={} if exact is None else exact, only=only)


class Trial(ABC):
    """Something that is tried at other gains; rows whose peaks decide are read again from the file, to be exact."""

    def __init__(self) -> None:
        self._seen: dict[float, Look] = {}  # by gain, for as long as no more rows are read

    @property
    @abstractmethod
    def highest_gain_db(self) -> float:
        """Largest gain change that can be tried [dB]."""

    @abstractmethod
    def looked(self, gain_db: float) -> Look:
        """A run through all of it at a gain change."""

    @abstractmethod
    def energies_v2(self, gain_db: float) -> tuple[float, float]:
        """Energy of the HF branch now, and at a gain change, in the same unit."""

    @abstractmethod
    def replayed_excess(self, gain_db: float) -> Excess | None:
        """Worst excess from every sample clipped at that gain [dB]; None if the files are no longer the same."""

    @abstractmethod
    def read_rows(self, rows: Sequence[Row], gain_db: float) -> bool:
        """Read those rows that clipping makes uncertain at this gain; False if none is new."""

    def excess(self, gain_db: float) -> Excess:
        """Worst excess at a gain change, with the guard [dB]."""
        excess_db, cause = self._look(gain_db).excess
        return excess_db + _GUARD_DB, cause

    def _look(self, gain_db: float) -> Look:
        if gain_db not in self._seen:
            self._seen[gain_db] = self.looked(gain_db)
        return self._seen[gain_db]

    def margin(self, start: Point) -> tuple[float, Cause] | None:
        """Gain at which the first limit is reached, and which, looking from `start`; None if none is in range."""
        found = self.margin_by_ladder(start)
        return None if found is None else self._replayed(*found)

    def margin_by_ladder(self, start: Point) -> tuple[float, Cause] | None:
        """The same without a replay of the whole file: some hundredths of a decibel off where the amplifier clips."""
        if start.excess_db <= SILENCE_DB:
            return None
        highest_db = self.highest_gain_db
        found = _solve(self.excess, start, highest_db, _COARSE_DB)  # near enough to see which rows decide
        for reading in range(_MOST_READINGS):
            if found is None:
                return None
            if not self._read_deciding_rows(found[0]) and reading > 0:
                break
            found = _solve(self.excess, at(self.excess, found[0]), highest_db, _TOLERANCE_DB)
        return found

    def _read_deciding_rows(self, gain_db: float) -> bool:
        """Read the rows with the highest peaks at this gain; False if none is new."""
        is_new = self.read_rows(self._look(gain_db).loudest_rows, gain_db)
        if is_new:
            self._seen.clear()
        return is_new

    def _replayed(self, gain_db: float, cause: Cause) -> tuple[float, Cause]:
        """The margin from all samples clipped at just that gain, where heat or excursion binds and clipping counts."""
        if not self._clipping_counts(gain_db, cause):
            return gain_db, cause
        exact = self.replayed_excess(gain_db)
        if exact is None:
            return gain_db, cause  # the file is no longer there, or no longer the same: the ladder's figure stands
        exact_db, cause = exact
        slope = (self.excess(gain_db)[0] - self.excess(gain_db - NEAR_DB)[0]) / NEAR_DB
        return gain_db - (exact_db + _GUARD_DB + _TOLERANCE_DB / 2.0) / max(slope, LEAST_SLOPE), cause

    def clips(self, gain_db: float) -> bool:
        """Whether the amplifier may clip, now or at a gain change."""
        return True

    def _clipping_counts(self, gain_db: float, cause: Cause) -> bool:
        if cause in ("driver_power_peak", "excursion"):  # of peaks the rows that decide are exact
            return cause == "excursion" and self.clips(gain_db)
        now, then = self.energies_v2(gain_db)
        return now > 0.0 and abs(power_to_db(then / now) - gain_db) >= _LARGE_DEPARTURE_DB


class TrialChannel(Trial):
    """One channel of one track."""

    def __init__(self, feed: ChannelFeed, rig: Rig, before: Before, *, exact: ExactRows, only: Cause | None) -> None:
        super().__init__()
        self._feed = feed
        self._rig = rig
        self._before = before
        self._exact = exact
        self._only = only

    @property
    def _ladder(self) -> OverdriveLadder:
        ladder = self._feed.ladder
        assert ladder is not None, "played without what the margin needs"
        return ladder

    @property
    def highest_gain_db(self) -> float:
        return self._ladder.highest_gain_db

    def looked(self, gain_db: float) -> Look:
        return look_at(self.frames(gain_db), self._rig, self._before, only=self._only)[0]

    def excesses(self, gain_db: float) -> dict[Cause, float]:
        """Excess of each quantity at a gain change, without the guard [dB]."""
        return worst_of(self.frames(gain_db), self._rig, before=self._before).excesses(self._rig)

    def clips(self, gain_db: float) -> bool:
        return bool(self._ladder.onset_db.min(initial=math.inf) < max(gain_db, 0.0))

    def energies_v2(self, gain_db: float) -> tuple[float, float]:
        now, then = (
            float(np.square(each.rms_v, dtype=np.float64).sum()) for each in (self._feed.frames, self.frames(gain_db))
        )
        return now, then

    def frames(self, gain_db: float) -> HfFrames:
        """HF frames at a gain change."""
        rows = [row for row in self._exact.values() if row is not None]
        return self._ladder.frames_at(self._feed.frames, gain_db, rows)

    def replayed_excess(self, gain_db: float) -> Excess | None:
        replayed = self.replayed(gain_db)
        return None if replayed is None else worst_of(replayed, self._rig, before=self._before).excess(self._rig)

    def replayed(self, gain_db: float) -> HfFrames | None:
        """HF frames at a gain change, from every sample; None if the file is no longer the same."""
        replayed = self._feed.replay.frames(gain_db)
        return replayed if len(replayed.rms_v) == len(self._feed.frames.rms_v) else None

    def read_rows(self, rows: Sequence[Row], gain_db: float) -> bool:
        ladder = self._ladder
        new = [row for _, (row,) in rows if row not in self._exact and ladder.departs(row, gain_db)]
        for row in sorted(new):  # in the order of the file, which some formats can only be read in
            wished_v = self._feed.replay.wished_v(
                row * ladder.row_length - ladder.lead, ladder.row_length + 2 * ladder.lead
            )
            self._exact[row] = None if wished_v is None else WishedRow(row=row, wished_v=wished_v)
        return bool(new)


class _LimitedChannel(TrialChannel):
    """One channel behind a limiter: every trial is a replay of the file."""

    def margin(self, start: Point) -> tuple[float, Cause] | None:
        return limited_margin(self.excess, start)

    def margin_by_ladder(self, start: Point) -> tuple[float, Cause] | None:
        return self.margin(start)

    def frames(self, gain_db: float) -> HfFrames:
        return self._feed.replay.frames(gain_db)


def _solve(
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
