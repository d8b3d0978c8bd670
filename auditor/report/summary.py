"""What comes after the tracks: all of them riskiest first, the set as a whole, what failed, and the cautions."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.text import Text

from auditor.audit_types import SEVERITY
from auditor.report import band_words, fader_line, figures, layout, night_words, palette, part_lines, words

if TYPE_CHECKING:
    from auditor.audit_types import Audit, SetAudit, Verdict
    from auditor.report.layout import Sheet
    from auditor.report.palette import Glyphs

_WIDEST_NAME = 36  # columns give way to a name up to this; a longer one is shortened
HEAD = 16  # where the text beside a badge starts
_MOST_NAMED = 4
_ARM = 6  # cells of the margin bar on each side, 1 dB each
_COLUMNS = ("", "track", "length", "fader", "margin", "turn down|room", "what binds", "coil", "1 s", "60 s", "loudness")
_FLUSH_RIGHT = ("length", "fader", "margin", "coil", "1 s", "60 s", "loudness")
_LEAST_NEEDED_FIRST = ("loudness", "60 s", "1 s", "turn down|room", "length", "coil", "fader", "what binds")


def riskiest_first(tracks: tuple[Audit, ...]) -> list[Audit]:
    """By verdict, then by margin; a track that no gain endangers comes last of its kind, one that none saves first."""
    return sorted(tracks, key=lambda each: (-SEVERITY[each.verdict], each.room_db))


def badge(verdict: Verdict, glyphs: Glyphs, *, in_part: bool = False) -> Text:
    """Letter, shape and word on the verdict's ground; beside it, where only a part was judged, that."""
    word = f" {palette.LETTER[verdict]} {glyphs.shape[verdict]} {palette.WORD[verdict]:<7} "
    text = Text().append(word, style=palette.BADGE[verdict])
    return text.append(palette.IN_PART, style=palette.IN_PART_BADGE) if in_part else text


def mark(verdict: Verdict, glyphs: Glyphs) -> Text:
    """Letter and shape on the verdict's ground, where there is no room for the word."""
    return Text(f" {palette.LETTER[verdict]} {glyphs.shape[verdict]} ", style=palette.BADGE[verdict])


def show(set_audit: SetAudit, sheet: Sheet) -> None:
    """Summary, set, faults, assumptions and cautions."""
    if set_audit.tracks:
        _table(set_audit, sheet)
    if len(set_audit.tracks) > 1 or set_audit.interrupted:
        sheet.line()
        _whole_set(set_audit, sheet)
    _quieter(set_audit, sheet)
    _errors(set_audit, sheet)
    sheet.line()
    _assumptions(set_audit, sheet)
    sheet.paragraph(" ".join(words.CAUTIONS), label="Cautions: ")


def _table(set_audit: SetAudit, sheet: Sheet) -> None:
    tracks = riskiest_first(set_audit.tracks)
    names = _names(set_audit)
    cells: list[dict[str, Text | str]] = [{name: Text(name, style=palette.QUIET) for name in _COLUMNS}]
    cells += [_cells(track, names[track.name], sheet) for track in tracks]
    shown, name_cells = _columns_that_fit(cells, sheet)
    for row in cells[1:]:
        row["track"] = Text(layout.shorten(str(row["track"]), name_cells, sheet.glyphs.gap), style=palette.STRONG)
    title = ranking(len(tracks)) if len(tracks) > 1 else "Summary"
    sheet.line()
    sheet.line(heading(title, sheet))
    flush = [shown.index(name) for name in _FLUSH_RIGHT if name in shown]
    for line in layout.table([[row[name] for name in shown] for row in cells], right=flush):
        sheet.line(line)


def ranking(count: int) -> str:
    """What the table of so many tracks is called."""
    return f"{'Both' if count == 2 else f'All {count}'} tracks, riskiest first"


def _names(set_audit: SetAudit) -> dict[str, str]:
    keys = [track.name for track in set_audit.tracks]
    return dict(zip(keys, words.names_of(set_audit.tracks), strict=True))


