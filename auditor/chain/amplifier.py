"""The amplifier: its gain is part of the level; here it runs out of voltage.

Hard clip at ``rail_v = sqrt(2 * rated_power_w * rated_load_ohm)``, at the file's own rate. No oversampling: clipping a
sampled wave keeps its power, and what little of it lies above 20 kHz folds back as power of much the same size. Against
eight times oversampling the HF branch's power of five demonstration clips stays within 0.016 dB, that of the one which
is clipped hardest within 0.11 dB; a clipped steady tone at a simple fraction of the sampling rate, whose harmonics fold
onto it, can be 1.5 dB off (`docs/models.md`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.arrays import LargestInBins
from auditor.kernels import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray


def clip(voltage_v: NDArray[np.floating], rail_v: float) -> NDArray[np.floating]:
    """Amplifier output for a wished-for output.

    Parameters
    ----------
    voltage_v : ndarray [any shape]
        What an amplifier without rails would deliver [V].
    rail_v : float
        Largest voltage of either sign it can deliver [V].

    Returns
    -------
    ndarray [same shape and dtype]
        What it does deliver [V].
    """
    return np.clip(voltage_v, -rail_v, rail_v)


class AmplifierChannel:
    """Streams one channel of samples through the amplifier and counts what it clips, frame by frame.

    Parameters
    ----------
    volts_per_unit : float
        Voltage wished for at a sample of 1.0 [V].
    rail_v : float
        Largest voltage it can deliver [V].
    frame_length : int
        Samples in a frame.
    """

    def __init__(self, *, volts_per_unit: float, rail_v: float, frame_length: int) -> None:
        self._volts_per_unit = np.float32(volts_per_unit)
        self._rail_v = np.float32(rail_v)
        self._frame_length = frame_length
        self._clipped = LargestInBins()
        self._under_way = np.zeros(2, dtype=np.int64)  # samples, and clipped samples, of the frame not yet full
        self.energy = 0.0  # sum of squares delivered so far [V^2]
        self.clipped_count = 0

    def push(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take the next samples, shape=(n,); return the voltage delivered [V]."""
        delivered = np.empty(len(samples), dtype=np.float32)
        frames = int((self._under_way[0] + len(samples)) // self._frame_length)
        counts = np.zeros(frames, dtype=np.float32)
        clipped_count, energy = _amplify(
            samples,
            self._volts_per_unit,
            self._rail_v,
            self._frame_length,
            self._under_way,
            delivered,
            counts,
        )
        self.clipped_count += clipped_count
        self.energy += energy
        self._clipped.add(counts / np.float32(self._frame_length))
        return delivered

    def clipped_ratio(self) -> NDArray[np.float32]:
        """Share of the samples that were clipped in the worst frame of each bin; the last frame may be partial."""
        if self._under_way[0]:
            self._clipped.add(self._under_way[1:] / np.float32(self._frame_length))
        return self._clipped.take()


@compiled(fastmath=True)
def _clip(samples, volts_per_unit, rail_v, delivered_v):  # type: ignore[no-untyped-def]
    square = np.float32(0.0)
    clipped = 0
    for i in range(len(samples)):
        wished = samples[i] * volts_per_unit
        delivered = min(max(wished, -rail_v), rail_v)
        delivered_v[i] = delivered
        square += delivered * delivered
        clipped += 1 if abs(wished) > rail_v else 0
    return square, clipped


@compiled(fastmath=True)
def _amplify(samples, volts_per_unit, rail_v, frame_length, under_way, delivered_v, counts):  # type: ignore[no-untyped-def]
    filled: Any = np.int64(under_way[0])
    clipped: Any = np.int64(under_way[1])
    total = 0
    energy = 0.0
    frame = 0
    i = 0
    while i < len(samples):
        stop = min(len(samples), i + frame_length - filled)
        square, here = _clip(samples[i:stop], volts_per_unit, rail_v, delivered_v[i:stop])
        filled += stop - i
        clipped += here
        total += here
        energy += square
        i = stop
        if filled == frame_length:
            counts[frame] = clipped
            frame += 1
            filled = np.int64(0)
            clipped = np.int64(0)
    under_way[0], under_way[1] = filled, clipped
    return total, energy
