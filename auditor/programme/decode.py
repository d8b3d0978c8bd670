"""From any sound file to blocks of samples: native rate, every channel, full scale 1.0.

libsndfile does the reading, and `decode_av` that of what it does not know, in a thread of its own so that decoding and
analysis overlap. Samples that cannot be used are replaced by silence and counted, so that nothing downstream has to
think of them. What a file says of itself is read in `auditor.programme.header`.
"""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import replace

import numpy as np
import soundfile
from numpy.typing import NDArray

from auditor.errors import ProgrammeError
from auditor.programme import kept_open
from auditor.programme.header import Sound, inspect, open_sound, stand_at
from auditor.programme.sound_file import Finding, Programme
from auditor.threads import thread_count
from auditor.units import db_to_amplitude

__all__ = ["BLOCK_LENGTH", "Finding", "Programme", "blocks", "inspect", "read_again"]

# Samples per channel, six seconds: large, because each call into the stages costs a wait for the interpreter lock.
BLOCK_LENGTH = 1 << 18
_BLOCK_VALUES = 1 << 20  # samples of all channels together, so that a file of very many channels stays small in memory
_BLOCKS_AHEAD = 2
LARGEST_SAMPLE = 1e6  # +120 dBFS: no recording goes there, and volts made of it would leave single precision
_HELD_BY_LIST_ALONE = 2  # references: the list's, and that of whoever asks
_SLACK_S = 0.1  # headers are out by a few bytes, and MP3 lengths by a few frames, without any sound missing


def blocks(programme: Programme, finding: Finding) -> Iterator[NDArray[np.float32]]:
    """Decode a file block by block.

    Parameters
    ----------
    programme : Programme
    finding : Finding
        Filled in along the way.

    Yields
    ------
    ndarray [shape=(n, feeds)] float32
        Finite samples, full scale 1.0; n is at most `BLOCK_LENGTH`. A mono sum is one feed.
    """
    source = _decoded(programme, finding)
    with closing(_ahead(source) if thread_count() > 1 else source) as decoded:
        try:
            for block in decoded:
                if len(block):
                    yield _as_played(_usable(block, finding), programme)
        except _BrokenOffError as broken:
            finding.broken_off, finding.changed = True, broken.changed
    if finding.damaged_at == finding.length:  # nothing came behind it
        finding.damaged_at, finding.broken_off = None, True
    short_by = (programme.declared_length or 0) - finding.length
    if short_by > _SLACK_S * programme.sample_rate_hz:
        finding.short_by = short_by
    finding.broken_off = finding.broken_off or programme.end_lost or finding.short_by > 0


def read_again(programme: Programme, channel: int, start: int, length: int) -> NDArray[np.float32] | None:
    """Samples of one feed from the middle of a file that has been read before.

    Parameters
    ----------
    programme : Programme
    channel : int
    start, length : int
        First sample and count; what lies before the beginning or after the end is silence.

    Returns
    -------
    ndarray [shape=(length,)] float32, or None
        None where the file cannot be read there (any more).
    """
    samples = np.zeros(length, dtype=np.float32)
    before = max(-start, 0)
    held = length if programme.declared_length is None else max(min(length, programme.declared_length - start), before)
    if held == before:
        return samples
    if programme.sure_to is not None and start + length > programme.sure_to:
        return None
    try:
        if programme.index is not None:
            from auditor.programme import av_blocks

            read = av_blocks.read_again(programme, max(start, 0), max(length - before, 0))
            samples[before : before + len(read)] = _as_played(_usable(read, Finding()), programme)[:, channel]
            return samples
        read = kept_open.excerpt(programme.path, programme.first + max(start, 0), held - before)
    except (soundfile.LibsndfileError, OSError, RuntimeError):
        return None
    samples[before : before + len(read)] = (
        _as_played(_usable(read, Finding()), programme)[:, channel] if len(read) else 0.0
    )
    return samples


class _BrokenOffError(Exception):
    """Whatever the decoder met in a damaged file; all samples before it have been handed out.

    changed : str or None
        That the file is no longer what it was, in words.
    """

    def __init__(self, cause: Exception) -> None:
        super().__init__(str(cause))
        self.changed = cause.what if isinstance(cause, ProgrammeError) else None


def _ahead(source: Generator[NDArray[np.float32], None, None]) -> Generator[NDArray[np.float32], None, None]:
    """The same blocks, decoded in a thread of its own while the last ones are at work."""
    ready: queue.Queue[NDArray[np.float32] | _BrokenOffError | None] = queue.Queue(maxsize=_BLOCKS_AHEAD)
    stop = threading.Event()

    def fill() -> None:
        with closing(source):
            try:
                for block in source:
                    if stop.is_set():
                        return
                    if len(block):  # each handing over is a wait for the interpreter's lock
                        ready.put(block)
                ready.put(None)
            except _BrokenOffError as broken:
                ready.put(broken)

    reader = threading.Thread(target=fill, name="decode", daemon=True)
    reader.start()
    try:
        while (item := ready.get()) is not None:
            if isinstance(item, _BrokenOffError):
                raise item
            yield item
    finally:
        stop.set()
        while reader.is_alive():
            try:
                ready.get(timeout=0.01)
            except queue.Empty:
                continue
        reader.join()


