"""Reads a driver's impedance as measuring tools export it: frequency [Hz], magnitude [ohm], phase [degrees].

One row a line, columns apart by blanks, tabs, semicolons or commas, with points or commas for the decimals; further
columns are not read. A line that begins with any of ``* # ; ! " % /`` is a comment, and so is a heading in words before
the first row. Where there are two columns only, the phases are worked out from the magnitudes.

Source and range
----------------
Phase from magnitude: an impedance of passive parts is of minimum phase, so its phase follows from the slope of its
magnitude over frequency (H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945, chapter 14; from memory):

    phase(u0) = 1/pi * integral of (d ln|Z| / du) ln coth(|u - u0| / 2) du,   u = ln f

Below its first point the magnitude is taken as level, above its last as that of a resistance with an inductance.
"""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass
from pathlib import Path

from auditor.driver.impedance import MeasuredImpedance

LARGEST_FILE_BYTES = 10_000_000
COMMENT_MARKS = '*#;!"%/'
LEAST_ROWS = 2
WIDE_GAP_RATIO = 2.0  # of neighbouring frequencies: an octave without a point is a gap
LEAST_OHM, LARGEST_OHM = 0.1, 10_000.0
_MOST_PHASE_DEG = 90.0
_GRID_POINTS = 4000
_STEEPEST = 0.99  # an inductance alone has 1


class ImpedanceFileError(Exception):
    """What is wrong with the file, and in which line where it is one line's."""

    def __init__(self, what: str, *, line: int | None = None, got: str | None = None, hint: str | None = None) -> None:
        self.what = what if line is None else f"line {line}: {what}"
        self.got = got
        self.hint = hint
        super().__init__(self.what)


