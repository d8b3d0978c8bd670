"""The first half of the corridor in one pass over the samples: file -> processor -> amplifier -> HF branch; loudness.

Channels are independent, so each has its own line of stages and the lines run side by side while the next block is
being decoded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.audit_types import FileFault
from auditor.chain.fader import ride
from auditor.chain.kept import Passage, Passed, pad_ratio, padded
from auditor.chain.line import Line
from auditor.chain.overdrive import OverdriveLadder
from auditor.chain.processor import after_amplifier
from auditor.chain.recall import Recall
from auditor.chain.replay import Replay
from auditor.chain.splitter import HfFrames
from auditor.errors import AuditorError, ProgrammeError
from auditor.programme import decode, notes, tags
from auditor.programme.entry import Source, as_entry
from auditor.programme.loudness import Loudness, combine
from auditor.threads import SideBySide

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from auditor.audit_types import LimiterWork
    from auditor.programme.spectrum import SpectrumMeter
    from auditor.rig import Rig
    from auditor.store.store import Store


@dataclass(frozen=True, kw_only=True)
class ChannelFeed:
    """What one channel sends to the HF branch."""

    frames: HfFrames
    ladder: OverdriveLadder | None  # None where it was played without
    replay: Replay
    clipped_half: NDArray[np.float16]  # clipped share in the worst frame of each bin, to 0.0003: for a trace
    overall_clipped_ratio: float
    hf_energy_ratio: float
    hf_voltage_rms_v: float
    hf_voltage_peak_v: float
    limiter: LimiterWork | None = None
    true_peak: float = 0.0  # of the file, full scale 1.0

    @property
    def clipped_ratio(self) -> NDArray[np.float32]:
        """Share of the samples that the amplifier clips, in the worst frame of each bin of a trace."""
        return self.clipped_half.astype(np.float32)


@dataclass(frozen=True, kw_only=True)
class Played:
    """A programme that has been through amplifier and crossover."""

    programme: decode.Programme
    duration_s: float
    loudness: Loudness
    feeds: tuple[ChannelFeed, ...]
    notes: tuple[str, ...]
    unjudged: tuple[str, ...]

    @property
    def faults(self) -> list[FileFault]:
        """What of the file could not be analysed, as faults of it."""
        name = self.programme.name
        return [FileFault(path=name, message=f"{name}: {what}") for what in self.unjudged]


def play(
    source: Source,
    rig: Rig,
    *,
    frame_s: float | None = None,
    progress: Callable[[float], None] | None = None,
    with_ladder: bool = True,
    store: Store | None = None,
) -> Played:
    """Send a file through the rig up to the HF branch.

    Parameters
    ----------
    source : str, Path or Entry
    rig : Rig
    frame_s : float, optional
        Wished-for frame length [s]; 6 ms by default.
    progress : callable, optional
        Told the share of the file done, 0 to 1, from time to time.
    with_ladder : bool
        False saves the time and the memory of what only the margin needs.
    store : Store, optional
        Asked first whether the file has been through such a rig before; what is played is kept in it.

    Raises
    ------
    ProgrammeError
        If the file cannot be read or nothing in it can.
    """
    entry, progress = ride(source, rig, progress, store=store)
    programme = tags.titled(decode.inspect(entry, mono_gain_db=rig.level.mono_gain_db))
    with Recall(store, programme, rig, frame_s=frame_s) as recall:
        passage = recall.passage(with_ladder=with_ladder)
        if passage is None:
            with recall.spectrum_meter() as meter:
                passage = _pass(programme, rig, frame_s, progress, with_ladder=with_ladder, meter=meter)
            recall.keep(passage, meter)
    programme = replace(programme, sure_to=passage.finding.damaged_at)
    feeds: list[ChannelFeed] = []
    channels, passage = list(passage.channels), replace(passage, channels=())
    while channels:  # one after the other let go, so that a long file is not held on both sides of the pad
        passed = channels.pop(0)
        frame_s = passed.frames.frame_s
        replay = Replay(programme=programme, channel=len(feeds), rig=rig, frame_s=frame_s, kept=recall.replays)
        feeds.append(_feed(passed, replay))
    return Played(
        programme=programme,
        duration_s=passage.finding.length / programme.sample_rate_hz,
        loudness=passage.loudness,
        feeds=tuple(feeds),
        notes=entry.notes + notes.of(programme, rig, passage.finding, passage.sample_peak),
        unjudged=notes.unjudged(programme, passage.finding),
    )


def _pass(
    programme: decode.Programme,
    rig: Rig,
    frame_s: float | None,
    progress: Callable[[float], None] | None,
    *,
    with_ladder: bool,
    meter: SpectrumMeter | None,
) -> Passage:
    """Every sample of a file through amplifier and crossover."""
    lines = [Line(programme, rig, frame_s, with_ladder=with_ladder) for _ in range(programme.feed_count)]
    finding = decode.Finding()
    with SideBySide(lines) as running:
        for block in decode.blocks(programme, finding):
            running.push(block.T)
            if meter is not None:
                meter.push(block)
            if progress is not None and programme.declared_length is not None:
                progress(min(1.0, finding.length / programme.declared_length))
    if finding.length == 0:
        raise ProgrammeError("breaks off before the first sample", where=programme.name, hint="copy it again")
    if finding.unusable == finding.length * programme.channel_count:
        raise ProgrammeError(
            "holds nothing but samples that are no numbers", where=programme.name, hint="export it again"
        )
    channels = tuple(line.finish() for line in lines)
    return Passage(
        finding=finding,
        sample_peak=max(line.meter.sample_peak for line in lines),
        loudness=combine([line.meter for line in lines]),
        channels=channels,
    )


def _feed(passed: Passed, replay: Replay) -> ChannelFeed:
    """What a channel sends on behind the pad."""
    rig, ladder = replay.rig, passed.ladder
    frames = padded(passed.frames, rig)
    return ChannelFeed(
        frames=frames,
        ladder=None if ladder is None else replace(ladder, crossover=after_amplifier(rig)),
        replay=replay,
        clipped_half=passed.clipped_ratio.astype(np.float16),
        overall_clipped_ratio=passed.overall_clipped_ratio,
        hf_energy_ratio=passed.hf_energy_ratio,
        hf_voltage_rms_v=passed.rms_v * pad_ratio(rig),
        hf_voltage_peak_v=float(frames.peak_v.max(initial=0.0)),
        limiter=passed.limiter,
        true_peak=passed.true_peak,
    )


def play_each(
    programmes: Sequence[Source],
    rig: Rig,
    use: Callable[[Played], None],
    *,
    faults: list[FileFault],
    progress: Callable[[int], Callable[[float], None]] | None = None,
    with_ladder: bool = True,
    store: Store | None = None,
) -> bool:
    """Play files one after the other; one that cannot be analysed does not stop the rest.

    Parameters
    ----------
    programmes : sequence of str, Path or Entry
    rig : Rig
    use : callable
        Given each file that was played; an `AuditorError` of its own counts as that file's.
    faults : list of FileFault
        What could not be analysed, or not to the end, is added to it.
    progress : callable, optional
        Given a file's index, returns the callable that is told how much of it is done.
    with_ladder, store
        As `play`.

    Returns
    -------
    bool
        Whether it was interrupted by Ctrl-C; the files used before that are whole.
    """
    for index, programme in enumerate(programmes):
        try:
            tell = progress(index) if progress else None
            played = play(programme, rig, progress=tell, with_ladder=with_ladder, store=store)
            use(played)
            faults += played.faults
        except AuditorError as error:
            faults.append(FileFault(path=as_entry(programme).name, message=str(error)))
        except KeyboardInterrupt:
            return True
    return False
