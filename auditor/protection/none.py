"""No protection: the driver gets all that the crossover lets through."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from auditor.rig_fields import RigTable, choice
from auditor.units import celsius_to_kelvin

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.errors import Fault
    from auditor.protection.contract import Run, ThermalState
    from auditor.protection.side_by_side import Lane


@dataclass(frozen=True, kw_only=True)
class NoProtection:
    """Settings of no protection: there are none."""

    kind: Literal["none"] = "none"
    part: None = None


class Table(RigTable):
    """The ``[protection]`` table for `kind = "none"`."""

    kind: Literal["none"] = choice("Protection method.")


def key_faults(given: AbstractSet[str]) -> list[Fault]:
    """Nothing can be missing."""
    return []


def resolve(table: Table) -> tuple[NoProtection, list[str], list[Fault]]:
    """Nothing to fill in."""
    return NoProtection(), [], []


def run(
    settings: NoProtection,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None = None,
    division: Division | None = None,
) -> Run:
    """Drive the driver directly; see `auditor.simulation.simulate`."""
    from auditor.protection import thermal_element

    wire = thermal_element.ThermalElement.wire(celsius_to_kelvin(network.ambient_temp_c))
    return replace(
        thermal_element.run(wire, network, source_rms_v, frame_s, start=start, division=division), filament_temp_k=None
    )


def lane(settings: NoProtection, ambient_temp_c: float) -> Lane:
    """The wire, to be run beside parts; see `auditor.protection.side_by_side`."""
    from auditor.protection import side_by_side, thermal_element

    wire = thermal_element.ThermalElement.wire(celsius_to_kelvin(ambient_temp_c))
    return side_by_side.Lane(element=wire, has_filament=False)
