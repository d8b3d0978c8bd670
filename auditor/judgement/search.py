"""The search for the gain at which the first limit is reached, by something that can be tried at any gain.

Each trial sends all of it through protection and driver. So the limit is first sought on an eighth of the frames
(`auditor.judgement.sketch`), which shows about where it is and which rows of samples decide; then it is found, as if
nothing had been guessed, by all frames from there.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from concurrent.futures import ThreadPoolExecutor, wait
from functools import cached_property
from itertools import compress
from typing import TYPE_CHECKING

from auditor.judgement.peaks import NEAR_DB
from auditor.judgement.replayed_margin import limited_margin
from auditor.judgement.trial import LEAST_SLOPE, LOWEST_GAIN_DB, Point, at, solve
from auditor.threads import thread_count
from auditor.units import SILENCE_DB, power_to_db

if TYPE_CHECKING:
    from collections.abc import Sequence
    from concurrent.futures import Executor, Future

    from auditor.audit_types import Cause
    from auditor.judgement.look import Look
    from auditor.judgement.peaks import Row
    from auditor.judgement.worst import Excess

TOLERANCE_DB = 0.02
GUARD_DB = 0.01  # kept from the limit, so that the gain found is safe when it is set, whatever the last digit does
_COARSE_DB = 0.2
_NEARLY_DB = 0.06  # for a guess: no finer than a sketch is
_ALIKE_DB = 3.0  # where nothing can be guessed, those so near to the worst are worked out side by side
_LARGE_DEPARTURE_DB = 0.3  # the ladder's rungs are near enough for a tenth of it
_DIVIDED_OFF_DB = 3.0  # what the ladder can be off where peaks are not exact: 2.5 dB was met, 30 dB into clipping
_MOST_READINGS = 16  # each of some rows, a hundredth of a run: a loop repeats its loudest row as often as it is played
_MOST_REPLAYS, _SMALL_STEP_DB = 4, 0.1


def tightest(trials: Sequence[Trial], starts: Sequence[Point]) -> tuple[float | None, Cause | None]:
    """The smallest margin of several trials, and what limits it; those that do not bind mostly need one look.

    Parameters
    ----------
    trials : sequence of Trial
    starts : sequence of Point
        What each is at the present gain, with the guard.
    """
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        guesses_db = list(pool.map(lambda trial, start: trial.guess_db(start), trials, starts))
        leading = _leading(starts, guesses_db)
        others = [not leads for leads in leading]
        leaders = [list(compress(each, leading)) for each in (trials, starts, guesses_db)]
        found = _margins(pool, *leaders, beside=list(compress(trials, others)))
        if found:
            may_bind = pool.map(lambda trial: trial.may_bind(min(found)[0]), compress(trials, others))
            others = [other and next(may_bind) for other in others]
    for trial, start, guess_db in zip(*(compress(each, others) for each in (trials, starts, guesses_db)), strict=True):
        here = (at(trial.excess, min(found)[0]), None) if found else (start, trial.near_db(guess_db))
        tighter = trial.margin(*here)
        found += [tighter] if tighter is not None else []
    if not found:
        return None, None
    margin_db, cause = min(found)
    # What is over no limit as it is played has room, if none to speak of, though the guard would have some more kept.
    is_safe_now = all(start.excess_db < GUARD_DB for start in starts)
    return (max(margin_db, 0.0) if is_safe_now else margin_db), cause


def _margins(
    pool: Executor,
    trials: Sequence[Trial],
    starts: Sequence[Point],
    guesses_db: Sequence[float | None],
    *,
    beside: Sequence[Trial],
) -> list[tuple[float, Cause]]:
    """Those of several trials, side by side.

    Where the limit most often is found, at a guess or a step from it, no core idles: there the others are worked out
    beside them, and remember it.
    """

    def look(others: Sequence[Trial], likely_db: Sequence[float | None]) -> list[Future[Excess]]:
        known_db = [each for each in likely_db if each is not None]
        return [pool.submit(trial.excess, min(known_db)) for trial in others] if known_db else []

    near_jobs = [pool.submit(trial.near_db, guess_db) for trial, guess_db in zip(trials, guesses_db, strict=True)]
    wait(look(beside[: max(thread_count() - len(trials), 0)], guesses_db))
    nears_db = [job.result() for job in near_jobs]
    jobs = [
        pool.submit(trial.margin, start, near_db)
        for trial, start, near_db in zip(trials, starts, nears_db, strict=True)
    ]
    wait(look(beside, nears_db))
    return [found for job in jobs if (found := job.result()) is not None]


def _leading(starts: Sequence[Point], guesses_db: Sequence[float | None]) -> list[bool]:
    """Those that are likely to bind: they are worked out side by side."""
    known_db = [guess_db for guess_db in guesses_db if guess_db is not None]
    if len(known_db) < len(guesses_db):
        leading_db = max(start.excess_db for start in starts) - _ALIKE_DB
        return [start.excess_db >= leading_db for start in starts]
    return [guess_db <= min(known_db) + _COARSE_DB for guess_db in known_db]


class Trial(ABC):
    """Something that is tried at other gains; rows whose peaks decide are read again from the file, to be exact."""

    def __init__(self) -> None:
        self._seen: dict[float, Look] = {}  # by gain, for as long as no more rows are read

    @property
    @abstractmethod
    def is_replayed(self) -> bool:
        """Whether every trial is a replay of the files: behind a limiter."""

    @property
    @abstractmethod
    def has_exact_peaks(self) -> bool:
        """Whether rows that were read again have exact peaks, whatever the amplifier clips of them."""

    @cached_property
    @abstractmethod
    def rough(self) -> Trial | None:
        """The same in an eighth of the frames, with the same rows exact; None where that tells nothing."""

    @property
    @abstractmethod
    def highest_gain_db(self) -> float:
        """Largest gain change that can be tried [dB]."""

    @abstractmethod
    def clips(self, gain_db: float) -> bool:
        """Whether the amplifier clips anything, now or at a gain change."""

    @abstractmethod
    def looked(self, gain_db: float) -> Look:
        """A run through all of it at a gain change."""

    def looked_again(self, look: Look, gain_db: float) -> Look:
        """The same once some of its loudest rows have been read."""
        return self.looked(gain_db)

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
        return excess_db + GUARD_DB, cause

    def _look(self, gain_db: float) -> Look:
        if gain_db not in self._seen:
            self._seen[gain_db] = self.looked(gain_db)
        return self._seen[gain_db]

    def guess_db(self, start: Point) -> float | None:
        """A gain near which the first limit seems to be, looking from `start` [dB]; None where it cannot be guessed."""
        if self.rough is None or start.excess_db <= SILENCE_DB:
            return None
        found = self.rough.margin_by_ladder(start, tolerance_db=_NEARLY_DB)
        self._seen.clear()  # rows were read meanwhile
        return self.highest_gain_db if found is None else found[0]

    def may_bind(self, gain_db: float) -> bool:
        """Whether the limit may be below that gain; every row that could decide is read for the answer."""
        if self.is_replayed:
            return self.excess(gain_db)[0] >= -NEAR_DB
        off_db = NEAR_DB if self.has_exact_peaks else _DIVIDED_OFF_DB
        for _ in range(_MOST_READINGS):
            excess_db, cause = self.excess(gain_db)
            if excess_db < -off_db or not self._read_deciding_rows(gain_db):
                break
        return excess_db > (-off_db if self._clipping_counts(gain_db, cause) else 0.0)

    def margin(self, start: Point, near_db: float | None = None) -> tuple[float, Cause] | None:
        """Gain at which the first limit is reached, and which; None if none is in range.

        Parameters
        ----------
        start : Point
            Where the search begins, unless a gain is known that is nearer [dB].
        near_db : float, optional
        """
        found = self.margin_by_ladder(start if near_db is None else at(self.excess, near_db))
        return found if found is None or self.is_replayed else self._replayed(*found)

    def near_db(self, guess_db: float | None) -> float | None:
        """As near to the limit as one step by all frames leads from a guess [dB]; None without a guess."""
        if guess_db is None or self.rough is None:
            return guess_db
        here = at(self.excess, guess_db)
        if -TOLERANCE_DB <= here.excess_db <= 0.0:
            return guess_db
        rise_db = self.rough.excess(guess_db)[0] - self.rough.excess(guess_db - NEAR_DB)[0]
        over_db = here.excess_db + TOLERANCE_DB / 2.0
        nearer_db = guess_db - over_db / max(rise_db / NEAR_DB, LEAST_SLOPE)
        return min(max(nearer_db, LOWEST_GAIN_DB), self.highest_gain_db)

    def margin_by_ladder(self, start: Point, *, tolerance_db: float = TOLERANCE_DB) -> tuple[float, Cause] | None:
        """The same without a replay of the whole file: some hundredths of a decibel off where the amplifier clips.

        Behind a limiter there is no ladder, and it is replayed as ever.
        """
        if self.is_replayed:
            return limited_margin(self.excess, start)
        if start.excess_db <= SILENCE_DB:
            return None
        highest_db = self.highest_gain_db
        found = solve(self.excess, start, highest_db, _COARSE_DB)  # near enough to see which rows decide
        for reading in range(_MOST_READINGS):
            if found is None:
                return None
            if not self._read_deciding_rows(found[0]) and reading > 0:
                break
            found = solve(self.excess, at(self.excess, found[0]), highest_db, tolerance_db)
        return found

    def _read_deciding_rows(self, gain_db: float) -> bool:
        """Read the rows with the highest peaks at this gain; False if none is new."""
        look = self._look(gain_db)
        is_new = self.read_rows(look.loudest_rows, gain_db)
        if is_new:
            self._seen = {gain_db: self.looked_again(look, gain_db)}
        return is_new

    def _replayed(self, gain_db: float, cause: Cause) -> tuple[float, Cause]:
        """The margin from all samples clipped at just that gain, where the ladder is not exact enough."""
        if not self._clipping_counts(gain_db, cause):
            return gain_db, cause
        slope = max((self.excess(gain_db)[0] - self.excess(gain_db - NEAR_DB)[0]) / NEAR_DB, LEAST_SLOPE)
        for _ in range(_MOST_REPLAYS):
            exact = self.replayed_excess(gain_db)
            if exact is None:
                break  # the file is no longer there, or no longer the same: the ladder's figure stands
            exact_db, cause = exact
            step_db = (exact_db + GUARD_DB + TOLERANCE_DB / 2.0) / slope
            gain_db -= step_db
            if abs(step_db) < _SMALL_STEP_DB:
                break
        return gain_db, cause

    def _clipping_counts(self, gain_db: float, cause: Cause) -> bool:
        """Whether clipping has so large a part in what binds that the ladder is not exact enough."""
        if not self.has_exact_peaks and self.clips(gain_db):
            return True
        if cause in ("driver_power_peak", "excursion"):  # of peaks the rows that decide are exact
            return cause == "excursion" and self.clips(gain_db)
        now, then = self.energies_v2(gain_db)
        return now > 0.0 and abs(power_to_db(then / now) - gain_db) >= _LARGE_DEPARTURE_DB
