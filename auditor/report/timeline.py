"""One track as a picture: time runs to the right, and each row is one thing that happens to the driver.

A column shows the largest value in its stretch of time, so nothing short is lost. The two graphs have their limit drawn
as a line; what stands above it is over. The strips below carry a letter and a word as well as a fill and a colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from auditor.judgement.passages import ENGAGED_FROM_DB
from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.published import DRAPER_POINT_K
from auditor.report import figures, palette, words
from auditor.report.grid import Grid, flagged_columns

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Cause, ChannelAudit, Trace, Verdict
    from auditor.report.grid import Columns, Flagged
    from auditor.report.palette import Glyphs

GUTTER = 20
_TITLE = 10
_ROW_DB = 6.0  # height of one line of the power graph
ROWS_BELOW = 3  # lines under the limit; one more stands above it
_CLIPS_HARD_RATIO = 0.01
_TICK_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400)
_TICK_CLEARANCE = 10  # columns between ticks, so that labels never touch
_MOST_TICKS = 12


@dataclass(frozen=True)
class Mark:
    """One state of a strip: its letter, the word that is written where there is room, its fill and style."""

    letter: str
    word: str
    fill: str
    style: str
    badge: str


@dataclass(frozen=True, kw_only=True)
class Picture:
    """Rows and the entries of their key: the signs that no word beside them explains."""

    lines: tuple[Text, ...]
    key: tuple[str, ...]


def picture(track: Audit, glyphs: Glyphs, width: int) -> Picture:
    """The rows of a track's worst channel; the verdict counts every channel.

    Parameters
    ----------
    track : Audit
    glyphs : Glyphs
    width : int
        Columns of the whole line, gutter included.
    """
    channel = next(each for each in track.channels if each.index == track.worst_channel)
    which = f"channel {channel.index + 1} of {track.channel_count}" if track.channel_count > 1 else ""
    grid = Grid(track.duration_s, width - GUTTER - 1)
    flagged = flagged_columns(track, grid)
    # In the order in which the signal goes, and its consequences after it.
    rows = [_strip("Amplifier", _clip_marks(channel, glyphs, grid), glyphs)]
    if track.rig.protection.kind != "none":
        title = words.device(track.rig).capitalize()
        rows.append(_strip(title, _part_marks(track, channel, glyphs, grid), glyphs))
    rows += [
        _power_rows(track, channel, glyphs, grid),
        _coil_rows(track, channel, glyphs, grid),
        _strip("Over limit", _cause_marks(track, flagged, glyphs, grid), glyphs),
        _strip("Verdict", _verdict_marks(flagged, glyphs, grid), glyphs),
    ]
    lines = [line for part in rows for line in part.lines]
    key = dict.fromkeys(entry for part in rows for entry in part.key)
    return Picture(lines=(axis(which, glyphs, grid), *lines), key=tuple(key))


def axis(channel: str, glyphs: Glyphs, grid: Grid) -> Text:
    """Ticks of time, with what is shown at their left."""
    least_s = grid.duration_s * max(_TICK_CLEARANCE / grid.columns, 1.0 / _MOST_TICKS)
    step_s = next((step for step in _TICK_STEPS_S if step >= least_s), math.ceil(least_s / 3600.0) * 3600.0)
    row = [" "] * grid.columns
    for tick in range(math.floor(grid.duration_s / step_s) + 1):
        at = round(tick * step_s / grid.duration_s * grid.columns) if grid.duration_s > 0.0 else 0
        label = glyphs.tick + figures.clock(tick * step_s, decimals=1 if step_s < 1.0 else 0)
        if at + len(label) <= grid.columns:
            row[at : at + len(label)] = label
    return Text(f" {channel:<{GUTTER - 1}}" + "".join(row), style=palette.QUIET)


def gutter(title: str, scale: str, *, style: str = palette.STRONG) -> Text:
    """What stands at the left of a row."""
    line = Text(" ").append(f"{title:<{_TITLE}}", style=style)
    return line.append(f"{scale:>{GUTTER - 2 - max(len(title), _TITLE)}} ", style=palette.QUIET)


def _power_rows(track: Audit, channel: ChannelAudit, glyphs: Glyphs, grid: Grid) -> Picture:
    rating_w, peak_rating_w = track.rig.driver.program_power_w, track.rig.driver.peak_power_w
    traces = channel.traces

    def height(power_w: Trace, limit_w: float) -> Columns:
        ratio_db = 10.0 * np.log10(np.maximum(grid.largest(power_w, traces.step_s), 1e-30) / limit_w)
        return np.asarray(ratio_db / _ROW_DB + ROWS_BELOW)

    bars = Bars(
        solid=height(traces.driver_power_1s_w, rating_w),
        ghost=height(traces.unprotected_power_1s_w, rating_w),
        peak=height(traces.driver_power_peak_w, peak_rating_w),
    )
    titles = ["HF power", "1 s mean", "up to"]
    titles.append(figures.watts(channel.protected.driver_power_max_1s_w, limit_w=rating_w))
    scales = [f"{figures.as_given(rating_w)} W", *(f"-{(row + 1) * _ROW_DB:.0f} dB" for row in range(ROWS_BELOW))]
    explained = {
        glyphs.peak: f"peak against {figures.as_given(peak_rating_w)} W",
        glyphs.held_back: words.held_back(track.rig),
    }
    return graph(titles, scales, bars, glyphs, explained)


def _coil_rows(track: Audit, channel: ChannelAudit, glyphs: Glyphs, grid: Grid) -> Picture:
    limit_c, ambient_c = track.rig.driver.coil_temp_limit_c, track.rig.site.ambient_temp_c
    row_k = (limit_c - ambient_c) / ROWS_BELOW
    traces = channel.traces

    def height(temp_c: Trace) -> Columns:
        return np.asarray((grid.largest(temp_c, traces.step_s) - ambient_c) / row_k)

    bars = Bars(solid=height(traces.coil_temp_c), ghost=height(traces.unprotected_coil_temp_c), peak=None)
    titles = ["Coil", "hottest", figures.degrees(channel.protected.coil_temp_max_c, glyphs.degree), ""]
    scales = [figures.degrees(ambient_c + row_k * (ROWS_BELOW - row), glyphs.degree) for row in range(ROWS_BELOW + 1)]
    return graph(titles, scales, bars, glyphs, {glyphs.held_back: words.held_back(track.rig)})


@dataclass(frozen=True, kw_only=True)
class Bars:
    """Heights in lines above the foot of a graph: the bar, the bar without protection, and a mark above both."""

    solid: Columns
    ghost: Columns
    peak: Columns | None


def graph(
    titles: Sequence[str], scales: Sequence[str], bars: Bars, glyphs: Glyphs, explained: dict[str, str]
) -> Picture:
    """Bars in lines of height 1, the uppermost standing on the limit line; each scale names its line's lower edge."""
    lines = []
    explained = {**explained, glyphs.off_scale: "off the scale"}
    peaks = np.full_like(bars.solid, np.nan) if bars.peak is None else bars.peak
    seen = set()
    for line, (title, scale) in enumerate(zip(titles, scales, strict=True)):
        floor = ROWS_BELOW - line
        cells = [_cell(*each, floor, glyphs) for each in zip(bars.solid, bars.ghost, peaks, strict=True)]
        text = gutter(title, scale, style=palette.STRONG if line == 0 else "")
        for glyph in cells:
            text.append(glyph, style=_cell_style(glyph, glyphs, over=line == 0))
        lines.append(text)
        seen.update(cells)
    key = tuple(f"{glyph} {meaning}" for glyph, meaning in explained.items() if glyph in seen)
    return Picture(lines=tuple(lines), key=key)


