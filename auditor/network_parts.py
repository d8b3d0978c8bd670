"""A passive network as the rig file lists it: its parts in order, and the driver behind them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from auditor.driver.impedance import Impedance

PartKind = Literal[
    "series_capacitor",
    "series_inductor",
    "series_resistor",
    "shunt_capacitor",
    "shunt_inductor",
    "shunt_resistor",
    "zobel",
    "l_pad",
]


@dataclass(frozen=True, kw_only=True)
class NetworkPart:
    """One part of a passive network; what its kind does not have is nought."""

    kind: PartKind
    resistance_ohm: float = 0.0
    inductance_h: float = 0.0
    capacitance_f: float = 0.0
    pad_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Network:
    """A passive network by its parts, in order from the amplifier, and what stands behind it.

    Parameters
    ----------
    parts : tuple of NetworkPart
    rated_impedance_ohm : float
        Of the drivers on the branch together, which an L-pad is made for [ohm].
    impedance : Impedance or None
        Of one driver over frequency; None where it is the rated one at every frequency.
    drivers_ratio : float
        What several of them together have over one: those in series over those in parallel.
    """

    parts: tuple[NetworkPart, ...]
    rated_impedance_ohm: float
    impedance: Impedance | None
    drivers_ratio: float = 1.0
