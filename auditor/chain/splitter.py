"""What the crossover's high-pass branch does to the wave, and how much of it there is in every few milliseconds.

The analogue response multiplies the spectrum of overlapping blocks (overlap-save convolution), which gives the branch's
voltage sample by sample. Each frame of about 6 ms then keeps two numbers: its rms voltage, which heats, and its peak,
which breaks. One transform serves both, nothing is warped towards Nyquist, and a bass note cannot leak into the HF
figure as it does when short windowed spectra are weighted (`docs/models.md` gives the measured differences).

Valid range: the branch's impulse response must fade within the overlap, which is sized from the crossover frequency.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.arrays import Gathered, drain
from auditor.chain.crossover import response, settling_s
from auditor.chain.divider import Divider, is_per_frequency
from auditor.kernels import compiled, largest_magnitude, sum_of_squares

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.rig import Crossover, Driver, Rig

DEFAULT_FRAME_S = 0.006
# Room for the crossover to settle, and never less than 20 ms.
_OVERLAP_LEAST_S = 0.020
_RINGING_PERIODS = 8.0  # of a dome's resonance, times its Q
# The band limit at half the sampling rate rings a little before the event too: a quarter of the overlap is for that.
_OVERLAP_SHARE_AHEAD = 0.25
_OVERLAPS = 8  # as long as a block: longer ones are no quicker, shorter ones also less exact
_BUFFER_BLOCKS = 16  # blocks transformed in one call


@dataclass(frozen=True, kw_only=True)
class HfFrames:
    """The HF branch, frame by frame, into the cold driver with no protection fitted (after the pad).

    rms_v, peak_v : ndarray [shape=(frames,)] float32
        rms and largest absolute voltage in each frame [V]. The last frame is filled up with silence.
    division : Division or None
        How part and driver divide each frame; None where one impedance holds for all frequencies.
    peak_mm : ndarray [shape=(frames,)] float32 or None
        Largest displacement of the driver's dome [mm]; None where its moving parts are not known.
    """

    frame_s: float
    duration_s: float
    rms_v: NDArray[np.float32]
    peak_v: NDArray[np.float32]
    division: Division | None = None
    peak_mm: NDArray[np.float32] | None = None

    def scaled(self, ratio: np.float32) -> HfFrames:
        """The same with voltages, and what follows them, times a ratio."""
        if ratio == 1.0:
            return self
        peak_mm = None if self.peak_mm is None else self.peak_mm * ratio
        return replace(self, rms_v=self.rms_v * ratio, peak_v=self.peak_v * ratio, peak_mm=peak_mm)


class Splitter:
    """Streams one channel of amplifier output into HF frames.

    Parameters
    ----------
    sample_rate_hz : int
    crossover : Crossover
    frame_s : float, optional
        Wished-for frame length [s]; rounded to whole samples.
    rig : Rig, optional
        Given, the frames also tell how part and driver divide each, where that depends on frequency, and how far the
        driver's dome moves, where what moves is known; either costs about as much again.
    """

    def __init__(
        self, sample_rate_hz: int, crossover: Crossover, *, frame_s: float | None = None, rig: Rig | None = None
    ) -> None:
        self.frame_length = max(1, round((frame_s or DEFAULT_FRAME_S) * sample_rate_hz))
        self.frame_s = self.frame_length / sample_rate_hz
        overlap_s = max(_OVERLAP_LEAST_S, self._settling_s(crossover))
        self._fft_length = 1 << int(np.ceil(np.log2(_OVERLAPS * overlap_s * sample_rate_hz)))
        overlap = self._fft_length // _OVERLAPS
        self._ahead = int(overlap * _OVERLAP_SHARE_AHEAD)
        self._behind = overlap - self._ahead
        self._hop = self._fft_length - overlap
        frequency_hz = np.fft.rfftfreq(self._fft_length, 1.0 / sample_rate_hz)
        self._response = self._transfer(crossover, frequency_hz).astype(np.complex64)
        # Input not yet turned into output, in a buffer that stays: fresh memory would cost as much as the transforms.
        self._buffer = np.zeros(_BUFFER_BLOCKS * self._hop + overlap, dtype=np.float32)
        self._filled = self._behind
        self._sample_rate_hz = sample_rate_hz
        self._length = 0
        self._frame = np.zeros(3)  # of the frame under way: energy [V^2], peak [V], samples
        self._rms_v = Gathered((), np.float32)
        self._peaks_v = Gathered((), np.float32)
        self._divider: Divider | None = None
        if rig is not None and is_per_frequency(rig):
            self._divider = Divider(rig, sample_rate_hz, frame_length=self.frame_length)
        self._motion: MotionSplitter | None = None
        if rig is not None and rig.driver.dome is not None:
            self._motion = MotionSplitter(sample_rate_hz, crossover, rig.driver, frame_s=frame_s)

    def _settling_s(self, crossover: Crossover) -> float:
        """Time in which the branch forgets what was before."""
        return settling_s(crossover)

    def _transfer(self, crossover: Crossover, frequency_hz: NDArray[np.floating]) -> NDArray[np.complex128]:
        """What the branch makes of a volt at the amplifier."""
        return response(crossover, frequency_hz)

    def push(self, voltage_v: NDArray[np.float32]) -> None:
        """Take the next samples, shape=(n,) [V]."""
        if self._motion is not None:
            self._motion.push(voltage_v)
        self._length += len(voltage_v)
        while len(voltage_v):
            room = min(len(voltage_v), len(self._buffer) - self._filled)
            self._buffer[self._filled : self._filled + room] = voltage_v[:room]
            self._filled += room
            voltage_v = voltage_v[room:]
            blocks = (self._filled - (self._fft_length - self._hop)) // self._hop
            if blocks > 0:
                self._gather(self._convolve(blocks), blocks * self._hop)
                left = self._filled - blocks * self._hop
                self._buffer[:left] = self._buffer[blocks * self._hop : self._filled].copy()
                self._filled = left

    def finish(self) -> HfFrames:
        """Flush what is left and return every frame; the last one is filled up with silence."""
        left = self._filled - self._behind
        if left > 0:
            self._buffer[self._filled :] = 0.0
            self._gather(self._convolve(-(-left // self._hop)), left)
            self._filled = 0
        if self._frame[2] > 0:
            self._rms_v.add(self._rms(self._frame[:1]))
            self._peaks_v.add(self._frame[1:2])
        rms_v = self._rms_v.take()
        return HfFrames(
            frame_s=self.frame_s,
            duration_s=self._length / self._sample_rate_hz,
            rms_v=rms_v,
            peak_v=self._peaks_v.take(),
            division=None if self._divider is None else self._divider.finish(len(rms_v)),
            peak_mm=None if self._motion is None else self._motion.finish().peak_v,
        )

    def _convolve(self, blocks: int) -> NDArray[np.float32]:
        """Circular convolution of the first blocks in the buffer, shape=(blocks, fft_length).

        The branch's voltage stands in the columns from `_behind` on, `_hop` of them.
        """
        from scipy.fft import irfft, rfft

        windows = np.lib.stride_tricks.sliding_window_view(self._buffer, self._fft_length)[:: self._hop][:blocks]
        spectra = rfft(windows, axis=1)
        spectra *= self._response
        branch: NDArray[np.float32] = irfft(spectra, self._fft_length, axis=1, overwrite_x=True)
        return branch

    def _gather(self, branch_v: NDArray[np.float32], count: int) -> None:
        """Share out the first `count` samples of the branch among frames."""
        frames = int((self._frame[2] + count) // self.frame_length)
        energy, peak = np.empty(frames), np.empty(frames, dtype=np.float32)
        _energy_and_peak(branch_v, self._behind, self._hop, count, self.frame_length, self._frame, energy, peak)
        self._rms_v.add(self._rms(energy))
        self._peaks_v.add(peak)
        if self._divider is not None:
            self._divider.push(self._wave(branch_v, count))

    def _wave(self, branch_v: NDArray[np.float32], count: int) -> NDArray[np.float32]:
        """The first `count` samples of the branch in a row [V]."""
        wave_v: NDArray[np.float32] = branch_v[:, self._behind : self._behind + self._hop].reshape(-1)[:count]
        return wave_v

    def _rms(self, energy: NDArray[np.float64]) -> NDArray[np.float32]:
        return np.sqrt(energy / self.frame_length).astype(np.float32)


class MotionSplitter(Splitter):
    """Streams one channel into the displacement of the driver's dome: where there are volts elsewhere, millimetres."""

    def __init__(
        self, sample_rate_hz: int, crossover: Crossover, driver: Driver, *, frame_s: float | None = None
    ) -> None:
        assert driver.dome is not None
        self._dome, self._in_series = driver.dome, driver.series_count
        super().__init__(sample_rate_hz, crossover, frame_s=frame_s)

    def _settling_s(self, crossover: Crossover) -> float:
        ringing_s = max(self._dome.total_q, 1.0) / self._dome.resonance_hz
        return max(super()._settling_s(crossover), _RINGING_PERIODS * ringing_s)

    def _transfer(self, crossover: Crossover, frequency_hz: NDArray[np.floating]) -> NDArray[np.complex128]:
        moved_mm_per_v = self._dome.displacement_mm_per_v(frequency_hz)
        # Each driver of a string has its share of the branch's volts.
        return super()._transfer(crossover, frequency_hz) * moved_mm_per_v / self._in_series


