"""A track's timeline as a picture for documents, PNG or SVG: one picture for one track, its worst channel.

Reads an `Audit` and computes nothing: each point is the largest value of its stretch of time, as in the terminal.
States have a letter and a hatching as well as a colour, and each curve its own dashes, so that a black and white copy
can be read. Drawn without a screen; text is drawn as outlines, so that no font is needed where it is looked at.
"""

from __future__ import annotations

import logging
import os
from typing import TYPE_CHECKING, Any, Literal

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullLocator

from auditor.judgement.passages import ENGAGED_FROM_DB
from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.published import DRAPER_POINT_K
from auditor.report import advice_words, figures, palette, words
from auditor.report.font import drawable, wrapped
from auditor.report.grid import Grid, flagged_columns

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes

    from auditor.audit_types import Audit, ChannelAudit, Trace, Verdict

    Kind = Literal["png", "svg"]

_COLUMNS = 700
_SIZE_INCH = (11.0, 7.6)  # a landscape A4 page less its margins
_DPI = 130
_LEFT, _RIGHT, _TOP, _BOTTOM = 0.075, 0.845, 0.845, 0.135
_LEAST = 1e-9
_DECADES = 3.5  # of power, under the highest rating
_LETTER_SHARE = 0.015  # of the width, that a letter takes
_RISK_HATCH = "////"
_SHADE: dict[Verdict, dict[str, Any]] = {
    "engaged": {"facecolor": palette.AMBER, "alpha": 0.16, "hatch": None},
    "risk": {"facecolor": palette.CRIMSON, "alpha": 0.17, "hatch": _RISK_HATCH},
}
INK = "#1B1F24"
_SLOW: dict[str, Any] = {"color": INK, "linewidth": 1.4, "linestyle": (0, (6, 2))}
_UNPROTECTED: dict[str, Any] = {"color": palette.AMBER, "linewidth": 1.1, "linestyle": (0, (1, 1.2))}
_LIMIT: dict[str, Any] = {"color": palette.CRIMSON, "linewidth": 1.0}
SETTINGS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib
    "font.size": 8.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.6,
    "hatch.linewidth": 0.5,
    "svg.fonttype": "path",
    "svg.hashsalt": "auditor",  # the same picture twice is the same file
    "text.parse_math": False,  # a name with $ in it is a name
}


def write_picture(track: Audit, target: Path, kind: Kind) -> None:
    """Draw a track into a file.

    Parameters
    ----------
    track : Audit
    target : Path
    kind : {"png", "svg"}
    """
    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # it tells of its caches
    with matplotlib.rc_context():
        matplotlib.rcdefaults()  # whatever the user has set for other work
        matplotlib.rcParams.update(SETTINGS)
        metadata = {"Title": drawable(f"HF driver: {track.title}")}
        if kind == "svg":
            metadata |= {"Date": None}  # type: ignore[dict-item]
        _figure(track).savefig(target, format=kind, dpi=_DPI, metadata=metadata, facecolor="white")


def _figure(track: Audit) -> Figure:
    channel = next(each for each in track.channels if each.index == track.worst_channel)
    guarded = track.rig.protection.kind != "none"
    figure = Figure(figsize=_SIZE_INCH)
    heights = [3.2, 2.4, 1.5, 0.65] if guarded else [3.2, 2.4, 0.65]
    panels: list[Axes] = list(
        figure.subplots(
            len(heights),
            1,
            sharex=True,
            gridspec_kw={
                "height_ratios": heights,
                "left": _LEFT,
                "right": _RIGHT,
                "top": _TOP,
                "bottom": _BOTTOM,
                "hspace": 0.16,
            },
        )
    )
    grid = Grid(track.duration_s, _COLUMNS)
    shades = _shades(track, grid)
    for panel in panels:
        for verdict, start_s, end_s in shades:
            panel.axvspan(start_s, end_s, edgecolor=_SHADE[verdict]["facecolor"], linewidth=0.0, **_SHADE[verdict])
    _power(panels[0], track, channel, grid)
    _coil(panels[1], track, channel, grid)
    if guarded:
        _part(panels[2], track, channel, grid)
    _clipping(panels[-1], channel, grid)
    _time(panels[-1], track.duration_s)
    _letters(panels[0], shades, track.duration_s)
    _words(figure, track, channel)
    return figure


