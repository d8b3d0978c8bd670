"""The fader ridden so that every track plays at one loudness: `match_loudness_lufs` of the rig.

Each track is measured in a pass of its own, and its gain is what is missing to the loudness asked for. A trim comes on
top of that: it says by how much a track shall differ from the rest.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from auditor.programme.entry import Entry, Matched, Source, as_entry
from auditor.programme.measured import measured_loudness

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.rig import Rig

    Progress = Callable[[float], None]

_SHARE = 0.3  # of the work that measuring is, about


def ride(source: Source, rig: Rig, progress: Progress | None = None) -> tuple[Entry, Progress | None]:
    """Put the fader where the rig wants it for this track.

    Parameters
    ----------
    source : str, Path or Entry
        Measured unless it has been for the same loudness.
    rig : Rig
    progress : callable, optional
        Told the share that is done, 0 to 1, of this and of what comes after it.

    Returns
    -------
    entry : Entry
        With `matched` where the rig asks for a loudness, and without where it does not.
    progress : callable or None
        To be told the share of what comes after it.

    Raises
    ------
    ProgrammeError
        If the file cannot be read.
    """
    entry, target_lufs = as_entry(source), rig.level.match_loudness_lufs
    if target_lufs is None:
        return (entry if entry.matched is None else replace(entry, matched=None)), progress
    if entry.matched is not None and entry.matched.target_lufs == target_lufs:
        return entry, progress
    file_lufs = measured_loudness(entry, progress=_within(progress, 0.0, _SHARE))
    matched = Matched(target_lufs=target_lufs, file_lufs=file_lufs)
    return replace(entry, matched=matched), _within(progress, _SHARE, 1.0)


def _within(progress: Progress | None, from_ratio: float, to_ratio: float) -> Progress | None:
    if progress is None:
        return None
    return lambda done_ratio: progress(from_ratio + (to_ratio - from_ratio) * done_ratio)
