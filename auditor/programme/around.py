"""Which file on this machine a name in a playlist stands for: where it says, or one of its name below the playlist."""

from __future__ import annotations

import math
import ntpath
import os
import posixpath
import re
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

from auditor.errors import ProgrammeError
from auditor.programme.playlist import short

_MOST_LOOKED_AT = 200_000  # files below a playlist's folder
_LONGEST_PATH = 4096  # characters: systems that allow longer ones do not let them be typed
_ADDRESS = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+)://(.*)", re.DOTALL)
_DRIVE = re.compile(r"[A-Za-z]:(?![^\\/])")
_BETWEEN = re.compile(r"[\\/]")
_BETWEEN_HERE = _BETWEEN if os.name == "nt" else re.compile("/")
_CONVERTED = (".flac", ".wav", ".aiff", ".aif", ".mp3", ".ogg", ".opus")


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """The file that a name in a playlist stands for.

    Parameters
    ----------
    path : str
    place : str
        Where the name stands, for messages: `line 3 of friday.m3u`.
    note : str or None
        What is to be said of it where it is called otherwise than it was named.
    alike : float
        In how many parts, from its name backwards, its path agrees with the name; infinite where the file is where
        the playlist says, so that there was nothing to guess.
    meant : str
        The place that the name means, however it is spelled; empty where there was nothing to guess.
    named : str
        The name as messages have it; empty where there was nothing to guess.
    """

    path: str
    place: str
    note: str | None = None
    alike: float = math.inf
    meant: str = ""
    named: str = ""

    @property
    def is_guess(self) -> bool:
        """Whether it is another place than the playlist says."""
        return self.alike < math.inf

    def refused(self, why: str) -> ProgrammeError:
        """The guess taken back."""
        return ProgrammeError("no such file", where=self.named, hint=f"{why}; {self.place}")


class Around:
    """A playlist's folder, and what lies around it once that is asked for."""

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._below: dict[str, list[str]] | None = None
        self._listings: dict[str, dict[str, list[str]] | None] = {}
        self._folders: dict[str, str | None] = {}

    def find(self, location: str, *, place: str, is_cue: bool = False) -> Found:
        """The file that a location means.

        Parameters
        ----------
        location : str
        place : str
            Where it stands, for messages.
        is_cue : bool
            Whether a file of another format will do: sheets are left as they were when the sound is converted.

        Raises
        ------
        ProgrammeError
            If it is an address, or no such file is found.
        """
        name = _local(location, place)
        for spelling in _spellings(name):
            path = os.path.join(self._folder, spelling)
            if _is_there(path):
                return Found(path=path, place=place)
        note = f"{short(location)} is not there, so this file was taken instead ({place})"
        named = short(_shown(name) if _is_absolute(name) else os.path.join(self._folder, _shown(name)))
        names = [name, *_converted(name)] if is_cue else [name]
        if not _is_absolute(name):
            for each in names:
                if paths := self._followed(each):
                    if len(paths) == 1:
                        return Found(path=paths[0], place=place, note=note)
                    return self._guess(paths[0], each, place=place, note=note, named=named)
        guesses = []
        for each in names:
            likest = self._likest(each)
            if len(set(map(_size_bytes, likest))) > 1:
                several = f"{short(likest[0])} and {short(likest[1])} are equally like it; {place}"
                raise ProgrammeError("no such file", where=named, hint=several)
            guesses += [self._guess(path, each, place=place, note=note, named=named) for path in likest[:1]]
        if guesses:
            return max(guesses, key=lambda each: each.alike)  # of several as good, the first
        looked = "nor is one of its name with the playlist; " if _is_absolute(name) else ""
        raise ProgrammeError("no such file", where=named, hint=f"{looked}{place}")

    def _guess(self, path: str, name: str, *, place: str, note: str, named: str) -> Found:
        alike = _alike(_parts(name), Path(os.path.abspath(path)).parts)
        return Found(path=path, place=place, note=note, alike=alike, meant=self._meant(name), named=named)

    def _meant(self, name: str) -> str:
        """A location so that two of one place are the same text."""
        plain = unquote(name).replace("\\", "/")
        if not _is_absolute(name):
            plain = posixpath.join(os.path.abspath(self._folder).replace("\\", "/"), plain)
        plain = unicodedata.normalize("NFC", posixpath.normpath(plain))
        # Where paths begin with a stroke, two that differ in capitals only may be two files.
        return plain if name.startswith("/") else plain.casefold()

    def _followed(self, name: str) -> list[str]:
        """Where a relative path leads if capitals and normal form are no matter, the likeliest first."""
        for spelling in _spellings(name):
            *folders, last = [part for part in _BETWEEN_HERE.split(spelling) if part not in ("", ".")] or [""]
            if not last or len(spelling) > _LONGEST_PATH:
                continue
            places = {os.path.realpath(self._folder or os.curdir): self._folder}
            for part in folders:
                places = self._entered(places, part)
                if not places:
                    break
            paths = [os.path.join(shown, each) for real, shown in places.items() for each in self._named(real, last)]
            if paths := [path for path in paths if _is_there(path)]:
                return paths
        return []

    def _entered(self, places: dict[str, str], part: str) -> dict[str, str]:
        """The folders that one part of a path leads to, resolved, with their paths as they are shown."""
        entered: dict[str, str] = {}
        for real, shown in places.items():
            if part == "..":
                entered.setdefault(os.path.dirname(real), os.path.join(shown, part))
                continue
            for name in self._named(real, part):
                path = os.path.join(real, name)
                if path not in self._folders:
                    self._folders[path] = os.path.realpath(path) if _is_folder(path) else None
                folder = self._folders[path]
                if folder is not None:
                    entered.setdefault(folder, os.path.join(shown, name))
        return entered

    def _named(self, folder: str, name: str) -> list[str]:
        """What is called so in a folder, that with these capitals first."""
        if folder not in self._listings:
            self._listings[folder] = _listing(folder)
        listing = self._listings[folder]
        if listing is None:
            return [name]
        return sorted(listing.get(_key(name), ()), key=lambda each: (each != name, each))

    def _likest(self, name: str) -> list[str]:
        """The files below the folder whose paths end most like the name, the shortest first.

        A relative one must agree in every part.
        """
        wanted = _parts(name)
        if not wanted:
            return []
        if self._below is None:
            self._below = _files_below(self._folder)
        at_least = 1 if _is_absolute(name) else len(wanted)
        counted = [(_alike(wanted, Path(path).parts), path) for path in self._below.get(_key(wanted[-1]), [])]
        most = max((count for count, _ in counted), default=0)
        likest = [path for count, path in counted if count == most >= at_least]
        return [
            os.path.join(self._folder, path) for path in sorted(likest, key=lambda each: (len(Path(each).parts), each))
        ]


