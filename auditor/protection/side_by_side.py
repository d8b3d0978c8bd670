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
from auditor.protection.series_part import driver_constants
from auditor.protection.thermal_element import (
    TRACES,
    ThermalElement,
    all_rates,
    finished,
    first_of_lines,
    resistance_and_ageing,
    started,
    steps_in_frame,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Run, ThermalState

_MOST = 4  # runs in one loop; more would crowd the processor's registers
# What the loop keeps of every run, column after column in one buffer: of arrays of their own the compiler could not
# tell that they do not overlap.
P, C, B, AGE, V = range(5)  # part, coil and body at present, share of life used, and voltage
PP, CC, BB = range(5, 8)  # part, coil and body where rates are asked for
S1, S2, S3, S4, S5 = range(8, 13)  # sums of rates
STEPS, DT, SQUARES, ENERGY, OPEN = range(13, 18)
_SIZE = 18


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
        (
            np.concatenate([lane.element.lines for lane in lanes]),
            np.cumsum(lengths) - lengths,
            np.array([lane.element.last_row for lane in lanes]),
        ),
        np.array([lane.element.fails_at_k for lane in lanes]),
        driver_constants(network),
        states,
        traces,
        failed,
    )
    runs = []
    for k, lane in enumerate(lanes):
        at_frame, destroyed = int(failed[k]), lane.destroyed
        done = finished(lane.element, network, frame_s, states[k], traces[k], failed=at_frame, destroyed=destroyed)
        runs.append(done if lane.has_filament else replace(done, filament_temp_k=None))
    return runs


# None of these within `_stepper`: what refers to a function made there would be compiled anew in every run of the
# program. `n` is the count of runs.


@compiled(error_model="numpy")
def _rates(w, n, k, parts, driver, part_k, coil_c, body_c):  # type: ignore[no-untyped-def]
    """Those of one run, at these temperatures."""
    lines, first_rows, last_rows = parts
    return all_rates((lines, first_rows[k], last_rows[k]), driver, w[V * n + k], None, part_k, coil_c, body_c)


@compiled(error_model="numpy")
def _aim(w, n, k, h, part, coil, body):  # type: ignore[no-untyped-def]
    """Where rates are asked for next: from the present along these rates for a time."""
    w[PP * n + k], w[CC * n + k], w[BB * n + k] = (
        w[P * n + k] + h * part,
        w[C * n + k] + h * coil,
        w[B * n + k] + h * body,
    )


@compiled(error_model="numpy")
def _begin(w, n, voltage, frame_s, parts, driver):  # type: ignore[no-untyped-def]
    """A frame's voltage, its first rates, and its steps; the most steps of any run."""
    most = 1
    for k in range(n):
        w[V * n + k] = 0.0 if w[OPEN * n + k] > 0.0 else voltage
        w[SQUARES * n + k], w[ENERGY * n + k] = 0.0, 0.0
        steps = steps_in_frame(driver, _first_rates(w, n, k, parts, driver), frame_s)
        w[STEPS * n + k] = steps
        most = max(most, steps)
    return most


@compiled(error_model="numpy")
def _first_rates(w, n, k, parts, driver):  # type: ignore[no-untyped-def]
    """Rates where a step begins; the part's speed."""
    part, coil, body, square, power, speed = _rates(w, n, k, parts, driver, w[P * n + k], w[C * n + k], w[B * n + k])
    w[S1 * n + k], w[S2 * n + k], w[S3 * n + k], w[S4 * n + k], w[S5 * n + k] = part, coil, body, square, power
    return speed


@compiled(error_model="numpy")
def _first_stage(w, n, step, most, frame_s, parts, driver):  # type: ignore[no-untyped-def]
    for k in range(n):
        w[DT * n + k] = frame_s
        if most > 1:  # seldom: so that most frames need not wait for the speed to be known
            # A run that needs fewer steps stands still for the rest.
            w[DT * n + k] = frame_s / w[STEPS * n + k] if step < w[STEPS * n + k] else 0.0
        if step > 0:
            _first_rates(w, n, k, parts, driver)
        _aim(w, n, k, w[DT * n + k] / 2.0, w[S1 * n + k], w[S2 * n + k], w[S3 * n + k])


