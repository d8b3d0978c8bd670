"""A self-resetting polymer part in series with a voice coil, on a varying voltage.

    C dT/dt = I^2 R(T) - G (T - Ta)
    R(T) = R_23 (T_0 - 23) / (T_0 - T)      up to the foot of the step
    R(T) = R_foot exp(s (T - T_foot))       from there

The current that a part just holds is the largest for which heat and loss can balance below the step. By its maker's
table that current falls in a straight line with the ambient, to nought at T_0 = 130 C; the hyperbola is the one curve
that gives this line, whatever the part. Its foot is where the table ends (85 C ambient). From there to the 125 C at
which a tripped part's surface is held, resistance grows to ten thousand times its cold value.

G follows from the power burnt tripped, or from the hold current where holding it takes more; C from the time to trip.
The temperature is the conductor's. Sources: `auditor.published.resettables`. Valid from -40 to 85 C ambient, and up to
the part's rated voltage; a part that has tripped is taken to come back to its cold resistance.

Not done by `thermal_element`, whose rows 5 K apart cannot hold a step of one decade in 5 K.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.kernels import compiled
from auditor.protection.series_part import (
    STEP_SHARE,
    check_finite,
    driver_impedance,
    driver_rates,
    driver_speed,
    row_of,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.protection.resettable import Resettable

RATING_C = published.RESETTABLE_RATING_C.value
NO_HOLD_C = published.RESETTABLE_NO_HOLD_C.value
SURFACE_C = published.RESETTABLE_SURFACE_C.value
# Held at an ambient Ta with nothing to spare, the part is at (T_0 + Ta) / 2.
FOOT_C = (NO_HOLD_C + published.RESETTABLE_HOLD_AT.value[-1][0]) / 2.0
_SPAN_K = NO_HOLD_C - RATING_C
_FOOT_RATIO = _SPAN_K / (NO_HOLD_C - FOOT_C)
_STEP_PER_K = math.log(published.RESETTABLE_STEP_RATIO.value / _FOOT_RATIO) / (SURFACE_C - FOOT_C)
_MOST_EXPONENT = 100.0  # far beyond what any voltage reaches; keeps the exponential finite
# Shorter steps than elsewhere: on the step the part runs away from its own rate.
_PART_SHARE = 0.1
_SHORTEST_SHARE = 1e-6  # of a frame, so that no step is nought
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
# A tripped part counts as an open branch where it takes 20 dB, and as closed again under 6 dB; our own definition.
OPEN_RATIO, CLOSED_RATIO = 9.0, 1.0


@dataclass(frozen=True, kw_only=True)
class Polymer:
    """One part, of one cold resistance within its tolerance."""

    cold_resistance_ohm: float
    conductance_w_per_k: float
    heat_capacity_j_per_k: float

    def resistance_ohm(self, temp_c: float) -> float:
        """Resistance with the conductor at `temp_c` [ohm]."""
        return float(_resistance(self.cold_resistance_ohm, temp_c))

    def held_current_a(self, ambient_temp_c: float) -> float:
        """Largest current that does not trip it, however long [A]."""
        watts_per_ohm = self.conductance_w_per_k / (4.0 * _SPAN_K * self.cold_resistance_ohm)
        return math.sqrt(watts_per_ohm) * max(NO_HOLD_C - ambient_temp_c, 0.0)

    def time_to_trip_s(self, current_a: float) -> float:
        """Time for a steady current to bring it from the ratings' ambient to the step's top [s]; inf if it holds."""
        if current_a <= self.held_current_a(RATING_C):
            return math.inf
        return self.heat_capacity_j_per_k * _kelvin_per_watt_integral(
            current_a, self.cold_resistance_ohm, self.conductance_w_per_k
        )


@functools.lru_cache(maxsize=64)
def extremes(settings: Resettable) -> tuple[Polymer, Polymer]:
    """The part of highest resistance, which trips earliest, and that of lowest, which takes the longest time stated."""
    conductance_w_per_k = settings.cooling_w_per_k
    test_a = published.RESETTABLE_TIME_AT_RATIO.value * settings.hold_a
    kelvin_per_watt = _kelvin_per_watt_integral(test_a, settings.resistance_ohm, conductance_w_per_k)
    earliest, latest = (
        Polymer(
            cold_resistance_ohm=ohm,
            conductance_w_per_k=conductance_w_per_k,
            heat_capacity_j_per_k=settings.time_to_trip_s / kelvin_per_watt,
        )
        for ohm in (settings.max_resistance_ohm, settings.resistance_ohm)
    )
    return earliest, latest


def _kelvin_per_watt_integral(current_a: float, cold_ohm: float, conductance_w_per_k: float) -> float:
    """Integral of dT / (heat - loss) from the ratings' ambient to the top of the step: time over heat capacity."""
    total = 0.0
    for low_c, high_c in ((RATING_C, FOOT_C), (FOOT_C, SURFACE_C)):
        temps_c = (low_c + high_c) / 2.0 + _NODES * (high_c - low_c) / 2.0
        ohms = np.array([float(_resistance(cold_ohm, temp_c)) for temp_c in temps_c])
        net_w = current_a**2 * ohms - conductance_w_per_k * (temps_c - RATING_C)
        total += float(np.sum(_WEIGHTS / net_w)) * (high_c - low_c) / 2.0
    return total


@dataclass(frozen=True, kw_only=True)
class Course:
    """What one part and its driver went through; arrays have shape=(frames,).

    traces : ndarray of float32 [shape=(5, frames)]
        Driver voltage [V rms], coil [C], body [C], the part's resistance [ohm] and power [W].
    opens_at_frame : int
        First frame in which it was open, -1 where it never was.
    end : tuple of float
        Conductor, coil and body [C], and whether it has tripped.
    """

    traces: NDArray[np.float32]
    muted: NDArray[np.bool_]
    trips: int
    opens_at_frame: int
    end: tuple[float, float, float, float]


