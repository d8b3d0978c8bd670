"""CUE sheets: the tracks that they cut out of one long file, or of several.

A track begins at its INDEX 01. It ends where the next one of the same file begins, so the pause before a track (INDEX
00) belongs to the one before it, as when the file is played through. PREGAP and POSTGAP add silence that is not in the
file, and are passed over.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.programme.playlist import Listed, short

if TYPE_CHECKING:
    from auditor.programme.playlist import Listing

_SECTORS_PER_S = 75  # of a compact disc, in which the sheets count
_LINE = re.compile(r"\s*(REM\s+GAIN_DB|FILE|TRACK|TITLE|INDEX)\s+(.*?)\s*", re.IGNORECASE)
_FILE = re.compile(r'"(.*)"(?:\s+\S+)?|(.*?)(?:\s+(?:WAVE|AIFF|MP3|FLAC|BINARY|MOTOROLA))?', re.IGNORECASE)
_TRACK = re.compile(r"(\d{1,9})(?:\s+(\S+))?")
_INDEX = re.compile(r"(\d{1,3})\s+(\d{1,6}):(\d{1,2}):(\d{1,2})")


@dataclass(kw_only=True)
class _Track:
    place: str
    number: int
    title: str | None = None
    gain_db: float | None = None
    location: str | None = None  # the file that holds its INDEX 01, which need not be that before its TRACK
    start_s: float | None = None
    is_sound: bool = True
    is_refused: bool = False


def read_lines(lines: list[str], listing: Listing) -> None:
    """Enter what the lines of a sheet name.

    Parameters
    ----------
    lines : list of str
    listing : Listing
        Filled in.
    """
    location: str | None = None
    tracks: list[_Track] = []
    for number, line in enumerate(lines, start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            continue
        word, rest, place = match[1].upper(), match[2], f"line {number}"
        if word == "FILE":
            found = _FILE.fullmatch(rest)
            location = (found[1] or found[2] or None) if found else None
        elif word == "TRACK":
            found = _TRACK.fullmatch(rest)
            if found is None:
                listing.refuse("is no track of a CUE sheet", place=place, got=short(rest), allowed="TRACK 01 AUDIO")
            is_sound = found is None or (found[2] or "AUDIO").upper() == "AUDIO"
            tracks.append(
                _Track(
                    place=place,
                    number=int(found[1]) if found else len(tracks) + 1,
                    is_sound=is_sound,
                    is_refused=found is None,
                )
            )
        elif tracks:
            _describe(tracks[-1], word, rest, place, location, listing)
    _enter(tracks, listing)


def _describe(track: _Track, word: str, rest: str, place: str, location: str | None, listing: Listing) -> None:
    if word == "TITLE":
        track.title = rest.strip('"').strip() or None
    elif word == "INDEX":
        found = _INDEX.fullmatch(rest)
        if found is None or int(found[3]) > 59 or int(found[4]) >= _SECTORS_PER_S:
            listing.refuse(
                f"track {track.number} has an index that is no time",
                place=place,
                got=short(rest),
                allowed="INDEX 01 minutes:seconds:frames, seconds to 59, frames to 74",
            )
            track.is_refused = True
        elif int(found[1]) == 1:
            track.location = location
            track.start_s = int(found[2]) * 60 + int(found[3]) + int(found[4]) / _SECTORS_PER_S
    else:
        track.gain_db = listing.trim_db(rest, place=place)
        track.is_refused = track.is_refused or track.gain_db is None


def _enter(tracks: list[_Track], listing: Listing) -> None:
    """Enter the tracks with their ends, but for those of which it is not clear what they are."""
    for track, following in zip(tracks, [*tracks, None][1:], strict=True):
        entry = _entry(track, listing)
        if entry is None:
            continue
        if following is not None and following.location == track.location and following.start_s is not None:
            if following.start_s <= entry.start_s:
                listing.refuse(
                    f"track {track.number} does not begin before track {following.number}, so it cannot be cut out",
                    place=track.place,
                    hint="put its indexes right",
                )
                continue
            entry = replace(entry, end_s=following.start_s)
        listing.entries.append(entry)


def _entry(track: _Track, listing: Listing) -> Listed | None:
    if not track.is_sound:
        listing.refuse(f"track {track.number} is data, not sound", place=track.place)
        return None
    if track.is_refused:
        return None
    if track.start_s is None:
        listing.refuse(f"track {track.number} has no INDEX 01", place=track.place)
        return None
    if track.location is None:
        listing.refuse(f"track {track.number} has no FILE before it", place=track.place)
        return None
    return Listed(
        location=track.location,
        place=track.place,
        title=track.title if track.title else f"track {track.number}",
        start_s=track.start_s,
        gain_db=track.gain_db,
    )
