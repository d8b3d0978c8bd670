"""A part whose resistance depends on its own temperature, in series with a voice coil, on a varying voltage.

    I = V / (R(T) + Z(T_c))
    C(T) dT/dt = I^2 R(T) - loss(T)            the part
    the two-stage network of `auditor.driver.coil`      the driver

The source voltage is constant within a frame. The three temperatures are advanced together by the classical
fourth-order Runge-Kutta rule, with as many steps in a frame as the part's speed calls for; voltage and power are
integrated over the frame with the same rule. `tests/stages/` holds it against `scipy.integrate.solve_ivp`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.kernels import compiled
from auditor.protection.contract import Failure, Run, ThermalState
from auditor.protection.series_part import (
    STEP_SHARE,
    check_finite,
    driver_constants,
    driver_rates,
    driver_speed,
    row_of,
    rows_of,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork

    Curve = Callable[[ArrayLike], NDArray[np.float64]]

GRID_FROM_K = 200.0
GRID_STEP_K = 5.0
GRID_STEPS_PER_K = 1.0 / GRID_STEP_K
TRACES = 6
LINE_VALUES = 8  # of a row: four lines


@dataclass(frozen=True, kw_only=True)
class ThermalElement:
    """The part's curves on an even grid of temperatures.

    table : ndarray [shape=(n, 4)]
        Columns: resistance [ohm], heat capacity [J/K], loss [W], ageing [1/s].
    """

    table: NDArray[np.float64]
    fails_at_k: float
    ambient_temp_k: float

    @classmethod
    def of(
        cls,
        *,
        resistance_ohm: Curve,
        heat_capacity_j_per_k: Curve,
        loss_w: Curve,
        ageing_per_s: Curve,
        fails_at_k: float,
        ambient_temp_k: float,
    ) -> ThermalElement:
        """Tabulate the curves from 200 K to a little beyond the temperature at which the part fails."""
        temp_k = np.arange(GRID_FROM_K, fails_at_k + 4 * GRID_STEP_K, GRID_STEP_K)
        columns = [curve(temp_k) for curve in (resistance_ohm, heat_capacity_j_per_k, loss_w, ageing_per_s)]
        return cls(table=np.stack(columns, axis=1), fails_at_k=fails_at_k, ambient_temp_k=ambient_temp_k)

    @property
    def lines(self) -> NDArray[np.float64]:
        """What the compiled loops take: of each row the straight lines that lead to the next one, one behind the other.

        Of each column where the line meets 0 K, and its rise for each kelvin.
        """
        rise = np.diff(self.table, axis=0, append=self.table[-1:]) / GRID_STEP_K
        grid_k = GRID_FROM_K + GRID_STEP_K * np.arange(len(self.table))
        return np.stack([self.table - rise * grid_k[:, None], rise], axis=2).reshape(-1)

    @property
    def last_row(self) -> int:
        """The row whose lines go on beyond the last."""
        return len(self.table) - 2

    @classmethod
    def wire(cls, ambient_temp_k: float) -> ThermalElement:
        """A plain wire of no resistance: the unprotected driver."""
        table = np.zeros((4, 4))
        table[:, 1] = 1.0  # some heat capacity, so that nothing divides by nought
        return cls(table=table, fails_at_k=math.inf, ambient_temp_k=ambient_temp_k)

    def resistance_at_ohm(self, temp_k: float) -> float:
        """Resistance read off the grid [ohm]."""
        grid_k = GRID_FROM_K + GRID_STEP_K * np.arange(len(self.table))
        return float(np.interp(temp_k, grid_k, self.table[:, 0]))


def run(
    element: ThermalElement,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None,
    division: Division | None = None,
    destroyed: str = "",
) -> Run:
    """Co-simulate part and driver.

    Parameters
    ----------
    element : ThermalElement
    network : CoilNetwork
    source_rms_v : ndarray [shape=(frames,)]
        Voltage of the HF branch into part and driver [V rms].
    frame_s : float
        Frame length [s].
    start : ThermalState or None
        None starts with everything at ambient and a new part.
    division : Division or None
        How part and driver divide each frame, where that depends on frequency.
    destroyed : str
        What must be replaced when it has failed, in words.
    """
    state = started(element, network, start)
    source = np.ascontiguousarray(source_rms_v, dtype=np.float32)
    traces = np.empty((TRACES, len(source)), dtype=np.float32)
    rows = rows_of(division)
    part = (element.lines, 0, element.last_row)
    failed = _frames(source, rows, frame_s, part, element.fails_at_k, driver_constants(network), state, traces)
    return finished(element, network, frame_s, state, traces, failed=failed, destroyed=destroyed, division=division)


def started(element: ThermalElement, network: CoilNetwork, start: ThermalState | None) -> NDArray[np.float64]:
    """State that the loops go from: part [K], coil [C], body [C], share of the part's life that is used."""
    if start is None:
        start = ThermalState(coil_temp_c=network.ambient_temp_c, body_temp_c=network.ambient_temp_c)
    part_k, age = start.part or (element.ambient_temp_k, 0.0)
    return np.array([part_k, start.coil_temp_c, start.body_temp_c, age])


