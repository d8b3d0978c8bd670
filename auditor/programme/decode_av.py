"""What libsndfile does not know, through FFmpeg's libraries (PyAV): M4A, ALAC, WMA, AC-3, the sound of video files.

Behind the calls of `decode`, which hands over what libsndfile refuses.

Encoder delay and padding are taken off where the file tells of them: FFmpeg skips the delay (edit list, gapless tag,
codec delay), and what an MP4's last packet holds beyond the length of its edit list is cut here. Time counts from the
first sample of the sound. Packets that cannot be decoded, and gaps between time stamps, become samples that are not
numbers, which `decode` takes as silence and counts.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal

import av
import numpy as np

from auditor.errors import ProgrammeError
from auditor.programme.av_index import Index, Stretch
from auditor.programme.av_open import open_file
from auditor.programme.sound_file import Programme

if TYPE_CHECKING:
    from numpy.typing import NDArray

# FFmpeg's names. A member of a group stands for all of it.
_FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,asf,aac,ac3,eac3"
# Only where libsndfile has found a file to be one: FFmpeg takes much for MP3 that is no sound.
_MP3, _FLAC = "mp3", "flac"
_LENGTH_GUESSED = ("aac", "ac3", "eac3", _MP3)  # bare packets: FFmpeg guesses from the size of the file
_SIGNATURES = ((4, b"ftyp"), (4, b"moov"), (0, b"\x1a\x45\xdf\xa3"), (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11"))
# The objects of an ASF header that say its packets are encrypted.
_ASF_LOCKED = (
    bytes.fromhex("fbb3112223bdd211b4b700a0c955fc6e"),
    bytes.fromhex("14e68a292226174cb935dae07ee9289c"),
)
_ASF_PROPERTIES = bytes.fromhex("a1dcab8c47a9cf118ee400c00c205365")
_WITH_CHECK_SUMS = ("flac", "ac3", "eac3")  # other decoders would only be made to refuse harmless oddities
_HOLD_AGAINST_CHECK_SUMS = {"err_detect": "crccheck+explode"}
_LOCKED_TAGS = ("drms", "enca")  # what an MP4 calls such sound
_FORMATS_HINT = (
    "WAV, AIFF, FLAC, Ogg, Opus, MP3, CAF, W64, M4A, AAC, WMA, AC-3 and the sound of MP4, MOV, MKV and WebM can be "
    "read; convert others first"
)
_CONVERT_HINT = "convert it to WAV or FLAC first"
_COPY_HINT = "copy or export it again from its source"
_TRIED_PACKETS = 200
_GAP_S = 0.1  # time stamps of some containers are milliseconds, and some writers are careless by a packet
_LONGEST_GAP_S = 60.0  # a longer one, where the file does not tell its length, is a wrong time stamp
_SCALES = {"u8": 2.0**-7, "s16": 2.0**-15, "s32": 2.0**-31, "flt": 1.0, "dbl": 1.0}


def inspect(where: str, *, known: Literal["mp3", "flac"] | None = None) -> Programme:
    """Look at a file's header and at its first packets.

    Parameters
    ----------
    where : str
    known : {"mp3", "flac"}, optional
        What libsndfile has found it to be.

    Raises
    ------
    ProgrammeError
        If it is no such file, holds no sound, or sound that cannot be decoded.
    """
    try:
        with open_file(where, known or _FORMATS) as container:
            return _inspected(where, container)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise _refusal(where, error) from None


def _inspected(where: str, container: Any) -> Programme:
    streams = container.streams.audio
    if not streams:
        what = "holds no sound, only pictures" if container.streams.video else "holds no sound"
        raise ProgrammeError(what, where=where, hint="name the file that has the sound")
    stream = _chosen(container)
    _refuse_locked(where, stream)
    first = _first_frame(stream, container)
    codec = _plain(stream.codec_context.name)
    if first is None:
        raise ProgrammeError(
            f"holds sound that cannot be decoded ({codec}): encrypted or damaged", where=where, hint=_CONVERT_HINT
        )
    rate_hz = int(first.sample_rate)
    remark = (
        f"the file holds {len(streams)} sound tracks; number {streams.index(stream) + 1} was analysed, "
        "the others were not"
    )
    return Programme(
        path=where,
        sample_rate_hz=rate_hz,
        channel_count=int(first.layout.nb_channels),
        declared_length=_declared_length(where, container, stream, rate_hz),
        headroom_db=12.0 if first.format.name.startswith(("flt", "dbl")) else 0.0,  # whole numbers end at full scale
        lossy_kbps=stream.bit_rate / 1000 if stream.bit_rate and not stream.codec_context.codec.lossless else None,
        remarks=(remark,) if len(streams) > 1 else (),
        index=Index(),
    )


def _chosen(container: Any) -> Any:
    """The sound track that a player takes: the one marked as default, else the first."""
    streams = container.streams.audio
    default = [stream for stream in streams if stream.disposition & av.stream.Disposition.default]
    return (default or list(streams))[0]


def _refuse_locked(where: str, stream: Any) -> None:
    context = stream.codec_context
    tag = _plain(context.codec_tag) if context is not None else ""
    if tag in _LOCKED_TAGS or _is_locked_asf(_head(where)):
        raise _locked(where)
    if context is None or not context.codec.is_decoder:
        raise ProgrammeError("holds sound of a codec that cannot be read", where=where, hint=_CONVERT_HINT)


def _head(where: str) -> bytes:
    with open(where, "rb") as raw:
        return raw.read(1 << 16)


def _is_locked_asf(head: bytes) -> bool:
    return head.startswith(_SIGNATURES[3][1]) and any(mark in head for mark in _ASF_LOCKED)


def _locked(where: str) -> ProgrammeError:
    what = "is copy-protected (encrypted), so it cannot be read"
    return ProgrammeError(what, where=where, hint="use a copy without protection")


def _plain(text: str) -> str:
    return "".join(c for c in text if c.isprintable())[:20]


def _first_frame(stream: Any, container: Any) -> Any:
    for tried, packet in enumerate(container.demux(stream)):
        try:
            frames = packet.decode()
        except av.error.FFmpegError:
            frames = []
        if frames:
            return frames[0]
        if tried == _TRIED_PACKETS:
            break
    return None


def _declared_length(where: str, container: Any, stream: Any, rate_hz: int) -> int | None:
    if container.format.name in _LENGTH_GUESSED:
        return None
    if container.format.name == "asf" and (stated_s := _asf_length_s(_head(where))):
        return round(stated_s * rate_hz)
    if stream.duration:
        length: int = round(stream.duration * stream.time_base * rate_hz)
        return length
    if container.duration and len(container.streams) == 1:  # of several, it is the longest that this tells of
        late_s = (stream.start_time or 0) * stream.time_base
        return max(round((Fraction(container.duration, av.time_base) - late_s) * rate_hz), 0) or None
    return None


def _asf_length_s(head: bytes) -> float | None:
    """What the header states [s]; FFmpeg guesses by the size of a file that was cut off."""
    at = head.find(_ASF_PROPERTIES)
    if at < 0 or len(head) < at + 92:
        return None
    duration, _, preroll_ms, flags = struct.unpack_from("<QQQI", head, at + 64)
    return None if flags & 1 else max(duration / 1e7 - preroll_ms / 1e3, 0.0) or None  # 1: a broadcast


def _refusal(where: str, error: Exception) -> ProgrammeError:
    head = _head(where)
    if _is_locked_asf(head):
        return _locked(where)
    if any(head[at : at + len(mark)] == mark for at, mark in _SIGNATURES):
        return ProgrammeError("is damaged or cut off: it has no readable index", where=where, hint=_COPY_HINT)
    return ProgrammeError("is not a sound file that can be read", where=where, hint=_FORMATS_HINT)


def stretches(programme: Programme, *, from_stamp: int | None = None) -> Iterator[Stretch]:
    """Decode a file packet by packet.

    Parameters
    ----------
    programme : Programme
    from_stamp : int, optional
        Time stamp to seek to; positions count from there then, and neither gaps nor the end are looked after.

    Yields
    ------
    Stretch
        Not a number where a packet could not be decoded, or time stamps leave a gap.

    Raises
    ------
    ProgrammeError
        Where sampling rate or number of channels changes.
    """
    with open_file(programme.path, f"{_FORMATS},{_MP3},{_FLAC}") as container:
        stream = _chosen(container)
        if stream.codec_context.name in _WITH_CHECK_SUMS:
            stream.codec_context.options = _HOLD_AGAINST_CHECK_SUMS
        if from_stamp is not None:
            container.seek(from_stamp, stream=stream)
            yield from _decoded(container, stream, programme, follow=False)
        elif container.format.name.startswith("mov"):
            yield from _without_padding(_decoded(container, stream, programme, follow=True), programme)
        else:
            yield from _decoded(container, stream, programme, follow=True)


def _without_padding(parts: Iterator[Stretch], programme: Programme) -> Iterator[Stretch]:
    """Cut what the last packet holds beyond the declared length; a file that simply goes on is left alone."""
    declared = programme.file_length
    held: Stretch | None = None
    for part in parts:
        if held is not None:
            yield held
            held = None
        if declared is not None and part.position < declared < part.end:
            held = part
        else:
            yield part
    if held is not None and declared is not None:
        yield held.cut(declared - held.position)


def _decoded(container: Any, stream: Any, programme: Programme, *, follow: bool) -> Iterator[Stretch]:
    rate_hz, tick_s = programme.sample_rate_hz, float(stream.time_base)
    position, usual, due_s = 0, 0, None  # due_s: time stamp that the next frame should have
    for packet in container.demux(stream):
        try:
            frames = packet.decode()
        except av.error.InvalidDataError:
            lost = round((packet.duration or 0) * tick_s * rate_hz) or usual
            yield Stretch.lost(position, min(lost, rate_hz), programme.channel_count)
            position += min(lost, rate_hz)
            due_s = None if due_s is None else due_s + lost / rate_hz
            continue
        for frame in frames:
            _refuse_change(frame, programme, position)
            starts_s = None if frame.pts is None else frame.pts * float(frame.time_base)
            gap = _gap(due_s, starts_s, programme, position) if follow else 0
            if gap:
                yield from _silence(position, gap, programme)
                position += gap
            samples = _samples(frame, programme.channel_count)
            if frame.is_corrupt:
                samples = np.full_like(samples, np.nan)
            yield Stretch(position=position, stamp=frame.pts, samples=samples, damaged=bool(frame.is_corrupt))
            position += len(samples)
            usual = len(samples)
            if starts_s is not None:
                due_s = starts_s
            due_s = None if due_s is None else due_s + len(samples) / rate_hz


def _refuse_change(frame: Any, programme: Programme, position: int) -> None:
    after = f"after {position / programme.sample_rate_hz:.1f} s"
    if frame.sample_rate != programme.sample_rate_hz:
        change = f"the sampling rate changes from {programme.sample_rate_hz} to {frame.sample_rate} Hz {after}"
        raise ProgrammeError(change, where=programme.path)
    if frame.layout.nb_channels != programme.channel_count:
        change = f"the channels change from {programme.channel_count} to {frame.layout.nb_channels} {after}"
        raise ProgrammeError(change, where=programme.path)


def _gap(due_s: float | None, starts_s: float | None, programme: Programme, position: int) -> int:
    if due_s is None or starts_s is None or starts_s - due_s <= _GAP_S:
        return 0
    gap = round((starts_s - due_s) * programme.sample_rate_hz)
    if programme.file_length is None:
        return gap if starts_s - due_s <= _LONGEST_GAP_S else 0
    return gap if position + gap <= programme.file_length else 0


def _silence(position: int, length: int, programme: Programme) -> Iterator[Stretch]:
    second = programme.sample_rate_hz
    for done in range(0, length, second):
        yield Stretch.lost(position + done, min(second, length - done), programme.channel_count)


def _samples(frame: Any, channel_count: int) -> NDArray[np.float32]:
    """Samples of a frame [shape=(n, channels)], full scale 1.0; as libsndfile scales them."""
    values, kind = frame.to_ndarray(), frame.format.name
    samples = values.T if kind.endswith("p") else values.reshape(-1, channel_count)
    kind = kind.removesuffix("p")
    if kind == "flt":
        return samples  # type: ignore[no-any-return]
    if kind not in _SCALES:
        raise ProgrammeError(f"samples of a kind that is not known: {_plain(kind)}")
    if kind == "u8":
        samples = samples.astype(np.int16) - 128
    return samples.astype(np.float32) * np.float32(_SCALES[kind])  # type: ignore[no-any-return]
