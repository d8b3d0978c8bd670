"""Which files a command line means: files as given, folders with everything playable in them, in natural order."""

from __future__ import annotations

import os
import re
from pathlib import Path

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
    ]
)


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """Sorting key by which "track 2" comes before "track 10"."""
    parts = re.split(r"(\d+)", name.casefold())
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in parts]


def find(path: str) -> list[str]:
    """Files that one argument stands for.

    Parameters
    ----------
    path : str
        A file (taken whatever its name) or a folder (searched with everything below it).

    Raises
    ------
    ProgrammeError
        If a folder holds no sound file or cannot be listed.
    """
    if not os.path.isdir(path):
        return [path]
    refused: list[OSError] = []
    found = [
        os.path.join(folder, name)
        for folder, folders, names in os.walk(path, onerror=refused.append)
        for name in names
        if not name.startswith(".") and Path(name).suffix.lower() in SOUND_SUFFIXES
    ]
    if not found:
        if refused:
            raise ProgrammeError(f"cannot be searched: {refused[0].strerror}", where=path)
        raise ProgrammeError(
            "no sound file in this folder", where=path, hint="point at the folder that holds the tracks"
        )
    return sorted(found, key=natural_key)
