"""The passive network of the rig file: resolves ``[[crossover.parts]]``, and says what cannot work.

No signal passes here; what the network does is `auditor.chain.network`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from auditor.errors import Fault
from auditor.network_parts import Network, NetworkPart
from auditor.rig import Crossover
from auditor.rig_faults import PARTS
from auditor.rig_fields import shown

if TYPE_CHECKING:
    from auditor.driver.impedance import Impedance

# Below it an amplifier's output is shorted: no amplifier is rated for so little, and the rig file allows none that is.
SHORT_OHM = 0.5
_LOW_LOAD_RATIO = 0.5  # of the amplifier's rated load: half of it is what most are made for besides
_LIFT_DB = 3.0
_NOTHING_OHM = 0.1  # at a resonance without loss the figure is that of the nearest frequency looked at
_UNITS = {"capacitance_f": "F", "inductance_h": "H", "resistance_ohm": "ohm", "pad_db": "dB"}
# What each kind needs, and what it may have besides.
KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "series_capacitor": (("capacitance_f",), ()),
    "series_inductor": (("inductance_h",), ("resistance_ohm",)),
    "series_resistor": (("resistance_ohm",), ()),
    "shunt_capacitor": (("capacitance_f",), ()),
    "shunt_inductor": (("inductance_h",), ("resistance_ohm",)),
    "shunt_resistor": (("resistance_ohm",), ()),
    "zobel": (("resistance_ohm", "capacitance_f"), ()),
    "l_pad": (("pad_db",), ()),
}
_ALLOWED = {
    "capacitance_f": "1e-9 to 0.01 F",
    "inductance_h": "1e-6 to 0.2 H",
    "resistance_ohm": "0 to 10000 ohm",
    "pad_db": "0.1 to 60 dB",
}


def resolve_parts(
    given: Mapping[str, Mapping[str, Any]], crossover: Mapping[str, Any]
) -> tuple[tuple[NetworkPart, ...], list[str], list[Fault]]:
    """The parts in the order of the file, what was filled in, and what their values say that cannot be.

    Parameters
    ----------
    given : mapping
        Each part's sound values, by its number.
    crossover : mapping
        What else stands in ``[crossover]``.
    """
    faults = [
        Fault(key=f"crossover.{key}", what="the parts of the network already say this", hint="remove it, or the parts")
        for key in crossover
    ]
    if not given:
        faults.append(Fault(key=PARTS, what="no part at all", hint="or give alignment, order and frequency_hz"))
    parts, assumed = [], []
    for number, table in given.items():
        kind = table.get("kind")
        if kind is None:
            continue  # told already
        found = _part_faults(f"{PARTS}.{number}", kind, table)
        faults += found
        needed, optional = KEYS[kind]
        if not found and set(needed) <= table.keys():
            parts.append(NetworkPart(**table))
            assumed += [f"{PARTS}.{number}.{key}" for key in optional if key not in table]
    return tuple(parts), assumed, faults


def _part_faults(where: str, kind: str, table: Mapping[str, Any]) -> list[Fault]:
    needed, optional = KEYS[kind]
    faults = [
        Fault(
            key=f"{where}.{key}",
            what=f"a {kind} has no such thing",
            got=shown(table[key], unit=_UNITS[key]),
            hint=f"it has {' and '.join((*needed, *optional))}",
        )
        for key in table
        if key != "kind" and key not in (*needed, *optional)
    ]
    faults += [
        Fault(key=f"{where}.{key}", what=f"missing: a {kind} needs it", allowed=_ALLOWED[key])
        for key in needed
        if key not in table
    ]
    if kind.endswith("resistor") and table.get("resistance_ohm") == 0.0:
        what = "shorts the branch" if kind == "shunt_resistor" else "does nothing"
        faults.append(Fault(key=f"{where}.resistance_ohm", what=f"a {kind} of nought {what}", got="0 ohm"))
    return faults


def resolve_network(
    parts: tuple[NetworkPart, ...],
    *,
    rated_impedance_ohm: float,
    impedance: Impedance | None,
    drivers_ratio: float,
    rated_load_ohm: float,
    opens: bool,
) -> tuple[Crossover, list[Fault], list[str]]:
    """The crossover that a network of sound parts is, its faults as a whole, and what a reader should know.

    Parameters
    ----------
    parts : tuple of NetworkPart
    rated_impedance_ohm : float
        Of the drivers on the branch together [ohm].
    impedance : Impedance or None
        Of one driver over frequency.
    drivers_ratio : float
        Those in series over those in parallel.
    rated_load_ohm : float
        The amplifier's [ohm].
    opens : bool
        Whether what protects the driver may open the branch.
    """
    import numpy as np

    from auditor.chain.crossover import network_load_ohm, network_response
    from auditor.chain.network import Ladder, Shape, audible_hz

    network = Network(
        parts=parts, rated_impedance_ohm=rated_impedance_ohm, impedance=impedance, drivers_ratio=drivers_ratio
    )
    frequency_hz = audible_hz()
    shape = Shape.of(frequency_hz, network_response(network, frequency_hz))
    ladder = Ladder.of(parts, frequency_hz, rated_impedance_ohm=rated_impedance_ohm)
    loads = [np.abs(ladder.input_impedance_ohm(network_load_ohm(network, frequency_hz)))]
    loads += [np.abs(ladder.open_input_impedance_ohm)] if opens else []
    faults, notes = [], []
    for found_ohm, when in zip(loads, ("", "with the branch open behind it, as by a blown part, "), strict=False):
        at = int(np.argmin(found_ohm))
        text = f"{when}the amplifier sees {_low_ohm(found_ohm[at])} at {_round_hz(frequency_hz[at])} Hz"
        if found_ohm[at] < SHORT_OHM and not when:
            hint = "is a part in series where it should be across, or a value wrong by a thousand?"
            faults.append(
                Fault(key=PARTS, what=f"shorts the amplifier: {text}", allowed=f"{SHORT_OHM:g} ohm and more", hint=hint)
            )
        elif found_ohm[at] < _LOW_LOAD_RATIO * rated_load_ohm:
            notes.append(f"crossover: {text}, less than half of its rated load of {rated_load_ohm:g} ohm")
    if shape.loss_db < -_LIFT_DB:
        notes.append(f"crossover: with this driver the network gives up to {-shape.loss_db:.1f} dB more than it is fed")
    crossover = Crossover(
        alignment="parts" if shape.corner_hz else "none",
        order=0,
        frequency_hz=float(f"{shape.corner_hz:.4g}"),
        pad_db=round(shape.loss_db, 2),
        network=network,
    )
    return crossover, faults, notes


def _low_ohm(ohm: float) -> str:
    return f"{ohm:.2g} ohm" if ohm >= _NOTHING_OHM else f"less than {_NOTHING_OHM:g} ohm"


def _round_hz(frequency_hz: float) -> str:
    return f"{frequency_hz:.3g}" if frequency_hz < 1000.0 else f"{round(frequency_hz, -1):.0f}"