def finished(
    element: ThermalElement,
    network: CoilNetwork,
    frame_s: float,
    state: NDArray[np.float64],
    traces: NDArray[np.float32],
    *,
    failed: int,
    destroyed: str,
    division: Division | None = None,
) -> Run:
    """What the loops have left, as a run; `failed` is the frame in which the part failed, or negative."""
    check_finite(state)
    voltage, coil, body, resistance, power, part_temp = traces
    return Run(
        frame_s=frame_s,
        driver_voltage_rms_v=voltage,
        coil_temp_c=coil,
        body_temp_c=body,
        protection_resistance_ohm=resistance,
        protection_power_w=power,
        cold_resistance_ohm=element.resistance_at_ohm(element.ambient_temp_k),
        network=network,
        division=division,
        filament_temp_k=part_temp,
        life_used_ratio=float(state[3]),
        failure=_failure(element, failed * frame_s, part_temp, float(state[3])) if failed >= 0 else None,
        replace=(destroyed,) if failed >= 0 and destroyed else (),
        end=ThermalState(
            coil_temp_c=float(state[1]), body_temp_c=float(state[2]), part=(float(state[0]), float(state[3]))
        ),
    )


def _failure(element: ThermalElement, at_s: float, part_k: NDArray[np.float32], age_ratio: float) -> Failure:
    hottest_k = float(part_k.max())
    if hottest_k >= element.fails_at_k:
        return Failure(at_s=at_s, value=hottest_k, limit=element.fails_at_k, unit="K")
    return Failure(at_s=at_s, value=age_ratio, limit=1.0, unit="life")


@compiled(error_model="numpy")
def first_of_lines(first_row, last_row, temp_k):  # type: ignore[no-untyped-def]
    """Where the lines of a part at a temperature begin; `first_row` is where the part's own begin."""
    row = min(max(int((temp_k - GRID_FROM_K) * GRID_STEPS_PER_K), 0), last_row)
    return (first_row + row) * LINE_VALUES


@compiled(error_model="numpy")
def curves(lines, at, temp_k):  # type: ignore[no-untyped-def]
    """Resistance [ohm], heat capacity [J/K] and loss [W] at a temperature, from the lines that begin at `at`."""
    # Single elements, not rows: a view of a row would cost more than the interpolation.
    return (
        lines[at] + temp_k * lines[at + 1],
        lines[at + 2] + temp_k * lines[at + 3],
        lines[at + 4] + temp_k * lines[at + 5],
    )


@compiled(error_model="numpy")
def resistance_and_ageing(lines, at, temp_k):  # type: ignore[no-untyped-def]
    """Resistance [ohm] and ageing [1/s]."""
    return lines[at] + temp_k * lines[at + 1], lines[at + 6] + temp_k * lines[at + 7]


