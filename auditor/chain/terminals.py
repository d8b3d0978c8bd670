"""The wave at the HF driver's terminals, sample by sample: the HF branch's voltage, turned down as the part does it.

The simulation knows the driver's voltage frame by frame. Its ratio to the branch's is the gain of a frame; applied as
it stands it would step 167 times a second, which is heard as a buzz ("zipper noise"). Here the square of the gain is a
parabola in each frame: neighbours share the value at their edge, and the mean over each frame is exactly the ratio of
powers that the simulation found, so that no frame's rms is changed by the smoothing. With a steady tone through a lamp
that engages, the gain has 150 dB less at the frames' rate and its multiples than at 0 Hz; in steps, 72 dB.

Source and range
----------------
Edge values are the fourth-order ones of the piecewise parabolic method (P. Colella and P. R. Woodward, J. Comput. Phys.
54 (1984) 174, eq. 1.6 with equal steps; from memory), and at most three times the smaller of the two means beside them,
which keeps a parabola from going below nought (F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17 (1980) 238, the
same bound for the slopes of a monotone cubic; from memory). Their own limiter, which cuts the edges apart, is left out:
it would make steps. A contact that opens becomes a ramp of about a frame, 6 ms, before which the gain may rise by up to
1.3 dB for some milliseconds so that the frame's mean is kept.

Within a frame the signal's power is taken to be spread evenly, as in the simulation; where a contact moves it is taken
where it lies. Behind a lamp every second's rms is within 0.001 dB of the simulation's, behind a fuse within 0.02 dB. A
second in which nothing but two or three such ramps lets anything through can be 0.4 dB off.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np

from auditor.chain.amplifier import clip
from auditor.chain.processor import Processor, after_amplifier
from auditor.chain.splitter import BranchStream
from auditor.programme import decode
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Generator, Sequence

    from numpy.typing import NDArray

    from auditor.rig import Rig

    Frames = NDArray[np.int_]  # numbers of frames
    Squares = NDArray[np.float64]  # of a gain, or of a voltage

_STEEP_RATIO = 0.5  # of powers between neighbours; a lamp's gain never changes so fast
_OVERSHOOT = 4.0 / 3.0  # of powers: what a frame needs that falls from full gain to nought at its very end
_CHUNK = 1 << 16
_LEAST_SOURCE_V = 1e-9  # below it a frame is silent and its gain is taken from its neighbours


@dataclass(frozen=True, kw_only=True)
class SmoothGain:
    """Gain from the HF branch to the driver's terminals, at any sample.

    mean_square : ndarray [shape=(frames,)] float32
        Ratio of powers in each frame.
    edge_square : ndarray [shape=(frames + 1,)] float32
        The same at the frames' edges.
    """

    frame_length: int
    mean_square: NDArray[np.float32]
    edge_square: NDArray[np.float32]

    @classmethod
    def of(cls, source_rms_v: NDArray[np.floating], driver_rms_v: NDArray[np.floating], *, frame_length: int) -> Self:
        """From both voltages, frame by frame, shape=(frames,) [V rms]."""
        heard = source_rms_v > _LEAST_SOURCE_V
        ratio = np.divide(driver_rms_v, source_rms_v, out=np.ones(len(heard), dtype=np.float32), where=heard)
        square = np.square(ratio, out=ratio)
        silent = np.flatnonzero(~heard)
        if 0 < len(silent) < len(heard):
            square[silent] = np.interp(silent, np.flatnonzero(heard), square[heard])
        return cls(frame_length=frame_length, mean_square=square, edge_square=_edges(square))

    def apply(self, voltage_v: NDArray[np.float32], *, first_frame: int) -> NDArray[np.float32]:
        """Turn down a stretch of the branch, shape=(n,) [V], that starts where a frame does.

        Behind the last frame the gain stays as it is there.
        """
        length = self.frame_length
        frames = -(-len(voltage_v) // length)
        frame = np.minimum(np.arange(first_frame, first_frame + frames), len(self.mean_square) - 1)
        left, right, bulge = self._parabolas(frame)
        wave_v = np.pad(voltage_v, (0, frames * length - len(voltage_v))).reshape(frames, length)
        position = (np.arange(length) + 0.5) / length
        mean, (least, highest) = self.mean_square[frame], self._beside(frame)
        for row in np.flatnonzero(least < _STEEP_RATIO * highest):
            even = _largest(left[row], right[row], bulge[row])
            high = max(_OVERSHOOT * float(highest[row]), float(even))
            bulge[row] = _bulge(left[row], right[row], mean[row], high, np.square(wave_v[row], dtype=np.float64))
        square = np.outer(bulge, position * (1.0 - position))
        square += np.outer(right - left, position) + left[:, None]
        gain = np.sqrt(np.maximum(square, 0.0, out=square), out=square)
        turned_v: NDArray[np.float32] = (wave_v * gain.astype(np.float32)).reshape(-1)[: len(voltage_v)]
        return turned_v

    def largest(self, first: int, stop: int) -> NDArray[np.float32]:
        """Largest gain that each frame from `first` to `stop` can have, shape=(stop - first,)."""
        frame = np.arange(first, stop)
        least, highest = self._beside(frame)
        even = _largest(*self._parabolas(frame))
        steep = least < _STEEP_RATIO * highest
        return np.sqrt(np.where(steep, np.maximum(_OVERSHOOT * highest, even), even)).astype(np.float32)

    def _parabolas(self, frame: Frames) -> tuple[Squares, Squares, Squares]:
        """Of each frame the square at its left edge and at its right one, and how it bulges between them."""
        left, right = (self.edge_square[frame + later].astype(np.float64) for later in (0, 1))
        return left, right, 6.0 * self.mean_square[frame] - 3.0 * (left + right)

    def _beside(self, frame: Frames) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Least and largest mean of each frame and its two neighbours."""
        last = len(self.mean_square) - 1
        three = [self.mean_square[np.clip(frame + step, 0, last)] for step in (-1, 0, 1)]
        return np.minimum.reduce(three), np.maximum.reduce(three)


