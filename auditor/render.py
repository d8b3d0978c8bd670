"""What the HF driver gets to hear, written as a sound file: before the protective part, after it, or both in turn.

    play       the file once, up to the HF branch, frame by frame                  (auditor.chain.play)
    simulate   protection and coil on these frames, from cold, as `check` does     (auditor.simulation)
    terminals  the file again for each part, sample by sample, and into the file   (auditor.chain.terminals)

Before and after are written with one and the same gain, chosen so that neither passes `PEAK_DBFS`: what differs between
them is what the part does, and nothing else.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.play import play
from auditor.chain.terminals import SmoothGain
from auditor.errors import ProgrammeError
from auditor.judgement.ratings import STRETCH_FRAMES
from auditor.programme import decode
from auditor.render_file import Excerpt, Piece, Writer, refuse_container
from auditor.simulation import simulate
from auditor.threads import thread_count
from auditor.units import amplitude_to_db, db_to_amplitude

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from auditor.audit_types import FileFault
    from auditor.chain.play import Played
    from auditor.chain.splitter import HfFrames
    from auditor.programme.entry import Source
    from auditor.render_file import Container, Part
    from auditor.rig import Rig
    from auditor.store.store import Store

PEAK_DBFS = -1.0  # leaves room for what a player's converter makes between the samples; common practice, no source
FAINT_V = 0.01  # an HF branch that never passes this is next to nothing: 12 uW in 8 ohm; own definition
_LEAST_FULL_SCALE_V = 0.001  # less is rounding noise, which is not to be blown up to a full-scale hiss
_HEARD_WITHIN_DB = 40.0  # of the loudest frame, as for the median attenuation
_NEAR_DB = 0.001
SILENT_DB = 60.0  # lost to the part: its branch is open


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
        peak_v = 0.0
        for start in range(first, stop, STRETCH_FRAMES):
            end = min(start + STRETCH_FRAMES, stop)
            gain = np.maximum(self.gain.largest(start, end), 1.0)
            peak_v = max(peak_v, float((self.frames.peak_v[start:end] * gain).max()))
        return peak_v


def render(
    source: Source,
    rig: Rig,
    target: Path,
    *,
    parts: tuple[Part, ...] = ("before", "after"),
    container: Container = "WAV",
    from_s: float = 0.0,
    to_s: float | None = None,
    progress: Callable[[float], None] | None = None,
    store: Store | None = None,
) -> Rendering:
    """Write the sound at the HF driver's terminals, 24 bits, every channel, at the file's own rate.

    Parameters
    ----------
    source : str, Path or Entry
    rig : Rig
    target : Path
        The file to write; what is there is written over.
    parts : tuple of {"before", "after"}
        Written one after the other, with a gap between them.
    container : {"WAV", "FLAC"}
    from_s, to_s : float
        The excerpt to write [s]. The simulation starts at the beginning of the track all the same.
    progress : callable, optional
        Told the share that is done, 0 to 1.
    store : Store, optional
        Where what was played is kept from one run to the next.

    Raises
    ------
    ProgrammeError
        If the file cannot be read, or holds nothing in that excerpt.
    AuditorError
        If the new file cannot be written.
    """
    tell = progress or (lambda done_ratio: None)
    passes = 1 + len(parts)
    refuse_container(decode.inspect(source, mono_gain_db=rig.level.mono_gain_db), container)
    played = play(source, rig, progress=lambda done: tell(done / passes), with_ladder=False, store=store)
    excerpt = _excerpt(played, from_s, to_s)
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        behind = list(pool.map(lambda feed: _behind(feed.frames, rig, played.programme), played.feeds))
    frame_length = behind[0].gain.frame_length
    inside = slice(excerpt.first // frame_length, -(-excerpt.stop // frame_length))
    peak_v = max(each.peak_v(inside.start, inside.stop) for each in behind)
    full_scale_v = max(peak_v / db_to_amplitude(PEAK_DBFS), _LEAST_FULL_SCALE_V) if peak_v > 0.0 else 1.0

    gains = [each.gain for each in behind]
    writer = Writer(played.programme, rig, gains, excerpt, full_scale_v=full_scale_v)
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


def _excerpt(played: Played, from_s: float, to_s: float | None) -> Excerpt:
    rate = played.programme.sample_rate_hz
    length = round(played.duration_s * rate)
    first = round(from_s * rate)
    stop = length if to_s is None else min(round(to_s * rate), length)
    if first >= stop:
        raise ProgrammeError(
            "there is nothing of the file between these times",
            where=played.programme.name,
            got=f"from {from_s:g} s" + (f" to {to_s:g} s" if to_s is not None else ""),
            allowed=f"0 to {played.duration_s:.3f} s",
            hint="choose --from and --to within the file",
        )
    return Excerpt(first=first, stop=stop)


def _behind(frames: HfFrames, rig: Rig, programme: decode.Programme) -> _Behind:
    driver: list[NDArray[np.float32]] = []
    start = None
    for first in range(0, len(frames.rms_v), STRETCH_FRAMES):
        division = None if frames.division is None else frames.division.part(first, STRETCH_FRAMES)
        rms_v = frames.rms_v[first : first + STRETCH_FRAMES]
        run = simulate(rms_v, frames.frame_s, rig, start=start, division=division)
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
                silent_s=float((loss_db >= SILENT_DB - _NEAR_DB).sum() * frame_s),
            )
        )
    return max(found, key=lambda one: (one.loss_db, one.silent_s))


def level_dbfs(voltage_v: float, full_scale_v: float) -> float:
    """A voltage as a sample's level [dBFS, a sample of 1.0 being 0]."""
    return amplitude_to_db(voltage_v / full_scale_v)
