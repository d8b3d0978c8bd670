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
from functools import cached_property
from typing import TYPE_CHECKING, Self

import numpy as np

from auditor.chain.amplifier import clip
from auditor.chain.processor import Processor, after_amplifier
from auditor.chain.splitter import BranchStream
from auditor.programme import decode
from auditor.threads import THREADS

if TYPE_CHECKING:
    from collections.abc import Generator, Sequence

    from numpy.typing import NDArray

    from auditor.rig import Rig

_STEEP_RATIO = 0.5  # of powers between neighbours; a lamp's gain never changes so fast
_OVERSHOOT = 4.0 / 3.0  # of powers: what a frame needs that falls from full gain to nought at its very end
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

    def apply(self, voltage_v: NDArray[np.float32], *, first_frame: int) -> NDArray[np.float32]:
        """Turn down a stretch of the branch, shape=(n,) [V], that starts where a frame does.

        Behind the last frame the gain stays as it is there.
        """
        length = self.frame_length
        frames = -(-len(voltage_v) // length)
        frame = np.minimum(np.arange(first_frame, first_frame + frames), len(self.mean_square) - 1)
        left, right = (self.edge_square[frame + later].astype(np.float64) for later in (0, 1))
        bulge = 6.0 * self.mean_square[frame] - 3.0 * (left + right)
        wave_v = np.pad(voltage_v, (0, frames * length - len(voltage_v))).reshape(frames, length)
        position = (np.arange(length) + 0.5) / length
        for row in np.flatnonzero(self._steep[frame]):
            bulge[row] = self._bulge_of(frame[row], wave_v[row], position)
        square = np.outer(bulge, position * (1.0 - position))
        square += np.outer(right - left, position) + left[:, None]
        gain = np.sqrt(np.maximum(square, 0.0, out=square), out=square)
        turned_v: NDArray[np.float32] = (wave_v * gain.astype(np.float32)).reshape(-1)[: len(voltage_v)]
        return turned_v

    def _bulge_of(self, frame: int, wave_v: NDArray[np.float32], position: NDArray[np.float64]) -> float:
        """Bulge of a steep frame by where its power lies, with the gain's square between nought and the highest."""
        left, right = float(self.edge_square[frame]), float(self.edge_square[frame + 1])
        mean, high = float(self.mean_square[frame]), float(self._highest_square[frame])
        power = np.square(wave_v, dtype=np.float64)
        missing = mean * power.sum() - power @ (left + (right - left) * position)
        leverage = power @ (position * (1.0 - position))
        least = -((math.sqrt(left) + math.sqrt(right)) ** 2)
        most = (math.sqrt(high - left) + math.sqrt(high - right)) ** 2
        return float(np.clip(missing / leverage if leverage > 0.0 else 0.0, least, most))

    @cached_property
    def _beside(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Least and largest mean of each frame and its two neighbours."""
        mean = self.mean_square
        three = np.stack([np.append(mean[:1], mean[:-1]), mean, np.append(mean[1:], mean[-1:])])
        return three.min(axis=0), three.max(axis=0)

    @cached_property
    def _steep(self) -> NDArray[np.bool_]:
        """Frames in or beside which a contact moves or a part goes: there it matters when in the frame the power is."""
        least, largest = self._beside
        steep: NDArray[np.bool_] = least < _STEEP_RATIO * largest
        return steep

    @cached_property
    def _even_square(self) -> NDArray[np.float64]:
        """Largest square of the gain in each frame where its power is spread evenly."""
        left, right = (each.astype(np.float64) for each in (self.edge_square[:-1], self.edge_square[1:]))
        bulge = 6.0 * self.mean_square - 3.0 * (left + right)
        rises = np.where(bulge > 0.0, bulge, 1.0)
        top = np.clip(0.5 + (right - left) / (2.0 * rises), 0.0, 1.0)
        inside = left + top * ((right - left) + np.maximum(bulge, 0.0) * (1.0 - top))
        return np.maximum(inside, np.maximum(left, right))

    @cached_property
    def _highest_square(self) -> NDArray[np.float64]:
        """What the gain's square never passes in a steep frame."""
        return np.maximum(_OVERSHOOT * self._beside[1], self._even_square)

    def largest(self) -> NDArray[np.float32]:
        """Largest gain that each frame can have, shape=(frames,)."""
        return np.sqrt(np.where(self._steep, self._highest_square, self._even_square)).astype(np.float32)


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
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        for block in decode.blocks(programme, finding):
            yield np.stack(list(pool.map(_Channel.push, channels, block.T)), axis=1)
        yield np.stack(list(pool.map(_Channel.finish, channels)), axis=1)