def _shades(track: Audit, grid: Grid) -> list[tuple[Verdict, float, float]]:
    """Runs of columns that are flagged, each with its worst verdict, start and end [s]."""
    columns: list[Verdict | None] = [None] * grid.columns
    worse: tuple[Verdict, ...] = ("engaged", "risk")
    flagged = flagged_columns(track, grid)
    for verdict in worse:
        for passage, touched in flagged:
            if passage.verdict == verdict:
                for column in touched:
                    columns[column] = verdict
    runs = []
    start = 0
    for column in range(1, grid.columns + 1):
        if column == grid.columns or columns[column] != columns[start]:
            verdict_here = columns[start]
            if verdict_here is not None:
                runs.append((verdict_here, grid.start_s(start), grid.start_s(column)))
            start = column
    return runs


def _curve(panel: Axes, trace: Trace, channel: ChannelAudit, grid: Grid, label: str, **style: Any) -> None:
    at_s = [grid.start_s(column) + grid.duration_s / grid.columns / 2.0 for column in range(grid.columns)]
    # Beyond any scale there is nothing to read, and a drawing must have finite points.
    values = np.nan_to_num(grid.largest(trace, channel.traces.step_s), nan=0.0, posinf=1e6, neginf=0.0)
    # Nor has a logarithmic scale a place for nought.
    panel.plot(at_s, np.maximum(values, _LEAST), label=label, **style)


def _power(panel: Axes, track: Audit, channel: ChannelAudit, grid: Grid) -> None:
    driver, traces = track.rig.driver, channel.traces
    panel.set_yscale("log", nonpositive="clip")
    _curve(panel, traces.driver_power_peak_w, channel, grid, "peak", color=palette.GREY, linewidth=0.5)
    if track.rig.protection.kind != "none":
        _curve(panel, traces.unprotected_power_1s_w, channel, grid, "1 s mean, unprotected", **_UNPROTECTED)
    _curve(panel, traces.driver_power_1s_w, channel, grid, "1 s mean", color=palette.BLUE, linewidth=1.7)
    _curve(panel, traces.driver_power_60s_w, channel, grid, "60 s mean", **_SLOW)
    ratings: list[tuple[float, str, dict[str, Any]]] = [
        (driver.peak_power_w, "peak rating", {"linestyle": "-", **_LIMIT, "linewidth": 0.6}),
        (driver.program_power_w, "programme, 1 s", {"linestyle": "-", **_LIMIT, "linewidth": 1.4}),
        (driver.continuous_power_w, "continuous, 60 s", {"linestyle": (0, (6, 2)), **_LIMIT}),
    ]
    highest = max(driver.peak_power_w, driver.program_power_w, driver.continuous_power_w)
    most = max(highest, *(float(np.nan_to_num(line.get_ydata()).max(initial=0.0)) for line in panel.get_lines()))
    panel.set_ylim(highest * 10.0**-_DECADES, most * 2.2)
    panel.yaxis.set_major_formatter(FuncFormatter(lambda power_w, _: f"{power_w:g}"))
    panel.yaxis.set_minor_locator(NullLocator())
    for power_w, _, style in ratings:
        panel.axhline(power_w, **style)
    _beside(panel, [(power_w, f"{figures.as_given(power_w)} W {name}") for power_w, name, _ in ratings])
    _finish(panel, "HF power [W]", columns=4)


