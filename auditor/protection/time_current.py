"""A part that opens after a time that depends on the current: fuses and thermal breakers.

A curve is a line through points of current and time, straight in logarithms; below its first current the part holds for
ever, beyond its last the melting integral I2 t stays what it is there. A programme's current varies, so

    damage = sum dt / t_open(I)

frame by frame, and the part opens where that reaches 1. The current is the frame's rms value, with the coil as warm as
it is; the part's own resistance is taken cold, for no maker prints how it grows.

Assumed, no source: below the holding current I_h the damage heals, as an element cools that is at its limit at I_h and
melts at a constant I2 t when heated fast, d(damage)/dt = -damage (1 - (I/I_h)^2) / tau, tau = I2 t / I_h^2. Without it
a fuse would blow after enough harmless peaks, an evening apart.

Every part is run twice, by the earliest and by the latest curve its tolerance allows; `Run` says which answers what.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.kernels import compiled
from auditor.protection.contract import Failure, Run, ThermalState
from auditor.protection.series_part import (
    advance,
    check_finite,
    current_square,
    driver_constants,
    row_of,
    rows_of,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.published.protective_parts import Gate

# A current this little below the curve's first still counts as on it: sources are in single precision.
_ON_THE_CURVE = 1e-6
_NO_TIME_S = 1e-9


@dataclass(frozen=True, kw_only=True)
class Curve:
    """Currents [A], rising, and the times [s] after which each opens the part."""

    current_a: tuple[float, ...]
    time_s: tuple[float, ...]

    @property
    def holding_a(self) -> float:
        """Current below which the part never opens [A]."""
        return self.current_a[0]

    @property
    def melting_i2t_a2s(self) -> float:
        """Melting integral of fast pulses [A2 s]."""
        return self.current_a[-1] ** 2 * self.time_s[-1]

    @property
    def memory_s(self) -> float:
        """How long heat stays in the part [s]; see the module's notes."""
        return self.melting_i2t_a2s / self.holding_a**2

    def logs(self) -> NDArray[np.float64]:
        """Logarithms of currents and times, shape=(2, n)."""
        return np.log(np.array([self.current_a, self.time_s]))

    def opening_time_s(self, current_a: float) -> float:
        """Time to open at a steady current [s], infinite below the holding current."""
        rate = float(_opening_rate(self.logs(), current_a))
        return 1.0 / rate if rate > 0.0 else math.inf


def between_gates(gates: tuple[Gate, ...], rating_a: float) -> tuple[Curve, Curve]:
    """Earliest and latest curve through printed gates, which are stated over the rating."""
    early = [(ratio, least_s) for ratio, least_s, _ in gates if least_s is not None]
    late = [(ratio, most_s) for ratio, _, most_s in gates if most_s is not None]
    earliest, latest = (
        Curve(current_a=tuple(ratio * rating_a for ratio, _ in points), time_s=tuple(time_s for _, time_s in points))
        for points in (early, late)
    )
    return earliest, latest


@dataclass(frozen=True, kw_only=True)
class TimeCurrentPart:
    """A part with its two curves.

    Parameters
    ----------
    earliest, latest : Curve
    resistance_ohm : float
        Of the closed part [ohm].
    recloses_after_s : float
        Infinite for one that stays open [s].
    rating_a : float
        Rated current [A].
    destroyed : str
        What must be replaced after it opened, in words; empty for a part that can be closed again.
    """

    earliest: Curve
    latest: Curve
    resistance_ohm: float
    rating_a: float
    recloses_after_s: float = math.inf
    destroyed: str = ""


@dataclass(frozen=True, kw_only=True)
class _Pass:
    """One way through a stretch: traces, and what the part did."""

    traces: NDArray[np.float32]
    is_open: NDArray[np.bool_]
    trips: int
    opens_at_s: float | None
    damage_ratio: float
    state: tuple[float, ...]


def run(
    part: TimeCurrentPart,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None,
    division: Division | None = None,
) -> Run:
    """Co-simulate part and driver by both curves.

    Parameters
    ----------
    part : TimeCurrentPart
    network : CoilNetwork
    source_rms_v : ndarray [shape=(frames,)]
        Voltage of the HF branch into part and driver [V rms].
    frame_s : float
        Frame length [s].
    start : ThermalState or None
        Its `part` is the earliest way's coil and body [C], damage and time until it closes [s], then the latest way's
        damage and time. None starts with everything at ambient and a new part.
    division : Division or None
        How part and driver divide each frame, where that depends on frequency.
    """
    if start is None:
        start = ThermalState(coil_temp_c=network.ambient_temp_c, body_temp_c=network.ambient_temp_c)
    temps_c = (start.coil_temp_c, start.body_temp_c)
    state = start.part or (*temps_c, 0.0, 0.0, 0.0, 0.0)
    source = np.ascontiguousarray(source_rms_v, dtype=np.float32)
    rows = rows_of(division)
    early = _pass(part, part.earliest, network, source, rows, frame_s, state[:4])
    late = _pass(part, part.latest, network, source, rows, frame_s, (*temps_c, *state[4:]))
    voltage, coil, body, power = late.traces
    is_lost = bool(part.destroyed) and early.opens_at_s is not None
    return Run(
        frame_s=frame_s,
        driver_voltage_rms_v=voltage,
        coil_temp_c=coil,
        body_temp_c=body,
        protection_resistance_ohm=np.full(len(source), part.resistance_ohm, dtype=np.float32),
        protection_power_w=power,
        cold_resistance_ohm=part.resistance_ohm,
        network=network,
        division=division,
        filament_temp_k=None,
        life_used_ratio=early.damage_ratio if part.destroyed else 0.0,
        failure=_failure(part, network, source, rows, frame_s, early) if is_lost else None,
        muted=early.is_open,
        trips=early.trips,
        replace=(part.destroyed,) if is_lost else (),
        opens_at_s=(early.opens_at_s, late.opens_at_s),
        end=ThermalState(coil_temp_c=late.state[0], body_temp_c=late.state[1], part=(*early.state, *late.state[2:])),
    )