def _largest(left: Squares, right: Squares, bulge: Squares) -> Squares:
    """Largest value of each parabola."""
    rises = np.where(bulge > 0.0, bulge, 1.0)
    top = np.clip(0.5 + (right - left) / (2.0 * rises), 0.0, 1.0)
    inside = left + top * ((right - left) + np.maximum(bulge, 0.0) * (1.0 - top))
    return np.asarray(np.maximum(inside, np.maximum(left, right)))


def _bulge(left: np.floating, right: np.floating, mean: np.floating, high: float, power: Squares) -> float:
    """Bulge with which a frame of that power, sample by sample, keeps its mean; the parabola stays from 0 to `high`."""
    position = (np.arange(len(power)) + 0.5) / len(power)
    missing = mean * power.sum() - power @ (left + (right - left) * position)
    leverage = power @ (position * (1.0 - position))
    least = -((math.sqrt(left) + math.sqrt(right)) ** 2)
    most = (math.sqrt(high - left) + math.sqrt(high - right)) ** 2
    return float(np.clip(missing / leverage if leverage > 0.0 else 0.0, least, most))


def _edges(square: NDArray[np.float32]) -> NDArray[np.float32]:
    padded = np.pad(square, 2, mode="edge")
    edges = np.empty(len(square) + 1, dtype=np.float32)
    for first in range(0, len(edges), _CHUNK):  # so that long files need no long arrays of double precision
        count = min(_CHUNK, len(edges) - first)
        before, left, right, after = (
            padded[first + start : first + start + count].astype(np.float64) for start in range(4)
        )
        exact = (7.0 * (left + right) - (before + after)) / 12.0
        edges[first : first + count] = np.clip(exact, 0.0, 3.0 * np.minimum(left, right))
    return edges


class _Channel:
    """One channel of samples to volts at the terminals; what comes out is some blocks late."""

    def __init__(self, programme: decode.Programme, rig: Rig, gain: SmoothGain | None) -> None:
        self._processor = Processor(rig, programme.sample_rate_hz, where=programme.path)
        self._branch = BranchStream(programme.sample_rate_hz, after_amplifier(rig))
        self._unit_v, self._rail_v = np.float32(self._processor.unit_v), rig.amplifier.rail_v
        self._gain = gain
        self._frames_done = 0
        self._waiting_v = np.empty(0, dtype=np.float32)  # of a frame that is not complete

    def push(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        self._amplify(self._processor.push(np.ascontiguousarray(samples)))
        return self._take()

    def finish(self) -> NDArray[np.float32]:
        self._amplify(self._processor.finish())
        self._branch.finish()
        return self._take(is_last=True)

    def _amplify(self, asked: NDArray[np.float32]) -> None:
        self._branch.push(clip(asked * self._unit_v, self._rail_v).astype(np.float32, copy=False))

    def _take(self, *, is_last: bool = False) -> NDArray[np.float32]:
        voltage_v = self._branch.take()
        if self._gain is None:
            return voltage_v
        voltage_v = np.concatenate([self._waiting_v, voltage_v])
        frames, rest = divmod(len(voltage_v), self._gain.frame_length)
        whole = len(voltage_v) if is_last else len(voltage_v) - rest
        self._waiting_v = voltage_v[whole:].copy()
        turned_v = self._gain.apply(voltage_v[:whole], first_frame=self._frames_done)
        self._frames_done += frames
        return turned_v


def terminals(
    programme: decode.Programme, rig: Rig, gains: Sequence[SmoothGain | None], finding: decode.Finding
) -> Generator[NDArray[np.float32], None, None]:
    """The wave at the driver's terminals, every channel, in its own pass over the file.

    Parameters
    ----------
    programme : Programme
    rig : Rig
    gains : sequence of (SmoothGain or None)
        One for each channel; None leaves the branch as it would be with no protection fitted.
    finding : Finding
        Filled in along the way.

    Yields
    ------
    ndarray [shape=(n, channels)] float32
        Voltage [V].
    """
    channels = [_Channel(programme, rig, gain) for gain in gains]
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        for block in decode.blocks(programme, finding):
            yield np.stack(list(pool.map(_Channel.push, channels, block.T)), axis=1)
        yield np.stack(list(pool.map(_Channel.finish, channels)), axis=1)
