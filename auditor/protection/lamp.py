"""A lamp, or a bank of equal lamps, in series with the HF driver.

Cold, the filament is a fraction of an ohm and takes next to nothing; warmed by the driver's own current its resistance
rises ten times and more, and it drops the level. It answers the average level and is too slow for a quick transient.

Source and range
----------------
A lamp is known by its rating. What the rating does not say (filament temperature, gas loss, life) follows the lamp's
class and is reported as assumed: see `auditor/parts/lamps.toml`. Any lamp of tungsten; not for halogen lamps, whose
filaments run hotter, nor for light-emitting diodes.
"""

from __future__ import annotations

import functools
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeVar

from auditor import published
from auditor.errors import Fault
from auditor.parts import LampPart, find_lamp, lamps, nearest_lamps
from auditor.rig_fields import RigTable, choice, quantity, shown
from auditor.units import celsius_to_kelvin

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Run, ThermalState
    from auditor.protection.side_by_side import Lane
    from auditor.protection.thermal_element import ThermalElement

T = TypeVar("T")

ASSUMED_LIFE_H = 1000.0  # the commonest printed life in the list; common practice, no source
CURRENT_TOLERANCE_RATIO = 0.1  # of the rated current, as makers print it; common practice, no source
SMALL_LAMP_W, LARGE_LAMP_W = 6.0, 20.0  # vacuum up to the first, the hottest class from the second; assumed


@dataclass(frozen=True, kw_only=True)
class Lamp:
    """A bank of equal lamps, `series_count` in each string and `parallel_count` strings.

    Parameters
    ----------
    part : str or None
        Trade number, None where the rating was given instead.
    series_count, parallel_count : int
        The bank.
    design_voltage_v, design_current_a : float
        Rating of one lamp [V], [A].
    design_temp_k : float
        Filament temperature at the design voltage [K].
    gas_loss_ratio : float
        Share of the rated power lost to gas and leads.
    rated_life_h : float
        Life at the design voltage [h].
    """

    kind: Literal["lamp"] = "lamp"
    part: str | None = None
    series_count: int = 1
    parallel_count: int = 1
    design_voltage_v: float
    design_current_a: float
    design_temp_k: float
    gas_loss_ratio: float
    rated_life_h: float


class Table(RigTable):
    """The ``[protection]`` table for `kind = "lamp"`."""

    kind: Literal["lamp"] = choice("Protection method.")
    part: str | None = choice("Trade number of the lamp; see `auditor parts`.", optional=True)
    series_count: int | None = quantity(
        "Lamps in series in each string.", unit="", low=1, high=100, below="a bank has at least one lamp", optional=True
    )
    parallel_count: int | None = quantity(
        "Strings in parallel.", unit="", low=1, high=100, below="a bank has at least one lamp", optional=True
    )
    design_voltage_v: float | None = quantity(
        "Rated voltage of one lamp.", unit="V", low=0.5, high=300.0, optional=True
    )
    design_current_a: float | None = quantity(
        "Rated current of one lamp.", unit="A", low=0.005, high=50.0, optional=True
    )
    design_temp_k: float | None = quantity(
        "Filament temperature at the rated voltage.",
        unit="K",
        low=1500.0,
        high=3400.0,
        below="a filament that cool gives no useful light",
        above="tungsten melts at 3695 K and no lamp is rated that near to it",
        optional=True,
    )
    gas_loss_ratio: float | None = quantity(
        "Share of the rated power lost to gas and leads.",
        unit="",
        low=0.0,
        high=0.5,
        below="a loss cannot be negative",
        above="a lamp that loses more than half its power to gas is no lamp",
        optional=True,
    )
    rated_life_h: float | None = quantity(
        "Life at the rated voltage.", unit="h", low=1.0, high=100_000.0, optional=True
    )


def key_faults(given: AbstractSet[str]) -> list[Fault]:
    """A lamp is named by `part`, or by its rated voltage with its rated current; not both."""
    rating = ("design_voltage_v", "design_current_a")
    rating_given = [key for key in rating if key in given]
    if "part" in given:
        return [
            Fault(
                key=key,
                what="the part already sets this",
                hint="remove it, or remove part and give both design_voltage_v and design_current_a",
            )
            for key in rating_given
        ]
    if not rating_given:
        return [
            Fault(
                key="part",
                what="missing",
                allowed="part, or design_voltage_v [V] with design_current_a [A]",
                hint="`auditor parts` lists the lamps known",
            )
        ]
    return [
        Fault(key=key, what="missing: a lamp's rating needs both its voltage [V] and its current [A]")
        for key in rating
        if key not in given
    ]


