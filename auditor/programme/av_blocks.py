"""Frames of `decode_av` gathered into blocks, and stretches of them read again."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from auditor.programme import av_parked, decode_av
from auditor.programme.av_index import Draft, Stretch
from auditor.programme.sound_file import Programme


def blocks(programme: Programme, length: int) -> Iterator[NDArray[np.float32]]:
    """Decode a file, or the stretch of it that is cut out: what is before it is passed over, not sought past.

    A seek would not give the same samples in every coding, nor tell where it led in every container.

    Parameters
    ----------
    programme : Programme
    length : int
        Samples per channel of each block but the last.

    Yields
    ------
    ndarray [shape=(n, channels)] float32
        Not a number where samples are lost. Empty while what is before the stretch passes by.

    Raises
    ------
    Exception
        Whatever FFmpeg meets in a damaged file, after the samples before it.
    """
    assert programme.index is not None
    draft = Draft()
    block, filled = np.empty((length, programme.channel_count), dtype=np.float32), 0
    failure: Exception | None = None
    parts = av_parked.stretches(programme)
    while (part := _next(parts)) is not None:
        if isinstance(part, Exception):
            failure = part
            break
        draft.enter(part)
        samples = _inside(part, programme)
        if part.end <= programme.first:
            yield samples
        while len(samples):
            taken = samples[: length - filled]
            block[filled : filled + len(taken)] = taken
            filled, samples = filled + len(taken), samples[len(taken) :]
            if filled == length:
                yield block
                block, filled = np.empty_like(block), 0
        if programme.length is not None and part.end >= programme.first + programme.length:
            av_parked.park(programme, part, parts)
            break
    if filled:
        yield block[:filled]
    if failure is not None:
        raise failure
    draft.finish(programme.index)


def _inside(part: Stretch, programme: Programme) -> NDArray[np.float32]:
    """What of it belongs to the stretch that is read of the file."""
    first = max(programme.first - part.position, 0)
    if programme.length is None:
        return part.samples[first:]
    return part.samples[first : max(programme.first + programme.length - part.position, 0)]


def _next(parts: Iterator[Stretch]) -> Stretch | Exception | None:
    try:
        return next(parts, None)
    except Exception as error:
        return error


def read_again(programme: Programme, start: int, length: int) -> NDArray[np.float32]:
    """Samples of all channels, the same as `blocks` gave, from `start` on in the stretch; fewer at the file's end.

    Raises
    ------
    OSError
        If the file is not there any more, or not the same.
    """
    index = programme.index
    assert index is not None
    if programme.length is not None:
        length = max(min(length, programme.length - start), 0)
    start += programme.first

    def seek(stamp: int) -> Iterator[Stretch]:
        return decode_av.stretches(programme, from_stamp=stamp)

    try:
        found = index.after_seek(seek, start, length, programme.sample_rate_hz)
        if found is not None:
            return found
        taken = index.from_beginning(lambda: decode_av.stretches(programme), start, length)
    except Exception as error:  # FFmpeg's have no base that is not imported with it
        raise OSError(str(error)) from None
    return np.concatenate(taken) if taken else np.empty((0, programme.channel_count), dtype=np.float32)
