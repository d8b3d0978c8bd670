"""Builds the ladder of gains (`auditor.chain.overdrive`) while the samples pass by."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from auditor.arrays import Gathered
from auditor.chain.climb import AT_ONCE, LANES, climb, high_pass_sections
from auditor.chain.crossover import settling_s
from auditor.chain.equivalent import equivalent_high_pass
from auditor.chain.overdrive import FRAMES_PER_ROW, OverdriveLadder

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.rig import Crossover

_HIGHEST_DB = 20.0  # above the onset of clipping or the present gain
# Close together where clipping begins to tell, ever wider where the amplifier is all but a square-wave generator: the
# last step is about four times the first. What lies between is interpolated to a few hundredths of a decibel.
_WIDENING = 1.6
_RANGE_OF_EIGHT_DB = 21.0  # what eight rungs cover
_DOWNWARD_STEP_DB = 2.0  # about
_RUNGS_AT_LEAST = 8  # the count of rungs is a multiple of this
_SETTLE_PERIODS = 8.0
_NEXT_TO_NOTHING = np.float32(1e-12)


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
        self._sections = high_pass_sections(equivalent_high_pass(crossover), sample_rate_hz)
        self._row_length = frame_length * FRAMES_PER_ROW
        settle_s = _SETTLE_PERIODS / max(crossover.frequency_hz, 100.0)
        if crossover.network is not None:
            settle_s = max(settle_s, settling_s(crossover))
        self._lead = math.ceil(settle_s * sample_rate_hz / AT_ONCE) * AT_ONCE
        self._waiting = np.zeros(self._lead, dtype=np.float32)
        self._levels_db = Gathered(self.gain_db.shape, np.float16)
        self._peaks_db = Gathered(self.gain_db.shape, np.float16)
        self._onsets_db = Gathered((), np.float32)

    def push(self, wished: NDArray[np.float32]) -> None:
        """Take the next samples before clipping, shape=(n,), in units of `unit_v`."""
        self._waiting = np.concatenate([self._waiting, wished])
        rows = (len(self._waiting) - self._lead) // self._row_length // LANES * LANES
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
        climb(self._waiting, self._row_length, self._lead, self._limits, self._sections, energy, peak, wished_peak)
        # As the samples were clipped before the gain and not after it, plain scaling leaves them as they are.
        self._onsets_db.add(20 * np.log10(self._limits[self._present] / np.maximum(wished_peak, _NEXT_TO_NOTHING)))
        self._levels_db.add(10 * _log_ratio(energy, energy[:, [self._present]]))
        self._peaks_db.add(20 * _log_ratio(peak, peak[:, [self._present]]))


def _log_ratio(values: NDArray[np.float32], present: NDArray[np.float32]) -> NDArray[np.float16]:
    """log10 of the values on each rung over those at the present gain; 0 where there is nothing to compare."""
    ratio = np.divide(values, present, out=np.ones_like(values), where=present > 0.0)
    return np.log10(np.maximum(ratio, np.float32(1e-12))).astype(np.float16)


def _rung_gains_db(full_scale_over_rail: float, headroom_db: float) -> NDArray[np.float64]:
    """Rungs over the range, ascending, one of them exactly at 0 dB and their count a multiple of eight."""
    onset_db = -20.0 * math.log10(full_scale_over_rail)
    first_db, highest_db = onset_db - headroom_db, max(onset_db, 0.0) + _HIGHEST_DB
    steps = _RUNGS_AT_LEAST * math.ceil((highest_db - max(first_db, 0.0)) / _RANGE_OF_EIGHT_DB) - 1
    if abs(first_db) < 1e-6:
        return _upward_db(0.0, highest_db, steps)
    if first_db > 0.0:
        return np.array([0.0, *_upward_db(first_db, highest_db, steps - 1)])
    down = math.ceil(-first_db / _DOWNWARD_STEP_DB)
    if down == 1:
        return np.array([first_db, *_upward_db(0.0, highest_db, steps - 1)])
    down = -(-down // _RUNGS_AT_LEAST) * _RUNGS_AT_LEAST  # as many as fit for the same cost
    return np.concatenate([np.linspace(first_db, 0.0, down + 1)[:-1], _upward_db(0.0, highest_db, steps)])


def _upward_db(lowest_db: float, highest_db: float, steps: int) -> NDArray[np.float64]:
    share = np.expm1(_WIDENING * np.linspace(0.0, 1.0, steps + 1)) / math.expm1(_WIDENING)
    return lowest_db + (highest_db - lowest_db) * share
