"""Programme loudness and true peak, by ITU-R BS.1770 and EBU R 128.

The weighting filters are those the recommendation prints for 48 kHz, carried over to other rates. They are streamed
here, and gated as the recommendation says: 400 ms blocks, 75 % overlap, gates at -70 LUFS and 10 LU below the ungated
mean. Libraries for it want a whole file in memory, and scipy's filter design, on which they stand, takes 50 MB itself;
they serve as references in the tests.

True peak is the largest sample after at least fourfold oversampling (twofold from 80 kHz, none from 160 kHz), found
with the interpolation filter only where the samples nearby are large enough to matter: exact, and far cheaper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.arrays import drain
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
_PRINTED_RATE_HZ = 48_000.0
# Coefficients of 1, 1/z, 1/z^2 to those of 1, u, u^2 after multiplication by (1 + u)^2.
_TO_BILINEAR = np.array([[1.0, 1.0, 1.0], [2.0, 0.0, -2.0], [1.0, -1.0, 1.0]])
_TAPS_PER_PHASE = 16
_KAISER_BETA = 5.0
_CHUNK = 256  # samples looked at together for what is between them
# Filtered in one run; stretches side by side, a multiple of a processor's vector; samples of each in its first cache.
_STEPS_AT_ONCE, _LANES, _TILE = 64, 16, 64


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
        self._step_length = max(_TAPS_PER_PHASE, round(_STEP_S * sample_rate_hz))
        # One step before those to come, in which the filters settle: of what was earlier 1e-9 is left.
        self._buffer = np.zeros((1 + _STEPS_AT_ONCE) * self._step_length, dtype=np.float32)
        self._filled = self._step_length
        self._step_energies: list[NDArray[np.float64]] = []
        self._mean_squares: NDArray[np.float64] | None = None
        self._phases = _interpolation_phases(sample_rate_hz)
        self._bound = np.float32(np.abs(self._phases).sum(axis=1).max(initial=0.0))
        self.true_peak = 0.0
        self.sample_peak = 0.0

    def push(self, samples: NDArray[np.float32]) -> None:
        """Take the next samples, shape=(n,), full scale 1.0."""
        while len(samples):
            taken = samples[: len(self._buffer) - self._filled]
            self._buffer[self._filled : self._filled + len(taken)] = taken
            self._filled += len(taken)
            samples = samples[len(taken) :]
            if self._filled == len(self._buffer):
                self._find_peaks(self._buffer)
                self._step_energies.append(self._energies(self._buffer, _STEPS_AT_ONCE, self._step_length))
                self._buffer[: self._step_length] = self._buffer[-self._step_length :]
                self._filled = self._step_length

    def _energies(self, samples: NDArray[np.float32], steps: int, step_length: int) -> NDArray[np.float64]:
        """Energies of steps that begin one `_step_length` behind the first of the samples."""
        energies = np.zeros(steps)
        if steps:
            _k_weighted_energies(samples, self._sections, self._step_length, step_length, energies)
        return energies

    def _find_peaks(self, samples: NDArray[np.float32]) -> None:
        """Look at all samples behind the first `_step_length`, and between them and those before."""
        new = samples[self._step_length - _TAPS_PER_PHASE :]
        found = _peaks(new, self._phases, self._bound, np.float32(self.true_peak))
        self.true_peak, self.sample_peak = float(found[0]), max(self.sample_peak, float(found[1]))

    def finish(self) -> NDArray[np.float64]:
        """Mean squares of the 100 ms steps; runs the interpolator past the last sample."""
        if self._mean_squares is None:
            held = self._buffer[: self._filled]
            self._find_peaks(np.append(held, np.zeros(_TAPS_PER_PHASE, dtype=np.float32)))
            steps, rest = divmod(len(held) - self._step_length, self._step_length)
            self._step_energies.append(self._energies(held, steps, self._step_length))
            energies = drain(self._step_energies, np.empty(0))
            if len(energies) < _STEPS_PER_BLOCK and len(energies) + rest > 0:
                # Shorter than one gating block: the whole of it stands for the block.
                whole = energies.sum() + self._energies(held[steps * self._step_length :], int(rest > 0), rest).sum()
                energies = np.full(_STEPS_PER_BLOCK, whole * self._step_length / (len(held) - self._step_length))
            self._mean_squares = energies / self._step_length
        return self._mean_squares


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
    """The two stages at any rate; rows of b0 b1 b2 a1 a2."""
    stages = (published.BS1770_STAGE_1.value, published.BS1770_STAGE_2.value)
    return np.array([_at_rate(np.array(b), np.array(a), sample_rate_hz) for b, a in stages])


def _at_rate(b: NDArray[np.float64], a: NDArray[np.float64], sample_rate_hz: int) -> NDArray[np.float64]:
    """A stage printed for 48 kHz as five coefficients for another rate.

    As a polynomial in u = (1 - 1/z) / (1 + 1/z) a stage is its analogue model in s, but for the scale of frequency,
    which is chosen so that the model's own corner stays where it is.
    """
    top, bottom = _TO_BILINEAR @ b, _TO_BILINEAR @ a
    printed = math.sqrt(bottom[0] / bottom[2])  # u at the corner, which is tan(pi * frequency / rate)
    wanted = math.tan(math.atan(printed) * _PRINTED_RATE_HZ / sample_rate_hz)
    scale = (printed / wanted) ** np.arange(3)
    high_pass = top[0] == 0.0
    top, bottom = (np.linalg.solve(_TO_BILINEAR, each * scale) for each in (top, bottom))
    # The high-pass keeps its printed numerator, as the recommendation's own offset counts its gain in.
    return np.array([*(b if high_pass else top / bottom[0]), *(bottom[1:] / bottom[0])])


def _interpolation_phases(sample_rate_hz: int) -> NDArray[np.float32]:
    factor = 4 if sample_rate_hz < 80_000 else 2 if sample_rate_hz < 160_000 else 1
    if factor == 1:
        return np.empty((0, _TAPS_PER_PHASE), dtype=np.float32)
    middle = factor * _TAPS_PER_PHASE // 2
    taps = np.sinc(np.arange(-middle, middle + 1) / factor) * np.kaiser(2 * middle + 1, _KAISER_BETA)
    taps *= factor / taps.sum()
    # Phase 0 passes the samples themselves, which are looked at anyway.
    phases = [taps[k : k + factor * _TAPS_PER_PHASE : factor][::-1] for k in range(1, factor)]
    return np.array(phases, dtype=np.float32)


# What is kept of each stretch: energy of what comes out, and two states of each filter section.
_ENERGY, _S1, _S2, _S3, _S4, _KEPT = range(6)


@compiled()
def _k_weighted_energies(samples, sections, lead, step_length, energies):  # type: ignore[no-untyped-def]
    """Energy of each step behind K-weighting; the first begins `lead` behind the first of the samples.

    Stretches far apart are worked on side by side, so that each instruction of the processor serves several. Each
    begins with filters at rest, which have the `lead` before it to settle.
    """
    steps = len(energies)
    in_a_row = (steps + _LANES - 1) // _LANES
    # The last stretches may overlap: what is found twice is the same.
    first = np.minimum(np.arange(_LANES) * in_a_row, steps - in_a_row)
    tile, kept = np.zeros((_TILE, _LANES)), np.zeros((_KEPT, _LANES))
    _pass_through(samples, first * step_length, lead, sections, kept, tile)
    for step in range(in_a_row):
        kept[_ENERGY] = 0.0
        _pass_through(samples, lead + (first + step) * step_length, step_length, sections, kept, tile)
        energies[first + step] = kept[_ENERGY]


@compiled()
def _pass_through(samples, starts, length, sections, kept, tile):  # type: ignore[no-untyped-def]
    """Filter `length` samples from each of `starts`."""
    for begin in range(0, length, _TILE):
        count = min(_TILE, length - begin)
        for lane in range(_LANES):
            stretch = samples[starts[lane] + begin : starts[lane] + begin + count]
            for i in range(count):
                tile[i, lane] = stretch[i]
        _k_weight(tile[:count], sections, kept)


@compiled(fastmath={"contract"})
def _k_weight(tile, sections, kept):  # type: ignore[no-untyped-def]
    b10, b11, b12, a11, a12 = sections[0]
    b20, b21, b22, a21, a22 = sections[1]
    for i in range(len(tile)):
        row = tile[i]
        for lane in range(_LANES):
            x = row[lane]
            y = b10 * x + kept[_S1, lane]
            kept[_S1, lane] = b11 * x - a11 * y + kept[_S2, lane]
            kept[_S2, lane] = b12 * x - a12 * y
            z = b20 * y + kept[_S3, lane]
            kept[_S3, lane] = b21 * y - a21 * z + kept[_S4, lane]
            kept[_S4, lane] = b22 * y - a22 * z
            kept[_ENERGY, lane] += z * z


@compiled(fastmath=True)
def _peaks(samples, phases, bound, true_peak):  # type: ignore[no-untyped-def]
    """Largest value at or between the samples, if larger than `true_peak`, and the largest at the samples.

    The first of the samples, as many as an interpolator spans, were looked at before.
    """
    sample_peak, best = np.float32(0.0), np.float32(true_peak)
    values = np.empty(_CHUNK, np.float32)
    for start in range(0, len(samples), _CHUNK):
        # What reaches past the end is looked at in the next run, or at the end with silence behind it.
        chunk = samples[start : start + _CHUNK + _TAPS_PER_PHASE]
        largest = largest_magnitude(chunk)
        sample_peak = max(sample_peak, largest)
        best = max(best, largest)
        # No point between samples can exceed the best so far while all samples under the interpolator are this small.
        if largest * bound > best:
            best = max(best, _largest_between(chunk, phases, values))
    return best, sample_peak


@compiled(fastmath=True)
def _largest_between(samples, phases, values):  # type: ignore[no-untyped-def]
    """Largest of all points between the samples; `values` is room for as many as there are of them."""
    largest = np.float32(0.0)
    count = max(len(samples) - _TAPS_PER_PHASE + 1, 0)
    for phase in range(phases.shape[0]):
        w0, w1, w2, w3, w4, w5, w6, w7 = _eight(phases[phase, :8])
        v0, v1, v2, v3, v4, v5, v6, v7 = _eight(phases[phase, 8:])
        for k in range(min(count, _CHUNK)):
            values[k] = (
                w0 * samples[k]
                + w1 * samples[k + 1]
                + w2 * samples[k + 2]
                + w3 * samples[k + 3]
                + w4 * samples[k + 4]
                + w5 * samples[k + 5]
                + w6 * samples[k + 6]
                + w7 * samples[k + 7]
                + v0 * samples[k + 8]
                + v1 * samples[k + 9]
                + v2 * samples[k + 10]
                + v3 * samples[k + 11]
                + v4 * samples[k + 12]
                + v5 * samples[k + 13]
                + v6 * samples[k + 14]
                + v7 * samples[k + 15]
            )
        largest = max(largest, largest_magnitude(values[: min(count, _CHUNK)]))
    return largest


@compiled()
def _eight(w):  # type: ignore[no-untyped-def]
    return w[0], w[1], w[2], w[3], w[4], w[5], w[6], w[7]
