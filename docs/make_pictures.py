"""Draw the terminal report as pictures for the documents: `python docs/make_pictures.py` writes docs/pictures/*.svg.

Block characters become rectangles, so that the picture has no gaps whatever font the reader has; nothing is fetched
from the network.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, cast
from xml.sax.saxutils import escape, quoteattr

from rich.cells import cell_len
from rich.color import Color
from rich.console import Console
from rich.segment import Segment
from rich.style import Style

from auditor.report.terminal import render_text

if TYPE_CHECKING:
    from auditor.audit_types import SetAudit

CELL_W, CELL_H, FONT_PX, BORDER = 8, 18, 13.3, 16
COLUMNS = 110
PICTURES = Path(__file__).parent / "pictures"
SQUASHED, SQUEAL, FORGOTTEN_TONE = 3, 5, 6  # tracks of the demonstration set, counted from 0
DARK = {"ground": "#14171C", "ink": "#DDE1E6"}
LIGHT = {"ground": "#FFFFFF", "ink": "#1B1F24"}
_EIGHTHS = "▁▂▃▄▅▆▇█"
_SHADES = {"░": 0.28, "▒": 0.55}


def report_svg(
    set_audit: SetAudit,
    path: str | Path,
    *,
    columns: int = COLUMNS,
    first_line: int = 0,
    last_line: int | None = None,
    theme: dict[str, str] = DARK,
) -> None:
    """Write the report, or some of its lines, as an SVG file."""
    console = Console(
        file=io.StringIO(),
        width=columns,
        force_terminal=True,
        color_system="truecolor",
        markup=False,
        emoji=False,
        highlight=False,
        record=True,
        legacy_windows=False,
    )
    render_text(set_audit, console=console)
    lines = list(_recorded_lines(console))[first_line:last_line]
    width, height = columns * CELL_W + 2 * BORDER, len(lines) * CELL_H + 2 * BORDER
    body = "\n".join(part for row, line in enumerate(lines) for part in _line(line, BORDER + row * CELL_H, theme))
    Path(path).write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" font-family="DejaVu Sans Mono, Menlo, Consolas, monospace" '
        f'font-size="{FONT_PX}" role="img" aria-label="The report of auditor check in a terminal">\n'
        f'<rect width="100%" height="100%" rx="6" fill="{theme["ground"]}"/>\n'
        f'<g shape-rendering="crispEdges">\n{body}\n</g>\n</svg>\n',
        encoding="utf-8",
    )


def _recorded_lines(console: Console) -> Iterable[list[Segment]]:
    # rich keeps what it recorded for its own exports, which would leave gaps between the lines.
    return Segment.split_lines(Segment.filter_control(console._record_buffer))


def _line(segments: list[Segment], top: float, theme: dict[str, str]) -> Iterator[str]:
    column = 0
    for segment in segments:
        style = segment.style or Style()
        ink, ground = _hex(style.color, theme["ink"]), _hex(style.bgcolor, "")
        cells = cell_len(segment.text)
        if ground:
            yield _rect(column, cells, top, CELL_H, ground)
        for at, run in _runs(segment.text):
            yield from _run(run, column + at, top, ink, "bold" if style.bold else "normal")
        column += cells


def _runs(text: str) -> Iterator[tuple[int, str]]:
    """Runs of one drawn character, and of words between two or more blanks, with the cell where each starts."""
    start = 0
    for position in range(1, len(text) + 1):
        previous, here = text[position - 1], text[position : position + 1]
        if not here or ((_drawn(previous) or _drawn(here)) and here != previous):
            yield cell_len(text[:start]), text[start:position]
            start = position


def _drawn(character: str) -> bool:
    return character in _EIGHTHS or character in _SHADES or character in "_━─╌│"


def _run(run: str, column: int, top: float, ink: str, weight: str) -> Iterator[str]:
    first, cells = run[0], cell_len(run)
    if first in _EIGHTHS:
        share = (_EIGHTHS.index(first) + 1) / 8.0
        yield _rect(column, cells, top + CELL_H * (1.0 - share), CELL_H * share, ink)
    elif first in _SHADES:
        yield _rect(column, cells, top, CELL_H, ink, _SHADES[first])
    elif first in "_━─":
        at = {"_": CELL_H - 1.5, "━": CELL_H / 2 - 1, "─": CELL_H / 2}[first]
        yield _rect(column, cells, top + at, 2.0 if first == "━" else 1.5, ink)
    elif first == "╌":
        for cell in range(cells):
            yield _rect(column + cell, 1, top + CELL_H / 2 - 1, 2, ink, 0.9)
    elif first == "│":
        left = BORDER + (column + 0.45) * CELL_W
        yield f'<rect x="{left:.1f}" y="{top:.1f}" width="1.2" height="{CELL_H}" fill="{ink}"/>'
    elif run.strip():
        lead = len(run) - len(run.lstrip(" "))
        word = run.strip(" ")
        yield (
            f'<text x="{BORDER + (column + lead) * CELL_W:.1f}" y="{top + CELL_H * 0.74:.1f}" fill={quoteattr(ink)} '
            f'font-weight="{weight}" textLength="{cell_len(word) * CELL_W:.1f}" lengthAdjust="spacingAndGlyphs" '
            f'xml:space="preserve">{escape(word)}</text>'
        )


def _rect(column: int, cells: int, top: float, height: float, fill: str, opacity: float = 1.0) -> str:
    shade = "" if opacity == 1.0 else f' fill-opacity="{opacity}"'
    return (
        f'<rect x="{BORDER + column * CELL_W:.1f}" y="{top:.2f}" width="{cells * CELL_W:.1f}" height="{height:.2f}" '
        f'fill="{fill}"{shade}/>'
    )


def _hex(color: Color | None, otherwise: str) -> str:
    return color.get_truecolor().hex if color is not None and not color.is_default else otherwise


def headings(set_audit: SetAudit, *, columns: int) -> list[int]:
    """Numbers of the report's heading lines, in order: one for each track, then the summary's."""
    console = Console(file=io.StringIO(), width=columns, markup=False, emoji=False, highlight=False)
    render_text(set_audit, console=console)
    text = cast(io.StringIO, console.file).getvalue()
    return [number for number, line in enumerate(text.splitlines()) if line.startswith("━━")]


def main() -> None:
    """The demonstration set through the demonstration rig: its end with the summary, and one track by itself."""
    from auditor import load_rig
    from auditor.demo import demo_paths, demo_rig_path
    from auditor.pipeline import audit_set

    PICTURES.mkdir(exist_ok=True)
    demo = audit_set(demo_paths(), load_rig(demo_rig_path()))
    at = headings(demo, columns=COLUMNS)
    report_svg(demo, PICTURES / "report-demo.svg", columns=COLUMNS, first_line=at[SQUEAL])
    report_svg(
        demo, PICTURES / "report-track.svg", columns=COLUMNS, first_line=at[SQUASHED], last_line=at[SQUASHED + 1]
    )
    report_svg(
        demo,
        PICTURES / "report-track-light.svg",
        columns=COLUMNS,
        first_line=at[FORGOTTEN_TONE],
        last_line=at[FORGOTTEN_TONE + 1],
        theme=LIGHT,
    )
    for picture in sorted(PICTURES.glob("*.svg")):
        print(picture, file=sys.stderr)


if __name__ == "__main__":
    main()