def course(
    polymer: Polymer,
    driver: tuple[float, ...],
    source_rms_v: NDArray[np.float32],
    frame_s: float,
    *,
    start: tuple[float, float, float, float],
    rows: NDArray[np.float32] | None = None,
) -> Course:
    """Put one part and a driver through a voltage.

    Parameters
    ----------
    polymer : Polymer
    driver : tuple of float
        As `series_part.driver_constants` gives it.
    source_rms_v : ndarray [shape=(frames,)]
    frame_s : float
    start : tuple of float
        As `Course.end`.
    rows : ndarray or None
        As `series_part.rows_of` gives it.
    """
    part = (
        polymer.cold_resistance_ohm,
        polymer.conductance_w_per_k,
        1.0 / polymer.heat_capacity_j_per_k,
        driver[-1],
    )
    state = np.array(start)
    traces = np.empty((5, len(source_rms_v)), dtype=np.float32)
    muted = np.empty(len(source_rms_v), dtype=np.bool_)
    trips, opens_at_frame = _frames(source_rms_v, rows, frame_s, part, driver, state, traces, muted)
    check_finite(state)
    part_c, coil_c, body_c, tripped = state.tolist()
    return Course(
        traces=traces, muted=muted, trips=trips, opens_at_frame=opens_at_frame, end=(part_c, coil_c, body_c, tripped)
    )


@compiled(error_model="numpy")
def _resistance(cold_ohm, temp_c):  # type: ignore[no-untyped-def]
    if temp_c < FOOT_C:
        return cold_ohm * _SPAN_K / (NO_HOLD_C - temp_c)
    return cold_ohm * _FOOT_RATIO * math.exp(min(_STEP_PER_K * (temp_c - FOOT_C), _MOST_EXPONENT))


@compiled(error_model="numpy")
def _rates(part, driver, voltage, row, part_c, coil_c, body_c):  # type: ignore[no-untyped-def]
    """Rates of the three temperatures, then terminal voltage squared and the part's power."""
    cold_ohm, loss_w_per_k, per_capacity, ambient_c = part
    coil_rate, body_rate, square, power = driver_rates(
        driver, voltage, row, _resistance(cold_ohm, part_c), coil_c, body_c
    )
    return (power - loss_w_per_k * (part_c - ambient_c)) * per_capacity, coil_rate, body_rate, square, power


@compiled(error_model="numpy")
def _step(part, driver, voltage, row, part_c, coil_c, body_c, most_s):  # type: ignore[no-untyped-def]
    """One step of at most `most_s`, over which the part's resistance grows or falls by no more than a tenth."""
    a = _rates(part, driver, voltage, row, part_c, coil_c, body_c)
    largest_w = max(a[4], abs(part[1] * (part_c - part[3])))
    part_speed = max(_STEP_PER_K * largest_w, part[1]) * part[2]
    dt = min(most_s, _PART_SHARE / part_speed, STEP_SHARE / driver_speed(driver))
    h = dt / 2.0
    b = _rates(part, driver, voltage, row, part_c + h * a[0], coil_c + h * a[1], body_c + h * a[2])
    c = _rates(part, driver, voltage, row, part_c + h * b[0], coil_c + h * b[1], body_c + h * b[2])
    d = _rates(part, driver, voltage, row, part_c + dt * c[0], coil_c + dt * c[1], body_c + dt * c[2])
    s = dt / 6.0
    return (
        part_c + s * (a[0] + 2.0 * b[0] + 2.0 * c[0] + d[0]),
        coil_c + s * (a[1] + 2.0 * b[1] + 2.0 * c[1] + d[1]),
        body_c + s * (a[2] + 2.0 * b[2] + 2.0 * c[2] + d[2]),
        s * (a[3] + 2.0 * b[3] + 2.0 * c[3] + d[3]),
        s * (a[4] + 2.0 * b[4] + 2.0 * c[4] + d[4]),
        dt,
    )


@compiled(error_model="numpy")
def _frames(source, rows, frame_s, part, driver, state, traces, muted):  # type: ignore[no-untyped-def]
    part_c, coil_c, body_c, tripped = state
    trips = 0
    opens_at = 0 if tripped > 0.0 else -1
    for frame in range(len(source)):
        voltage = np.float64(source[frame])
        row = row_of(rows, frame)
        squares = 0.0
        energy = 0.0
        left_s = frame_s
        while left_s > _SHORTEST_SHARE * frame_s:
            part_c, coil_c, body_c, square, heat, dt = _step(part, driver, voltage, row, part_c, coil_c, body_c, left_s)
            squares += square
            energy += heat
            left_s -= max(dt, _SHORTEST_SHARE * frame_s)
        resistance = _resistance(part[0], part_c)
        impedance = driver_impedance(driver, coil_c)
        muted[frame] = resistance >= OPEN_RATIO * impedance
        if muted[frame] and tripped == 0.0:
            tripped = 1.0
            trips += 1
            opens_at = frame if opens_at < 0 else opens_at
        elif resistance < CLOSED_RATIO * impedance:
            tripped = 0.0
        traces[0, frame] = math.sqrt(squares / frame_s)
        traces[1, frame] = coil_c
        traces[2, frame] = body_c
        traces[3, frame] = resistance
        traces[4, frame] = energy / frame_s
    state[0], state[1], state[2], state[3] = part_c, coil_c, body_c, tripped
    return trips, opens_at
