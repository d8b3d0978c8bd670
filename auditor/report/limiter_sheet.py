"""Which limiter settings, for a person: settings, what came of playing it all through them, lines for the rig file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from auditor.advice.limiter_choice import rig_lines
from auditor.advice.limiter_reason import share
from auditor.report import figures, layout, palette, words
from auditor.report.answer import heading
from auditor.report.summary import HEAD, badge

if TYPE_CHECKING:
    from auditor.advice.limiter_choice import LimiterChoice
    from auditor.advice.limiter_settings import Setting
    from auditor.advice.limiter_verify import TrackWork
    from auditor.audit_types import Cause
    from auditor.report.layout import Sheet

_MOST_TRACKS = 8
_SHORT: dict[Cause, str] = {
    "driver_power_1s": "1 s",
    "driver_power_60s": "60 s",
    "driver_power_peak": "peak",
    "coil_temp": "coil",
    "excursion": "excursion",
}
_WIDEST_NAME = 36


def show(choice: LimiterChoice, sheet: Sheet) -> None:
    """Write the answer and its grounds.

    Parameters
    ----------
    choice : LimiterChoice
    sheet : Sheet
    """
    sheet.line()
    sheet.paragraph(_answer(choice), label=f"{sheet.glyphs.arrow} ", style=palette.STRONG)
    sheet.paragraph(sheet.safe(choice.reason), label="  ")
    sheet.line()
    heading("Settings", sheet)
    for line in layout.table(_settings(choice), right=(1, 2)):
        sheet.line(line)
    sheet.paragraph(
        "Threshold: a sine of that level just reaches it, for the peak limiter too. Above it nothing more comes out.",
        style=palette.QUIET,
    )
    sheet.line()
    heading("Verified: the programme once more through both", sheet)
    _verified(choice, sheet)
    sheet.line()
    for line in _tracks(choice, sheet):
        sheet.line(line)
    sheet.line()
    heading("For the rig file, in place of any [limiter] in it; then run auditor check", sheet)
    for text in rig_lines(choice):
        sheet.line(" " * layout.INDENT + text)
    sheet.line()
    for note in choice.notes:
        sheet.paragraph(sheet.safe(note), label="Note: ")


def _answer(choice: LimiterChoice) -> str:
    where = "input" if choice.rms.threshold_dbu is not None else "output"
    thresholds = f"rms {_threshold(choice.rms)}, peak {_threshold(choice.peak)} at the amplifier's {where}"
    if not choice.reachable:
        return f"No settings were found that hold this programme. The nearest: {thresholds}."
    if not (choice.rms.needed or choice.peak.needed):
        if choice.verified.active_ratio > 0.0:
            return f"No limiter is needed; at the amplifier's clip point they would stand at {thresholds}."
        return f"Set where they just leave this programme alone: {thresholds}."
    return f"Set the limiters to {thresholds}: then this programme stays within every limit."


def _settings(choice: LimiterChoice) -> list[list[Text | str]]:
    rows: list[list[Text | str]] = [
        ["", Text("rms limiter", style=palette.STRONG), Text("peak limiter", style=palette.STRONG)]
    ]
    each = (choice.rms, choice.peak)

    def row(label: str, *cells: str) -> None:
        rows.append([Text(label, style=palette.QUIET), *cells])

    row("threshold at the amplifier's input", *(_dbu(one.threshold_dbu, 1) for one in each))
    row("the same at its output", *(f"{one.threshold_v:.1f} V rms" for one in each))
    row("the same in the file, a sine", *(f"{figures.tenths(one.threshold_dbfs)} dBFS" for one in each))
    row("detector averages over", *(_time(one.averaging_s) if one.averaging_s else "-" for one in each))
    row("attack", *(_time(one.attack_s) for one in each))
    row("hold", *(_time(one.hold_s) for one in each))
    row("release", *(_time(one.release_s) for one in each))
    row("textbook threshold, from the rating", *(_textbook(one) for one in each))
    row("on this programme", *(_need(one) for one in each))
    return rows


def _threshold(setting: Setting) -> str:
    return f"{setting.threshold_v:.3g} V" if setting.threshold_dbu is None else _dbu(setting.threshold_dbu, 1)


def _textbook(setting: Setting) -> str:
    return f"{setting.textbook_v:.3g} V" if setting.textbook_dbu is None else _dbu(setting.textbook_dbu, 2)


def _dbu(level_dbu: float | None, decimals: int) -> str:
    return "gain not known" if level_dbu is None else f"{level_dbu:.{decimals}f} dBu"


def _need(setting: Setting) -> str:
    return "needed" if setting.needed else "not needed"


def _time(time_s: float) -> str:
    if time_s <= 0.0:
        return "none"
    return f"{time_s:g} s" if time_s >= 0.3 else f"{1000.0 * time_s:g} ms"


def _verified(choice: LimiterChoice, sheet: Sheet) -> None:
    verified, outcome, rig = choice.verified, choice.verified.outcome, choice.rig
    driver, degree = rig.driver, sheet.glyphs.degree
    line = Text(" ").append_text(badge(outcome.verdict, sheet.glyphs)).append("  ")
    sheet.line(line.append(_held(choice), style=palette.STRONG))
    beside = " " * (HEAD - layout.INDENT)
    work = "They never work."
    if verified.active_ratio > 0.0:
        most = figures.tenths(verified.reduction_max_db)
        work = f"They work {share(verified.active_ratio)} of the time and take {most} dB off at most."
    sheet.paragraph(f"{work} {_margin(choice)}", label=beside)
    powers: list[tuple[Cause, float, float]] = [
        ("driver_power_1s", outcome.driver_power_max_1s_w, driver.program_power_w),
        ("driver_power_60s", outcome.driver_power_max_60s_w, driver.continuous_power_w),
        ("driver_power_peak", outcome.driver_power_peak_w, driver.peak_power_w),
    ]
    entries = [
        f"{words.cause(cause, rig)} {figures.watts(power_w, limit_w=limit_w)} of {figures.as_given(limit_w)} W"
        for cause, power_w, limit_w in powers
    ]
    coil, limit = (figures.degrees(temp_c, degree) for temp_c in (outcome.coil_temp_max_c, driver.coil_temp_limit_c))
    sheet.entries([*entries, f"{words.cause('coil_temp', rig)} {coil} of {limit}"], label=beside)


def _held(choice: LimiterChoice) -> str:
    return "Within every limit" if choice.reachable else "Not within every limit"


def _margin(choice: LimiterChoice) -> str:
    verified = choice.verified
    looked = (
        ""
        if verified.margin_tracks == len(verified.tracks)
        else (f", looked for on the {verified.margin_tracks} tracks that come nearest to a limit")
    )
    if verified.margin_db is None or verified.margin_limited_by is None:
        if not choice.reachable:
            return "No level of the mixer was found that is safe."
        return f"Even with the mixer 20 dB up nothing reaches a limit{looked}."
    cause = words.cause(verified.margin_limited_by, choice.rig)
    amount = figures.safe_side(verified.margin_db)
    if amount == 0.0:
        return f"They hold at this level of the mixer; further up they do not ({cause}){looked}."
    if amount < 0.0:
        return f"The mixer must come down about {figures.tenths(-amount)} dB all the same ({cause}){looked}."
    return (
        f"Room for the mixer to go up before they no longer hold: about {figures.tenths(amount)} dB ({cause}){looked}."
    )


def _tracks(choice: LimiterChoice, sheet: Sheet) -> list[Text]:
    tracks = choice.verified.tracks
    names = dict(zip((each.path for each in tracks), words.track_names([each.path for each in tracks]), strict=True))
    most = sorted(tracks, key=lambda each: (-each.active_ratio * each.reduction_max_db, -each.excess_db))[:_MOST_TRACKS]
    head = ["", "track", "over limit without", "with", "they work", "at most"]
    cells = [[Text(each, style=palette.QUIET) for each in head]]
    rows = [_row(each, choice, sheet) for each in most]
    rest = [[row[0], "", *row[1:]] for row in rows]
    others = layout.table_width([head[:1] + head[2:], *[[str(cell) for cell in row] for row in rows]])
    room = max(sheet.width - layout.INDENT - layout.GAP - others, 8)
    for each, row in zip(most, rest, strict=True):
        row[1] = Text(sheet.name(names[each.path], min(room, _WIDEST_NAME)), style=palette.STRONG)
    lines = layout.table([*cells, *rest], right=(4, 5))
    legend = " L a limiter works, R over a limit"
    if len(tracks) > len(most):
        legend += f"; the {len(most)} of {len(tracks)} tracks on which they do most"
    lines.append(Text(f"{legend}.", style=palette.QUIET))
    return lines


def _row(track: TrackWork, choice: LimiterChoice, sheet: Sheet) -> list[Text | str]:
    over = track.excess_db > 0.0
    state = "risk" if over else ("engaged" if track.active_ratio > 0.0 else "clear")
    return [
        Text(
            "R" if over else "L" if state == "engaged" else "-",
            style=palette.STRONG if state != "clear" else palette.QUIET,
        ),
        _over(track.bare_db, track.bare_cause, choice),
        _over(track.excess_db, track.cause, choice),
        share(track.active_ratio),
        f"{figures.tenths(track.reduction_max_db)} dB",
    ]


def _over(excess_db: float, cause: Cause, choice: LimiterChoice) -> str:
    if excess_db < -60.0:
        return "silent"
    rounded_db = max(round(excess_db, 1), 0.1) if excess_db > 0.0 else min(round(excess_db, 1), -0.1)
    return f"{rounded_db:+.1f} dB {_SHORT.get(cause, words.device(choice.rig))}"
