"""Programmes side by side, for a person: the answer in words, causes as bars, figures, spectra, overdrive."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from auditor.report import figures, layout, palette, spectra_plot
from auditor.report.answer import heading
from auditor.report.compare_words import explanation
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from auditor.comparison.compare import Compared, Comparison, Difference
    from auditor.comparison.portrait import Standing
    from auditor.report.layout import Sheet

_WIDEST_NAME = 40
_BAR = 30  # cells of the longest bar
_HEAD = ("", "loudness", "peak", "gain", "HF share", "HF crest", "HF 60 s", "coil bare", "coil", "margin")
_LEAST_NEEDED_FIRST = ("HF crest", "coil bare", "peak")


def show(comparison: Comparison, sheet: Sheet) -> None:
    """Write the answer and its grounds.

    Parameters
    ----------
    comparison : Comparison
    sheet : Sheet
    """
    for compared in comparison.programmes:
        name = sheet.name(os.path.basename(compared.path), min(sheet.width - 40, 60))
        sheet.line(_letter(compared, "  ").append(name, style=palette.STRONG).append(f"  {_facts(compared)}"))
    sheet.line()
    for number, sentence in enumerate(explanation(comparison)):
        label = f"{sheet.glyphs.arrow} " if number == 0 else "  "
        sheet.paragraph(sheet.safe(sentence), label=label, style=palette.STRONG if number == 0 else "")
    for difference in comparison.differences:
        _causes(comparison, difference, sheet)
    _standings(comparison, sheet)
    _spectra(comparison, sheet)
    _split(comparison, sheet)


def style_of(compared: Compared) -> str:
    """The programme's colour, which only repeats its letter."""
    return spectra_plot.STYLES["ABCDEF".index(compared.letter)]


def _letter(compared: Compared, after: str = "") -> Text:
    return Text(" ").append(compared.letter, style=f"bold {style_of(compared)}").append(after)


def _facts(compared: Compared) -> str:
    audit = compared.portrait.audit
    channels = {1: "mono", 2: "stereo"}.get(audit.channel_count, f"{audit.channel_count} channels")
    return f"{figures.length(audit.duration_s)}, {channels}, {audit.sample_rate_hz / 1000.0:g} kHz"


def _causes(comparison: Comparison, difference: Difference, sheet: Sheet) -> None:
    sheet.line()
    worst, other = comparison.worst.letter, difference.other.letter
    total = figures.tenths(difference.difference_db)
    heading(f"Why {worst} puts {total} dB more into the HF driver than {other}", sheet)
    longest_db = max((abs(each.contribution_db) for each in difference.causes), default=0.0) or 1.0
    for each in difference.causes:
        cells = round(abs(each.contribution_db) / longest_db * _BAR)
        positive = each.contribution_db > 0.0
        bar = (sheet.glyphs.heavy if positive else sheet.glyphs.light) * cells
        line = Text(f" {each.cause:<10} {figures.tenths(each.contribution_db):>6} dB ")
        sheet.line(line.append(bar, style=palette.CRIMSON if positive else palette.BLUE))


def _standings(comparison: Comparison, sheet: Sheet) -> None:
    sheet.line()
    heading("As played", sheet)
    _table(comparison, [each.portrait.standing for each in comparison.programmes], sheet, show_level=True)
    if comparison.reference_lufs is not None:
        sheet.line()
        heading(f"At equal loudness, {figures.tenths(comparison.reference_lufs)} LUFS", sheet)
        _table(comparison, [each.equal_loudness for each in comparison.programmes], sheet, show_level=False)
    if comparison.reference_dbtp is not None:
        sheet.line()
        heading(f"At equal peak, {figures.tenths(comparison.reference_dbtp)} dBTP", sheet)
        _table(comparison, [each.equal_peak for each in comparison.programmes], sheet, show_level=False)
    sheet.paragraph(
        "HF share: of the amplifier's power. HF 60 s: largest mean of the HF driver's power over 60 s, and coil bare: "
        "its coil, both without protection; coil and margin: with what is fitted. PLR: peak to loudness.",
        style=palette.QUIET,
    )


def _table(comparison: Comparison, standings: list[Standing | None], sheet: Sheet, *, show_level: bool) -> None:
    head = ("", "loudness", "PLR", *_HEAD[4:]) if show_level else ("", "gain", *_HEAD[4:])
    rows: list[dict[str, Text | str]] = [{name: Text(name, style=palette.QUIET) for name in head}]
    for compared, standing in zip(comparison.programmes, standings, strict=True):
        rows.append(_cells(compared, standing, comparison, sheet))
    shown = list(head)
    for least_needed in _LEAST_NEEDED_FIRST:
        if layout.INDENT + layout.table_width([[row[name] for name in shown] for row in rows]) <= sheet.width:
            break
        if least_needed in shown:
            shown.remove(least_needed)
    for line in layout.table([[row[name] for name in shown] for row in rows], right=range(1, len(shown))):
        sheet.line(line)


