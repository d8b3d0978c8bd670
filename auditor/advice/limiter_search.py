"""Trials of limiters on single tracks, and the highest threshold at which a track stays within its limits.

A trial plays the file anew, for a limiter answers to what comes and in its own time. Lowering the threshold of the last
limiter takes more away at every sample (without hold strictly so, with it and through filters very nearly: see
`tests/stages/test_limiter_choice.py`), so a safe and an unsafe threshold enclose the highest safe one. Not so for the
first of two: what it takes away lets the second rest, and up to 2 dB more of a peak get past that. So the first is set
first and the second behind it, and when the first must come down afterwards, all of it is played and judged again.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from auditor.chain.play import play
from auditor.judgement.worst import worst_of
from auditor.protection import ends
from auditor.threads import thread_count
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from auditor.audit_types import Cause, LimiterWork
    from auditor.chain.splitter import HfFrames
    from auditor.judgement.worst import Excess
    from auditor.programme.entry import Source
    from auditor.rig import Limiter, Rig
    from auditor.store.store import Store

LONG: tuple[Cause, ...] = ("driver_power_60s", "coil_temp")
SHORT: tuple[Cause, ...] = ("driver_power_1s", "protection_failed")
HEAT: tuple[Cause, ...] = (*LONG, *SHORT)
PEAK: tuple[Cause, ...] = ("driver_power_peak",)

STEP_DB = 0.1  # of a threshold: what processors can be set to
GUARD_DB = 0.02  # kept from a limit, more than the margin keeps, so that what is found has no negative one
_NEAR_DB = 0.1  # under the limit, where a threshold is high enough
_AWAY_DB, _FARTHEST_DB = 3.0, 12.0  # of one stride
_MOST_TRIALS = 24
_LEAST_SLOPE = 0.2


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One track through one set of limiters.

    Parameters
    ----------
    excesses_db : dict of Cause to float
        By how much each limit is passed, negative below it [dB]: worst channel, worst end of the part's tolerance.
    works : tuple of LimiterWork
        Of each channel.
    """

    excesses_db: dict[Cause, float]
    works: tuple[LimiterWork, ...] = ()

    def worst(self, causes: Iterable[Cause]) -> Excess:
        """The largest excess of some causes [dB], and which it is."""
        return max((self.excesses_db[cause], cause) for cause in causes)


@dataclass
class Trials:
    """Every trial made so far, so that none is made twice.

    Parameters
    ----------
    rig : Rig
        Without a limiter.
    sources : dict of str to str, Path or Entry
        What to read a track by, where its name is not that; by name.
    store : Store or None
        Where what was played is kept from one run to the next.
    """

    rig: Rig
    sources: dict[str, Source] = field(default_factory=dict)
    store: Store | None = None
    decodes: int = 0
    _known: dict[tuple[str, tuple[Limiter, ...]], Trial] = field(default_factory=dict)

    def at(self, path: str, limiters: Sequence[Limiter]) -> Trial:
        """The track through these limiters.

        Raises
        ------
        ProgrammeError
            If the file cannot be read any more.
        """
        key = (path, tuple(limiters))
        if key not in self._known:
            rig = replace(self.rig, limiters=key[1])
            self.decodes += 1
            feeds = play(self.sources.get(path, path), rig, with_ladder=False, store=self.store).feeds
            works = tuple(feed.limiter for feed in feeds if feed.limiter is not None)
            self._known[key] = replace(judged([feed.frames for feed in feeds], rig), works=works)
        return self._known[key]

    def enter(self, path: str, trial: Trial) -> None:
        """A trial without limiter that has been made elsewhere."""
        self._known[path, ()] = trial


def judged(channels: Sequence[HfFrames], rig: Rig) -> Trial:
    """Channels of a track held against every limit, with a part as rated and at the ends of its tolerance."""
    settings = ends(rig.protection) or (rig.protection,)
    rigs = [rig, *(replace(rig, protection=end) for end in settings if end != rig.protection)]
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        found = list(
            pool.map(
                lambda pair: worst_of(pair[0], pair[1]).excesses(pair[1]),
                [(frames, each) for frames in channels for each in rigs],
            )
        )
    return Trial(excesses_db={cause: max(each[cause] for each in found) for cause in found[0]})