def resolve(table: Table) -> tuple[Lamp | None, list[str], list[Fault]]:
    """Fill in the lamp from the list of parts and from its class.

    Parameters
    ----------
    table : Table

    Returns
    -------
    settings : Lamp or None
        None where there are faults.
    assumed : list of str
        Keys filled in, without the table's name. The rating that a known part brings is not among them.
    faults : list of Fault
        An unknown part.
    """
    known = None if table.part is None else find_lamp(table.part)
    if table.part is not None and known is None:
        return None, [], [_unknown_part(table.part)]
    voltage_v, current_a = _rating(table, known)
    temp_k, loss_ratio = _class_of(voltage_v * current_a, known)
    listed_life_h = None if known is None else known.rated_life_h
    lamp = Lamp(
        part=None if known is None else known.part,
        series_count=_or(table.series_count, 1),
        parallel_count=_or(table.parallel_count, 1),
        design_voltage_v=voltage_v,
        design_current_a=current_a,
        design_temp_k=_or(table.design_temp_k, temp_k),
        gas_loss_ratio=_or(table.gas_loss_ratio, loss_ratio),
        rated_life_h=_or(table.rated_life_h, _or(listed_life_h, ASSUMED_LIFE_H)),
    )
    optional = ("series_count", "parallel_count", "design_temp_k", "gas_loss_ratio", "rated_life_h")
    listed = () if listed_life_h is None else ("rated_life_h",)
    return lamp, [key for key in optional if getattr(table, key) is None and key not in listed], []


def _or(given: T | None, otherwise: T) -> T:
    return otherwise if given is None else given


def _rating(table: Table, known: LampPart | None) -> tuple[float, float]:
    if known is not None:
        return known.design_voltage_v, known.design_current_a
    if table.design_voltage_v is None or table.design_current_a is None:
        raise ValueError("a lamp needs a part or a rating; `key_faults` tells the user so")
    return table.design_voltage_v, table.design_current_a


def _class_of(design_power_w: float, known: LampPart | None) -> tuple[float, float]:
    """Design temperature [K] and gas loss of the lamp's class: the list's, or by its power."""
    if known is not None:
        return known.design_temp_k, known.gas_loss_ratio
    # The middle of the range of each class.
    small_k, middle_k, large_k = (sum(span) / 2.0 for span in published.LAMP_DESIGN_TEMP_CLASSES_K.value)
    if design_power_w <= SMALL_LAMP_W:
        return small_k, published.GAS_LOSS_RATIO_VACUUM.value
    return (middle_k if design_power_w < LARGE_LAMP_W else large_k), published.GAS_LOSS_RATIO_GAS.value


def _unknown_part(part: str) -> Fault:
    near = nearest_lamps(part)
    hint = f"nearest: {', '.join(near)}; " if near else ""
    hint += f"`auditor parts lamp` lists all {len(lamps())}; or give design_voltage_v and design_current_a"
    return Fault(key="part", what="no such lamp in the list", got=shown(part), hint=hint)


def run(
    settings: Lamp,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None = None,
    division: Division | None = None,
) -> Run:
    """Drive the bank of lamps and the driver together; see `auditor.simulation.simulate`.

    Notes
    -----
    Equal lamps share alike, so the bank is one element with the temperature of each: resistance times series over
    parallel count, heat capacity and loss times their product. It opens at tungsten's melting point, or when the
    lamps' rated life is used up.
    """
    from auditor.protection import thermal_element

    element = _element(settings, network.ambient_temp_c)
    return thermal_element.run(
        element, network, source_rms_v, frame_s, start=start, division=division, destroyed=_name(settings)
    )


def lane(settings: Lamp, ambient_temp_c: float) -> Lane:
    """The bank of lamps, to be run beside others; see `auditor.protection.side_by_side`."""
    from auditor.protection.side_by_side import Lane

    return Lane(element=_element(settings, ambient_temp_c), destroyed=_name(settings))


def ends(settings: Lamp) -> tuple[Lamp, Lamp]:
    """The lamp that acts earliest and the one that acts latest of those sold under that rating.

    Makers hold the current at the rated voltage to a tenth. The lamp of the least current has the highest resistance:
    it dulls first and is the hotter for it. The one of the most current lets most through to the driver.
    """
    earliest, latest = (
        replace(settings, design_current_a=settings.design_current_a * ratio)
        for ratio in (1.0 - CURRENT_TOLERANCE_RATIO, 1.0 + CURRENT_TOLERANCE_RATIO)
    )
    return earliest, latest


def _name(settings: Lamp) -> str:
    rating = f"{settings.design_voltage_v:g} V {settings.design_current_a:.3g} A"
    count = settings.series_count * settings.parallel_count
    return f"{'lamp' if count == 1 else f'{count} lamps'} {settings.part or rating}"


@functools.lru_cache(maxsize=64)
def _element(settings: Lamp, ambient_temp_c: float) -> ThermalElement:
    from auditor.protection.filament import Filament
    from auditor.protection.thermal_element import ThermalElement

    ambient_temp_k = celsius_to_kelvin(ambient_temp_c)
    filament = Filament.from_lamp(settings, ambient_temp_k)
    lamps = settings.series_count * settings.parallel_count
    spread = settings.series_count / settings.parallel_count
    return ThermalElement.of(
        resistance_ohm=lambda temp_k: filament.resistance_ohm(temp_k) * spread,
        heat_capacity_j_per_k=lambda temp_k: filament.heat_capacity_j_per_k(temp_k) * lamps,
        loss_w=lambda temp_k: filament.loss_w(temp_k) * lamps,
        ageing_per_s=filament.ageing_per_s,
        fails_at_k=published.TUNGSTEN_MELTING_K.value,
        ambient_temp_k=ambient_temp_k,
    )
