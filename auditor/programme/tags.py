"""What a sound file calls itself: artist and title from its tags, and what is made of text from outside.

FFmpeg reads them of every format that is played, MKV and the ID3 in WAV and AIFF included. It passes over cover art, or
takes it as one packet: 10 MB of art cost it some milliseconds.
"""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from typing import TYPE_CHECKING

from auditor.programme.entry import as_entry
from auditor.programme.playlist import as_text

if TYPE_CHECKING:
    from auditor.programme.sound_file import Programme

_LONGEST = 200  # characters; nobody reads more of a title
_LOOKED_AT = 10 * _LONGEST  # what is cleaned: a tag may hold megabytes
_FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,asf,aac,ac3,eac3,mp3,wav,w64,aiff,flac,ogg,caf,au"
_DROPPED = ("Cf", "Cs", "Co", "Cn")  # marks of direction, halves of characters, and what is no character


def titled(programme: Programme) -> Programme:
    """The same with the title from its tags, unless it has one already; as it is where there is none."""
    entry = programme.entry or as_entry(programme.path)
    if entry.title is not None:
        return programme
    title = _title(programme.path)
    return programme if title is None else replace(programme, entry=replace(entry, title=title))


def cleaned(text: str | None) -> str | None:
    """Text from a tag or a playlist as a title: one line of bounded length, no marks of direction; None for nothing."""
    if not text:
        return None
    kept = "".join(
        " " if unicodedata.category(each)[0] in "CZ" else each
        for each in text[:_LOOKED_AT]
        if unicodedata.category(each) not in _DROPPED
    )
    title = " ".join(kept.split())
    return (title if len(title) <= _LONGEST else f"{title[: _LONGEST - 3].rstrip()}...") or None


def _title(path: str) -> str | None:
    from auditor.programme.av_open import open_file

    found: dict[str, str] = {}
    try:
        with open_file(path, _FORMATS, errors="surrogateescape", probesize="32", analyzeduration="1") as container:
            # Ogg keeps them with the stream.
            for holder in (container, *container.streams.audio):
                for key, value in holder.metadata.items():
                    found.setdefault(key.lower(), value)
    except Exception:  # damaged tags must not keep anybody from hearing of the sound
        return None
    named = found.get("artist") or found.get("author", "")  # the latter in AIFF
    artist, title = (cleaned(_text(each[:_LOOKED_AT])) for each in (named, found.get("title", "")))
    return title if artist is None or title is None else cleaned(f"{artist} - {title}")


def _text(value: str) -> str:
    """A tag as it was meant, where its bytes were no UTF-8."""
    return as_text(value.encode("utf-8", "surrogateescape"))
