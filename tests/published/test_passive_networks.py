"""Passive high-pass networks from published design formulas, and L-pads of constant impedance."""

from __future__ import annotations

import functools

import numpy as np

from auditor import published
from auditor.chain.crossover import network_response
from auditor.chain.network import l_pad_ohm
from auditor.network_parts import Network, NetworkPart

from .oracle import Check, about, half_a_unit

LOAD_OHM, CORNER_HZ = 8.0, 3000.0
RATIO_DB = 0.05
WHY = "0.05 dB for constants printed in four digits, and half a unit of the response's last digit"


def network(constants: tuple[tuple[str, float], ...]) -> Network:
    """The ladder of those constants into 8 ohm for 3 kHz: capacitors in series, inductors across."""
    parts = [
        NetworkPart(kind="series_capacitor", capacitance_f=constant / (LOAD_OHM * CORNER_HZ))
        if element == "C"
        else NetworkPart(kind="shunt_inductor", inductance_h=constant * LOAD_OHM / CORNER_HZ)
        for element, constant in constants
    ]
    return Network(parts=tuple(parts), rated_impedance_ohm=LOAD_OHM, impedance=None)


def _level_db(constants: tuple[tuple[str, float], ...], ratio: float) -> float:
    transfer = network_response(network(constants), np.array([ratio * CORNER_HZ]))
    return float(20.0 * np.log10(np.abs(transfer[0])))


_LEVELS = {(alignment, order): row for alignment, order, row in published.HIGH_PASS_DB.value}
CHECKS: tuple[Check, ...] = tuple(
    about(
        printed,
        tolerance=RATIO_DB + half_a_unit(printed),
        why=WHY,
        subject="Passive network by its parts",
        quantity=f"{alignment} order {order} from {len(constants)} parts, level at {ratio:g} of the corner",
        record=published.HIGH_PASS_PARTS,
        unit="dB",
        scale="db",
        compute=functools.partial(_level_db, constants, ratio),
    )
    for alignment, order, constants in published.HIGH_PASS_PARTS.value
    for ratio, printed in zip(published.HIGH_PASS_AT.value, _LEVELS[alignment, order], strict=True)
) + tuple(
    about(
        printed,
        subject="L-pad of constant impedance",
        quantity=f"{pad_db:g} dB into 8 ohm, resistor {name}",
        record=published.L_PADS,
        unit="ohm",
        compute=functools.partial(lambda pad_db, place: l_pad_ohm(pad_db, 8.0)[place], pad_db, place),
    )
    for pad_db, *both in published.L_PADS.value
    for place, (name, printed) in enumerate(zip(("in series", "across"), both, strict=True))
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