def _size_bytes(path: str) -> int | None:
    """By which copies of one file are told from files that are only called alike."""
    try:
        return os.path.getsize(path)
    except OSError:
        return None


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
    found += [_shown(each) for each in found]
    if not name.isascii():
        found += [unicodedata.normalize(form, found[-1]) for form in ("NFC", "NFD")]
        with suppress(UnicodeError):
            found.append(os.fsdecode(found[-2].encode("latin-1")))  # a disk from when names were Latin-1
    return list(dict.fromkeys(found))


def _shown(name: str) -> str:
    """A name with this machine's separators, if it can be one of this machine's."""
    is_foreign = os.name == "nt" or bool(_DRIVE.match(name)) or name.startswith("\\\\")
    return name if is_foreign else name.replace("\\", "/")


def _converted(name: str) -> Iterable[str]:
    """The name with the suffixes that a converted file may have."""
    stem = ntpath.splitext(name)[0]  # which knows both separators
    return [each for each in (f"{stem}{suffix}" for suffix in _CONVERTED) if each != name]


def _parts(name: str) -> list[str]:
    """What a path has between its separators, without drive and dots."""
    parts = [part for part in _BETWEEN.split(unquote(name)) if part not in ("", ".", "..")]
    return parts[1:] if parts and _DRIVE.fullmatch(parts[0]) else parts


def _alike(wanted: Iterable[str], has: Iterable[str]) -> int:
    """In how many parts two paths agree, from their ends backwards."""
    pairs = zip(reversed([*wanted]), reversed([*has]), strict=False)
    count = 0
    for one, other in pairs:
        if _key(one) != _key(other):
            break
        count += 1
    return count


def _is_there(path: str) -> bool:
    try:
        return os.path.exists(path)
    except (OSError, ValueError):  # a name that no file can have
        return False


def _is_folder(path: str) -> bool:
    try:
        return os.path.isdir(path)
    except (OSError, ValueError):
        return False


def _key(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _listing(folder: str) -> dict[str, list[str]] | None:
    """What is in a folder, by name; None where that is not to be had, which need not keep from entering it."""
    found: dict[str, list[str]] = {}
    try:
        for name in os.listdir(folder):
            found.setdefault(_key(name), []).append(name)
    except (OSError, ValueError):
        return None
    return found


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
