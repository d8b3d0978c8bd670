"""The margin of a set played through: all its tracks turned up or down together.

Every trial plays the whole set again at that gain, for what was played before grows hotter with it. Otherwise it is
found as that of a single track: from the ladder of gains, with the rows that decide read again from their files, and
all files once more where heat binds and clipping has a large part; behind a limiter from replays only.
"""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

from auditor.judgement.before import Before
from auditor.judgement.carried import of_channels, silence_after
from auditor.judgement.look import Look
from auditor.judgement.margin import TrialChannel, trial_channel
from auditor.judgement.peaks import ROWS_AT_A_TIME
from auditor.judgement.search import Trial, tightest
from auditor.judgement.trial import at
from auditor.protection import within_tolerance
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.audit_types import Cause
    from auditor.chain.play import Played
    from auditor.chain.splitter import HfFrames
    from auditor.judgement.peaks import Row
    from auditor.judgement.worst import Excess
    from auditor.rig import Rig


def night_margin(
    tracks: Sequence[Played], rig: Rig, *, gap_s: float, whole_s: float
) -> tuple[float | None, Cause | None]:
    """Largest gain change of the whole set for which nothing in it is at risk, with the part within its tolerance.

    Parameters
    ----------
    tracks : sequence of Played
        With the ladder of other gains.
    rig : Rig
    gap_s : float
        Silence between two tracks [s].
    whole_s : float
        Length of the whole set [s].

    Returns
    -------
    margin_db : float or None
        None where even the highest gain tried reaches no limit.
    limited_by : Cause or None
    """
    parts = within_tolerance(rig.protection)
    channels = [[trial_channel(feed, rig, parts) for feed in played.feeds] for played in tracks]
    trial = _TrialSet(channels, rig, gap_s, whole_s)
    return tightest([trial], [at(trial.excess, 0.0)])


class _TrialSet(Trial):
    """All tracks at trial gains, one after the other."""

    def __init__(self, tracks: Sequence[Sequence[TrialChannel]], rig: Rig, gap_s: float, whole_s: float) -> None:
        super().__init__()
        self._rig = rig
        self._gap_s = gap_s
        self._whole_s = whole_s
        self._tracks = tracks
        self._channels = list(itertools.chain(*tracks))

    @property
    def highest_gain_db(self) -> float:
        return min(each.highest_gain_db for each in self._channels)

    @property
    def is_replayed(self) -> bool:
        return bool(self._rig.limiters)

    @property
    def has_exact_peaks(self) -> bool:
        return all(each.has_exact_peaks for each in self._channels)

    @cached_property
    def rough(self) -> _TrialSet | None:
        tracks = [[each.rough for each in channels if each.rough is not None] for channels in self._tracks]
        if sum(map(len, tracks)) < len(self._channels):
            return None
        return _TrialSet(tracks, self._rig, self._gap_s, self._whole_s)

    def clips(self, gain_db: float) -> bool:
        return any(each.clips(gain_db) for each in self._channels)

    def looked(self, gain_db: float) -> Look:
        return self._run(lambda channel: channel.frames(gain_db))

    def energies_v2(self, gain_db: float) -> tuple[float, float]:
        each = [channel.energies_v2(gain_db) for channel in self._channels]
        return sum(now for now, _ in each), sum(then for _, then in each)

    def replayed_excess(self, gain_db: float) -> Excess | None:
        try:
            return self._run(lambda channel: _or_gone(channel.replayed(gain_db))).excess
        except _GoneError:
            return None

    def read_rows(self, rows: Sequence[Row], gain_db: float) -> bool:
        is_new = False
        for number, channel in enumerate(self._channels):
            own = [(power_w, place[1:]) for power_w, place in rows if place[0] == number]
            is_new |= bool(own) and channel.read_rows(own, gain_db)
        return is_new

    def _run(self, frames_of: Callable[[TrialChannel], HfFrames]) -> Look:
        """The whole set once, with such frames."""
        rigs = [replace(self._rig, protection=part) for part in within_tolerance(self._rig.protection)]
        before = [(Before(whole_s=self._whole_s),) for _ in rigs]  # of each part, channel by channel
        seen: list[Look] = []
        with ThreadPoolExecutor(max_workers=thread_count()) as pool:
            for channels in self._tracks:
                frames = list(pool.map(frames_of, channels))
                starts = zip(*(of_channels(each, len(channels)) for each in before), strict=True)
                found = list(pool.map(lambda channel, *given: channel.look(*given), channels, frames, starts))
                seen += [look for look, _ in found]
                silence_s = silence_after(frames[0], self._gap_s)
                afters = zip(*(after for _, after in found), strict=True)
                before = [
                    tuple(one.after_silence(silence_s, rig)[0] for one in of_part)
                    for rig, of_part in zip(rigs, afters, strict=True)
                ]
        rows = [(power_w, (number, *place)) for number, look in enumerate(seen) for power_w, place in look.loudest_rows]
        return Look(max(look.excess for look in seen), sorted(rows, reverse=True)[:ROWS_AT_A_TIME])


class _GoneError(Exception):
    """A file is no longer there, or no longer the same."""


def _or_gone(frames: HfFrames | None) -> HfFrames:
    if frames is None:
        raise _GoneError
    return frames