def _coil(panel: Axes, track: Audit, channel: ChannelAudit, grid: Grid) -> None:
    limit_c, ambient_c = track.rig.driver.coil_temp_limit_c, track.rig.site.ambient_temp_c
    if track.rig.protection.kind != "none":
        _curve(panel, channel.traces.unprotected_coil_temp_c, channel, grid, "coil, unprotected", **_UNPROTECTED)
    _curve(panel, channel.traces.coil_temp_c, channel, grid, "coil", color=palette.BLUE, linewidth=1.7)
    _curve(panel, channel.traces.body_temp_c, channel, grid, "body", **_SLOW)
    panel.axhline(limit_c, linestyle="-", **_LIMIT)
    # A coil far beyond its limit is lost whatever the figure: the scale serves those near it.
    most_c = max(float(np.max(line.get_ydata())) for line in panel.get_lines())
    span_k = limit_c - ambient_c
    panel.set_ylim(ambient_c - 0.06 * span_k, min(max(most_c + 0.1 * span_k, limit_c + 0.2 * span_k), limit_c + span_k))
    _beside(panel, [(limit_c, f"{figures.degrees(limit_c, '°')} coil's limit")])
    _finish(panel, "Temperature [°C]", columns=3)


def _part(panel: Axes, track: Audit, channel: ChannelAudit, grid: Grid) -> None:
    name = words.device(track.rig)
    _curve(panel, channel.traces.attenuation_db, channel, grid, f"taken off by the {name}", color=palette.BLUE, lw=1.3)
    line = panel.get_lines()[0]
    panel.fill_between(line.get_xdata(), line.get_ydata(), color=palette.BLUE, alpha=0.25, linewidth=0.0)
    panel.axhline(ENGAGED_FROM_DB, color=INK, linewidth=0.7, linestyle=(0, (2, 2)))
    notes = [(ENGAGED_FROM_DB, f"working from {figures.as_given(ENGAGED_FROM_DB)} dB on")]
    most_db = max(float(np.max(line.get_ydata())), 2.0 * ENGAGED_FROM_DB)
    panel.set_ylim(0.0, 1.15 * most_db)
    if most_db >= OPEN_ATTENUATION_DB:
        notes.append((OPEN_ATTENUATION_DB, f"open, or gone: {figures.as_given(OPEN_ATTENUATION_DB)} dB"))
    filament_k = channel.traces.filament_temp_k
    if filament_k is not None and filament_k.max(initial=0.0) >= DRAPER_POINT_K.value:
        glows = grid.largest(filament_k, channel.traces.step_s) >= DRAPER_POINT_K.value
        panel.fill_between(
            line.get_xdata(),
            1.07 * most_db,
            1.15 * most_db,
            where=glows.tolist(),
            step="mid",
            color=INK,
            linewidth=0.0,
        )
        notes.append((1.11 * most_db, "black: it glows"))
    _beside(panel, notes)
    _finish(panel, "Loss [dB]", columns=1)


def _clipping(panel: Axes, channel: ChannelAudit, grid: Grid) -> None:
    _curve(panel, 100.0 * channel.traces.clipped_ratio, channel, grid, "", color=INK, linewidth=0.6)
    line = panel.get_lines()[0]
    panel.fill_between(line.get_xdata(), line.get_ydata(), color=INK, linewidth=0.0)
    most = float(np.max(line.get_ydata()))
    panel.set_ylim(0.0, max(1.15 * most, 1.0))
    panel.yaxis.set_major_locator(MaxNLocator(1 if most < 1.0 else 2))
    text = "samples clipped by\nthe amplifier" if most > 2.0 * _LEAST else "the amplifier\nnever clips"
    panel.text(1.01, 0.5, text, transform=panel.transAxes, va="center", fontsize=7.5)
    _finish(panel, "Clip [%]", columns=0)


def _finish(panel: Axes, title: str, *, columns: int) -> None:
    panel.set_ylabel(title, fontweight="bold")
    panel.yaxis.set_label_coords(-0.062, 0.5)
    panel.grid(axis="y", color="#000000", alpha=0.12, linewidth=0.5)
    panel.set_axisbelow(True)
    if columns:
        panel.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=columns, frameon=False, fontsize=7.0,
            borderaxespad=0.1, handlelength=2.6, borderpad=0.0,
        )  # fmt: skip


