"""Whether another order of the tracks, or a pause, would save a set that is at risk only for the heat carried.

Up to `_SMALL_SET` tracks every order is looked at. With more, the tracks at risk are moved to, and swapped with, every
other place, and the set is sorted three ways: coolest first, hottest first, and the two in turn. That is a heuristic:
an order that it does not find may exist. Candidates are ranked by a coarse run of the hottest channel, a quarter of a
second a step, one change of places before any other. Nothing is said to be safe but what a full run of the whole set
has found so; where every order was looked at, nothing is said to be of no use but what a full run has found at risk.

A pause is found by halving: the shortest, in whole seconds, after which a full run of the track leaves it safe.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from auditor.judgement.before import Before
from auditor.judgement.carried import cold, put_through, rested, silence_after
from auditor.judgement.worst import worst_and_after
from auditor.night_types import OrderEffect, Pause
from auditor.protection import ends

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames
    from auditor.judgement.carried import Outcome
    from auditor.judgement.examine import Carried
    from auditor.night_types import NightTrack
    from auditor.rig import Rig

    Tracks = Sequence[Sequence[HfFrames]]
    Order = tuple[int, ...]

T = TypeVar("T")

LONGEST_PAUSE_S = 3600.0
_SMALL_SET = 5
_MOST_ORDERS = 400  # that are looked at in a larger set
_MOST_RUNS = 5  # of the best of them that are played in full
_COARSE_S = 0.25


def order_effect(timeline: Sequence[NightTrack], tracks: Tracks, rig: Rig, gap_s: float, whole_s: float) -> OrderEffect:
    """What another order and what pauses would do for the tracks that only the heat of others puts at risk.

    Parameters
    ----------
    timeline : sequence of NightTrack
    tracks : sequence of (sequence of HfFrames)
        Every track, its channels.
    rig : Rig
    gap_s : float
        Silence between two tracks [s].
    whole_s : float
        Length of the whole set [s].
    """
    heated = [number for number, each in enumerate(timeline) if each.at_risk and not each.at_risk_alone]
    nothing = OrderEffect(
        at_risk_alone=tuple(each.track for each in timeline if each.at_risk_alone),
        at_risk_in_place=tuple(timeline[number].track for number in heated),
        longest_pause_s=LONGEST_PAUSE_S,
    )
    if not heated:
        return nothing
    search = _Search(tracks, rig, gap_s, whole_s, spared={i for i, each in enumerate(timeline) if each.at_risk_alone})
    every_order = len(tracks) <= _SMALL_SET
    others = list(_orders(len(tracks)) if every_order else _likely(len(tracks), heated, search.heats_j()))
    ranked = sorted(others, key=search.promise)
    order, coil_temp_c = search.first_safe(ranked if every_order else ranked[:_MOST_RUNS])
    pauses = search.pauses()
    return replace(
        nothing,
        order=None if order is None else tuple(timeline[number].track for number in order),
        order_coil_temp_max_c=coil_temp_c,
        order_count=len(others),
        every_order=every_order,
        pauses=None
        if pauses is None
        else tuple(Pause(track=timeline[number].track, pause_s=pause_s) for number, pause_s in pauses),
    )


def _orders(count: int) -> Iterator[Order]:
    """Every order but the given one."""
    return itertools.islice(itertools.permutations(range(count)), 1, None)


def _likely(count: int, heated: Sequence[int], heats_j: Sequence[float]) -> Iterator[Order]:
    """Orders of a large set that are worth a look, each once, at most `_MOST_ORDERS`."""
    given = tuple(range(count))
    found = itertools.chain(_sorted(heats_j), _moved(given, heated))
    distinct = (order for order in dict.fromkeys(found) if order != given)
    return itertools.islice(distinct, _MOST_ORDERS)


def _sorted(heats_j: Sequence[float]) -> Iterator[Order]:
    coolest_first = tuple(sorted(range(len(heats_j)), key=lambda number: heats_j[number]))
    yield coolest_first
    yield coolest_first[::-1]
    half = len(coolest_first) // 2
    cool, hot = coolest_first[:half], coolest_first[half:][::-1]
    in_turn = (each for pair in itertools.zip_longest(hot, cool) for each in pair if each is not None)
    yield tuple(in_turn)


def _moved(given: Order, heated: Sequence[int]) -> Iterator[Order]:
    """Each track at risk in every other place, and in the place of every other track; spread evenly if too many."""
    step = max(1, math.ceil(2 * len(heated) * len(given) / _MOST_ORDERS))
    for number in heated:
        rest = [each for each in given if each != number]
        for place in range(0, len(given), step):
            yield (*rest[:place], number, *rest[place:])
            swapped = list(given)
            swapped[number], swapped[place] = place, number
            yield tuple(swapped)


def is_one_change(given: Sequence[T], order: Sequence[T]) -> bool:
    """Whether one order comes from the other by moving one track, or by changing the places of two."""
    changed = [number for number, (one, other) in enumerate(zip(given, order, strict=True)) if one != other]
    if not changed:
        return False
    first, last = changed[0], changed[-1] + 1
    before, after = list(given[first:last]), list(order[first:last])
    return len(changed) == 2 or after in ([*before[1:], before[0]], [before[-1], *before[:-1]])


class _Search:
    """Plays the set in other orders and with other pauses.

    spared : set of int
        Tracks that are at risk by themselves: no order helps them.
    """

    def __init__(self, tracks: Tracks, rig: Rig, gap_s: float, whole_s: float, *, spared: set[int]) -> None:
        self._tracks = tracks
        self._rig = rig
        self._gap_s = gap_s
        self._whole_s = whole_s
        self._spared = spared
        settings = ends(rig.protection)
        self._coarse_rig = rig if settings is None else replace(rig, protection=settings[1])
        self._coarse = [_coarse(channels) for channels in tracks]

    def heats_j(self) -> list[float]:
        """What each track brings in [V2 s], for comparison only."""
        return [float(np.square(each.rms_v).sum()) * each.frame_s for each in self._coarse]

    def coarse_excess_db(self, order: Order) -> float:
        """Worst excess of those tracks that an order can save, by a coarse run [dB]."""
        before, excess_db = Before(whole_s=self._whole_s), -math.inf
        for number in order:
            worst, before = worst_and_after(self._coarse[number], self._coarse_rig, before=before)
            before = before.after_silence(self._gap_s, self._coarse_rig)[0]
            if number not in self._spared:
                excess_db = max(excess_db, worst.excess(self._coarse_rig)[0])
        return excess_db

    def promise(self, order: Order) -> tuple[bool, bool, float]:
        """The lower the better: those that a coarse run finds safe first, one change of places before any other."""
        excess_db = self.coarse_excess_db(order)
        return excess_db >= 0.0, not is_one_change(tuple(range(len(order))), order), excess_db

    def first_safe(self, orders: Sequence[Order]) -> tuple[Order | None, float | None]:
        """The first of these orders that a full run finds safe, and its hottest coil [C]."""
        for order in orders:
            carried, hottest_c = cold(self._whole_s), -math.inf
            for number in order:
                outcome, carried = self._play(number, carried, self._gap_s)
                hottest_c = max(hottest_c, outcome.coil_temp_c)
                if self._spoils(number, outcome):
                    break
            else:
                return order, hottest_c
        return None, None

    def pauses(self) -> list[tuple[int, float]] | None:
        """Before which tracks to wait how long [s], in place of the gap; None where it does not help."""
        found: list[tuple[int, float]] = []
        carried, played = cold(self._whole_s), cold(self._whole_s)
        for number in range(len(self._tracks)):
            outcome, after = put_through(self._tracks[number], self._rig, carried)
            if self._spoils(number, outcome):
                pause_s = self._shortest_pause_s(number, played) if number else None
                if pause_s is None:
                    return None
                found.append((number, pause_s))
                carried = rested(played, self._rig, self._silence_s(number - 1, pause_s))
                outcome, after = put_through(self._tracks[number], self._rig, carried)
            played = after
            carried = rested(played, self._rig, self._silence_s(number, self._gap_s))
        return found

    def _shortest_pause_s(self, number: int, played: tuple[Carried, ...]) -> float | None:
        def helps(pause_s: float) -> bool:
            carried = rested(played, self._rig, self._silence_s(number - 1, pause_s))
            return not self._spoils(number, put_through(self._tracks[number], self._rig, carried)[0])

        short_s, long_s = math.floor(self._gap_s), math.ceil(max(LONGEST_PAUSE_S, self._gap_s))
        if not helps(long_s):
            return None
        while long_s - short_s > 1:
            middle_s = (short_s + long_s) // 2
            if helps(middle_s):
                long_s = middle_s
            else:
                short_s = middle_s
        return float(long_s)

    def _play(self, number: int, carried: tuple[Carried, ...], gap_s: float) -> tuple[Outcome, tuple[Carried, ...]]:
        outcome, after = put_through(self._tracks[number], self._rig, carried)
        return outcome, rested(after, self._rig, self._silence_s(number, gap_s))

    def _silence_s(self, number: int, gap_s: float) -> float:
        return silence_after(self._tracks[number][0], gap_s)

    def _spoils(self, number: int, outcome: Outcome) -> bool:
        return outcome.at_risk and number not in self._spared


def _coarse(channels: Sequence[HfFrames]) -> HfFrames:
    """The loudest channel of every quarter of a second, as one."""
    first = channels[0]
    group = max(1, round(_COARSE_S / first.frame_s))
    starts = np.arange(0, len(first.rms_v), group)
    counts = np.diff(np.append(starts, len(first.rms_v)))
    square = np.max([np.add.reduceat(np.square(each.rms_v), starts) / counts for each in channels], axis=0)
    peak_v = np.max([np.maximum.reduceat(each.peak_v, starts) for each in channels], axis=0)
    return replace(
        first, frame_s=first.frame_s * group, rms_v=np.sqrt(square).astype(np.float32), peak_v=peak_v.astype(np.float32)
    )
