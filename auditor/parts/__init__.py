"""The parts the program knows, each with its source: one TOML table per kind of part.

Source and range
----------------
Every row names where its rating comes from and which of its values were read there; what is not in `read` is from
memory and is reported so. Design temperature and gas loss follow the lamp's class and are assumptions in every row.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

PartKind = Literal["lamp", "fuse", "breaker", "resettable"]
KINDS: tuple[PartKind, ...] = ("lamp", "fuse", "breaker", "resettable")  # in the order of the list
PartStatus = Literal["read", "partly read", "from memory"]
LAMP_RATINGS = ("watts", "volts", "amps", "lumens", "hours")


@dataclass(frozen=True, kw_only=True)
class LampPart:
    """One lamp of the list.

    Parameters
    ----------
    part : str
        Trade number or category.
    design_voltage_v, design_current_a : float
        Rating of the lamp [V], [A].
    light_lm : float or None
        Light at the design voltage [lm]; None where none is known.
    rated_life_h : float or None
        Life at the design voltage [h]; None where none is known.
    design_temp_k : float
        Filament temperature at the design voltage, from the lamp's class [K].
    gas_loss_ratio : float
        Share of the rated power lost to gas and leads, from the lamp's class.
    read : tuple of str
        Which of `LAMP_RATINGS` were read in the source; the rest are from memory.
    source, note : str
        Where the rating comes from, and what to know about it.
    """

    part: str
    design_voltage_v: float
    design_current_a: float
    light_lm: float | None = None
    rated_life_h: float | None = None
    design_temp_k: float
    gas_loss_ratio: float
    read: tuple[str, ...]
    source: str
    note: str = ""

    @property
    def design_power_w(self) -> float:
        """Power at the design voltage [W]."""
        return self.design_voltage_v * self.design_current_a

    @property
    def status(self) -> PartStatus:
        """Whether the rating was read in its source, in part, or is from memory.

        Volts with amps, or volts with watts, make the electrical rating whole.
        """
        if not self.read:
            return "from memory"
        known = {"lumens"} | ({"hours"} if self.rated_life_h is not None else set())
        electrical = "volts" in self.read and not {"amps", "watts"}.isdisjoint(self.read)
        return "read" if electrical and known.issubset(self.read) else "partly read"


@cache
def lamps() -> dict[str, LampPart]:
    """Every lamp of `lamps.toml`, by part, in the order of the file."""
    text = files(__name__).joinpath("lamps.toml").read_text(encoding="utf-8")
    rows = tomllib.loads(text)["lamp"]
    return {row["part"]: _lamp_part(row) for row in rows}


def find_lamp(part: str) -> LampPart | None:
    """The lamp of that trade number, letter case and stray blanks aside; None when the list has none."""
    wanted = part.strip().casefold()
    return next((lamp for name, lamp in lamps().items() if name.casefold() == wanted), None)


def nearest_lamps(part: str, *, count: int = 3) -> list[str]:
    """Names in the list that look most like `part`, best first; may be empty."""
    by_folded = {name.casefold(): name for name in lamps()}
    return [
        by_folded[name] for name in difflib.get_close_matches(part.strip().casefold(), by_folded, n=count, cutoff=0.6)
    ]


def _lamp_part(row: dict[str, Any]) -> LampPart:
    # A whole number in the table is a float here, as in the rig file.
    values: dict[str, Any] = {key: float(value) if isinstance(value, int) else value for key, value in row.items()}
    values["read"] = tuple(row["read"])
    return LampPart(**values)
