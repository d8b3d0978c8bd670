"""The program's own errors: what is wrong, where, what was found, what is allowed, and a hint.

Every message is one line that a technician can act on. The command line prints it and carries on with the rest;
nothing else in the package catches it.
"""

from __future__ import annotations

from dataclasses import dataclass

# What a note of a rig begins with that every report is to begin with.
GRAVE = "WARNING "


def _one_line(*, what: str, where: str | None, got: str | None, allowed: str | None, hint: str | None) -> str:
    text = f"{where}: {what}" if where else what
    if got is not None:
        text += f", got {got}"
    if allowed is not None:
        text += f"; allowed: {allowed}"
    if hint is not None:
        text += f" ({hint})"
    return " ".join(text.split())


class AuditorError(Exception):
    """Base of everything the program refuses.

    Parameters
    ----------
    what : str
        What is wrong, in words.
    where : str, optional
        The file and, for a rig file, the dotted key.
    got, allowed, hint : str, optional
        The value found, the values that would do, and what to try.
    """

    def __init__(
        self,
        what: str,
        *,
        where: str | None = None,
        got: str | None = None,
        allowed: str | None = None,
        hint: str | None = None,
    ) -> None:
        self.what = what
        self.where = where
        self.got = got
        self.allowed = allowed
        self.hint = hint
        super().__init__(_one_line(what=what, where=where, got=got, allowed=allowed, hint=hint))


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault in a rig file; `line` is that of the key where it is known."""

    key: str
    what: str
    got: str | None = None
    allowed: str | None = None
    hint: str | None = None
    line: int | None = None

    def __str__(self) -> str:
        return _one_line(what=self.what, where=self.key or None, got=self.got, allowed=self.allowed, hint=self.hint)

    def in_file(self, path: str) -> str:
        """The fault with file and line."""
        return f"{path}{f', line {self.line}' if self.line is not None else ''}: {self}"


class RigError(AuditorError):
    """A rig file that cannot be used; carries every fault found, not only the first.

    Parameters
    ----------
    path : str
        The rig file.
    faults : sequence of Fault
    """

    def __init__(self, path: str, faults: list[Fault]) -> None:
        self.faults = tuple(faults)
        count = len(self.faults)
        super().__init__(
            f"{count} fault{'s' if count != 1 else ''}: " + "; ".join(map(str, self.faults)),
            where=path,
        )


class ProgrammeError(AuditorError):
    """A programme file that cannot be analysed."""


class ThermalModelError(AuditorError):
    """Thermal values from which no temperature follows: never a verdict."""


class MissingFileError(ProgrammeError):
    """A programme file that is not there."""


class ClusterError(AuditorError):
    """A cluster on which nothing can be done."""
