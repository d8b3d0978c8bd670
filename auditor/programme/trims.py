"""Trims in a file of their own: one track a line, its gain in front.

    -3       01 Opening.flac
    +1.5 dB  late/09 Encore.mp3

Behind the gain stands a path, from the folder of the file of trims on, or a file's name alone, or a title that a
playlist gives: whatever tracks are called so get the trim. Empty lines and such that begin with # are passed over.
"""

from __future__ import annotations

import math
import os
import re
from dataclasses import dataclass, replace

from auditor.errors import AuditorError
from auditor.programme.entry import Entry
from auditor.programme.playlist import MOST_TRIM_DB, as_text, short

_MOST_BYTES = 16 << 20
_LINE = re.compile(r"(\S+?)(?:\s*dB)?\s+(?!dB$)(\S.*)", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Trim:
    """One line of the file: which it is, the gain [dB], and what it is for."""

    line: int
    gain_db: float
    name: str


def read(path: str) -> list[Trim]:
    """The trims of a file.

    Parameters
    ----------
    path : str

    Raises
    ------
    TrimsError
        With everything that is wrong in it.
    """
    trims: list[Trim] = []
    faults: list[AuditorError] = []
    for number, raw in enumerate(re.split(r"\r\n|\n|\r", _text(path)), start=1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        try:
            trims.append(_trim(line, number, path))
        except AuditorError as error:
            faults.append(error)
    if faults:
        raise TrimsError(faults)
    return trims


class TrimsError(AuditorError):
    """A file of trims that cannot be used: every fault that it has."""

    def __init__(self, faults: list[AuditorError]) -> None:
        super().__init__("; ".join(map(str, faults)))
        self.faults = tuple(faults)


def apply(trims: list[Trim], entries: list[Entry], *, path: str) -> tuple[list[Entry], list[str]]:
    """The tracks with their trims, in place of those of a playlist.

    Parameters
    ----------
    trims : list of Trim
    entries : list of Entry
    path : str
        The file that the trims are from.

    Returns
    -------
    entries : list of Entry
    warnings : list of str
        One for each line that no track is called by.

    Raises
    ------
    TrimsError
        If two lines with different gains are for one track.
    """
    by_name: dict[str, list[Trim]] = {}
    for trim in trims:
        for key in {_key(trim.name), os.path.realpath(os.path.join(os.path.dirname(path), _native(trim.name)))}:
            by_name.setdefault(key, []).append(trim)
    used: set[int] = set()
    faults: list[AuditorError] = []
    found: list[Entry] = []
    for entry in entries:
        keys = dict.fromkeys(
            (os.path.realpath(entry.path), _key(os.path.basename(entry.path)), _key(entry.title or ""))
        )
        meant = [trim for key in keys for trim in by_name.get(key, [])]
        used.update(trim.line for trim in meant)
        if len({trim.gain_db for trim in meant}) > 1:
            lines = ", ".join(str(line) for line in sorted({trim.line for trim in meant}))
            hint = "leave one of them, or name the tracks by their paths"
            faults.append(AuditorError(f"lines {lines}: different trims for {entry.name}", where=path, hint=hint))
        found.append(replace(entry, gain_db=meant[0].gain_db) if meant else entry)
    if faults:
        raise TrimsError(faults)
    unknown = [trim for trim in trims if trim.line not in used]
    return found, [f"{path}: line {each.line}: no track is called {short(each.name)}" for each in unknown]


def _trim(line: str, number: int, path: str) -> Trim:
    match = _LINE.fullmatch(line)
    if match is None:
        what, hint = f"line {number}: names no track", "write -3 dB and the track's path behind it"
        raise AuditorError(what, where=path, got=short(line), hint=hint)
    try:
        gain_db = float(match[1])
    except ValueError:
        gain_db = math.nan
    if not abs(gain_db) <= MOST_TRIM_DB:
        what, allowed = f"line {number}: no usable trim", f"a number from {-MOST_TRIM_DB:g} to {MOST_TRIM_DB:g} dB"
        comma = "a point, not a comma" if "," in match[1] else None
        raise AuditorError(what, where=path, got=short(match[1]), allowed=allowed, hint=comma)
    return Trim(line=number, gain_db=gain_db, name=match[2].strip().strip('"'))


def _text(path: str) -> str:
    try:
        with open(path, "rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except FileNotFoundError:
        raise TrimsError([AuditorError("no such file", where=path)]) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise TrimsError([AuditorError(f"cannot be read: {reason}", where=path)]) from None
    text = data.decode("utf-16", errors="replace") if data[:2] in (b"\xff\xfe", b"\xfe\xff") else as_text(data)
    if len(data) > _MOST_BYTES or "\0" in text:
        raise TrimsError([AuditorError("is no file of trims", where=path, hint="is it a sound file?")])
    return text


def _key(name: str) -> str:
    """A name or a title, however it is written."""
    return name.casefold()


def _native(name: str) -> str:
    return name if os.name == "nt" else name.replace("\\", "/")
