"""START HERE: from a programme file to a verdict, one line per stage.

play      file -> samples -> volts -> amplifier -> HF branch, frame by frame     (auditor.chain)
examine   HF branch -> protection and coil -> powers, temperatures, passages     (auditor.judgement)
margin    how much louder, or how far down, and what binds                       (auditor.judgement.margin)

A set is judged track by track, each from cold, or played through as one night     (auditor.judgement.night)
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

from auditor.audit_types import Audit, FileFault, SetAudit
from auditor.chain.play import Played, play, play_each
from auditor.errors import AuditorError, ClusterError, MissingFileError
from auditor.interrupt import held
from auditor.judged import Judged, Row, as_judged, named_as, seen_from, without_traces
from auditor.judgement.band import band_of
from auditor.judgement.band_set import band_of_set
from auditor.judgement.examine import Carried, Examined, examine
from auditor.judgement.heat import heat_from_cold
from auditor.judgement.margin import lines_of, margin
from auditor.judgement.quieter import quieter_risk
from auditor.programme.entry import Source, as_entry
from auditor.spread import Here, Way
from auditor.threads import thread_count
from auditor.whole_set import conclude, most_limited_db, played_through, worst_verdict

if TYPE_CHECKING:
    from auditor.rig import Rig
    from auditor.store.store import Store

    Progress = Callable[[float], None]

_SHARE_OF_PLAYING = 0.5  # of a track's time, about, where its margin's band is wanted


def audit(
    programme: Source,
    rig: Rig,
    *,
    frame_s: float | None = None,
    progress: Progress | None = None,
    store: Store | None = None,
) -> Audit:
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
    store : Store, optional
        Where what was played is kept from one run to the next; nothing is kept without.

    Returns
    -------
    Audit
        Verdict, margin, passages and every trace.

    Raises
    ------
    ProgrammeError
        If the file cannot be analysed.
    """
    return judge(play(programme, rig, frame_s=frame_s, progress=progress, store=store), rig)


def audit_set(
    programmes: Sequence[Source],
    rig: Rig,
    *,
    gap_s: float | None = None,
    progress: Callable[[int], Progress] | None = None,
    tell: Callable[[str], None] | None = None,
    earlier_faults: Sequence[FileFault] = (),
    way: Way | None = None,
    store: Store | None = None,
    with_band: bool = False,
) -> SetAudit:
    """Audit tracks in order. Each is judged from cold; for the set's own verdict heat is carried from one to the next.

    With `gap_s` the set is played through as one night instead: with so much silence between two tracks, and every
    track judged in its place.

    Parameters
    ----------
    programmes : sequence of str or Path
    rig : Rig
    gap_s : float, optional
        Silence between two tracks [s].
    progress : callable, optional
        Given a track's index, returns the callable that is told how much of it is done.
    tell : callable, optional
        Told what is being done once all tracks of a night have been read.
    earlier_faults : sequence of FileFault
        Faults found before any file was opened, to stand in the result.
    way : Way, optional
        How tracks are judged side by side, from `auditor.spread`; otherwise one after the other in this process. The
        result is the same. Not with a gap: what a night's tracks go through depends on those before.
    store : Store, optional
        As `audit`.
    with_band : bool
        Whether to find out between what the margins lie, assumed values being anywhere within their bands; not of a
        night.

    Returns
    -------
    SetAudit
        Files that could not be analysed, or not to the end, are in `errors`; after Ctrl-C it holds what was finished.

    Raises
    ------
    ClusterError
        If `way` is a cluster on which nothing can be done.
    """
    if gap_s is not None:
        faults = list(earlier_faults)
        material: list[Played] = []
        interrupted = play_each(programmes, rig, material.append, faults=faults, progress=progress, store=store)
        return played_through(rig, material, gap_s, faults, judged=_judged, interrupted=interrupted, tell=tell)
    row = Row(rig)
    broken: list[FileFault] = []
    interrupted = False
    try:
        each = audit_each(programmes, rig, progress=progress, way=way, is_set=True, store=store, with_band=with_band)
        with closing(each) as all_judged:
            for judged in all_judged:
                row.add(judged)
    except KeyboardInterrupt:
        interrupted = True
        row.carry_anew()
    except ClusterError as error:
        if not row.found:
            raise
        left = f"{len(programmes) - len(row.found)} track(s) not judged"
        broken.append(FileFault(path=str(error.where), message=f"{error}; {left}"))
        row.carry_anew()
    with held() as hold:
        result = conclude(rig, row.tracks, row.heat, [*earlier_faults, *row.faults, *broken], interrupted=interrupted)
        if with_band:
            band = band_of_set(rig, row.tracks, row.frames, limited_db=most_limited_db(row.tracks))
            result = replace(result, band=band)
    return replace(result, interrupted=interrupted or hold.came)