def _cell(solid: float, ghost: float, peak: float, floor: int, glyphs: Glyphs) -> str:
    part = solid - floor if math.isfinite(solid) else 0.0
    top = floor == ROWS_BELOW
    if top and (part > 1.0 or peak - floor > 1.0):
        return glyphs.off_scale
    # Above the limit line the smallest excess must show.
    eighths = math.ceil(part * 8.0 - 1e-6) if top else round(part * 8.0)
    if eighths > 0:
        return glyphs.bars[min(eighths, 8)]
    if floor < peak <= floor + 1.0:
        return glyphs.peak
    if math.isfinite(ghost) and ghost - floor > (0.0 if top else 0.5):
        return glyphs.held_back
    return glyphs.limit if top else " "


def _cell_style(glyph: str, glyphs: Glyphs, *, over: bool) -> str:
    if glyph == glyphs.off_scale:
        return palette.BADGE["risk"]
    if glyph in (glyphs.held_back, glyphs.limit):
        return palette.QUIET
    return palette.CRIMSON if over else palette.BLUE


def _strip(title: str, marks: Sequence[Mark | None], glyphs: Glyphs) -> Picture:
    """A row of states; each run starts with its letter, and with its word where the run is long enough."""
    line = gutter(title, "")
    told, bare = set(), {}
    start = 0
    while start < len(marks):
        mark = marks[start]
        stop = next((i for i in range(start, len(marks)) if marks[i] != mark), len(marks))
        if mark is None:
            line.append(glyphs.nothing * (stop - start), style=palette.QUIET)
        else:
            label = f" {mark.letter} {mark.word} "
            if len(label) + 2 <= stop - start:
                told.add(mark.letter)
            else:
                # Clear is the ground that the other states stand out from: no letter where there is no room.
                label = "" if mark.letter == palette.LETTER["clear"] else mark.letter
                bare[mark.letter] = f"{label or mark.fill} {mark.word}"
            line.append(label, style=mark.badge)
            line.append(mark.fill * (stop - start - len(label)), style=mark.style)
        start = stop
    return Picture(lines=(line,), key=tuple(text for letter, text in bare.items() if letter not in told))


