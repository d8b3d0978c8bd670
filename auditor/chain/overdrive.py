"""How the HF branch would change at other gains, while the amplifier clips more or less than it does now.

Why it exists: the margin asks what happens at a level nobody has played yet. While the amplifier stays within its rails
everything scales with the gain; beyond them the samples must be clipped again. Decoding the file again for every trial
would take several times as long as the audit, so the samples are clipped at a *ladder* of gains as they pass by.

Each rung is high-passed by a recursive filter of the crossover's alignment, all rungs side by side. Such a filter is up
to 0.2 dB off near half the sampling rate, so its figures are used only as ratios: a rung's energy over that of the
present gain scaled up. The ratio multiplies the exact figures of `auditor.chain.splitter`; it is 1 where nothing clips.

Range: from the gain at which a full-scale sample no longer clips to 12 dB above the present one, or above the gain at
which a full-scale sample begins to clip if that is higher.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.rig import Crossover

OVERDRIVE_DB = 12.0
_RUNG_STEP_DB = 1.8  # about; what lies between two rungs is interpolated to within a few hundredths of a decibel
_RUNGS_PER_VECTOR = 8  # the count of rungs is a multiple of this, so that they fill the processor's vectors
FRAMES_PER_ROW = 8  # about 50 ms: shorter than any rating window, several times cheaper than every frame
_SETTLE_PERIODS = 8.0


@dataclass(frozen=True, kw_only=True)
class OverdriveLadder:
    """Departure of the HF branch from plain scaling, per row of frames and rung of gain.

    gain_db : ndarray [shape=(rungs,)]
        Gain changes of the rungs, ascending [dB].
    level_db, peak_db : ndarray [shape=(rows, rungs)] float16
        rms and peak level over what plain scaling from the present gain would give [dB].
    """

    gain_db: NDArray[np.float64]
    level_db: NDArray[np.float16]
    peak_db: NDArray[np.float16]

    @property
    def highest_gain_db(self) -> float:
        """Largest gain change that can be asked for [dB]."""
        return float(self.gain_db[-1])

    def frames_at(self, frames: HfFrames, gain_db: float) -> HfFrames:
        """HF frames at a gain change of `gain_db` from the present level."""
        from auditor.chain.splitter import HfFrames

        scale = np.float32(10.0 ** (gain_db / 20.0))
        if not self.level_db.any() and not self.peak_db.any():
            return HfFrames(frame_s=frames.frame_s, rms_v=frames.rms_v * scale, peak_v=frames.peak_v * scale)
        return HfFrames(
            frame_s=frames.frame_s,
            rms_v=frames.rms_v * scale * self._departure(self.level_db, gain_db, len(frames.rms_v)),
            peak_v=frames.peak_v * scale * self._departure(self.peak_db, gain_db, len(frames.peak_v)),
        )

    def _departure(self, rows_db: NDArray[np.float16], gain_db: float, frames: int) -> NDArray[np.float32]:
        position = float(np.interp(gain_db, self.gain_db, np.arange(len(self.gain_db))))
        low = min(int(position), len(self.gain_db) - 2)
        share = np.float32(position - low)
        departure_db = rows_db[:, low].astype(np.float32) * (1 - share) + rows_db[:, low + 1].astype(np.float32) * share
        ratio = np.power(np.float32(10.0), departure_db / 20, dtype=np.float32)
        return np.repeat(ratio, FRAMES_PER_ROW)[:frames]


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
    frame_length : int
        Samples in a splitter frame.
    """

    def __init__(
        self, sample_rate_hz: int, crossover: Crossover, *, rail_v: float, full_scale_peak_v: float, frame_length: int
    ) -> None:
        self._rail_v = np.float32(rail_v)
        self.gain_db = _rung_gains_db(full_scale_peak_v / rail_v)
        self._gains = (10.0 ** (self.gain_db / 20.0)).astype(np.float32)
        self._present = int(np.argmin(np.abs(self.gain_db)))
        self._sections = _high_pass_sections(crossover, sample_rate_hz)
        self._row_length = frame_length * FRAMES_PER_ROW
        self._settle = math.ceil(_SETTLE_PERIODS * sample_rate_hz / max(crossover.frequency_hz, 100.0))
        self._waiting = np.zeros(self._settle, dtype=np.float32)
        self._rows: list[tuple[NDArray[np.float16], NDArray[np.float16]]] = []

    def push(self, wished_v: NDArray[np.float32]) -> None:
        """Take the next samples before clipping, shape=(n,) [V]."""
        self._waiting = np.concatenate([self._waiting, wished_v])
        rows = (len(self._waiting) - self._settle) // self._row_length
        if rows > 0:
            self._work(rows)
            self._waiting = self._waiting[rows * self._row_length :].copy()

    def finish(self) -> OverdriveLadder:
        """Flush the last, incomplete row."""
        left = len(self._waiting) - self._settle
        if left > 0:
            self._waiting = np.concatenate([self._waiting, np.zeros(self._row_length - left, dtype=np.float32)])
            self._work(1)
        none = np.empty((0, len(self.gain_db)), dtype=np.float16)
        return OverdriveLadder(
            gain_db=self.gain_db,
            level_db=np.concatenate([none, *(level for level, _ in self._rows)]),
            peak_db=np.concatenate([none, *(peak for _, peak in self._rows)]),
        )

    def _work(self, rows: int) -> None:
        level_db = np.zeros((rows, len(self.gain_db)), dtype=np.float32)
        peak_db = np.zeros((rows, len(self.gain_db)), dtype=np.float32)
        climb = _climber(len(self.gain_db), len(self._sections) == 4)
        climb(
            self._waiting,
            self._row_length,
            self._settle,
            self._gains,
            self._present,
            self._rail_v,
            self._sections,
            level_db,
            peak_db,
        )
        self._rows.append((level_db.astype(np.float16), peak_db.astype(np.float16)))


