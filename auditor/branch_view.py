"""The HF branch as a circuit and over frequency: what `auditor rig show` draws.

Response and impedance with the protective part cold, at the point where it begins to work (1 dB for pink noise as the
crossover passes it), and as hot as at its rating; the coil is at 20 C in all of them. A part that is closed or open
and does not grow with heat has one state.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.crossover import response
from auditor.chain.divider import series_circuit, steady_division
from auditor.chain.network import Ladder, Shape, audible_hz
from auditor.protection.filament import Filament
from auditor.protection.lamp import Lamp
from auditor.units import celsius_to_kelvin

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.rig import Rig

    Curve = NDArray[np.float64]

ENGAGES_AT_DB = 1.0  # the passages' own definition of a part at work
_MOST_OHM = 1e4


@dataclass(frozen=True, kw_only=True)
class BranchState:
    """The branch with the protective part at one resistance; arrays of shape=(n,).

    Parameters
    ----------
    name : str
        "cold", "engaged" or "hot"; "closed" for a part without such states, "bare" without one.
    resistance_ohm : float
        The part's [ohm].
    response_db : ndarray
        Voltage at the driver over that at the amplifier [dB].
    impedance_ohm, phase_deg : ndarray
        What the amplifier sees; of the part and the driver alone where the crossover is given by its alignment.
    corner_hz, loss_db : float
        Where the response is 3 dB under its highest point, nought where it is nowhere [Hz]; and the loss there [dB].
    """

    name: str
    resistance_ohm: float
    response_db: Curve
    impedance_ohm: Curve
    phase_deg: Curve
    corner_hz: float
    loss_db: float


@dataclass(frozen=True, kw_only=True)
class BranchView:
    """All that is drawn.

    Parameters
    ----------
    frequency_hz : ndarray [shape=(n,)]
    driver_ohm, driver_phase_deg : ndarray [shape=(n,)]
        The driver's own impedance, coil at 20 C.
    states : tuple of BranchState
    lowest_ohm, lowest_hz : float
        Least impedance that the amplifier sees in any state [ohm], and where [Hz].
    """

    rig: Rig
    frequency_hz: Curve
    driver_ohm: Curve
    driver_phase_deg: Curve
    states: tuple[BranchState, ...]
    lowest_ohm: float
    lowest_hz: float


def view(rig: Rig, *, frequency_hz: Curve | None = None) -> BranchView:
    """Work out the branch of a rig at these frequencies [Hz], 20 Hz to 20 kHz where none are given."""
    at_hz = audible_hz() if frequency_hz is None else frequency_hz
    _, driver = series_circuit(rig, at_hz)
    states = tuple(_state(rig, at_hz, name, ohm) for name, ohm in _resistances(rig))
    lowest = min(states, key=lambda state: float(state.impedance_ohm.min()))
    least = int(np.argmin(lowest.impedance_ohm))
    return BranchView(
        rig=rig,
        frequency_hz=at_hz,
        driver_ohm=np.abs(driver),
        driver_phase_deg=np.degrees(np.angle(driver)),
        states=states,
        lowest_ohm=float(lowest.impedance_ohm[least]),
        lowest_hz=float(at_hz[least]),
    )


def _resistances(rig: Rig) -> list[tuple[str, float]]:
    """States of the protective part and its resistance in each [ohm]."""
    part = rig.protection
    if not isinstance(part, Lamp):
        ohm = getattr(part, "cold_resistance_ohm", getattr(part, "resistance_ohm", 0.0))
        return [("bare" if part.kind == "none" else "closed", float(ohm))]
    ambient_k = celsius_to_kelvin(rig.site.ambient_temp_c)
    filament = Filament.from_lamp(part, ambient_k)
    spread = part.series_count / part.parallel_count
    cold_ohm = float(filament.resistance_ohm(ambient_k)) * spread
    hot_ohm = part.design_voltage_v / part.design_current_a * spread
    return [("cold", cold_ohm), ("engaged", _engaged_ohm(rig, cold_ohm)), ("hot", hot_ohm)]


def _engaged_ohm(rig: Rig, cold_ohm: float) -> float:
    """Resistance that takes a decibel more than the cold lamp, of pink noise as the crossover passes it [ohm]."""
    division = steady_division(rig)
    one, nought = np.ones(1), np.zeros(1)

    def driver_v(part_ohm: float) -> float:
        return float(division.divide(one, np.array([part_ohm]), nought)[1][0])

    wanted_v = driver_v(cold_ohm) * 10.0 ** (-ENGAGES_AT_DB / 20.0)
    low_ohm, high_ohm = cold_ohm, _MOST_OHM
    for _ in range(60):
        middle_ohm = math.sqrt(low_ohm * high_ohm)
        low_ohm, high_ohm = (middle_ohm, high_ohm) if driver_v(middle_ohm) > wanted_v else (low_ohm, middle_ohm)
    return math.sqrt(low_ohm * high_ohm)


def _state(rig: Rig, frequency_hz: Curve, name: str, resistance_ohm: float) -> BranchState:
    source_ohm, driver_ohm = series_circuit(rig, frequency_hz)
    loop_ohm = source_ohm + driver_ohm
    transfer = response(rig.crossover, frequency_hz) * loop_ohm / (loop_ohm + resistance_ohm)
    load_ohm = driver_ohm + resistance_ohm
    network = rig.crossover.network
    seen_ohm = load_ohm
    if network is not None:
        ladder = Ladder.of(network.parts, frequency_hz, rated_impedance_ohm=network.rated_impedance_ohm)
        seen_ohm = ladder.input_impedance_ohm(load_ohm)
    shape = Shape.of(frequency_hz, transfer)
    return BranchState(
        name=name,
        resistance_ohm=resistance_ohm,
        response_db=20.0 * np.log10(np.maximum(np.abs(transfer), 1e-12)),
        impedance_ohm=np.abs(seen_ohm),
        phase_deg=np.degrees(np.angle(seen_ohm)),
        corner_hz=shape.corner_hz,
        loss_db=shape.loss_db,
    )
