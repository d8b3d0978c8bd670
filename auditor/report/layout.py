"""Lines and columns by hand: a table whose cells are never cut off, and text wrapped with a hanging indent.

Widths count terminal cells, not characters, so that wide scripts line up. A name too long for its place loses its
middle, where names differ least; nothing else is shortened.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from auditor.report import figures

if TYPE_CHECKING:
    from rich.console import Console

    from auditor.report.palette import Glyphs

INDENT = 1
GAP = 2
_WIDEST_PROSE = 120  # longer lines lose the eye
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:°?C|dB|W|K|Hz|ohm|s)\b)")
_STICKY = "\ue000"  # rich takes even a no-break space for a place to wrap; private use, one cell wide


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """Where the report is written: the console, its width and the signs it can show."""

    console: Console
    glyphs: Glyphs
    width: int

    def line(self, text: Text | str = "") -> None:
        """One finished line, as it is."""
        shown = text if isinstance(text, Text) else Text(text)
        shown.rstrip()
        self.console.print(shown, no_wrap=True, overflow="ignore", crop=False)

    def paragraph(self, text: str, *, label: str = "", style: str = "", label_style: str = "bold") -> None:
        """Text over as many lines as it takes, each under the first one's start; the label stands before it."""
        indent = INDENT + cell_len(label)
        body = Text(_BEFORE_UNIT.sub(_STICKY, text))
        for number, part in enumerate(
            body.wrap(self.console, max(min(self.width, _WIDEST_PROSE) - indent, 20), overflow="fold")
        ):
            head = Text(" " * INDENT).append(label, style=label_style) if number == 0 else Text(" " * indent)
            self.line(head.append(part.plain.replace(_STICKY, " ").rstrip(), style=style))

    def entries(self, entries: Sequence[str], *, label: str = "", style: str = "") -> None:
        """Entries side by side, none broken over two lines."""
        self.paragraph("   ".join(each.replace(" ", _STICKY) for each in entries), label=label, style=style)

    def safe(self, text: str) -> str:
        """Text from outside, made harmless and limited to what the output's encoding can hold."""
        harmless = figures.safe(text, self.glyphs.unknown)
        encoding = self.console.encoding
        return harmless.encode(encoding, "replace").decode(encoding)

    def name(self, text: str, cells: int) -> str:
        """A name from outside in at most so many cells, its middle left out where it is too long."""
        return shorten(self.safe(text), cells, self.glyphs.gap)


def shorten(text: str, cells: int, gap: str) -> str:
    """The text in at most `cells` cells: its start, the gap sign, and its end with the file's extension."""
    if cell_len(text) <= cells:
        return text
    tail_cells = (cells - cell_len(gap)) // 2
    tail = ""
    for character in reversed(text):
        if cell_len(character + tail) > tail_cells:
            break
        tail = character + tail
    head_cells = cells - cell_len(gap) - cell_len(tail)
    return set_cell_size(text, head_cells).rstrip() + gap + tail


def table(rows: Sequence[Sequence[Text | str]], *, right: Sequence[int] = (), indent: int = INDENT) -> list[Text]:
    """Cells in columns as wide as their widest cell; `right` numbers the columns set flush right."""
    cells = [[each if isinstance(each, Text) else Text(each) for each in row] for row in rows]
    widths = [max(cell.cell_len for cell in column) for column in zip(*cells, strict=True)]
    lines = []
    for row in cells:
        line = Text(" " * indent)
        for number, (cell, width) in enumerate(zip(row, widths, strict=True)):
            padding = " " * (width - cell.cell_len)
            line.append(" " * GAP if number else "")
            line.append(padding if number in right else "").append_text(cell).append("" if number in right else padding)
        lines.append(line)
    return lines


def table_width(rows: Sequence[Sequence[Text | str]]) -> int:
    """Cells that `table` takes for these rows, without the indent."""
    columns = list(zip(*rows, strict=True))
    return sum(max(cell_len(str(cell)) for cell in column) for column in columns) + GAP * (len(columns) - 1)
