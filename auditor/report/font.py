"""Text from outside made fit for a picture: only characters that the font has, in so many lines of so many cells."""

from __future__ import annotations

import functools
import textwrap

from rich.cells import cell_len

from auditor.report import figures
from auditor.report.layout import shorten

_UNKNOWN = "\N{REPLACEMENT CHARACTER}"


@functools.cache
def _known() -> frozenset[int]:
    """Characters of the font that comes with matplotlib."""
    from matplotlib import font_manager

    path = font_manager.findfont("DejaVu Sans", fallback_to_default=True)
    return frozenset(font_manager.get_font(path).get_charmap())


def drawable(text: str) -> str:
    """The text on one line, every character that cannot be drawn replaced."""
    return "".join(each if ord(each) in _known() else _UNKNOWN for each in figures.safe(text, _UNKNOWN))


def wrapped(text: str, cells: int, *, lines: int) -> str:
    """The text in at most so many lines of at most so many cells; too long, it loses its middle or its end."""
    if lines == 1 or cell_len(text) <= cells:
        return shorten(text, cells, "…")
    return "\n".join(textwrap.wrap(text, cells, max_lines=lines, placeholder=" …"))
