"""How the HF branch would change at other gains, while the amplifier clips more or less than it does now.

Why it exists: the margin asks what happens at a level nobody has played yet. While the amplifier stays within its rails
everything scales with the gain; beyond them the samples must be clipped again. Decoding the file again for every trial
would take several times as long as the audit, so the samples are clipped at a *ladder* of gains as they pass by.

Each rung is high-passed by a recursive filter of the crossover's alignment, all rungs side by side. Such a filter is up
to 0.2 dB off near half the sampling rate, so its figures are used only as ratios: a rung's energy over that of the
present gain scaled up. The ratio multiplies the exact figures of `auditor.chain.splitter`; it is 1 where nothing clips.

Range: from the gain at which a full-scale sample no longer clips to 20 dB above the present one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.rig import Crossover

HIGHEST_GAIN_DB = 20.0
RUNGS = 16  # a multiple of eight, so that they fill the processor's vectors
FRAMES_PER_ROW = 8  # about 50 ms: shorter than any rating window, several times cheaper than every frame
_SETTLE_PERIODS = 8.0


@dataclass(frozen=True, kw_only=True)
class OverdriveLadder:
    """Departure of the HF branch from plain scaling, per row of frames and rung of gain.

    gain_db : ndarray [shape=(RUNGS,)]
        Gain changes of the rungs, ascending [dB].
    level_db, peak_db : ndarray [shape=(rows, RUNGS)] float16
        rms and peak level over what plain scaling from the present gain would give [dB].
    """

    gain_db: NDArray[np.float64]
    level_db: NDArray[np.float16]
    peak_db: NDArray[np.float16]

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
        position = float(np.interp(gain_db, self.gain_db, np.arange(RUNGS)))
        low = min(int(position), RUNGS - 2)
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
        none = np.empty((0, RUNGS), dtype=np.float16)
        return OverdriveLadder(
            gain_db=self.gain_db,
            level_db=np.concatenate([none, *(level for level, _ in self._rows)]),
            peak_db=np.concatenate([none, *(peak for _, peak in self._rows)]),
        )

    def _work(self, rows: int) -> None:
        level_db = np.zeros((rows, RUNGS), dtype=np.float32)
        peak_db = np.zeros((rows, RUNGS), dtype=np.float32)
        climb = _climb_four_sections if len(self._sections) == 4 else _climb_two_sections
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
    """Even rungs over the range, with one of them exactly at 0 dB."""
    lowest_db = -max(0.0, 20.0 * math.log10(full_scale_over_rail))
    below = round((RUNGS - 1) * lowest_db / (lowest_db - HIGHEST_GAIN_DB))
    below = max(below, 1) if lowest_db < 0.0 else 0
    # Two even stretches that meet at 0 dB; np.interp does not mind unequal steps.
    lower = np.linspace(lowest_db, 0.0, below + 1)[:-1] if below else np.empty(0)
    return np.concatenate([lower, np.linspace(0.0, HIGHEST_GAIN_DB, RUNGS - below)])


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


# One buffer with the columns below instead of an array each: the compiler then sees that they do not overlap, and
# keeps all rungs in vector registers (a factor of three).
_GAIN, _ENERGY, _PEAK = 0, RUNGS, 2 * RUNGS
_STATE_1, _STATE_2, _STATE_3, _STATE_4 = 3 * RUNGS, 4 * RUNGS, 5 * RUNGS, 6 * RUNGS
_STATE_5, _STATE_6, _STATE_7, _STATE_8 = 7 * RUNGS, 8 * RUNGS, 9 * RUNGS, 10 * RUNGS
_END = 11 * RUNGS


@njit(cache=True, nogil=True)
def _departures(rungs, present, level_db, peak_db):  # type: ignore[no-untyped-def]
    energy, peak = rungs[_ENERGY:_PEAK], rungs[_PEAK:_STATE_1]
    if energy[present] <= 0.0:
        return
    for k in range(RUNGS):
        scale = rungs[_GAIN + k] / rungs[_GAIN + present]
        level_db[k] = 10.0 * math.log10(max(energy[k] / (energy[present] * scale * scale), 1e-12))
        peak_db[k] = 20.0 * math.log10(max(peak[k] / (peak[present] * scale), 1e-6))


def _climber(four: bool) -> Any:
    """The kernel for two sections or for four; a choice inside its innermost loop would halve its speed."""

    @njit(cache=True, nogil=True, fastmath=True)
    def climb(wished_v, row_length, settle, gains, present, rail_v, sections, level_db, peak_db):  # type: ignore[no-untyped-def]
        b10, b11, b12, a11, a12 = sections[0]
        b20, b21, b22, a21, a22 = sections[1]
        b30, b31, b32, a31, a32 = sections[-2]
        b40, b41, b42, a41, a42 = sections[-1]
        rungs = np.empty(_END, np.float32)
        rungs[:_ENERGY] = gains
        for row in range(level_db.shape[0]):
            start = row * row_length
            stop = start + settle + row_length
            largest = np.float32(0.0)
            for i in range(start, stop):
                largest = max(largest, abs(wished_v[i]))
            if largest * gains[RUNGS - 1] <= rail_v:
                continue  # nothing clips on any rung: plain scaling holds
            rungs[_ENERGY:] = 0.0
            for i in range(start, stop):
                if i == start + settle:
                    rungs[_ENERGY:_STATE_1] = 0.0  # settled; what counts starts here
                wished = wished_v[i]
                for k in range(RUNGS):
                    x = min(max(wished * rungs[_GAIN + k], -rail_v), rail_v)
                    y = b10 * x + rungs[_STATE_1 + k]
                    rungs[_STATE_1 + k] = b11 * x - a11 * y + rungs[_STATE_2 + k]
                    rungs[_STATE_2 + k] = b12 * x - a12 * y
                    z = b20 * y + rungs[_STATE_3 + k]
                    rungs[_STATE_3 + k] = b21 * y - a21 * z + rungs[_STATE_4 + k]
                    rungs[_STATE_4 + k] = b22 * y - a22 * z
                    if four:
                        y = b30 * z + rungs[_STATE_5 + k]
                        rungs[_STATE_5 + k] = b31 * z - a31 * y + rungs[_STATE_6 + k]
                        rungs[_STATE_6 + k] = b32 * z - a32 * y
                        z = b40 * y + rungs[_STATE_7 + k]
                        rungs[_STATE_7 + k] = b41 * y - a41 * z + rungs[_STATE_8 + k]
                        rungs[_STATE_8 + k] = b42 * y - a42 * z
                    rungs[_ENERGY + k] += z * z
                    rungs[_PEAK + k] = max(rungs[_PEAK + k], abs(z))
            _departures(rungs, present, level_db[row], peak_db[row])

    return climb


_climb_two_sections, _climb_four_sections = _climber(False), _climber(True)
