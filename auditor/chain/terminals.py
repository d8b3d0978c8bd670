"""The wave at the HF driver's terminals, sample by sample: the HF branch's voltage, turned down as the part does it.

The simulation knows the driver's voltage frame by frame. Its ratio to the branch's is the gain of a frame; applied as it
stands it would step 167 times a second, which is heard as a buzz ("zipper noise"). Here the square of the gain is a
parabola in each frame: neighbours share the value at their edge, and the mean over each frame is exactly the ratio of
powers that the simulation found, so that no frame's rms is changed by the smoothing.

Source and range
----------------
Edge values are the fourth-order ones of the piecewise parabolic method (P. Colella and P. R. Woodward, J. Comput. Phys.
54 (1984) 174, eq. 1.6 with equal steps; from memory), and at most three times the smaller of the two means beside them,
which keeps a parabola from going below nought (F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17 (1980) 238, the
same bound for the slopes of a monotone cubic; from memory). Their own limiter, which cuts the edges apart, is left out:
it would make steps. A contact that opens becomes a ramp of about a frame, 6 ms, before which the gain may rise by up to
1.3 dB for some milliseconds so that the frame's mean is kept.

Within a frame the signal's power is taken to be spread evenly, as in the simulation.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np

from auditor.chain.amplifier import clip
from auditor.chain.processor import Processor, after_amplifier
from auditor.chain.splitter import BranchStream
from auditor.programme import decode
from auditor.threads import THREADS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from auditor.rig import Rig

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
    def of(
        cls, source_rms_v: NDArray[np.floating], driver_rms_v: NDArray[np.floating], *, frame_length: int
    ) -> Self:
        """From both voltages, frame by frame, shape=(frames,) [V rms]."""
        heard = source_rms_v > _LEAST_SOURCE_V
        if not heard.any():
            square = np.ones(len(source_rms_v))
        else:
            ratio = np.divide(driver_rms_v, source_rms_v, out=np.zeros(len(heard)), where=heard)
            at = np.arange(len(heard))
            square = np.interp(at, at[heard], np.square(ratio[heard]))
        return cls(
            frame_length=frame_length,
            mean_square=square.astype(np.float32),
            edge_square=_edges(square).astype(np.float32),
        )

    def at(self, first: int, length: int) -> NDArray[np.float32]:
        """Gain of `length` samples from sample `first` on; behind the last frame it stays as it is there."""
        index = np.arange(first, first + length)
        frame = np.minimum(index // self.frame_length, len(self.mean_square) - 1)
        position = np.minimum((index - frame * self.frame_length + 0.5) / self.frame_length, 1.0)
        left, right = self.edge_square[frame], self.edge_square[frame + 1]
        bulge = 6.0 * self.mean_square[frame] - 3.0 * (left.astype(np.float64) + right)
        square = left + position * ((right - left) + bulge * (1.0 - position))
        return np.sqrt(np.maximum(square, 0.0)).astype(np.float32)

    def largest(self) -> NDArray[np.float32]:
        """Largest gain in each frame, shape=(frames,)."""
        left, right = (each.astype(np.float64) for each in (self.edge_square[:-1], self.edge_square[1:]))
        bulge = 6.0 * self.mean_square - 3.0 * (left + right)
        rises = np.where(bulge > 0.0, bulge, 1.0)
        top = np.clip(0.5 + (right - left) / (2.0 * rises), 0.0, 1.0)
        inside = np.where(bulge > 0.0, left + top * ((right - left) + bulge * (1.0 - top)), 0.0)
        return np.sqrt(np.maximum(np.maximum(left, right), inside)).astype(np.float32)


def _edges(square: NDArray[np.float64]) -> NDArray[np.float64]:
    padded = np.concatenate([[square[0]] * 2, square, [square[-1]] * 2])
    before, left, right, after = (padded[start : start + len(square) + 1] for start in range(4))
    exact = (7.0 * (left + right) - (before + after)) / 12.0
    return np.clip(exact, 0.0, 3.0 * np.minimum(left, right))


class _Channel:
    """One channel of samples to volts at the terminals; what comes out is some blocks late."""

    def __init__(self, programme: decode.Programme, rig: Rig, gain: SmoothGain | None) -> None:
        self._processor = Processor(rig, programme.sample_rate_hz, where=programme.path)
        self._branch = BranchStream(programme.sample_rate_hz, after_amplifier(rig))
        self._unit_v, self._rail_v = np.float32(self._processor.unit_v), rig.amplifier.rail_v
        self._gain = gain
        self._done = 0

    def push(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        self._amplify(self._processor.push(np.ascontiguousarray(samples)))
        return self._take()

    def finish(self) -> NDArray[np.float32]:
        self._amplify(self._processor.finish())
        self._branch.finish()
        return self._take()

    def _amplify(self, asked: NDArray[np.float32]) -> None:
        self._branch.push(clip(asked * self._unit_v, self._rail_v).astype(np.float32, copy=False))

    def _take(self) -> NDArray[np.float32]:
        voltage_v = self._branch.take()
        if self._gain is not None:
            voltage_v = voltage_v * self._gain.at(self._done, len(voltage_v))
        self._done += len(voltage_v)
        return voltage_v


def terminals(
    programme: decode.Programme, rig: Rig, gains: Sequence[SmoothGain | None], finding: decode.Finding
) -> Iterator[NDArray[np.float32]]:
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
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        for block in decode.blocks(programme, finding):
            yield np.stack(list(pool.map(_Channel.push, channels, block.T)), axis=1)
        yield np.stack(list(pool.map(_Channel.finish, channels)), axis=1)
