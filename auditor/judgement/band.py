"""What the margin may be, given that what the rig file leaves out is known only to lie within a band.

Each assumed value is moved to the ends of its band, one at a time, at the gain that the margin allows: that shows which
way it pushes each quantity that is held against a limit. All of them together at their careful ends give the lower
end of the margin, all at their easy ends the upper one; quantity by quantity, for what heats a coil may spare a lamp. A
few rigs from inside the bands are tried as well, many where a part opens, for what then happens need not go one way
with a value. Nothing is decoded again: the frames are those already played, at other gains through the ladder
(`auditor.judgement.margin`). A pad only scales them, and a gain before the amplifier only shifts the margin. Behind a
limiter the file is played again, at whole decibels, and what lies between is interpolated.

Range: every value alone within its band, none of them tied to another, but what is derived from one follows it
(`auditor.rig_band`).
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.audit_types import Band, Narrowing
from auditor.chain.play import ChannelFeed, Replay
from auditor.judgement.margin import ExactRows, trial_channel
from auditor.judgement.passages import ENGAGED_FROM_DB
from auditor.judgement.ratings import stretches
from auditor.judgement.trial import at
from auditor.protection import ends as protection_ends
from auditor.protection import opens
from auditor.rig_assumptions import SPREADS
from auditor.rig_band import bands, varied
from auditor.threads import THREADS
from auditor.units import SILENCE_DB, db_to_amplitude

if TYPE_CHECKING:
    from auditor.audit_types import Cause, Verdict
    from auditor.chain.play import Played
    from auditor.chain.splitter import HfFrames
    from auditor.judgement.margin import _Channel
    from auditor.rig import Limiter, Rig

    Positions = Mapping[str, float]
    Tell = Callable[[float], None]

GAIN_KEY = "level.gain_db"
# Added at both ends: the ladder is up to 0.04 dB off, and values that all move at once a little from their sum.
GUARD_DB = 0.1
_NEAR_DB = 3.0  # quantities that may come that near to the one that decides are worked out too
_LEAST_EFFECT_DB = 0.02
_LEAST_NARROWING_DB = 0.05
_TRIALS, _TRIALS_OF_OPENING = 6, 32
_SEED = 1
_BETWEEN = (-1.0, -0.5, 0.5, 1.0)
_ENDS = (-1.0, 1.0)
_OUT_OF_REACH_DB = 20.0  # no higher gain is tried; what no limit binds there counts as that, to compare widths


def band_of(played: Played, rig: Rig, *, margin_db: float | None, verdict: Verdict, tell: Tell | None = None) -> Band:
    """Between what the margin of a track lies, and what would narrow that most.

    Parameters
    ----------
    played : Played
        With its ladder.
    rig : Rig
    margin_db : float or None
        With every value as assumed; anchors the band, so that what the ladder is off counts once.
    verdict : Verdict
        With every value as assumed.
    tell : callable, optional
        Told the share that is done, 0 to 1.
    """
    channels = [_ChannelBand(feed, rig) for feed in played.feeds]
    done = [0.0] * len(channels)

    def told(index: int, share: float) -> None:
        done[index] = share
        if tell is not None:
            tell(sum(done) / len(done))

    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        found = list(pool.map(lambda item: item[1].ends(lambda share: told(item[0], share)), enumerate(channels)))
    tightest = min(found, key=lambda each: each.nominal_db)
    anchor_db = 0.0
    if margin_db is not None and math.isfinite(tightest.nominal_db):
        anchor_db = margin_db - tightest.nominal_db
    low_db, high_db = (min(getattr(each, end) for each in found) + anchor_db for end in ("low_db", "high_db"))
    pinned = {
        key: (
            min(each.pinned_db.get(key, (each.low_db, each.high_db))[0] for each in found) + anchor_db,
            min(each.pinned_db.get(key, (each.low_db, each.high_db))[1] for each in found) + anchor_db,
        )
        for key in dict.fromkeys(key for each in found for key in each.pinned_db)
    }
    engaged = any(each.engages for each in found)
    return stated(rig, low_db, high_db, pinned, verdict="engaged" if engaged and verdict == "clear" else verdict)


def stated(
    rig: Rig, low_db: float, high_db: float, pinned: Mapping[str, tuple[float, float]], *, verdict: Verdict
) -> Band:
    """The record of a band: its ends, the worst verdict in it, and what would narrow it, most first.

    Parameters
    ----------
    rig : Rig
    low_db, high_db : float
        Infinite where no limit is reached.
    pinned : mapping
        Both ends with one value known [dB].
    verdict : Verdict
        The worst that was found at the present level, risks apart.
    """
    how = {each.key: each.how for each in bands(rig)}
    width_db = _width_db(low_db, high_db)
    narrows = [
        Narrowing(key=key, by_db=width_db - _width_db(*ends), how=how[key])
        for key, ends in pinned.items()
        if width_db - _width_db(*ends) >= _LEAST_NARROWING_DB
    ]
    return Band(
        margin_low_db=low_db if math.isfinite(low_db) else None,
        margin_high_db=high_db if math.isfinite(high_db) else None,
        verdict_worst="risk" if low_db < 0.0 else verdict,
        narrows=tuple(sorted(narrows, key=lambda each: -each.by_db)),
        pinned_db=pinned,
    )


def _width_db(low_db: float, high_db: float) -> float:
    return min(high_db, _OUT_OF_REACH_DB) - min(low_db, _OUT_OF_REACH_DB)


@dataclass(frozen=True, kw_only=True)
class _Ends:
    """Both ends of one channel's margin, as assumed, and with one value known at a time [dB]."""

    nominal_db: float
    low_db: float
    high_db: float
    pinned_db: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    engages: bool = False


