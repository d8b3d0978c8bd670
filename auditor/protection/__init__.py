"""Protection methods: one module each, all answering the same calls.

A method is a module with

- a settings dataclass, frozen, with at least `kind` and `part`;
- ``Table``, the pydantic model of its ``[protection]`` table;
- ``key_faults(given)``, the faults of which keys are given together, whatever their values;
- ``resolve(table)``, from a valid ``Table`` to ``(settings, assumed keys, faults)``;
- ``run(...)``, the simulation;
- where the part has a tolerance that `run` does not count itself, ``ends(settings)``: see there;
- where it is a `thermal_element`, ``lane(settings, ambient_temp_c)``, so that it can be run beside others.

To add one: write the module and add its line to `METHODS`.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol, cast

from auditor.protection.none import NoProtection

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.errors import Fault
    from auditor.protection.contract import Run, ThermalState
    from auditor.protection.side_by_side import Lane
    from auditor.rig_fields import RigTable

METHODS: dict[str, str] = {
    "none": "auditor.protection.none",
    "lamp": "auditor.protection.lamp",
    "fuse": "auditor.protection.fuse",
    "breaker": "auditor.protection.breaker",
    "resettable": "auditor.protection.resettable",
    "relay": "auditor.protection.relay",
}

# Parts that take the HF away altogether and, quieter, may not.
_OPENING = ("fuse", "breaker", "resettable", "relay")


class Settings(Protocol):
    """What every protection method's settings have in common."""

    @property
    def kind(self) -> str:
        """Name of the method, a key of `METHODS`."""

    @property
    def part(self) -> str | None:
        """Trade number of the part, or None."""


UNPROTECTED: Settings = NoProtection()


class Method(Protocol):
    """What a protection method's module answers."""

    Table: type[RigTable]

    def key_faults(self, given: AbstractSet[str]) -> list[Fault]:
        """Faults of the combination of keys given."""

    def resolve(self, table: Any) -> tuple[Settings | None, list[str], list[Fault]]:
        """Settings with every value filled in (None on a fault), the keys filled, and the faults of values together."""

    def run(
        self,
        settings: Any,
        network: CoilNetwork,
        source_rms_v: NDArray[np.floating],
        frame_s: float,
        *,
        start: ThermalState | None = None,
        division: Division | None = None,
    ) -> Run:
        """Drive the part and the driver together with the HF branch's voltage."""


def ends(settings: Settings) -> tuple[Settings, Settings] | None:
    """The part that acts earliest and the one that acts latest of those its tolerance allows.

    None for a part without tolerance, and for one whose own `run` counts both.
    """
    found = getattr(method(settings.kind), "ends", None)
    return None if found is None else found(settings)


def within_tolerance(settings: Settings) -> tuple[Settings, ...]:
    """The parts that between them say what any within its tolerance does: its ends, or the part itself."""
    return ends(settings) or (settings,)


def lane(settings: Settings, ambient_temp_c: float) -> Lane | None:
    """The part to be run beside others by `auditor.protection.side_by_side`; None where it has to be run by itself."""
    found = getattr(method(settings.kind), "lane", None)
    return None if found is None else found(settings, ambient_temp_c)


def opens(settings: Settings) -> bool:
    """Whether the part protects by opening, so that a lower level may leave it closed."""
    return settings.kind in _OPENING


def of_keys(kind: str, **given: Any) -> Settings:
    """Settings as a rig file with these keys would have them, with all that its method fills in.

    Parameters
    ----------
    kind : str
        A key of `METHODS`.
    **given
        Keys of the ``[protection]`` table.

    Raises
    ------
    ValueError
        If a rig file with them would be refused.
    """
    module = method(kind)
    settings, _, faults = module.resolve(module.Table.model_validate({"kind": kind, **given}))
    if settings is None:
        raise ValueError(f"no such {kind}: {faults}")
    return settings


def method(kind: str) -> Method:
    """The module that does `kind`, a key of `METHODS`."""
    return cast(Method, import_module(METHODS[kind]))
