"""What the driver was put through, in the terms its ratings are stated in.

Rated power is terminal voltage squared over rated impedance, by the standards, so like is compared with like:
the mean over 60 s with the continuous rating, the mean over 1 s with the programme rating, the instantaneous value
with the peak rating, and the coil's temperature with its limit. A window longer than the whole track takes the mean
of the whole track, as if it went on in the same way: the careful reading. In a set played through, a window reaches
back over the pause into the track before.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.overdrive import cut
from auditor.judgement.before import NOTHING, Before
from auditor.kernels import compiled
from auditor.protection import UNPROTECTED, Settings
from auditor.simulation import simulate_each

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.protection.contract import Run
    from auditor.rig import Rig

    Trace = NDArray[np.float32]

SHORT_WINDOW_S = 1.0
LONG_WINDOW_S = 60.0
# The simulation goes forward in stretches of this many frames (some three minutes), so that memory stays flat.
STRETCH_FRAMES = 1 << 15


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Some minutes of one channel through protection and driver, with its powers in every window, per frame.

    peak_share : ndarray [shape=(frames,)]
        Share of the source's peak that reaches the driver.
    after : Before
        What it leaves to what is played next.
    """

    first_frame: int
    run: Run
    power_w: Trace
    power_1s_w: Trace
    power_60s_w: Trace
    power_peak_w: Trace
    peak_share: Trace
    after: Before
    displacement_mm: Trace | None = None


def stretches(
    frames: HfFrames,
    rig: Rig,
    *,
    protected: bool,
    before: Before = NOTHING,
    part_of: Callable[[int, int], HfFrames] | None = None,
) -> Iterator[Stretch]:
    """Simulate a channel from end to end and yield it stretch by stretch.

    Parameters
    ----------
    frames : HfFrames
    rig : Rig
    protected : bool
        False for the driver without its protection.
    before : Before, optional
        What was played before; without it everything is cold and the track stands for itself.
    part_of : callable, optional
        As `together`.
    """
    part = rig.protection if protected else UNPROTECTED
    for (stretch,) in together(frames, rig, [part], before=[before], part_of=part_of):
        yield stretch


def together(
    frames: HfFrames,
    rig: Rig,
    parts: Sequence[Settings],
    *,
    before: Sequence[Before],
    part_of: Callable[[int, int], HfFrames] | None = None,
) -> Iterator[tuple[Stretch, ...]]:
    """The same with one part after the other in place of the rig's own; of each stretch all of them at once.

    Parameters
    ----------
    frames : HfFrames
    rig : Rig
    parts : sequence of Settings
    before : sequence of Before
        For each part.
    part_of : callable, optional
        Given the first frame and the count of a stretch, its frames at another gain; those at hand otherwise.
    """
    part_of = part_of or functools.partial(cut, frames)
    before = [_in_frames_of(frames, each) for each in before]
    for first in range(0, len(frames.rms_v), STRETCH_FRAMES):
        here = part_of(first, STRETCH_FRAMES)
        starts = [each.state for each in before]
        runs = simulate_each(here.rms_v, frames.frame_s, rig, parts, starts=starts, division=here.division)
        found = tuple(_stretch(run, frames, here, rig, first, each) for run, each in zip(runs, before, strict=True))
        before = [stretch.after for stretch in found]
        yield found


def _in_frames_of(frames: HfFrames, before: Before) -> Before:
    """The same with its powers over the longest window, in frames of this length up to the first one."""
    long = _Window.of(LONG_WINDOW_S, frames, before.whole_s)
    power_w = before.powers_w(long.frames, frames.frame_s)
    return replace(before, power_w=power_w, frame_s=frames.frame_s, silence_s=0.0)


def _stretch(run: Run, frames: HfFrames, here: HfFrames, rig: Rig, first: int, before: Before) -> Stretch:
    """What came of the frames `here`, from `first` on."""
    short, long = (_Window.of(window_s, frames, before.whole_s) for window_s in (SHORT_WINDOW_S, LONG_WINDOW_S))
    power_w = np.square(run.driver_voltage_rms_v) * _w_per_v2(rig)
    with_history = np.concatenate([before.power_w, power_w])
    means_w = _trailing_means(
        with_history, short.frames, long.frames, np.float32(1.0 / short.divisor), np.float32(1.0 / long.divisor)
    )
    share = _peak_share(run, here.rms_v)
    return Stretch(
        first_frame=first,
        run=run,
        power_w=power_w,
        power_1s_w=means_w[0, long.frames :],
        power_60s_w=means_w[1, long.frames :],
        power_peak_w=peak_power_w(here.peak_v * share, rig),
        peak_share=share,
        after=replace(before, state=run.end, power_w=with_history[-long.frames :].copy()),
        displacement_mm=None if here.peak_mm is None else here.peak_mm * share,
    )


def peak_power_w(peak_v: Trace, rig: Rig) -> Trace:
    """Peak power in one driver of a peak voltage across the branch [W]."""
    power_w: Trace = np.square(peak_v) * _w_per_v2(rig)
    return power_w


def _w_per_v2(rig: Rig) -> np.float32:
    return np.float32(1.0 / rig.driver.branch_v2_per_w)


@dataclass(frozen=True, kw_only=True)
class _Window:
    """A window of a rating: its whole frames, and what their sum is divided by."""

    frames: int
    divisor: float

    @classmethod
    def of(cls, window_s: float, frames: HfFrames, whole_s: float | None) -> _Window:
        """The window over a track, or over all that is played in a row."""
        count = max(1, round(window_s / frames.frame_s))
        whole = len(frames.rms_v) if whole_s is None else math.ceil(whole_s / frames.frame_s - 1e-6)
        if count < whole:
            return cls(frames=count, divisor=count)
        # All of it: the silence that fills up the last frame does not count.
        return cls(frames=max(whole, 1), divisor=(whole_s or frames.duration_s) / frames.frame_s)


def _peak_share(run: Run, source_v: Trace) -> Trace:
    """Share of the source's peak that reaches the driver, frame by frame: as of its rms voltage.

    In a frame in which a part opens or closes the rms is that of a part of the frame only, and the peak may lie in
    just that part: such a frame takes the larger share of its neighbours, the careful reading.
    """
    driver_v = run.driver_voltage_rms_v
    share: Trace = np.divide(driver_v, source_v, out=np.zeros_like(driver_v), where=source_v > 0.0)
    if run.muted is None:
        return share
    before, after = np.concatenate([share[:1], share[:-1]]), np.concatenate([share[1:], share[-1:]])
    return np.where(share > 0.0, np.maximum(np.maximum(before, after), share), share)


@compiled()
def _trailing_means(values, short, long, per_short, per_long):  # type: ignore[no-untyped-def]
    """Mean over either window that ends at each value; what was before the first counts as nought.

    Both in one loop, for each by itself mostly waits for the sum before.
    """
    means = np.empty((2, len(values)), values.dtype)
    short_sum, long_sum = 0.0, 0.0
    for i in range(len(values)):
        short_sum += values[i]
        long_sum += values[i]
        if i >= short:
            short_sum -= values[i - short]
        if i >= long:
            long_sum -= values[i - long]
        means[0, i] = np.float32(max(short_sum, 0.0)) * per_short
        means[1, i] = np.float32(max(long_sum, 0.0)) * per_long
    return means
