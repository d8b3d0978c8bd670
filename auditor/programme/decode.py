"""From any sound file to blocks of samples: native rate, every channel, full scale 1.0.

libsndfile does the reading, and `decode_av` that of what it does not know, in a thread of its own so that decoding and
analysis overlap. Samples that cannot be used
are replaced by silence and counted, so that nothing downstream has to think of them.

What is missing from a file is found where the file tells: by the length that its header claims (WAV, W64, RF64, AIFF,
AU, FLAC, MP3 with a length tag) or by its end mark (Ogg). An MP3 without a length tag that was cut off looks whole.
"""

from __future__ import annotations

import os
import queue
import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import soundfile
from numpy.typing import NDArray

from auditor.errors import ProgrammeError
from auditor.programme.entry import Entry, Source, as_entry, clock
from auditor.programme.files import refuse_unreadable
from auditor.units import db_to_amplitude

if TYPE_CHECKING:
    from auditor.programme.av_index import Index

# Samples per channel, six seconds: large, because each call into the stages costs a wait for the interpreter lock.
BLOCK_LENGTH = 1 << 18
_BLOCK_VALUES = 1 << 20  # samples of all channels together, so that a file of very many channels stays small in memory
_BLOCKS_AHEAD = 2
FORMATS_HINT = (
    "WAV, AIFF, FLAC, Ogg, Opus, MP3, CAF, W64, M4A, AAC, WMA, AC-3 and the sound of MP4, MOV, MKV and WebM can be "
    "read; convert others first"
)
_BEYOND_FULL_SCALE = ("FLOAT", "DOUBLE", "VORBIS", "OPUS", "MPEG")  # libsndfile's names of such codings
_HEADROOM_DB = 12.0
_COPY_HINT = "copy or export it again from its source"

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4_000, 768_000  # below, the loudness filters are undefined and no HF is left
LARGEST_SAMPLE = 1e6  # +120 dBFS: no recording goes there, and volts made of it would leave single precision
_SLACK_S = 0.1  # headers are out by a few bytes, and MP3 lengths by a few frames, without any sound missing

# What libsndfile says of a file whose header claims more than the file holds, before it goes by what there is.
_CLAIM = re.compile(r"^ *(?:data|SSND|Data Size|riff|Riff size) *: (\d+) \(should be (\d+)\)", re.MULTILINE)
_NO_OGG_END = "Last page lacks an end-of-stream bit"
# Programs that write into a pipe cannot know the length and put one of these, or nearly, in its place.
_LENGTH_UNKNOWN = (range(0x7FFF_F000, 0x8000_0000), range(0xFFFF_F000, 0x1_0000_0000))
_FRAMES_UNKNOWN = 1 << 62  # libsndfile's count for a FLAC file that does not state its own is beyond this
_SEEK_FAILED = 39  # how such a file ends: soundfile seeks after every read
_NOT_SOUND = (1, 7)  # libsndfile: format not recognised, and what its MP3 reader says to the same


@dataclass(frozen=True, kw_only=True)
class Programme:
    """A sound file that can be opened.

    Parameters
    ----------
    path : str
    sample_rate_hz, channel_count : int
    declared_length : int or None
        Samples per channel that the file says it holds; None when it does not say.
    end_lost : bool
        Whether the file lacks the mark that its format puts at the end.
    headroom_db : float
        How far beyond full scale its samples may go [dB]: nought for whole numbers; lossy and floating-point files
        are taken to stay under 12 dB.
    remarks : tuple of str
        What else is to be told of it.
    index : Index or None
        Set where `decode_av` reads it.
    first, length : int
        The stretch that is read of it, in samples per channel; None for `length`: to the end.
    entry : Entry or None
        What it was named by, with a trim where the playlist has one.
    mono_gain_db : float or None
        Gain against the mean of its channels where they are played as one sum; None where each is played by itself.
    """

    path: str
    sample_rate_hz: int
    channel_count: int
    declared_length: int | None
    end_lost: bool = False
    headroom_db: float = 0.0
    remarks: tuple[str, ...] = ()
    index: Index | None = field(default=None, compare=False, repr=False)
    first: int = 0
    length: int | None = None
    entry: Entry | None = None
    mono_gain_db: float | None = None

    @property
    def feed_count(self) -> int:
        """Channels that blocks have: the file's own, or one where it is summed."""
        return self.channel_count if self.mono_gain_db is None else 1

    @property
    def source(self) -> Source:
        """What to read it by again."""
        return self.entry or self.path

    @property
    def name(self) -> str:
        """What no other track of a set is called."""
        return self.entry.name if self.entry else self.path

    @property
    def gain_ratio(self) -> float:
        """What every sample is multiplied by."""
        return db_to_amplitude((self.entry.gain_db or 0.0) if self.entry else 0.0)