def _cells(
    compared: Compared, standing: Standing | None, comparison: Comparison, sheet: Sheet
) -> dict[str, Text | str]:
    audit, dash = compared.portrait.audit, sheet.glyphs.dash
    cells: dict[str, Text | str] = dict.fromkeys(("loudness", "PLR", *_HEAD[3:]), dash)
    cells[""] = Text(compared.letter, style=f"bold {style_of(compared)}")
    if audit.loudness_lufs is not None and audit.peak_to_loudness_db is not None:
        cells["loudness"] = f"{figures.tenths(audit.loudness_lufs)} LUFS"
        cells["PLR"] = f"{figures.tenths(audit.peak_to_loudness_db)} dB"
    if standing is None:
        return cells
    driver, degree = comparison.rig.driver, sheet.glyphs.degree
    power_w = standing.driver_power_max_60s_w
    return cells | {
        "gain": f"{figures.tenths(standing.gain_db)} dB",
        "HF share": _percent(100.0 * standing.hf_energy_ratio),
        "HF crest": dash if standing.hf_crest_db is None else f"{figures.tenths(standing.hf_crest_db)} dB",
        "HF 60 s": figures.watts(power_w, limit_w=driver.continuous_power_w),
        "coil bare": figures.degrees(standing.coil_temp_max_c, degree),
        "coil": figures.degrees(standing.protected_coil_temp_max_c, degree),
        "margin": dash if standing.margin_db is None else figures.signed(standing.margin_db),
    }


def _percent(share: float) -> str:
    if 0.0 < share < 0.1:
        return "<0.1 %"
    return f"{share:.1f} %" if share < 9.95 else f"{share:.0f} %"


def _spectra(comparison: Comparison, sheet: Sheet) -> None:
    drawn = [
        spectra_plot.Lettered(
            letter=each.letter,
            style=f"bold {style_of(each)}",
            # What is silent stays so at any gain.
            band_level_db=np.where(
                each.portrait.band_level_dbfs > SILENCE_DB,
                each.portrait.band_level_dbfs + each.equal_loudness.gain_db,
                SILENCE_DB,
            ),
        )
        for each in comparison.programmes
        if each.equal_loudness is not None
    ]
    if not drawn:
        return
    sheet.line()
    heading("Third-octave spectra of the files at equal loudness, 0 dB: a full-scale sine", sheet)
    network = comparison.rig.crossover
    corner_hz = None if network.alignment == "none" else network.frequency_hz
    for line in spectra_plot.draw(drawn, crossover_hz=corner_hz, glyphs=sheet.glyphs, width=min(sheet.width, 120)):
        sheet.line(line)


def _split(comparison: Comparison, sheet: Sheet) -> None:
    """HF power with and without rails, as played and further and further into them."""
    sheet.line()
    heading("HF power: what the programme brings + what clipping adds", sheet)
    spoken = [each for each in comparison.programmes if each.overdriven]
    if not spoken:
        sheet.paragraph("Nothing is heard, so there is nothing to split.")
        return
    steps = [f"{each.overdrive_db:g} dB" for each in spoken[0].overdriven]
    rows: list[list[Text | str]] = [
        [Text(text, style=palette.QUIET) for text in ("", "as played", *(f"peaks {step} over" for step in steps))]
    ]
    for compared in spoken:
        splits = [compared.split, *(each.split for each in compared.overdriven)]
        rows.append(
            [_letter(compared), *(_sum(each.programme_w, each.clipping_w) for each in splits if each is not None)]
        )
    if layout.INDENT + layout.table_width(rows) > sheet.width:
        rows[0] = [Text(text, style=palette.QUIET) for text in ("", "as played", *(f"{step} over" for step in steps))]
    for line in layout.table(rows, right=range(1, len(rows[0])), indent=0):
        sheet.line(line)
    sheet.paragraph(
        "Watts into the HF driver without protection, largest 60 s. Over: highest peak asked of the amplifier beyond "
        "its rail; the level is changed for that. Negative where the rails take more of the programme's own HF than "
        "they add.",
        style=palette.QUIET,
    )


def _sum(programme_w: float, clipping_w: float) -> str:
    return f"{_short(programme_w)} {'-' if clipping_w < 0.0 else '+'} {_short(abs(clipping_w))}"


def _short(power_w: float) -> str:
    return figures.watts(power_w).removesuffix(" W")
