"""A set played through, on the terminal: one timeline of the night, every track in its place, what the order does.

The graph is that of a track's coil; the row under it has the tracks, each on the ground of its verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.cells import cell_len
from rich.text import Text

from auditor.report import figures, layout, night_words, palette, summary, timeline, words
from auditor.report.grid import Grid

if TYPE_CHECKING:
    from auditor.audit_types import Audit, SetAudit
    from auditor.night_types import Night, NightTrack
    from auditor.report.layout import Sheet

_COLUMNS = ("no.", "", "track", "starts", "coil then", "from cold", "in its place", "more")
_FLUSH_RIGHT = ("no.", "starts", "coil then", "from cold", "in its place", "more")
_LEAST_NEEDED_FIRST = ("more", "coil then")
_WIDEST_NAME = 36
_LEAST_LABEL = 2  # cells


def show(set_audit: SetAudit, sheet: Sheet) -> None:
    """The whole night; nothing where each track is judged from cold."""
    night = set_audit.night
    if night is None:
        return
    keys = [track.name for track in set_audit.tracks]
    names = dict(zip(keys, words.names_of(set_audit.tracks), strict=True))

    def named(track: str) -> str:
        return sheet.name(names[track], _WIDEST_NAME)

    degree = sheet.glyphs.degree
    sheet.line()
    sheet.line(summary.heading(night_words.title(night), sheet))
    _picture(set_audit, night, sheet)
    sheet.line()
    _table(set_audit, night, [names[key] for key in keys], sheet)
    sheet.line()
    temp, limit = (
        figures.degrees(each, degree) for each in (night.hottest.coil_temp_c, set_audit.rig.driver.coil_temp_limit_c)
    )
    track, when = night_words.hottest(night, named)
    sheet.paragraph(f"{temp} (limit {limit}) in {track}, {when}{summary.off_rating(set_audit)}.", label="Hottest: ")
    for sentence in night_words.effect(night, named, degree):
        sheet.paragraph(sentence, label=f"{sheet.glyphs.arrow} ", style=palette.STRONG)
    if night_words.is_left_out(set_audit):
        sheet.paragraph(night_words.LEFT_OUT, label="! ")


def _picture(set_audit: SetAudit, night: Night, sheet: Sheet) -> None:
    glyphs, rig = sheet.glyphs, set_audit.rig
    grid = Grid(night.duration_s, sheet.width - timeline.GUTTER - 1)
    limit_c, ambient_c = rig.driver.coil_temp_limit_c, rig.site.ambient_temp_c
    row_k = (limit_c - ambient_c) / timeline.ROWS_BELOW
    solid = np.asarray((grid.largest(night.coil_temp_c, night.step_s) - ambient_c) / row_k)
    bars = timeline.Bars(solid=solid, ghost=np.full_like(solid, np.nan), peak=None)
    hottest = figures.degrees(night.hottest.coil_temp_c, glyphs.degree)
    scales = [
        figures.degrees(ambient_c + row_k * (timeline.ROWS_BELOW - row), glyphs.degree)
        for row in range(timeline.ROWS_BELOW + 1)
    ]
    graph = timeline.graph(["Coil", "hottest", hottest, ""], scales, bars, glyphs, {})
    sheet.line()
    for line in (timeline.axis("hottest channel", glyphs, grid), *graph.lines):
        sheet.line(line)
    sheet.line(_tracks(set_audit.tracks, night, grid, sheet))
    if graph.key:
        sheet.entries(graph.key, label=" " * (timeline.GUTTER - 1), style=palette.QUIET)


def _tracks(tracks: tuple[Audit, ...], night: Night, grid: Grid, sheet: Sheet) -> Text:
    """The tracks side by side: number and name on the verdict's ground, as far as there is room."""
    starts = [grid.touched(place.start_s, place.end_s).start for place in night.timeline]
    line = timeline.gutter("Track", "")
    at = 0
    for number, (track, place, start) in enumerate(zip(tracks, night.timeline, starts, strict=True), start=1):
        stop = min([grid.touched(place.start_s, place.end_s).stop, *starts[number:]])
        line.append(sheet.glyphs.nothing * (start - at), style=palette.QUIET)
        at = max(at, start)
        room = stop - at
        label = f"{number}{palette.LETTER[track.verdict]}"
        if room >= max(len(label), _LEAST_LABEL):
            line.append(label, style=palette.BADGE[track.verdict])
            room -= len(label)
        fill = sheet.glyphs.fill[track.verdict]
        line.append(fill * max(room, 0), style=palette.INK[track.verdict])
        at = max(at, stop)
    return line


def _table(set_audit: SetAudit, night: Night, names: list[str], sheet: Sheet) -> None:
    """Every track: when it starts, how hot the coil is then, and what it reaches from cold and in its place."""
    rows: list[dict[str, Text | str]] = [{each: Text(each, style=palette.QUIET) for each in _COLUMNS}]
    rows += [
        _cells(number, track, place, sheet)
        for number, (track, place) in enumerate(zip(set_audit.tracks, night.timeline, strict=True), start=1)
    ]
    longest = min(max(cell_len(sheet.safe(each)) for each in names), _WIDEST_NAME)
    shown = list(_COLUMNS)
    for least_needed in (*_LEAST_NEEDED_FIRST, None):
        others = [[row[each] for each in shown if each != "track"] for row in rows]
        room = sheet.width - layout.INDENT - layout.GAP - layout.table_width(others)
        if room >= longest or least_needed is None:
            break
        shown.remove(least_needed)
    for row, name in zip(rows[1:], names, strict=True):
        row["track"] = Text(sheet.name(name, min(max(room, 1), _WIDEST_NAME)), style=palette.STRONG)
    flush = [shown.index(each) for each in _FLUSH_RIGHT if each in shown]
    for line in layout.table([[row[each] for each in shown] for row in rows], right=flush):
        sheet.line(line)


def _cells(number: int, track: Audit, place: NightTrack, sheet: Sheet) -> dict[str, Text | str]:
    degree = sheet.glyphs.degree
    more_k = night_words.risen_k(place)
    return {
        "no.": str(number),
        "": summary.mark(track.verdict, sheet.glyphs),
        "starts": figures.clock(place.start_s),
        "coil then": figures.degrees(place.coil_temp_start_c, degree),
        "from cold": figures.degrees(place.coil_temp_alone_c, degree),
        "in its place": figures.degrees(place.coil_temp_max_c, degree),
        "more": f"{more_k:+d} K" if more_k else "0 K",
    }
