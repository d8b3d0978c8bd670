"""How many decibels of room are left, and what binds first.

The margin is the largest gain change for which nothing is at risk: positive is room, negative is how far to turn down.
Each trial gain runs protection and driver again; where the amplifier clips, the frames come from the ladder of gains
that was climbed while the file was decoded (`auditor.chain.overdrive`), and no gain above its highest is tried: by then
a full-scale signal overdrives the amplifier by 20 dB more than now. Where clipping meets the peak rating, the few rows
of samples that decide are read from the file again and clipped exactly; where it meets heat, the whole file is. Behind
a limiter none of that holds, and the file is played again for each trial (`auditor.judgement.replayed_margin`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.overdrive import FRAMES_PER_ROW, WishedRow
from auditor.judgement.before import NOTHING, Before
from auditor.judgement.look import ChannelLook, Look, look_at
from auditor.judgement.ratings import STRETCH_FRAMES
from auditor.judgement.search import GUARD_DB, Trial, tightest
from auditor.judgement.sketch import sketch
from auditor.judgement.trial import Point
from auditor.judgement.worst import Excess, worst_of
from auditor.protection import opens, within_tolerance

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from auditor.audit_types import Cause
    from auditor.chain.overdrive import OverdriveLadder
    from auditor.chain.play import ChannelFeed
    from auditor.chain.splitter import HfFrames
    from auditor.judgement.examine import Carried, Examined
    from auditor.judgement.peaks import Row
    from auditor.protection import Settings
    from auditor.rig import Rig


@dataclass(frozen=True, kw_only=True)
class Line:
    """One channel through one rig, with one part or another in place of its own: those at the ends of its tolerance.

    excess : Excess
        At the present gain, with the worst of these parts.
    parts : tuple of Settings
        The rig's own, unless others are given.
    before : tuple of Before
        What was played before it, for each part; another gain leaves it as it was. Nothing, unless it is given.
    """

    feed: ChannelFeed
    rig: Rig
    excess: Excess
    parts: tuple[Settings, ...] = ()
    before: tuple[Before, ...] = ()


def lines_of(
    feeds: Sequence[ChannelFeed], rig: Rig, examined: Sequence[Examined], before: Sequence[Carried]
) -> list[Line]:
    """What the margin must hold for: every channel, at both ends of the part's tolerance where it has two."""
    parts = within_tolerance(rig.protection)
    return [
        Line(
            feed=feed,
            rig=rig,
            parts=parts,
            excess=max((end.excess for end in one.ends), default=one.excess),
            before=tuple(end.before for end in one.ends) or (warm.rated,),
        )
        for feed, one, warm in zip(feeds, examined, before, strict=True)
    ]


def margin(lines: Sequence[Line]) -> tuple[float | None, Cause | None]:
    """Margin of a programme: that of its tightest channel, with the part anywhere within its tolerance.

    Parameters
    ----------
    lines : sequence of Line
        Every channel.

    Returns
    -------
    margin_db : float or None
        None where even the highest gain tried reaches no limit.
    limited_by : Cause or None
    """
    channels = [trial_channel(line.feed, line.rig, line.parts, line.before) for line in lines]
    starts = [Point(0.0, excess_db + GUARD_DB, cause) for excess_db, cause in (line.excess for line in lines)]
    return tightest(channels, starts)


ExactRows = dict[int, WishedRow | None]


def trial_channel(
    feed: ChannelFeed,
    rig: Rig,
    parts: Sequence[Settings] = (),
    before: Sequence[Before] = (),
    *,
    exact: ExactRows | None = None,
    only: Cause | None = None,
) -> TrialChannel:
    """One channel, to be tried at other gains.

    Parameters
    ----------
    feed : ChannelFeed
    rig : Rig
    parts, before : sequence, optional
        As `Line`.
    exact : dict, optional
        Rows read from the file so far, for trials of one file in several rigs to share.
    only : Cause, optional
        What alone counts.
    """
    kind = _LimitedChannel if rig.limiters else TrialChannel
    parts = parts or (rig.protection,)
    before = before or (NOTHING,) * len(parts)
    return kind(feed, rig, parts, before, exact={} if exact is None else exact, only=only)