def _beside(panel: Axes, labels: list[tuple[float, str]]) -> None:
    """Labels to the right of a panel at the height of what they name, pushed apart where they would touch."""
    height_px = panel.get_window_extent().height
    least = 9.5 * panel.figure.dpi / 72.0 / height_px
    at = [panel.transAxes.inverted().transform(panel.transData.transform((0.0, value)))[1] for value, _ in labels]
    lowest = -1.0
    for place in sorted(range(len(labels)), key=lambda index: (at[index], -index)):
        lowest = max(at[place], lowest + least)
        panel.text(1.01, lowest, labels[place][1], transform=panel.transAxes, va="center", fontsize=7.5)


def _time(panel: Axes, duration_s: float) -> None:
    steps = [1.0, 1.5, 2.0, 3.0, 6.0, 10.0] if duration_s > 90.0 else [1.0, 2.0, 5.0, 10.0]
    panel.set_xlim(0.0, max(duration_s, 1e-3))
    unit_s = 60.0 if duration_s > 600.0 else 1.0
    ticks = unit_s * np.asarray(MaxNLocator(9, steps=steps).tick_values(0.0, duration_s / unit_s))
    panel.set_xticks([tick for tick in ticks if 0.0 <= tick <= duration_s])
    panel.xaxis.set_major_formatter(FuncFormatter(lambda time_s, _: _tick(time_s, duration_s)))
    panel.set_xlabel("Time")


def _tick(time_s: float, duration_s: float) -> str:
    if duration_s <= 0.9:
        return f"{time_s:g} s"
    return figures.clock(time_s, decimals=0 if duration_s > 9.0 else 1)


def _letters(panel: Axes, shades: list[tuple[Verdict, float, float]], duration_s: float) -> None:
    """A letter over each shaded stretch, risks first, but none on top of another."""
    taken_s: list[float] = []
    for verdict, start_s, end_s in sorted(shades, key=lambda each: each[0] != "risk"):
        middle_s = (start_s + end_s) / 2.0
        if all(abs(middle_s - other_s) > _LETTER_SHARE * duration_s for other_s in taken_s):
            taken_s.append(middle_s)
            panel.text(
                middle_s, 0.985, palette.LETTER[verdict], transform=panel.get_xaxis_transform(),
                ha="center", va="top", fontsize=8.0, fontweight="bold",
            )  # fmt: skip


def _words(figure: Figure, track: Audit, channel: ChannelAudit) -> None:
    name = drawable(track.title)
    which = f", channel {channel.index + 1} of {track.channel_count}" if track.channel_count > 1 else ""
    figure.text(_LEFT, 0.965, wrapped(name, 74, lines=1), fontsize=13.0, fontweight="bold", va="center")
    badge = {"boxstyle": "square,pad=0.35", "facecolor": "white", "edgecolor": palette.INK[track.verdict]}
    figure.text(
        0.985, 0.965, f"{palette.LETTER[track.verdict]}  {palette.WORD[track.verdict]}", fontsize=12.0,
        fontweight="bold", ha="right", va="center", bbox=badge, color=INK,
    )  # fmt: skip
    advice = wrapped(drawable(advice_words.advice(track, "°")), 150, lines=3)
    figure.text(_LEFT, 0.935, advice, fontsize=8.5, va="top", linespacing=1.35)
    file = os.path.basename(track.path)
    foot = [
        f"{'' if track.title == file else f'{file}, '}{figures.length(track.duration_s)}{which}. {_key(track)}",
        f"{os.path.basename(track.rig.path)}: {words.rig_sentence(track.rig)}.",
        "Each point is the largest value in its stretch of time. Estimates, not a guarantee.",
    ]
    figure.text(
        _LEFT, 0.012, "\n".join(wrapped(drawable(each), 170, lines=1) for each in foot), fontsize=7.0, va="bottom"
    )


def _key(track: Audit) -> str:
    """What the shades stand for, with every cause that there is."""
    parts = []
    shades: tuple[tuple[Verdict, str], ...] = (("risk", "R, hatched"), ("engaged", "E, shaded"))
    for verdict, shade in shades:
        found = [words.cause(each.cause, track.rig, each.part_at) for each in track.passages if each.verdict == verdict]
        if found:
            parts.append(f"{shade}: {', '.join(dict.fromkeys(found))}.")
    return " ".join(parts) or "No passage is flagged."
