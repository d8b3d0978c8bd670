"""Which tracks a command line means: files as given, playlists, folders with everything playable, in natural order."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from auditor.audit_types import FileFault
from auditor.errors import MissingFileError, ProgrammeError
from auditor.programme.entry import Entry
from auditor.programme.located import locate
from auditor.programme.playlist import is_playlist

SOUND_SUFFIXES = frozenset(
    [
        ".wav",
        ".wave",
        ".w64",
        ".rf64",
        ".bwf",
        ".aif",
        ".aiff",
        ".aifc",
        ".caf",
        ".flac",
        ".ogg",
        ".oga",
        ".opus",
        ".mp3",
        ".mp2",
        ".au",
        ".snd",
        ".sd2",
        ".voc",
        ".ircam",
        # Below: through FFmpeg. Video too, for a clip with music may be played tonight like any other track.
        ".m4a",
        ".m4b",
        ".m4p",
        ".aac",
        ".wma",
        ".ac3",
        ".eac3",
        ".ec3",
        ".mka",
        ".mp4",
        ".m4v",
        ".mov",
        ".mkv",
        ".webm",
        ".wmv",
        ".3gp",
    ]
)


def natural_key(name: str) -> tuple[list[tuple[int, int, str]], str]:
    """Sorting key by which "track 2" comes before "track 10"; the name itself settles what is left equal."""
    parts = re.split(r"(\d+)", name.casefold())
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts], name


def search(paths: Iterable[str]) -> tuple[list[Entry], list[FileFault]]:
    """Tracks that the arguments stand for, and what could not be searched for them.

    Parameters
    ----------
    paths : iterable of str
        Files (taken whatever their names), playlists, and folders (searched with everything below them, but for
        playlists and what is hidden; links to folders are not followed, so that a loop of them does no harm).

    Returns
    -------
    entries : list of Entry
        In the order of the arguments; a file that is named twice, or also lies in a folder named, is taken once. What
        a playlist names twice is played twice.
    faults : list of FileFault
    """
    entries: list[Entry] = []
    seen: set[str] = set()
    turns: dict[tuple[str, float, float | None], int] = {}
    faults: list[FileFault] = []
    paths = list(paths)
    playlists = [path for path in paths if is_playlist(path) and not os.path.isdir(path)]
    tracks = dict(zip(playlists, locate(playlists), strict=True))
    for path in paths:
        if located := tracks.get(path):
            found, refused = [_again(entry, turns) for entry in located.entries], located.faults
        else:
            files, refused = _below(path) if os.path.isdir(path) else ([path], [])
            found = [Entry(path=file) for file in files if os.path.realpath(file) not in seen]
            found = list({os.path.realpath(entry.path): entry for entry in reversed(found)}.values())[::-1]
            turns.update({(os.path.realpath(entry.path), 0.0, None): 1 for entry in found})
        entries += found
        seen.update(os.path.realpath(entry.path) for entry in found)
        faults += [FileFault(path=str(error.where), message=str(error)) for error in refused]
    return entries, faults


def _again(entry: Entry, turns: dict[tuple[str, float, float | None], int]) -> Entry:
    """A playlist's entry with the count of how often it has been met; said from the second time on."""
    key = (os.path.realpath(entry.path), entry.start_s, entry.end_s)
    turns[key] = turns.get(key, 0) + 1
    if turns[key] == 1:
        return entry
    note = f"the playlist has it more than once; this is time {turns[key]}, and it is played again"
    return replace(entry, turn=turns[key], notes=(*entry.notes, note))


def _below(top: str) -> tuple[list[str], list[ProgrammeError]]:
    found: list[str] = []
    refused: list[ProgrammeError] = []

    def refuse(error: OSError) -> None:
        refused.append(ProgrammeError(f"cannot be searched: {error.strerror}", where=error.filename))

    for folder, folders, names in os.walk(top, onerror=refuse):
        folders[:] = [name for name in folders if not name.startswith(".")]
        found += [
            os.path.join(folder, name)
            for name in names
            if not name.startswith(".") and Path(name).suffix.lower() in SOUND_SUFFIXES
        ]
    if not found and not refused:
        hint = "point at the folder that holds the tracks"
        refused.append(ProgrammeError("no sound file in this folder", where=top, hint=hint))
    return sorted(found, key=natural_key), refused


def mark(found: os.stat_result) -> tuple[int, int, int, int, int]:
    """What changes when a file is written to, or another is put in its place: disk, number, size and dates."""
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def refuse_unreadable(where: str) -> None:
    """Open the file as the operating system does, whose reasons are plainer than libsndfile's."""
    try:
        mode = os.stat(where).st_mode
        if stat.S_ISREG(mode):
            with open(where, "rb") as raw:
                if raw.read(1):
                    return
    except FileNotFoundError:
        raise MissingFileError(
            "no such file", where=where, hint="check the spelling and that the drive is there"
        ) from None
    except PermissionError:
        raise ProgrammeError("may not be read", where=where, hint="change its permissions or copy it") from None
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        raise ProgrammeError(f"cannot be read: {getattr(error, 'strerror', error)}", where=where) from None
    if stat.S_ISREG(mode):
        raise ProgrammeError("is empty (0 bytes)", where=where, hint="copy it again from its source")
    if stat.S_ISDIR(mode):
        raise ProgrammeError("is a folder, not a file", where=where)
    # A pipe may never answer, and a device may never end.
    raise ProgrammeError("is a device or a pipe, not a file", where=where, hint="write the sound to a file first")
