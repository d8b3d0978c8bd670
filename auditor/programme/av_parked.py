"""Decoders that wait where a track ended, so that the next track of the same file goes on from there.

Where a CUE sheet cuts a file that FFmpeg reads, each track would have to be decoded from the beginning of the file, for
what comes after a seek need not be the same. The tracks are played in order, so a decoder that is kept saves that.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

from auditor.programme import decode_av
from auditor.programme.av_index import Stretch
from auditor.programme.files import mark
from auditor.programme.sound_file import Programme

_MOST = 2  # a pass that measures loudness and one that plays each have their own


@dataclass(frozen=True, kw_only=True)
class _Parked:
    path: str
    mark: tuple[int, ...]  # of the file: another one in its place is decoded anew
    last: Stretch  # may hold the beginning of the next track
    rest: Iterator[Stretch]


_parked: list[_Parked] = []
_lock = threading.Lock()


def stretches(programme: Programme) -> Iterator[Stretch]:
    """The file's stretches from its beginning on, or from some place before the programme's first sample.

    Raises
    ------
    OSError
        If the file is not there any more.
    """
    found = mark(os.stat(programme.path))
    with _lock:
        fit = [
            each
            for each in _parked
            if (each.path, each.mark) == (programme.path, found) and each.last.position <= programme.first
        ]
        nearest = max(fit, key=lambda each: each.last.position, default=None)
        if nearest is not None:
            _parked.remove(nearest)
    return decode_av.stretches(programme) if nearest is None else chain([nearest.last], nearest.rest)


def park(programme: Programme, last: Stretch, rest: Iterator[Stretch]) -> None:
    """Keep what comes after the programme's last stretch."""
    waiting = _Parked(path=programme.path, mark=mark(os.stat(programme.path)), last=last, rest=rest)
    with _lock:
        _parked.append(waiting)
        del _parked[:-_MOST]
