"""The timeline report for a person who looks rather than reads.

Each track: its verdict, a picture of what happens over time, the flagged passages, one sentence of advice. Then all
tracks riskiest first, the set as a whole, and the cautions. It reads the same without colour, in a pipe or in a file.
"""

from __future__ import annotations

import os
from typing import IO, TYPE_CHECKING

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from auditor.report import (
    advice_words,
    band_words,
    fader_line,
    figures,
    layout,
    night_sheet,
    night_words,
    palette,
    part_lines,
    passages,
    summary,
    timeline,
    words,
)
from auditor.report.wiring_words import full_scale, load, mixing, ridden, warnings

if TYPE_CHECKING:
    from collections.abc import Mapping

    from auditor.audit_types import Audit, SetAudit
    from auditor.report.layout import Sheet
    from auditor.report.palette import Glyphs

PIPED_WIDTH = 100
LEAST_WIDTH = 60
MOST_WIDTH = 220
_ENOUGH_OF_A_NAME = 30  # cells, for names that begin and end alike to differ


def make_console(
    file: IO[str],
    *,
    no_color: bool,
    width: int | None = None,
    least_width: int = LEAST_WIDTH,
    environ: Mapping[str, str] = os.environ,
) -> Console:
    """A console for `render_text`.

    Parameters
    ----------
    file : text file
        Where the report goes. Colour is used only when it is a terminal.
    no_color : bool
        Never use colour or any other escape; so does a `NO_COLOR` that is not empty.
    width : int, optional
        Columns. Without it `COLUMNS`, then the terminal's own width, then 100 for a pipe or a file.
    least_width : int
        Columns that are used even where there are fewer.
    environ : mapping
        Where `NO_COLOR` and `COLUMNS` are looked up.
    """
    plain = no_color or bool(environ.get("NO_COLOR"))
    return Console(
        file=file,
        width=min(max(_width(file, width, environ), least_width), MOST_WIDTH),
        color_system=None if plain else "auto",
        no_color=plain,
        force_jupyter=False,
        markup=False,
        emoji=False,
        highlight=False,
        legacy_windows=False,
    )


def render_text(set_audit: SetAudit, *, console: Console) -> None:
    """Write the whole report.

    Parameters
    ----------
    set_audit : SetAudit
    console : rich.console.Console
        From `make_console`.
    """
    sheet = layout.Sheet(console=console, glyphs=glyphs_for(console), width=console.width)
    _title(set_audit, sheet)
    names = words.names_of(set_audit.tracks)
    for number, (track, name) in enumerate(zip(set_audit.tracks, names, strict=True), start=1):
        _head(track, name, f"{number} of {len(names)}", sheet)
        _track(track, sheet)
    night_sheet.show(set_audit, sheet)
    summary.show(set_audit, sheet)


def _width(file: IO[str], width: int | None, environ: Mapping[str, str]) -> int:
    if width is None and environ.get("COLUMNS", "").isdecimal():
        width = int(environ["COLUMNS"])
    if width is None:
        try:
            width = os.get_terminal_size(file.fileno()).columns
        except (OSError, ValueError, AttributeError):
            width = PIPED_WIDTH
    return width or PIPED_WIDTH


def glyphs_for(console: Console) -> Glyphs:
    """Block characters, or plain ASCII where the output's encoding has none."""
    blocks = palette.BLOCKS
    every = "".join((*blocks.shape.values(), *blocks.fill.values(), blocks.bars, blocks.off_scale, blocks.beyond_left))
    try:
        every.encode(console.encoding)
    except (UnicodeEncodeError, LookupError):
        return palette.ASCII
    return blocks


