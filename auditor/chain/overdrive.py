"""How the HF branch would change at other gains, while the amplifier clips more or less than it does now.

Why it exists: the margin asks what happens at a level nobody has played yet. While the amplifier stays within its rails
everything scales with the gain; beyond them the samples must be clipped again. Decoding the file again for every trial
would take several times as long as the audit, so the samples are clipped at a *ladder* of gains as they pass by.

Each rung is high-passed by a recursive filter of the crossover's alignment, many rows side by side. Such a filter is up
to 0.2 dB off near half the sampling rate, so its figures are used only as ratios: a rung's energy over that of the
present gain scaled up. The ratio multiplies the exact figures of `auditor.chain.splitter`; it is 1 where nothing
clips. Energies come out within a few hundredths of a decibel that way; peaks are more delicate, up to 0.8 dB
off. So whoever needs the peaks of certain rows exactly brings their samples along (`WishedRow`).

Here it is used; `auditor.chain.ladder` builds it, with the inner loops of `auditor.chain.climb`.

Range: from the gain at which a full-scale sample no longer clips to 20 dB above the present one, or above the gain at
which a full-scale sample begins to clip if that is higher.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.splitter import branch_voltage

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.rig import Crossover

FRAMES_PER_ROW = 8  # about 50 ms: shorter than any rating window, several times cheaper than every frame
# How the level of a row departs from plain scaling just after it begins to clip: a clipped sine's goes with this power
# of the decibels above the onset.
_LEVEL_EXPONENT = 1.4


@dataclass(frozen=True, kw_only=True)
class WishedRow:
    """Samples of one row of frames, for its peaks to be worked out exactly.

    wished_v : ndarray [shape=(n,)]
        What an amplifier without rails would deliver at the present gain [V], from `OverdriveLadder.lead` samples
        before the row to as many after it, so that cutting it out is not heard inside.
    latest : dict
        By frames in a row: the gain that was asked for last, and the peaks then. Each reading of more rows asks again.
    """

    row: int
    wished_v: NDArray[np.float32]
    latest: dict[int, tuple[np.float32, NDArray[np.float32]]] = field(default_factory=dict, repr=False, compare=False)


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
            _multiply(
                rms_v, self._ratio(self.level_db, gain_db, points=3, exponent=_LEVEL_EXPONENT), self.frames_per_row
            )
            _multiply(peak_v, self._ratio(self.peak_db, gain_db, points=2, exponent=1.0), self.frames_per_row)
        peak_mm = self._displacement_mm(frames, gain_db)
        for row in exact:
            here = peak_v[row.row * self.frames_per_row : (row.row + 1) * self.frames_per_row]
            here[:] = self._exact_peaks_v(row, scale)[: len(here)]
        return replace(frames, rms_v=rms_v, peak_v=peak_v, peak_mm=peak_mm)

    def by_part(
        self, frames: HfFrames, gain_db: float, exact: Iterable[WishedRow] = ()
    ) -> Callable[[int, int], HfFrames]:
        """The same for some frames at a time, whose first one and count are asked for: all would be as large again."""
        rows = list(exact)

        def at(first: int, count: int) -> HfFrames:
            start, rest = divmod(first, self.frames_per_row)
            assert rest == 0, "a part begins with a row"
            here = slice(start, start + -(-count // self.frames_per_row))
            part = replace(self, level_db=self.level_db[here], peak_db=self.peak_db[here], onset_db=self.onset_db[here])
            within = [replace(each, row=each.row - start) for each in rows if here.start <= each.row < here.stop]
            return part.frames_at(cut(frames, first, count), gain_db, within)

        return at

    def _displacement_mm(self, frames: HfFrames, gain_db: float) -> NDArray[np.float32] | None:
        """Displacement at another gain: an upper bound where the amplifier clips.

        Clipping adds treble, which moves little, and flattens the low end of the branch, which moves most. Turned up,
        it moves no more than in proportion. Turned down, what is flattened now comes back: no more than the amplifier
        is overdriven by, and never to more than now.
        """
        if frames.peak_mm is None:
            return None
        peak_mm = frames.peak_mm * np.float32(10.0 ** (gain_db / 20.0))
        if gain_db < 0.0 and self.onset_db.min(initial=math.inf) < 0.0:
            back_db = np.clip(-self.onset_db, 0.0, -gain_db)
            back = np.power(np.float32(10.0), back_db / 20, dtype=np.float32)
            _multiply(peak_mm, back, self.frames_per_row)
        return peak_mm

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
        latest_scale, peaks_v = row.latest.get(self.frames_per_row, (None, None))
        if peaks_v is None or latest_scale != scale:
            peaks_v = self._peaks_v(row, scale)
            row.latest[self.frames_per_row] = scale, peaks_v
        return peaks_v

    def _peaks_v(self, row: WishedRow, scale: np.float32) -> NDArray[np.float32]:
        clipped_v = np.clip(row.wished_v * scale, -self.rail_v, self.rail_v)
        branch_v = branch_voltage(clipped_v, self.sample_rate_hz, self.crossover)
        inside_v = np.abs(branch_v[self.lead : self.lead + self.row_length])
        peaks_v: NDArray[np.float32] = inside_v.reshape(self.frames_per_row, -1).max(axis=1)
        return peaks_v


def cut(frames: HfFrames, first: int, count: int) -> HfFrames:
    """Some of the frames, in the same memory; their duration stays that of all."""
    here = slice(first, first + count)
    return replace(
        frames,
        rms_v=frames.rms_v[here],
        peak_v=frames.peak_v[here],
        division=None if frames.division is None else frames.division.part(first, count),
        peak_mm=None if frames.peak_mm is None else frames.peak_mm[here],
    )


def _multiply(frames_v: NDArray[np.float32], ratio: NDArray[np.float32], frames_per_row: int) -> None:
    """Multiply frames by the ratio of their row, in place: an array of it for each frame would be as large as they."""
    rows, rest = divmod(len(frames_v), frames_per_row)
    whole_v = frames_v[: len(frames_v) - rest].reshape(rows, frames_per_row)
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
