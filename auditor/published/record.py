"""The form every borrowed number takes: the value, and where it came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

T = TypeVar("T")

Status = Literal[
    "read",  # read in the source, or in a reprint of it
    "second-hand",  # read in a text that quotes the source
    "from memory",  # not verified against the source
    "derived",  # computed from the figures that `source` names
    "common practice",  # what the trade does or assumes; there is no source
]
NO_SOURCE = "common practice, no source"


@dataclass(frozen=True)
class Published(Generic[T]):
    """One borrowed number, or one table of them.

    Parameters
    ----------
    value : T
        A number, or nested tuples of numbers for a table.
    unit : str
        Unit of the value; for a table, the units of its columns in order.
    source : str
        Author, title and year.
    where : str
        Clause, table or page in it.
    valid : str
        Range in which the value holds.
    status : str
        How it reached us; see `Status`.

    """

    value: T
    unit: str
    source: str
    where: str
    valid: str
    status: Status

    def cite(self) -> str:
        """Source, place in it and status in one line."""
        if self.status == "common practice":
            return NO_SOURCE
        place = f", {self.where}" if self.where else ""
        return f"{self.source}{place} [{self.status}]"
