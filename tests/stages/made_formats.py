"""Sound files in many formats, encoded by libsndfile and PyAV; for the tests and docs/make_formats.py."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import av
import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

from auditor.programme import decode
from tests.stages.signals import demo_path

if TYPE_CHECKING:
    from auditor.audit_types import Audit


@dataclass(frozen=True, kw_only=True)
class Format:
    """One way to store sound."""

    name: str
    suffix: str
    codec: str  # FFmpeg's name of the encoder, or libsndfile's of the subtype
    by: str = "PyAV"
    lossless: bool = False
    bit_rate: int | None = None
    container: str | None = None
    with_picture: bool = False
    level: float | None = None  # libsndfile's, 0 for the highest bit rate


LIBSNDFILE = (
    Format(name="WAV, 24 bit", suffix=".wav", codec="PCM_24", by="libsndfile", lossless=True),
    Format(name="AIFF, 24 bit", suffix=".aiff", codec="PCM_24", by="libsndfile", lossless=True),
    Format(name="CAF, 24 bit", suffix=".caf", codec="PCM_24", by="libsndfile", lossless=True),
    Format(name="W64, 24 bit", suffix=".w64", codec="PCM_24", by="libsndfile", lossless=True),
    Format(name="FLAC, 24 bit", suffix=".flac", codec="PCM_24", by="libsndfile", lossless=True),
    Format(name="Ogg Vorbis, best", suffix=".ogg", codec="VORBIS", by="libsndfile", level=0.0),
    Format(name="Opus, best", suffix=".opus", codec="OPUS", by="libsndfile", level=0.0),
    Format(name="MP3", suffix=".mp3", codec="MPEG_LAYER_III", by="libsndfile"),
)
PYAV = (
    Format(name="ALAC in M4A, 24 bit", suffix=".m4a", codec="alac", lossless=True, container="ipod"),
    Format(name="PCM in MOV, 24 bit", suffix=".mov", codec="pcm_s24le", lossless=True, with_picture=True),
    Format(name="FLAC in Matroska, 24 bit", suffix=".mka", codec="flac", lossless=True),
    Format(name="AAC in M4A, 320 kbit/s", suffix=".m4a", codec="aac", bit_rate=320_000, container="ipod"),
    Format(name="AAC in MP4 video, 320 kbit/s", suffix=".mp4", codec="aac", bit_rate=320_000, with_picture=True),
    Format(name="AAC in MKV video, 320 kbit/s", suffix=".mkv", codec="aac", bit_rate=320_000, with_picture=True),
    Format(name="AAC, bare, 320 kbit/s", suffix=".aac", codec="aac", bit_rate=320_000, container="adts"),
    Format(name="Opus in WebM video, 320 kbit/s", suffix=".webm", codec="libopus", bit_rate=320_000, with_picture=True),
    Format(name="WMA 2, 192 kbit/s", suffix=".wma", codec="wmav2", bit_rate=192_000, container="asf"),
    Format(name="WMA 1, 192 kbit/s", suffix=".wma", codec="wmav1", bit_rate=192_000, container="asf"),
    Format(name="AC-3, 448 kbit/s", suffix=".ac3", codec="ac3", bit_rate=448_000),
    Format(name="E-AC-3, 448 kbit/s", suffix=".eac3", codec="eac3", bit_rate=448_000),
)


def encode(path: Path, samples: NDArray[np.float64], rate_hz: int, form: Format, *, tracks: int = 1) -> Path:
    """Write samples, shape=(n, channels), in a format."""
    if form.by == "libsndfile":
        container = "OGG" if path.suffix == ".opus" else None  # a suffix that older releases do not know
        soundfile.write(path, samples, rate_hz, subtype=form.codec, format=container, compression_level=form.level)
        return path
    with av.open(str(path), "w", format=form.container) as container:
        picture = _add_picture(container) if form.with_picture else None
        streams = [_add_sound(container, samples, rate_hz, form) for _ in range(tracks)]
        if picture is not None:
            container.mux(picture.encode(av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), dtype=np.uint8))))
            container.mux(picture.encode(None))
        for stream in streams:
            for frame in _frames(stream, samples, rate_hz):
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
    return path


def picture_only(path: Path) -> Path:
    """Write a video without sound."""
    with av.open(str(path), "w") as container:
        picture = _add_picture(container)
        container.mux(picture.encode(av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), dtype=np.uint8))))
        container.mux(picture.encode(None))
    return path


def _add_picture(container: Any) -> Any:
    codec = "libvpx" if container.format.name == "webm" else "mpeg4"
    stream = container.add_stream(codec, rate=25)
    stream.width = stream.height = 64
    stream.pix_fmt = "yuv420p"
    return stream


def _add_sound(container: Any, samples: NDArray[np.float64], rate_hz: int, form: Format) -> Any:
    layout = {1: "mono", 2: "stereo", 6: "5.1"}[samples.shape[1]]
    stream = container.add_stream(form.codec, rate=rate_hz, layout=layout)
    kinds = [each.name for each in stream.codec_context.codec.audio_formats or []]
    stream.format = next(kind for kind in ("s32p", "s32", "fltp", "flt", "s16") if kind in kinds)
    if form.bit_rate:
        stream.bit_rate = form.bit_rate
    stream.codec_context.open()
    return stream


def _frames(stream: Any, samples: NDArray[np.float64], rate_hz: int) -> list[Any]:
    kind, layout = stream.format.name, stream.layout.name
    if kind.startswith("s32"):
        values = np.round(samples * 2.0**23).astype(np.int32) << 8
    elif kind.startswith("s16"):
        values = np.round(samples * 2.0**15).astype(np.int16)
    else:
        values = samples.astype(np.float32)
    shaped = values.T if kind.endswith("p") else values.reshape(1, -1)
    frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(shaped), format=kind, layout=layout)
    frame.sample_rate, frame.pts = rate_hz, 0
    size = stream.codec_context.frame_size or 4096
    cutter = av.AudioResampler(format=kind, layout=layout, rate=rate_hz, frame_size=size)
    return [*cutter.resample(frame), *cutter.resample(None)]


@functools.cache
def material() -> tuple[NDArray[np.float64], int]:
    """Music as mixed, 10 s at 48 kHz (the one rate that every format has), rounded to 24 bits."""
    samples, rate_hz = soundfile.read(demo_path("03"), dtype="float64", always_2d=True)
    samples = signal.resample_poly(samples[: 10 * rate_hz], 48_000, rate_hz, axis=0)
    stereo = np.repeat(samples, 2, axis=1)[:, :2] if samples.shape[1] == 1 else samples
    return np.round(np.clip(stereo, -1.0, 1.0 - 2.0**-23) * 2.0**23) / 2.0**23, 48_000


def read(path: Path) -> NDArray[np.float32]:
    """All samples of a file."""
    return np.concatenate(list(decode.blocks(decode.inspect(path), decode.Finding())))


def shift(stored: NDArray[np.float32], samples: NDArray[np.float64]) -> int:
    """How many samples later the sound lies in `stored`."""
    length = 100_000
    alike = signal.correlate(stored[:length, 0], samples[:length, 0], method="fft")
    return int(np.argmax(alike)) - (min(length, len(samples)) - 1)


def hf_change_db(audited: Audit, reference: Audit) -> float:
    """The largest change of the HF branch's rms voltage among the channels [dB]."""
    pairs = zip(audited.channels, reference.channels, strict=True)
    changes = [20.0 * math.log10(each.hf_voltage_rms_v / other.hf_voltage_rms_v) for each, other in pairs]
    return max(changes, key=abs)


def margin_change_db(audited: Audit, reference: Audit) -> float:
    """The change of the margin [dB]."""
    assert audited.margin_db is not None
    assert reference.margin_db is not None
    return audited.margin_db - reference.margin_db
