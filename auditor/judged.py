"""What came of one track, wherever it was worked on; its name on the way to other machines; a count of many of them."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.audit_types import SEVERITY, Audit, FileFault, Traces, Verdict
from auditor.programme.entry import Entry, Source, as_entry

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What came of one track.

    Parameters
    ----------
    index : int
        Its place in the order given, from 0.
    audit : Audit or None
        None where the file could not be analysed.
    frames : tuple of HfFrames
        What each channel sent to the HF branch, for the heat that is carried to the next track; empty where that is
        not asked for.
    faults : tuple of FileFault
        What could not be analysed, or not to the end.
    is_missing : bool
        Whether there was no such file where it was looked for.
    """

    index: int = 0
    audit: Audit | None
    frames: tuple[HfFrames, ...] = ()
    faults: tuple[FileFault, ...] = ()
    is_missing: bool = False


@dataclass
class Tally:
    """What is known of many tracks, each judged from cold, without keeping them.

    Parameters
    ----------
    tracks : dict
        How many were judged, by verdict.
    verdict : Verdict or None
        The worst; None where no track could be analysed.
    margin_db : float or None
        The smallest [dB].
    worst_track : str or None
        Name of the riskiest; the first in the order given of those that are equally so.
    coil_temp_max_c : float or None
        The hottest voice coil [C].
    fault_count : int
    """

    tracks: dict[Verdict, int] = field(default_factory=lambda: dict.fromkeys(SEVERITY, 0))
    verdict: Verdict | None = None
    margin_db: float | None = None
    worst_track: str | None = None
    coil_temp_max_c: float | None = None
    fault_count: int = 0
    _worst: tuple[tuple[int, float], int] = ((-1, -math.inf), 0)

    def add(self, judged: Judged) -> None:
        """Count one more."""
        self.fault_count += len(judged.faults)
        track = judged.audit
        if track is None:
            return
        self.tracks[track.verdict] += 1
        if self.verdict is None or SEVERITY[track.verdict] > SEVERITY[self.verdict]:
            self.verdict = track.verdict
        if track.margin_db is not None:
            self.margin_db = min(track.margin_db, math.inf if self.margin_db is None else self.margin_db)
        hottest_c = max(channel.protected.coil_temp_max_c for channel in track.channels)
        self.coil_temp_max_c = max(hottest_c, -math.inf if self.coil_temp_max_c is None else self.coil_temp_max_c)
        if (rank := (riskiness(track), -judged.index)) > self._worst:
            self._worst, self.worst_track = rank, track.name

    @property
    def track_count(self) -> int:
        """How many were judged."""
        return sum(self.tracks.values())


def riskiness(track: Audit) -> tuple[int, float]:
    """By which tracks are ranked: the greater the riskier."""
    return SEVERITY[track.verdict], -(track.margin_db if track.margin_db is not None else math.inf)


def without_traces(track: Audit) -> Audit:
    """The same audit with traces of no length: some kilobytes instead of megabytes."""
    return replace(
        track, channels=tuple(replace(channel, traces=_emptied(channel.traces)) for channel in track.channels)
    )


def _emptied(traces: Traces) -> Traces:
    none = {name: each[:0].copy() for name, each in vars(traces).items() if isinstance(each, np.ndarray)}
    return Traces(**{**vars(traces), **none})


def seen_from(folder: str, source: Source) -> Entry:
    """The same track by a path that leads there from any folder."""
    entry = as_entry(source)
    return replace(entry, path=os.path.join(folder, entry.path))


def named_as(source: Source, judged: Judged, there: Entry) -> Judged:
    """What came of a track that was read as `there`, told of its path as it was given."""
    entry = as_entry(source)
    if there.path == entry.path:
        return judged

    def named(text: str) -> str:
        return text.replace(there.path, entry.path)

    track = judged.audit
    if track is not None:
        notes, unjudged = (tuple(map(named, each)) for each in (track.notes, track.unjudged))
        track = replace(track, path=entry.path, entry=entry, notes=notes, unjudged=unjudged)
    faults = tuple(FileFault(path=named(fault.path), message=named(fault.message)) for fault in judged.faults)
    return replace(judged, audit=track, faults=faults)