def _columns_that_fit(cells: list[dict[str, Text | str]], sheet: Sheet) -> tuple[list[str], int]:
    """The columns to show and the room that is left for a name; the least needed give way to the names."""
    unused = () if any(row["fader"] for row in cells[1:]) else ("fader",)
    shown = [name for name in _COLUMNS if name not in unused]
    longest = max(cell_len(str(row["track"])) for row in cells)
    for least_needed in (*(name for name in _LEAST_NEEDED_FIRST if name not in unused), None):
        others = [name for name in shown if name != "track"]
        room = (
            sheet.width - layout.INDENT - layout.GAP - layout.table_width([[row[n] for n in others] for row in cells])
        )
        if room >= min(longest, _WIDEST_NAME) or least_needed is None:
            break
        shown.remove(least_needed)
    return shown, max(room, 1)


def _cells(track: Audit, name: str, sheet: Sheet) -> dict[str, Text | str]:
    degree = sheet.glyphs.degree

    def largest(pick: str) -> float:
        return max(float(getattr(each.protected, pick)) for each in track.channels)

    binds = track.margin_limited_by
    return {
        "": badge(track.verdict, sheet.glyphs, in_part=bool(track.unjudged)),
        "track": sheet.safe(name),
        "length": figures.length(track.duration_s),
        "fader": fader_line.stands(track.entry),
        "margin": margin(track),
        "turn down|room": _margin_bar(track, sheet.glyphs),
        "what binds": "" if binds is None else words.cause(binds, track.rig),
        "coil": figures.degrees(largest("coil_temp_max_c"), degree),
        "1 s": figures.watts(largest("driver_power_max_1s_w"), limit_w=track.rig.driver.program_power_w),
        "60 s": figures.watts(largest("driver_power_max_60s_w"), limit_w=track.rig.driver.continuous_power_w),
        "loudness": loudness(track),
    }


def margin(track: Audit) -> str:
    if track.margin_db is None:
        return "part lost" if track.lost_channels else "none met" if track.verdict != "risk" else "none safe"
    return figures.signed(track.margin_db)


def loudness(track: Audit) -> str:
    if track.true_peak_dbtp is None:
        return "silent"
    return "too quiet" if track.loudness_lufs is None else f"{figures.tenths(track.loudness_lufs)} LUFS"


def _margin_bar(track: Audit, glyphs: Glyphs) -> Text:
    """The margin as a bar to the left (turn down) or to the right (room) of a mark; no limit met is all the room."""
    margin = 0.0 if track.lost_channels else -math.inf if track.verdict == "risk" else math.inf
    if track.margin_db is not None:
        margin = figures.safe_side(track.margin_db)
    cells = max(round(min(abs(margin), _ARM)), 1) if margin else 0
    bar = glyphs.heavy * cells
    left, right = (bar.rjust(_ARM), " " * _ARM) if margin < 0.0 else (" " * _ARM, bar.ljust(_ARM))
    beyond_left = glyphs.beyond_left if margin < -_ARM else " "
    beyond_right = glyphs.beyond_right if margin > _ARM else " "
    text = Text("  ").append(beyond_left + left, style=palette.CRIMSON).append(glyphs.centre, style=palette.QUIET)
    return text.append(right + beyond_right, style=palette.BLUE)


def _whole_set(set_audit: SetAudit, sheet: Sheet) -> None:
    parts = []
    if set_audit.margin_db is not None:
        together = " for all tracks together" if set_audit.night is not None else ""
        parts.append(f"margin about {figures.signed(set_audit.margin_db)}{together}{_binds(set_audit)}")
    if set_audit.worst_track is not None:
        worst = _names(set_audit).get(set_audit.worst_track, set_audit.worst_track)
        parts.append(f"{'riskiest' if set_audit.night is not None else 'set by'} {sheet.name(worst, 48)}")
    if set_audit.coil_temp_max_c is not None:
        limit_c = set_audit.rig.driver.coil_temp_limit_c
        degree = sheet.glyphs.degree
        parts.append(
            f"hottest coil {figures.degrees(set_audit.coil_temp_max_c, degree)} "
            f"(limit {figures.degrees(limit_c, degree)}) with the heat carried from track to track"
            f"{off_rating(set_audit)}"
        )
    gaps = missing(set_audit)
    if set_audit.tracks:
        line = Text(" ").append_text(badge(set_audit.verdict, sheet.glyphs, in_part=bool(gaps)))
        title = "  The whole set, played in the order given"
        if set_audit.night is not None:
            title += f" with {night_words.silence(set_audit.night.gap_s)} between tracks"
        fits = line.cell_len + len(title) <= sheet.width
        sheet.line(line.append(title if fits else "  The set in the order given", style=palette.STRONG))
    sentences = [each[0].upper() + each[1:] + "." for each in (*gaps, ", ".join(parts)) if each]
    sheet.paragraph(" ".join(sentences), label=" " * (HEAD - layout.INDENT))
    if set_audit.band is not None:
        told = band_words.sentence(set_audit.band, set_audit.verdict, set_audit.rig)
        sheet.paragraph(f"{band_words.LABEL}{told}", label=" " * (HEAD - layout.INDENT))


