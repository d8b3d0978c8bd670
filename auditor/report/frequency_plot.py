"""Curves over frequency in the terminal, each drawn with a letter of its own, so that they need no colour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from auditor.report import palette

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from auditor.report.palette import Glyphs

_GUTTER = 10  # cells left of the plot: the scale
_WIDEST = 100
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)


@dataclass(frozen=True, kw_only=True)
class Line:
    """One curve: its letter, its colour, and a value for each frequency of the plot."""

    letter: str
    style: str
    values: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Scale:
    """The upright scale.

    Parameters
    ----------
    low, high : float
        Its ends.
    marks : tuple of float
        Values that are written beside it, and drawn as faint lines across.
    unit : str
    is_log : bool
        Whether equal ratios take equal room.
    """

    low: float
    high: float
    marks: tuple[float, ...]
    unit: str
    is_log: bool = False

    def share(self, value: float) -> float:
        """Where a value stands, from nought at the lower end to one at the upper."""
        if self.is_log:
            return math.log(max(value, 1e-9) / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


def draw(
    lines: Sequence[Line], frequency_hz: NDArray[np.float64], scale: Scale, glyphs: Glyphs, width: int, *, rows: int
) -> list[Text]:
    """Lines of text; where curves meet the first one's letter stands, and what is off the scale is not drawn."""
    columns = max(min(width, _WIDEST) - _GUTTER - 1, 20)
    at_hz = np.geomspace(frequency_hz[0], frequency_hz[-1], columns)
    cells = [[(" ", "")] * columns for _ in range(rows + 1)]
    labels = {}
    for mark in scale.marks:
        row = round(scale.share(mark) * rows)
        labels[row] = f"{mark:g} {scale.unit}"
        cells[row] = [(glyphs.dot, palette.QUIET)] * columns
    for line in reversed(lines):
        values = np.interp(np.log(at_hz), np.log(frequency_hz), line.values)
        _trace(cells, line, [round(scale.share(float(value)) * rows) for value in values], rows)
    drawn = []
    for row in range(rows, -1, -1):
        text = Text(f"{labels.get(row, ''):>{_GUTTER - 1}} ", style=palette.QUIET)
        text.append(glyphs.tick, style=palette.QUIET)
        for character, style in cells[row]:
            text.append(character, style=style)
        text.rstrip()
        drawn.append(text)
    return [*drawn, _axis(frequency_hz, columns, glyphs)]


def _trace(cells: list[list[tuple[str, str]]], line: Line, at_rows: list[int], rows: int) -> None:
    before: int | None = None
    for column, row in enumerate(at_rows):
        # A steep curve fills the rows it passes through.
        low, high = (row, row) if before is None else (min(row, before), max(row, before))
        if before is not None and high > low:
            low, high = (low + 1, high) if row > before else (low, high - 1)
        for each in range(max(low, 0), min(high, rows) + 1):
            cells[each][column] = (line.letter, line.style)
        before = row


def _axis(frequency_hz: NDArray[np.float64], columns: int, glyphs: Glyphs) -> Text:
    row = [" "] * (columns + _GUTTER + 1)
    span = math.log(frequency_hz[-1] / frequency_hz[0])
    free = 0
    for tick_hz in _TICKS_HZ:
        at = _GUTTER + 1 + round(math.log(tick_hz / frequency_hz[0]) / span * (columns - 1))
        label = glyphs.tick + (f"{tick_hz // 1000}k" if tick_hz >= 1000 else str(tick_hz))
        label += " Hz" if tick_hz == _TICKS_HZ[0] else ""
        start = at if at + len(label) <= len(row) else len(row) - len(label)
        if start >= free:
            row[start : start + len(label)] = label
            free = start + len(label) + 1
    return Text("".join(row).rstrip(), style=palette.QUIET)
