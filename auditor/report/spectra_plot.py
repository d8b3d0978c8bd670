"""Third-octave spectra laid over each other, each drawn with a letter of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from auditor.programme.spectrum import BANDS_HZ
from auditor.report import palette

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from auditor.report.palette import Glyphs

_ROWS, _ROW_DB = 17, 3.0
_GUTTER = 9  # cells left of the plot
_LABELLED_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_LABELS = ("31", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k")
STYLES = (palette.BLUE, palette.CRIMSON, palette.AMBER, palette.GREY, palette.BLUE, palette.CRIMSON)


@dataclass(frozen=True, kw_only=True)
class Lettered:
    """A spectrum [dB], its letter and its colour."""

    letter: str
    style: str
    band_level_db: NDArray[np.floating]


def draw(spectra: Sequence[Lettered], *, crossover_hz: float | None, glyphs: Glyphs, width: int) -> list[Text]:
    """Lines of text. Where spectra meet, their letters stand side by side or take turns.

    Parameters
    ----------
    spectra : sequence of Lettered
    crossover_hz : float or None
        Drawn as a line upright between the bands and named below.
    glyphs : Glyphs
    width : int
        Columns of the whole line.
    """
    each = max(2, min(4, (width - _GUTTER - 2) // len(BANDS_HZ)))
    top_db = math.ceil(max(float(one.band_level_db.max()) for one in spectra) / _ROW_DB) * _ROW_DB
    mark = None if crossover_hz is None else _column(crossover_hz, each)
    cells = [[(" ", "")] * (each * len(BANDS_HZ)) for _ in range(_ROWS)]
    if mark is not None:
        for row in cells:
            row[mark] = (glyphs.tick, palette.QUIET)
    _place(cells, spectra, top_db, each)
    lines = []
    for number, row in enumerate(cells):
        label = f"{top_db - number * _ROW_DB + 0.0:.0f} dB" if number % 2 == 0 else ""
        line = Text(f"{label:>{_GUTTER - 1}} {glyphs.tick}", style=palette.QUIET)
        for character, style in row:
            line.append(character, style=style)
        lines.append(line)
    lines.append(_axis(each))
    if mark is not None and crossover_hz is not None:
        lines.append(_named(mark, crossover_hz, each * len(BANDS_HZ)))
    return lines


def _place(cells: list[list[tuple[str, str]]], spectra: Sequence[Lettered], top_db: float, each: int) -> None:
    for band in range(len(BANDS_HZ)):
        rows: dict[int, list[Lettered]] = {}
        for one in spectra:
            row = round((top_db - float(one.band_level_db[band])) / _ROW_DB)
            if row < _ROWS:
                rows.setdefault(row, []).append(one)
        for row, meeting in rows.items():
            for place in range(min(each - 1, len(meeting))):
                shown = meeting[(band + place) % len(meeting)] if len(meeting) > each - 1 else meeting[place]
                cells[row][band * each + place] = (shown.letter, shown.style)


def _column(frequency_hz: float, each: int) -> int:
    """The cell of a frequency; bands start at their lower edge, and letters stand at the left of theirs."""
    band = 10.0 * math.log10(frequency_hz / 1000.0) + BANDS_HZ.index(1000.0) + 0.5
    return min(max(round(band * each) - 1, 0), each * len(BANDS_HZ) - 1)


def _axis(each: int) -> Text:
    row = [" "] * (each * len(BANDS_HZ) + 4)
    for frequency_hz, label in zip(_LABELLED_HZ, _LABELS, strict=True):
        at = BANDS_HZ.index(frequency_hz) * each
        row[at : at + len(label)] = label
    return Text(" " * (_GUTTER + 1) + "".join(row).rstrip() + " Hz", style=palette.QUIET)


def _named(mark: int, crossover_hz: float, columns: int) -> Text:
    name = f"crossover {crossover_hz:.6g} Hz"
    if mark + 2 + len(name) <= columns:
        return Text(f"{'':>{_GUTTER + 1 + mark}}^ {name}")
    return Text(f"{name:>{_GUTTER + mark}} ^")
