"""The parts of a passive network for the page's circuit: a title, a drawing and the values of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.chain.network import l_pad_ohm
from auditor.report import figures
from auditor.report.circuit_lines import farads, ohms, part_values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from auditor.network_parts import Network, NetworkPart

_BOTTOM = '<path d="M0 90H120"/>'
_ACROSS = '<path d="M0 30H120M0 90H120"/>'
_COIL = "a5 5 0 0 1 10 0" * 4  # four loops in a row, 40 long
_COIL_DOWN = "a5 5 0 0 1 0 10" * 4
_SERIES = {
    "capacitor": '<path d="M0 30H55M65 30H120M55 14V46M65 14V46"/>' + _BOTTOM,
    "inductor": f'<path d="M0 30H40{_COIL}H120"/>' + _BOTTOM,
    "resistor": '<path d="M0 30H38M82 30H120"/><rect x="38" y="21" width="44" height="18"/>' + _BOTTOM,
}
_SHUNT = {
    "capacitor": _ACROSS + '<path d="M60 30V55M60 65V90M44 55H76M44 65H76"/>',
    "inductor": _ACROSS + f'<path d="M60 30V40{_COIL_DOWN}V90"/>',
    "resistor": _ACROSS + '<path d="M60 30V42M60 78V90"/><rect x="51" y="42" width="18" height="36"/>',
}
_ZOBEL = _ACROSS + (
    '<path d="M60 30V34M60 58V68M60 76V90M44 68H76M44 76H76"/><rect x="51" y="34" width="18" height="24"/>'
)
_PAD = (
    '<path d="M0 30H20M60 30H120M0 90H120M84 30V42M84 78V90"/><rect x="20" y="22" width="40" height="16"/>'
    '<rect x="76" y="42" width="16" height="36"/>'
)


def network_cells(network: Network) -> Iterator[tuple[str, str, list[str]]]:
    """Title, drawing and lines of each part, in order from the amplifier."""
    for part in network.parts:
        yield _cell(part, network.rated_impedance_ohm)


def _cell(part: NetworkPart, rated_ohm: float) -> tuple[str, str, list[str]]:
    if part.kind == "l_pad":
        series_ohm, shunt_ohm = l_pad_ohm(part.pad_db, rated_ohm)
        resistors = f"{ohms(series_ohm)}, {ohms(shunt_ohm)}"
        return "L-pad", _PAD, [f"{figures.as_given(part.pad_db)} dB", resistors]
    if part.kind == "zobel":
        return "Zobel", _ZOBEL, [ohms(part.resistance_ohm), farads(part.capacitance_f)]
    place, _, element = part.kind.partition("_")
    drawing = (_SERIES if place == "series" else _SHUNT)[element]
    title = f"{element.capitalize()} {'in series' if place == 'series' else 'across'}"
    return title, drawing, [text for text, value in part_values(part) if value]
