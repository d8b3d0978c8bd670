"""Which files a command line means: files as given, folders with everything playable in them, in natural order."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable
from pathlib import Path

from auditor.audit_types import FileFault
from auditor.errors import ProgrammeError

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


def search(paths: Iterable[str]) -> tuple[list[str], list[FileFault]]:
    """Files that the arguments stand for, and what could not be searched for them.

    Parameters
    ----------
    paths : iterable of str
        Files (taken whatever their names) and folders (searched with everything below them, but for what is hidden;
        links to folders are not followed, so that a loop of them does no harm).

    Returns
    -------
    files : list of str
        In the order of the arguments; a file that is named twice, or also lies in a folder named, is taken once.
    faults : list of FileFault
    """
    files: dict[str, str] = {}
    faults: list[FileFault] = []
    for path in paths:
        found, refused = _below(path) if os.path.isdir(path) else ([path], [])
        for file in found:
            files.setdefault(os.path.realpath(file), file)
        faults += [FileFault(path=str(error.where), message=str(error)) for error in refused]
    return list(files.values()), faults


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


def refuse_unreadable(where: str) -> None:
    """Open the file as the operating system does, whose reasons are plainer than libsndfile's."""
    try:
        mode = os.stat(where).st_mode
        if stat.S_ISREG(mode):
            with open(where, "rb") as raw:
                if raw.read(1):
                    return
    except FileNotFoundError:
        raise ProgrammeError(
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
