"""The first half of the corridor in one pass over the samples: file -> level -> amplifier -> HF branch, and loudness.

Channels are independent, so each has its own line of stages and the lines run side by side while the next block is
being decoded.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.amplifier import AmplifierChannel, clip
from auditor.chain.level import volts_per_unit
from auditor.chain.overdrive import LadderBuilder, OverdriveLadder
from auditor.chain.splitter import HfFrames, Splitter
from auditor.errors import ProgrammeError
from auditor.programme import decode
from auditor.programme.loudness import ChannelMeter, Loudness, combine

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from auditor.rig import Rig

THREADS = 2


@dataclass(frozen=True, kw_only=True)
class Replay:
    """One channel of a file, to be read again: a few rows of it, or all of it at another level."""

    programme: decode.Programme
    channel: int
    rig: Rig
    frame_s: float

    def wished_v(self, start: int, length: int) -> NDArray[np.float32] | None:
        """Voltage wished for at the present level from sample `start` on [V]; None if it cannot be read any more."""
        samples = decode.read_again(self.programme, self.channel, start, length)
        return None if samples is None else samples * np.float32(volts_per_unit(self.rig))

    def frames(self, gain_db: float) -> HfFrames:
        """HF frames at a gain change of `gain_db`, by clipping every sample again."""
        volts = np.float32(volts_per_unit(self.rig, gain_db=gain_db))
        splitter = Splitter(self.programme.sample_rate_hz, self.rig.crossover, frame_s=self.frame_s)
        for block in decode.blocks(self.programme, decode.Finding()):
            splitter.push(clip(block[:, self.channel] * volts, self.rig.amplifier.rail_v))
        return splitter.finish()


@dataclass(frozen=True, kw_only=True)
class ChannelFeed:
    """What one channel sends to the HF branch."""

    frames: HfFrames
    ladder: OverdriveLadder
    replay: Replay
    clipped_ratio: NDArray[np.float32]  # per frame
    overall_clipped_ratio: float
    hf_energy_ratio: float
    hf_voltage_rms_v: float
    hf_voltage_peak_v: float


@dataclass(frozen=True, kw_only=True)
class Played:
    """A programme that has been through amplifier and crossover."""

    programme: decode.Programme
    duration_s: float
    loudness: Loudness
    feeds: tuple[ChannelFeed, ...]
    notes: tuple[str, ...]


def play(
    path: str, rig: Rig, *, frame_s: float | None = None, progress: Callable[[float], None] | None = None
) -> Played:
    """Send a file through the rig up to the HF branch.

    Parameters
    ----------
    path : str
    rig : Rig
    frame_s : float, optional
        Wished-for frame length [s]; 6 ms by default.
    progress : callable, optional
        Told the share of the file done, 0 to 1, from time to time.

    Raises
    ------
    ProgrammeError
        If the file cannot be read or nothing in it can.
    """
    programme = decode.inspect(path)
    lines = [_Line(programme, channel, rig, frame_s) for channel in range(programme.channel_count)]
    finding = decode.Finding()
    with ThreadPoolExecutor(max_workers=THREADS, thread_name_prefix="channel") as pool:
        for block in decode.blocks(programme, finding):
            for _ in pool.map(_Line.push, lines, block.T):
                pass
            if progress is not None and programme.declared_length is not None:
                progress(min(1.0, finding.length / programme.declared_length))
        if finding.length == 0:
            raise ProgrammeError(
                "breaks off before the first sample", where=path, hint="copy or export it again from its source"
            )
        if finding.unusable == finding.length * programme.channel_count:
            raise ProgrammeError("holds nothing but samples that are no numbers", where=path, hint="export it again")
        feeds = tuple(pool.map(_Line.finish, lines))
        loudness = combine([line.meter for line in lines])
    return Played(
        programme=programme,
        duration_s=finding.length / programme.sample_rate_hz,
        loudness=loudness,
        feeds=feeds,
        notes=_notes(programme, finding, lines, rig),
    )


class _Line:
    """The stages of one channel."""

    def __init__(self, programme: decode.Programme, channel: int, rig: Rig, frame_s: float | None) -> None:
        sample_rate_hz = programme.sample_rate_hz
        self._rig = rig
        self._volts = volts_per_unit(rig)
        self.meter = ChannelMeter(sample_rate_hz)
        self.splitter = Splitter(sample_rate_hz, rig.crossover, frame_s=frame_s)
        self.amplifier = AmplifierChannel(
            volts_per_unit=self._volts, rail_v=rig.amplifier.rail_v, frame_length=self.splitter.frame_length
        )
        self.ladder = LadderBuilder(
            sample_rate_hz,
            rig.crossover,
            rail_v=rig.amplifier.rail_v,
            full_scale_peak_v=self._volts,
            frame_length=self.splitter.frame_length,
            headroom_db=programme.headroom_db,
        )
        self._replay = Replay(programme=programme, channel=channel, rig=rig, frame_s=self.splitter.frame_s)
        self.length = 0

    def push(self, samples: NDArray[np.float32]) -> None:
        samples = np.ascontiguousarray(samples)
        self.length += len(samples)
        self.meter.push(samples)
        wished_v, delivered_v = self.amplifier.push(samples)
        self.splitter.push(delivered_v)
        self.ladder.push(wished_v)

    def finish(self) -> ChannelFeed:
        frames = self.splitter.finish()
        square = float(np.sum(np.square(frames.rms_v, dtype=np.float64))) * self.splitter.frame_length
        before_pad = square * 10.0 ** (self._rig.crossover.pad_db / 10.0)
        return ChannelFeed(
            frames=frames,
            ladder=self.ladder.finish(),
            replay=self._replay,
            clipped_ratio=self.amplifier.clipped_ratio(),
            overall_clipped_ratio=self.amplifier.clipped_count / self.length,
            hf_energy_ratio=before_pad / self.amplifier.energy if self.amplifier.energy > 0.0 else 0.0,
            hf_voltage_rms_v=float(np.sqrt(square / self.length)),
            hf_voltage_peak_v=float(frames.peak_v.max(initial=0.0)),
        )


class Unjudged(str):
    """A note on a part of the file that could not be analysed; the command line counts it as an error."""

    __slots__ = ()


def _notes(programme: decode.Programme, finding: decode.Finding, lines: list[_Line], rig: Rig) -> tuple[str, ...]:
    notes: list[str] = []
    rate = programme.sample_rate_hz
    if finding.broken_off:
        missing = f", {finding.short_by / rate:.1f} s missing" if finding.short_by else ""
        notes.append(
            Unjudged(
                f"the file breaks off after {finding.length / rate:.1f} s{missing}; what is there was analysed, "
                "the rest cannot be judged: copy it again"
            )
        )
    if finding.unusable:
        of_all = f"{finding.unusable} of {finding.length * programme.channel_count} samples"
        notes.append(
            Unjudged(
                f"{of_all} are no numbers, or absurdly large, and were taken as silence; what should be there cannot "
                "be judged: export it again"
            )
        )
    if rig.crossover.alignment != "none" and rig.crossover.frequency_hz >= rate / 2.0:
        notes.append(
            f"sampled at {rate} Hz, the file ends at {rate / 2:g} Hz, below the crossover at "
            f"{rig.crossover.frequency_hz:g} Hz: next to nothing of it reaches the driver"
        )
    elif rate < 32_000:
        notes.append(f"sampled at {rate} Hz, the file holds nothing above {rate / 2:g} Hz, so little HF can be judged")
    largest = max(line.meter.sample_peak for line in lines)
    if largest > 1.0:
        notes.append(
            f"samples reach {20.0 * np.log10(largest):+.1f} dBFS: taken at their value, not clipped at full scale"
        )
    if largest == 0.0:
        notes.append("the file is silent from end to end")
    return tuple(notes)