def _binds(set_audit: SetAudit) -> str:
    limited_by = set_audit.night.margin_limited_by if set_audit.night is not None else None
    return "" if limited_by is None else f" ({words.binds(limited_by, set_audit.rig)})"


def off_rating(set_audit: SetAudit) -> str:
    """Why the set is a risk though its hottest coil, that behind a lamp as rated, is within its limit."""
    heated = set_audit.verdict == "risk" and all(track.verdict != "risk" for track in set_audit.tracks)
    if set_audit.night is not None:
        passages = (passage for track in set_audit.tracks for passage in track.passages)
        heated = any(each.cause == "coil_temp" and each.part_at is not None for each in passages)
    limit_c = set_audit.rig.driver.coil_temp_limit_c
    if not heated or (set_audit.coil_temp_max_c or 0.0) > limit_c:
        return ""
    return ", and over its limit behind a lamp with more than its rated current, as makers allow"


def _quieter(set_audit: SetAudit, sheet: Sheet) -> None:
    """The tracks with which turning down is no remedy; a track alone has said so itself."""
    names = _names(set_audit)
    found = [sheet.name(names[track.name], 48) for track in set_audit.tracks if track.quieter_risk is not None]
    if found and len(names) > 1:
        more = f" and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
        part_lines.warn(f"Quieter is not always safer, see there: {', '.join(found[:_MOST_NAMED])}{more}.", sheet)


def missing(set_audit: SetAudit) -> list[str]:
    """Why the set's verdict does not cover all of it: nothing when it does."""
    judged = {track.name for track in set_audit.tracks}
    in_part = sum(bool(track.unjudged) for track in set_audit.tracks)
    not_at_all = len({fault.path for fault in set_audit.errors} - judged)
    counts = [f"{count} {how}" for count, how in ((in_part, "only in part"), (not_at_all, "not at all")) if count]
    parts = [f"judged in part (files: {', '.join(counts)})"] if counts and judged else []
    if set_audit.interrupted:
        rest = "the one under way and those after it were not judged"
        if set_audit.night is not None and set_audit.night.unanswered:
            rest = f"not found: {night_words.unanswered(set_audit.night)}"
        parts.append(f"stopped by hand: {len(set_audit.tracks)} finished and reported; {rest}")
    return parts


def _errors(set_audit: SetAudit, sheet: Sheet) -> None:
    if not set_audit.errors:
        return
    sheet.line()
    sheet.line(heading(f"Not analysed, or not to the end: {len(set_audit.errors)}", sheet))
    names = _names(set_audit)
    for fault in set_audit.errors:
        message = fault.message.removeprefix(f"{fault.path}: ")
        name = sheet.name(names.get(fault.path, fault.path), sheet.width - 8)
        sheet.paragraph(f"{name}: {sheet.safe(message)}", label="! ")


def _assumptions(set_audit: SetAudit, sheet: Sheet) -> None:
    text = words.assumptions(set_audit.rig)
    if text:
        sheet.paragraph(text, label="Assumed: ")


def heading(text: str, sheet: Sheet) -> Text:
    rule = sheet.glyphs.rule
    line = Text().append(rule * 2 + " ", style=palette.QUIET).append(text, style=palette.STRONG)
    return line.append(" " + rule * (sheet.width - len(text) - 4), style=palette.QUIET)
