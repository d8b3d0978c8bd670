"""The HF branch of the rig file as a whole: crossover or network, and the driver's impedance behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from auditor.rig import Crossover
from auditor.rig_faults import PARTS
from auditor.rig_impedance import impedance_notes, resolve_impedance
from auditor.rig_network import resolve_network, resolve_parts

if TYPE_CHECKING:
    from auditor.driver.impedance import Impedance
    from auditor.errors import Fault

Values = Mapping[str, Mapping[str, Any]]


@dataclass(kw_only=True)
class Branch:
    """What came of it; the crossover is None where faults leave none."""

    crossover: Crossover | None = None
    impedance: Impedance | None = None
    assumed: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def resolve_branch(values: Values, *, path: str, opens: bool) -> Branch:
    """Crossover and impedance from sound values that have been filled in.

    Parameters
    ----------
    values : mapping
        Sound values by table; ``crossover.parts`` is there where the file has parts.
    path : str
        The rig file.
    opens : bool
        Whether what protects the driver may open the branch.
    """
    driver = values["driver"]
    given = resolve_impedance(driver, rig_path=path)
    branch = Branch(impedance=given.impedance, faults=list(given.faults), notes=list(given.notes))
    if PARTS in values:
        parts, branch.assumed, found = resolve_parts(values[PARTS], values["crossover"])
        branch.faults += found
        whole = len(parts) == len(values[PARTS]) and {"rated_impedance_ohm"} <= driver.keys()
        if not branch.faults and whole and "rated_load_ohm" in values["amplifier"]:
            drivers_ratio = driver.get("series_count", 1) / driver.get("parallel_count", 1)
            branch.crossover, found, notes = resolve_network(
                parts,
                rated_impedance_ohm=driver["rated_impedance_ohm"] * drivers_ratio,
                impedance=branch.impedance,
                drivers_ratio=drivers_ratio,
                rated_load_ohm=values["amplifier"]["rated_load_ohm"],
                opens=opens,
            )
            branch.faults += found
            branch.notes += notes
    elif {"alignment", "pad_db"} <= values["crossover"].keys():
        branch.crossover = Crossover(**{"order": 0, "frequency_hz": 0.0, **values["crossover"]})
    if branch.crossover is not None and {"rated_impedance_ohm", "dc_resistance_ohm"} <= driver.keys():
        found, notes = impedance_notes(given, branch.crossover, driver)
        branch.faults += found
        branch.notes += notes
    return branch
