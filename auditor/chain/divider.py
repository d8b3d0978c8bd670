"""From the HF branch's wave to how part and driver divide it, frame by frame (`auditor.division`).

Each frame has a window of twice its length about its middle, a sine, hop half: a power-complementary pair (Princen and
Bradley 1986), so that every sample counts in full. What is weighted is the spectrum of the cold branch, behind the
crossover, and only as a ratio to its own power: bass cannot leak in, and what the frame's rms is stays exact.

Source and range
----------------
A window of 12 ms tells frequencies 80 Hz apart; an impedance does not change much over that above some hundred hertz.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from auditor.arrays import Gathered
from auditor.chain.crossover import response
from auditor.chain.network import Ladder
from auditor.division import NODES, QUANTITIES, ROUNDED_TO, Division, node_weights
from auditor.driver.impedance import impedance_ohm
from auditor.kernels import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.rig import Rig

    Complex = NDArray[np.complex128]

_FRAMES_AT_A_TIME = 256


def is_per_frequency(rig: Rig) -> bool:
    """Whether the rig says more of its impedances than one number."""
    return rig.driver.impedance is not None or rig.crossover.network is not None


def series_circuit(rig: Rig, frequency_hz: NDArray[np.floating]) -> tuple[Complex, Complex]:
    """Impedance of what stands before the protective part, and of the cold driver behind it [ohm].

    A crossover given by its alignment is taken as a source without impedance.
    """
    load_ohm = impedance_ohm(rig.driver, frequency_hz)
    network = rig.crossover.network
    if network is None:
        return np.zeros_like(load_ohm), load_ohm
    ladder = Ladder.of(network.parts, frequency_hz, rated_impedance_ohm=network.rated_impedance_ohm)
    return ladder.source_impedance_ohm, load_ohm


def rig_weights(rig: Rig, frequency_hz: NDArray[np.floating]) -> NDArray[np.float32]:
    """`auditor.division.node_weights` of a rig, shape=(n, 3 * NODES)."""
    source_ohm, load_ohm = series_circuit(rig, frequency_hz)
    return node_weights(source_ohm, load_ohm, rated_impedance_ohm=rig.driver.branch_impedance_ohm)


class Divider:
    """Streams the HF branch into a `Division`.

    Parameters
    ----------
    rig : Rig
    sample_rate_hz : int
    frame_length : int
        Samples in a frame.
    """

    def __init__(self, rig: Rig, sample_rate_hz: int, *, frame_length: int) -> None:
        from scipy.fft import next_fast_len

        self._rated_ohm = rig.driver.branch_impedance_ohm
        self._frame_length = frame_length
        self._window = np.sin(np.pi * (np.arange(2 * frame_length) + 0.5) / (2 * frame_length)).astype(np.float32)
        self._fft_length = next_fast_len(2 * frame_length, real=True)
        frequency_hz = np.fft.rfftfreq(self._fft_length, 1.0 / sample_rate_hz)
        # The last column is the plain sum of the spectrum.
        self._weights = np.column_stack([rig_weights(rig, frequency_hz), np.ones(len(frequency_hz), np.float32)])
        self._weights = np.ascontiguousarray(self._weights, dtype=np.float32)
        self._waiting = np.zeros(frame_length // 2, dtype=np.float32)  # half a window stands before the first sample
        self._ratios = Gathered((QUANTITIES, NODES), ROUNDED_TO)

    def push(self, branch_v: NDArray[np.float32]) -> None:
        """Take the next samples of the branch, shape=(n,) [V]."""
        self._waiting = np.concatenate([self._waiting, branch_v])
        frames = (len(self._waiting) - self._frame_length) // self._frame_length
        for first in range(0, frames, _FRAMES_AT_A_TIME):
            self._ratios.add(self._division(first, min(_FRAMES_AT_A_TIME, frames - first)).ratio)
        if frames > 0:
            self._waiting = self._waiting[frames * self._frame_length :].copy()

    def finish(self, frames: int) -> Division:
        """Flush what is left; `frames` is how many there are in all."""
        self.push(np.zeros(3 * self._frame_length, dtype=np.float32))
        return Division(ratio=self._ratios.take()[:frames], rated_impedance_ohm=self._rated_ohm)

    def _division(self, first: int, count: int) -> Division:
        from scipy.fft import rfft

        length = self._frame_length
        windows = np.lib.stride_tricks.sliding_window_view(self._waiting, 2 * length)[first * length :: length][:count]
        spectra = rfft(windows * self._window, self._fft_length, axis=1)
        means = np.zeros((count, self._weights.shape[1]), dtype=np.float32)
        _weigh(spectra.view(np.float32), self._weights, means)
        return Division.from_means(
            means[:, :-1].reshape(count, QUANTITIES, NODES), means[:, -1], rated_impedance_ohm=self._rated_ohm
        )


def steady_division(rig: Rig) -> Division:
    """One frame of pink noise in the HF branch: for questions in which no programme is played.

    Loudspeakers are rated with noise whose thirds of an octave are of one level; the branch passes it as its response
    is.
    """
    from auditor.chain.network import audible_hz

    frequency_hz = audible_hz()  # evenly spaced in logarithms: pink noise has the same power at each
    power = np.square(np.abs(response(rig.crossover, frequency_hz)))
    means = (power @ rig_weights(rig, frequency_hz)).reshape(1, QUANTITIES, NODES)
    return Division.from_means(means, power.sum(keepdims=True), rated_impedance_ohm=rig.driver.branch_impedance_ohm)


@compiled(fastmath=True)
def _weigh(spectra, weights, means):  # type: ignore[no-untyped-def]
    """Sum of power times weight; no matrix product, whose library would start threads of its own within each channel's.

    `spectra` has real and imaginary parts in turn.
    """
    bins, columns = weights.shape
    for frame in range(len(spectra)):
        for k in range(bins):
            power = spectra[frame, 2 * k] ** 2 + spectra[frame, 2 * k + 1] ** 2
            for column in range(columns):
                means[frame, column] += power * weights[k, column]
