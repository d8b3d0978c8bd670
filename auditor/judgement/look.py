"""A run at a trial gain: by how much it is over with the worst of its parts, and which rows of samples decide."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.chain.overdrive import FRAMES_PER_ROW
from auditor.judgement.peaks import ROWS_AT_A_TIME, HighRows, HighRowsFinder, Row
from auditor.judgement.ratings import together
from auditor.judgement.worst import Excess, Worst

if TYPE_CHECKING:
    from auditor.audit_types import Cause
    from auditor.chain.splitter import HfFrames
    from auditor.judgement.before import Before
    from auditor.protection import Settings
    from auditor.rig import Rig


@dataclass(frozen=True)
class Look:
    """A run at one gain: its excess, and the rows with peaks near the rating, loudest first."""

    excess: Excess
    loudest_rows: Sequence[Row]


@dataclass(frozen=True, kw_only=True)
class ChannelLook(Look):
    """That of one channel, with what is needed to put exact peaks in.

    Parameters
    ----------
    rig : Rig
    only : Cause or None
        What alone counts.
    behind : sequence of (Worst, HighRows)
        Behind each part.
    """

    rig: Rig
    only: Cause | None
    behind: Sequence[tuple[Worst, HighRows]]

    @classmethod
    def of(cls, behind: Sequence[tuple[Worst, HighRows]], rig: Rig, *, only: Cause | None) -> ChannelLook:
        """From what there is behind each part."""
        worsts = [worst for worst, _ in behind]
        excess = max(worst.excess(rig) if only is None else (worst.excesses(rig)[only], only) for worst in worsts)
        return cls(excess, loudest([rows.loudest() for _, rows in behind]), rig=rig, only=only, behind=behind)

    def again(self, frames: HfFrames) -> ChannelLook:
        """The same once rows among the loudest have been read: `frames` differ from those before in their peaks."""
        behind = []
        for worst, rows in self.behind:
            exact = rows.again(frames, self.rig)
            behind.append((replace(worst, power_peak_w=exact.highest_w), exact))
        return self.of(behind, self.rig, only=self.only)


def loudest(each: Sequence[Sequence[Row]]) -> list[Row]:
    """The few loudest rows of several lists of them, each row once."""
    highest_w: dict[tuple[int, ...], float] = {}
    for power_w, place in (row for rows in each for row in rows):
        highest_w[place] = max(power_w, highest_w.get(place, 0.0))
    return sorted(((power_w, place) for place, power_w in highest_w.items()), reverse=True)[:ROWS_AT_A_TIME]


def look_at(
    frames: HfFrames,
    rig: Rig,
    parts: Sequence[Settings],
    before: Sequence[Before],
    *,
    only: Cause | None = None,
    frames_per_row: int = FRAMES_PER_ROW,
) -> tuple[ChannelLook, tuple[Before, ...]]:
    """Run a channel through a rig, with one part after the other in place of its own.

    Parameters
    ----------
    frames : HfFrames
    rig : Rig
    parts : sequence of Settings
    before : sequence of Before
        For each part.
    only : Cause, optional
        What alone counts.
    frames_per_row : int

    Returns
    -------
    look : ChannelLook
        The worst of all parts.
    after : tuple of Before
        What each leaves to what is played next.
    """
    found = [(Worst(), HighRowsFinder(rig, frames_per_row)) for _ in parts]
    for stretches in together(frames, rig, parts, before=before):
        for (worst, rows), stretch in zip(found, stretches, strict=True):
            worst.take(stretch)
            rows.take(stretch)
        before = [stretch.after for stretch in stretches]
    return ChannelLook.of([(worst, rows.finish()) for worst, rows in found], rig, only=only), tuple(before)