# What one value does to one quantity: the position that pushes it up most, and by how much; likewise down [dB].
_Effect = tuple[tuple[float, float], tuple[float, float]]
# A quantity of the channel with the part as rated or at an end of its tolerance.
_Spot = tuple[int, "Cause"]


class _ChannelBand:
    """One channel in rigs with other values."""

    def __init__(self, feed: ChannelFeed, rig: Rig) -> None:
        self._feed = feed
        self._rig = rig
        self._keys = [each.key for each in bands(rig) if each.key != GAIN_KEY]
        self._exact: ExactRows = {}
        self._replayed: _Replayed = {(rig.limiters, 0): feed.frames}
        self._parts = range(1 if protection_ends(rig.protection) is None else 2)
        self._effects: dict[_Spot, dict[str, _Effect]] = {}
        self._nominal: dict[_Spot, float] = {}

    def ends(self, tell: Tell) -> _Ends:
        """Work them out."""
        nominal_db = self._margin_db({})
        silent = self._trial(0, {}).excess(0.0)[0] <= SILENCE_DB / 2.0
        gain_assumed = GAIN_KEY in self._rig.assumed
        if silent or not (self._keys or gain_assumed):
            return _Ends(nominal_db=nominal_db, low_db=nominal_db, high_db=nominal_db)
        self._study(min(nominal_db, _OUT_OF_REACH_DB), tell)
        low_db, high_db = self._tried(self._low_db(), self._high_db())
        tell(0.7)
        pinned = {GAIN_KEY: (low_db, high_db)} if gain_assumed else {}
        keys = self._weighty_keys()
        for number, key in enumerate(keys, start=1):
            # What the trials inside the bands found further out than the corners stays found.
            pinned[key] = max(self._low_db(key), low_db), min(self._high_db(key), high_db)
            tell(0.7 + 0.3 * number / len(keys))
        down_db, up_db = self._shifts_db()
        return _Ends(
            nominal_db=nominal_db,
            low_db=low_db - up_db - GUARD_DB,
            high_db=high_db - down_db + GUARD_DB,
            pinned_db={
                key: (
                    low - (0.0 if key == GAIN_KEY else up_db) - GUARD_DB,
                    high - (0.0 if key == GAIN_KEY else down_db) + GUARD_DB,
                )
                for key, (low, high) in pinned.items()
            },
            engages=self._engages(),
        )

    def _shifts_db(self) -> tuple[float, float]:
        """How far the level before the amplifier may be lower and higher; the margin moves against it."""
        if GAIN_KEY not in self._rig.assumed:
            return 0.0, 0.0
        return SPREADS[GAIN_KEY].low, SPREADS[GAIN_KEY].high

    def _study(self, gain_db: float, tell: Tell) -> None:
        """Find what each value does to each quantity at that gain."""
        positions = _BETWEEN if opens(self._rig.protection) else _ENDS
        nominal = [self._trial(part, {}).excesses(gain_db) for part in self._parts]
        self._nominal = {(part, cause): db for part in self._parts for cause, db in nominal[part].items()}
        self._effects = {spot: {} for spot in self._nominal}
        for number, key in enumerate(self._keys, start=1):
            for part in self._parts:
                moved = {each: self._trial(part, {key: each}).excesses(gain_db) for each in positions}
                for cause, was_db in nominal[part].items():
                    pushes = [(0.0, 0.0), *((each, moved[each][cause] - was_db) for each in positions)]
                    up, down = max(pushes, key=lambda push: push[1]), min(pushes, key=lambda push: push[1])
                    self._effects[part, cause][key] = (up, down)
            tell(0.5 * number / len(self._keys))

    def _corner(self, spot: _Spot, *, end: int, known: str | None) -> dict[str, float]:
        """Positions that push a quantity up most (end 0) or down most (end 1)."""
        return {key: effect[end][0] for key, effect in self._effects[spot].items() if effect[end][0] and key != known}

    def _deciding(self, *, end: int, known: str | None) -> list[_Spot]:
        """The quantities that may decide with every value at that end, by the sum of what each does."""
        sums_db = {
            spot: self._nominal[spot] + sum(effect[end][1] for key, effect in effects.items() if key != known)
            for spot, effects in self._effects.items()
        }
        least_db = max(sums_db.values()) - _NEAR_DB
        return [spot for spot, sum_db in sums_db.items() if sum_db >= least_db]

    def _low_db(self, known: str | None = None) -> float:
        corners = [(spot[0], self._corner(spot, end=0, known=known)) for spot in self._deciding(end=0, known=known)]
        return min(self._margin_of_part_db(part, corner) for part, corner in _each_once(corners))

    def _high_db(self, known: str | None = None) -> float:
        """No rig in the bands has more room, for in each of them each quantity has no more than at its own corner."""
        return min(
            self._margin_of_part_db(spot[0], self._corner(spot, end=1, known=known), only=spot[1])
            for spot in self._deciding(end=1, known=known)
        )

    def _tried(self, low_db: float, high_db: float) -> tuple[float, float]:
        """The ends, moved outwards where a rig from inside the bands lies beyond them."""
        dice = random.Random(_SEED)
        for _ in range(_TRIALS_OF_OPENING if opens(self._rig.protection) else _TRIALS):
            margin_db = self._margin_db({key: dice.uniform(-1.0, 1.0) for key in self._keys})
            low_db, high_db = min(low_db, margin_db), max(high_db, margin_db)
        return low_db, high_db

    def _weighty_keys(self) -> list[str]:
        deciding = {*self._deciding(end=0, known=None), *self._deciding(end=1, known=None)}
        return [
            key
            for key in self._keys
            if any(
                self._effects[spot][key][0][1] - self._effects[spot][key][1][1] >= _LEAST_EFFECT_DB for spot in deciding
            )
        ]

    def _engages(self) -> bool:
        """Whether the part works at the present level at any corner."""
        up_db = self._shifts_db()[1]
        corners = [(spot[0], self._corner(spot, end=end, known=None)) for end in (0, 1) for spot in self._effects]
        for part, positions in _each_once(corners):
            rig = self._rig_at(part, positions)
            frames = self._trial(part, positions).frames_at(up_db)
            if any(
                stretch.run.attenuation_db.max() > ENGAGED_FROM_DB for stretch in stretches(frames, rig, protected=True)
            ):
                return True
        return False

    def _margin_db(self, positions: Positions) -> float:
        return min(self._margin_of_part_db(part, positions) for part in self._parts)

    def _margin_of_part_db(self, part: int, positions: Positions, only: Cause | None = None) -> float:
        trial = self._trial(part, positions, only=only)
        found = trial.margin_by_ladder(at(trial.excess, 0.0))
        return math.inf if found is None else found[0]

    def _rig_at(self, part: int, positions: Positions) -> Rig:
        rig = varied(self._rig, positions)
        two = protection_ends(rig.protection)
        return rig if two is None else replace(rig, protection=two[part])

    def _trial(self, part: int, positions: Positions, *, only: Cause | None = None) -> _Channel:
        rig = self._rig_at(part, positions)
        return trial_channel(self._feed_in(rig), rig, exact=self._exact, only=only)

    def _feed_in(self, rig: Rig) -> ChannelFeed:
        """What was played, behind another pad or other limiters."""
        feed = self._feed
        loss_db = rig.crossover.pad_db - self._rig.crossover.pad_db
        if rig.limiters:
            played = replace(self._rig, limiters=rig.limiters)
            again = _GridReplay(
                programme=feed.replay.programme,
                channel=feed.replay.channel,
                rig=played,
                frame_s=feed.replay.frame_s,
                replayed=self._replayed,
                loss_db=loss_db,
            )
            return replace(feed, replay=again)
        if loss_db == 0.0 or feed.ladder is None:
            return feed
        ladder = replace(
            feed.ladder, crossover=replace(feed.ladder.crossover, pad_db=feed.ladder.crossover.pad_db + loss_db)
        )
        return replace(feed, frames=_scaled(feed.frames, -loss_db), ladder=ladder)


