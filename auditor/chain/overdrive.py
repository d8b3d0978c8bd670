"""How the HF branch would change at other gains, while the amplifier clips more or less than it does now.

Why it exists: the margin asks what happens at a level nobody has played yet. While the amplifier stays within its rails
everything scales with the gain; beyond them the samples must be clipped again. Decoding the file again for every trial
would take several times as long as the audit, so the samples are clipped at a *ladder* of gains as they pass by.

Each rung is high-passed by a recursive filter of the crossover's alignment, many rows side by side. Such a filter is up
to 0.2 dB off near half the sampling rate, so its figures are used only as ratios: a rung's energy over that of the
present gain scaled up. The ratio multiplies the exact figures of `auditor.chain.splitter`; it is 1 where nothing
clips. Energies come out within a few hundredths of a decibel that way; peaks are more delicate, up to 0.8 dB
off. So whoever needs the peaks of certain rows exactly brings their samples along (`WishedRow`).

Range: from the gain at which a full-scale sample no longer clips to 20 dB above the present one, or above the gain at
which a full-scale sample begins to clip if that is higher.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.arrays import Gathered
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
_REAL = 1e-9  # imaginary part of a pole, up to which it is a real one
_NEXT_TO_NOTHING = np.float32(1e-12)
# The inner loop: rows side by side, samples of each that it looks at together, and those that stay in the first cache.
_LANES, _AT_ONCE, _TILE = 32, 4, 128


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

    @property
    def highest_gain_db(self) -> float:
        """Largest gain change that can be asked for [dB]."""
        return float(self.gain_db[-1])

    @property
    def row_length(self) -> int:
        """Samples in a row."""
        return FRAMES_PER_ROW * self.frame_length

    def departs(self, row: int, gain_db: float) -> bool:
        """Whether clipping changes this row at that gain, so that its peaks are not exact."""
        return bool(max(gain_db, 0.0) > self.onset_db[row])

    def frames_at(self, frames: HfFrames, gain_db: float, exact: Iterable[WishedRow] = ()) -> HfFrames:
        """HF frames at a gain change of `gain_db` from the present level, the peaks of some rows exactly."""
        scale = np.float32(10.0 ** (gain_db / 20.0))
        rms_v, peak_v = frames.rms_v * scale, frames.peak_v * scale
        if max(gain_db, 0.0) > self.onset_db.min(initial=math.inf):
            _multiply(rms_v, self._ratio(self.level_db, gain_db, points=3, exponent=_LEVEL_EXPONENT))
            _multiply(peak_v, self._ratio(self.peak_db, gain_db, points=2, exponent=1.0))
        for row in exact:
            here = peak_v[row.row * FRAMES_PER_ROW : (row.row + 1) * FRAMES_PER_ROW]
            here[:] = self._exact_peaks_v(row, scale)[: len(here)]
        return replace(frames, rms_v=rms_v, peak_v=peak_v)

    def _ratio(
        self, rows_db: NDArray[np.float16], gain_db: float, *, points: int, exponent: float
    ) -> NDArray[np.float32]:
        """Departure at a gain between rungs as a ratio of voltages, row by row."""
        gain_db = min(max(gain_db, float(self.gain_db[0])), float(self.gain_db[-1]))
        above = max(int(np.searchsorted(self.gain_db, gain_db)), 1)
        weights = _weights(self.gain_db, gain_db, above, points)
        used = np.flatnonzero(weights)
        departure_db = np.zeros(len(rows_db), dtype=np.float32)
        for rung in used:
            departure_db += rows_db[:, rung] * weights[rung]
        # A row that begins to clip between the two rungs departs from there on, not from the rung below.
        late = self.onset_db > self.gain_db[above - 1]
        way = (gain_db - self.onset_db[late]) / np.maximum(self.gain_db[above] - self.onset_db[late], 1e-3)
        low_db, high_db = rows_db[late, above - 1].astype(np.float32), rows_db[late, above].astype(np.float32)
        departure_db[late] = low_db + (high_db - low_db) * np.clip(way, 0.0, 1.0) ** exponent
        ratio: NDArray[np.float32] = np.power(np.float32(10.0), departure_db / 20, dtype=np.float32)
        return ratio

    def _exact_peaks_v(self, row: WishedRow, scale: np.float32) -> NDArray[np.float32]:
        clipped_v = np.clip(row.wished_v * scale, -self.rail_v, self.rail_v)
        branch_v = branch_voltage(clipped_v, self.sample_rate_hz, self.crossover)
        inside_v = np.abs(branch_v[self.lead : self.lead + self.row_length])
        peaks_v: NDArray[np.float32] = inside_v.reshape(FRAMES_PER_ROW, -1).max(axis=1)
        return peaks_v


def _multiply(frames_v: NDArray[np.float32], ratio: NDArray[np.float32]) -> None:
    """Multiply frames by the ratio of their row, in place: an array of it for each frame would be as large as they."""
    rows, rest = divmod(len(frames_v), FRAMES_PER_ROW)
    whole_v = frames_v[: len(frames_v) - rest].reshape(rows, FRAMES_PER_ROW)
    whole_v *= ratio[:rows, None]
    if rest:
        frames_v[-rest:] *= ratio[rows]


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
    unit_v : float
        What a value of 1.0 pushed is in volts.
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
        unit_v: float = 1.0,
    ) -> None:
        self._sample_rate_hz = sample_rate_hz
        self._crossover = crossover
        self._frame_length = frame_length
        self._rail_v = rail_v
        self.gain_db = _rung_gains_db(full_scale_peak_v / rail_v, headroom_db)
        self._limits = (rail_v / unit_v / 10.0 ** (self.gain_db / 20.0)).astype(np.float32)
        self._present = int(np.argmin(np.abs(self.gain_db)))
        self._sections = _high_pass_sections(equivalent_high_pass(crossover), sample_rate_hz)
        self._row_length = frame_length * FRAMES_PER_ROW
        settle_s = _SETTLE_PERIODS / max(crossover.frequency_hz, 100.0)
        if crossover.network is not None:
            settle_s = max(settle_s, settling_s(crossover))
        self._lead = math.ceil(settle_s * sample_rate_hz / _AT_ONCE) * _AT_ONCE
        self._waiting = np.zeros(self._lead, dtype=np.float32)
        self._levels_db = Gathered(self.gain_db.shape, np.float16)
        self._peaks_db = Gathered(self.gain_db.shape, np.float16)
        self._onsets_db = Gathered((), np.float32)

    def push(self, wished: NDArray[np.float32]) -> None:
        """Take the next samples before clipping, shape=(n,), in units of `unit_v`."""
        self._waiting = np.concatenate([self._waiting, wished])
        rows = (len(self._waiting) - self._lead) // self._row_length // _LANES * _LANES
        if rows > 0:
            self._work(rows)
            self._waiting = self._waiting[rows * self._row_length :].copy()

    def finish(self) -> OverdriveLadder:
        """Flush the last, incomplete row."""
        rows = -(-(len(self._waiting) - self._lead) // self._row_length)
        if rows > 0:
            short = rows * self._row_length + self._lead - len(self._waiting)
            self._waiting = np.concatenate([self._waiting, np.zeros(short, dtype=np.float32)])
            self._work(rows)
        return OverdriveLadder(
            gain_db=self.gain_db,
            level_db=self._levels_db.take(),
            peak_db=self._peaks_db.take(),
            onset_db=self._onsets_db.take(),
            lead=self._lead,
            frame_length=self._frame_length,
            sample_rate_hz=self._sample_rate_hz,
            rail_v=self._rail_v,
            crossover=self._crossover,
        )

    def _work(self, rows: int) -> None:
        shape = (rows, len(self.gain_db))
        energy, peak = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
        wished_peak = np.empty(rows, dtype=np.float32)
        _climb(self._waiting, self._row_length, self._lead, self._limits, self._sections, energy, peak, wished_peak)
        # As the samples were clipped before the gain and not after it, plain scaling leaves them as they are.
        self._onsets_db.add(20 * np.log10(self._limits[self._present] / np.maximum(wished_peak, _NEXT_TO_NOTHING)))
        self._levels_db.add(10 * _log_ratio(energy, energy[:, [self._present]]))
        self._peaks_db.add(20 * _log_ratio(peak, peak[:, [self._present]]))


def _log_ratio(values: NDArray[np.float32], present: NDArray[np.float32]) -> NDArray[np.float16]:
    """log10 of the values on each rung over those at the present gain; 0 where there is nothing to compare."""
    ratio = np.divide(values, present, out=np.ones_like(values), where=present > 0.0)
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
    """The alignment as two recursive sections, or four for orders above four; rows of b1 b2 a1 a2.

    Without its gain (b0 is 1), which the ratios do not need.
    """
    from auditor.chain.crossover import high_pass_poles

    # Above the file's band there is nothing to compare; the corner is kept just inside it.
    corner_hz = min(crossover.frequency_hz, 0.45 * sample_rate_hz)
    warped = math.tan(math.pi * corner_hz / sample_rate_hz)
    analogue = [pole * warped for pole in high_pass_poles(crossover)]
    poles = [(1.0 + pole) / (1.0 - pole) for pole in analogue]
    pairs = [pole for pole in poles if pole.imag > _REAL]
    alone = [pole.real for pole in poles if abs(pole.imag) <= _REAL]
    rows = [(-2.0, 1.0, -2.0 * pole.real, abs(pole) ** 2) for pole in pairs]
    rows += [(-2.0, 1.0, -one - other, one * other) for one, other in zip(alone[::2], alone[1::2], strict=False)]
    rows += [(-1.0, 0.0, -alone[-1], 0.0)] if len(alone) % 2 else []
    sections = np.zeros((2 if len(rows) <= 2 else 4, 4), dtype=np.float32)
    sections[: len(rows)] = np.array(rows).reshape(-1, 4)
    return sections


# What is kept of each row on each rung: energy and peak of what comes out, and two states of each filter section.
_ENERGY, _PEAK, _STATES = 0, 1, 2


@compiled(fastmath=True)
def _climb(wished, row_length, lead, limits, sections, energies, peaks, wished_peaks):  # type: ignore[no-untyped-def]
    """Energy and peak of every row on every rung, of samples clipped at `limits`, shape=(rungs,), which descend.

    Rows are worked on side by side, so that each instruction of the processor serves several. The loudest come first
    and together: then few are clipped on a rung only because their neighbours are.
    """
    rows, rungs = energies.shape
    for row in range(rows):
        wished_peaks[row] = largest_magnitude(wished[row * row_length : (row + 1) * row_length + lead])
    energies[:], peaks[:] = 0.0, 0.0
    order = np.argsort(wished_peaks)[::-1]
    tile = np.zeros((_TILE, _LANES), np.float32)
    kept = np.empty((rungs, _STATES + 2 * len(sections), _LANES), np.float32)
    for first in range(0, rows, _LANES):
        group = order[first : first + _LANES]
        loudest = wished_peaks[group[0]]
        if loudest <= limits[rungs - 1]:
            break  # nothing clips on any rung, in these rows and in those to come: plain scaling holds
        # Of the rungs on which nothing clips one is enough.
        plain = 0
        while limits[plain + 1] >= loudest:
            plain += 1
        kept[:] = 0.0
        _pass_through(wished, group * row_length, lead, limits[plain:], sections, kept, tile)
        kept[:, :_STATES] = 0.0  # the filters have settled: what counts starts here
        _pass_through(wished, group * row_length + lead, row_length, limits[plain:], sections, kept, tile)
        for rung in range(rungs):
            of = kept[max(rung - plain, 0)]
            for lane in range(len(group)):
                energies[group[lane], rung], peaks[group[lane], rung] = of[_ENERGY, lane], of[_PEAK, lane]


@compiled(fastmath=True)
def _pass_through(wished, starts, length, limits, sections, kept, tile):  # type: ignore[no-untyped-def]
    """Clip and filter `length` samples from each of `starts` on every rung."""
    for begin in range(0, length, _TILE):
        count = min(_TILE, length - begin)
        for lane in range(len(starts)):
            row = wished[starts[lane] + begin : starts[lane] + begin + count]
            for i in range(count):
                tile[i, lane] = row[i]
        for rung in range(len(limits)):
            if len(sections) == 2:
                _two_sections(tile[:count], limits[rung], sections, kept[rung])
            else:
                _four_sections(tile[:count], limits[rung], sections, kept[rung])


@compiled(fastmath=True)
def _section(x, s1, s2, b1, b2, a1, a2):  # type: ignore[no-untyped-def]
    """One recursive section in its transposed form: what comes out, and the new states."""
    y = x + s1
    return y, b1 * x - a1 * y + s2, b2 * x - a2 * y


@compiled(fastmath=True)
def _two_sections(tile, limit, sections, kept):  # type: ignore[no-untyped-def]
    # A few samples of each row at a time: going to and fro between memory and register would cost more than the sums.
    b11, b12, a11, a12 = sections[0]
    b21, b22, a21, a22 = sections[1]
    for first in range(0, len(tile), _AT_ONCE):
        samples = tile[first : first + _AT_ONCE]
        for lane in range(_LANES):
            energy, peak, s1, s2, s3, s4 = (
                kept[0, lane],
                kept[1, lane],
                kept[2, lane],
                kept[3, lane],
                kept[4, lane],
                kept[5, lane],
            )
            for i in range(_AT_ONCE):
                x = min(max(samples[i, lane], -limit), limit)
                y, s1, s2 = _section(x, s1, s2, b11, b12, a11, a12)
                z, s3, s4 = _section(y, s3, s4, b21, b22, a21, a22)
                energy += z * z
                peak = max(peak, abs(z))
            kept[0, lane], kept[1, lane], kept[2, lane], kept[3, lane], kept[4, lane], kept[5, lane] = (
                energy,
                peak,
                s1,
                s2,
                s3,
                s4,
            )


@compiled(fastmath=True)
def _four_sections(tile, limit, sections, kept):  # type: ignore[no-untyped-def]
    b11, b12, a11, a12 = sections[0]
    b21, b22, a21, a22 = sections[1]
    b31, b32, a31, a32 = sections[2]
    b41, b42, a41, a42 = sections[3]
    for first in range(0, len(tile), _AT_ONCE):
        samples = tile[first : first + _AT_ONCE]
        for lane in range(_LANES):
            energy, peak, s1, s2, s3, s4 = (
                kept[0, lane],
                kept[1, lane],
                kept[2, lane],
                kept[3, lane],
                kept[4, lane],
                kept[5, lane],
            )
            s5, s6, s7, s8 = kept[6, lane], kept[7, lane], kept[8, lane], kept[9, lane]
            for i in range(_AT_ONCE):
                x = min(max(samples[i, lane], -limit), limit)
                y, s1, s2 = _section(x, s1, s2, b11, b12, a11, a12)
                z, s3, s4 = _section(y, s3, s4, b21, b22, a21, a22)
                y, s5, s6 = _section(z, s5, s6, b31, b32, a31, a32)
                z, s7, s8 = _section(y, s7, s8, b41, b42, a41, a42)
                energy += z * z
                peak = max(peak, abs(z))
            kept[0, lane], kept[1, lane], kept[2, lane], kept[3, lane], kept[4, lane], kept[5, lane] = (
                energy,
                peak,
                s1,
                s2,
                s3,
                s4,
            )
            kept[6, lane], kept[7, lane], kept[8, lane], kept[9, lane] = s5, s6, s7, s8