def _title(set_audit: SetAudit, sheet: Sheet) -> None:
    sheet.line()
    if not set_audit.tracks:
        sheet.paragraph("Nothing was analysed, so nothing was found safe.", style=palette.STRONG)
        return
    rig = set_audit.rig
    sheet.paragraph(sheet.safe(f"{os.path.basename(rig.path)}: {words.rig_sentence(rig)}"), label="Rig    ")
    sheet.paragraph(f"{full_scale(rig)}.", label="Level  ")
    for note in (ridden(rig), mixing(rig), load(rig), *warnings(rig)):
        if note:
            sheet.paragraph(sheet.safe(note), label=" " * len("Level  "))
    if set_audit.night is not None:
        sheet.paragraph(night_words.MODE, label="Set    ")


def _head(track: Audit, name: str, number: str, sheet: Sheet) -> None:
    """Verdict and name at the left, what the file is at the right; below it the margin and what binds."""
    rule = sheet.glyphs.rule
    sheet.line()
    sheet.line(Text(f"{rule * 2} {number} {rule * (sheet.width - len(number) - 4)}", style=palette.QUIET))
    channels = "1 channel" if track.channel_count == 1 else f"{track.channel_count} channels"
    facts = f"{figures.length(track.duration_s)}  {channels}  {figures.as_given(track.sample_rate_hz / 1000.0)} kHz"
    level = _level(track)
    line = Text(" ").append_text(summary.badge(track.verdict, sheet.glyphs, in_part=bool(track.unjudged))).append("  ")
    room = sheet.width - line.cell_len - 3
    if room - len(facts) < min(cell_len(sheet.safe(name)), _ENOUGH_OF_A_NAME):
        facts, level = "", f"{facts}  {level}"
    line.append(sheet.name(name, room - len(facts)), style=palette.STRONG)
    line.append(" " * (sheet.width - line.cell_len - len(facts)) + facts)
    sheet.line(line)
    text = advice_words.verdict_line(track)
    room = sheet.width - summary.HEAD - cell_len(text) - len(level)
    if room >= 2:
        sheet.line(Text(" " * summary.HEAD).append(text).append(" " * room + level, style=palette.QUIET))
    else:
        beside = " " * (summary.HEAD - layout.INDENT)
        sheet.paragraph(text, label=beside)
        sheet.paragraph(level, label=beside, style=palette.QUIET)


def _level(track: Audit) -> str:
    if track.true_peak_dbtp is None:
        return "silent"
    peak = f"true peak {figures.tenths(track.true_peak_dbtp)} dBTP"
    if track.loudness_lufs is None:
        return f"too quiet for a loudness  {peak}"
    return f"{figures.tenths(track.loudness_lufs)} LUFS  {peak}"


def _track(track: Audit, sheet: Sheet) -> None:
    picture = timeline.picture(track, sheet.glyphs, sheet.width)
    sheet.line()
    for line in picture.lines:
        sheet.line(line)
    key = list(picture.key)
    if any(each.channel != track.worst_channel for each in track.passages):
        key.append("over limit and verdict: any channel")
    if key:
        sheet.entries(key, label=" " * (timeline.GUTTER - 1), style=palette.QUIET)
    passages.show(track, sheet)
    sheet.line()
    advice = sheet.safe(advice_words.advice(track, sheet.glyphs.degree))
    sheet.paragraph(advice, label=f"{sheet.glyphs.arrow} ", style=palette.STRONG)
    if track.band is not None:
        sheet.paragraph(band_words.sentence(track.band, track.verdict, track.rig), label=band_words.LABEL)
    part_lines.show(track, sheet)
    moved = words.displacement(track)
    if moved:
        sheet.paragraph(moved, label="Dome: ")
    worked = words.limiter_work(track)
    if worked:
        sheet.paragraph(worked, label="Limiter: ")
    fader = fader_line.told(track.entry)
    if fader:
        sheet.paragraph(f"{fader}.", label="Fader: ")
    if track.entry is not None and track.entry.title is not None:
        sheet.paragraph(sheet.safe(track.name), label="File: ")
    for label, notes in (("Not judged: ", track.unjudged), ("Note: ", track.notes)):
        for note in notes:
            sheet.paragraph(sheet.safe(note), label=label)
