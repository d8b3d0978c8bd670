"""START HERE: from a programme file to a verdict, one line per stage.

play      file -> samples -> volts -> amplifier -> HF branch, frame by frame     (auditor.chain)
examine   HF branch -> protection and coil -> powers, temperatures, passages     (auditor.judgement)
margin    how much louder, or how far down, and what binds                       (auditor.judgement.margin)
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

from auditor.audit_types import SEVERITY, Audit, FileFault, SetAudit, Verdict
from auditor.chain.play import Played, play
from auditor.errors import AuditorError, ClusterError, MissingFileError
from auditor.judged import Judged, named_as, riskiness, seen_from, without_traces
from auditor.judgement.examine import Examined, examine
from auditor.judgement.heat import CarriedHeat
from auditor.judgement.margin import Line, margin
from auditor.judgement.quieter import quieter_risk
from auditor.programme.entry import Source, as_entry
from auditor.spread import Done, Here, Way
from auditor.threads import THREADS

if TYPE_CHECKING:
    from auditor.rig import Rig

    Progress = Callable[[float], None]


def audit(programme: Source, rig: Rig, *, frame_s: float | None = None, progress: Progress | None = None) -> Audit:
    """Audit one track, everything cold at its start.

    Parameters
    ----------
    programme : str or Path
        A sound file.
    rig : Rig
        From `auditor.load_rig`.
    frame_s : float, optional
        Frame length of the analysis [s]; 6 ms by default.
    progress : callable, optional
        Told the share of the file that is done, 0 to 1.

    Returns
    -------
    Audit
        Verdict, margin, passages and every trace.

    Raises
    ------
    ProgrammeError
        If the file cannot be analysed.
    """
    return judge(play(programme, rig, frame_s=frame_s, progress=progress), rig)


def audit_set(
    programmes: Sequence[Source],
    rig: Rig,
    *,
    progress: Callable[[int], Progress] | None = None,
    earlier_faults: Sequence[FileFault] = (),
    way: Way | None = None,
) -> SetAudit:
    """Audit tracks in order. Each is judged from cold; for the set's own verdict heat is carried from one to the next.

    Parameters
    ----------
    programmes : sequence of str or Path
    rig : Rig
    progress : callable, optional
        Given a track's index, returns the callable that is told how much of it is done.
    earlier_faults : sequence of FileFault
        Faults found before any file was opened, to stand in the result.
    way : Way, optional
        How tracks are judged side by side, from `auditor.spread`; otherwise one after the other in this process. The
        result is the same.

    Returns
    -------
    SetAudit
        Files that could not be analysed, or not to the end, are in `errors`; after Ctrl-C it holds what was finished.

    Raises
    ------
    ClusterError
        If `way` is a cluster on which nothing can be done.
    """
    row = _Row(rig)
    faults: list[FileFault] = []
    interrupted = False
    try:
        with closing(audit_each(programmes, rig, progress=progress, way=way, is_set=True)) as all_judged:
            for judged in all_judged:
                row.add(judged)
    except KeyboardInterrupt:
        interrupted = True
        row.carry_anew()
    except ClusterError as error:
        if not row.found:
            raise
        left = f"{len(programmes) - len(row.found)} track(s) not judged"
        faults.append(FileFault(path=str(error.where), message=f"{error}; {left}"))
        row.carry_anew()
    return _conclude(rig, row.tracks, row.heat, [*earlier_faults, *row.faults, *faults], interrupted=interrupted)


class _Row:
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
            self.heat.carry_through(judged.frames)

    def carry_anew(self) -> None:
        """Carry the heat once more from the start, past tracks that are missing."""
        self.heat = CarriedHeat(self.heat.rig)
        for judged in self._in_order:
            self._carry(judged)

    @property
    def tracks(self) -> list[Audit]:
        return [judged.audit for judged in self._in_order if judged.audit is not None]

    @property
    def faults(self) -> list[FileFault]:
        return [fault for judged in self._in_order for fault in judged.faults]

    @property
    def _in_order(self) -> list[Judged]:
        return [self.found[index] for index in sorted(self.found)]


def audit_each(
    programmes: Iterable[Source],
    rig: Rig,
    *,
    progress: Callable[[int], Progress] | None = None,
    way: Way | None = None,
    is_set: bool = False,
) -> Generator[Judged, None, None]:
    """Audit tracks each for itself and yield what came of each as it is finished, in any order.

    Parameters
    ----------
    programmes : iterable of str or Path
        Read as it goes, so that it may be of any length.
    rig : Rig
    progress, way
        As `audit_set`.
    is_set : bool
        Whether the audits keep their traces and come with what the carried heat follows from. Without they take
        some kilobytes each.
    """
    way = way or Here()
    work = functools.partial(_judged, rig=rig, is_set=is_set, folder=os.getcwd() if way.is_elsewhere else None)
    with closing(way.run(work, programmes, tell=progress)) as answers:
        for done in answers:
            yield _told(done)


def _judged(source: Source, rig: Rig, *, is_set: bool, folder: str | None, progress: Progress | None = None) -> Judged:
    """What a worker does; with the folder that paths go from, where that is not its own."""
    there = as_entry(source) if folder is None else seen_from(folder, source)
    try:
        played = play(there, rig, progress=progress)
        track = judge(played, rig)
    except AuditorError as error:
        fault = FileFault(path=there.name, message=str(error))
        judged = Judged(audit=None, faults=(fault,), is_missing=isinstance(error, MissingFileError))
        return named_as(source, judged, there)
    frames = tuple(feed.frames for feed in played.feeds) if is_set else ()
    track = track if is_set else without_traces(track)
    return named_as(source, Judged(audit=track, faults=tuple(played.faults), frames=frames), there)


def _told(done: Done[Source, Judged]) -> Judged:
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


def judge(played: Played, rig: Rig) -> Audit:
    """Audit one track that has been played up to the HF branch, with the ladder of other gains."""
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        examined = list(
            pool.map(
                lambda item: examine(item[1], rig, item[0], played.duration_s),
                enumerate(played.feeds),
            )
        )
    present = [one.excess for one in examined]
    lines = _lines(played, rig, examined)
    margin_db, limited_by = margin(lines)
    passages = sorted(
        (passage for one in examined for passage in one.passages),
        key=lambda passage: (passage.start_s, passage.channel),
    )
    return Audit(
        path=played.programme.path,
        duration_s=played.duration_s,
        sample_rate_hz=played.programme.sample_rate_hz,
        channel_count=played.programme.channel_count,
        loudness_lufs=played.loudness.integrated_lufs,
        true_peak_dbtp=played.loudness.true_peak_dbtp,
        peak_to_loudness_db=played.loudness.peak_to_loudness_db,
        verdict=_worst(passage.verdict for passage in passages),
        margin_db=margin_db,
        margin_limited_by=limited_by,
        worst_channel=max(range(len(present)), key=lambda index: present[index][0]),
        channels=tuple(one.channel for one in examined),
        passages=tuple(passages),
        notes=played.notes,
        unjudged=played.unjudged,
        rig=rig,
        quieter_risk=quieter_risk(lines, margin_db),
        entry=played.programme.entry,
    )


def _lines(played: Played, rig: Rig, examined: list[Examined]) -> list[Line]:
    """What the margin must hold for: every channel, at both ends of the part's tolerance where it has two."""
    return [
        line
        for feed, one in zip(played.feeds, examined, strict=True)
        for line in (
            [Line(feed=feed, rig=end.rig, excess=end.excess) for end in one.ends]
            or [Line(feed=feed, rig=rig, excess=one.excess)]
        )
    ]