def audit_each(
    programmes: Iterable[Source],
    rig: Rig,
    *,
    progress: Callable[[int], Progress] | None = None,
    way: Way | None = None,
    is_set: bool = False,
    store: Store | None = None,
    with_band: bool = False,
) -> Generator[Judged, None, None]:
    """Audit tracks each for itself and yield what came of each as it is finished, in any order.

    Parameters
    ----------
    programmes : iterable of str or Path
        Read as it goes, so that it may be of any length.
    rig : Rig
    progress, way, store, with_band
        As `audit_set`.
    is_set : bool
        Whether the audits keep their traces and come with what the carried heat follows from. Without they take
        some kilobytes each.
    """
    way = way or Here()
    work = functools.partial(
        judge_source,
        rig=rig,
        is_set=is_set,
        with_band=with_band,
        folder=os.getcwd() if way.is_elsewhere else None,
        store=_for(way, store),
    )
    with closing(way.run(work, programmes, tell=progress)) as answers:
        for done in answers:
            judged = as_judged(done)
            for line in judged.told:
                assert store is not None
                store.say_once(line)
            yield judged


def _for(way: Way, store: Store | None) -> Store | None:
    """The store as whoever works there may use it: another machine's disk is not ours to fill."""
    if store is None or way.is_elsewhere:
        return None
    return store if isinstance(way, Here) else store.for_workers()


def judge_source(
    source: Source,
    rig: Rig,
    *,
    is_set: bool,
    with_band: bool,
    folder: str | None,
    progress: Progress | None = None,
    store: Store | None = None,
) -> Judged:
    """What a worker does; with the folder that paths go from, where that is not its own."""
    there = as_entry(source) if folder is None else seen_from(folder, source)
    try:
        playing = _SHARE_OF_PLAYING if with_band else 1.0
        played = play(there, rig, progress=_shared(progress, 0.0, playing), store=store)
        track, examined = _judged(played, rig)
        if with_band:
            track = banded(track, played, tell=_shared(progress, playing, 1.0))
    except AuditorError as error:
        fault = FileFault(path=there.name, message=str(error))
        judged = Judged(audit=None, faults=(fault,), is_missing=isinstance(error, MissingFileError))
        return named_as(source, replace(judged, told=store.unsaid() if store else ()), there)
    judged = Judged(audit=track if is_set else without_traces(track), faults=tuple(played.faults))
    if is_set:
        frames, heat = (feed.frames for feed in played.feeds), map(heat_from_cold, examined)
        judged = replace(judged, frames=tuple(frames), heat=tuple(heat))
    return named_as(source, replace(judged, told=store.unsaid() if store else ()), there)


def banded(audit: Audit, played: Played, *, tell: Progress | None = None) -> Audit:
    """The same audit with between what its margin lies.

    Parameters
    ----------
    audit : Audit
        Of `played`.
    played : Played
    tell : callable, optional
        Told the share that is done, 0 to 1.
    """
    band = band_of(played, audit.rig, margin_db=audit.margin_db, verdict=audit.verdict, tell=tell)
    return replace(audit, band=band)


def judge(played: Played, rig: Rig) -> Audit:
    """Audit one track that has been played up to the HF branch, with the ladder of other gains."""
    return _judged(played, rig)[0]


def _judged(played: Played, rig: Rig, before: Sequence[Carried] = ()) -> tuple[Audit, list[Examined]]:
    """The same, each channel on top of what was played before; from cold without."""
    before = before or [Carried()] * len(played.feeds)
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        examined = list(
            pool.map(
                lambda item: examine(item[1], rig, item[0], played.duration_s, before=before[item[0]]),
                enumerate(played.feeds),
            )
        )
    present = [one.excess for one in examined]
    lines = lines_of(played.feeds, rig, examined, before)
    margin_db, limited_by = margin(lines)
    passages = sorted(
        (passage for one in examined for passage in one.passages),
        key=lambda passage: (passage.start_s, passage.channel),
    )
    audit = Audit(
        path=played.programme.path,
        duration_s=played.duration_s,
        sample_rate_hz=played.programme.sample_rate_hz,
        channel_count=played.programme.feed_count,
        loudness_lufs=played.loudness.integrated_lufs,
        true_peak_dbtp=played.loudness.true_peak_dbtp,
        peak_to_loudness_db=played.loudness.peak_to_loudness_db,
        verdict=worst_verdict(passage.verdict for passage in passages),
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
    return audit, examined


def _shared(progress: Progress | None, from_ratio: float, to_ratio: float) -> Progress | None:
    """What to tell of a step that goes from one share of the whole to another."""
    if progress is None:
        return None
    return lambda done_ratio: progress(from_ratio + (to_ratio - from_ratio) * done_ratio)
