"""Several runs of `thermal_element` on one voltage, each with a part and a driver of its own: the same, and quicker.

One run spends most of its time waiting, each step for the one before. Runs that have nothing to do with each other fill
that time: frame by frame all of them are advanced together, stage by stage of the Runge-Kutta rule. The arithmetic is
that of `thermal_element`, operation by operation, so every run comes out the same to the last bit
(`tests/stages/test_side_by_side.py`).
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.kernels import compiled
from auditor.protection.series_part import STEP_SHARE, driver_constants, driver_rates, driver_speed
from auditor.protection.thermal_element import (
    GRID_FROM_K,
    GRID_STEPS_PER_K,
    TRACES,
    ThermalElement,
    finished,
    started,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Run, ThermalState

_MOST = 4  # runs in one loop; more would crowd the processor's registers
_COLUMNS = 8  # of a part's table: four values, each with its rise to the next row


@dataclass(frozen=True, kw_only=True)
class Lane:
    """What one of the runs goes through.

    Parameters
    ----------
    element : ThermalElement
    destroyed : str
        As `thermal_element.run`.
    has_filament : bool
        Whether the part's temperature is that of a filament, to be told of.
    """

    element: ThermalElement
    destroyed: str = ""
    has_filament: bool = True


def run(
    lanes: Sequence[Lane],
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    starts: Sequence[ThermalState | None],
) -> list[Run]:
    """Co-simulate each part with a driver of its own; see `thermal_element.run`.

    Parameters
    ----------
    lanes : sequence of Lane
    network : CoilNetwork
        That of each driver.
    source_rms_v : ndarray [shape=(frames,)]
        Voltage into each part with its driver [V rms].
    frame_s : float
        Frame length [s].
    starts : sequence of (ThermalState or None)
        From which each goes.
    """
    source = np.ascontiguousarray(source_rms_v, dtype=np.float32)
    runs: list[Run] = []
    for first in range(0, len(lanes), _MOST):
        some = slice(first, first + _MOST)
        runs += _run(lanes[some], network, source, frame_s, starts[some])
    return runs


def _run(
    lanes: Sequence[Lane],
    network: CoilNetwork,
    source: NDArray[np.float32],
    frame_s: float,
    starts: Sequence[ThermalState | None],
) -> list[Run]:
    count = len(lanes)
    states = np.stack([started(lane.element, network, start) for lane, start in zip(lanes, starts, strict=True)])
    traces = np.empty((count, TRACES, len(source)), dtype=np.float32)
    failed = np.full(count, -1, dtype=np.int64)
    lengths = np.array([len(lane.element.table) for lane in lanes])
    _stepper(count)(
        source,
        frame_s,
        np.concatenate([_with_rises(lane.element.table) for lane in lanes]).reshape(-1),
        np.cumsum(lengths) - lengths,
        lengths - 2,
        np.array([lane.element.fails_at_k for lane in lanes]),
        driver_constants(network),
        states,
        traces,
        failed,
    )
    return [_finished(lanes[k], network, frame_s, states[k], traces[k], failed=int(failed[k])) for k in range(count)]


def _finished(
    lane: Lane,
    network: CoilNetwork,
    frame_s: float,
    state: NDArray[np.float64],
    traces: NDArray[np.float32],
    *,
    failed: int,
) -> Run:
    done = finished(lane.element, network, frame_s, state, traces, failed=failed, destroyed=lane.destroyed)
    return done if lane.has_filament else replace(done, filament_temp_k=None)


def _with_rises(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """Columns of a part's table, each followed by its rise to the next row."""
    rises = np.diff(table, axis=0, append=table[-1:])
    return np.stack([table, rises], axis=2).reshape(len(table), _COLUMNS)


@compiled(error_model="numpy")
def _look_up(w, at, share, lanes, table, first_rows, last_rows):  # type: ignore[no-untyped-def]
    """Rows of the parts' tables at the temperatures from column `at` on, into the seven columns from `share` on.

    Not within `_stepper`: what refers to a function made there would be compiled anew in every run of the program.
    """
    for k in range(lanes):
        position = (w[at + k] - GRID_FROM_K) * GRID_STEPS_PER_K
        row = min(max(int(position), 0), last_rows[k])
        i = (first_rows[k] + row) * _COLUMNS
        w[share + k] = position - row
        for column in range(6):
            w[share + (column + 1) * lanes + k] = table[i + column]