def _each_once(corners: list[tuple[int, dict[str, float]]]) -> list[tuple[int, dict[str, float]]]:
    return list({(part, *corner.items()): (part, corner) for part, corner in corners}.values())


_Replayed = dict[tuple[tuple["Limiter", ...], int], "HfFrames"]


@dataclass(frozen=True, kw_only=True)
class _GridReplay(Replay):
    """A replay at whole decibels, each kept, and between them frame by frame on a straight line in decibels."""

    replayed: _Replayed = field(repr=False, compare=False)
    loss_db: float

    def frames(self, gain_db: float) -> HfFrames:
        """HF frames at a gain change, behind a pad of `loss_db` more."""
        below_db = math.floor(gain_db)
        below, share = self._at(below_db), gain_db - below_db
        if share == 0.0:
            return _scaled(below, -self.loss_db)
        above = self._at(below_db + 1)
        rms_v, peak_v = (
            (low ** np.float32(1.0 - share) * high ** np.float32(share)).astype(np.float32)
            for low, high in ((below.rms_v, above.rms_v), (below.peak_v, above.peak_v))
        )
        return _scaled(replace(below, rms_v=rms_v, peak_v=peak_v), -self.loss_db)

    def _at(self, gain_db: int) -> HfFrames:
        key = self.rig.limiters, gain_db
        if key not in self.replayed:
            self.replayed[key] = super().frames(float(gain_db))
        return self.replayed[key]


def _scaled(frames: HfFrames, gain_db: float) -> HfFrames:
    if gain_db == 0.0:
        return frames
    ratio = np.float32(db_to_amplitude(gain_db))
    return replace(frames, rms_v=frames.rms_v * ratio, peak_v=frames.peak_v * ratio)
