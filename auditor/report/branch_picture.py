"""`auditor rig show` as a picture, PNG or SVG: the HF branch as a circuit, its response and its impedance.

Each curve has its own dashes and its name, so that a black and white copy can be read. Drawn without a screen; text is
drawn as outlines, so that no font is needed where it is looked at.
"""

from __future__ import annotations

import io
import logging
import os
from typing import TYPE_CHECKING, Any, Literal

import matplotlib
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullLocator

from auditor.report import palette, words
from auditor.report.branch_sheet import (
    RESPONSE_SPAN_DB,
    impedance_scale,
    response_scale,
    sentences,
    state_name,
)
from auditor.report.circuit_drawing import draw_circuit
from auditor.report.circuit_lines import is_active
from auditor.report.font import drawable, wrapped
from auditor.report.pictures import INK, SETTINGS

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes

    from auditor.branch_view import BranchState, BranchView

    Kind = Literal["png", "svg"]

_SIZE_INCH = (11.0, 8.2)
_DPI = 130
_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_LINES: dict[str, dict[str, Any]] = {
    "cold": {"color": palette.BLUE, "linestyle": "-", "linewidth": 1.7},
    "closed": {"color": palette.BLUE, "linestyle": "-", "linewidth": 1.7},
    "bare": {"color": palette.BLUE, "linestyle": "-", "linewidth": 1.7},
    "engaged": {"color": palette.AMBER, "linestyle": (0, (6, 2)), "linewidth": 1.5},
    "hot": {"color": palette.CRIMSON, "linestyle": (0, (2, 1.5)), "linewidth": 1.5},
}
_DRIVER: dict[str, Any] = {"color": palette.GREY, "linestyle": (0, (1, 1.2)), "linewidth": 1.2}


def write_picture(branch: BranchView, target: Path | io.BytesIO, kind: Kind) -> None:
    """Draw a branch into a file."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # it tells of its caches
    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # whatever the user has set for other work
        matplotlib.rcParams.update(SETTINGS)
        metadata: dict[str, Any] = {"Title": drawable(f"HF branch: {os.path.basename(branch.rig.path)}")}
        if kind == "svg":
            metadata["Date"] = None
        _figure(branch).savefig(target, format=kind, dpi=_DPI, metadata=metadata, facecolor="white")


def svg(branch: BranchView) -> str:
    """The picture as the text of an SVG file."""
    buffer = io.BytesIO()
    write_picture(branch, buffer, "svg")
    return buffer.getvalue().decode("utf-8")


def _figure(branch: BranchView) -> Figure:
    figure = Figure(figsize=_SIZE_INCH)
    circuit, response, impedance = figure.subplots(
        3,
        1,
        gridspec_kw={
            "height_ratios": [2.0, 3.0, 2.6],
            "left": 0.075,
            "right": 0.975,
            "top": 0.93,
            "bottom": 0.13,
            "hspace": 0.34,
        },
    )
    figure.text(0.075, 0.965, wrapped(drawable(os.path.basename(branch.rig.path)), 90, lines=1), fontsize=13.0,
                fontweight="bold", va="center")  # fmt: skip
    draw_circuit(circuit, branch.rig)
    _response(response, branch)
    _impedance(impedance, branch)
    foot = [*sentences(branch), *(words.sentence(note) for note in branch.rig.notes)]
    text = wrapped(drawable(" ".join(foot)), 170, lines=4)
    figure.text(0.075, 0.012, text, fontsize=7.0, va="bottom", linespacing=1.3)
    return figure


def _response(panel: Axes, branch: BranchView) -> None:
    for state in branch.states:
        panel.plot(branch.frequency_hz, state.response_db, label=_label(state), **_LINES[state.name])
    top_db = response_scale(branch).high
    panel.set_ylim(top_db - RESPONSE_SPAN_DB, top_db)
    panel.yaxis.set_major_locator(matplotlib.ticker.MultipleLocator(6.0))
    _finish(panel, "Driver over crossover's input [dB]" if is_active(branch.rig) else "Driver over amplifier [dB]")


def _impedance(panel: Axes, branch: BranchView) -> None:
    for state in branch.states:
        panel.plot(branch.frequency_hz, state.impedance_ohm, label=_label(state), **_LINES[state.name])
    panel.plot(branch.frequency_hz, branch.driver_ohm, label="driver alone, coil at 20 °C", **_DRIVER)
    scale = impedance_scale(branch)
    panel.set_yscale("log")
    panel.set_ylim(scale.low, scale.high)
    panel.set_yticks(scale.marks)
    panel.yaxis.set_major_formatter(FuncFormatter(lambda ohm, _: f"{ohm:g}"))
    panel.yaxis.set_minor_locator(NullLocator())
    amplifier_sees = branch.rig.crossover.network is not None or is_active(branch.rig)
    _finish(panel, f"{'Seen by the amplifier' if amplifier_sees else 'Part and driver'} [ohm]")
    panel.set_xlabel("Frequency [Hz]")


def _label(state: BranchState) -> str:
    return drawable(state_name(state))


def _finish(panel: Axes, title: str) -> None:
    panel.set_xscale("log")
    panel.set_xlim(_TICKS_HZ[0], _TICKS_HZ[-1])
    panel.set_xticks(_TICKS_HZ)
    panel.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"))
    panel.xaxis.set_minor_locator(NullLocator())
    panel.set_ylabel(title, fontweight="bold", color=INK)
    panel.yaxis.set_label_coords(-0.055, 0.5)
    panel.grid(color="#000000", alpha=0.12, linewidth=0.5)
    panel.set_axisbelow(True)
    panel.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=4, frameon=False, fontsize=7.0,
        borderaxespad=0.1, handlelength=3.2, borderpad=0.0,
    )  # fmt: skip