@functools.cache
def _stepper(lanes: int) -> Any:
    """The loop for a count of runs, which is a constant to the compiler.

    Everything stands in one buffer, column after column: of arrays of their own the compiler could not tell that they
    do not overlap.
    """
    P, C, B, AGE, V = (lanes * column for column in range(5))  # present state, and voltage
    PP, CC, BB = (lanes * column for column in range(5, 8))  # where rates are asked for
    SHARE, R, DR, K, DK, Q, DQ = (lanes * column for column in range(8, 15))  # row of the table
    S1, S2, S3, S4, S5 = (lanes * column for column in range(15, 20))  # sums of rates
    STEPS, DT, SQUARES, ENERGY, OPEN = (lanes * column for column in range(20, 25))
    size = 25 * lanes

    @compiled(error_model="numpy")
    def frames(source, frame_s, table, first_rows, last_rows, fails_at_k, driver, states, traces, failed):  # type: ignore[no-untyped-def]
        w = np.zeros(size)
        speed = driver_speed(driver)
        for k in range(lanes):
            w[P + k], w[C + k], w[B + k], w[AGE + k] = states[k, 0], states[k, 1], states[k, 2], states[k, 3]
            if states[k, 3] >= 1.0:
                failed[k] = 0
                w[OPEN + k] = 1.0
        for frame in range(len(source)):
            _look_up(w, P, SHARE, lanes, table, first_rows, last_rows)
            most = 1.0
            for k in range(lanes):
                w[V + k] = 0.0 if w[OPEN + k] > 0.0 else np.float64(source[frame])
                resistance = w[R + k] + w[SHARE + k] * w[DR + k]
                capacity = w[K + k] + w[SHARE + k] * w[DK + k]
                loss = w[Q + k] + w[SHARE + k] * w[DQ + k]
                _, _, _, power = driver_rates(driver, w[V + k], None, resistance, w[C + k], w[B + k])
                rate = 4.0 * max(power, loss) / (capacity * w[P + k])
                w[STEPS + k] = 1.0 + math.floor(frame_s * max(rate, speed) / STEP_SHARE)
                w[SQUARES + k] = 0.0
                w[ENERGY + k] = 0.0
                most = max(most, w[STEPS + k])
            for step in range(int(most)):
                if step > 0:
                    _look_up(w, P, SHARE, lanes, table, first_rows, last_rows)
                for k in range(lanes):
                    # A run that needs fewer steps stands still for the rest.
                    w[DT + k] = frame_s / w[STEPS + k] if step < w[STEPS + k] else 0.0
                    resistance = w[R + k] + w[SHARE + k] * w[DR + k]
                    capacity = w[K + k] + w[SHARE + k] * w[DK + k]
                    loss = w[Q + k] + w[SHARE + k] * w[DQ + k]
                    coil, body, square, power = driver_rates(driver, w[V + k], None, resistance, w[C + k], w[B + k])
                    part = (power - loss) / capacity
                    w[S1 + k], w[S2 + k], w[S3 + k], w[S4 + k], w[S5 + k] = part, coil, body, square, power
                    h = w[DT + k] / 2.0
                    w[PP + k], w[CC + k], w[BB + k] = w[P + k] + h * part, w[C + k] + h * coil, w[B + k] + h * body
                for stage in range(2):
                    _look_up(w, PP, SHARE, lanes, table, first_rows, last_rows)
                    for k in range(lanes):
                        resistance = w[R + k] + w[SHARE + k] * w[DR + k]
                        capacity = w[K + k] + w[SHARE + k] * w[DK + k]
                        loss = w[Q + k] + w[SHARE + k] * w[DQ + k]
                        coil, body, square, power = driver_rates(
                            driver, w[V + k], None, resistance, w[CC + k], w[BB + k]
                        )
                        part = (power - loss) / capacity
                        w[S1 + k] += 2.0 * part
                        w[S2 + k] += 2.0 * coil
                        w[S3 + k] += 2.0 * body
                        w[S4 + k] += 2.0 * square
                        w[S5 + k] += 2.0 * power
                        h = w[DT + k] / 2.0 if stage == 0 else w[DT + k]
                        w[PP + k], w[CC + k], w[BB + k] = w[P + k] + h * part, w[C + k] + h * coil, w[B + k] + h * body
                _look_up(w, PP, SHARE, lanes, table, first_rows, last_rows)
                for k in range(lanes):
                    resistance = w[R + k] + w[SHARE + k] * w[DR + k]
                    capacity = w[K + k] + w[SHARE + k] * w[DK + k]
                    loss = w[Q + k] + w[SHARE + k] * w[DQ + k]
                    coil, body, square, power = driver_rates(driver, w[V + k], None, resistance, w[CC + k], w[BB + k])
                    s = w[DT + k] / 6.0
                    w[P + k] += s * (w[S1 + k] + (power - loss) / capacity)
                    w[C + k] += s * (w[S2 + k] + coil)
                    w[B + k] += s * (w[S3 + k] + body)
                    w[SQUARES + k] += s * (w[S4 + k] + square)
                    w[ENERGY + k] += s * (w[S5 + k] + power)
                for k in range(lanes):
                    if w[P + k] >= fails_at_k[k] and step < w[STEPS + k]:
                        w[P + k] = fails_at_k[k]  # it melts here, and what would heat it further is cut off
                        w[V + k] = 0.0
                        if w[OPEN + k] == 0.0:
                            failed[k] = frame
                            w[OPEN + k] = 1.0
            for k in range(lanes):
                position = (w[P + k] - GRID_FROM_K) * GRID_STEPS_PER_K
                row = min(max(int(position), 0), last_rows[k])
                share = position - row
                i = (first_rows[k] + row) * _COLUMNS
                w[AGE + k] += (table[i + 6] + share * table[i + 7]) * frame_s
                if w[AGE + k] >= 1.0 and w[OPEN + k] == 0.0:
                    failed[k] = frame
                    w[OPEN + k] = 1.0
                if w[OPEN + k] > 0.0:
                    w[AGE + k] = max(w[AGE + k], 1.0)
                traces[k, 0, frame] = math.sqrt(w[SQUARES + k] / frame_s)
                traces[k, 1, frame] = w[C + k]
                traces[k, 2, frame] = w[B + k]
                traces[k, 3, frame] = table[i] + share * table[i + 1]
                traces[k, 4, frame] = w[ENERGY + k] / frame_s
                traces[k, 5, frame] = w[P + k]
        for k in range(lanes):
            states[k, 0], states[k, 1], states[k, 2], states[k, 3] = w[P + k], w[C + k], w[B + k], w[AGE + k]

    return frames