def highest_threshold(
    excess: Callable[[float], float], *, start_dbu: float, lowest_dbu: float, highest_dbu: float
) -> float | None:
    """Highest threshold, in tenths of a decibel, at which a track is within its limits.

    Parameters
    ----------
    excess : callable
        By how much the worst limit is passed at a threshold [dBu]; goes up with it [dB].
    start_dbu : float
        Where to look first.
    lowest_dbu, highest_dbu : float

    Returns
    -------
    float or None
        Within 0.1 dB of the limit or of the next unsafe threshold [dBu]; None where even the lowest is not safe.
    """
    lowest, highest = math.ceil(lowest_dbu / STEP_DB - 1e-6), math.floor(highest_dbu / STEP_DB + 1e-6)
    search = _Search(lowest, highest)
    step = min(max(math.floor(start_dbu / STEP_DB + 1e-6), lowest), highest)
    for _ in range(_MOST_TRIALS):
        search.take(step, max(excess(step * STEP_DB), SILENCE_DB) + GUARD_DB)
        if search.done:
            break
        step = search.next_step()
    return None if search.safe is None else round(search.safe[0] * STEP_DB, 1)


class _Search:
    """Thresholds in whole steps, with the excess at each [dB]: the nearest that is safe and that is not."""

    def __init__(self, lowest: int, highest: int) -> None:
        self.safe: tuple[int, float] | None = None
        self.over: tuple[int, float] | None = None
        self._lowest, self._highest = lowest, highest
        self._slope = 1.0  # decibels of excess for one of threshold
        self._misses = 0  # trials in a row on one side
        self._was_safe: bool | None = None

    def take(self, step: int, excess_db: float) -> None:
        """Enter a trial."""
        is_safe = excess_db <= 0.0
        before = self.safe if is_safe else self.over
        if before is not None and step != before[0]:
            rise = (excess_db - before[1]) / ((step - before[0]) * STEP_DB)
            self._slope = min(max(rise, _LEAST_SLOPE), 1.5)
        self._misses = self._misses + 1 if is_safe == self._was_safe else 0
        self._was_safe = is_safe
        if is_safe:
            self.safe = (step, excess_db)
        else:
            self.over = (step, excess_db)

    @property
    def done(self) -> bool:
        if self.safe is None:
            return self.over is not None and self.over[0] <= self._lowest
        step, excess_db = self.safe
        return excess_db >= -_NEAR_DB or step >= self._highest or (self.over is not None and self.over[0] - step <= 1)

    def next_step(self) -> int:
        """The threshold to try next."""
        if self.safe is not None and self.over is not None:
            return self._between(*self.safe, *self.over)
        if self.safe is not None:
            up = math.ceil((-self.safe[1] / self._slope * 1.1) / STEP_DB)
            return min(self.safe[0] + self._stride(up), self._highest)
        assert self.over is not None
        down = math.ceil(self.over[1] / self._slope * 1.05 / STEP_DB)
        return max(self.over[0] - self._stride(down), self._lowest)

    def _stride(self, steps: int) -> int:
        """At least one, and ever wider where one trial after the other lands on the same side."""
        least = round(_AWAY_DB * 2.0 ** (self._misses - 1) / STEP_DB) if self._misses else 1
        return max(min(steps, round(_FARTHEST_DB / STEP_DB)), least)

    def _between(self, safe: int, safe_db: float, over: int, over_db: float) -> int:
        width = over - safe
        share = (-safe_db - _NEAR_DB / 2.0) / (over_db - safe_db)
        inside = width // 2 if self._misses >= 2 else round(share * width)  # no straight line: a step
        return safe + min(max(inside, 1), width - 1)
