"""The circuit every series part shares with the voice coil: one current through both, heat into the driver's network.

    I = V / (R + Z(T_c))
    the two-stage network of `auditor.driver.coil`

Where the impedance differs from frequency to frequency, current and terminal voltage come from the frame's row of
`auditor.division` instead; without one, `row` is None and the compiler leaves that way out.

`driver_rates` is that circuit for whatever resistance the part has at the moment; `advance` steps it forward over a
time in which the part's resistance holds. Methods whose part changes with its own heat (`thermal_element`) build their
own step from `driver_rates`; fuses, breakers and relay contacts, open or closed, need no more than `advance`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from auditor.division import divided
from auditor.driver.coil import REFERENCE_C
from auditor.errors import ThermalModelError
from auditor.kernels import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork

# A step no longer than this share of the shortest time constant: the rule's error is then far under 0.1 %.
STEP_SHARE = 0.25


def driver_constants(network: CoilNetwork) -> tuple[float, ...]:
    """What `driver_rates` needs of the network; conductances rather than resistances, because dividing is slow."""
    return (
        network.rated_impedance_ohm,
        network.dc_resistance_ohm,
        network.dc_resistance_ohm * network.alpha_per_k,
        1.0 / network.coil_to_body_k_per_w,
        1.0 / network.body_to_air_k_per_w,
        1.0 / network.coil_heat_capacity_j_per_k,
        1.0 / network.body_heat_capacity_j_per_k,
        network.ambient_temp_c,
    )


def rows_of(division: Division | None) -> NDArray[np.float32] | None:
    """What the compiled loops take of a division; None where one impedance holds for all frequencies."""
    return None if division is None else division.rows()


def check_finite(state: NDArray[np.float64]) -> None:
    """Refuse temperatures that ran away from the thermal values given."""
    if not np.isfinite(state).all():
        raise ThermalModelError(
            "the driver's temperatures cannot be worked out from its thermal values",
            hint="check the thermal resistances and time constants in the rig file's [driver]",
        )


@compiled(error_model="numpy")
def driver_impedance(driver, coil_c):  # type: ignore[no-untyped-def]
    """Impedance of the driver with its coil at `coil_c` [ohm]."""
    return driver[0] + driver[2] * (coil_c - REFERENCE_C)


@compiled(error_model="numpy")
def row_of(rows, frame):  # type: ignore[no-untyped-def]
    """A frame's row; None where there are no rows."""
    if rows is None:
        return None
    return rows[frame]


@compiled(error_model="numpy")
def current_square(driver, voltage, row, resistance, coil_c):  # type: ignore[no-untyped-def]
    """Mean square of the current through part and driver [A2]."""
    if row is None:
        return (voltage / (resistance + driver_impedance(driver, coil_c))) ** 2
    square, _ = divided(voltage, row, driver[0], resistance, driver[2] * (coil_c - REFERENCE_C))
    return square


@compiled(error_model="numpy")
def driver_rates(driver, voltage, row, resistance, coil_c, body_c):  # type: ignore[no-untyped-def]
    """Rates of coil and body [K/s], then terminal voltage squared [V2] and the part's power [W]."""
    rated_ohm, dc_ohm, ohm_per_k, coil_to_body, body_to_air, per_coil_capacity, per_body_capacity, ambient_c = driver
    added_ohm = ohm_per_k * (coil_c - REFERENCE_C)
    if row is None:
        impedance = rated_ohm + added_ohm
        current = voltage / (resistance + impedance)
        square = current * current
        terminal_square = (current * impedance) ** 2
    else:
        square, terminal_square = divided(voltage, row, rated_ohm, resistance, added_ohm)
    to_body = (coil_c - body_c) * coil_to_body
    return (
        (square * (dc_ohm + added_ohm) - to_body) * per_coil_capacity,
        (to_body - (body_c - ambient_c) * body_to_air) * per_body_capacity,
        terminal_square,
        square * resistance,
    )


@compiled(error_model="numpy")
def driver_speed(driver):  # type: ignore[no-untyped-def]
    """Fastest rate at which coil or body settle [1/s]."""
    return max(driver[3] * driver[5], (driver[3] + driver[4]) * driver[6])


@compiled(error_model="numpy")
def advance(driver, voltage, row, resistance, coil_c, body_c, duration_s):  # type: ignore[no-untyped-def]
    """Coil and body [C] after a time at constant voltage and part's resistance, by the classical Runge-Kutta rule.

    Returns
    -------
    tuple of float
        Coil [C], body [C], integral of the terminal voltage squared [V2 s], and of the part's power [J].
    """
    steps = 1 + int(duration_s * driver_speed(driver) / STEP_SHARE)
    dt = duration_s / steps
    h = dt / 2.0
    s = dt / 6.0
    squares = 0.0
    energy = 0.0
    for _ in range(steps):
        a = driver_rates(driver, voltage, row, resistance, coil_c, body_c)
        b = driver_rates(driver, voltage, row, resistance, coil_c + h * a[0], body_c + h * a[1])
        c = driver_rates(driver, voltage, row, resistance, coil_c + h * b[0], body_c + h * b[1])
        d = driver_rates(driver, voltage, row, resistance, coil_c + dt * c[0], body_c + dt * c[1])
        coil_c += s * (a[0] + 2.0 * b[0] + 2.0 * c[0] + d[0])
        body_c += s * (a[1] + 2.0 * b[1] + 2.0 * c[1] + d[1])
        squares += s * (a[2] + 2.0 * b[2] + 2.0 * c[2] + d[2])
        energy += s * (a[3] + 2.0 * b[3] + 2.0 * c[3] + d[3])
    return coil_c, body_c, squares, energy
