"""Stretches from the middle of a file, which stays open from one to the next.

The margin asks for rows by the dozen. To find a place in an MP3 file its frames are counted from its beginning: a tenth
of a second for half an hour, each time that it is opened. What was counted is kept as long as it stays open.
"""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from auditor.programme.files import mark
from auditor.programme.header import MP3_NEAR, Sound, open_sound, stand_at


@dataclass(frozen=True, kw_only=True)
class _Open:
    path: str
    mark: tuple[int, ...]  # of the file: another one in its place is opened anew
    sound: Sound


_DEPENDS_ON_WHAT_WAS_READ = "OGG"  # after a seek in an Ogg file the first samples are not those of a file just opened
_last: list[_Open] = []  # one at most: channels and levels of one file are asked for one after the other
_lock = threading.Lock()


def excerpt(path: str, start: int, length: int) -> NDArray[np.float32]:
    """Samples of all channels from `start` on, shape=(n, channels); fewer at the file's end.

    Raises
    ------
    OSError, soundfile.LibsndfileError, RuntimeError
        If the file is not there any more, or cannot be read there.
    """
    with _lock:
        if start < MP3_NEAR:
            _close()  # so near the beginning `stand_at` wants it just opened
        sound = _opened(path)
        is_done = False
        try:
            stand_at(sound, start)
            samples: NDArray[np.float32] = sound.read(length, dtype="float32", always_2d=True)
            is_done = True
        finally:
            if not is_done or sound.format == _DEPENDS_ON_WHAT_WAS_READ:
                _close()
    return samples


def _opened(path: str) -> Sound:
    found = mark(os.stat(path))
    if not _last or (_last[0].path, _last[0].mark) != (path, found):
        _close()
        _last.append(_Open(path=path, mark=found, sound=open_sound(path)))
    return _last[0].sound


def _close() -> None:
    while _last:
        _last.pop().sound.close()