@compiled(error_model="numpy")
def _middle_stage(w, n, share, parts, driver):  # type: ignore[no-untyped-def]
    for k in range(n):
        at = w[PP * n + k], w[CC * n + k], w[BB * n + k]
        part, coil, body, square, power, _ = _rates(w, n, k, parts, driver, *at)
        w[S1 * n + k] += 2.0 * part
        w[S2 * n + k] += 2.0 * coil
        w[S3 * n + k] += 2.0 * body
        w[S4 * n + k] += 2.0 * square
        w[S5 * n + k] += 2.0 * power
        _aim(w, n, k, w[DT * n + k] * share, part, coil, body)


@compiled(error_model="numpy")
def _last_stage(w, n, parts, driver):  # type: ignore[no-untyped-def]
    for k in range(n):
        at = w[PP * n + k], w[CC * n + k], w[BB * n + k]
        part, coil, body, square, power, _ = _rates(w, n, k, parts, driver, *at)
        s = w[DT * n + k] / 6.0
        w[P * n + k] += s * (w[S1 * n + k] + part)
        w[C * n + k] += s * (w[S2 * n + k] + coil)
        w[B * n + k] += s * (w[S3 * n + k] + body)
        w[SQUARES * n + k] += s * (w[S4 * n + k] + square)
        w[ENERGY * n + k] += s * (w[S5 * n + k] + power)


@compiled(error_model="numpy")
def _melt(w, n, step, frame, fails_at_k, failed):  # type: ignore[no-untyped-def]
    for k in range(n):
        if w[P * n + k] >= fails_at_k[k] and step < w[STEPS * n + k]:
            w[P * n + k] = fails_at_k[k]  # it melts here, and what would heat it further is cut off
            w[V * n + k] = 0.0
            if w[OPEN * n + k] == 0.0:
                failed[k], w[OPEN * n + k] = frame, 1.0


@compiled(error_model="numpy")
def _end(w, n, frame, frame_s, parts, traces, failed):  # type: ignore[no-untyped-def]
    """Age the parts by a frame, and note what it came to."""
    lines, first_rows, last_rows = parts
    for k in range(n):
        at = first_of_lines(first_rows[k], last_rows[k], w[P * n + k])
        resistance, ageing = resistance_and_ageing(lines, at, w[P * n + k])
        w[AGE * n + k] += ageing * frame_s
        if w[AGE * n + k] >= 1.0 and w[OPEN * n + k] == 0.0:
            failed[k], w[OPEN * n + k] = frame, 1.0
        if w[OPEN * n + k] > 0.0:
            w[AGE * n + k] = max(w[AGE * n + k], 1.0)
        traces[k, 0, frame] = math.sqrt(w[SQUARES * n + k] / frame_s)
        traces[k, 1, frame] = w[C * n + k]
        traces[k, 2, frame] = w[B * n + k]
        traces[k, 3, frame] = resistance
        traces[k, 4, frame] = w[ENERGY * n + k] / frame_s
        traces[k, 5, frame] = w[P * n + k]


@functools.cache
def _stepper(n: int) -> Any:
    """The loop for a count of runs, which is a constant to the compiler."""

    @compiled(error_model="numpy")
    def frames(source, frame_s, parts, fails_at_k, driver, states, traces, failed):  # type: ignore[no-untyped-def]
        w = np.zeros(_SIZE * n)
        for k in range(n):
            w[P * n + k], w[C * n + k], w[B * n + k], w[AGE * n + k] = states[k]
            if w[AGE * n + k] >= 1.0:
                failed[k], w[OPEN * n + k] = 0, 1.0
        for frame in range(len(source)):
            most = _begin(w, n, np.float64(source[frame]), frame_s, parts, driver)
            for step in range(most):
                _first_stage(w, n, step, most, frame_s, parts, driver)
                for share in (0.5, 1.0):  # of a step, up to where the next rates are asked for
                    _middle_stage(w, n, share, parts, driver)
                _last_stage(w, n, parts, driver)
                _melt(w, n, step, frame, fails_at_k, failed)
            _end(w, n, frame, frame_s, parts, traces, failed)
        for k in range(n):
            states[k, 0], states[k, 1], states[k, 2], states[k, 3] = (
                w[P * n + k],
                w[C * n + k],
                w[B * n + k],
                w[AGE * n + k],
            )

    return frames
