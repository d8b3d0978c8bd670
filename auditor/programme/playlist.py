"""What a playlist names, in its order: M3U and M3U8, PLS, XSPF; CUE sheets are read in `auditor.programme.cue`.

Only the text is read here. Which files the names stand for on this machine is found in `auditor.programme.located`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from auditor.errors import ProgrammeError

SUFFIXES = frozenset([".m3u", ".m3u8", ".pls", ".xspf", ".cue"])
MOST_BYTES = 16 << 20  # a hundred thousand entries with long names; what is larger is no playlist
MOST_TRIM_DB = 40.0
_PLS_LINE = re.compile(r"(file|title|gain|length)(\d{1,9})\s*=\s*(.*)", re.IGNORECASE)
_EXTINF_SECONDS = re.compile(r"#EXTINF:\s*(\d{1,9}(?:\.\d{1,9})?)(?![\d.])", re.IGNORECASE)
_MEBIBYTE = 1 << 20
_LONGEST_SHOWN = 200
_LONGEST_S = 1e7  # four months: what tells more tells nothing


@dataclass(frozen=True, kw_only=True)
class Listed:
    """A name as a playlist has it.

    Parameters
    ----------
    location : str
        A path in any spelling, or an address.
    place : str
        Where it stands in the playlist, for messages: `line 3`.
    title : str or None
    start_s, end_s : float
        The stretch of the file; None for `end_s`: to its end.
    gain_db : float or None
    duration_s : float or None
        How long the file is by the playlist; None where it does not tell.
    """

    location: str
    place: str
    title: str | None = None
    start_s: float = 0.0
    end_s: float | None = None
    gain_db: float | None = None
    duration_s: float | None = None


@dataclass
class Listing:
    """What was read from a playlist, and what of it could not be used."""

    where: str
    entries: list[Listed] = field(default_factory=list)
    faults: list[ProgrammeError] = field(default_factory=list)

    def refuse(self, what: str, *, place: str = "", **more: str) -> None:
        """One more fault of the playlist."""
        self.faults.append(ProgrammeError(f"{place}: {what}" if place else what, where=self.where, **more))

    def enter(
        self, *, place: str, location: str | None, title: str | None, gain: str | None, duration_s: float | None
    ) -> None:
        """One more track, by its words in the playlist, unless they are not enough or its trim is none."""
        if not location:
            self.refuse("names no file", place=place)
            return
        gain_db = None if gain is None else self.trim_db(gain, place=place)
        if gain is None or gain_db is not None:
            self.entries.append(
                Listed(location=location, place=place, title=title or None, gain_db=gain_db, duration_s=duration_s)
            )

    def trim_db(self, text: str, *, place: str) -> float | None:
        """A trim as a number [dB]; None, and a fault, for what is none: then its track must not be entered."""
        try:
            gain_db = float(re.sub(r"\s*dB\s*$", "", text, flags=re.IGNORECASE))
        except ValueError:
            gain_db = math.nan
        if abs(gain_db) <= MOST_TRIM_DB:
            return gain_db
        allowed = f"a number from {-MOST_TRIM_DB:g} to {MOST_TRIM_DB:g} dB"
        what = "the trim cannot be used, so the track is left out"
        self.refuse(what, place=place, got=short(text), allowed=allowed)
        return None


def _duration_s(text: str, *, unit_s: float = 1.0) -> float | None:
    """A length as a number [s]; None for what tells none: players write 0 or -1 for what they do not know."""
    try:
        duration_s = float(text) * unit_s
    except ValueError:
        return None
    return duration_s if 0.0 < duration_s < _LONGEST_S else None


def is_playlist(path: str) -> bool:
    """Whether it is one by its name."""
    return Path(path).suffix.lower() in SUFFIXES


def read(path: str) -> Listing:
    """What a playlist names.

    Parameters
    ----------
    path : str

    Raises
    ------
    ProgrammeError
        If the file cannot be read at all. What is wrong with some of it stands in the listing's faults.
    """
    try:
        with open(path, "rb") as file:
            data = file.read(MOST_BYTES + 1)
            size = file.seek(0, 2)
    except FileNotFoundError:
        hint = "check the spelling and that the drive is there"
        raise ProgrammeError("no such file", where=path, hint=hint) from None
    except (OSError, ValueError) as error:
        raise ProgrammeError(f"cannot be read: {getattr(error, 'strerror', error)}", where=path) from None
    if size > MOST_BYTES:
        raise ProgrammeError(
            "is too large for a playlist",
            where=path,
            # Rounded up: what is over the limit must not read as if it were not.
            got=f"{math.ceil(size / _MEBIBYTE * 10) / 10:.1f}".removesuffix(".0") + " MB",
            allowed=f"up to {MOST_BYTES // _MEBIBYTE} MB",
            hint="is it a sound file with the wrong name?",
        )
    return parse(data, path)


def parse(data: bytes, path: str) -> Listing:
    """What the bytes of a playlist name; its kind is told by the name of the file.

    Raises
    ------
    ProgrammeError
        If they are no text.
    """
    from auditor.programme import cue

    listing = Listing(where=path)
    suffix = Path(path).suffix.lower()
    if suffix == ".xspf":
        _read_xspf(data, listing)
    else:
        reader = {".pls": _read_pls, ".cue": cue.read_lines}.get(suffix, _read_m3u)
        # Not splitlines, which also breaks at characters that a file name may hold.
        reader(re.split(r"\r\n|\n|\r", decoded(data, path)), listing)
    if not listing.entries and not listing.faults:
        listing.refuse("names no files", hint="is the playlist saved where its tracks are?")
    return listing


def decoded(data: bytes, path: str) -> str:
    """Bytes of a text file as text: by their byte-order mark, else UTF-8, else Windows-1252 or Latin-1.

    Raises
    ------
    ProgrammeError
        If they are no text.
    """
    utf16 = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    text = data.decode("utf-16", errors="replace") if utf16 else as_text(data)
    if "\0" in text:
        raise ProgrammeError("is no playlist: it is not text", where=path, hint="save it again as a playlist")
    return text


def as_text(data: bytes) -> str:
    """Bytes as text: UTF-8, else Windows-1252, else Latin-1, which takes anything."""
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def short(text: str) -> str:
    """Text from a file, short enough for a message."""
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def _read_m3u(lines: list[str], listing: Listing) -> None:
    title: str | None = None
    gain_db: float | None = None
    duration_s: float | None = None
    is_refused = False
    for number, raw in enumerate(lines, start=1):
        line, place = raw.strip(), f"line {number}"
        if line.upper().startswith("#EXTINF:"):
            title = line.partition(",")[2].strip() or None
            told = _EXTINF_SECONDS.match(line)
            duration_s = _duration_s(told[1]) if told else None
        elif line.upper().startswith("#GAIN-DB:"):
            gain_db = listing.trim_db(line[9:], place=place)
            is_refused = is_refused or gain_db is None
        elif line and not line.startswith("#"):
            if not is_refused:
                listing.entries.append(
                    Listed(location=line, place=place, title=title, gain_db=gain_db, duration_s=duration_s)
                )
            title = gain_db = duration_s = None
            is_refused = False


def _read_pls(lines: list[str], listing: Listing) -> None:
    values: dict[int, dict[str, str]] = {}
    for line in lines:
        if match := _PLS_LINE.fullmatch(line.strip()):
            values.setdefault(int(match[2]), {})[match[1].lower()] = match[3].strip().strip('"')
    for number, value in sorted(values.items()):
        listing.enter(
            place=f"entry {number}",
            location=value.get("file"),
            title=value.get("title"),
            gain=value.get("gain"),
            duration_s=_duration_s(value.get("length", "")),
        )


class _DocumentTypeError(Exception):
    """The document declares entities, or could."""


class _Xspf:
    """Takes the tracks from an XSPF document while it is parsed; nothing is built of the rest."""

    def __init__(self, listing: Listing) -> None:
        self._listing = listing
        self._path: list[str] = []
        self._text: list[str] = []
        self._track: dict[str, str] = {}
        self._is_gain = False
        self._count = 0

    def parse(self, data: bytes, encoding: str | None) -> None:
        parser = expat.ParserCreate(encoding, namespace_separator=" ")
        parser.StartDoctypeDeclHandler = self._refuse  # before the first entity is declared, so none is expanded
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text.append
        parser.Parse(data, True)

    def _refuse(self, *_: object) -> None:
        raise _DocumentTypeError

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        tag = name.rpartition(" ")[2].lower()
        self._path.append(tag)
        self._text.clear()
        if self._path[-2:] == ["tracklist", "track"]:
            self._track = {}
        self._is_gain = tag == "meta" and attributes.get("rel", "").lower().endswith("gain_db")

    def _end(self, _: str) -> None:
        tag = "gain" if self._is_gain else self._path[-1]
        if self._path[-3:-1] == ["tracklist", "track"]:
            self._track.setdefault(tag, "".join(self._text).strip())  # of several locations the first counts
        self._is_gain = False
        if self._path[-2:] == ["tracklist", "track"]:
            self._enter()
        self._path.pop()
        self._text.clear()

    def _enter(self) -> None:
        self._count += 1
        self._listing.enter(
            place=f"track {self._count}",
            location=self._track.get("location"),
            title=self._track.get("title"),
            gain=self._track.get("gain"),
            duration_s=_duration_s(self._track.get("duration", ""), unit_s=1e-3),
        )


def _read_xspf(data: bytes, listing: Listing) -> None:
    try:
        try:
            _Xspf(listing).parse(data, None)
        except (expat.ExpatError, LookupError, ValueError):
            # Latin-1 under the name of UTF-8, or none.
            text = decoded(data, listing.where)
            listing.entries.clear()
            listing.faults.clear()
            _Xspf(listing).parse(text.encode("utf-8", "replace"), "utf-8")
    except _DocumentTypeError:
        what = "declares a document type, which a playlist has no use for and which can be made to fill the memory"
        listing.refuse(what, hint="save it again as a playlist")
    except (expat.ExpatError, LookupError, ValueError) as error:
        rest = "; what stands before is taken" if listing.entries else ""
        listing.refuse(f"is not valid XML: {error}{rest}", hint="save it again as a playlist")
