"""What the crossover's high-pass branch does to the wave, and how much of it there is in every few milliseconds.

The analogue response multiplies the spectrum of overlapping blocks (overlap-save convolution), which gives the branch's
voltage sample by sample. Each frame of about 6 ms then keeps two numbers: its rms voltage, which heats, and its peak,
which breaks. One transform serves both, nothing is warped towards Nyquist, and a bass note cannot leak into the HF
figure as it does when short windowed spectra are weighted (`docs/models.md` gives the measured differences).

Valid range: the branch's impulse response must fade within the overlap, which is sized from the crossover frequency.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from auditor.chain.crossover import response

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.rig import Crossover

DEFAULT_FRAME_S = 0.006
# Enough for every alignment at its own corner: eight periods of it, and never less than 20 ms.
_OVERLAP_PERIODS = 8.0
_OVERLAP_LEAST_S = 0.020
# The band limit at half the sampling rate rings a little before the event too: a quarter of the overlap is for that.
_OVERLAP_SHARE_AHEAD = 0.25


@dataclass(frozen=True, kw_only=True)
class HfFrames:
    """The HF branch, frame by frame, into the cold driver with no protection fitted (after the pad).

    rms_v, peak_v : ndarray [shape=(frames,)] float32
        rms and largest absolute voltage in each frame [V].
    """

    frame_s: float
    rms_v: NDArray[np.float32]
    peak_v: NDArray[np.float32]


class Splitter:
    """Streams one channel of amplifier output into HF frames.

    Parameters
    ----------
    sample_rate_hz : int
    crossover : Crossover
    frame_s : float, optional
        Wished-for frame length [s]; rounded to whole samples.
    """

    def __init__(self, sample_rate_hz: int, crossover: Crossover, *, frame_s: float | None = None) -> None:
        self.frame_length = max(1, round((frame_s or DEFAULT_FRAME_S) * sample_rate_hz))
        self.frame_s = self.frame_length / sample_rate_hz
        corner_s = 0.0 if crossover.alignment == "none" else 1.0 / crossover.frequency_hz
        overlap_s = max(_OVERLAP_LEAST_S, _OVERLAP_PERIODS * corner_s)
        self._fft_length = 1 << int(np.ceil(np.log2(4.0 * overlap_s * sample_rate_hz)))
        overlap = self._fft_length // 4
        self._ahead = int(overlap * _OVERLAP_SHARE_AHEAD)
        self._behind = overlap - self._ahead
        self._hop = self._fft_length - overlap
        frequency_hz = np.fft.rfftfreq(self._fft_length, 1.0 / sample_rate_hz)
        self._response = response(crossover, frequency_hz).astype(np.complex64)
        self._waiting = np.zeros(self._behind, dtype=np.float32)  # input not yet turned into output
        self._partial = np.empty(0, dtype=np.float32)  # output not yet filling a frame
        self._energies: list[NDArray[np.float64]] = []
        self._peaks: list[NDArray[np.float32]] = []

    def push(self, voltage_v: NDArray[np.float32]) -> None:
        """Take the next samples, shape=(n,) [V]."""
        self._waiting = np.concatenate([self._waiting, voltage_v])
        blocks = (len(self._waiting) - (self._fft_length - self._hop)) // self._hop
        if blocks > 0:
            self._gather(self._convolve(blocks))
            self._waiting = self._waiting[blocks * self._hop :].copy()

    def finish(self) -> HfFrames:
        """Flush what is left and return every frame; the last one is filled up with silence."""
        left = len(self._waiting) - self._behind
        if left > 0:
            short = -left % self._hop + self._ahead
            self._waiting = np.concatenate([self._waiting, np.zeros(short, dtype=np.float32)])
            blocks = (len(self._waiting) - self._behind - self._ahead) // self._hop
            self._gather(self._convolve(blocks)[:left])
            self._waiting = self._waiting[:0]
        if len(self._partial):
            self._gather(np.zeros(self.frame_length - len(self._partial), dtype=np.float32))
        energies = np.concatenate([np.empty(0), *self._energies])
        return HfFrames(
            frame_s=self.frame_s,
            rms_v=np.sqrt(energies / self.frame_length).astype(np.float32),
            peak_v=np.concatenate([np.empty(0, dtype=np.float32), *self._peaks]),
        )

    def _convolve(self, blocks: int) -> NDArray[np.float32]:
        from scipy.fft import irfft, rfft

        windows = np.lib.stride_tricks.sliding_window_view(self._waiting, self._fft_length)[:: self._hop][:blocks]
        spectra = rfft(np.ascontiguousarray(windows), axis=1, overwrite_x=True)
        spectra *= self._response
        branch = irfft(spectra, self._fft_length, axis=1, overwrite_x=True)
        return branch[:, self._behind : self._behind + self._hop].reshape(-1)

    def _gather(self, branch_v: NDArray[np.float32]) -> None:
        branch_v = np.concatenate([self._partial, branch_v]) if len(self._partial) else branch_v
        frames = len(branch_v) // self.frame_length
        energy, peak = _frame_energy_and_peak(branch_v, self.frame_length, frames)
        self._energies.append(energy)
        self._peaks.append(peak)
        self._partial = branch_v[frames * self.frame_length :].copy()


def split(
    voltage_v: NDArray[np.floating], sample_rate_hz: int, crossover: Crossover, *, frame_s: float | None = None
) -> HfFrames:
    """HF frames of a signal that is already in memory.

    Parameters
    ----------
    voltage_v : ndarray [shape=(n,)]
        Amplifier output [V].
    """
    splitter = Splitter(sample_rate_hz, crossover, frame_s=frame_s)
    splitter.push(np.asarray(voltage_v, dtype=np.float32))
    return splitter.finish()


@njit(cache=True, nogil=True, fastmath=True)
def _frame_energy_and_peak(branch_v, frame_length, frames):  # type: ignore[no-untyped-def]
    energy = np.empty(frames, np.float64)
    peak = np.empty(frames, np.float32)
    for frame in range(frames):
        total = np.float32(0.0)
        largest = np.float32(0.0)
        for i in range(frame * frame_length, (frame + 1) * frame_length):
            total += branch_v[i] * branch_v[i]
            largest = max(largest, abs(branch_v[i]))
        energy[frame] = total
        peak[frame] = largest
    return energy, peak
