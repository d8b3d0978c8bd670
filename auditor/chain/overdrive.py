"""How the HF branch would change at other gains, while the amplifier clips more or less than it does now.

Why it exists: the margin asks what happens at a level nobody has played yet. While the amplifier stays within its rails
everything scales with the gain; beyond them the samples must be clipped again. Decoding the file again for every trial
would take several times as long as the audit, so the samples are clipped at a *ladder* of gains as they pass by.

Each rung is high-passed by a recursive filter of the crossover's alignment, all rungs side by side. Such a filter is up
to 0.2 dB off near half the sampling rate, so its figures are used only as ratios: a rung's energy over that of the
present gain scaled up. The ratio multiplies the exact figures of `auditor.chain.splitter`; it is 1 where nothing
clips. Energies come out within a few hundredths of a decibel that way; peaks are more delicate, up to 0.8 dB
off. So whoever needs the peaks of certain rows exactly brings their samples along (`WishedRow`).

Range: from the gain at which a full-scale sample no longer clips to 20 dB above the present one, or above the gain at
which a full-scale sample begins to clip if that is higher.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.arrays import drain
from auditor.chain.crossover import settling_s
from auditor.chain.equivalent import equivalent_high_pass
from auditor.chain.splitter import branch_voltage
from auditor.kernels import compiled, largest_magnitude

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.rig import Crossover

HIGHEST_DB = 20.0  # above the onset of clipping or the present gain
# Close together where clipping begins to tell, ever wider where the amplifier is all but a square-wave generator: the
# last step is about four times the first. What lies between is interpolated to a few hundredths of a decibel.
_WIDENING = 1.6
_RANGE_OF_A_VECTOR_DB = 21.0  # what eight rungs cover
# How the level of a row departs from plain scaling just after it begins to clip: a clipped sine's goes with this power
# of the decibels above the onset.
_LEVEL_EXPONENT = 1.4
_DOWNWARD_STEP_DB = 2.0  # about
_RUNGS_PER_VECTOR = 8  # the count of rungs is a multiple of this, so that they fill the processor's vectors
FRAMES_PER_ROW = 8  # about 50 ms: shorter than any rating window, several times cheaper than every frame
_SETTLE_PERIODS = 8.0


@dataclass(frozen=True, kw_only=True)
class WishedRow:
    """Samples of one row of frames, for its peaks to be worked out exactly.

    wished_v : ndarray [shape=(n,)]
        What an amplifier without rails would deliver at the present gain [V], from `OverdriveLadder.lead` samples
        before the row to as many after it, so that cutting it out is not heard inside.
    """

    row: int
    wished_v: NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class OverdriveLadder:
    """Departure of the HF branch from plain scaling, per row of frames and rung of gain.

    gain_db : ndarray [shape=(rungs,)]
        Gain changes of the rungs, ascending [dB].
    level_db, peak_db : ndarray [shape=(rows, rungs)] float16
        rms and peak level over what plain scaling from the present gain would give [dB].
    onset_db : ndarray [shape=(rows,)] float32
        Gain change from which on the row clips [dB].
    lead : int
        Samples in which the crossover forgets what was before.
    frame_length, frames_per_row : int
        Samples in a frame, and frames in a row.
    """

    gain_db: NDArray[np.float64]
    level_db: NDArray[np.float16]
    peak_db: NDArray[np.float16]
    onset_db: NDArray[np.float32]
    lead: int
    frame_length: int
    sample_rate_hz: int
    rail_v: float
    crossover: Crossover
    frames_per_row: int = FRAMES_PER_ROW

    @property
    def highest_gain_db(self) -> float:
        """Largest gain change that can be asked for [dB]."""
        return float(self.gain_db[-1])

    @property
    def by_rows(self) -> OverdriveLadder:
        """The same for frames that are as long as a row."""
        return replace(self, frame_length=self.row_length, frames_per_row=1)

    @property
    def row_length(self) -> int:
        """Samples in a row."""
        return self.frames_per_row * self.frame_length

    def departs(self, row: int, gain_db: float) -> bool:
        """Whether clipping changes this row at that gain, so that its peaks are not exact."""
        return bool(max(gain_db, 0.0) > self.onset_db[row])

    def frames_at(self, frames: HfFrames, gain_db: float, exact: Iterable[WishedRow] = ()) -> HfFrames:
        """HF frames at a gain change of `gain_db` from the present level, the peaks of some rows exactly."""
        scale = np.float32(10.0 ** (gain_db / 20.0))
        rms_v, peak_v = frames.rms_v * scale, frames.peak_v * scale
        if max(gain_db, 0.0) > self.onset_db.min(initial=math.inf):
            rms_v *= self._ratio(self.level_db, gain_db, len(rms_v), points=3, exponent=_LEVEL_EXPONENT)
            peak_v *= self._ratio(self.peak_db, gain_db, len(peak_v), points=2, exponent=1.0)
        for row in exact:
            here = peak_v[row.row * self.frames_per_row : (row.row + 1) * self.frames_per_row]
            here[:] = self._exact_peaks_v(row, scale)[: len(here)]
        return replace(frames, rms_v=rms_v, peak_v=peak_v)

    def _ratio(
        self, rows_db: NDArray[np.float16], gain_db: float, frames: int, *, points: int, exponent: float
    ) -> NDArray[np.float32]:
        """Departure at a gain between rungs as a ratio of voltages, frame by frame."""
        gain_db = min(max(gain_db, float(self.gain_db[0])), float(self.gain_db[-1]))
        above = max(int(np.searchsorted(self.gain_db, gain_db)), 1)
        weights = _weights(self.gain_db, gain_db, above, points)
        used = np.flatnonzero(weights)
        departure_db = rows_db[:, used].astype(np.float32) @ weights[used]
        # A row that begins to clip between the two rungs departs from there on, not from the rung below.
        late = self.onset_db > self.gain_db[above - 1]
        way = (gain_db - self.onset_db[late]) / np.maximum(self.gain_db[above] - self.onset_db[late], 1e-3)
        low_db, high_db = rows_db[late, above - 1].astype(np.float32), rows_db[late, above].astype(np.float32)
        departure_db[late] = low_db + (high_db - low_db) * np.clip(way, 0.0, 1.0) ** exponent
        ratio = np.power(np.float32(10.0), departure_db / 20, dtype=np.float32)
        return np.repeat(ratio, self.frames_per_row)[:frames]

    def _exact_peaks_v(self, row: WishedRow, scale: np.float32) -> NDArray[np.float32]:
        clipped_v = np.clip(row.wished_v * scale, -self.rail_v, self.rail_v)
        branch_v = branch_voltage(clipped_v, self.sample_rate_hz, self.crossover)
        inside_v = np.abs(branch_v[self.lead : self.lead + self.row_length])
        peaks_v: NDArray[np.float32] = inside_v.reshape(self.frames_per_row, -1).max(axis=1)
        return peaks_v


def _weights(rungs_db: NDArray[np.float64], gain_db: float, above: int, points: int) -> NDArray[np.float32]:
    """Lagrange's weights of each rung at a gain just under rung `above`, from the nearest `points` rungs."""
    first = min(max(above - (points + 1) // 2, 0), len(rungs_db) - points)
    near = rungs_db[first : first + points]
    weights = np.zeros(len(rungs_db), dtype=np.float32)
    for index in range(points):
        others = np.delete(near, index)
        weights[first + index] = np.prod((gain_db - others) / (near[index] - others))
    return weights


class LadderBuilder:
    """Streams one channel's wished-for amplifier output into an `OverdriveLadder`.

    Parameters
    ----------
    sample_rate_hz : int
    crossover : Crossover
    rail_v : float
        Amplifier rail [V].
    full_scale_peak_v : float
        Voltage of a full-scale sample at the present gain [V].
    headroom_db : float
        How far beyond full scale samples may go: nought for whole numbers, some decibels for a lossy or floating file.
    frame_length : int
        Samples in a splitter frame.
    """

    def __init__(
        self,
        sample_rate_hz: int,
        crossover: Crossover,
        *,
        rail_v: float,
        full_scale_peak_v: float,
        frame_length: int,
        headroom_db: float = 0.0,
    ) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._crossover = crossover
        self._frame_length = frame_length
        self._rail_v = np.float32(rail_v)
        self.gain_db = _rung_gains_db(full_scale_peak_v / rail_v, headroom_db)
        self._gains = (10.0 ** (self.gain_db / 20.0)).astype(np.float32)
        self._present = int(np.argmin(np.abs(self.gain_db)))
        self._sections = _high_pass_sections(equivalent_high_pass(crossover), sample_rate_hz)
        self._climb = _climber(len(self.gain_db), len(self._sections) == 4)
        self._row_length = frame_length * FRAMES_PER_ROW
        settle_s = _SETTLE_PERIODS / max(crossover.frequency_hz, 100.0)
        if crossover.network is not None:
            settle_s = max(settle_s, settling_s(crossover))
        self._lead = math.ceil(settle_s * sample_rate_hz)
        self._waiting = np.zeros(self._lead, dtype=np.float32)
        self._levels_db: list[NDArray[np.float16]] = []
        self._peaks_db: list[NDArray[np.float16]] = []
        self._onsets_db: list[NDArray[np.float32]] = []

    def push(self, wished_v: NDArray[np.float32]) -> None:
        """Take the next samples before clipping, shape=(n,) [V]."""
        self._waiting = np.concatenate([self._waiting, wished_v])
        rows = (len(self._waiting) - 2 * self._lead) // self._row_length
        if rows > 0:
            self._work(rows)
            self._waiting = self._waiting[rows * self._row_length :].copy()

    def finish(self) -> OverdriveLadder:
        """Flush the last, incomplete row."""
        rows = -(-(len(self._waiting) - self._lead) // self._row_length)
        if rows > 0:
            short = rows * self._row_length + 2 * self._lead - len(self._waiting)
            self._waiting = np.concatenate([self._waiting, np.zeros(short, dtype=np.float32)])
            self._work(rows)
        none = np.empty((0, len(self.gain_db)), dtype=np.float16)
        return OverdriveLadder(
            gain_db=self.gain_db,
            level_db=drain(self._levels_db, none),
            peak_db=drain(self._peaks_db, none),
            onset_db=drain(self._onsets_db, np.empty(0, dtype=np.float32)),
            lead=self._lead,
            frame_length=self._frame_length,
            sample_rate_hz=self._sample_rate_hz,
            rail_v=float(self._rail_v),
            crossover=self._crossover,
        )

    def _work(self, rows: int) -> None:
        shape = (rows, len(self.gain_db))
        energy, peak_v = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
        wished_peak_v = np.empty(rows, dtype=np.float32)
        self._climb(
            self._waiting,
            self._row_length,
            self._lead,
            self._gains,
            self._rail_v,
            self._sections,
            energy,
            peak_v,
            wished_peak_v,
        )
        self._onsets_db.append(20 * np.log10(self._rail_v / np.maximum(wished_peak_v, np.float32(1e-12))))
        scale = self._gains / self._gains[self._present]
        self._levels_db.append(10 * _log_ratio(energy, energy[:, [self._present]] * np.square(scale)))
        self._peaks_db.append(20 * _log_ratio(peak_v, peak_v[:, [self._present]] * scale))


def _log_ratio(values: NDArray[np.float32], plain: NDArray[np.float32]) -> NDArray[np.float16]:
    """log10 of what came over what plain scaling would have given; 0 where there is nothing to compare."""
    ratio = np.divide(values, plain, out=np.ones_like(values), where=plain > 0.0)
    return np.log10(np.maximum(ratio, np.float32(1e-12))).astype(np.float16)


def _rung_gains_db(full_scale_over_rail: float, headroom_db: float) -> NDArray[np.float64]:
    """Rungs over the range, ascending, one of them exactly at 0 dB and their count a multiple of a vector's."""
    onset_db = -20.0 * math.log10(full_scale_over_rail)
    first_db, highest_db = onset_db - headroom_db, max(onset_db, 0.0) + HIGHEST_DB
    steps = _RUNGS_PER_VECTOR * math.ceil((highest_db - max(first_db, 0.0)) / _RANGE_OF_A_VECTOR_DB) - 1
    if abs(first_db) < 1e-6:
        return _upward_db(0.0, highest_db, steps)
    if first_db > 0.0:
        return np.array([0.0, *_upward_db(first_db, highest_db, steps - 1)])
    down = math.ceil(-first_db / _DOWNWARD_STEP_DB)
    if down == 1:
        return np.array([first_db, *_upward_db(0.0, highest_db, steps - 1)])
    down = -(-down // _RUNGS_PER_VECTOR) * _RUNGS_PER_VECTOR  # as many as fit for the same cost
    return np.concatenate([np.linspace(first_db, 0.0, down + 1)[:-1], _upward_db(0.0, highest_db, steps)])


def _upward_db(lowest_db: float, highest_db: float, steps: int) -> NDArray[np.float64]:
    share = np.expm1(_WIDENING * np.linspace(0.0, 1.0, steps + 1)) / math.expm1(_WIDENING)
    return lowest_db + (highest_db - lowest_db) * share


def _high_pass_sections(crossover: Crossover, sample_rate_hz: int) -> NDArray[np.float32]:
    """The alignment as two recursive sections, or four for orders above four; rows of b0 b1 b2 a1 a2."""
    from scipy.signal import bilinear_zpk, zpk2sos

    from auditor.chain.crossover import high_pass_poles

    # Above the file's band there is nothing to compare; the corner is kept just inside it.
    corner_hz = min(crossover.frequency_hz, 0.45 * sample_rate_hz)
    warped = 2.0 * sample_rate_hz * math.tan(math.pi * corner_hz / sample_rate_hz)
    poles = np.array(high_pass_poles(crossover)) * warped
    sections = np.zeros((2 if len(poles) <= 4 else 4, 6))
    sections[:, [0, 3]] = 1.0
    if len(poles):
        designed = zpk2sos(*bilinear_zpk(np.zeros(len(poles)), poles, 1.0, sample_rate_hz))
        sections[: len(designed)] = designed
    return np.ascontiguousarray(sections[:, [0, 1, 2, 4, 5]], dtype=np.float32)


# What is kept for each rung, column after column in one buffer. Arrays of their own would look to the compiler as if
# they might overlap; in one buffer it sees that they do not, and works on all rungs at once: three times as fast.
_GAIN, _ENERGY, _PEAK, _FIRST_STATE, _COLUMNS = 0, 1, 2, 3, 11


@functools.cache
def _climber(rungs: int, four: bool) -> Any:
    """The kernel for a count of rungs, with two filter sections or four.

    Both are constants to the compiler: a choice inside its innermost loop would halve its speed.
    """
    gain, energy, peak = _GAIN * rungs, _ENERGY * rungs, _PEAK * rungs
    s1, s2, s3, s4, s5, s6, s7, s8 = (rungs * (_FIRST_STATE + state) for state in range(8))

    size = _COLUMNS * rungs

    @compiled(fastmath=True)
    def climb(wished_v, row_length, lead, gains, rail_v, sections, energies, peaks, wished_peaks):  # type: ignore[no-untyped-def]
        b10, b11, b12, a11, a12 = sections[0]
        b20, b21, b22, a21, a22 = sections[1]
        b30, b31, b32, a31, a32 = sections[-2]
        b40, b41, b42, a41, a42 = sections[-1]
        kept = np.empty(2 * size, np.float32)
        rows = energies.shape[0]
        for pair in range((rows + 1) // 2):
            # Two rows at a time: while one waits for its own last output, the other is worked on.
            first, second = 2 * pair, min(2 * pair + 1, rows - 1)
            for row in (first, second):
                wished_peaks[row] = largest_magnitude(wished_v[row * row_length : (row + 1) * row_length + lead])
            if max(wished_peaks[first], wished_peaks[second]) * gains[rungs - 1] <= rail_v:
                continue  # nothing clips on any rung: plain scaling holds
            kept[:] = 0.0
            kept[gain:energy] = gains
            kept[size + gain : size + energy] = gains
            for i in range(row_length + lead):
                if i == lead:  # the filters have settled: what counts starts here
                    kept[energy:s1] = 0.0
                    kept[size + energy : size + s1] = 0.0
                for half in range(2):
                    base = half * size
                    wished = wished_v[(second if half else first) * row_length + i]
                    for k in range(base, base + rungs):
                        x = min(max(wished * kept[gain + k], -rail_v), rail_v)
                        y = b10 * x + kept[s1 + k]
                        kept[s1 + k] = b11 * x - a11 * y + kept[s2 + k]
                        kept[s2 + k] = b12 * x - a12 * y
                        z = b20 * y + kept[s3 + k]
                        kept[s3 + k] = b21 * y - a21 * z + kept[s4 + k]
                        kept[s4 + k] = b22 * y - a22 * z
                        if four:
                            y = b30 * z + kept[s5 + k]
                            kept[s5 + k] = b31 * z - a31 * y + kept[s6 + k]
                            kept[s6 + k] = b32 * z - a32 * y
                            z = b40 * y + kept[s7 + k]
                            kept[s7 + k] = b41 * y - a41 * z + kept[s8 + k]
                            kept[s8 + k] = b42 * y - a42 * z
                        kept[energy + k] += z * z
                        kept[peak + k] = max(kept[peak + k], abs(z))
            energies[first], peaks[first] = kept[energy:peak], kept[peak:s1]
            energies[second], peaks[second] = kept[size + energy : size + peak], kept[size + peak : size + s1]

    return climb