@dataclass(frozen=True, kw_only=True)
class Gap:
    """An octave or more without a point."""

    line: int
    from_hz: float
    to_hz: float


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What a file holds.

    Parameters
    ----------
    measured : MeasuredImpedance
    notes : tuple of str
        What a reader should know of it, one sentence each.
    gaps : tuple of Gap
    """

    measured: MeasuredImpedance
    notes: tuple[str, ...]
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class _Row:
    line: int
    frequency_hz: float
    magnitude_ohm: float
    phase_deg: float | None


def read_impedance(path: Path, *, name: str) -> Reading:
    """The impedance that a file holds.

    Parameters
    ----------
    path : Path
    name : str
        The file as the rig file names it.

    Raises
    ------
    ImpedanceFileError
        With the line and the reason, when no impedance can be had from it.
    """
    rows = _rows(_text(path))
    if len(rows) < LEAST_ROWS:
        raise ImpedanceFileError(
            "holds no impedance" if not rows else "holds a single row",
            hint="three columns of numbers: Hz, ohm, degrees",
        )
    notes = []
    if all(later.frequency_hz < row.frequency_hz for row, later in itertools.pairwise(rows)):
        rows = rows[::-1]
        notes.append(f"{name} runs from high to low frequencies; it was read the other way round")
    _refuse_unsorted(rows)
    has_phase = rows[0].phase_deg is not None
    measured = MeasuredImpedance(
        path=name,
        frequency_hz=tuple(row.frequency_hz for row in rows),
        magnitude_ohm=tuple(row.magnitude_ohm for row in rows),
        phase_deg=tuple(row.phase_deg or 0.0 for row in rows),
        has_phase=has_phase,
    )
    if not has_phase:
        notes.append(f"{name} gives no phases; they were worked out from the magnitudes (minimum phase)")
        measured = _with_phase(measured)
    return Reading(measured=measured, notes=tuple(notes), gaps=_gaps(rows))


def _text(path: Path) -> str:
    try:
        if path.is_dir():
            raise ImpedanceFileError("is a folder")
        if path.exists() and not path.is_file():
            raise ImpedanceFileError("is a device or a pipe, not a file")  # a pipe may never answer
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise ImpedanceFileError("no such file", hint="the path is taken from the rig file's folder") from None
    except PermissionError:
        raise ImpedanceFileError("no permission to read it") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a usable file name"
        raise ImpedanceFileError(f"cannot be read: {reason.lower()}") from None
    if len(content) > LARGEST_FILE_BYTES:
        raise ImpedanceFileError("too large for an impedance", hint="at most 10 MB; is it another file?")
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")  # a degree sign in a heading


def _rows(text: str) -> list[_Row]:
    rows: list[_Row] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.strip()
        if not line or line[0] in COMMENT_MARKS:
            continue
        fields = _fields(line, number, is_heading=not rows)
        if fields is not None:
            rows.append(_row(fields, number, columns=0 if not rows else (2 if rows[0].phase_deg is None else 3)))
    return rows


def _fields(line: str, number: int, *, is_heading: bool) -> list[float] | None:
    """The numbers of a line; None for a heading in words."""
    words = _words(line)
    if len(words) >= 5 and "," in line and not re.search(r"[.;\s]", line):
        raise ImpedanceFileError(
            "commas both between columns and for decimals cannot be told apart",
            line=number,
            got=line[:40],
            hint="export it with points, or with semicolons or tabs between the columns",
        )
    found = [_number(word) for word in words[:3]]
    if found[0] is None and is_heading:
        return None
    for word, value in zip(words, found, strict=False):
        if value is None:
            what = "a value is missing" if not word else "not a number"
            raise ImpedanceFileError(what, line=number, got=f'"{_printable(word)}"' if word else None)
    return [value for value in found if value is not None]


def _words(line: str) -> list[str]:
    """The columns of a line as text."""
    for mark in (";", "\t"):
        if mark in line:
            # A mark at the end of a line ends the last column and begins no other.
            return [word.strip() for word in line.rstrip(f"{mark} ").split(mark)]
    blank = line.split()
    if len(blank) > 1:
        if all(word.endswith(",") for word in blank[:-1]):  # "20, 8.1, 12"
            return [word.rstrip(",") for word in blank]
        return [word for word in blank if word != ","]
    return [word.strip() for word in line.rstrip(",").split(",")]


def _number(word: str) -> float | None:
    if word.count(",") == 1 and "." not in word:
        word = word.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", word):
        return None
    value = float(word)
    return value if math.isfinite(value) else None


def _row(fields: list[float], line: int, *, columns: int) -> _Row:
    if len(fields) < 2:
        raise ImpedanceFileError("a single number", line=line, hint="three columns: Hz, ohm, degrees")
    if columns and len(fields) != columns:
        raise ImpedanceFileError(f"{len(fields)} columns, and {columns} in the rows before", line=line)
    frequency_hz, magnitude_ohm = fields[:2]
    phase_deg = fields[2] if len(fields) > 2 else None
    if frequency_hz <= 0.0:
        raise ImpedanceFileError("a frequency is above zero", line=line, got=f"{frequency_hz:g} Hz")
    if not LEAST_OHM <= magnitude_ohm <= LARGEST_OHM:
        hint = "are these real and imaginary parts?" if magnitude_ohm < 0.0 else "columns: Hz, ohm, degrees"
        raise ImpedanceFileError(
            f"no driver's impedance: allowed {LEAST_OHM:g} to {LARGEST_OHM:g} ohm",
            line=line,
            got=f"{magnitude_ohm:g} ohm",
            hint=hint,
        )
    if phase_deg is not None and abs(phase_deg) > _MOST_PHASE_DEG:
        raise ImpedanceFileError(
            "a driver takes power, so its phase is from -90 to 90 degrees", line=line, got=f"{phase_deg:g} degrees"
        )
    return _Row(line, frequency_hz, magnitude_ohm, phase_deg)


def _refuse_unsorted(rows: list[_Row]) -> None:
    for row, later in itertools.pairwise(rows):
        if later.frequency_hz == row.frequency_hz:
            raise ImpedanceFileError(
                f"the frequency of line {row.line} again", line=later.line, got=f"{later.frequency_hz:g} Hz"
            )
        if later.frequency_hz < row.frequency_hz:
            raise ImpedanceFileError(
                f"a lower frequency than in line {row.line}, {row.frequency_hz:g} Hz",
                line=later.line,
                got=f"{later.frequency_hz:g} Hz",
                hint="frequencies rise from row to row",
            )


def _gaps(rows: list[_Row]) -> tuple[Gap, ...]:
    return tuple(
        Gap(line=row.line, from_hz=row.frequency_hz, to_hz=later.frequency_hz)
        for row, later in itertools.pairwise(rows)
        if later.frequency_hz > WIDE_GAP_RATIO * row.frequency_hz
    )


def _printable(word: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in word[:40])


def _with_phase(measured: MeasuredImpedance) -> MeasuredImpedance:
    import numpy as np

    known = np.log(measured.frequency_hz)
    log_ohm = np.log(measured.magnitude_ohm)
    # Two decades beyond each end, where the kernel has faded to a hundredth.
    beyond = math.log(100.0)
    u = np.linspace(known[0] - beyond, known[-1] + beyond, _GRID_POINTS)
    step = u[1] - u[0]
    middle = (u[:-1] + u[1:]) / 2.0
    slope = np.diff(np.interp(u, known, log_ohm)) / step
    above = middle > known[-1]
    last = min(max(float((log_ohm[-1] - log_ohm[-2]) / (known[-1] - known[-2])), 0.0), _STEEPEST)
    # |1 + j x| has the slope x^2 / (1 + x^2), and x grows with frequency.
    square = last / (1.0 - last) * np.exp(2.0 * (middle[above] - known[-1]))
    slope[above] = square / (1.0 + square)
    distance = np.abs(known[:, None] - middle[None, :])
    kernel = np.log(1.0 / np.tanh(np.maximum(distance, step / 4.0) / 2.0))
    phase = kernel @ slope * step / math.pi
    phase_deg = np.clip(np.degrees(phase), -_MOST_PHASE_DEG, _MOST_PHASE_DEG)
    return MeasuredImpedance(
        path=measured.path,
        frequency_hz=measured.frequency_hz,
        magnitude_ohm=measured.magnitude_ohm,
        phase_deg=tuple(phase_deg.tolist()),
        has_phase=False,
    )
