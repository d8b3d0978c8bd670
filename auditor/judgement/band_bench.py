"""One channel, as it was played, in rigs whose assumed values stand elsewhere in their bands."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from auditor.judgement.band_frames import Change, GridLadder, GridReplay, KeptFrames
from auditor.judgement.band_takes import as_played
from auditor.judgement.margin import ExactRows, trial_channel
from auditor.judgement.passages import ENGAGED_FROM_DB
from auditor.judgement.ratings import stretches
from auditor.judgement.trial import LEAST_SLOPE, at
from auditor.protection import ends as protection_ends
from auditor.protection import opens
from auditor.rig_band import played_parts, varied

if TYPE_CHECKING:
    from auditor.audit_types import Cause
    from auditor.chain.play import ChannelFeed
    from auditor.judgement.band_takes import Takes
    from auditor.judgement.margin import TrialChannel
    from auditor.rig import Rig

Positions = Mapping[str, float]
_UNREAD_PEAK_DB = 0.8  # what a peak may be off whose samples were not read again


class Bench:
    """Where one channel is tried.

    Parameters
    ----------
    feed : ChannelFeed
    rig : Rig
        Every value as assumed.
    takes : Takes
        Where the file is played in rigs in which it gives other volts.
    """

    def __init__(self, feed: ChannelFeed, rig: Rig, takes: Takes) -> None:
        self._feed = feed
        self._rig = rig
        self._takes = takes
        self._exact: dict[Any, ExactRows] = {}
        self._grid = KeptFrames.of(feed.frames)
        # Of parts that open the excess goes up and down with gain, and behind a limiter each gain is a replay.
        self._is_plain = not (opens(rig.protection) or rig.limiters)
        self._start_db = 0.0
        # The part at either end of its tolerance, or as rated.
        self.parts = range(1 if protection_ends(rig.protection) is None else 2)

    def margin_db(self, positions: Positions) -> float:
        """Margin with values at these positions and the part anywhere in its tolerance; infinite where none binds."""
        return min(self.margin_of_part_db(part, positions) for part in self.parts)

    def margin_of_part_db(self, part: int, positions: Positions, only: Cause | None = None) -> float:
        """The same with the part at one end of it; with `only`, as far as that alone goes."""
        trial = self.trial(part, positions, only=only)
        found = trial.margin_by_ladder(at(trial.excess, self._start_db))
        if found is not None and self._is_plain:
            self._start_db = found[0]  # the next rig's is near
        return math.inf if found is None else found[0]

    def is_between(self, positions: Positions, low_db: float, high_db: float) -> bool:
        """Whether the margin is sure to lie between two gains: told by the excess there, where that goes one way."""
        if not self._is_plain or math.isinf(low_db):
            return False
        at_low = all(self._sure_excess_db(part, positions, low_db, most=True) <= 0.0 for part in self.parts)
        if not at_low or math.isinf(high_db):
            return at_low
        return any(self._sure_excess_db(part, positions, high_db, most=False) > 0.0 for part in self.parts)

    def _sure_excess_db(self, part: int, positions: Positions, gain_db: float, *, most: bool) -> float:
        """The most, or the least, excess there may be at a gain, an unread peak being as far off as it can."""
        excess_db, cause = self.trial(part, positions).excess(gain_db)
        off_db = _UNREAD_PEAK_DB if cause == "driver_power_peak" else 0.0
        return excess_db + off_db if most else excess_db - off_db

    def rig_at(self, part: int, positions: Positions) -> Rig:
        """The rig itself."""
        rig = varied(self._rig, positions)
        two = protection_ends(rig.protection)
        return rig if two is None else replace(rig, protection=two[part])

    def trial(self, part: int, positions: Positions, *, only: Cause | None = None) -> TrialChannel:
        """The channel in that rig, to be tried at any gain."""
        rig = self.rig_at(part, positions)
        exact = self._exact.setdefault(played_parts(rig), {})
        return trial_channel(self._feed_in(rig), rig, exact=exact, only=only)

    def _feed_in(self, rig: Rig) -> ChannelFeed:
        """What was played, or is played anew, behind another pad or other limiters, at gains of a grid."""
        feed, change = self._feed, self._change(rig)
        if rig.limiters:
            replay = feed.replay
            again = GridReplay(
                programme=replay.programme,
                channel=replay.channel,
                rig=replace(as_played(self._rig, rig), limiters=rig.limiters),
                frame_s=replay.frame_s,
                grid=self._grid,
                change=change,
            )
            return replace(feed, replay=again)
        what = played_parts(rig)
        if what != played_parts(self._rig):
            feed = self._takes.feed(as_played(self._rig, rig), feed.replay.channel)
        assert feed.ladder is not None, "played without what the margin needs"
        return replace(feed, ladder=GridLadder.of(feed.ladder, grid=self._grid, change=change, what=what))

    def _change(self, rig: Rig) -> Change:
        """A pad is one factor on all volts; the coil's resistance one on what they move, the Q being given."""
        network = rig.crossover.network
        loss_db = 0.0 if network is not None else rig.crossover.pad_db - self._rig.crossover.pad_db
        return Change(loss_db=loss_db, moved_ratio=self._rig.driver.dc_resistance_ohm / rig.driver.dc_resistance_ohm)

    def may_be_safe(self, positions: Positions, gain_db: float) -> bool:
        """Whether nothing is over its limit at that gain, as far as can be told without reading samples again."""
        looks = (self.trial(part, positions).excess(gain_db) for part in self.parts)
        return all(
            excess_db <= (_UNREAD_PEAK_DB if cause == "driver_power_peak" else 0.0) for excess_db, cause in looks
        )

    def slope(self, gain_db: float) -> float:
        """Decibels of excess for the last one of gain, with every value as assumed."""
        trial = self.trial(0, {})
        return max(trial.excess(gain_db)[0] - trial.excess(gain_db - 1.0)[0], LEAST_SLOPE)

    def engages(self, part: int, positions: Positions, gain_db: float) -> bool:
        """Whether the part works at a gain."""
        frames = self.trial(part, positions).frames(gain_db)
        found = stretches(frames, self.rig_at(part, positions), protected=True)
        return any(stretch.run.attenuation_db.max() > ENGAGED_FROM_DB for stretch in found)
