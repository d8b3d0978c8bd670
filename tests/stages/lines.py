"""The margin's lines from what was played, and the worst excess there is: with the part anywhere in its tolerance."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from auditor.chain.play import Played, play
from auditor.judgement.examine import at_ends
from auditor.judgement.margin import Line, margin
from auditor.judgement.worst import worst_of
from auditor.protection import within_tolerance

if TYPE_CHECKING:
    from pathlib import Path

    from auditor.rig import Rig


def louder(system: Rig, gain_db: float) -> Rig:
    """The same rig at another level."""
    return replace(system, level=replace(system.level, gain_db=system.level.gain_db + gain_db))


def lines_of(played: Played, system: Rig) -> list[Line]:
    """Every channel, with both ends of the part's tolerance or with the part itself where it has none."""
    found = []
    for feed in played.feeds:
        ends = at_ends(feed.frames, system)
        excess = max((end.excess for end in ends), default=worst_of(feed.frames, system).excess(system))
        found.append(Line(feed=feed, rig=system, parts=within_tolerance(system.protection), excess=excess))
    return found


def margin_of(played: Played, system: Rig) -> tuple[float | None, str | None]:
    """Margin and what binds."""
    return margin(lines_of(played, system))


def excess_db(path: Path, system: Rig) -> float:
    """Of the tightest channel and end of tolerance, by how much its worst quantity is over its limit."""
    return max(line.excess[0] for line in lines_of(play(str(path), system), system))
