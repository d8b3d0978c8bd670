"""Programme loudness and true peak, by ITU-R BS.1770 and EBU R 128.

The weighting filters come from pyloudnorm (its "DeMan" class, which reproduces the coefficients the recommendation
prints; its default class reads 0.04 LU low). pyloudnorm wants a whole file in memory, so the blocks are streamed
through those filters here, and gated as the recommendation says: 400 ms blocks, 75 % overlap, gates at -70 LUFS and
10 LU below the ungated mean.

True peak is the largest sample after at least fourfold oversampling (twofold from 80 kHz, none from 160 kHz), found
with the interpolation filter only where the samples nearby are large enough to matter: exact, and far cheaper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.kernels import compiled, largest_magnitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

_STEP_S = 0.1  # a quarter of the 400 ms block
_STEPS_PER_BLOCK = 4
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
_OFFSET_LUFS = -0.691  # BS.1770: makes a 997 Hz sine at 0 dBFS in one channel read -3.01 LUFS

# Channel weights by channel count, in the usual file order: L R C (LFE) then surrounds. BS.1770 annex 1, table 3.
_SURROUND = 1.41
_CHANNEL_WEIGHTS = {
    4: (1.0, 1.0, _SURROUND, _SURROUND),
    5: (1.0, 1.0, 1.0, _SURROUND, _SURROUND),
    6: (1.0, 1.0, 1.0, 0.0, _SURROUND, _SURROUND),
    7: (1.0, 1.0, 1.0, 0.0, 1.0, _SURROUND, _SURROUND),
    8: (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, _SURROUND, _SURROUND),
}
_TAPS_PER_PHASE = 16
_CHUNK = 128  # samples looked at together for what is between them


@dataclass(frozen=True, kw_only=True)
class Loudness:
    """Integrated loudness [LUFS] and true peak [dBTP] of a programme; None for silence."""

    integrated_lufs: float | None
    true_peak_dbtp: float | None

    @property
    def peak_to_loudness_db(self) -> float | None:
        """Largest true peak less integrated loudness [dB]."""
        if self.integrated_lufs is None or self.true_peak_dbtp is None:
            return None
        return self.true_peak_dbtp - self.integrated_lufs


class ChannelMeter:
    """Streams one channel: K-weighted mean square in steps of 100 ms, and the largest true peak so far."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._sections = _k_weighting(sample_rate_hz)
        self._state = np.zeros(6)  # the last two samples, and outputs of each stage
        self._step_length = max(1, round(_STEP_S * sample_rate_hz))
        self._energy = np.zeros(2)  # energy so far of the step under way, and its samples
        self._step_energies: list[NDArray[np.float64]] = []
        self._phases = _interpolation_phases(sample_rate_hz)
        self._bound = float(np.abs(self._phases).sum(axis=1).max()) if len(self._phases) else 0.0
        self._recent = np.zeros(_TAPS_PER_PHASE, dtype=np.float32)
        self.true_peak = 0.0
        self.sample_peak = 0.0

    def push(self, samples: NDArray[np.float32]) -> None:
        """Take the next samples, shape=(n,), full scale 1.0."""
        steps = int((self._energy[1] + len(samples)) // self._step_length)
        energies = np.empty(steps)
        _k_weighted_steps(samples, self._sections, self._state, self._step_length, self._energy, energies)
        self._step_energies.append(energies / self._step_length)
        self._find_peaks(samples)

    def _find_peaks(self, samples: NDArray[np.float32]) -> None:
        if not len(self._phases):
            self.sample_peak = self.true_peak = max(self.sample_peak, float(np.abs(samples).max(initial=0.0)))
            return
        joined = np.concatenate([self._recent, samples])
        found = _peaks(joined, self._phases, np.float32(self._bound), np.float32(self.true_peak))
        self.true_peak, self.sample_peak = float(found[0]), max(self.sample_peak, float(found[1]))
        self._recent = joined[-_TAPS_PER_PHASE:].copy()

    def finish(self) -> NDArray[np.float64]:
        """Mean squares of the 100 ms steps; runs the interpolator past the last sample."""
        self._find_peaks(np.zeros(_TAPS_PER_PHASE, dtype=np.float32))
        steps = np.concatenate([np.empty(0), *self._step_energies])
        length = len(steps) * self._step_length + self._energy[1]
        if len(steps) < _STEPS_PER_BLOCK and length > 0:
            # Shorter than one gating block: the whole of it stands for the block.
            energy = steps.sum() * self._step_length + self._energy[0]
            return np.full(_STEPS_PER_BLOCK, energy / length)
        return steps


def combine(meters: list[ChannelMeter]) -> Loudness:
    """Loudness of the programme whose channels these meters have heard to the end."""
    weights = _CHANNEL_WEIGHTS.get(len(meters), (1.0,) * len(meters))
    steps = sum(weight * meter.finish() for weight, meter in zip(weights, meters, strict=False))
    peak = max(meter.true_peak for meter in meters)
    true_peak_dbtp = 20.0 * math.log10(peak) if peak > 0.0 else None
    return Loudness(integrated_lufs=_gated_lufs(np.asarray(steps)), true_peak_dbtp=true_peak_dbtp)


def measure(samples: NDArray[np.floating], sample_rate_hz: int) -> Loudness:
    """Loudness of a programme that is already in memory.

    Parameters
    ----------
    samples : ndarray [shape=(n, channels)]
        Full scale 1.0.
    """
    meters = []
    for channel in np.asarray(samples, dtype=np.float32).reshape(len(samples), -1).T:
        meter = ChannelMeter(sample_rate_hz)
        meter.push(np.ascontiguousarray(channel))
        meters.append(meter)
    return combine(meters)


def _gated_lufs(step_mean_squares: NDArray[np.float64]) -> float | None:
    if len(step_mean_squares) < _STEPS_PER_BLOCK:
        return None
    blocks = np.convolve(step_mean_squares, np.full(_STEPS_PER_BLOCK, 1.0 / _STEPS_PER_BLOCK), mode="valid")
    loud = blocks[blocks > 10.0 ** ((_ABSOLUTE_GATE_LUFS - _OFFSET_LUFS) / 10.0)]
    if not len(loud):
        return None
    gated = loud[loud > loud.mean() * 10.0 ** (_RELATIVE_GATE_LU / 10.0)]
    return _OFFSET_LUFS + 10.0 * math.log10(float(gated.mean()))


def _k_weighting(sample_rate_hz: int) -> NDArray[np.float64]:
    from pyloudnorm import Meter

    # Below 4 kHz the shelf's corner leaves the band, and so does every tweeter: the weighting stays finite there.
    filters = Meter(sample_rate_hz, filter_class="DeMan")._filters.values()
    return np.array([[*stage.b, *stage.a[1:]] for stage in filters])


def _interpolation_phases(sample_rate_hz: int) -> NDArray[np.float32]:
    from scipy.signal import firwin

    factor = 4 if sample_rate_hz < 80_000 else 2 if sample_rate_hz < 160_000 else 1
    if factor == 1:
        return np.empty((0, _TAPS_PER_PHASE), dtype=np.float32)
    taps = firwin(factor * _TAPS_PER_PHASE + 1, 1.0 / factor, window=("kaiser", 5.0)) * factor
    # Phase 0 passes the samples themselves, which are looked at anyway.
    phases = [taps[k : k + factor * _TAPS_PER_PHASE : factor][::-1] for k in range(1, factor)]
    return np.array(phases, dtype=np.float32)


@compiled(fastmath={"contract"})
def _k_weighted_steps(samples, sections, state, step_length, energy, energies):  # type: ignore[no-untyped-def]
    # Direct form one, written so that each output waits for one multiplication only: twice as fast as the transposed.
    b10, b11, b12, a11, a12 = sections[0]
    b20, b21, b22, a21, a22 = sections[1]
    x1, x2, y1, y2, z1, z2 = state
    total, count = energy[0], int(energy[1])
    step = 0
    i = 0
    while i < len(samples):
        stop = min(len(samples), i + step_length - count)
        count += stop - i
        for value in samples[i:stop]:
            x = np.float64(value)
            y = (b10 * x + b11 * x1 + b12 * x2 - a12 * y2) - a11 * y1
            z = (b20 * y + b21 * y1 + b22 * y2 - a22 * z2) - a21 * z1
            x2, x1, y2, y1, z2, z1 = x1, x, y1, y, z1, z
            total += z * z
        i = stop
        # Outputs that fade into denormal numbers cost a hundred times as much as others.
        if abs(x1) + abs(y1) + abs(z1) + abs(x2) + abs(y2) + abs(z2) < 1e-25:
            y1 = y2 = z1 = z2 = 0.0
        if count == step_length:
            energies[step] = total
            step += 1
            total, count = 0.0, 0
    state[:] = x1, x2, y1, y2, z1, z2
    energy[0], energy[1] = total, count


@compiled(fastmath=True)
def _peaks(joined, phases, bound, true_peak):  # type: ignore[no-untyped-def]
    """Largest value at or between the samples, if larger than `true_peak`, and the largest at the samples."""
    sample_peak = largest_magnitude(joined)
    best = max(np.float32(true_peak), sample_peak)
    window = np.zeros(_CHUNK + _TAPS_PER_PHASE + _CHUNK, np.float32)
    for start in range(0, len(joined) - _TAPS_PER_PHASE + 1, _CHUNK):
        chunk = joined[start : start + _CHUNK + _TAPS_PER_PHASE - 1]
        # No point between samples can exceed the best so far while all samples under the interpolator are this small.
        if largest_magnitude(chunk) * bound > best:
            best = max(best, _largest_between(chunk, phases, window))
    return best, sample_peak


@compiled(fastmath=True)
def _largest_between(chunk, phases, window):  # type: ignore[no-untyped-def]
    """Largest of all points between the samples; `window` is room for samples, and for values behind them."""
    best = np.float32(0.0)
    values = _CHUNK + _TAPS_PER_PHASE
    window[: len(chunk)] = chunk
    window[len(chunk) : values] = 0.0
    for phase in range(phases.shape[0]):
        window[values:] = 0.0
        for tap in range(0, _TAPS_PER_PHASE, 4):
            w0, w1, w2, w3 = phases[phase, tap], phases[phase, tap + 1], phases[phase, tap + 2], phases[phase, tap + 3]
            for k in range(_CHUNK):
                window[values + k] += (
                    window[tap + k] * w0
                    + window[tap + 1 + k] * w1
                    + window[tap + 2 + k] * w2
                    + window[tap + 3 + k] * w3
                )
        best = max(best, largest_magnitude(window[values : values + len(chunk) - _TAPS_PER_PHASE + 1]))
    return best
