"""Which files on this machine the names in a playlist stand for; playlists in playlists are followed."""

from __future__ import annotations

import os
import re
import unicodedata
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import unquote

from auditor.errors import ProgrammeError
from auditor.programme import playlist
from auditor.programme.entry import Entry
from auditor.programme.playlist import Listed, short
from auditor.programme.tags import cleaned

MOST_ENTRIES = 100_000  # playlists that name each other's many times over would never end
_DEEPEST = 16
_MOST_LOOKED_AT = 200_000  # files below a playlist's folder
_ADDRESS = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+)://(.*)", re.DOTALL)
_DRIVE = re.compile(r"[A-Za-z]:(?![^\\/])")


@dataclass
class Located:
    """The tracks of playlists, and what could not be found of them."""

    entries: list[Entry] = field(default_factory=list)
    faults: list[ProgrammeError] = field(default_factory=list)
    _is_full: bool = False

    def follow(self, path: str, within: tuple[str, ...] = ()) -> None:
        """Enter the tracks of a playlist.

        Parameters
        ----------
        path : str
        within : tuple of str
            The playlists that led there, resolved.
        """
        try:
            listing = playlist.read(path)
        except ProgrammeError as error:
            self.faults.append(error)
            return
        self.faults += listing.faults
        within = (*within, os.path.realpath(path))
        around = _Around(os.path.dirname(path))
        for listed in listing.entries:
            if self._is_full:
                return
            try:
                self._take(listed, path, around, within)
            except ProgrammeError as error:
                self.faults.append(error)

    def _take(self, listed: Listed, path: str, around: _Around, within: tuple[str, ...]) -> None:
        place = f"{listed.place} of {path}"
        found, note = around.find(listed.location, place=place, is_cue=path.lower().endswith(".cue"))
        if playlist.is_playlist(found):
            if os.path.realpath(found) in within:
                raise ProgrammeError(
                    "is named by a playlist that it contains itself, so not again", where=found, hint=place
                )
            if len(within) >= _DEEPEST:
                what = f"is a playlist within {_DEEPEST} others; it was not followed"
                raise ProgrammeError(what, where=found, hint=place)
            self.follow(found, within)
            return
        if len(self.entries) >= MOST_ENTRIES:
            self._is_full = True
            what = f"the playlists name more than {MOST_ENTRIES} tracks; those from {listed.place} on were left out"
            raise ProgrammeError(what, where=path)
        self.entries.append(
            Entry(
                path=found,
                title=cleaned(listed.title),
                start_s=listed.start_s,
                end_s=listed.end_s,
                gain_db=listed.gain_db,
                notes=(note,) if note else (),
            )
        )


class _Around:
    """A playlist's folder, and what lies below it once that is asked for."""

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._below: dict[str, list[str]] | None = None

    def find(self, location: str, *, place: str, is_cue: bool = False) -> tuple[str, str | None]:
        """The file that a location means, and what is to be said of it where that is another than was named.

        Raises
        ------
        ProgrammeError
            If it is an address, or no such file is found.
        """
        name = _local(location, place)
        spellings = list(dict.fromkeys(_spellings(name)))
        for spelling in spellings:
            path = os.path.join(self._folder, spelling)
            if _is_there(path):
                return path, None
        parts = [part for part in re.split(r"[\\/]", unquote(name)) if part not in ("", ".", "..")]
        parts = parts[1:] if parts and _DRIVE.fullmatch(parts[0]) else parts
        found = self._likest(parts, 1 if _is_absolute(name) else len(parts)) if parts else None
        if found is None and is_cue and parts:
            # Sheets are left as they were when the sound is converted.
            stem = os.path.splitext(parts[-1])[0]
            found = next(
                (file for file in (self._likest([f"{stem}{suffix}"], 1) for suffix in _CONVERTED) if file), None
            )
        if found is None:
            where = short(os.path.join(self._folder, spellings[-1]))
            looked = "nor is one of its name with the playlist; " if _is_absolute(name) else ""
            raise ProgrammeError("no such file", where=where, hint=f"{looked}{place}")
        return found, f"{short(location)} is not there, so this file was taken instead ({place})"

    def _likest(self, parts: list[str], at_least: int) -> str | None:
        """The file below the folder whose path ends most like the parts, at least in so many of them."""
        if self._below is None:
            self._below = _files_below(self._folder)
        wanted = [_key(part) for part in reversed(parts)]
        best: tuple[int, int, str] | None = None
        for path in self._below.get(wanted[0], []):
            has = [_key(part) for part in reversed(Path(path).parts)]
            alike = next((count for count, (a, b) in enumerate(zip(wanted, has, strict=False)) if a != b), None)
            count = min(len(wanted), len(has)) if alike is None else alike
            rank = (-count, len(has), path)
            if count >= at_least and (best is None or rank < best):
                best = rank
        return None if best is None else os.path.join(self._folder, best[2])


_CONVERTED = (".flac", ".wav", ".aiff", ".aif", ".mp3", ".ogg", ".opus")


def _local(location: str, place: str) -> str:
    """The path in a location, which may be an address of a file."""
    address = _ADDRESS.fullmatch(location)
    if address is None:
        return location
    if address[1].lower() != "file":
        what = "is not on this machine, and the program never goes on a network"
        raise ProgrammeError(what, where=short(location), hint=f"save the sound as a file; {place}")
    host, slash, rest = address[2].partition("/")
    path = unquote(f"{slash}{rest}", errors="surrogateescape")
    if re.match(r"/[A-Za-z]:[\\/]", path):
        return path[1:]
    return path if host.lower() in ("", "localhost") else f"//{host}{path}"


def _is_absolute(name: str) -> bool:
    return name.startswith(("/", "\\")) or bool(_DRIVE.match(name)) or os.path.isabs(name)


def _spellings(name: str) -> list[str]:
    """The ways in which a name may be meant, the likeliest first."""
    found = [name, unquote(name, errors="surrogateescape")]
    if os.name != "nt" and not _DRIVE.match(name) and not name.startswith("\\\\"):
        found += [each.replace("\\", "/") for each in found]
    if not name.isascii():
        found += [unicodedata.normalize(form, found[-1]) for form in ("NFC", "NFD")]
        with suppress(UnicodeError):
            found.append(os.fsdecode(found[-2].encode("latin-1")))  # a disk from when names were Latin-1
    return [*found, found[2] if len(found) > 2 else name]


def _is_there(path: str) -> bool:
    try:
        return os.path.exists(path)
    except (OSError, ValueError):  # a name that no file can have
        return False


def _key(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _files_below(folder: str) -> dict[str, list[str]]:
    """Files by name, as paths from the folder; what is hidden is left out."""
    found: dict[str, list[str]] = {}
    count = 0
    for where, folders, names in os.walk(folder or os.curdir):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in names:
            found.setdefault(_key(name), []).append(os.path.relpath(os.path.join(where, name), folder or os.curdir))
        count += len(names)
        if count > _MOST_LOOKED_AT:
            break
    return found
