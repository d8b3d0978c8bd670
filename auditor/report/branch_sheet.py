"""`auditor rig show` on the terminal: the HF branch as a circuit, its response and its impedance; and as JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.text import Text

from auditor.report import circuit_lines, frequency_plot, palette, words
from auditor.report.circuit_lines import is_active
from auditor.report.figures import as_given
from auditor.rig import rig_as_dict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.branch_view import BranchState, BranchView
    from auditor.report.layout import Sheet
    from auditor.rig import Driver

STYLES = {
    "cold": ("c", palette.BLUE),
    "closed": ("c", palette.BLUE),
    "bare": ("b", palette.BLUE),
    "engaged": ("e", palette.AMBER),
    "hot": ("h", palette.CRIMSON),
}
DRIVER_LETTER = "d"
RESPONSE_ROWS, IMPEDANCE_ROWS = 14, 12
RESPONSE_SPAN_DB = 42.0
_STEP_DB = 6.0
_OHM_MARKS = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0)
_LARGEST_SHOWN_OHM = 150.0


def show(branch: BranchView, sheet: Sheet) -> None:
    """Write the whole sheet."""
    sheet.line()
    sheet.line(Text(" HF branch, from the amplifier to the driver", style=palette.STRONG))
    sheet.line()
    for line in circuit_lines.draw(branch.rig, sheet.width):
        sheet.line(sheet.safe(line))
    sheet.line()
    for sentence in sentences(branch):
        sheet.paragraph(sheet.safe(sentence))
    _plot(branch, sheet)
    for note in branch.rig.notes:
        sheet.paragraph(sheet.safe(words.sentence(note)), label="Note  ", label_style=f"bold {palette.AMBER}")
    sheet.line()


def _plot(branch: BranchView, sheet: Sheet) -> None:
    key = [f"{STYLES[state.name][0]} {state_name(state)}" for state in branch.states]
    sheet.line()
    sheet.paragraph(f"Voltage at the driver over that at the {response_from(branch)}", style=palette.STRONG)
    lines = [_line(state, state.response_db) for state in branch.states]
    scale = response_scale(branch)
    _put(frequency_plot.draw(lines, branch.frequency_hz, scale, sheet.glyphs, sheet.width, rows=RESPONSE_ROWS), sheet)
    sheet.entries(key, label=" " * 9, style=palette.QUIET)
    sheet.line()
    sheet.paragraph(f"Impedance: {seen(branch)}", style=palette.STRONG)
    lines = [_line(state, state.impedance_ohm) for state in branch.states]
    lines.append(frequency_plot.Line(letter=DRIVER_LETTER, style=palette.QUIET, values=branch.driver_ohm))
    scale = impedance_scale(branch)
    _put(frequency_plot.draw(lines, branch.frequency_hz, scale, sheet.glyphs, sheet.width, rows=IMPEDANCE_ROWS), sheet)
    sheet.entries([*key, f"{DRIVER_LETTER} driver alone, coil at 20 C"], label=" " * 9, style=palette.QUIET)
    sheet.line()


def _put(lines: Sequence[Text], sheet: Sheet) -> None:
    for line in lines:
        sheet.line(line)


def _line(state: BranchState, values: Any) -> frequency_plot.Line:
    letter, style = STYLES[state.name]
    return frequency_plot.Line(letter=letter, style=style, values=values)


def seen(branch: BranchView) -> str:
    """Whose impedance is plotted."""
    if branch.rig.crossover.network is not None:
        return "what the amplifier sees"
    if is_active(branch.rig):
        return "what the amplifier sees, of part and driver"
    return "part and driver; what the crossover adds is not known from its alignment"


def response_from(branch: BranchView) -> str:
    """Where the response that is plotted begins."""
    return "crossover's input, ahead of the amplifier" if is_active(branch.rig) else "amplifier"


def response_scale(branch: BranchView) -> frequency_plot.Scale:
    """From some decibels over the highest curve down."""
    top_db = _STEP_DB * math.ceil(max(float(state.response_db.max()) for state in branch.states) / _STEP_DB)
    low_db = top_db - RESPONSE_SPAN_DB
    marks = tuple(np.arange(top_db, low_db - 0.1, -2.0 * _STEP_DB).tolist())
    return frequency_plot.Scale(low=low_db, high=top_db, marks=marks, unit="dB")


def impedance_scale(branch: BranchView) -> frequency_plot.Scale:
    """As far as the curves go, up to where nothing flows any more."""
    values = np.concatenate([branch.driver_ohm, *(state.impedance_ohm for state in branch.states)])
    low_ohm = max(mark for mark in _OHM_MARKS if mark <= max(float(values.min()), _OHM_MARKS[0]))
    most_ohm = min(max(float(values.max()), 2.0 * low_ohm), _LARGEST_SHOWN_OHM)
    high_ohm = min(mark for mark in _OHM_MARKS if mark >= most_ohm)
    marks = tuple(mark for mark in _OHM_MARKS if low_ohm <= mark <= high_ohm)
    return frequency_plot.Scale(low=low_ohm, high=high_ohm, marks=marks, unit="ohm", is_log=True)


def state_name(state: BranchState) -> str:
    """A state with its resistance, in words."""
    names = {
        "cold": "lamp cold",
        "engaged": "lamp begins to work, 1 dB",
        "hot": "lamp at its rating",
        "closed": "part closed",
        "bare": "no protection",
    }
    return names[state.name] + ("" if state.name == "bare" else f", {state.resistance_ohm:.3g} ohm")


def sentences(branch: BranchView) -> list[str]:
    """What the curves say, in words."""
    told = [f"{state_name(state)}: {_shape(state)}" for state in branch.states]
    found = [text[:1].upper() + text[1:] for text in told]
    found += drivers_wiring(branch.rig.driver)
    if branch.rig.crossover.network is not None:
        found.append(f"The amplifier sees at least {branch.lowest_ohm:.3g} ohm, at {round_hz(branch.lowest_hz)}.")
    return found


def drivers_wiring(driver: Driver) -> list[str]:
    """How several drivers are wired and rated, as a sentence; nothing for one."""
    series, parallel = driver.series_count, driver.parallel_count
    if series * parallel == 1:
        return []
    if parallel == 1:
        how = f"{series} in series"
    elif series == 1:
        how = f"{parallel} in parallel"
    else:
        how = f"{parallel} strings in parallel, each of {series} in series"
    each, together = as_given(driver.rated_impedance_ohm), as_given(driver.branch_impedance_ohm)
    return [f"HF drivers: {how}; rated {each} ohm each, {together} ohm together."]


def _shape(state: BranchState) -> str:
    loss_db = state.loss_db
    most = f"{loss_db:.1f} dB lost" if loss_db >= 0.0 else f"{-loss_db:.1f} dB gained"
    if not state.corner_hz:
        return f"{most} where most passes, and no corner."
    return f"{most} where most passes, 3 dB further down at {round_hz(state.corner_hz)}."


def round_hz(frequency_hz: float) -> str:
    """A frequency in three figures."""
    return f"{float(f'{frequency_hz:.3g}'):g} Hz"


def document(branch: BranchView) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "rig": rig_as_dict(branch.rig),
        "notes": list(branch.rig.notes),
        "frequency_hz": branch.frequency_hz.tolist(),
        "driver": {"impedance_ohm": branch.driver_ohm.tolist(), "phase_deg": branch.driver_phase_deg.tolist()},
        "states": [
            {
                "name": state.name,
                "resistance_ohm": state.resistance_ohm,
                "corner_hz": state.corner_hz or None,
                "loss_db": state.loss_db,
                "response_db": state.response_db.tolist(),
                "impedance_ohm": state.impedance_ohm.tolist(),
                "phase_deg": state.phase_deg.tolist(),
            }
            for state in branch.states
        ],
        "impedance_least_ohm": branch.lowest_ohm,
        "impedance_least_hz": branch.lowest_hz,
    }
