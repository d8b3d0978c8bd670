"""The flagged passages of one track: when, why, how much, against what, and by how much."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from auditor.audit_types import SEVERITY
from auditor.report import figures, layout, palette, summary, words

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Cause, Passage
    from auditor.report.layout import Sheet

MOST_SHOWN = 10
MOST_OF_A_CAUSE = 3
_COLUMNS = ("", "from", "to", "ch", "what", "value", "limit", "over by")
_FLUSH_RIGHT = ("from", "to", "value", "limit", "over by")
_LEAST_NEEDED_FIRST = ("over by", "limit", "to", "ch")
WHOLE_WINDOW = "from-to of a mean: the whole window"
OF_A_MEAN: tuple[Cause, ...] = ("driver_power_1s", "driver_power_60s")
_GRAVEST_FIRST: tuple[Cause, ...] = (
    "protection_failed",
    "coil_temp",
    "excursion",
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
    header: dict[str, Text | str] = {name: Text(name, style=palette.QUIET) for name in _COLUMNS}
    cells = [header, *(_cells(passage, track, sheet) for passage in shown)]
    columns = _columns_that_fit(cells, [name for name in _COLUMNS if name != "ch" or track.channel_count > 1], sheet)
    flush = [columns.index(name) for name in _FLUSH_RIGHT if name in columns]
    sheet.line()
    for line in layout.table([[row[name] for name in columns] for row in cells], right=flush):
        sheet.line(line)
    if any(passage.cause in OF_A_MEAN for passage in shown):
        sheet.paragraph(WHOLE_WINDOW, style=palette.QUIET)
    if any(passage.part_at is not None for passage in shown):
        sheet.paragraph(words.OFF_RATING, style=palette.QUIET)
    left = Counter(passage.cause for passage in track.passages)
    left.subtract(passage.cause for passage in shown)
    if left.total():
        split = ", ".join(f"{words.cause(cause, track.rig)} {left[cause]}" for cause in _GRAVEST_FIRST if left[cause])
        sheet.paragraph(f"and {left.total()} more ({split}); --format csv lists all", style=palette.QUIET)


def _columns_that_fit(cells: Sequence[dict[str, Text | str]], columns: list[str], sheet: Sheet) -> list[str]:
    """The columns to show; what can be worked out from the others, or guessed, gives way first."""
    for least_needed in _LEAST_NEEDED_FIRST:
        if layout.INDENT + layout.table_width([[row[name] for name in columns] for row in cells]) <= sheet.width:
            break
        columns = [name for name in columns if name != least_needed]
    return columns


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


def _cells(passage: Passage, track: Audit, sheet: Sheet) -> dict[str, Text | str]:
    degree = sheet.glyphs.degree
    verdict = passage.verdict
    failed = passage.cause == "protection_failed"
    return {
        "": summary.mark(verdict, sheet.glyphs),
        "from": figures.clock(passage.start_s, decimals=1),
        "to": "end" if failed else figures.clock(passage.end_s, decimals=1, up=True),
        "ch": str(passage.channel + 1),
        "what": words.cause(passage.cause, track.rig, passage.part_at),
        "value": figures.quantity(passage.value, passage.unit, degree, limit=passage.limit),
        "limit": figures.limit(passage.limit, passage.unit, degree),
        "over by": figures.excess(passage),
    }