def _failure(
    part: TimeCurrentPart,
    network: CoilNetwork,
    source: NDArray[np.float32],
    rows: NDArray[np.float32] | None,
    frame_s: float,
    early: _Pass,
) -> Failure:
    """The current that opened it, with the coil as warm as it was in the frame before."""
    at_s = early.opens_at_s or 0.0
    frame = min(int(at_s / frame_s), len(source) - 1)
    coil_c = float(early.traces[1, max(frame - 1, 0)])
    row = None if rows is None else rows[frame]
    square = current_square(driver_constants(network), float(source[frame]), row, part.resistance_ohm, coil_c)
    current_a = math.sqrt(square)
    return Failure(at_s=at_s, value=current_a, limit=part.rating_a, unit="A")


def _pass(
    part: TimeCurrentPart,
    curve: Curve,
    network: CoilNetwork,
    source: NDArray[np.float32],
    rows: NDArray[np.float32] | None,
    frame_s: float,
    start: tuple[float, ...],
) -> _Pass:
    state = np.array(start)
    traces = np.empty((4, len(source)), dtype=np.float32)
    is_open = np.zeros(len(source), dtype=np.bool_)
    was_open = state[3] > 0.0
    trips, opened_s, damage = _frames(
        source,
        rows,
        frame_s,
        curve.logs(),
        curve.memory_s,
        part.resistance_ohm,
        part.recloses_after_s,
        driver_constants(network),
        state,
        traces,
        is_open,
    )
    check_finite(state[:2])
    return _Pass(
        traces=traces,
        is_open=is_open,
        trips=trips,
        opens_at_s=0.0 if was_open else (opened_s if trips else None),
        damage_ratio=damage,
        state=tuple(float(value) for value in state),
    )


@compiled(error_model="numpy")
def _opening_rate(logs, current_a):  # type: ignore[no-untyped-def]
    """One over the time to open [1/s]; nought below the curve's first current."""
    if current_a <= 0.0:
        return 0.0
    current = math.log(current_a)
    if current < logs[0, 0] - _ON_THE_CURVE:
        return 0.0
    last = logs.shape[1] - 1
    if current >= logs[0, last]:
        return math.exp(2.0 * (current - logs[0, last]) - logs[1, last])
    row = 0
    while row < last - 1 and current >= logs[0, row + 1]:
        row += 1
    slope = (logs[1, row + 1] - logs[1, row]) / (logs[0, row + 1] - logs[0, row])
    return math.exp(-logs[1, row] - slope * (current - logs[0, row]))


@compiled(error_model="numpy")
def _frames(  # type: ignore[no-untyped-def]
    source, rows, frame_s, logs, memory_s, resistance, recloses_after_s, driver, state, traces, is_open
):
    """Advance frame by frame; how often it opened, when first, and the largest damage."""
    coil_c, body_c, damage, closes_in_s = state
    holding_a = math.exp(logs[0, 0])
    trips, opened_s, largest = 0, 0.0, damage
    for frame in range(len(source)):
        voltage = np.float64(source[frame])
        row = row_of(rows, frame)
        conducts_s = frame_s
        if closes_in_s > 0.0:
            conducts_s = 0.0
            closes_in_s -= frame_s
            if closes_in_s < _NO_TIME_S:
                closes_in_s = 0.0
                damage = 0.0  # closed again, with a new life
        else:
            current = math.sqrt(current_square(driver, voltage, row, resistance, coil_c))
            rate = _opening_rate(logs, current)
            if rate > 0.0 and damage + rate * frame_s >= 1.0:
                conducts_s = (1.0 - damage) / rate
                damage = 1.0
                closes_in_s = max(recloses_after_s - (frame_s - conducts_s), _NO_TIME_S)
                if trips == 0:
                    opened_s = frame * frame_s + conducts_s
                trips += 1
            elif rate > 0.0:
                damage += rate * frame_s
            else:
                damage *= math.exp(min((current / holding_a) ** 2 - 1.0, 0.0) * frame_s / memory_s)
        largest = max(largest, damage)
        coil_c, body_c, squares, energy = advance(driver, voltage, row, resistance, coil_c, body_c, conducts_s)
        if conducts_s < frame_s:
            coil_c, body_c, _, _ = advance(driver, 0.0, row, resistance, coil_c, body_c, frame_s - conducts_s)
        is_open[frame] = closes_in_s > 0.0
        traces[0, frame] = math.sqrt(squares / frame_s)
        traces[1, frame] = coil_c
        traces[2, frame] = body_c
        traces[3, frame] = energy / frame_s
    state[0], state[1], state[2], state[3] = coil_c, body_c, damage, closes_in_s
    return trips, opened_s, largest