@dataclass
class Finding:
    """What turned up while the samples were read."""

    length: int = 0  # samples per channel
    unusable: int = 0  # samples that are not numbers, infinite or absurdly large
    broken_off: bool = False  # there should be more than could be read
    short_by: int = 0  # samples per channel that are missing, where it is known
    changed: str | None = None  # what became different within the file, so that the rest was not read


def inspect(source: Source, *, mono_gain_db: float | None = None) -> Programme:
    """Look at a file's header.

    Parameters
    ----------
    source : str, Path or Entry
        The length of an entry that cuts a file is that of the cut.
    mono_gain_db : float, optional
        Play the sum of its channels, at this gain against their mean [dB]; see `Level.mono_gain_db`.

    Raises
    ------
    ProgrammeError
        If the file is missing, unreadable, empty, not sound, holds no samples, or ends before the cut begins.
    """
    entry = as_entry(source)
    where = entry.path
    refuse_unreadable(where)
    try:
        with _open(where) as sound:
            programme = Programme(
                path=where,
                sample_rate_hz=sound.samplerate,
                channel_count=sound.channels,
                declared_length=_declared_length(sound),
                end_lost=_NO_OGG_END in sound.extra_info,
                headroom_db=_HEADROOM_DB if sound.subtype.startswith(_BEYOND_FULL_SCALE) else 0.0,
            )
            # libsndfile takes any bytes for headerless telephone sound if they are called .au, .snd, .vox or .gsm.
            headerless = sound.format == "RAW"
    except soundfile.LibsndfileError as error:
        if error.code not in _NOT_SOUND:
            reason = error.error_string.rstrip(".")
            raise ProgrammeError(f"is damaged or cut off: {reason}", where=where, hint=_COPY_HINT) from None
        headerless = True
    except (RuntimeError, TypeError):
        headerless = True
    if headerless:
        from auditor.programme import decode_av

        programme = decode_av.inspect(where)
    if programme.declared_length == 0:
        raise ProgrammeError("holds no samples", where=where, hint=_COPY_HINT)
    if not LOWEST_RATE_HZ <= programme.sample_rate_hz <= HIGHEST_RATE_HZ:
        raise ProgrammeError(
            "has a sampling rate out of range",
            where=where,
            got=f"{programme.sample_rate_hz} Hz",
            allowed=f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz",
            hint="export it again at 44100 Hz or more",
        )
    return _mixed(_cut(programme, entry), mono_gain_db)


def _mixed(programme: Programme, mono_gain_db: float | None) -> Programme:
    if mono_gain_db is None:
        return programme
    headroom_db = max(0.0, programme.headroom_db + mono_gain_db)
    return replace(programme, mono_gain_db=mono_gain_db, headroom_db=headroom_db)


def _cut(programme: Programme, entry: Entry) -> Programme:
    """The stretch of the file that the entry means."""
    rate, whole = programme.sample_rate_hz, programme.declared_length
    first = round(entry.start_s * rate)
    if whole is not None and first >= whole:
        what = f"begins at {clock(entry.start_s)}, and the file ends at {clock(whole / rate)}"
        raise ProgrammeError(what, where=entry.name, hint="is it the CUE sheet of another file?")
    length = None if entry.end_s is None else round(entry.end_s * rate) - first
    if programme.index is not None and (first or length is not None):
        hint = "convert it to FLAC or WAV first"
        raise ProgrammeError("cannot be cut by a CUE sheet in this format", where=entry.name, hint=hint)
    if length is not None and length <= 0:
        raise ProgrammeError("is cut to nothing", where=entry.name, hint="put the indexes of the CUE sheet right")
    rest = None if whole is None else whole - first
    return replace(
        programme,
        first=first,
        length=length,
        declared_length=rest if length is None else length,
        end_lost=programme.end_lost and length is None,
        headroom_db=max(0.0, programme.headroom_db + (entry.gain_db or 0.0)),
        entry=entry,
    )


