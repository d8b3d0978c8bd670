"""The tracks that playlists stand for on this machine; playlists in playlists are followed.

Where a file is not where the playlist says, one of its name is a guess, and another song under that name would be
judged in its place. So a guess is taken back where the playlist tells another length, and where another place that is
named has as good a claim to the file.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from auditor.errors import ProgrammeError
from auditor.programme import playlist
from auditor.programme.around import Around, Found
from auditor.programme.entry import Entry, clock
from auditor.programme.playlist import Listed, short
from auditor.programme.tags import cleaned

MOST_ENTRIES = 100_000  # playlists that name each other's many times over would never end
_DEEPEST = 16
# Both: players round lengths to seconds, and guess those of some MP3 files. Our own choice, no source.
_LENGTH_SLACK_S = 2.0
_LENGTH_SLACK_RATIO = 0.02


@dataclass
class Located:
    """The tracks of a playlist, and what could not be found of them."""

    entries: list[Entry] = field(default_factory=list)
    faults: list[ProgrammeError] = field(default_factory=list)

    def take(self, met: Iterable[_Claim | ProgrammeError]) -> None:
        """Enter what was met in a playlist, but for claims that are refused."""
        for each in met:
            if isinstance(each, ProgrammeError):
                self.faults.append(each)
            elif each.refusal is not None:
                self.faults.append(each.refusal)
            elif each.entry is not None:
                self.entries.append(each.entry)
            else:
                self.take(each.inside)


def locate(paths: Sequence[str]) -> list[Located]:
    """The tracks of each of several playlists.

    Parameters
    ----------
    paths : sequence of str

    Returns
    -------
    list of Located
    """
    followed = [_Follower().follow(path) for path in paths]
    _settle([claim for met in followed for claim in _claims(met)])
    found = [Located() for _ in paths]
    for located, met in zip(found, followed, strict=True):
        located.take(met)
    return found


@dataclass(kw_only=True, slots=True, eq=False)
class _Claim:
    """A name in a playlist, and the file that it was taken to stand for.

    Parameters
    ----------
    found : Found
    entry : Entry or None
        The track; None for a playlist.
    inside : sequence
        What was met in it, if it is a playlist.
    refusal : ProgrammeError or None
        Why the file is not the one that is meant.
    """

    found: Found
    entry: Entry | None = None
    inside: Sequence[_Claim | ProgrammeError] = ()
    refusal: ProgrammeError | None = None


class _Follower:
    """Follows one playlist and those within it."""

    def __init__(self) -> None:
        self._count = 0
        self._is_full = False

    def follow(self, path: str, within: tuple[str, ...] = ()) -> list[_Claim | ProgrammeError]:
        """What a playlist names and what is wrong with it; `within`: the playlists that led there, resolved."""
        try:
            listing = playlist.read(path)
        except ProgrammeError as error:
            return [error]
        met: list[_Claim | ProgrammeError] = [*listing.faults]
        within = (*within, os.path.realpath(path))
        around = Around(os.path.dirname(path))
        for listed in listing.entries:
            if self._is_full:
                break
            try:
                met.append(self._claim(listed, path, around, within))
            except ProgrammeError as error:
                met.append(error)
        return met

    def _claim(self, listed: Listed, path: str, around: Around, within: tuple[str, ...]) -> _Claim:
        place = f"{listed.place} of {path}"
        found = around.find(listed.location, place=place, is_cue=path.lower().endswith(".cue"))
        if os.path.isdir(found.path):
            hint = f"name the folder on the command line; {place}"
            raise ProgrammeError("is a folder, not a file", where=found.path, hint=hint)
        if playlist.is_playlist(found.path):
            return self._nested(found, listed, within)
        if self._count >= MOST_ENTRIES:
            self._is_full = True
            what = f"the playlists name more than {MOST_ENTRIES} tracks; those from {listed.place} on were left out"
            raise ProgrammeError(what, where=path)
        self._count += 1
        entry = Entry(
            path=found.path,
            title=cleaned(listed.title),
            start_s=listed.start_s,
            end_s=listed.end_s,
            gain_db=listed.gain_db,
            notes=(found.note,) if found.note else (),
        )
        return _Claim(found=found, entry=entry, refusal=_other_length(found, listed))

    def _nested(self, found: Found, listed: Listed, within: tuple[str, ...]) -> _Claim:
        if listed.gain_db is not None:
            what = "is a playlist and has a trim, which only a track can have, so the playlist is left out"
            raise ProgrammeError(what, where=found.path, hint=found.place)
        if os.path.realpath(found.path) in within:
            what = "is named by a playlist that it contains itself, so not again"
            raise ProgrammeError(what, where=found.path, hint=found.place)
        if len(within) >= _DEEPEST:
            what = f"is a playlist within {_DEEPEST} others; it was not followed"
            raise ProgrammeError(what, where=found.path, hint=found.place)
        return _Claim(found=found, inside=self.follow(found.path, within))


def _claims(met: Iterable[_Claim | ProgrammeError]) -> Iterator[_Claim]:
    for each in met:
        if isinstance(each, _Claim):
            yield each
            yield from _claims(each.inside)


def _settle(claims: list[_Claim]) -> None:
    """Of several places that lead to one file by guesses, leave it to the one whose path is most like the file's."""
    if not any(claim.found.is_guess for claim in claims):
        return
    resolved: dict[str, str] = {}
    by_file: dict[str, list[_Claim]] = {}
    for claim in claims:
        path = claim.found.path
        if path not in resolved:
            resolved[path] = os.path.realpath(path)
        by_file.setdefault(resolved[path], []).append(claim)
    for rivals in by_file.values():
        most = max(claim.found.alike for claim in rivals)
        # What has the wrong length is no equal; but whatever is less like the file than that is wrong all the more.
        equals = {claim.found.meant for claim in rivals if claim.found.alike == most and claim.refusal is None}
        for claim in rivals:
            found = claim.found
            if found.is_guess and claim.refusal is None and (found.alike < most or len(equals) > 1):
                claim.refusal = found.refused(f"the one of its name, {short(found.path)}, stands for another track")


def _other_length(found: Found, listed: Listed) -> ProgrammeError | None:
    """The refusal of a guess that lasts longer or shorter than the playlist says."""
    if not found.is_guess or listed.duration_s is None:
        return None
    # Most playlists are found without it, and it takes numpy.
    from auditor.programme.header import inspect

    try:
        programme = inspect(found.path)
    except ProgrammeError:
        return None  # said when it is to be played
    if programme.declared_length is None:
        return None
    duration_s = programme.declared_length / programme.sample_rate_hz
    if abs(duration_s - listed.duration_s) <= max(_LENGTH_SLACK_S, _LENGTH_SLACK_RATIO * listed.duration_s):
        return None
    lasts = f"lasts {_seconds(duration_s)} instead of {_seconds(listed.duration_s)}"
    return found.refused(f"one of its name, {short(found.path)}, {lasts}")


def _seconds(time_s: float) -> str:
    """A length to the second: `4:05`."""
    return clock(round(time_s)).removesuffix(".00")