def _part_marks(track: Audit, channel: ChannelAudit, glyphs: Glyphs, grid: Grid) -> list[Mark | None]:
    working = Mark("w", "working", glyphs.light, palette.AMBER, palette.BADGE["engaged"])
    is_open = Mark("o", "open", glyphs.medium, palette.AMBER, palette.BADGE["engaged"])
    glowing = Mark("g", "glowing", glyphs.medium, palette.AMBER, palette.BADGE["engaged"])
    gone = Mark("x", words.gone(track.rig), glyphs.heavy, palette.CRIMSON, palette.BADGE["risk"])
    loss_db = grid.largest(channel.traces.attenuation_db, channel.traces.step_s)
    marks: list[Mark | None] = [
        is_open if each >= OPEN_ATTENUATION_DB else working if each > ENGAGED_FROM_DB else None for each in loss_db
    ]
    if channel.traces.filament_temp_k is not None:
        filament_k = grid.largest(channel.traces.filament_temp_k, channel.traces.step_s)
        marks = [glowing if hot >= DRAPER_POINT_K.value else m for hot, m in zip(filament_k, marks, strict=True)]
    if channel.protection.failed_at_s is not None:
        for column in grid.touched(channel.protection.failed_at_s, track.duration_s):
            marks[column] = gone
    return marks


def _clip_marks(channel: ChannelAudit, glyphs: Glyphs, grid: Grid) -> list[Mark | None]:
    some = Mark("c", "clips", glyphs.light, palette.AMBER, palette.BADGE["engaged"])
    hard = Mark("H", "clips hard", glyphs.medium, palette.AMBER, palette.BADGE["engaged"])
    ratio = grid.largest(channel.traces.clipped_ratio, channel.traces.step_s)
    return [hard if each >= _CLIPS_HARD_RATIO else some if each > 0.0 else None for each in ratio]


def _cause_marks(track: Audit, flagged: Flagged, glyphs: Glyphs, grid: Grid) -> list[Mark | None]:
    # The gravest cause comes last and is written over the others.
    causes: dict[Cause, tuple[str, str]] = {
        "driver_power_peak": ("P", "peak power"),
        "driver_power_1s": ("S", "1 s power"),
        "driver_power_60s": ("M", "60 s power"),
        "coil_temp": ("T", "coil"),
        "excursion": ("D", "excursion"),
        "protection_failed": ("X", words.gone(track.rig)),
    }
    marks: list[Mark | None] = [None] * grid.columns
    for why, (letter, word) in causes.items():
        mark = Mark(letter, word, glyphs.medium, palette.CRIMSON, palette.BADGE["risk"])
        for passage, columns in flagged:
            if passage.cause == why:
                for column in columns:
                    marks[column] = mark
    return marks


def _verdict_marks(flagged: Flagged, glyphs: Glyphs, grid: Grid) -> list[Mark | None]:
    def mark(verdict: Verdict) -> Mark:
        letter, word = palette.LETTER[verdict], palette.WORD[verdict].lower()
        return Mark(letter, word, glyphs.fill[verdict], palette.INK[verdict], palette.BADGE[verdict])

    marks: list[Mark | None] = [mark("clear")] * grid.columns
    worse: tuple[Verdict, ...] = ("engaged", "risk")
    for verdict in worse:
        for passage, columns in flagged:
            if passage.verdict == verdict:
                for column in columns:
                    marks[column] = mark(verdict)
    return marks
