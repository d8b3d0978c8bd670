"""What is played as one track: a sound file, or the stretch of one that a CUE sheet cuts out of it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class Matched:
    """Where the fader stands for a track, so that it plays at the loudness that the rig asks for.

    Parameters
    ----------
    target_lufs : float
        The loudness asked for.
    file_lufs : float or None
        That of the track before any gain; None where it has none.
    """

    target_lufs: float
    file_lufs: float | None

    @property
    def gain_db(self) -> float:
        """Change of level [dB]: none for a track that has no loudness."""
        return 0.0 if self.file_lufs is None else self.target_lufs - self.file_lufs


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One track to be played.

    Parameters
    ----------
    path : str
        The sound file.
    title : str or None
        What a playlist or its tags call it.
    start_s, end_s : float
        The stretch of the file that is played [s]; None for `end_s`: to the end of the file.
    gain_db : float or None
        A trim [dB] that the playlist or a file of trims asks for; None for none.
    turn : int
        The how manieth time the set plays it.
    notes : tuple of str
        What is to be said about how it came into the set, one sentence each.
    matched : Matched or None
        Where the fader stands for it; None before it is measured, or where the rig rides none.
    """

    path: str
    title: str | None = None
    start_s: float = 0.0
    end_s: float | None = None
    gain_db: float | None = None
    turn: int = 1
    notes: tuple[str, ...] = ()
    matched: Matched | None = None

    @property
    def change_db(self) -> float:
        """By how much it is played louder than it stands in the file [dB]: fader and trim."""
        return (self.gain_db or 0.0) + (self.matched.gain_db if self.matched else 0.0)

    @property
    def is_cut(self) -> bool:
        """Whether it is less than the whole file."""
        return self.start_s > 0.0 or self.end_s is not None

    @property
    def name(self) -> str:
        """What no other track of a set is called: the path of a whole file, with the times of a cut behind it."""
        cut = ""
        if self.is_cut:
            cut = f" [{clock(self.start_s)} to {'the end' if self.end_s is None else clock(self.end_s)}]"
        return f"{self.path}{cut}{self._again}"

    @property
    def label(self) -> str | None:
        """The title as a person reads it; None without one."""
        return None if self.title is None else f"{self.title}{self._again}"

    @property
    def _again(self) -> str:
        return f" (time {self.turn})" if self.turn > 1 else ""


Source = str | Path | Entry


def as_entry(source: Source) -> Entry:
    """A path as the whole file that it stands for."""
    return source if isinstance(source, Entry) else Entry(path=os.fspath(source))


def clock(time_s: float) -> str:
    """A place in a long file, to the hundredth of a second: `1:02:03.50`."""
    hundredths = round(time_s * 100.0)
    minutes, rest = divmod(hundredths, 6000)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{rest // 100:02d}.{rest % 100:02d}"
    return f"{hours}:{minutes:02d}:{seconds}" if hours else f"{minutes}:{seconds}"
