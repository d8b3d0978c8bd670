"""The flagged passages of one track: when, why, how much, against what, and by how much."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from auditor.audit_types import SEVERITY
from auditor.report import figures, layout, palette, words

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Cause, Passage
    from auditor.report.layout import Sheet

MOST_SHOWN = 10
MOST_OF_A_CAUSE = 3
_GRAVEST_FIRST: tuple[Cause, ...] = (
    "protection_failed",
    "coil_temp",
    "driver_power_60s",
    "driver_power_1s",
    "driver_power_peak",
    "protection_engaged",
)


def show(track: Audit, sheet: Sheet) -> None:
    """The table, or nothing when no passage is flagged."""
    if not track.passages:
        return
    shown = chosen(track.passages)
    many_channels = track.channel_count > 1
    header = ["", "from", "to", "ch", "what", "value", "limit", "over by"]
    rows: list[list[Text | str]] = [[Text(each, style=palette.QUIET) for each in header]]
    rows += [_row(passage, track, sheet) for passage in shown]
    if not many_channels:
        rows = [[*row[:3], *row[4:]] for row in rows]
    flush = (1, 2, 5, 6, 7) if many_channels else (1, 2, 4, 5, 6)
    sheet.line()
    for line in layout.table(rows, right=flush):
        sheet.line(line)
    left = Counter(passage.cause for passage in track.passages)
    left.subtract(passage.cause for passage in shown)
    if left.total():
        split = ", ".join(f"{words.cause(cause, track.rig)} {left[cause]}" for cause in _GRAVEST_FIRST if left[cause])
        sheet.paragraph(f"and {left.total()} more ({split}); --format csv lists all", style=palette.QUIET)


def chosen(passages: Sequence[Passage]) -> list[Passage]:
    """The passages worth showing, in order of time: risks first, of each cause its worst before any second one."""
    by_cause = {
        cause: sorted((each for each in passages if each.cause == cause), key=lambda each: -_ratio(each))
        for cause in _GRAVEST_FIRST
    }
    ranked = sorted(
        (
            (-SEVERITY[passage.verdict], rank, _GRAVEST_FIRST.index(cause), passage)
            for cause, ordered in by_cause.items()
            for rank, passage in enumerate(ordered[:MOST_OF_A_CAUSE])
        ),
        key=lambda each: each[:3],
    )
    return sorted((each[3] for each in ranked[:MOST_SHOWN]), key=lambda each: (each.start_s, each.channel))


def _ratio(passage: Passage) -> float:
    return passage.value / passage.limit if passage.limit else passage.value


def _row(passage: Passage, track: Audit, sheet: Sheet) -> list[Text | str]:
    degree = sheet.glyphs.degree
    verdict = passage.verdict
    mark = Text(f" {palette.LETTER[verdict]} {sheet.glyphs.shape[verdict]} ", style=palette.BADGE[verdict])
    return [
        mark,
        figures.clock(passage.start_s, decimals=1),
        "end" if passage.cause == "protection_failed" else figures.clock(passage.end_s, decimals=1),
        str(passage.channel + 1),
        words.cause(passage.cause, track.rig),
        figures.quantity(passage.value, passage.unit, degree),
        figures.limit(passage.limit, passage.unit, degree),
        figures.excess(passage),
    ]
