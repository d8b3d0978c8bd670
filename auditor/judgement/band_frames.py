"""One channel's frames at any gain, from those at the gains of a grid, so that many rigs share the work.

Between two gains of the grid each frame lies on a straight line. Ladder: every quarter of a decibel, 0.001 dB off at
most where nothing clips. Replays behind a limiter: every decibel, 0.02 dB.
"""

from __future__ import annotations

import functools
import math
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from auditor.chain.overdrive import OverdriveLadder, WishedRow, cut
from auditor.chain.replay import Replay
from auditor.rig_band import played_parts
from auditor.units import db_to_amplitude

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames

_LADDER_STEPS_PER_DB, _REPLAY_STEPS_PER_DB = 4, 1
_MOST_BYTES, _LEAST_KEPT, _MOST_KEPT = 100_000_000, 6, 120


@dataclass
class KeptFrames:
    """Frames that were worked out, the latest of them, by whatever they depend on."""

    most: int
    _frames: OrderedDict[Any, HfFrames] = field(default_factory=OrderedDict)

    @classmethod
    def of(cls, frames: HfFrames) -> Self:
        """As many as memory should hold for a channel of that length."""
        size = max(frames.rms_v.nbytes + frames.peak_v.nbytes, 1)
        return cls(most=min(max(_MOST_BYTES // size, _LEAST_KEPT), _MOST_KEPT))

    def between(self, gain_db: float, steps_per_db: int, key: Any, make: Callable[[float], HfFrames]) -> HfFrames:
        """Frames at a gain from those at the nearest gains of a grid.

        Parameters
        ----------
        gain_db : float
        steps_per_db : int
            Of the grid.
        key : hashable
            What the frames depend on besides the gain.
        make : callable
            Works them out at a gain of the grid [dB].
        """
        step = math.floor(gain_db * steps_per_db)
        share = np.float32(gain_db * steps_per_db - step)
        low = self._at(step, steps_per_db, key, make)
        if share == 0.0:
            return low
        high = self._at(step + 1, steps_per_db, key, make)
        return replace(
            low,
            rms_v=low.rms_v + share * (high.rms_v - low.rms_v),
            peak_v=low.peak_v + share * (high.peak_v - low.peak_v),
            peak_mm=None
            if low.peak_mm is None or high.peak_mm is None
            else low.peak_mm + share * (high.peak_mm - low.peak_mm),
        )

    def _at(self, step: int, steps_per_db: int, key: Any, make: Callable[[float], HfFrames]) -> HfFrames:
        found = self._frames.get((step, key))
        if found is None:
            found = self._frames[step, key] = make(step / steps_per_db)
            while len(self._frames) > self.most:
                self._frames.popitem(last=False)
        self._frames.move_to_end((step, key))
        return found


@dataclass(frozen=True, kw_only=True)
class Change:
    """What another value does to frames by one factor: more loss of a pad, more or less movement of a volt."""

    loss_db: float = 0.0
    moved_ratio: float = 1.0

    def of(self, frames: HfFrames) -> HfFrames:
        """The frames with it."""
        louder = frames.scaled(np.float32(db_to_amplitude(-self.loss_db)))
        if louder.peak_mm is None or self.moved_ratio == 1.0:
            return louder
        return replace(louder, peak_mm=louder.peak_mm * np.float32(self.moved_ratio))


@dataclass(frozen=True, kw_only=True)
class GridLadder(OverdriveLadder):
    """A ladder at the gains of a grid.

    `what` names the frames that it is for: those as played, or those of a rig in which other volts are played.
    """

    grid: KeptFrames = field(repr=False, compare=False)
    change: Change
    what: Any = None

    @classmethod
    def of(cls, ladder: OverdriveLadder, *, grid: KeptFrames, change: Change, what: Any = None) -> Self:
        """The same ladder on a grid."""
        same = {each.name: getattr(ladder, each.name) for each in fields(OverdriveLadder)}
        return cls(**same, grid=grid, change=change, what=what)

    def frames_at(self, frames: HfFrames, gain_db: float, exact: Iterable[WishedRow] = ()) -> HfFrames:
        """HF frames at a gain change, the peaks of some rows exactly."""
        rows = list(exact)
        plain = super().frames_at
        found = self.grid.between(
            min(gain_db, self.highest_gain_db),
            _LADDER_STEPS_PER_DB,
            (self.what, self.frames_per_row, len(rows)),
            lambda at_db: plain(frames, at_db, rows),
        )
        return self.change.of(found)

    def by_part(
        self, frames: HfFrames, gain_db: float, exact: Iterable[WishedRow] = ()
    ) -> Callable[[int, int], HfFrames]:
        """The same for some frames at a time."""
        return functools.partial(cut, self.frames_at(frames, gain_db, exact))


@dataclass(frozen=True, kw_only=True)
class GridReplay(Replay):
    """Replays at the gains of a grid."""

    grid: KeptFrames = field(repr=False, compare=False)
    change: Change

    def frames(self, gain_db: float) -> HfFrames:
        """HF frames at a gain change."""
        what = (self.rig.limiters, played_parts(self.rig))
        return self.change.of(self.grid.between(gain_db, _REPLAY_STEPS_PER_DB, what, super().frames))
