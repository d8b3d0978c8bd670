"""Which fuse, for a person: the answer, then every fuse with what it does on the programme and at the clip point."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from rich.text import Text

from auditor.report import figures, layout, palette, summary, words

if TYPE_CHECKING:
    from auditor.advice.fuse_choice import FuseCandidate, FuseChoice, OnSignal
    from auditor.report.layout import Sheet

_HEAD = ("", "fuse", "on this programme", "opens at clip point", "so it")


def show(choice: FuseChoice, sheet: Sheet) -> None:
    """Write the answer and its grounds.

    Parameters
    ----------
    choice : FuseChoice
    sheet : Sheet
    """
    rig = choice.rig
    sheet.paragraph(
        f"noise that just reaches the amplifier's clip point puts {figures.watts(choice.overload_w)} "
        f"({choice.overload_v:.0f} V) into the driver, rated {figures.as_given(rig.driver.continuous_power_w)} W"
        f"{_over_after(choice)}",
        label="Worst case ",
    )
    sheet.line()
    sheet.paragraph(choice.conclusion, label=f"{sheet.glyphs.arrow} ", style=palette.STRONG)
    if rig.protection.kind != "none":
        sheet.paragraph(f"Each fuse stands alone here, in the place of the {words.device(rig)} of the rig file.")
    if choice.peak_over_db > 0.0:
        sheet.paragraph(
            f"The programme's peaks are {figures.tenths(choice.peak_over_db)} dB over the peak rating. No fuse is "
            "quick enough for a peak, so every one is at risk here: turn down, or limit."
        )
    sheet.line()
    rows: list[list[Text | str]] = [[Text(text, style=palette.QUIET) for text in _HEAD]]
    rows += [_row(candidate, sheet, is_needed=choice.is_needed) for candidate in choice.candidates]
    if layout.INDENT + layout.table_width(rows) > sheet.width:
        rows = [row[:-1] for row in rows]
    for line in layout.table(rows):
        sheet.line(line)
    sheet.paragraph(
        "Two figures: the earliest and the latest that the standard allows a fuse of that rating. May do either: "
        "within that, it may blow on the programme, or open too late. Fuses of the list of parts, with their "
        "cold resistance in the circuit.",
        style=palette.QUIET,
    )


def _over_after(choice: FuseChoice) -> str:
    over_s = choice.candidates[0].overload.driver_over_limit_at_s
    return ": within its limits" if over_s is None else f": over its limits after {_time(over_s)}"


def _row(candidate: FuseCandidate, sheet: Sheet, *, is_needed: bool) -> list[Text | str]:
    verdict = candidate.verdict
    return [
        summary.mark(verdict, sheet.glyphs),
        Text(candidate.name, style=palette.STRONG),
        _on_programme(candidate, sheet),
        _opening(candidate.overload),
        _so(candidate, is_needed=is_needed),
    ]


def _on_programme(candidate: FuseCandidate, sheet: Sheet) -> str:
    earliest_s = candidate.programme.opens_at_s.earliest
    if earliest_s is None:
        return "carries it"
    name = sheet.name(os.path.basename(candidate.programme.track or ""), 14)
    return f"may blow {figures.clock(earliest_s, decimals=1)} {name}"


def _opening(test: OnSignal) -> str:
    earliest_s, latest_s = test.opens_at_s.earliest, test.opens_at_s.latest
    if earliest_s is None:
        return "never"
    return f"{_time(earliest_s)} to {'never' if latest_s is None else _time(latest_s)}"


def _so(candidate: FuseCandidate, *, is_needed: bool) -> str:
    if candidate.does_both:
        return ("fits" if is_needed else "does no harm") + (", but peaks" if candidate.peak_over_db > 0.0 else "")
    if candidate.survives:
        return "opens too late"
    return "blows for nothing" if candidate.protects else "may do either"


def _time(time_s: float) -> str:
    if time_s < 0.0995:
        return f"{max(time_s * 1000.0, 1.0):.0f} ms"
    return f"{time_s:.2g} s" if time_s < 99.5 else f"{time_s / 60.0:.0f} min"
