"""Under a track's advice: what a part that opens does there, what it costs, and where turning down is no remedy."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from auditor.protection import opens
from auditor.report import palette, words
from auditor.report.figures import clock, length, safe_side, tenths

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Cause, Opening
    from auditor.report.layout import Sheet
    from auditor.rig import Rig

_APART_S = 1.0  # openings by the earliest and the latest part that are nearer to each other are one to the listener


def show(track: Audit, sheet: Sheet) -> None:
    """The lines that there are reasons for."""
    warning = quieter(track)
    if warning:
        warn(warning, sheet)
    worked = work(track)
    if worked:
        sheet.paragraph(worked, label=f"{words.device(track.rig).capitalize()}: ")
    lost = dict.fromkeys(each for channel in track.channels for each in channel.protection.replace)
    if lost:
        sheet.paragraph(sheet.safe(f"{'; '.join(lost)}."), label="Replace afterwards: ")


def warn(text: str, sheet: Sheet) -> None:
    """A sentence that must not be overlooked."""
    sheet.paragraph(text, label="! ", style=palette.STRONG, label_style=f"bold {palette.CRIMSON}")


def quieter(track: Audit) -> str:
    """At which lower levels the part stays closed and the driver is at risk; empty where there are none."""
    risk = track.quieter_risk
    if risk is None:
        return ""
    nearest, furthest = math.floor(-10.0 * risk.from_db + 1e-6) / 10.0, math.ceil(-10.0 * risk.to_db - 1e-6) / 10.0
    levels = f"{tenths(nearest)} to {tenths(furthest)} dB" if risk.to_db < risk.from_db else f"{tenths(nearest)} dB"
    too_loud = track.verdict == "risk" and track.margin_db is not None and safe_side(track.margin_db) < 0.0
    start = "Further down is not safer here" if too_loud else "Quieter is not safer here"
    return (
        f"{start}: about {levels} down the {words.device(track.rig)} stays closed for too long, and "
        f"{_then(risk.cause, track.rig)}."
    )


def _then(why: Cause, rig: Rig) -> str:
    if why == "protection_failed":
        return f"the {words.device(rig)} {words.destroyed(rig)}"
    return f"the {words.cause(why, rig)} is over its limit"


def work(track: Audit) -> str:
    """What a part that opens does on a track, in the channel where it does most; empty where it stays closed."""
    if not opens(track.rig.protection) or track.lost_channels:  # the advice has said so
        return ""
    most = max((each.protection for each in track.channels), key=lambda one: (one.muted_s, one.trips))
    if most.opens_at_s.earliest is None:
        return ""
    when = _when(most.opens_at_s)
    holds = "" if most.opens_at_s.latest is not None else "; the latest that its tolerance allows stays closed"
    if track.rig.protection.kind == "fuse":  # the advice has said what it means
        return f"blows {when}{holds}." if when else ""
    times = "once" if most.trips == 1 else f"{most.trips} times"
    chatter = f", {most.chatter} of them within a second of closing (chatter)" if most.chatter else ""
    first = f", {'' if most.trips == 1 else 'first '}{when}" if when else ""
    muted = f", HF muted for {length(most.muted_s)}{'' if most.trips == 1 else ' in all'}"
    return f"opens {times}{chatter}{first}{muted}{holds}."


def _when(opening: Opening) -> str:
    """When it first opens, where its tolerance leaves more open than a listener would notice."""
    earliest, latest = opening.earliest, opening.latest
    if earliest is None or (latest is not None and latest - earliest < _APART_S):
        return ""
    if latest is None:
        return f"at {clock(earliest)} at the earliest"
    return f"between {clock(earliest)} (earliest) and {clock(latest)} (latest that its tolerance allows)"
