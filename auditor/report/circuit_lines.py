"""The HF branch drawn in text: both wires from the amplifier to the driver, part by part.

Each part is a cell of six lines in plain ASCII, which every terminal and every mail shows alike; where the line is too
short for all of them the wires go on below. A part in series stands in the upper wire with its value over it, one
across stands between the wires with its value beside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.chain.network import l_pad_ohm
from auditor.report import figures

if TYPE_CHECKING:
    from collections.abc import Iterable

    from auditor.network_parts import NetworkPart
    from auditor.rig import Rig

_ROWS = 6
_TOP, _BOTTOM = 1, 5  # which rows the wires are in
_SIGNS = {"capacitor": "| |", "inductor": "mmmm", "resistor": "/\\/\\/"}
_ACROSS = {"capacitor": ("===", ""), "inductor": ("(", "("), "resistor": ("[]", "[]")}
_PART_SIGNS = {"lamp": "(X)", "fuse": "[--]", "breaker": "o/ o", "resettable": "[PTC]", "relay": "o/ o"}


def draw(rig: Rig, width: int) -> list[str]:
    """Lines of the drawing, none wider than `width`."""
    cells = list(_cells(rig))
    lines: list[str] = []
    row = _start("amp", "o")
    for number, cell in enumerate(cells):
        room = 0 if number == len(cells) - 1 else 3
        if len(row[_TOP]) + len(cell[_TOP]) + room > width and len(row[_TOP]) > len("   o--"):
            lines += [*_closed(row, " >"), ""]
            row = _start("", ">")
        row = [left + right for left, right in zip(row, cell, strict=True)]
    return [line.rstrip() for line in [*lines, *row]]


def is_active(rig: Rig) -> bool:
    """Whether the crossover stands before the amplifier, and so not in the circuit behind it."""
    return rig.amplifier.band == "hf" and rig.crossover.network is None and rig.crossover.alignment != "none"


def _start(name: str, sign: str) -> list[str]:
    row = [" " * 7] * _ROWS
    row[_TOP] = row[_BOTTOM] = f" {name:<3} {sign}-"
    return row


def _closed(row: list[str], sign: str) -> list[str]:
    return [line + sign if number in (_TOP, _BOTTOM) else line for number, line in enumerate(row)]


def _cells(rig: Rig) -> Iterable[list[str]]:
    network = rig.crossover.network
    if network is not None:
        for each in network.parts:
            yield from _network_part(each, network.rated_impedance_ohm)
    elif rig.crossover.alignment != "none" and not is_active(rig):
        corner = f"{figures.as_given(rig.crossover.frequency_hz)} Hz"
        yield _box(rig.crossover.alignment, f"order {rig.crossover.order}", corner)
    if network is None and rig.crossover.pad_db:
        yield _box("pad", f"{figures.as_given(rig.crossover.pad_db)} dB", "")
    part = rig.protection
    if part.kind != "none":
        yield _series(f"{part.kind} {part.part or ''}".strip(), _PART_SIGNS.get(part.kind, "[ ]"))
    yield _driver(rig)


def _network_part(part: NetworkPart, rated_ohm: float) -> Iterable[list[str]]:
    if part.kind == "l_pad":
        series_ohm, shunt_ohm = l_pad_ohm(part.pad_db, rated_ohm)
        yield _series(f"{ohms(series_ohm)}", _SIGNS["resistor"])
        yield _shunt(*_ACROSS["resistor"], ohms(shunt_ohm), f"{figures.as_given(part.pad_db)} dB pad")
        return
    if part.kind == "zobel":
        yield _shunt("[]", "===", ohms(part.resistance_ohm), farads(part.capacitance_f))
        return
    place, _, element = part.kind.partition("_")
    values = [text for text, value in part_values(part) if value]
    if place == "series":
        yield _series(", ".join(values), _SIGNS[element])
    else:
        yield _shunt(*_ACROSS[element], *[*values, "", ""][:2])


def part_values(part: NetworkPart) -> list[tuple[str, float]]:
    """What a part is marked with, each with its value."""
    return [
        (farads(part.capacitance_f), part.capacitance_f),
        (henries(part.inductance_h), part.inductance_h),
        (ohms(part.resistance_ohm), part.resistance_ohm),
    ]


def farads(capacitance_f: float) -> str:
    """A capacitance as it is printed on a part."""
    return f"{capacitance_f * 1e6:.3g} uF"


def henries(inductance_h: float) -> str:
    """An inductance as it is printed on a part."""
    return f"{inductance_h * 1e3:.3g} mH"


def ohms(resistance_ohm: float) -> str:
    """A resistance in three figures."""
    return f"{resistance_ohm:.3g} ohm"


def _series(label: str, sign: str) -> list[str]:
    width = max(len(label), len(sign)) + 2
    blank = " " * width
    lines = [blank] * _ROWS
    lines[0] = f"{label:^{width}}"
    lines[_TOP] = f"{sign:-^{width}}"
    lines[_BOTTOM] = "-" * width
    return lines


def _shunt(upper: str, lower: str, first: str, second: str) -> list[str]:
    lower = lower or "|"
    width = 5 + max(len(first), len(second)) + 1
    lines = [" " * width] * _ROWS
    lines[_TOP] = lines[_BOTTOM] = f"{'--+':<3}".ljust(width, "-")
    lines[2] = f"{_at_the_wire(upper)} {first}".ljust(width)
    lines[3] = f"{_at_the_wire(lower)} {second}".ljust(width)
    lines[4] = "  |".ljust(width)
    return lines


def _at_the_wire(sign: str) -> str:
    return f"{sign:^5}" if len(sign) % 2 else f" {sign} "[:5].ljust(5)


def _box(first: str, second: str, third: str) -> list[str]:
    inner = max(len(first), len(second), len(third)) + 2
    edge = "+" + "-" * inner + "+"
    lines = [f" {edge} ", f"-|{first:^{inner}}|-", f" |{second:^{inner}}| ", f" |{third:^{inner}}| "]
    return [*lines, f" |{'':{inner}}| ", f"-{edge}-"]


def drivers_label(rig: Rig) -> tuple[str, str]:
    """What is written beside the driver: how many there are, and what they are rated together."""
    driver = rig.driver
    count = driver.series_count * driver.parallel_count
    name = "HF driver" if count == 1 else f"{count} HF drivers"
    rated = f"rated {figures.as_given(driver.branch_impedance_ohm)} ohm"
    return name, rated if count == 1 else f"{rated} together"


def _driver(rig: Rig) -> list[str]:
    name, rated = drivers_label(rig)
    width = 8 + max(len(name), len(rated))
    lines = [" " * width] * _ROWS
    lines[_TOP] = lines[_BOTTOM] = "--+".ljust(width)
    lines[2] = f" [|]/ {name}".ljust(width)
    lines[3] = f" [|]\\ {rated}".ljust(width)
    lines[4] = "  |".ljust(width)
    return lines
