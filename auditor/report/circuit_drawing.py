"""The HF branch's circuit in a picture: both wires from the amplifier to the driver, each part with its value."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.patches import Circle, Rectangle

from auditor.chain.network import l_pad_ohm
from auditor.report import figures
from auditor.report.circuit_lines import drivers_label, farads, is_active, ohms, part_values
from auditor.report.font import drawable
from auditor.report.pictures import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from auditor.network_parts import NetworkPart
    from auditor.rig import Rig

_HIGH, _LOW, _MIDDLE = 1.0, -1.0, 0.0  # both wires, and half way
_STEP = 2.0  # from one part to the next
_LEAST_STEPS = 6
_WIRE: dict[str, Any] = {"color": INK, "linewidth": 1.1, "solid_capstyle": "round"}


def draw_circuit(panel: Axes, rig: Rig) -> None:
    """Draw the circuit over the whole panel."""
    panel.set_axis_off()
    panel.set_aspect("equal")
    at = _amplifier(panel, rig)
    network = rig.crossover.network
    if network is not None:
        for part in network.parts:
            at = _network_part(panel, part, at, network.rated_impedance_ohm)
    else:
        at = _alignment(panel, rig, at)
    at = _protection(panel, rig, at)
    at = _driver(panel, rig, at)
    width = max(at, _LEAST_STEPS * _STEP)
    panel.set_xlim(-1.2, width)
    panel.set_ylim(-1.7, 1.9)


def _line(panel: Axes, *points: tuple[float, float]) -> None:
    panel.plot([x for x, _ in points], [y for _, y in points], **_WIRE)


def _say(panel: Axes, x: float, y: float, text: str, *, beside: bool = False) -> None:
    panel.text(x, y, drawable(text), fontsize=7.5, ha="left" if beside else "center", va="center", color=INK)


def _wires(panel: Axes, at: float, gap: tuple[float, float] | None = None) -> None:
    """Both wires over one step, the upper one broken where a part stands in it."""
    _line(panel, (at, _LOW), (at + _STEP, _LOW))
    if gap is None:
        _line(panel, (at, _HIGH), (at + _STEP, _HIGH))
    else:
        _line(panel, (at, _HIGH), (at + gap[0], _HIGH))
        _line(panel, (at + gap[1], _HIGH), (at + _STEP, _HIGH))


def _amplifier(panel: Axes, rig: Rig) -> float:
    _line(panel, (-1.0, 1.6), (-1.0, 0.4), (0.2, _HIGH), (-1.0, 1.6))
    _line(panel, (0.2, _HIGH), (0.6, _HIGH))
    _line(panel, (-0.4, 0.68), (-0.4, _LOW), (0.6, _LOW))
    _say(panel, -0.4, -1.35, f"amplifier, {figures.as_given(rig.amplifier.rated_power_w)} W")
    return 0.6


def _network_part(panel: Axes, part: NetworkPart, at: float, rated_ohm: float) -> float:
    if part.kind == "l_pad":
        series_ohm, shunt_ohm = l_pad_ohm(part.pad_db, rated_ohm)
        at = _series(panel, "resistor", ohms(series_ohm), at)
        return _shunt(panel, ["resistor"], [ohms(shunt_ohm), f"{figures.as_given(part.pad_db)} dB pad"], at)
    if part.kind == "zobel":
        return _shunt(panel, ["resistor", "capacitor"], [ohms(part.resistance_ohm), farads(part.capacitance_f)], at)
    place, _, element = part.kind.partition("_")
    values = [text for text, value in part_values(part) if value]
    if place == "series":
        return _series(panel, element, ", ".join(values), at)
    return _shunt(panel, [element], values, at)


def _series(panel: Axes, element: str, label: str, at: float) -> float:
    half = {"capacitor": 0.1, "inductor": 0.6, "resistor": 0.5}[element]
    middle = at + _STEP / 2.0
    _wires(panel, at, (_STEP / 2.0 - half, _STEP / 2.0 + half))
    if element == "capacitor":
        for x in (middle - half, middle + half):
            _line(panel, (x, _HIGH - 0.35), (x, _HIGH + 0.35))
    elif element == "resistor":
        panel.add_patch(Rectangle((middle - half, _HIGH - 0.18), 2 * half, 0.36, fill=False, edgecolor=INK))
    else:
        _loops(panel, middle - half, _HIGH, upright=False)
    _say(panel, middle, 1.62, label)
    return at + _STEP


def _loops(panel: Axes, x: float, y: float, *, upright: bool) -> None:
    """Four half circles in a row, from left to right or from top to bottom."""
    angle = np.linspace(0.0, math.pi, 20)
    radius = 0.15
    for loop in range(4):
        along = (2 * loop + 1) * radius - radius * np.cos(angle)
        off = radius * np.sin(angle)
        across = (x + off, y - along) if upright else (x + along, y + off)
        panel.plot(*across, **_WIRE)


def _shunt(panel: Axes, elements: list[str], labels: list[str], at: float) -> float:
    _wires(panel, at)
    x = at + 0.5
    top = _HIGH
    for place, element in enumerate(elements):
        centre = _MIDDLE if len(elements) == 1 else 0.45 - 0.9 * place
        half = {"capacitor": 0.1, "inductor": 0.6, "resistor": 0.4}[element]
        half = half if len(elements) == 1 or element == "capacitor" else 0.3
        _line(panel, (x, top), (x, centre + half))
        if element == "capacitor":
            for y in (centre - half, centre + half):
                _line(panel, (x - 0.35, y), (x + 0.35, y))
        elif element == "resistor":
            panel.add_patch(Rectangle((x - 0.18, centre - half), 0.36, 2 * half, fill=False, edgecolor=INK))
        else:
            _loops(panel, x, centre + half, upright=True)
        top = centre - half
    _line(panel, (x, top), (x, _LOW))
    for y in (_HIGH, _LOW):
        panel.add_patch(Circle((x, y), 0.06, facecolor=INK, edgecolor=INK))
    heights = [_MIDDLE] if len(labels) == 1 else [0.22, -0.22]
    for y, label in zip(heights, labels, strict=False):
        _say(panel, x + 0.45, y, label, beside=True)
    return at + _STEP


def _box(panel: Axes, at: float, lines: list[str]) -> float:
    width = 2.0 * _STEP
    _line(panel, (at, _HIGH), (at + 0.3, _HIGH))
    _line(panel, (at, _LOW), (at + 0.3, _LOW))
    panel.add_patch(Rectangle((at + 0.3, -1.25), width - 0.6, 2.5, fill=False, edgecolor=INK))
    _line(panel, (at + width - 0.3, _HIGH), (at + width, _HIGH))
    _line(panel, (at + width - 0.3, _LOW), (at + width, _LOW))
    for number, text in enumerate(lines):
        _say(panel, at + width / 2.0, 0.4 * (len(lines) - 1) / 2.0 - 0.4 * number, text)
    return at + width


def _alignment(panel: Axes, rig: Rig, at: float) -> float:
    crossover = rig.crossover
    if crossover.alignment != "none" and not is_active(rig):
        corner = f"order {crossover.order}, {figures.as_given(crossover.frequency_hz)} Hz"
        at = _box(panel, at, [crossover.alignment, corner])
    if crossover.pad_db:
        at = _box(panel, at, ["pad", f"{figures.as_given(crossover.pad_db)} dB"])
    return at


def _protection(panel: Axes, rig: Rig, at: float) -> float:
    part = rig.protection
    if part.kind == "none":
        return at
    middle = at + _STEP / 2.0
    _say(panel, middle, 1.72, f"{part.kind} {part.part or ''}".strip())
    if part.kind == "lamp":
        _wires(panel, at, (_STEP / 2.0 - 0.4, _STEP / 2.0 + 0.4))
        panel.add_patch(Circle((middle, _HIGH), 0.4, fill=False, edgecolor=INK))
        half = 0.4 / math.sqrt(2.0)
        for sign in (1.0, -1.0):
            _line(panel, (middle - half, _HIGH - sign * half), (middle + half, _HIGH + sign * half))
    elif part.kind in ("breaker", "relay"):
        _wires(panel, at, (_STEP / 2.0 - 0.5, _STEP / 2.0 + 0.5))
        _line(panel, (middle - 0.5, _HIGH), (middle + 0.45, _HIGH + 0.45))
    else:
        _wires(panel, at, None if part.kind == "fuse" else (_STEP / 2.0 - 0.5, _STEP / 2.0 + 0.5))
        panel.add_patch(Rectangle((middle - 0.5, _HIGH - 0.2), 1.0, 0.4, fill=False, edgecolor=INK))
        if part.kind == "resettable":
            _line(panel, (middle - 0.6, _HIGH - 0.4), (middle - 0.35, _HIGH - 0.4), (middle + 0.45, _HIGH + 0.4))
    return at + _STEP


def _driver(panel: Axes, rig: Rig, at: float) -> float:
    x = at + 0.5
    _line(panel, (at, _HIGH), (x, _HIGH), (x, 0.4))
    _line(panel, (at, _LOW), (x, _LOW), (x, -0.4))
    panel.add_patch(Rectangle((x - 0.18, -0.4), 0.36, 0.8, fill=False, edgecolor=INK))
    _line(panel, (x + 0.18, 0.25), (x + 0.6, 0.7), (x + 0.6, -0.7), (x + 0.18, -0.25))
    for y, label in zip((0.22, -0.22), drivers_label(rig), strict=True):
        _say(panel, x + 0.75, y, label, beside=True)
    return x + 2.6
