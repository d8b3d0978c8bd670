"""A set played through as one night: every track in its place, as warm as what was before it has left part and driver.

Between the tracks there is silence, in which they cool. The windows of the ratings reach back over it as they would in
one long file: without silence the answer is that of the tracks joined.
"""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from auditor.judgement.carried import cold, is_lost, of_channels, put_through, rested, silence_after
from auditor.judgement.night_order import order_effect
from auditor.judgement.trial import LOWEST_GAIN_DB
from auditor.night_types import HottestMoment, Night, NightTrack

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from auditor.audit_types import Audit, Cause
    from auditor.chain.play import Played
    from auditor.chain.splitter import HfFrames
    from auditor.judgement.carried import Outcome
    from auditor.judgement.examine import Carried, Examined
    from auditor.night_types import OrderEffect
    from auditor.rig import Rig

    Judge = Callable[[Played, Rig, Sequence[Carried]], tuple[Audit, list[Examined]]]

_MOST_BINS = 4000


class Course:
    """The hottest coil over the whole night, in at most `_MOST_BINS` bins that keep the largest value."""

    def __init__(self, whole_s: float) -> None:
        self.step_s = max(whole_s / _MOST_BINS, 0.01)
        self._bins = np.full(max(1, int(np.ceil(whole_s / self.step_s - 1e-9))), -np.inf)

    def add_track(self, place: NightTrack, audit: Audit) -> None:
        """Enter every channel of a track."""
        for channel in audit.channels:
            self._add(place.start_s, channel.traces.step_s, channel.traces.coil_temp_c)

    def add_silence(self, start_s: float, carried: Sequence[Carried], rig: Rig, silence_s: float) -> None:
        """Enter how the coils cool in a silence."""
        for one in carried:
            _, temp_c, step_s = one.rated.after_silence(silence_s, rig)
            self._add(start_s, step_s, temp_c)

    def _add(self, start_s: float, step_s: float, temp_c: NDArray[np.float32]) -> None:
        """Enter the ends of some steps."""
        at = ((start_s + step_s * np.arange(1, len(temp_c) + 1)) / self.step_s - 1e-9).astype(np.int64)
        np.maximum.at(self._bins, np.clip(at, 0, len(self._bins) - 1), temp_c)

    def until(self, duration_s: float, ambient_c: float) -> NDArray[np.float32]:
        """Every bin up to then; those shorter than a step lie on a straight line between their neighbours."""
        bins = self._bins[: max(1, math.ceil(duration_s / self.step_s - 1e-9))]
        known = np.flatnonzero(np.isfinite(bins))
        if not len(known):
            return np.full(len(bins), ambient_c, dtype=np.float32)
        every: NDArray[np.float32] = np.interp(np.arange(len(bins)), known, bins[known]).astype(np.float32)
        return every


@dataclass(frozen=True, kw_only=True)
class Through:
    """A set that was played through.

    audits : tuple of Audit
        Every track judged in its place.
    """

    audits: tuple[Audit, ...]
    timeline: tuple[NightTrack, ...]
    course: Course


def length_s(tracks: Sequence[Played], gap_s: float) -> float:
    """From the first track's start to the last one's end [s]."""
    return sum(each.duration_s for each in tracks) + gap_s * max(len(tracks) - 1, 0)


def play_through(tracks: Sequence[Played], rig: Rig, gap_s: float, judge: Judge) -> Through:
    """Judge tracks one after the other, each on top of the heat of those before; after Ctrl-C, what was finished.

    Parameters
    ----------
    tracks : sequence of Played
    rig : Rig
    gap_s : float
        Silence between two of them [s].
    judge : callable
        Given a track, the rig and what each of its channels starts from.
    """
    whole_s = length_s(tracks, gap_s)
    course = Course(whole_s)
    carried, start_s = cold(whole_s), 0.0
    finished: list[tuple[Audit, NightTrack]] = []
    with suppress(KeyboardInterrupt):
        for played in tracks:
            before = of_channels(carried, len(played.feeds))
            audit, examined = judge(played, rig, before)
            audit = _reworded(audit, tuple(index for index, one in enumerate(before) if is_lost(one, rig)))
            place = _place(audit, start_s, before, put_through(_frames(played), rig, cold(whole_s))[0])
            carried = tuple(one.carried for one in examined)
            silence_s = silence_after(played.feeds[0].frames, gap_s)
            course.add_track(place, audit)
            course.add_silence(place.end_s, carried, rig, silence_s)
            carried = rested(carried, rig, silence_s)
            finished.append((audit, place))
            start_s += played.duration_s + gap_s
    return Through(
        audits=tuple(audit for audit, _ in finished), timeline=tuple(place for _, place in finished), course=course
    )


