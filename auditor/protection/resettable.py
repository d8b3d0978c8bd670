"""A self-resetting polymer part (PTC) in series with the HF driver.

Cold it is a fraction of an ohm. Warmed by the driver's own current beyond its step it turns, within a few kelvin, into
thousands of ohms; it stays so while there is signal to keep it hot, and comes back when there is none. In hot air it
trips at less.

Source and range
----------------
A part is known by the current it holds; the rest comes from the list (`auditor/parts/resettables.toml`), or from the
rig file. Its tolerance is that of its cold resistance: the part of highest resistance trips earliest, that of lowest
takes the longest time its maker allows. For the model, and how far it is valid, see `polymer`.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from auditor import published
from auditor.errors import Fault
from auditor.parts.resettables import ResettablePart, find_resettable
from auditor.protection.resettable_faults import STATED, missing_faults, order_faults, thermal_faults
from auditor.rig_fields import RigTable, choice, quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Failure, Run, ThermalState
    from auditor.protection.polymer import Course

ASSUMED_MAX_VOLTAGE_V = 30.0  # the lower of the two series in the list: the careful reading

_HOLD_K = published.RESETTABLE_NO_HOLD_C.value - published.RESETTABLE_RATING_C.value
_TRIPPED_K = published.RESETTABLE_SURFACE_C.value - published.RESETTABLE_RATING_C.value


@dataclass(frozen=True, kw_only=True)
class Resettable:
    """One self-resetting part; all values at 23 C in still air.

    Parameters
    ----------
    part : str or None
        Its name in the list, None where its values were given instead.
    hold_a, trip_a : float
        Current it carries for good, and current that trips it in the end [A].
    resistance_ohm, max_resistance_ohm : float
        Lowest and highest cold resistance [ohm].
    time_to_trip_s : float
        Longest time to trip at five times the hold current [s].
    tripped_power_w : float
        What it burns while tripped [W].
    max_voltage_v : float
        Highest voltage it may stand tripped [V].
    """

    kind: Literal["resettable"] = "resettable"
    part: str | None = None
    hold_a: float
    trip_a: float
    resistance_ohm: float
    max_resistance_ohm: float
    time_to_trip_s: float
    tripped_power_w: float
    max_voltage_v: float

    @property
    def holding_power_w(self) -> float:
        """Least power burnt tripped that goes with the cooling it takes to hold the hold current [W]."""
        return 4.0 * self.hold_a**2 * self.max_resistance_ohm * _TRIPPED_K / _HOLD_K

    @property
    def cooling_w_per_k(self) -> float:
        """Heat it gives off for each kelvin above the air [W/K]: by its power tripped, unless holding takes more."""
        return max(self.tripped_power_w, self.holding_power_w) / _TRIPPED_K

    @property
    def most_power_w(self) -> float:
        """Largest power burnt tripped with which the trip current still trips the part of lowest resistance [W]."""
        return 4.0 * self.trip_a**2 * self.resistance_ohm * _TRIPPED_K / _HOLD_K


class Table(RigTable):
    """The ``[protection]`` table for `kind = "resettable"`."""

    kind: Literal["resettable"] = choice("Protection method.")
    hold_a: float = quantity(
        "Current the part carries for good at 23 C; a part of the list is known by it.",
        unit="A",
        low=0.01,
        high=50.0,
    )
    trip_a: float | None = quantity(
        "Current that trips it in the end, at 23 C.", unit="A", low=0.01, high=100.0, optional=True
    )
    resistance_ohm: float | None = quantity(
        "Its cold resistance, or the lowest it may have.",
        unit="ohm",
        low=0.001,
        high=1000.0,
        below="a resistance is above zero",
        optional=True,
    )
    max_resistance_ohm: float | None = quantity(
        "The highest cold resistance it may have.",
        unit="ohm",
        low=0.001,
        high=1000.0,
        below="a resistance is above zero",
        optional=True,
    )
    time_to_trip_s: float | None = quantity(
        "Longest time to trip at five times hold_a.",
        unit="s",
        low=0.01,
        high=600.0,
        below="nothing that must first warm up is that quick",
        optional=True,
    )
    tripped_power_w: float | None = quantity(
        "What it burns while tripped, at 23 C.",
        unit="W",
        low=0.01,
        high=100.0,
        below="a tripped part is kept hot by what it burns",
        optional=True,
    )
    max_voltage_v: float | None = quantity(
        "Highest voltage it may stand tripped.", unit="V", low=1.0, high=1000.0, optional=True
    )


def key_faults(given: AbstractSet[str]) -> list[Fault]:
    """Whether more than the hold current is needed depends on its value, which `resolve` sees."""
    return []


def resolve(table: Table) -> tuple[Resettable | None, list[str], list[Fault]]:
    """Fill in the part from the list, and see whether its values can go together.

    Parameters
    ----------
    table : Table

    Returns
    -------
    settings : Resettable or None
        None where there are faults.
    assumed : list of str
        Keys filled in, without the table's name; what the list brings is not among them.
    faults : list of Fault
        Values left out of a part that the list does not have, and values that contradict each other.
    """
    known = find_resettable(table.hold_a)
    faults = [] if known is not None else missing_faults(table)
    if faults:
        return None, [], faults
    settings, assumed = _filled(table, known)
    faults = order_faults(settings) or thermal_faults(settings)
    return (None, [], faults) if faults else (settings, assumed, [])


def _filled(table: Table, known: ResettablePart | None) -> tuple[Resettable, list[str]]:
    keys = (*STATED, "max_resistance_ohm", "max_voltage_v")
    given = {key: getattr(table, key) for key in keys if getattr(table, key) is not None}
    listed = {} if known is None else {key: getattr(known, key) for key in keys}
    if "resistance_ohm" in given:
        listed.pop("max_resistance_ohm", None)  # a resistance given stands for both ends, unless both are given
    values = listed | given
    assumed = {"max_resistance_ohm": values["resistance_ohm"], "max_voltage_v": ASSUMED_MAX_VOLTAGE_V}
    assumed = {key: value for key, value in assumed.items() if key not in values}
    own = bool(given)
    part = None if known is None or own else known.part
    return Resettable(part=part, hold_a=table.hold_a, **values, **assumed), list(assumed)


def run(
    settings: Resettable,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None = None,
    division: Division | None = None,
) -> Run:
    """Drive the part and the driver together; see `auditor.simulation.simulate`.

    Notes
    -----
    Twice over: with the part that trips earliest, which says when the show is muted, and with the part that trips
    latest, which says what the driver goes through. `end.part` holds the latter's conductor [C] and whether it has
    tripped, then conductor, coil, body [C] and tripped of the former.
    """
    import numpy as np

    from auditor.protection.contract import Run, ThermalState
    from auditor.protection.polymer import course, extremes
    from auditor.protection.series_part import driver_constants, rows_of

    source = np.ascontiguousarray(source_rms_v, dtype=np.float32)
    driver = driver_constants(network)
    early_part, late_part = extremes(settings)
    early_start, late_start = _starts(start, network.ambient_temp_c)
    rows = rows_of(division)
    early = course(early_part, driver, source, frame_s, start=early_start, rows=rows)
    late = course(late_part, driver, source, frame_s, start=late_start, rows=rows)
    voltage, coil, body, resistance, power = late.traces
    part_c, coil_c, body_c, tripped = late.end
    across_v = np.maximum.reduce([_across_v(source, each, network, division) for each in (early, late)])
    failure = _overvoltage(settings, across_v, frame_s)
    return Run(
        frame_s=frame_s,
        driver_voltage_rms_v=voltage,
        coil_temp_c=coil,
        body_temp_c=body,
        protection_resistance_ohm=resistance,
        protection_power_w=power,
        filament_temp_k=None,
        life_used_ratio=_voltage_share(settings, across_v),
        failure=failure,
        end=ThermalState(coil_temp_c=coil_c, body_temp_c=body_c, part=(part_c, tripped, *early.end)),
        cold_resistance_ohm=late_part.resistance_ohm(network.ambient_temp_c),
        network=network,
        division=division,
        muted=early.muted,
        trips=early.trips,
        replace=() if failure is None else (_destroyed(settings, failure),),
        opens_at_s=(_seconds(early, frame_s), _seconds(late, frame_s)),
    )


def _starts(
    start: ThermalState | None, ambient_c: float
) -> tuple[tuple[float, float, float, float], tuple[float, float, float, float]]:
    """State of the earliest part and of the latest; a new part has the driver's heat but none of its own."""
    if start is None:
        cold = (ambient_c, ambient_c, ambient_c, 0.0)
        return cold, cold
    late_c, late_tripped, *early = start.part or (ambient_c, 0.0, ambient_c, start.coil_temp_c, start.body_temp_c, 0.0)
    early_c, early_coil_c, early_body_c, early_tripped = early
    return (early_c, early_coil_c, early_body_c, early_tripped), (
        late_c,
        start.coil_temp_c,
        start.body_temp_c,
        late_tripped,
    )


