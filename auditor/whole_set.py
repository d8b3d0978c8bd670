"""From judged tracks to a set: what is gravest, the set's margin, and the heat that one track leaves to the next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Literal

from auditor.audit_types import SEVERITY, Audit, FileFault, SetAudit, Verdict
from auditor.judged import riskiness
from auditor.judgement.heat import CarriedHeat
from auditor.judgement.night import effect_of_order, length_s, night, play_through
from auditor.judgement.night_margin import night_margin

if TYPE_CHECKING:
    from auditor.audit_types import Cause
    from auditor.chain.play import Played
    from auditor.judgement.night import Judge
    from auditor.night_types import OrderEffect
    from auditor.rig import Rig


def worst_verdict(verdicts: Iterator[Verdict]) -> Verdict:
    """The gravest of them; clear where there is none."""
    return max(verdicts, key=SEVERITY.__getitem__, default="clear")


def conclude(
    rig: Rig, tracks: list[Audit], heat: CarriedHeat, faults: list[FileFault], *, interrupted: bool
) -> SetAudit:
    """The whole set from tracks that were each judged from cold, and the heat carried from one to the next."""
    verdict = worst_verdict(track.verdict for track in tracks)
    margins = [track.margin_db for track in tracks if track.margin_db is not None]
    if heat.excess_db > 0.0:
        # Each track alone may be safe and the row of them not. Turned down by what a limiter takes away it rests, and
        # from there on the branch follows the mixer.
        verdict = "risk"
        limited_db = most_limited_db(tracks)
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


def played_through(
    rig: Rig,
    material: list[Played],
    gap_s: float,
    faults: list[FileFault],
    *,
    judged: Judge,
    interrupted: bool,
    tell: Callable[[str], None] | None,
) -> SetAudit:
    """The whole set played through, with so much silence between two tracks [s]; `judged` judges one in its place."""
    tell = tell or (lambda step: None)
    tell("playing the set through")
    through = play_through(material, rig, gap_s, judged)
    if len(through.audits) < len(material):
        material, interrupted = material[: len(through.audits)], True
    if not material:
        return conclude(rig, [], CarriedHeat(rig), faults, interrupted=interrupted)
    margin_db: float | None = None
    limited_by: Cause | None = None
    effect: OrderEffect | None = None
    unanswered: list[Literal["margin", "order"]] = ["margin", "order"]
    try:
        tell("looking for the level at which the whole set is safe")
        margin_db, limited_by = night_margin(material, rig, gap_s=gap_s, whole_s=length_s(material, gap_s))
        unanswered.remove("margin")
        tell("looking for another order")
        effect = effect_of_order(through, material, rig, gap_s)
        unanswered.remove("order")
    except KeyboardInterrupt:
        interrupted = True  # the tracks are judged, and are reported
    found = night(through, material, rig, gap_s, limited_by=limited_by, effect=effect, unanswered=unanswered)
    return SetAudit(
        rig=rig,
        tracks=through.audits,
        verdict=worst_verdict(track.verdict for track in through.audits),
        margin_db=margin_db,
        worst_track=max(through.audits, key=riskiness).name,
        coil_temp_max_c=found.hottest.coil_temp_c,
        errors=tuple(faults),
        interrupted=interrupted,
        night=found,
    )


def most_limited_db(tracks: list[Audit]) -> float:
    """Most gain that a limiter takes away in any of the tracks [dB]."""
    works = [channel.limiter for track in tracks for channel in track.channels if channel.limiter is not None]
    return max((work.reduction_max_db for work in works), default=0.0)
