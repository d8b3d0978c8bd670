"""Every way of protecting the driver side by side: a table, then what became of each and when it is the right one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from auditor.advice.overview import RIGHT_WHEN
from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.report import figures, layout, palette, summary, words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.advice.overview import Method, Overview
    from auditor.audit_types import Cause
    from auditor.report.layout import Sheet

_NAME = {"none": "nothing", "resettable": "self-resetting"}
_HEAD = ("", "method", "coil", "1 s", "60 s", "most dB", "usual dB", "muted", "new part")
_FLUSH_RIGHT = tuple(range(2, 8))
_LEAST_NEEDED_FIRST = ("usual dB", "60 s")


def show(overview: Overview, sheet: Sheet) -> None:
    """Write the table and the sentences.

    Parameters
    ----------
    overview : Overview
    sheet : Sheet
    """
    driver = overview.rig.driver
    sheet.line()
    shown, lines = _table(overview.methods, sheet)
    for line in lines:
        sheet.line(line)
    usual = "; usual dB: on the median one" if "usual dB" in shown else ""
    sheet.paragraph(
        f"Limits: coil {figures.degrees(driver.coil_temp_limit_c, sheet.glyphs.degree)}, "
        f"{figures.as_given(driver.program_power_w)} W over 1 s, {figures.as_given(driver.continuous_power_w)} W over "
        f"60 s, peaks of {figures.as_given(driver.peak_power_w)} W. Most dB: attenuation on the loudest "
        f"passage{usual}.",
        style=palette.QUIET,
    )
    for method in overview.methods:
        sheet.line()
        fitted = ", as fitted" if method.is_fitted and method.kind != "none" else ""
        fitted += ", with no other protection" if method.kind == "limiter" else ""
        part = f": {method.part}" if method.part else ""
        sheet.paragraph(sheet.safe(f"{_name(method).capitalize()}{part}{fitted}"), style=palette.STRONG)
        sheet.paragraph(f"{_became(method)} {RIGHT_WHEN[method.kind]}", label="  ")


def _table(methods: Sequence[Method], sheet: Sheet) -> tuple[list[str], list[Text]]:
    """The columns that fit, and the lines."""
    rows: list[dict[str, Text | str]] = [{name: Text(name, style=palette.QUIET) for name in _HEAD}]
    rows += [_cells(method, sheet) for method in methods]
    shown = list(_HEAD)
    for least_needed in _LEAST_NEEDED_FIRST:
        if layout.INDENT + layout.table_width([[row[name] for name in shown] for row in rows]) <= sheet.width:
            break
        shown.remove(least_needed)
    flush = [shown.index(_HEAD[number]) for number in _FLUSH_RIGHT if _HEAD[number] in shown]
    return shown, layout.table([[row[name] for name in shown] for row in rows], right=flush)


def _cells(method: Method, sheet: Sheet) -> dict[str, Text | str]:
    outcome, driver = method.outcome, method.outcome.rig.driver
    is_part = method.kind not in ("none", "limiter")
    return {
        "": summary.badge(outcome.verdict, sheet.glyphs),
        "method": Text(_name(method), style=palette.STRONG),
        "coil": figures.degrees(outcome.coil_temp_max_c, sheet.glyphs.degree),
        "1 s": figures.watts(outcome.driver_power_max_1s_w, limit_w=driver.program_power_w),
        "60 s": figures.watts(outcome.driver_power_max_60s_w, limit_w=driver.continuous_power_w),
        "most dB": _attenuation(outcome.attenuation_max_db) if is_part else "-",
        "usual dB": _attenuation(outcome.attenuation_median_db) if is_part else "-",
        "muted": figures.length(outcome.muted_s) if outcome.muted_s > 0.0 else "-",
        "new part": "yes" if outcome.replace else "no",
    }


def _name(method: Method) -> str:
    return _NAME.get(method.kind, method.kind)


def _attenuation(attenuation_db: float) -> str:
    return "open" if attenuation_db >= OPEN_ATTENUATION_DB else figures.tenths(attenuation_db)


def _became(method: Method) -> str:
    """What the part did, and what the driver did not stand, each said once."""
    outcome = method.outcome
    sentences = []
    failed = []
    if method.quick:
        failed.append(f"on a quick transient: {_causes(method, method.quick)}")
    if method.sustained:
        failed.append(f"on sustained level: {_causes(method, method.sustained)}")
    if failed:
        is_lamp = method.kind == "lamp"
        start = "Within 10 % of its rated current (the table is for one as rated) it failed" if is_lamp else "Failed"
        sentences.append(f"{start} {', and '.join(failed)}.")
    if outcome.trips:
        times = "once" if outcome.trips == 1 else f"{outcome.trips} times"
        chatter = f", {outcome.chatter} of them within a second of having closed" if outcome.chatter else ""
        sentences.append(f"Opened {times}{chatter}, no HF for {figures.about(outcome.muted_s)}.")
    if outcome.replace:
        sentences.append(f"To replace afterwards: {', '.join(outcome.replace)}.")
    if method.driver_survives and outcome.verdict == "engaged":
        sentences.append("Worked, and the driver stays within its limits.")
    if outcome.verdict == "clear":
        sentences.append("The driver stays within its limits" + (" without its help." if _is_idle(method) else "."))
    return " ".join(sentences)


def _is_idle(method: Method) -> bool:
    return method.kind not in ("none", "limiter")


def _causes(method: Method, causes: Sequence[Cause]) -> str:
    outcome = method.outcome

    def over(cause: Cause) -> str:
        what = words.cause(cause, outcome.rig)
        if cause != "coil_temp":
            return f"{what} {max(outcome.excesses_db[cause], 0.1):.1f} dB over"
        over_k = outcome.coil_temp_max_c - outcome.rig.driver.coil_temp_limit_c
        return f"{what} {over_k:.0f} K over" if over_k >= 0.5 else f"{what} over"

    return ", ".join(map(over, causes))
