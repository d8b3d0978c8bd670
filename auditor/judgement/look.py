"""A run at a trial gain: by how much it is over with the worst of its parts, and which rows of samples decide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.chain.overdrive import FRAMES_PER_ROW
from auditor.judgement.peaks import HighRows, Row, high_rows
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
    worsts : sequence of Worst
        Behind each part.
    rows : HighRows
    """

    rig: Rig
    only: Cause | None
    worsts: Sequence[Worst]
    rows: HighRows

    @classmethod
    def of(cls, worsts: Sequence[Worst], rows: HighRows, rig: Rig, *, only: Cause | None) -> ChannelLook:
        """From what there is behind each part."""
        excess = max(worst.excess(rig) if only is None else (worst.excesses(rig)[only], only) for worst in worsts)
        return cls(excess, rows.loudest, rig=rig, only=only, worsts=worsts, rows=rows)

    def again(self, part_of: Callable[[int, int], HfFrames]) -> ChannelLook | None:
        """The same once rows among the loudest have been read: frames differ from those before in their peaks.

        None where more rows belong among the loudest than are kept.
        """
        rows = self.rows.again(part_of, self.rig)
        if not rows.is_whole:
            return None
        exact = [
            replace(worst, power_peak_w=power_w) for worst, power_w in zip(self.worsts, rows.highest_w, strict=True)
        ]
        return self.of(exact, rows, self.rig, only=self.only)


def look_at(
    frames: HfFrames,
    rig: Rig,
    parts: Sequence[Settings],
    before: Sequence[Before],
    *,
    only: Cause | None = None,
    frames_per_row: int = FRAMES_PER_ROW,
    part_of: Callable[[int, int], HfFrames] | None = None,
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
    part_of : callable, optional
        As `ratings.together`.

    Returns
    -------
    look : ChannelLook
        The worst of all parts.
    after : tuple of Before
        What each leaves to what is played next.
    """
    worsts = [Worst() for _ in parts]
    rows: HighRows | None = None
    for stretches in together(frames, rig, parts, before=before, part_of=part_of):
        for worst, stretch in zip(worsts, stretches, strict=True):
            worst.take(stretch)
        here = high_rows(stretches, rig, frames_per_row=frames_per_row)
        rows = here if rows is None else rows.joined(here)
        before = [stretch.after for stretch in stretches]
    assert rows is not None, "a channel has at least one frame"
    return ChannelLook.of(worsts, rows, rig, only=only), tuple(before)
