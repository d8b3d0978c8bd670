"""What a track comes to, and what to do about it, in a sentence each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.report import night_words, words
from auditor.report.figures import about, clock, excess, quantity, safe_side, tenths

if TYPE_CHECKING:
    from auditor.audit_types import Audit, End, Passage
    from auditor.rig import Rig


def verdict_line(track: Audit) -> str:
    """Margin and what binds, for the head of a track."""
    if track.lost_channels:
        return f"The {words.device(track.rig)} is {words.gone(track.rig)} before it starts."
    if track.margin_db is None:
        return (
            "Plenty of room: nothing binds even 20 dB up."
            if track.verdict != "risk"
            else "No gain within reach is safe."
        )
    why = f": {words.binds(track.margin_limited_by, track.rig)}" if track.margin_limited_by else ""
    amount = safe_side(track.margin_db)
    if amount < 0.0 and track.verdict == "risk":
        return f"About {tenths(-amount)} dB too loud{why}."
    return f"About {tenths(max(amount, 0.0))} dB of room{why}."


def advice(track: Audit, degree: str) -> str:
    """What to do about a track, in one sentence; before it, what of the file was not judged."""
    sentence = _advice(track, degree)
    if not track.unjudged:
        return sentence
    missing = "; ".join(each.partition(";")[0] for each in track.unjudged)
    return f"Only part of this file could be judged: {missing}. In that part: {sentence[0].lower()}{sentence[1:]}"


def _advice(track: Audit, degree: str) -> str:
    if track.lost_channels:
        return night_words.lost(track, words.device(track.rig), words.gone(track.rig))
    if track.verdict == "risk":
        return _turn_down(track)
    if all(channel.hf_crest_db is None for channel in track.channels):
        return "Nothing reaches the driver."
    room = _room(track, degree)
    if track.verdict == "clear":
        return room[0].upper() + room[1:] + "."
    work = max((channel.protection for channel in track.channels), key=lambda each: each.attenuation_max_db)
    part, kept = words.device(track.rig), "keeps the driver within its limits"
    if work.attenuation_max_db >= OPEN_ATTENUATION_DB:  # a line below says how often and how long
        return f"The {part} opens and {kept}, with the HF muted meanwhile; {room}."
    loss = f"taking off up to {tenths(work.attenuation_max_db)} dB"
    return f"The {part} works for about {about(work.engaged_s)} and {kept}, {loss}; {room}."


def _room(track: Audit, degree: str) -> str:
    if track.margin_db is None or track.margin_limited_by is None:
        return "more than 20 dB of room, as far as the program looks"
    amount = safe_side(track.margin_db)
    event = words.reaches(track.margin_limited_by, track.rig, degree)
    return f"about {tenths(amount)} dB of room before {event}" if amount > 0.0 else f"no room left before {event}"


def _turn_down(track: Audit) -> str:
    amount = None if track.margin_db is None else max(-safe_side(track.margin_db), 0.0)
    start = (
        "No gain within reach is safe" if amount is None else f"Turn down about {tenths(amount)} dB{_worse_end(track)}"
    )
    reasons = []
    if track.margin_limited_by is not None and track.margin_limited_by != "protection_failed":
        reasons.append(words.binds(track.margin_limited_by, track.rig))
    failures = [each for each in track.passages if each.cause == "protection_failed"]
    if failures:
        reasons.append(_failure(min(failures, key=lambda each: each.start_s), track.rig))
    elif protection_overwhelmed(track):
        reasons.append(f"the {words.device(track.rig)} is at work and still cannot save the driver here")
    return f"{start}: {_off_rating(track)}{', and '.join(reasons)}." if reasons else f"{start}."


def _worse_end(track: Audit) -> str:
    """That the margin is not that of the lamp as rated, which is a risk too; empty where it is, or is not."""
    why = track.margin_limited_by
    rated = [each for each in track.passages if each.verdict == "risk" and each.part_at is None]
    # A lamp that draws more lets more through; one that draws less burns out first.
    end: End = "earliest" if why == "protection_failed" else "latest"
    tolerances = [channel.protection.tolerance for channel in track.channels]
    if not rated or not any(each is not None and getattr(each, end).verdict == "risk" for each in tolerances):
        return ""
    how = f"with a lamp {words.TOLERANCE} {'under' if end == 'earliest' else 'over'} its rated current"
    over = max((each for each in rated if each.cause == why), key=lambda each: each.value, default=None)
    if over is None or why == "protection_failed":
        return f" ({how})"
    return f" ({how}; one as rated is over by {excess(over)})"


def _failure(failure: Passage, rig: Rig) -> str:
    """What becomes of the part, and of the sound."""
    part, at = words.device(rig), clock(failure.start_s)
    value, limit = (quantity(each, failure.unit, "") for each in (failure.value, failure.limit))
    if failure.unit == "V":
        return f"from {at} on up to {value} stand across the tripped {part}, made for {limit}: it may burn or short"
    current = f" on {value}, rated {limit}," if failure.unit == "A" else ""
    return f"the {part} {words.destroyed(rig)} at {at}{current} and the driver falls silent"


def _off_rating(track: Audit) -> str:
    """The clause that says that only a lamp off its rating is a risk; empty where one as rated is."""
    ends = {each.part_at for each in track.passages if each.verdict == "risk"}
    if not ends or None in ends:
        return ""
    how = "off" if len(ends) > 1 else "over" if "latest" in ends else "under"
    return f"with a lamp {words.TOLERANCE} {how} its rated current, as makers allow, "


def protection_overwhelmed(track: Audit) -> bool:
    """Whether the driver is at risk while the protective part is working."""
    working = [each for each in track.passages if each.cause == "protection_engaged"]
    risky = [each for each in track.passages if each.verdict == "risk" and each.cause != "protection_failed"]
    return any(
        at_risk.channel == busy.channel and at_risk.start_s < busy.end_s and busy.start_s < at_risk.end_s
        for at_risk in risky
        for busy in working
    )