class BranchStream(Splitter):
    """Streams one channel into the branch's voltage itself, sample by sample, some blocks late."""

    def __init__(self, sample_rate_hz: int, crossover: Crossover) -> None:
        super().__init__(sample_rate_hz, crossover)
        self._ready: list[NDArray[np.float32]] = []

    def take(self) -> NDArray[np.float32]:
        """What has come out since the last call, shape=(n,) [V]; after `finish`, all that is left."""
        return drain(self._ready, np.empty(0, dtype=np.float32))

    def _gather(self, branch_v: NDArray[np.float32], count: int) -> None:
        self._ready.append(self._wave(branch_v, count))


def split(
    voltage_v: NDArray[np.floating],
    sample_rate_hz: int,
    crossover: Crossover,
    *,
    frame_s: float | None = None,
    rig: Rig | None = None,
) -> HfFrames:
    """HF frames of a signal that is already in memory.

    Parameters
    ----------
    voltage_v : ndarray [shape=(n,)]
        Amplifier output [V].
    """
    splitter = Splitter(sample_rate_hz, crossover, frame_s=frame_s, rig=rig)
    splitter.push(np.asarray(voltage_v, dtype=np.float32))
    return splitter.finish()


def branch_voltage(voltage_v: NDArray[np.floating], sample_rate_hz: int, crossover: Crossover) -> NDArray[np.floating]:
    """HF branch of a short stretch, sample by sample, with silence around it.

    Parameters
    ----------
    voltage_v : ndarray [shape=(n,)]
        Amplifier output [V].

    Returns
    -------
    ndarray [shape=(n,)]
        Voltage after the pad [V].
    """
    from scipy.fft import irfft, next_fast_len, rfft

    length = next_fast_len(2 * len(voltage_v), real=True)
    spectrum = rfft(voltage_v, length) * _kept_response(crossover, length, sample_rate_hz)
    branch_v: NDArray[np.floating] = irfft(spectrum, length)[: len(voltage_v)]
    return branch_v


@functools.lru_cache(maxsize=4)  # the margin asks for thousands of stretches of one length
def _kept_response(crossover: Crossover, length: int, sample_rate_hz: int) -> NDArray[np.complex128]:
    return response(crossover, np.fft.rfftfreq(length, 1.0 / sample_rate_hz))


@compiled(fastmath=True)
def _energy_and_peak(branch_v, first, hop, count, frame_length, under_way, energy, peak):  # type: ignore[no-untyped-def]
    total, largest, filled = under_way[0], np.float32(under_way[1]), int(under_way[2])
    frame = 0
    rows, columns = branch_v.shape
    flat_v = branch_v.reshape(-1)
    for row in range(rows):
        i = first
        row_end = first + min(hop, count - row * hop)
        while i < row_end:
            stop = min(row_end, i + frame_length - filled)
            here_v = flat_v[row * columns + i : row * columns + stop]
            total += sum_of_squares(here_v)
            largest = max(largest, largest_magnitude(here_v))
            filled += stop - i
            i = stop
            if filled == frame_length:
                energy[frame] = total
                peak[frame] = largest
                frame += 1
                total, largest, filled = 0.0, np.float32(0.0), 0
    under_way[0], under_way[1], under_way[2] = total, largest, filled
