"""From any sound file to blocks of samples: native rate, every channel, full scale 1.0.

libsndfile does the reading, in a thread of its own so that decoding and analysis overlap. Samples that are not numbers
are replaced by silence and counted, so that nothing downstream has to think of them.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from auditor.errors import ProgrammeError

BLOCK_LENGTH = 1 << 16  # samples per channel: about a second and a half, and small enough for the processor's cache
_BLOCKS_AHEAD = 2
_FORMATS_HINT = "WAV, AIFF, FLAC, Ogg, Opus, MP3, CAF and W64 can be read; convert others first"


@dataclass(frozen=True, kw_only=True)
class Programme:
    """A sound file that can be opened.

    Parameters
    ----------
    path : str
    sample_rate_hz, channel_count : int
    declared_length : int
        Samples per channel that the file says it holds.
    """

    path: str
    sample_rate_hz: int
    channel_count: int
    declared_length: int


@dataclass
class Finding:
    """What turned up while the samples were read."""

    length: int = 0  # samples per channel
    not_finite: int = 0
    broken_off: str | None = None
    short_by: int = field(default=0)  # samples per channel that are missing, where it is known


def inspect(path: str | Path) -> Programme:
    """Look at a file's header.

    Raises
    ------
    ProgrammeError
        If the file is missing, unreadable, empty, not sound, or holds no samples.
    """
    path = Path(path)
    where = str(path)
    try:
        with path.open("rb") as raw:
            first = raw.read(1)
    except FileNotFoundError:
        raise ProgrammeError(
            "no such file", where=where, hint="check the spelling and that the drive is there"
        ) from None
    except IsADirectoryError:
        raise ProgrammeError("is a folder, not a file", where=where) from None
    except PermissionError:
        raise ProgrammeError("may not be read", where=where, hint="change its permissions or copy it") from None
    except OSError as error:
        raise ProgrammeError(f"cannot be read: {error.strerror}", where=where) from None
    if not first:
        raise ProgrammeError("is empty (0 bytes)", where=where, hint="copy it again from its source")
    try:
        with soundfile.SoundFile(path) as sound:
            programme = Programme(
                path=where,
                sample_rate_hz=sound.samplerate,
                channel_count=sound.channels,
                declared_length=sound.frames,
            )
    except (soundfile.LibsndfileError, RuntimeError, TypeError):
        raise ProgrammeError("is not a sound file that can be read", where=where, hint=_FORMATS_HINT) from None
    if programme.declared_length == 0:
        raise ProgrammeError("holds no samples", where=where, hint="copy or export it again")
    return programme


def blocks(programme: Programme, finding: Finding) -> Iterator[NDArray[np.float32]]:
    """Decode a file block by block.

    Parameters
    ----------
    programme : Programme
    finding : Finding
        Filled in along the way.

    Yields
    ------
    ndarray [shape=(n, channels)] float32
        Finite samples, full scale 1.0; n is at most `BLOCK_LENGTH`.
    """
    ready: queue.Queue[NDArray[np.float32] | Exception | None] = queue.Queue(maxsize=_BLOCKS_AHEAD)
    stop = threading.Event()
    reader = threading.Thread(target=_read, args=(programme, ready, stop), name="decode", daemon=True)
    reader.start()
    try:
        while (item := ready.get()) is not None:
            if isinstance(item, Exception):
                finding.broken_off = str(item)
                break
            yield _finite(item, finding)
    finally:
        stop.set()
        while reader.is_alive():
            try:
                ready.get(timeout=0.01)
            except queue.Empty:
                continue
        reader.join()
    finding.short_by = max(0, finding.short_by + programme.declared_length - finding.length)


def _read(
    programme: Programme, ready: queue.Queue[NDArray[np.float32] | Exception | None], stop: threading.Event
) -> None:
    try:
        with soundfile.SoundFile(programme.path) as sound:
            while not stop.is_set():
                block = sound.read(BLOCK_LENGTH, dtype="float32", always_2d=True)
                if not len(block):
                    break
                ready.put(block)
        ready.put(None)
    except Exception as error:  # whatever libsndfile meets in a damaged file ends the programme there
        ready.put(error)


def _finite(block: NDArray[np.float32], finding: Finding) -> NDArray[np.float32]:
    finding.length += len(block)
    # One sum finds any not-a-number or infinity; only then is it worth looking for them one by one.
    if not np.isfinite(block.sum()):
        bad = ~np.isfinite(block)
        finding.not_finite += int(bad.sum())
        block = np.where(bad, np.float32(0.0), block)
    return block
