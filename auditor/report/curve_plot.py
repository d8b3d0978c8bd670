"""Curves of power over voltage, each drawn with a letter of its own, so that they need no colour to be told apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from auditor.report import figures, palette

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

    from auditor.report.palette import Glyphs

_GUTTER = 10  # cells left of the plot: the scale in watts
_UP_TO_RATING, _ROWS = 8, 12  # lines from nought to the rating, and in all
_TICKS_V = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_TICK_CLEARANCE = 8  # cells
_WIDEST = 100


@dataclass(frozen=True, kw_only=True)
class Curve:
    """One curve: its letter, its colour, and the power [W] at given source voltages [V], no number where it ends."""

    letter: str
    style: str
    power_at_w: Callable[[ArrayLike], NDArray[np.float64]]


@dataclass(frozen=True, kw_only=True)
class Marks:
    """What the curves are held against.

    Parameters
    ----------
    rating_w : float
        Drawn as a line across [W].
    mark_v : float
        Drawn as a line upright and named on the axis [V].
    mark_name : str
    span_v : float
        Where the axis ends [V].
    """

    rating_w: float
    mark_v: float
    mark_name: str
    span_v: float


def draw(curves: Sequence[Curve], marks: Marks, glyphs: Glyphs, width: int) -> list[Text]:
    """Lines of text; where curves meet the first one's letter stands, and what is off the scale is not drawn.

    Parameters
    ----------
    curves : sequence of Curve
    marks : Marks
    glyphs : Glyphs
    width : int
        Columns of the whole line.
    """
    columns = max(min(width, _WIDEST) - _GUTTER - 1, 20)
    source_v = np.linspace(0.0, marks.span_v, columns)
    cells = _ground(columns, _column(marks.mark_v, marks, columns), glyphs)
    for curve in reversed(curves):
        _trace(cells, curve, source_v, marks.rating_w)
    lines = []
    for row in range(_ROWS, -1, -1):
        line = Text(_scale(row, marks.rating_w), style=palette.STRONG if row == _UP_TO_RATING else palette.QUIET)
        line.append(glyphs.tick, style=palette.QUIET)
        for character, style in cells[row]:
            line.append(character, style=style)
        line.rstrip()
        lines.append(line)
    return [*lines, _axis(marks, columns, glyphs), _named_mark(marks, columns)]


def _ground(columns: int, mark: int, glyphs: Glyphs) -> list[list[tuple[str, str]]]:
    """Rating and mark on an empty ground, from the lowest row up."""
    cells = [[(" ", "")] * columns for _ in range(_ROWS + 1)]
    cells[_UP_TO_RATING] = [(glyphs.peak, palette.CRIMSON)] * columns
    for row in cells:
        row[mark] = (glyphs.tick, palette.QUIET)
    return cells


def _trace(cells: list[list[tuple[str, str]]], curve: Curve, source_v: NDArray[np.float64], rating_w: float) -> None:
    before = None
    for column, power_w in enumerate(curve.power_at_w(source_v)):
        if not math.isfinite(power_w):
            return
        row = round(float(power_w) / rating_w * _UP_TO_RATING)
        # A steep curve fills the rows it passes through.
        first = row if before is None else min(before + 1, row)
        for each in range(first, min(row, _ROWS) + 1):
            cells[each][column] = (curve.letter, curve.style)
        if row > _ROWS:
            return
        before = row


def _scale(row: int, rating_w: float) -> str:
    label = figures.watts(rating_w * row / _UP_TO_RATING) if row % (_UP_TO_RATING // 2) == 0 else ""
    if row == _UP_TO_RATING:
        label = f"{figures.as_given(rating_w)} W"
    return f"{label:>{_GUTTER - 1}} "


def _column(source_v: float, marks: Marks, columns: int) -> int:
    return round(source_v / marks.span_v * (columns - 1))


def _axis(marks: Marks, columns: int, glyphs: Glyphs) -> Text:
    step_v = next((step for step in _TICKS_V if step / marks.span_v * columns >= _TICK_CLEARANCE), _TICKS_V[-1])
    row = [" "] * (columns + _GUTTER + 1)
    for tick in range(math.floor(marks.span_v / step_v) + 1):
        at = _GUTTER + 1 + _column(tick * step_v, marks, columns)
        label = glyphs.tick + figures.as_given(tick * step_v) + (" V" if tick == 0 else "")
        if at + len(label) <= len(row):
            row[at : at + len(label)] = label
    return Text("".join(row).rstrip(), style=palette.QUIET)


def _named_mark(marks: Marks, columns: int) -> Text:
    at = _GUTTER + 1 + _column(marks.mark_v, marks, columns)
    name = f"{marks.mark_name} {figures.as_given(round(marks.mark_v, 1))} V"
    if at + 2 + len(name) <= columns + _GUTTER:
        return Text(f"{'':>{at}}^ {name}")
    return Text(f"{name:>{at - 1}} ^")