def _decoded(programme: Programme, finding: Finding) -> Generator[NDArray[np.float32], None, None]:
    """Blocks of the file as they come from the decoder; empty ones while what is not wanted passes by."""
    length = min(BLOCK_LENGTH, _BLOCK_VALUES // programme.channel_count)
    done = 0
    try:
        if programme.index is None:
            for block in _read(programme, (length, programme.channel_count)):
                done += len(block)
                yield block
            return
        from auditor.programme import av_blocks

        yield from av_blocks.blocks(programme, length)
    except Exception as error:  # whatever a decoder meets in a damaged file ends the programme there
        if programme.index is not None or not programme.is_flac:
            raise _BrokenOffError(error) from error
        finding.damaged_at = done
        yield from _behind_damage(programme, done, length)


def _behind_damage(programme: Programme, done: int, length: int) -> Iterator[NDArray[np.float32]]:
    """What FFmpeg finds of a FLAC file behind a place where libsndfile gives up; a damaged frame is left out."""
    from auditor.programme import av_blocks, decode_av

    try:
        rest = decode_av.inspect(programme.path, known="flac")
        left = None if programme.length is None else programme.length - done
        for block in av_blocks.blocks(replace(rest, first=programme.first + done, length=left), length):
            if not np.isnan(block).all():  # as the last frame of a file that was cut off is
                yield block
    except Exception as error:  # as above
        raise _BrokenOffError(error) from error


def _read(programme: Programme, shape: tuple[int, int]) -> Iterator[NDArray[np.float32]]:
    block = np.empty((0, programme.channel_count), dtype=np.float32)
    used: list[NDArray[np.float32]] = []
    with open_sound(programme.path) as sound:
        try:
            _go_to(programme.first, sound, shape, is_seekable=programme.declared_length is not None)
            left = programme.length
            while left != 0:
                block = _free(used, shape)[: shape[0] if left is None else min(shape[0], left)]
                block.fill(np.nan)
                read = sound.read(out=block)
                if not len(read):
                    break
                left = None if left is None else left - len(read)
                yield read
        except Exception:
            # libsndfile does not say how far it came, but the rest of the block is as it was.
            written = np.flatnonzero(~np.isnan(block).all(axis=1))
            if len(written):
                yield block[: written[-1] + 1]
            raise


def _free(used: list[NDArray[np.float32]], shape: tuple[int, int]) -> NDArray[np.float32]:
    """A block that nobody holds any part of any more, or a new one: fresh memory costs more than filling it."""
    for index in range(len(used)):
        if sys.getrefcount(used[index]) <= _HELD_BY_LIST_ALONE:
            return used[index]
    used.append(np.empty(shape, dtype=np.float32))
    return used[-1]


def _go_to(first: int, sound: Sound, shape: tuple[int, int], *, is_seekable: bool) -> None:
    """Pass over what is before the cut; where the file does not know its own length, by reading it."""
    if is_seekable and first:
        stand_at(sound, first)
        return
    while first > 0 and (read := len(sound.read(out=np.empty((min(first, shape[0]), shape[1]), dtype=np.float32)))):
        first -= read


def _as_played(block: NDArray[np.float32], programme: Programme) -> NDArray[np.float32]:
    """The file's samples, shape=(n, channels), trimmed, and summed to one where the rig does so."""
    ratio = programme.gain_ratio
    if programme.mono_gain_db is None:
        return block if ratio == 1.0 else block * np.float32(ratio)
    ratio *= db_to_amplitude(programme.mono_gain_db) / programme.channel_count
    # One channel after the other, so that samples read again come out the same bit for bit.
    total = block[:, :1].copy()
    for channel in range(1, programme.channel_count):
        total += block[:, channel : channel + 1]
    total *= np.float32(ratio)
    return total


def _usable(block: NDArray[np.float32], finding: Finding) -> NDArray[np.float32]:
    finding.length += len(block)
    # The sum of squares betrays any sample of that kind; only then is it worth looking for them one by one.
    flat = block.reshape(-1)
    with np.errstate(over="ignore", invalid="ignore"):
        suspect = not float(np.dot(flat, flat)) < LARGEST_SAMPLE
    if suspect:
        bad = ~(np.abs(block) <= LARGEST_SAMPLE)
        finding.unusable += int(bad.sum())
        block = np.where(bad, np.float32(0.0), block)
    return block
