"""The sound file of `auditor.render`: 24 bits, every channel, each part written in its own pass over the programme."""

from __future__ import annotations

import os
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from auditor.chain.terminals import SmoothGain, terminals
from auditor.errors import AuditorError, ProgrammeError
from auditor.programme import decode

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray
    from soundfile import SoundFile

    from auditor.rig import Rig

    Part = Literal["before", "after"]
    Container = Literal["WAV", "FLAC"]

GAP_S = 1.0
_LARGEST_WAV = 4_000_000_000  # bytes; beyond, the same with 64-bit sizes (RF64)
_BYTES_PER_SAMPLE = 3
_FLAC_CHANNELS, _FLAC_RATE_HZ = 8, 655_350


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One part as it was written: where in the new file it stands, and its level in the loudest channel."""

    part: Part
    start_s: float
    rms_v: float
    peak_v: float


@dataclass(frozen=True, kw_only=True)
class Excerpt:
    """A stretch of the programme: its first sample and the one behind its last."""

    first: int
    stop: int

    @property
    def length(self) -> int:
        """Samples per channel."""
        return self.stop - self.first

    def cut(self, blocks: Iterator[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
        """What of the blocks lies in it."""
        at = 0
        for block in blocks:
            inside = block[max(self.first - at, 0) : max(self.stop - at, 0)]
            at += len(block)
            if len(inside):
                yield inside
            if at >= self.stop:
                return


def refuse_container(programme: decode.Programme, container: Container) -> None:
    """Refuse what the new file's format cannot hold."""
    rate, channels = programme.sample_rate_hz, programme.feed_count
    if container == "FLAC" and (channels > _FLAC_CHANNELS or rate > _FLAC_RATE_HZ):
        raise ProgrammeError(
            f"has {channels} channels at {rate} Hz, which FLAC cannot hold",
            where=programme.path,
            allowed=f"up to {_FLAC_CHANNELS} channels and {_FLAC_RATE_HZ} Hz",
            hint="choose a name that ends in .wav",
        )


class Writer:
    """Writes the pieces, each in its own pass over the file."""

    def __init__(
        self,
        programme: decode.Programme,
        rig: Rig,
        gains: Sequence[SmoothGain],
        excerpt: Excerpt,
        *,
        full_scale_v: float,
    ) -> None:
        self._programme = programme
        self._rig = rig
        self._gains = gains
        self._excerpt = excerpt
        self._full_scale_v = full_scale_v
        self.written = 0  # samples per channel

    def write(
        self, target: Path, container: Container, parts: tuple[Part, ...], tell: Callable[[float], None]
    ) -> tuple[Piece, ...]:
        import soundfile

        programme = self._programme
        gap = round(GAP_S * programme.sample_rate_hz)
        length = len(parts) * self._excerpt.length + (len(parts) - 1) * gap
        large = length * programme.feed_count * _BYTES_PER_SAMPLE > _LARGEST_WAV
        pieces = []
        try:
            with soundfile.SoundFile(
                str(target) if os.name == "nt" else os.fsencode(target),
                "w",
                programme.sample_rate_hz,
                programme.feed_count,
                "PCM_24",
                format="RF64" if container == "WAV" and large else container,
            ) as sound:
                sound.comment = self._comment(parts)
                for number, part in enumerate(parts):
                    if number:
                        sound.write(np.zeros((gap, programme.feed_count), dtype=np.float32))
                        self.written += gap
                    pieces.append(self._piece(sound, part, lambda done, number=number: tell(number + done)))  # type: ignore[misc]
        except (soundfile.LibsndfileError, AssertionError, OSError) as error:
            # libsndfile says no more than "System error", and soundfile asserts that all was taken.
            reason = getattr(error, "strerror", None) or "the disk is full, or has gone"
            raise AuditorError(f"cannot be written: {reason}") from None
        return tuple(pieces)

    def _comment(self, parts: tuple[Part, ...]) -> str:
        order = f", {GAP_S:g} s of silence, ".join(f"{part} the protection" for part in parts)
        return (
            f"HF driver's voltage: {order}. Normalised by one gain for all of it: "
            f"0 dBFS = {self._full_scale_v:.6g} V at the driver's terminals. An estimate."
        )

    def _piece(self, sound: SoundFile, part: Part, tell: Callable[[float], None]) -> Piece:
        programme, excerpt = self._programme, self._excerpt
        start = self.written
        gains = [gain if part == "after" else None for gain in self._gains]
        squares = np.zeros(programme.feed_count)
        peak_v = 0.0
        with closing(terminals(programme, self._rig, gains, decode.Finding())) as blocks:
            for voltage_v in excerpt.cut(blocks):
                sound.write(voltage_v / np.float32(self._full_scale_v))
                self.written += len(voltage_v)
                squares += np.square(voltage_v, dtype=np.float64).sum(axis=0)
                peak_v = max(peak_v, float(np.abs(voltage_v).max()))
                tell((self.written - start) / excerpt.length)
        if self.written - start != excerpt.length:
            raise ProgrammeError("has changed while it was read", where=programme.path, hint="try again")
        rms_v = float(np.sqrt(squares.max() / excerpt.length))
        return Piece(part=part, start_s=start / programme.sample_rate_hz, rms_v=rms_v, peak_v=peak_v)