def _worst(verdicts: Iterator[Verdict]) -> Verdict:
    return max(verdicts, key=SEVERITY.__getitem__, default="clear")


def _conclude(
    rig: Rig, tracks: list[Audit], heat: CarriedHeat, faults: list[FileFault], *, interrupted: bool
) -> SetAudit:
    verdict = _worst(track.verdict for track in tracks)
    margins = [track.margin_db for track in tracks if track.margin_db is not None]
    if heat.excess_db > 0.0:
        # Each track alone may be safe and the row of them not. Turned down by what a limiter takes away it rests, and
        # from there on the branch follows the mixer.
        verdict = "risk"
        limited_db = _most_limited_db(tracks)
        margins.append(-limited_db - heat.turn_down_db(-min(margins, default=0.0) - limited_db))
    worst = max(tracks, key=riskiness, default=None)
    return SetAudit(
        rig=rig,
        tracks=tuple(tracks),
        verdict=verdict,
        margin_db=min(margins, default=None),
        worst_track=worst.name if worst is not None else None,
        coil_temp_max_c=heat.coil_temp_max_c,
        errors=tuple(faults),
        interrupted=interrupted,
    )


def _most_limited_db(tracks: list[Audit]) -> float:
    works = [channel.limiter for track in tracks for channel in track.channels if channel.limiter is not None]
    return max((work.reduction_max_db for work in works), default=0.0)