def _seconds(course: Course, frame_s: float) -> float | None:
    return None if course.opens_at_frame < 0 else course.opens_at_frame * frame_s


def _across_v(
    source: NDArray[np.float32], course: Course, network: CoilNetwork, division: Division | None
) -> NDArray[np.float32]:
    """Voltage across the part where it is tripped, nought elsewhere: then it takes nearly all there is [V rms].

    Behind a network that is more than stands there with the driver on it.
    """
    if division is None:
        return (source - course.traces[0]) * course.muted
    coil_c, resistance_ohm = course.traces[1], course.traces[3]
    current_a, _ = division.divide(source, resistance_ohm, network.added_ohm(coil_c))
    return current_a * resistance_ohm * course.muted


def _voltage_share(settings: Resettable, across_v: NDArray[np.float32]) -> float:
    """How much of what it may stand it has to stand, in terms of power: what destroys it is voltage, not use."""
    return float((across_v.max(initial=0.0) / settings.max_voltage_v) ** 2)


def _overvoltage(settings: Resettable, across_v: NDArray[np.float32], frame_s: float) -> Failure | None:
    """When more voltage stands across the tripped part than its maker allows, and how much at most."""
    import numpy as np

    from auditor.protection.contract import Failure

    over = np.flatnonzero(across_v > settings.max_voltage_v)
    if not len(over):
        return None
    return Failure(at_s=float(over[0]) * frame_s, value=float(across_v.max()), limit=settings.max_voltage_v, unit="V")


def _destroyed(settings: Resettable, failure: Failure) -> str:
    name = settings.part or f"{settings.hold_a:g} A"
    return (
        f"the resettable part ({name}): {failure.value:.0f} V stood across it while tripped, "
        f"and it is made for {failure.limit:.0f} V"
    )
