"""What the HF driver gets to hear, written as a sound file: before the protective part, after it, or both in turn.

    play       the file once, up to the HF branch, frame by frame                  (auditor.chain.play)
    simulate   protection and coil on these frames, from cold, as `check` does     (auditor.simulation)
    terminals  the file again for each part, sample by sample, and into the file   (auditor.chain.terminals)

Before and after are written with one and the same gain, chosen so that neither passes `PEAK_DBFS`: what differs between
them is what the part does, and nothing else.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from auditor.chain.play import play
from auditor.chain.terminals import SmoothGain, terminals
from auditor.errors import AuditorError, ProgrammeError
from auditor.judgement.ratings import STRETCH_FRAMES
from auditor.programme import decode
from auditor.simulation import simulate
from auditor.threads import THREADS
from auditor.units import amplitude_to_db, db_to_amplitude

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray
    from soundfile import SoundFile

    from auditor.audit_types import FileFault
    from auditor.chain.play import Played
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig

    Part = Literal["before", "after"]
    Container = Literal["WAV", "FLAC"]

PEAK_DBFS = -1.0  # leaves room for what a player's converter makes between the samples; common practice, no source
GAP_S = 1.0
FAINT_V = 0.01  # an HF branch that never passes this is next to nothing: 12 uW in 8 ohm; own definition
_LEAST_FULL_SCALE_V = 0.001  # less is rounding noise, which is not to be blown up to a full-scale hiss
_HEARD_WITHIN_DB = 40.0  # of the loudest frame, as for the median attenuation
SILENT_DB = 60.0  # lost to the part: its branch is open
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
class Dulling:
    """What the part takes off, against no part at all, in the frames in which there is HF to hear.

    loss_db : float
        Most of it [dB], in `channel` at `at_s`; `SILENT_DB` stands for all.
    silent_s : float
        For how long nothing reaches the driver [s].
    """

    channel: int
    at_s: float
    loss_db: float
    silent_s: float


@dataclass(frozen=True, kw_only=True)
class Rendering:
    """What was written.

    from_s, to_s : float
        The excerpt of the programme [s].
    full_scale_v : float
        Voltage at the driver's terminals for which a sample of 1.0 stands [V].
    dulling : Dulling or None
        None where nothing is to be heard.
    """

    programme: decode.Programme
    from_s: float
    to_s: float
    full_scale_v: float
    pieces: tuple[Piece, ...]
    dulling: Dulling | None
    duration_s: float
    notes: tuple[str, ...]
    faults: tuple[FileFault, ...]

    @property
    def peak_v(self) -> float:
        """Largest voltage in it [V]."""
        return max(piece.peak_v for piece in self.pieces)


@dataclass(frozen=True, kw_only=True)
class _Behind:
    """One channel behind the part, frame by frame."""

    frames: HfFrames
    gain: SmoothGain

    def peak_v(self, first: int, stop: int) -> float:
        """Largest voltage that before or after can reach in these frames [V]."""
        gain = np.maximum(self.gain.largest()[first:stop], 1.0)
        return float((self.frames.peak_v[first:stop] * gain).max(initial=0.0))


@dataclass(kw_only=True)
class _Excerpt:
    """First sample and the one behind the last."""

    first: int
    stop: int
    done: int = field(default=0)

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


def render(
    path: str,
    rig: Rig,
    target: Path,
    *,
    parts: tuple[Part, ...] = ("before", "after"),
    container: Container = "WAV",
    from_s: float = 0.0,
    to_s: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Rendering:
    """Write the sound at the HF driver's terminals, 24 bits, every channel, at the file's own rate.

    Parameters
    ----------
    path : str
        A sound file.
    rig : Rig
    target : Path
        The file to write; what is there is written over.
    parts : tuple of {"before", "after"}
        Written one after the other, with a gap between them.
    container : {"WAV", "FLAC"}
    from_s, to_s : float
        The excerpt to write [s]. The simulation starts at the beginning of the file all the same.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Raises
    ------
    ProgrammeError
        If the file cannot be read, or holds nothing in that excerpt.
    AuditorError
        If the new file cannot be written.
    """
    tell = progress or (lambda done_ratio: None)
    passes = 1 + len(parts)
    _refuse_container(decode.inspect(path), container)
    played = play(path, rig, progress=lambda done: tell(done / passes), with_ladder=False)
    excerpt = _excerpt(played, from_s, to_s)
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        behind = list(pool.map(lambda feed: _behind(feed.frames, rig, played.programme), played.feeds))
    frame_length = behind[0].gain.frame_length
    inside = slice(excerpt.first // frame_length, -(-excerpt.stop // frame_length))
    peak_v = max(each.peak_v(inside.start, inside.stop) for each in behind)
    full_scale_v = max(peak_v / db_to_amplitude(PEAK_DBFS), _LEAST_FULL_SCALE_V) if peak_v > 0.0 else 1.0

    writer = _Writer(played, rig, behind, excerpt, full_scale_v)
    pieces = writer.write(target, container, parts, lambda done: tell((1.0 + done) / passes))
    rate = played.programme.sample_rate_hz
    return Rendering(
        programme=played.programme,
        from_s=excerpt.first / rate,
        to_s=excerpt.stop / rate,
        full_scale_v=full_scale_v,
        pieces=pieces,
        dulling=_dulling(behind, inside) if peak_v > 0.0 else None,
        duration_s=writer.written / rate,
        notes=played.notes,
        faults=tuple(played.faults),
    )


def _refuse_container(programme: decode.Programme, container: Container) -> None:
    rate, channels = programme.sample_rate_hz, programme.channel_count
    if container == "FLAC" and (channels > _FLAC_CHANNELS or rate > _FLAC_RATE_HZ):
        raise ProgrammeError(
            f"has {channels} channels at {rate} Hz, which FLAC cannot hold",
            where=programme.path,
            allowed=f"up to {_FLAC_CHANNELS} channels and {_FLAC_RATE_HZ} Hz",
            hint="choose a name that ends in .wav",
        )


def _excerpt(played: Played, from_s: float, to_s: float | None) -> _Excerpt:
    rate = played.programme.sample_rate_hz
    length = round(played.duration_s * rate)
    first = round(from_s * rate)
    stop = length if to_s is None else min(round(to_s * rate), length)
    if first >= stop:
        raise ProgrammeError(
            "there is nothing of the file between these times",
            where=played.programme.path,
            got=f"from {from_s:g} s" + (f" to {to_s:g} s" if to_s is not None else ""),
            allowed=f"0 to {played.duration_s:.3f} s",
            hint="choose --from and --to within the file",
        )
    return _Excerpt(first=first, stop=stop)


def _behind(frames: HfFrames, rig: Rig, programme: decode.Programme) -> _Behind:
    driver: list[NDArray[np.float32]] = []
    start = None
    for first in range(0, len(frames.rms_v), STRETCH_FRAMES):
        run = simulate(frames.rms_v[first : first + STRETCH_FRAMES], frames.frame_s, rig, start=start)
        start = run.end
        driver.append(run.driver_voltage_rms_v)
    frame_length = round(frames.frame_s * programme.sample_rate_hz)
    return _Behind(frames=frames, gain=SmoothGain.of(frames.rms_v, np.concatenate(driver), frame_length=frame_length))


def _dulling(behind: list[_Behind], inside: slice) -> Dulling:
    found = []
    for index, each in enumerate(behind):
        source_v, frame_s = each.frames.rms_v[inside], each.frames.frame_s
        heard = source_v > source_v.max() * db_to_amplitude(-_HEARD_WITHIN_DB)
        least = db_to_amplitude(-SILENT_DB) ** 2
        loss_db = np.where(heard, -10.0 * np.log10(np.maximum(each.gain.mean_square[inside], least)), -1.0)
        worst = int(np.argmax(loss_db)) if len(loss_db) else 0
        found.append(
            Dulling(
                channel=index,
                at_s=(inside.start + worst) * frame_s,
                loss_db=max(float(loss_db[worst]), 0.0),
                silent_s=float((loss_db >= SILENT_DB).sum() * frame_s),
            )
        )
    return max(found, key=lambda one: (one.loss_db, one.silent_s))


class _Writer:
    """Writes the pieces, each in its own pass over the file."""

    def __init__(self, played: Played, rig: Rig, behind: list[_Behind], excerpt: _Excerpt, full_scale_v: float) -> None:
        self._played = played
        self._rig = rig
        self._behind = behind
        self._excerpt = excerpt
        self._full_scale_v = full_scale_v
        self.written = 0  # samples per channel

    def write(
        self, target: Path, container: Container, parts: tuple[Part, ...], tell: Callable[[float], None]
    ) -> tuple[Piece, ...]:
        import soundfile

        programme = self._played.programme
        gap = round(GAP_S * programme.sample_rate_hz)
        length = len(parts) * (self._excerpt.stop - self._excerpt.first) + (len(parts) - 1) * gap
        large = length * programme.channel_count * _BYTES_PER_SAMPLE > _LARGEST_WAV
        pieces = []
        try:
            with soundfile.SoundFile(
                str(target) if os.name == "nt" else os.fsencode(target),
                "w",
                programme.sample_rate_hz,
                programme.channel_count,
                "PCM_24",
                format="RF64" if container == "WAV" and large else container,
            ) as sound:
                sound.comment = self._comment(parts)
                for number, part in enumerate(parts):
                    if number:
                        sound.write(np.zeros((gap, programme.channel_count), dtype=np.float32))
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
        programme, excerpt = self._played.programme, self._excerpt
        start = self.written
        gains = [each.gain if part == "after" else None for each in self._behind]
        squares = np.zeros(programme.channel_count)
        peak_v = 0.0
        with closing(terminals(programme, self._rig, gains, decode.Finding())) as blocks:
            for voltage_v in excerpt.cut(blocks):
                sound.write(voltage_v / np.float32(self._full_scale_v))
                self.written += len(voltage_v)
                squares += np.square(voltage_v, dtype=np.float64).sum(axis=0)
                peak_v = max(peak_v, float(np.abs(voltage_v).max()))
                tell((self.written - start) / (excerpt.stop - excerpt.first))
        if self.written - start != excerpt.stop - excerpt.first:
            raise ProgrammeError("has changed while it was read", where=programme.path, hint="try again")
        rms_v = float(np.sqrt(squares.max() / (excerpt.stop - excerpt.first)))
        return Piece(part=part, start_s=start / programme.sample_rate_hz, rms_v=rms_v, peak_v=peak_v)


def level_dbfs(voltage_v: float, full_scale_v: float) -> float:
    """A voltage as a sample's level [dBFS, a sample of 1.0 being 0]."""
    return amplitude_to_db(voltage_v / full_scale_v)
