"""What every answer to "what shall I fit?" begins and ends with."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from rich.text import Text

from auditor.report import figures, palette, words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.audit_types import FileFault
    from auditor.report.layout import Sheet
    from auditor.rig import Rig


def head(question: str, rig: Rig, durations_s: Sequence[float], sheet: Sheet) -> None:
    """The question, the rig, and how much was put through it.

    Parameters
    ----------
    question : str
    rig : Rig
    durations_s : sequence of float
        Length of each track [s].
    sheet : Sheet
    """
    sheet.line()
    heading(question, sheet)
    sheet.line()
    sheet.paragraph(sheet.safe(f"{os.path.basename(rig.path)}: {words.rig_sentence(rig)}"), label="Rig        ")
    count = len(durations_s)
    tracks = "1 track" if count == 1 else f"{count} tracks"
    sheet.paragraph(f"{tracks}, {figures.length(sum(durations_s))} in all", label="Programme  ")


def heading(text: str, sheet: Sheet) -> None:
    """A line that parts what follows from what was before."""
    rule = sheet.glyphs.rule
    line = Text().append(rule * 2 + " ", style=palette.QUIET).append(text, style=palette.STRONG)
    sheet.line(line.append(" " + rule * max(sheet.width - len(text) - 4, 0), style=palette.QUIET))


def tail(rig: Rig, faults: Sequence[FileFault], sheet: Sheet) -> None:
    """Files that were left out, assumptions and cautions."""
    if faults:
        sheet.line()
        heading(f"Not analysed, or not to the end: {len(faults)}", sheet)
        for fault in faults:
            sheet.paragraph(sheet.safe(fault.message), label="! ")
    sheet.line()
    if rig.assumed:
        sheet.paragraph(words.assumptions(rig), label="Assumed: ")
    sheet.paragraph(" ".join(words.CAUTIONS), label="Cautions: ")
    sheet.line()


def nothing(faults: Sequence[FileFault], sheet: Sheet) -> None:
    """There was no track to answer from."""
    sheet.line()
    sheet.paragraph("Nothing was analysed, so there is no answer.", style=palette.STRONG)
    for fault in faults:
        sheet.paragraph(sheet.safe(fault.message), label="! ")
    sheet.line()