def _open(path: str) -> soundfile.SoundFile:
    # As bytes: a name need not be valid UTF-8, and soundfile insists on that of text.
    return soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))


def _declared_length(sound: soundfile.SoundFile) -> int | None:
    length = int(sound.frames)
    if length > _FRAMES_UNKNOWN:
        return None
    claim = _CLAIM.search(sound.extra_info)
    if claim is None:
        return length
    claimed_bytes, held_bytes = map(int, claim.groups())
    if any(claimed_bytes in unknown for unknown in _LENGTH_UNKNOWN):
        return None if length else 0
    return length * claimed_bytes // held_bytes if held_bytes else 0


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
    ready: queue.Queue[NDArray[np.float32] | Exception | None] = queue.Queue(maxsize=_BLOCKS_AHEAD)
    stop = threading.Event()
    reader = threading.Thread(target=_fill, args=(programme, ready, stop), name="decode", daemon=True)
    reader.start()
    try:
        while (item := ready.get()) is not None:
            if isinstance(item, Exception):
                finding.broken_off = True
                finding.changed = item.what if isinstance(item, ProgrammeError) else None
                break
            yield _as_played(_usable(item, finding), programme)
    finally:
        stop.set()
        while reader.is_alive():
            try:
                ready.get(timeout=0.01)
            except queue.Empty:
                continue
        reader.join()
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
    try:
        if programme.index is not None:
            from auditor.programme import av_blocks

            read = av_blocks.read_again(programme, max(start, 0), max(length - before, 0))
            samples[before : before + len(read)] = _as_played(_usable(read, Finding()), programme)[:, channel]
            return samples
        with _open(programme.path) as sound:
            sound.seek(programme.first + max(start, 0))
            read = sound.read(held - before, dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, OSError, RuntimeError):
        return None
    samples[before : before + len(read)] = (
        _as_played(_usable(read, Finding()), programme)[:, channel] if len(read) else 0.0
    )
    return samples


def _fill(
    programme: Programme, ready: queue.Queue[NDArray[np.float32] | Exception | None], stop: threading.Event
) -> None:
    if programme.index is None:
        _read(programme, ready, stop)
        return
    from auditor.programme import av_blocks

    length = min(BLOCK_LENGTH, _BLOCK_VALUES // programme.channel_count)
    try:
        for block in av_blocks.blocks(programme, length):
            if stop.is_set():
                return
            ready.put(block)
        ready.put(None)
    except Exception as error:  # as below
        ready.put(error)


def _read(
    programme: Programme, ready: queue.Queue[NDArray[np.float32] | Exception | None], stop: threading.Event
) -> None:
    shape = min(BLOCK_LENGTH, _BLOCK_VALUES // programme.channel_count), programme.channel_count
    block = np.empty((0, programme.channel_count), dtype=np.float32)
    try:
        with _open(programme.path) as sound:
            _go_to(programme.first, sound, shape, is_seekable=programme.declared_length is not None)
            left = programme.length
            while not stop.is_set() and left != 0:
                block = np.full((shape[0] if left is None else min(shape[0], left), shape[1]), np.nan, dtype=np.float32)
                read = sound.read(out=block)
                if not len(read):
                    break
                left = None if left is None else left - len(read)
                ready.put(read)
        ready.put(None)
    except Exception as error:  # whatever libsndfile meets in a damaged file ends the programme there
        # It does not say how far it came, but the rest of the block is as it was.
        written = np.flatnonzero(~np.isnan(block).all(axis=1))
        if len(written):
            ready.put(block[: written[-1] + 1])
        ended = programme.declared_length is None and getattr(error, "code", None) == _SEEK_FAILED
        ready.put(None if ended else error)


def _go_to(first: int, sound: soundfile.SoundFile, shape: tuple[int, int], *, is_seekable: bool) -> None:
    """Pass over what is before the cut; where the file does not know its own length, by reading it."""
    if is_seekable and first:
        sound.seek(first)
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
