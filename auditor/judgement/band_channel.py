"""Between what the margin of one channel lies: each value by itself, then corners, then trials inside the bands.

Each assumed value is moved to the ends of its band, one at a time, at the gain that the margin allows: that shows which
way it pushes each quantity that is held against a limit. All of them together at their careful ends give the lower
end of the margin, all at their easy ends the upper one; quantity by quantity, for what heats a coil may spare a lamp. A
few rigs from inside the bands are tried as well, many where a part opens, for what then happens need not go one way
with a value.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from auditor.judgement.band_bench import Bench
from auditor.judgement.band_study import Spot, Study
from auditor.judgement.trial import LEAST_SLOPE
from auditor.protection import UNPROTECTED, opens
from auditor.rig_band import ENDS, bands, keys_of_playing, level_change_db, varied
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from auditor.chain.play import ChannelFeed
    from auditor.judgement.band_takes import Takes
    from auditor.rig import Rig

    Tell = Callable[[float], None]

# Added at both ends, in decibels of excess: the ladder is up to 0.04 dB off. A lamp at full work makes more of it.
_GUARD_DB = 0.05
_LEAST_GUARD_DB, _MOST_GUARD_DB = 0.15, 0.5
_LEAST_EFFECT_DB = 0.02
_BEYOND_SHARE = 0.3  # of what lies between the best rig found and what each quantity alone allows
_WORTH_DB, _WORTH_LESS_DB = 0.05, 0.02  # less than that more, or less, room is not worth a search
_TRIALS, _TRIALS_OF_OPENING = 12, 48
_SEED = 1
_BETWEEN = (-1.0, -0.5, 0.5, 1.0)
OUT_OF_REACH_DB = 20.0  # no higher gain is tried; what no limit binds there counts as that, to compare widths


@dataclass(frozen=True, kw_only=True)
class Ends:
    """Both ends of one channel's margin, as assumed, and with one value known at a time [dB]."""

    nominal_db: float
    low_db: float
    high_db: float
    pinned_db: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    engages: bool = False


class ChannelBand:
    """One channel in rigs with other values."""

    def __init__(self, feed: ChannelFeed, rig: Rig, takes: Takes) -> None:
        self._feed = feed
        self._rig = rig
        self._takes = takes
        self._shifts_db = _level_shifts_db(rig)
        self._keys = [each.key for each in bands(rig) if each.key not in self._shifts_db]
        self._of_playing = keys_of_playing(rig)
        self._opens = opens(rig.protection)
        self._bench = Bench(feed, rig, takes)
        self._studies: list[Study] = []
        self._easiest: dict[str, float] = {}
        self._hardest: tuple[int, dict[str, float]] = (0, {})

    def ends(self, tell: Tell) -> Ends:
        """Work them out."""
        nominal_db = self._bench.margin_db({})
        silent = self._bench.trial(0, {}).excess(0.0)[0] <= SILENCE_DB / 2.0
        if silent or not (self._keys or self._shifts_db):
            return Ends(nominal_db=nominal_db, low_db=nominal_db, high_db=nominal_db)
        gain_db = min(nominal_db, OUT_OF_REACH_DB)
        self._studies = [self._study(gain_db, tell)]
        low_db, high_db = self._tried(self._low_db(), self._high_db())
        low_db = min(low_db, self._unopened_db(gain_db))
        if high_db > gain_db + 1.0 and self._keys:
            # That far up a lamp answers otherwise.
            self._studies.append(self._study(min(high_db, OUT_OF_REACH_DB), tell))
            high_db = max(high_db, self._high_db())
        pinned = dict.fromkeys(self._shifts_db, (low_db, high_db))
        keys = self._weighty_keys()
        for number, key in enumerate(keys, start=1):
            # What the trials inside the bands found further out than the corners stays found.
            pinned[key] = max(self._low_db(key), low_db), min(self._high_db(key), high_db)
            tell(0.6 + 0.4 * number / len(keys))
        guard_db = self._guard_db(gain_db)
        shifted = {
            key: (low - self._louder_db(known=key) - guard_db, high + self._quieter_db(known=key) + guard_db)
            for key, (low, high) in pinned.items()
        }
        return Ends(
            nominal_db=nominal_db,
            low_db=low_db - self._louder_db() - guard_db,
            high_db=high_db + self._quieter_db() + guard_db,
            pinned_db=shifted,
            engages=self._engages(self._louder_db()),
        )

    def _louder_db(self, known: str | None = None) -> float:
        """The most that assumed levels may be louder than assumed [dB]."""
        return sum(max(ends_db) for key, ends_db in self._shifts_db.items() if key != known)

    def _quieter_db(self, known: str | None = None) -> float:
        return -sum(min(ends_db) for key, ends_db in self._shifts_db.items() if key != known)

    def _unopened_db(self, gain_db: float) -> float:
        """The lower end as if a part that opens never did: what its timing does over the bands is past predicting."""
        if not self._opens:
            return math.inf
        assumed = tuple(key for key in self._rig.assumed if not key.startswith("protection."))
        bare = ChannelBand(self._feed, replace(self._rig, protection=UNPROTECTED, assumed=assumed), self._takes)
        bare._studies = [bare._study(gain_db, lambda share: None)]
        return bare._low_db()

    def _guard_db(self, gain_db: float) -> float:
        if self._opens:
            return _MOST_GUARD_DB
        return min(max(_GUARD_DB / self._bench.slope(gain_db), _LEAST_GUARD_DB), _MOST_GUARD_DB)

    def _positions(self, key: str) -> tuple[float, ...]:
        return ENDS if self._plays(key) else _BETWEEN

    def _plays(self, key: str) -> bool:
        """Whether each position of a value takes playing the file."""
        return key.startswith("limiter.") or key in self._of_playing

    def _playable(self, positions: Mapping[str, float]) -> dict[str, float]:
        """The same, with values that take playing the file at their ends or as assumed."""
        return {key: float(round(at)) if self._plays(key) else at for key, at in positions.items()}

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
            for position in self._positions(key) if self._opens else ENDS:
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
        starts = [*corners.values(), *(self._playable(each.compromise(keys)) for each in self._studies)]
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
        return best_db + _BEYOND_SHARE * (min(most_db, OUT_OF_REACH_DB) - best_db) if best_db < most_db else most_db

    def _tried(self, low_db: float, high_db: float) -> tuple[float, float]:
        """The ends, moved outwards where a rig from inside the bands lies beyond them."""
        if not self._weighty_keys():
            return low_db, high_db
        dice = random.Random(_SEED)
        for _ in range(_TRIALS_OF_OPENING if self._opens else _TRIALS):
            positions = {key: dice.choice(ENDS) if self._plays(key) else dice.uniform(-1.0, 1.0) for key in self._keys}
            if self._bench.is_between(positions, low_db, high_db):
                continue
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


def _level_shifts_db(rig: Rig) -> dict[str, tuple[float, float]]:
    """What each assumed value of the level adds at either end of its band [dB]: it only shifts the margin."""
    keys = [each.key for each in bands(rig) if each.key.startswith("level.")]
    return {key: tuple(level_change_db(rig, varied(rig, {key: end})) for end in ENDS) for key in keys}  # type: ignore[misc]