class TrialChannel(Trial):
    """One channel of one track, with the worst of several parts: to run two takes hardly longer than one."""

    def __init__(
        self,
        feed: ChannelFeed,
        rig: Rig,
        parts: Sequence[Settings],
        before: Sequence[Before],
        *,
        exact: ExactRows,
        only: Cause | None,
    ) -> None:
        super().__init__()
        self._feed = feed
        self._rig = rig
        self._parts = parts
        self._before = before
        self._exact = exact
        self._only = only

    @property
    def is_replayed(self) -> bool:
        return False

    @property
    def has_exact_peaks(self) -> bool:
        # How part and driver divide a frame is known at the present gain; clipped otherwise, they do so otherwise.
        return self._feed.frames.division is None

    @cached_property
    def rough(self) -> TrialChannel | None:
        # A part that opens has limits beyond the nearest one, and a guess may lead there.
        if opens(self._rig.protection):
            return None
        feed = sketch(self._feed)
        return TrialChannel(feed, self._rig, self._parts, self._before, exact=self._exact, only=self._only)

    @property
    def _ladder(self) -> OverdriveLadder:
        ladder = self._feed.ladder
        assert ladder is not None, "played without what the margin needs"
        return ladder

    @property
    def highest_gain_db(self) -> float:
        return self._ladder.highest_gain_db

    def clips(self, gain_db: float) -> bool:
        return bool(self._ladder.onset_db.min(initial=math.inf) < max(gain_db, 0.0))

    def looked(self, gain_db: float) -> Look:
        return self.look(self._feed.frames, self._before, part_of=self.by_part(gain_db))[0]

    def looked_again(self, look: Look, gain_db: float) -> Look:
        assert isinstance(look, ChannelLook)
        return look.again(self.by_part(gain_db)) or self.looked(gain_db)

    def look(
        self,
        frames: HfFrames,
        before: Sequence[Before],
        *,
        part_of: Callable[[int, int], HfFrames] | None = None,
    ) -> tuple[ChannelLook, tuple[Before, ...]]:
        """Run frames of this channel through each part; what is seen, and what they leave to what is played next."""
        ladder = self._feed.ladder
        frames_per_row = FRAMES_PER_ROW if ladder is None else ladder.frames_per_row
        return look_at(
            frames, self._rig, self._parts, before, only=self._only, frames_per_row=frames_per_row, part_of=part_of
        )

    def excesses(self, gain_db: float) -> dict[Cause, float]:
        """Excess of each quantity at a gain change, without the guard [dB]; of one part."""
        (part,), (before,) = self._parts, self._before
        rig = replace(self._rig, protection=part)
        return worst_of(self.frames(gain_db), rig, before=before).excesses(rig)

    def energies_v2(self, gain_db: float) -> tuple[float, float]:
        frames, part_of = self._feed.frames, self.by_part(gain_db)
        firsts = range(0, len(frames.rms_v), STRETCH_FRAMES)
        return _energy_v2(frames.rms_v), sum(_energy_v2(part_of(first, STRETCH_FRAMES).rms_v) for first in firsts)

    def frames(self, gain_db: float) -> HfFrames:
        """HF frames at a gain change."""
        return self._ladder.frames_at(self._feed.frames, gain_db, self._exact_rows)

    def by_part(self, gain_db: float) -> Callable[[int, int], HfFrames]:
        """The same for some of them at a time, whose first one and count are asked for."""
        return self._ladder.by_part(self._feed.frames, gain_db, self._exact_rows)

    @property
    def _exact_rows(self) -> list[WishedRow]:
        return [row for row in self._exact.values() if row is not None]

    def replayed_excess(self, gain_db: float) -> Excess | None:
        replayed = self.replayed(gain_db)
        return None if replayed is None else self.look(replayed, self._before)[0].excess

    def replayed(self, gain_db: float) -> HfFrames | None:
        """HF frames at a gain change, from every sample; None if the file is no longer the same."""
        replayed = self._feed.replay.frames(gain_db)
        return replayed if len(replayed.rms_v) == len(self._feed.frames.rms_v) else None

    def read_rows(self, rows: Sequence[Row], gain_db: float) -> bool:
        ladder = self._ladder
        new = [row for _, (row,) in rows if row not in self._exact and ladder.departs(row, gain_db)]
        for row in sorted(new):  # in the order of the file, which some formats can only be read in
            wished_v = self._feed.replay.wished_v(
                row * ladder.row_length - ladder.lead, ladder.row_length + 2 * ladder.lead
            )
            self._exact[row] = None if wished_v is None else WishedRow(row=row, wished_v=wished_v)
        return bool(new)


class _LimitedChannel(TrialChannel):
    """One channel behind a limiter: every trial is a replay of the file."""

    @property
    def is_replayed(self) -> bool:
        return True

    @cached_property
    def rough(self) -> TrialChannel | None:
        return None

    def looked(self, gain_db: float) -> Look:
        return self.look(self.frames(gain_db), self._before)[0]

    def frames(self, gain_db: float) -> HfFrames:
        return self._feed.replay.frames(gain_db)


def _energy_v2(rms_v: NDArray[np.float32]) -> float:
    # In double precision, and with no array of it.
    return float(np.einsum("i,i->", rms_v, rms_v, dtype=np.float64))