@compiled(error_model="numpy")
def all_rates(part, driver, voltage, row, part_k, coil_c, body_c):  # type: ignore[no-untyped-def]
    """Rates of the three temperatures, terminal voltage squared, the part's power, and the part's speed [1/s].

    The speed is 4 P / (C T), for radiation goes with the fourth power of temperature.
    """
    lines, first_row, last_row = part
    resistance, capacity, loss = curves(lines, first_of_lines(first_row, last_row, part_k), part_k)
    coil_rate, body_rate, square, part_power = driver_rates(driver, voltage, row, resistance, coil_c, body_c)
    # The reciprocal is there before the power is, so that nothing waits for this division.
    part_rate = (part_power - loss) * (1.0 / capacity)
    return part_rate, coil_rate, body_rate, square, part_power, 4.0 * max(part_power, loss) / (capacity * part_k)


@compiled(error_model="numpy")
def steps_in_frame(driver, part_speed, frame_s):  # type: ignore[no-untyped-def]
    """As many steps as the fastest change of temperature in this frame calls for, in the part or in the driver."""
    return 1 + int(frame_s * max(part_speed, driver_speed(driver)) / STEP_SHARE)


@compiled(error_model="numpy")
def _step(part, driver, voltage, row, part_k, coil_c, body_c, a, dt):  # type: ignore[no-untyped-def]
    """One step from where the rates are `a`."""
    h = dt / 2.0
    b = all_rates(part, driver, voltage, row, part_k + h * a[0], coil_c + h * a[1], body_c + h * a[2])
    c = all_rates(part, driver, voltage, row, part_k + h * b[0], coil_c + h * b[1], body_c + h * b[2])
    d = all_rates(part, driver, voltage, row, part_k + dt * c[0], coil_c + dt * c[1], body_c + dt * c[2])
    s = dt / 6.0
    return (
        part_k + s * (a[0] + 2.0 * b[0] + 2.0 * c[0] + d[0]),
        coil_c + s * (a[1] + 2.0 * b[1] + 2.0 * c[1] + d[1]),
        body_c + s * (a[2] + 2.0 * b[2] + 2.0 * c[2] + d[2]),
        s * (a[3] + 2.0 * b[3] + 2.0 * c[3] + d[3]),
        s * (a[4] + 2.0 * b[4] + 2.0 * c[4] + d[4]),
    )


@compiled(error_model="numpy")
def _frames(source, rows, frame_s, part, fails_at_k, driver, state, traces):  # type: ignore[no-untyped-def]
    lines, first_row, last_row = part
    part_k, coil_c, body_c, age = state
    failed = -1
    if age >= 1.0:
        failed = 0
    for frame in range(len(source)):
        voltage = np.float64(source[frame]) if failed < 0 else 0.0
        row = row_of(rows, frame)
        rates = all_rates(part, driver, voltage, row, part_k, coil_c, body_c)
        steps = steps_in_frame(driver, rates[5], frame_s)
        dt = frame_s
        if steps > 1:  # seldom: so that most frames need not wait for the speed to be known
            dt = frame_s / steps
        squares = 0.0
        energy = 0.0
        for step in range(steps):
            if step > 0:
                rates = all_rates(part, driver, voltage, row, part_k, coil_c, body_c)
            part_k, coil_c, body_c, square, heat = _step(part, driver, voltage, row, part_k, coil_c, body_c, rates, dt)
            squares += square
            energy += heat
            if part_k >= fails_at_k:
                part_k = fails_at_k  # it melts here, and what would heat it further is cut off
                voltage = 0.0
                failed = frame if failed < 0 else failed
        resistance, ageing = resistance_and_ageing(lines, first_of_lines(first_row, last_row, part_k), part_k)
        age += ageing * frame_s
        if failed < 0 and age >= 1.0:
            failed = frame
        if failed >= 0:
            age = max(age, 1.0)  # a molten filament has no life left, and stays open on the next track
        traces[0, frame] = math.sqrt(squares / frame_s)
        traces[1, frame] = coil_c
        traces[2, frame] = body_c
        traces[3, frame] = resistance
        traces[4, frame] = energy / frame_s
        traces[5, frame] = part_k
    state[0], state[1], state[2], state[3] = part_k, coil_c, body_c, age
    return failed
