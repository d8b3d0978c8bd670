"""START HERE: from a programme file to a verdict, one line per stage.

play      file -> samples -> volts -> amplifier -> HF branch, frame by frame     (auditor.chain)
examine   HF branch -> protection and coil -> powers, temperatures, passages     (auditor.judgement)
margin    how much louder, or how far down, and what binds                       (auditor.judgement.margin)

A set is judged track by track, each from cold, or played through as one night     (auditor.judgement.night)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

from auditor.audit_types import SEVERITY, Audit, FileFault, SetAudit, Verdict
from auditor.chain.play import Played, play, play_each
from auditor.judgement.band import band_of
from auditor.judgement.band_set import band_of_set
from auditor.judgement.examine import Carried, Examined, examine
from auditor.judgement.heat import CarriedHeat
from auditor.judgement.margin import Line, margin
from auditor.judgement.night import length_s, night, play_through
from auditor.judgement.night_margin import night_margin
from auditor.judgement.quieter import quieter_risk
from auditor.threads import THREADS

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames
    from auditor.programme.entry import Source
    from auditor.rig import Rig

    Progress = Callable[[float], None]

_SHARE_OF_PLAYING = 0.5  # of a track's time, about, where its margin's band is wanted


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
    gap_s: float | None = None,
    progress: Callable[[int], Progress] | None = None,
    tell: Callable[[str], None] | None = None,
    earlier_faults: Sequence[FileFault] = (),
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
    with_band : bool
        Whether to find out between what the margins lie, assumed values being anywhere within their bands; not of a
        night.

    Returns
    -------
    SetAudit
        Files that could not be analysed, or not to the end, are in `errors`; after Ctrl-C it holds what was finished.
    """
    faults = list(earlier_faults)
    if gap_s is not None:
        material: list[Played] = []
        interrupted = play_each(programmes, rig, material.append, faults=faults, progress=progress)
        return _played_through(rig, material, gap_s, faults, interrupted=interrupted, tell=tell)
    tracks: list[Audit] = []
    heat = CarriedHeat(rig)
    kept: list[list[HfFrames]] = []
    shares = _Shares(progress, _SHARE_OF_PLAYING if with_band else 1.0)

    def take(played: Played) -> None:
        audit = judge(played, rig)
        frames = [feed.frames for feed in played.feeds]
        if with_band:
            audit = banded(audit, played, tell=shares.tell_rest)
            kept.append(frames)
        tracks.append(audit)
        heat.carry_through(frames)

    interrupted = play_each(programmes, rig, take, faults=faults, progress=shares.of_track)
    concluded = _conclude(rig, tracks, heat, faults, interrupted=interrupted)
    if not with_band:
        return concluded
    return replace(concluded, band=band_of_set(rig, tracks, kept, limited_db=_most_limited_db(tracks)))


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
    return _judged(played, rig, [Carried()] * len(played.feeds))[0]


def _judged(played: Played, rig: Rig, before: Sequence[Carried]) -> tuple[Audit, list[Examined]]:
    """The same, each channel on top of what was played before."""
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        examined = list(
            pool.map(
                lambda item: examine(item[1], rig, item[0], played.duration_s, before=before[item[0]]),
                enumerate(played.feeds),
            )
        )
    present = [one.excess for one in examined]
    lines = _lines(played, rig, examined, before)
    margin_db, limited_by = margin(lines)
    passages = sorted(
        (passage for one in examined for passage in one.passages),
        key=lambda passage: (passage.start_s, passage.channel),
    )
    audit = Audit(
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
    return audit, examined


def _lines(played: Played, rig: Rig, examined: list[Examined], before: Sequence[Carried]) -> list[Line]:
    """What the margin must hold for: every channel, at both ends of the part's tolerance where it has two."""
    return [
        line
        for feed, one, warm in zip(played.feeds, examined, before, strict=True)
        for line in (
            [Line(feed=feed, rig=end.rig, excess=end.excess, before=end.before) for end in one.ends]
            or [Line(feed=feed, rig=rig, excess=one.excess, before=warm.rated)]
        )
    ]


def _worst(verdicts: Iterator[Verdict]) -> Verdict:
    return max(verdicts, key=SEVERITY.__getitem__, default="clear")


class _Shares:
    """Progress of tracks that are first played and then looked at in other rigs."""

    def __init__(self, progress: Callable[[int], Progress] | None, playing_ratio: float) -> None:
        self._progress = progress
        self._share = playing_ratio
        self._tell: Progress | None = None

    def of_track(self, index: int) -> Progress:
        """What to tell of the playing of that track."""
        self._tell = tell = None if self._progress is None else self._progress(index)
        return lambda done_ratio: None if tell is None else tell(done_ratio * self._share)

    def tell_rest(self, done_ratio: float) -> None:
        """Tell of what comes after it."""
        if self._tell is not None:
            self._tell(self._share + (1.0 - self._share) * done_ratio)


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
    worst = max(tracks, key=_riskiness, default=None)
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


def _played_through(
    rig: Rig,
    material: list[Played],
    gap_s: float,
    faults: list[FileFault],
    *,
    interrupted: bool,
    tell: Callable[[str], None] | None,
) -> SetAudit:
    tell = tell or (lambda step: None)
    tell("playing the set through")
    through = play_through(material, rig, gap_s, _judged)
    if len(through.audits) < len(material):
        material, interrupted = material[: len(through.audits)], True
    if not material:
        return _conclude(rig, [], CarriedHeat(rig), faults, interrupted=interrupted)
    tell("looking for the level at which the whole set is safe")
    margin_db, limited_by = night_margin(material, rig, gap_s=gap_s, whole_s=length_s(material, gap_s))
    tell("looking for another order")
    found = night(through, material, rig, gap_s, limited_by=limited_by)
    return SetAudit(
        rig=rig,
        tracks=through.audits,
        verdict=_worst(track.verdict for track in through.audits),
        margin_db=margin_db,
        worst_track=max(through.audits, key=_riskiness).name,
        coil_temp_max_c=found.hottest.coil_temp_c,
        errors=tuple(faults),
        interrupted=interrupted,
        night=found,
    )


def _most_limited_db(tracks: list[Audit]) -> float:
    works = [channel.limiter for track in tracks for channel in track.channels if channel.limiter is not None]
    return max((work.reduction_max_db for work in works), default=0.0)


def _riskiness(track: Audit) -> tuple[int, float]:
    return SEVERITY[track.verdict], -track.room_db
