"""The first half of the corridor in one pass over the samples: file -> level -> amplifier -> HF branch, and loudness.

Channels are independent, so each has its own line of stages and the lines run side by side while the next block is
being decoded.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.amplifier import AmplifierChannel
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
class ChannelFeed:
    """What one channel sends to the HF branch."""

    frames: HfFrames
    ladder: OverdriveLadder
    clipped_ratio: NDArray[np.float32]  # per frame
    clipped_ratio_overall: float
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
    lines = [_Line(programme.sample_rate_hz, rig, frame_s) for _ in range(programme.channel_count)]
    finding = decode.Finding()
    with ThreadPoolExecutor(max_workers=THREADS, thread_name_prefix="channel") as pool:
        for block in decode.blocks(programme, finding):
            for _ in pool.map(_Line.push, lines, block.T):
                pass
            if progress is not None:
                progress(min(1.0, finding.length / max(programme.declared_length, 1)))
        if finding.length == 0:
            raise ProgrammeError(
                "breaks off before the first sample", where=path, hint="copy or export it again from its source"
            )
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

    def __init__(self, sample_rate_hz: int, rig: Rig, frame_s: float | None) -> None:
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
        )
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
            clipped_ratio=self.amplifier.clipped_ratio(),
            clipped_ratio_overall=self.amplifier.clipped_count / self.length,
            hf_energy_ratio=before_pad / self.amplifier.energy if self.amplifier.energy > 0.0 else 0.0,
            hf_voltage_rms_v=float(np.sqrt(square / self.length)),
            hf_voltage_peak_v=float(frames.peak_v.max(initial=0.0)),
        )


def _notes(programme: decode.Programme, finding: decode.Finding, lines: list[_Line], rig: Rig) -> tuple[str, ...]:
    notes = []
    rate = programme.sample_rate_hz
    if finding.broken_off is not None or finding.short_by > 0:
        missing = f", {finding.short_by / rate:.1f} s missing" if finding.short_by > 0 else ""
        notes.append(
            f"the file breaks off after {finding.length / rate:.1f} s{missing}; what is there was analysed, "
            "the rest cannot be judged: copy it again"
        )
    if finding.not_finite:
        notes.append(f"{finding.not_finite} samples are not numbers and were taken as silence: export the file again")
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
