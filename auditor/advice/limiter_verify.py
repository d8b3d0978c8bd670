"""The whole programme once more through the limiters that are proposed: verdict, how often they work, margin.

The margin is how much further up the mixer may go with these limiters in place, by replays of the file
(`auditor.judgement.replayed_margin`). They cost time, so it is worked out on the track that is nearest its limit, and
from there on only where another of the `MOST_LOOKS` nearest would bind before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor.advice.limiter_search import Trial, judged
from auditor.advice.material import gather
from auditor.advice.trial import put_through
from auditor.errors import AuditorError
from auditor.judgement.before import NOTHING
from auditor.judgement.margin import Line, margin, trial_channel
from auditor.judgement.replayed_margin import HIGHEST_GAIN_DB, MOST_REPLAYS
from auditor.judgement.worst import each_worst_and_after
from auditor.programme.entry import Source, as_entry
from auditor.protection import within_tolerance
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.advice.material import Material
    from auditor.advice.trial import Outcome
    from auditor.audit_types import Cause
    from auditor.chain.play import Played
    from auditor.rig import Rig
    from auditor.store.store import Store

MOST_LOOKS = 8


@dataclass(frozen=True, kw_only=True)
class TrackWork:
    """What the limiters do on one track, in the channel where they do most, and what is left of its room.

    Parameters
    ----------
    path : str
    duration_s : float
    active_ratio : float
        Share of the time in which they work.
    reduction_max_db : float
    bare_db : float
        By how much the track is over its nearest limit without limiters, negative below it [dB].
    bare_cause : Cause
    excess_db : float
        The same with them [dB].
    cause : Cause
    """

    path: str
    duration_s: float
    active_ratio: float
    reduction_max_db: float
    bare_db: float
    bare_cause: Cause
    excess_db: float
    cause: Cause


@dataclass(frozen=True, kw_only=True)
class Verified:
    """The programme through the proposal.

    Parameters
    ----------
    outcome : Outcome
    tracks : tuple of TrackWork
        In the order given.
    margin_db : float or None
        None where even 20 dB more at the mixer reaches no limit, or where it was not looked for.
    margin_limited_by : Cause or None
    margin_tracks : int
        On how many tracks it was worked out or looked at.
    active_ratio : float
        Share of the whole time in which a limiter works.
    reduction_max_db : float
    """

    outcome: Outcome
    tracks: tuple[TrackWork, ...]
    margin_db: float | None
    margin_limited_by: Cause | None
    margin_tracks: int
    active_ratio: float
    reduction_max_db: float


@dataclass(frozen=True, kw_only=True)
class Pass:
    """Every track through one rig.

    decodes : int
        How often a file was read for it.
    """

    rig: Rig
    played: tuple[Played, ...]
    outcome: Outcome
    trials: dict[str, Trial]
    decodes: int


def pass_through(paths: Sequence[Source], rig: Rig, *, store: Store | None = None) -> Pass:
    """Play every track through the rig and judge it.

    Raises
    ------
    AuditorError
        If a file cannot be read any more.
    """
    material = gather(paths, rig, store=store)
    if material.interrupted:
        raise KeyboardInterrupt
    if len(material.tracks) < len(paths):
        raise AuditorError("could be read at first and cannot any more", where=_missing(paths, material))
    trials = {played.programme.name: judged([feed.frames for feed in played.feeds], rig) for played in material.tracks}
    return Pass(
        rig=rig,
        played=material.tracks,
        outcome=put_through(material, rig),
        trials=trials,
        decodes=len(paths),
    )


def _missing(paths: Sequence[Source], material: Material) -> str:
    read = {played.programme.name for played in material.tracks}
    return next(name for name in (as_entry(path).name for path in paths) if name not in read)


def verify(final: Pass, bare: dict[str, Trial], *, with_margin: bool = True) -> tuple[Verified, int]:
    """What the last pass shows, with the margin; and how often files were read for that.

    Parameters
    ----------
    final : Pass
    bare : dict of str to Trial
        The tracks without limiters, by path.
    with_margin : bool
        False saves its replays.
    """
    tracks = tuple(_track_work(played, final.trials[played.programme.name], bare) for played in final.played)
    total_s = sum(each.duration_s for each in tracks)
    margin_db, cause, looked_at, decodes = _margin(final) if with_margin else (None, None, 0, 0)
    verified = Verified(
        outcome=final.outcome,
        tracks=tracks,
        margin_db=margin_db,
        margin_limited_by=cause,
        margin_tracks=looked_at,
        active_ratio=sum(each.active_ratio * each.duration_s for each in tracks) / total_s if total_s else 0.0,
        reduction_max_db=max(each.reduction_max_db for each in tracks),
    )
    return verified, decodes


def _track_work(played: Played, trial: Trial, bare: dict[str, Trial]) -> TrackWork:
    works = [feed.limiter for feed in played.feeds if feed.limiter is not None]
    path = played.programme.name
    excess_db, cause = trial.worst(trial.excesses_db)
    bare_db, bare_cause = bare[path].worst(bare[path].excesses_db)
    return TrackWork(
        path=path,
        duration_s=played.duration_s,
        active_ratio=max((work.active_ratio for work in works), default=0.0),
        reduction_max_db=max((work.reduction_max_db for work in works), default=0.0),
        bare_db=bare_db,
        bare_cause=bare_cause,
        excess_db=excess_db,
        cause=cause,
    )


def _margin(final: Pass) -> tuple[float | None, Cause | None, int, int]:
    """Margin, what binds, on how many tracks it was looked for, and how often a file was read for it at most."""
    nearest = sorted(final.played, key=lambda played: -_excess_db(final, played))[:MOST_LOOKS]
    found: tuple[float, Cause] | None = None
    decodes = 0
    for played in nearest:
        excess_db = _excess_db(final, played)
        highest_db = HIGHEST_GAIN_DB if found is None else found[0]
        if excess_db <= SILENCE_DB:
            continue
        lines = _lines(played, final.rig)
        if found is not None or played is not nearest[0]:
            worst = max(lines, key=lambda line: line.excess[0])
            decodes += 1
            if trial_channel(worst.feed, worst.rig, worst.parts).excess(highest_db)[0] <= 0.0:
                continue
        margin_db, cause = margin(lines)
        decodes += MOST_REPLAYS * len(lines)
        if margin_db is not None and cause is not None and (found is None or margin_db < found[0]):
            found = margin_db, cause
    return (*(found or (None, None)), len(nearest), decodes)


def _excess_db(final: Pass, played: Played) -> float:
    trial = final.trials[played.programme.name]
    return trial.worst(trial.excesses_db)[0]


def _lines(played: Played, rig: Rig) -> list[Line]:
    """Every channel, at both ends of the part's tolerance where it has two."""
    parts = within_tolerance(rig.protection)
    before = [NOTHING] * len(parts)
    found = [(feed, each_worst_and_after(feed.frames, rig, parts, before=before)) for feed in played.feeds]
    return [
        Line(feed=feed, rig=rig, parts=parts, excess=max(worst.excess(rig) for worst, _ in worsts))
        for feed, worsts in found
    ]
