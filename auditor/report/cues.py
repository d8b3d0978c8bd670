"""The flagged passages of one track as WebVTT cues (W3C), to be shown by a player beside the music."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from auditor.report import advice_words, figures, palette, words

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Passage

_UNKNOWN = "\N{REPLACEMENT CHARACTER}"
_LEAST_MS = 1  # a cue must end after it starts


def to_vtt(track: Audit) -> str:
    """The whole file: header, a note on what it is, and one cue for each passage in order of their start.

    Times are those of the CSV, but that the cue of a part that is destroyed stays to the end of the track, as its state
    does.
    """
    blocks = ["WEBVTT", _note(track)]
    passages = sorted(track.passages, key=lambda each: (each.start_s, each.end_s, each.channel))
    blocks += [_cue(number, passage, track) for number, passage in enumerate(passages, 1)]
    return "\n\n".join(blocks) + "\n"


def _note(track: Audit) -> str:
    count = len(track.passages)
    file = os.path.basename(track.path)
    name = file if track.title == file else f"{track.title} ({file})"
    lines = [
        f"NOTE Passages of {name} that are flagged for the HF driver: {count or 'none'}",
        f"Verdict {palette.WORD[track.verdict]}. {advice_words.advice(track, '°')}",
        f"{os.path.basename(track.rig.path)}: {words.rig_sentence(track.rig)}",
        f"E: engaged, the protection is working. R: risk. {' '.join(words.CAUTIONS)}",
    ]
    # A comment may hold anything but the arrow, which would make it a cue.
    return "\n".join(figures.safe(line, _UNKNOWN).replace("-->", "-- >") for line in lines)


def _cue(number: int, passage: Passage, track: Audit) -> str:
    start_ms = round(1000.0 * max(passage.start_s, 0.0))
    end_s = track.duration_s if passage.cause == "protection_failed" else passage.end_s
    end_ms = max(round(1000.0 * end_s), start_ms + _LEAST_MS)
    return f"{number}\n{_clock(start_ms)} --> {_clock(end_ms)}\n{_escaped(_text(passage, track))}"


def _text(passage: Passage, track: Audit) -> str:
    what = words.cause(passage.cause, track.rig, passage.part_at)
    value = figures.quantity(passage.value, passage.unit, "°", limit=passage.limit)
    limit = figures.limit(passage.limit, passage.unit, "°")
    held = f"{value}, counted from {limit} on" if passage.verdict == "engaged" else f"{value}, limit {limit}"
    channel = f", channel {passage.channel + 1}" if track.channel_count > 1 else ""
    return f"{palette.LETTER[passage.verdict]} {what}: {held}{channel}"


def _escaped(text: str) -> str:
    for sign, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;")):
        text = text.replace(sign, name)
    return figures.safe(text, _UNKNOWN)


def _clock(time_ms: int) -> str:
    seconds, milliseconds = divmod(time_ms, 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}.{milliseconds:03d}"