def _rung_gains_db(full_scale_over_rail: float) -> NDArray[np.float64]:
    """Even rungs over the range, moved up or down a little so that one of them is exactly at 0 dB."""
    onset_db = -20.0 * math.log10(full_scale_over_rail)
    lowest_db, highest_db = min(onset_db, 0.0), max(onset_db, 0.0) + OVERDRIVE_DB
    if onset_db >= 0.0:
        # Nothing clips at the present gain: one rung for it, the rest where clipping begins.
        count = _RUNGS_PER_VECTOR * math.ceil((1.0 + OVERDRIVE_DB / _RUNG_STEP_DB) / _RUNGS_PER_VECTOR)
        return np.concatenate([[0.0], np.linspace(onset_db, highest_db, count)[1:]])
    count = _RUNGS_PER_VECTOR * math.ceil((1.0 + (highest_db - lowest_db) / _RUNG_STEP_DB) / _RUNGS_PER_VECTOR)
    below = min(max(round((count - 1) * lowest_db / (lowest_db - highest_db)), 1), count - 2)
    return np.concatenate([np.linspace(lowest_db, 0.0, below + 1)[:-1], np.linspace(0.0, highest_db, count - below)])


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


@njit(cache=True, nogil=True)
def _departures(rungs, present, level_db, peak_db):  # type: ignore[no-untyped-def]
    gain, energy, peak = rungs[_GAIN], rungs[_ENERGY], rungs[_PEAK]
    if energy[present] <= 0.0:
        return
    for k in range(len(gain)):
        scale = gain[k] / gain[present]
        level_db[k] = 10.0 * math.log10(max(energy[k] / (energy[present] * scale * scale), 1e-12))
        peak_db[k] = 20.0 * math.log10(max(peak[k] / (peak[present] * scale), 1e-6))


@functools.cache
def _climber(rungs: int, four: bool) -> Any:
    """The kernel for a count of rungs, with two filter sections or four.

    Both are constants to the compiler: a choice inside its innermost loop would halve its speed.
    """
    gain, energy, peak = _GAIN * rungs, _ENERGY * rungs, _PEAK * rungs
    s1, s2, s3, s4, s5, s6, s7, s8 = (rungs * (_FIRST_STATE + state) for state in range(8))

    @njit(cache=True, nogil=True, fastmath=True)
    def climb(wished_v, row_length, settle, gains, present, rail_v, sections, level_db, peak_db):  # type: ignore[no-untyped-def]
        b10, b11, b12, a11, a12 = sections[0]
        b20, b21, b22, a21, a22 = sections[1]
        b30, b31, b32, a31, a32 = sections[-2]
        b40, b41, b42, a41, a42 = sections[-1]
        kept = np.empty(_COLUMNS * rungs, np.float32)
        kept[gain:energy] = gains
        for row in range(level_db.shape[0]):
            start = row * row_length
            stop = start + settle + row_length
            largest = np.float32(0.0)
            for i in range(start, stop):
                largest = max(largest, abs(wished_v[i]))
            if largest * gains[rungs - 1] <= rail_v:
                continue  # nothing clips on any rung: plain scaling holds
            kept[energy:] = 0.0
            for i in range(start, stop):
                if i == start + settle:
                    kept[energy:s1] = 0.0  # the filters have settled: what counts starts here
                wished = wished_v[i]
                for k in range(rungs):
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
            _departures(kept.reshape(_COLUMNS, rungs), present, level_db[row], peak_db[row])

    return climb