def _frames(played: Played) -> list[HfFrames]:
    return [feed.frames for feed in played.feeds]


def _place(audit: Audit, start_s: float, before: Sequence[Carried], alone: Outcome) -> NightTrack:
    ambient_c = audit.rig.site.ambient_temp_c
    return NightTrack(
        track=audit.name,
        start_s=start_s,
        end_s=start_s + audit.duration_s,
        coil_temp_start_c=max(ambient_c, *(each.coil_temp_c for each in before)),
        coil_temp_max_c=max(each.protected.coil_temp_max_c for each in audit.channels),
        coil_temp_alone_c=alone.coil_temp_c,
        at_risk=audit.verdict == "risk",
        at_risk_alone=alone.at_risk,
        lost_channels=audit.lost_channels,
    )


def night(
    through: Through,
    tracks: Sequence[Played],
    rig: Rig,
    gap_s: float,
    *,
    limited_by: Cause | None,
    effect: OrderEffect | None,
    unanswered: Sequence[Literal["margin", "order"]],
) -> Night:
    """What the set played through amounts to.

    Parameters
    ----------
    through : Through
    tracks : sequence of Played
    rig : Rig
    gap_s : float
    limited_by : Cause or None
        What binds the margin of the whole set.
    effect : OrderEffect or None
    unanswered : sequence of str
        What there was no time for.
    """
    duration_s = length_s(tracks, gap_s)
    return Night(
        gap_s=gap_s,
        duration_s=duration_s,
        hottest=_hottest(through),
        timeline=through.timeline,
        effect=effect,
        margin_limited_by=limited_by,
        step_s=through.course.step_s,
        coil_temp_c=through.course.until(duration_s, rig.site.ambient_temp_c),
        unanswered=tuple(unanswered),
    )


def effect_of_order(through: Through, tracks: Sequence[Played], rig: Rig, gap_s: float) -> OrderEffect:
    """What another order or a pause would do."""
    frames = [_frames(each) for each in tracks]
    return order_effect(through.timeline, frames, rig, gap_s, length_s(tracks, gap_s))


def _reworded(audit: Audit, lost: tuple[int, ...]) -> Audit:
    """The same with what only a track in its place can have.

    No margin where not even the lowest gain is safe, as with a coil over its limit at the start; and where the part was
    destroyed before, not a second time the current or temperature that did so, nor a lower level as a remedy.
    """
    if audit.margin_db is not None and audit.margin_db <= LOWEST_GAIN_DB:
        audit = replace(audit, margin_db=None, margin_limited_by=None)
    if not lost:
        return audit
    passages = tuple(
        replace(each, value=1.0, limit=1.0, unit="life")
        if each.cause == "protection_failed" and each.start_s == 0.0 and each.channel in lost
        else each
        for each in audit.passages
    )
    return replace(audit, passages=passages, lost_channels=lost, quieter_risk=None)


def _hottest(through: Through) -> HottestMoment:
    channels = (
        (channel.protected.coil_temp_max_c, audit, place, channel)
        for audit, place in zip(through.audits, through.timeline, strict=True)
        for channel in audit.channels
    )
    temp_c, audit, place, channel = max(channels, key=lambda each: each[0])
    at_s = (int(channel.traces.coil_temp_c.argmax()) + 1) * channel.traces.step_s
    at_s = min(at_s, audit.duration_s)
    return HottestMoment(
        track=audit.name, channel=channel.index, track_at_s=at_s, at_s=place.start_s + at_s, coil_temp_c=temp_c
    )
