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

from auditor.audit_types import Band, Narrowing
from auditor.judgement.band_bench import Bench
from auditor.judgement.band_study import Spot, Study
from auditor.judgement.trial import LEAST_SLOPE
from auditor.protection import UNPROTECTED, opens
from auditor.rig_assumptions import SPREADS
from auditor.rig_band import bands
from auditor.threads import THREADS
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from auditor.audit_types import Verdict
    from auditor.chain.play import ChannelFeed, Played
    from auditor.rig import Rig

    Tell = Callable[[float], None]

GAIN_KEY = "level.gain_db"
# Added at both ends, in decibels of excess: the ladder is up to 0.04 dB off. A lamp at full work makes more of it.
_GUARD_DB = 0.05
_LEAST_GUARD_DB, _MOST_GUARD_DB = 0.15, 0.5
_LEAST_EFFECT_DB = 0.02
_BEYOND_SHARE = 0.3  # of what lies between the best rig found and what each quantity alone allows
_WORTH_DB, _WORTH_LESS_DB = 0.05, 0.02  # less than that more, or less, room is not worth a search
_LEAST_NARROWING_DB = 0.05
_TRIALS, _TRIALS_OF_OPENING = 12, 48
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


class _ChannelBand:
    """One channel in rigs with other values."""

    def __init__(self, feed: ChannelFeed, rig: Rig) -> None:
        self._feed = feed
        self._rig = rig
        self._keys = [each.key for each in bands(rig) if each.key != GAIN_KEY]
        self._opens = opens(rig.protection)
        self._bench = Bench(feed, rig)
        self._studies: list[Study] = []
        self._easiest: dict[str, float] = {}
        self._hardest: tuple[int, dict[str, float]] = (0, {})

    def ends(self, tell: Tell) -> _Ends:
        """Work them out."""
        nominal_db = self._bench.margin_db({})
        silent = self._bench.trial(0, {}).excess(0.0)[0] <= SILENCE_DB / 2.0
        gain_assumed = GAIN_KEY in self._rig.assumed
        if silent or not (self._keys or gain_assumed):
            return _Ends(nominal_db=nominal_db, low_db=nominal_db, high_db=nominal_db)
        gain_db = min(nominal_db, _OUT_OF_REACH_DB)
        self._studies = [self._study(gain_db, tell)]
        low_db, high_db = self._tried(self._low_db(), self._high_db())
        low_db = min(low_db, self._unopened_db(gain_db))
        if high_db > gain_db + 1.0 and self._keys:
            # That far up a lamp answers otherwise.
            self._studies.append(self._study(min(high_db, _OUT_OF_REACH_DB), tell))
            high_db = max(high_db, self._high_db())
        pinned = {GAIN_KEY: (low_db, high_db)} if gain_assumed else {}
        keys = self._weighty_keys()
        for number, key in enumerate(keys, start=1):
            # What the trials inside the bands found further out than the corners stays found.
            pinned[key] = max(self._low_db(key), low_db), min(self._high_db(key), high_db)
            tell(0.6 + 0.4 * number / len(keys))
        up_db = SPREADS[GAIN_KEY].high if gain_assumed else 0.0
        guard_db = self._guard_db(gain_db)
        return _Ends(
            nominal_db=nominal_db,
            low_db=low_db - up_db - guard_db,
            high_db=high_db + up_db + guard_db,
            pinned_db={
                key: (low - shift_db - guard_db, high + shift_db + guard_db)
                for key, (low, high) in pinned.items()
                for shift_db in (0.0 if key == GAIN_KEY else up_db,)
            },
            engages=self._engages(up_db),
        )

    def _unopened_db(self, gain_db: float) -> float:
        """The lower end as if a part that opens never did: what its timing does over the bands is past predicting."""
        if not self._opens:
            return math.inf
        assumed = tuple(key for key in self._rig.assumed if not key.startswith("protection."))
        bare = _ChannelBand(self._feed, replace(self._rig, protection=UNPROTECTED, assumed=assumed))
        bare._studies = [bare._study(gain_db, lambda share: None)]
        return bare._low_db()

    def _guard_db(self, gain_db: float) -> float:
        if self._opens:
            return _MOST_GUARD_DB
        return min(max(_GUARD_DB / self._bench.slope(gain_db), _LEAST_GUARD_DB), _MOST_GUARD_DB)

    def _positions(self, key: str) -> tuple[float, ...]:
        # Each position of a limiter's value is a replay of the file.
        return _BETWEEN if not key.startswith("limiter.") else _ENDS

    def _study(self, gain_db: float, tell: Tell) -> Study:
        """Move each value by itself."""
        trial, parts = self._bench.trial, self._bench.parts
        nominal = {part: trial(part, {}).excesses(gain_db) for part in parts}
        lower = {part: trial(part, {}).excesses(gain_db - 1.0) for part in parts}
        slopes = {
            (part, cause): max(excess_db - lower[part][cause], LEAST_SLOPE)
            for part in parts
            for cause, excess_db in nominal[part].items()
        }
        moves: dict[Spot, dict[str, dict[float, float]]] = {
            (part, cause): {key: {0.0: 0.0} for key in self._keys} for part in parts for cause in nominal[part]
        }
        for number, key in enumerate(self._keys, start=1):
            for position in self._positions(key) if self._opens else _ENDS:
                for part in parts:
                    for cause, excess_db in trial(part, {key: position}).excesses(gain_db).items():
                        moved_db = excess_db - nominal[part][cause]
                        moves[part, cause][key][position] = moved_db / slopes[part, cause]
            tell(0.4 * number / len(self._keys))
        found = {spot: nominal[spot[0]][spot[1]] / slope for spot, slope in slopes.items()}
        return Study(nominal_db=found, moves_db=moves)

    def _low_db(self, known: str | None = None) -> float:
        """The least room of any rig in the bands: that of the hardest corner.

        Values may help each other: what spares a coil by itself may harm it beside others. So in the hardest
        corner that the effects give, each value is moved once more.
        """
        bench = self._bench
        corners = [(spot[0], corner) for spot, corner in self._studies[0].corners(careful=True, known=known).items()]
        part, corner = self._hardest
        corners.append((part, {key: position for key, position in corner.items() if key != known}))
        tried = [(bench.margin_of_part_db(part, corner), part, corner) for part, corner in _each_once(corners)]
        least_db, part, corner = min(tried, key=lambda found: found[0])
        if known is None:
            if math.isfinite(least_db):
                least_db, part, corner = self._harder(least_db, part, corner)
            self._hardest = part, corner
        return least_db

    def _harder(self, least_db: float, part: int, corner: dict[str, float]) -> tuple[float, int, dict[str, float]]:
        """A corner with each value moved once more, where that leaves less room."""
        bench = self._bench
        for key in self._keys:
            for position in (*self._positions(key), 0.0):
                other = {**corner, key: position}
                if bench.trial(part, other).excess(least_db - _WORTH_LESS_DB)[0] > 0.0:
                    margin_db = bench.margin_of_part_db(part, other)
                    least_db, corner = min((least_db, corner), (margin_db, other), key=lambda found: found[0])
        return least_db, part, corner

    def _high_db(self, known: str | None = None) -> float:
        """The most room of any rig in the bands: the best that is found, and no more than each quantity alone allows.

        Where two quantities are spared by opposite values, no corner is best for both: there a compromise is looked
        for, and moved about value by value.
        """
        bench, keys = self._bench, [key for key in self._keys if key != known]
        corners = self._studies[0].corners(careful=False, known=known)
        most_db = min(bench.margin_of_part_db(spot[0], corner, only=spot[1]) for spot, corner in corners.items())
        starts = [*corners.values(), *(each.compromise(keys) for each in self._studies)]
        starts.append({key: position for key, position in self._easiest.items() if key != known})
        tried = [(bench.margin_db(start), start) for _, start in _each_once([(0, start) for start in starts])]
        best_db, best = max(tried, key=lambda found: found[0])
        disputed = [key for key in keys if len({each.get(key, 0.0) for each in corners.values()}) > 1]
        for key in disputed if known else 2 * keys:
            for position in (*self._positions(key), 0.0):
                other = {**best, key: position}
                if most_db - best_db > _LEAST_GUARD_DB and bench.may_be_safe(other, best_db + _WORTH_DB):
                    best_db, best = max((best_db, best), (bench.margin_db(other), other), key=lambda found: found[0])
        if known is None:
            self._easiest = best
        return best_db + _BEYOND_SHARE * (min(most_db, _OUT_OF_REACH_DB) - best_db) if best_db < most_db else most_db

    def _tried(self, low_db: float, high_db: float) -> tuple[float, float]:
        """The ends, moved outwards where a rig from inside the bands lies beyond them."""
        if not self._weighty_keys():
            return low_db, high_db
        dice = random.Random(_SEED)
        for _ in range(_TRIALS_OF_OPENING if self._opens else _TRIALS):
            positions = {
                key: dice.choice(_ENDS) if key.startswith("limiter.") else dice.uniform(-1.0, 1.0) for key in self._keys
            }
            margin_db = self._bench.margin_db(positions)
            low_db, high_db = min(low_db, margin_db), max(high_db, margin_db)
        return low_db, high_db

    def _weighty_keys(self) -> list[str]:
        study = self._studies[0]
        deciding = {spot for careful in (True, False) for spot in study.corners(careful=careful, known=None)}
        return [
            key
            for key in self._keys
            if any(
                study.push(spot, key, careful=True)[1] - study.push(spot, key, careful=False)[1] >= _LEAST_EFFECT_DB
                for spot in deciding
            )
        ]

    def _engages(self, gain_db: float) -> bool:
        """Whether the part works at a gain at any corner."""
        study = self._studies[0]
        corners = [
            (spot[0], study.corner(spot, careful=careful, known=None))
            for careful in (True, False)
            for spot in study.nominal_db
        ]
        return any(self._bench.engages(part, corner, gain_db) for part, corner in _each_once(corners))


def _each_once(corners: list[tuple[int, dict[str, float]]]) -> list[tuple[int, dict[str, float]]]:
    return list({(part, *corner.items()): (part, corner) for part, corner in corners}.values())
