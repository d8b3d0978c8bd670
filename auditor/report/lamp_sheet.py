"""Which lamp, for a person: the answer, the first of the list, curves, what to look for, and the heat it makes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from auditor.report import curve_plot, figures, layout, palette, summary

if TYPE_CHECKING:
    from auditor.advice.lamp_choice import Candidate, LampChoice
    from auditor.advice.lamp_wanted import Wanted
    from auditor.report.layout import Sheet

_ROWS = 8
_HEAD = ("", "verdict", "lamp", "bank", "ceiling", "coil", "usual dB", "most dB", "life", "why")
_FLUSH_RIGHT = (0, 4, 5, 6, 7, 8)
_LETTERS = ("A", "B", "C")
_STYLES = (palette.BLUE, palette.AMBER, palette.STRONG)
_BARE = "n"


def show(choice: LampChoice, sheet: Sheet) -> None:
    """Write the answer and its grounds.

    Parameters
    ----------
    choice : LampChoice
    sheet : Sheet
    """
    _question(choice, sheet)
    sheet.line()
    _answer(choice, sheet)
    sheet.line()
    _list(choice, sheet)
    sheet.line()
    _curves(choice, sheet)
    sheet.line()
    _look_for(choice, sheet)
    sheet.line()
    _heat(choice, sheet)
    sheet.paragraph(
        "ratings as in `auditor parts`; the filament's temperature and the loss through gas and leads are assumed by "
        "the lamp's class, its life where none is listed.",
        label="Lamps: ",
    )


def _question(choice: LampChoice, sheet: Sheet) -> None:
    driver = choice.rig.driver
    limiter = " Limiters of the rig are not counted on." if choice.rig.limiters else ""
    sheet.paragraph(
        f"noise within the HF band whose peaks, twice its rms, just reach the amplifier's clip point: "
        f"{figures.as_given(round(choice.worst_case_v, 1))} V, {figures.watts(choice.worst_case_w)} into the "
        f"unprotected driver of {figures.as_given(driver.continuous_power_w)} W. Driver and lamps must "
        f"stand it for {choice.hold_s / 60.0:.0f} minutes. Its peaks do not count here: no lamp can act on a "
        f"peak.{limiter}",
        label="Worst case ",
    )


def _answer(choice: LampChoice, sheet: Sheet) -> None:
    best = choice.candidates[0]
    driver = choice.rig.driver
    arrow = f"{sheet.glyphs.arrow} "
    if not choice.is_needed:
        sheet.paragraph(
            "No lamp is needed on this ground: neither the programme nor the amplifier at its clip point takes the "
            "driver over its power ratings or its coil's limit.",
            label=arrow,
            style=palette.STRONG,
        )
    elif best.protects:
        sheet.paragraph(
            f"{_fit(best)}: takes off {figures.tenths(best.attenuation_normal_db)} dB on normal passages and "
            f"{figures.tenths(best.attenuation_max_db)} dB at most.",
            label=arrow,
            style=palette.STRONG,
        )
    else:
        sheet.paragraph(
            f"No lamp of the list protects this driver. The nearest, {_fit(best, verb='')}, {best.reason}. "
            "What to look for is below; or a smaller amplifier, a limiter, or more pad.",
            label=arrow,
            style=palette.STRONG,
        )
    if choice.peak_excess_db > 0.0:
        sheet.paragraph(
            f"The programme's peaks are {figures.tenths(choice.peak_excess_db)} dB over the peak rating of "
            f"{figures.as_given(driver.peak_power_w)} W behind that lamp too: no lamp acts on a peak. Turn down by "
            "more than that, for a lamp gives way as it cools (`auditor check` with it says how far), or let a peak "
            "limiter see to it.",
            label="! ",
            label_style=f"bold {palette.CRIMSON}",
        )


def _fit(candidate: Candidate, *, verb: str = "Fit ") -> str:
    also = f" (or {', '.join(candidate.also)}, the same)" if candidate.also else ""
    if candidate.lamps == 1:
        return f"{verb}one lamp {candidate.part}{also}"
    series, parallel = candidate.series_count, candidate.parallel_count
    how = f"{series} in series"
    if parallel > 1:
        how = f"{parallel} in parallel" if series == 1 else f"{parallel} strings of {series} in series"
    return f"{verb}{candidate.lamps} lamps {candidate.part}{also}, {how}"


def _list(choice: LampChoice, sheet: Sheet) -> None:
    shown = list(choice.candidates[:_ROWS])
    rows: list[list[Text | str]] = [[Text(text, style=palette.QUIET) for text in _HEAD]]
    rows += [_row(each, sheet) for each in shown]
    beside = layout.INDENT + layout.table_width(rows) <= sheet.width
    lines = layout.table(rows if beside else [row[:-1] for row in rows], right=_FLUSH_RIGHT)
    sheet.line(lines[0])
    for line, each in zip(lines[1:], shown, strict=True):
        sheet.line(line)
        if not beside:
            sheet.paragraph(sheet.safe(each.reason), label=" " * 9, style=palette.QUIET)
    sheet.paragraph(_counts(choice), label="Tried: ")
    if choice.fitted is not None and choice.fitted.rank > _ROWS:
        sheet.paragraph(
            f"{_fit(choice.fitted, verb='')}: rank {choice.fitted.rank}; {choice.fitted.reason}.", label="Fitted now: "
        )
    sheet.paragraph(
        "Ranked: it must protect on this programme and in the worst case; then the least loss on normal passages "
        "(usual dB: the median while there is HF), a quarter of a decibel counting as equal; then lamp life, a "
        "hundredth of it for the programme and once the worst case counting as nothing; then the fewest lamps. Each "
        "lamp once, with its best bank. Makers hold lamp currents to 10 %: the driver is judged behind lamps of 10 % "
        "more, and lamps of 10 % less must last too. Ceiling: the largest steady source, behind lamps of 10 % more, "
        "that keeps the driver within its continuous rating for good; for ten minutes it may be a little more. Life: "
        "used by the programme. The verdict is that of `auditor check` on this programme"
        f"{_peaks_of_all(choice)}. 2s 3p: 3 strings of 2 in series.{_spectrum(choice)}",
        style=palette.QUIET,
    )


def _spectrum(choice: LampChoice) -> str:
    """What steady sources are made of, where that makes a difference."""
    if choice.rig.driver.impedance is None and choice.rig.crossover.network is None:
        return ""
    return (
        " The worst case and steady sources are pink noise as the crossover passes it; the programme is taken as it is."
    )


def _peaks_of_all(choice: LampChoice) -> str:
    return ", peaks included" if choice.peak_excess_db > 0.0 else ""


def _row(candidate: Candidate, sheet: Sheet) -> list[Text | str]:
    verdict, degree = candidate.verdict, sheet.glyphs.degree
    letter = summary.mark(verdict, sheet.glyphs)
    series, parallel = candidate.series_count, candidate.parallel_count
    return [
        str(candidate.rank),
        letter,
        Text(candidate.part, style=palette.STRONG),
        "single" if candidate.lamps == 1 else f"{series}s {parallel}p",
        f"{candidate.ceiling_source_v:.0f} V",
        figures.degrees(candidate.coil_temp_max_c, degree),
        figures.tenths(candidate.attenuation_normal_db),
        figures.tenths(candidate.attenuation_max_db),
        _life(candidate.life_used_ratio),
        candidate.reason,
    ]


def _life(used_ratio: float) -> str:
    if used_ratio >= 1.0:
        return "all"
    return "<0.1 %" if used_ratio < 1e-3 else f"{100.0 * used_ratio:.1f} %"


def _counts(choice: LampChoice) -> str:
    fell = [f"{count} {why}" for why, count in choice.ruled_out.items()]
    protecting = choice.tried - sum(choice.ruled_out.values())
    verified = sum(each.verified for each in choice.candidates)
    counts = ", ".join([f"{protecting} protect", *fell])
    return (
        f"{choice.tried} banks; {counts}. The first {verified} were put through again on every frame of every channel."
    )


def _curves(choice: LampChoice, sheet: Sheet) -> None:
    curves, key = [], []
    letters = iter(zip(_LETTERS, _STYLES, strict=True))
    for line in choice.lines:
        letter, style = (_BARE, palette.QUIET) if line.candidate is None else next(letters)
        curves.append(curve_plot.Curve(letter=letter, style=style, power_at_w=line.curve.driver_power_at_w))
        key.append(f"{letter} {'no lamp' if line.candidate is None else _short(line.candidate)}")
    key.append(f"{sheet.glyphs.peak} continuous rating")
    driver = choice.rig.driver
    marks = curve_plot.Marks(
        rating_w=driver.continuous_power_w,
        mark_v=choice.worst_case_v,
        mark_name="worst case",
        span_v=1.25 * max(choice.worst_case_v, choice.bare_ceiling_v),
    )
    sheet.line(Text(" Driver power over steady source voltage, settled, lamps of 10 % more current", style="bold"))
    for drawn in curve_plot.draw(curves, marks, sheet.glyphs, sheet.width):
        sheet.line(drawn)
    sheet.entries(key, label=" " * 9, style=palette.QUIET)


def _short(candidate: Candidate) -> str:
    count = "" if candidate.lamps == 1 else f" {candidate.series_count}s {candidate.parallel_count}p"
    return f"{candidate.part}{count}"


def _look_for(choice: LampChoice, sheet: Sheet) -> None:
    sheet.line(Text(" What to look for: a single lamp, not halogen, of", style="bold"))
    rows = [[f"{each.design_voltage_v:.0f} V", _range(each), _loss(each)] for each in choice.wanted]
    for line in layout.table(rows, right=(0,), indent=3):
        sheet.line(line)
    sheet.paragraph(
        "More watts than that let too much through, fewer burn out or dull by half a decibel more. Two of 12 V in "
        "series are one of 24 V and twice the watts.",
        style=palette.QUIET,
    )


def _range(each: Wanted) -> str:
    if each.largest_w is None or each.least_w is None:
        return "none"
    largest, least = figures.as_given(each.largest_w), figures.as_given(each.least_w)
    return f"{largest} W" if largest == least else f"{least} to {largest} W"


def _loss(each: Wanted) -> str:
    if each.attenuation_normal_db is None:
        return "burns out or lets too much through, whatever its watts"
    return f"the largest takes off {figures.tenths(each.attenuation_normal_db)} dB on normal passages"


def _heat(choice: LampChoice, sheet: Sheet) -> None:
    best = choice.candidates[0]
    clip = best.worst_case
    each = "" if best.lamps == 1 else f", from {best.lamps} lamps together"
    sheet.paragraph(
        f"{_short(best)} gives off {figures.watts(choice.part_power_mean_w)} on average and "
        f"{figures.watts(choice.part_power_max_w)} at most on this programme; "
        f"{figures.watts(clip.part_power_mean_w)} on average and {figures.watts(clip.part_power_max_w)} at most in the "
        f"worst case{each}. Bulbs get hot enough to char wood, wadding and cables: a ceramic or metal holder, a hand's "
        "breadth of air round the glass, away from the port and the coils, and a way out for the heat (common "
        "practice, no source).",
        label="Heat in the box: ",
    )
