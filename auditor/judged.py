"""What came of one track, wherever it was worked on; a row of them as a set; a count of many that are not kept."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.audit_types import SEVERITY, Audit, FileFault, Traces, Verdict
from auditor.errors import MissingFileError
from auditor.judgement.heat import CarriedHeat, ChannelHeat
from auditor.programme.entry import Entry, Source, as_entry

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig
    from auditor.spread.contract import Done

_MOST_FAULTS = 10


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
    heat : tuple of ChannelHeat
        What each channel leaves by itself; with `frames`.
    told : tuple of str
        What a worker's store has to tell.
    faults : tuple of FileFault
        What could not be analysed, or not to the end.
    is_missing : bool
        Whether there was no such file where it was looked for.
    """

    index: int = 0
    audit: Audit | None
    frames: tuple[HfFrames, ...] = ()
    heat: tuple[ChannelHeat, ...] = ()
    told: tuple[str, ...] = ()
    faults: tuple[FileFault, ...] = ()
    is_missing: bool = False


def as_judged(done: Done[Source, Judged]) -> Judged:
    """A worker's answer with its place in the order, and with faults that are the worker's and not the file's."""
    entry = as_entry(done.item)
    if done.result is None:
        fault = FileFault(path=entry.name, message=f"{entry.name}: {done.lost}")
        return Judged(index=done.index, audit=None, faults=(fault,))
    judged = replace(done.result, index=done.index)
    if done.place is None or not judged.is_missing or not os.path.exists(entry.path):
        return judged
    what = f"is here, but the worker at {done.place} finds no such file"
    error = MissingFileError(what, where=entry.name, hint="give every worker the same folders under the same paths")
    return replace(judged, faults=(FileFault(path=entry.name, message=str(error)),))


class Row:
    """What came of a set's tracks, joined in the order given, with heat carried along as far as they are finished."""

    def __init__(self, rig: Rig) -> None:
        self.found: dict[int, Judged] = {}
        self.heat = CarriedHeat(rig)
        self._due = 0

    def add(self, judged: Judged) -> None:
        self.found[judged.index] = judged
        while self._due in self.found:
            self._carry(self.found[self._due])
            self._due += 1

    def _carry(self, judged: Judged) -> None:
        if judged.audit is not None:
            self.heat.carry_through(judged.frames, from_cold=judged.heat)

    def carry_anew(self) -> None:
        """Carry the heat once more from the start, past tracks that are missing."""
        self.heat = CarriedHeat(self.heat.rig)
        for judged in self._in_order:
            self._carry(judged)

    @property
    def tracks(self) -> list[Audit]:
        return [judged.audit for judged in self._in_order if judged.audit is not None]

    @property
    def frames(self) -> list[tuple[HfFrames, ...]]:
        return [judged.frames for judged in self._in_order if judged.audit is not None]

    @property
    def faults(self) -> list[FileFault]:
        return [fault for judged in self._in_order for fault in judged.faults]

    @property
    def _in_order(self) -> list[Judged]:
        return [self.found[index] for index in sorted(self.found)]


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
    first_faults : list of FileFault
        As many as are shown.
    """

    tracks: dict[Verdict, int] = field(default_factory=lambda: dict.fromkeys(SEVERITY, 0))
    verdict: Verdict | None = None
    margin_db: float | None = None
    worst_track: str | None = None
    coil_temp_max_c: float | None = None
    fault_count: int = 0
    first_faults: list[FileFault] = field(default_factory=list)
    _worst: tuple[tuple[int, float], int] = ((-1, -math.inf), 0)

    def add(self, judged: Judged) -> None:
        """Count one more."""
        for fault in judged.faults:
            self.add_fault(fault)
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

    def add_fault(self, fault: FileFault) -> None:
        """Count a file that was not judged, or not to the end."""
        self.fault_count += 1
        if len(self.first_faults) < _MOST_FAULTS:
            self.first_faults.append(fault)

    @property
    def track_count(self) -> int:
        """How many were judged."""
        return sum(self.tracks.values())


def riskiness(track: Audit) -> tuple[int, float]:
    """By which tracks are ranked: the greater the riskier."""
    return SEVERITY[track.verdict], -track.room_db


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
        named_entry = None if track.entry is None else replace(track.entry, path=entry.path)
        track = replace(track, path=entry.path, entry=named_entry, notes=notes, unjudged=unjudged)
    faults = tuple(FileFault(path=named(fault.path), message=named(fault.message)) for fault in judged.faults)
    return replace(judged, audit=track, faults=faults)
