"""The rows with the highest peaks behind a part, kept so that they can be made exact without another run.

What heats follows the rms voltage, and reading a row's samples again changes its peaks only. So after such a reading
nothing has to be simulated again: the share of the peak that the part lets through is known from the run before.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from auditor.judgement.ratings import peak_power_w

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.judgement.ratings import Stretch
    from auditor.rig import Rig

NEAR_DB = 1.0  # more than the ladder can be off
ROWS_AT_A_TIME = 12
Row = tuple[float, tuple[int, ...]]  # its highest peak power [W], and its number; in a set behind that of its channel


@dataclass(frozen=True, kw_only=True)
class HighRows:
    """Rows in which a peak comes near the rating.

    Parameters
    ----------
    number : ndarray [shape=(rows,)]
        Their places in the channel, ascending.
    share : ndarray [shape=(rows, frames)] float32
        Share of the source's peak that reaches the driver, frame by frame.
    power_w : ndarray [shape=(rows, frames)] float32
        Peak power [W].
    other_w : float
        Highest peak power of all other rows [W].
    """

    number: NDArray[np.int64]
    share: NDArray[np.float32]
    power_w: NDArray[np.float32]
    other_w: float

    @property
    def highest_w(self) -> float:
        """Highest peak power of the whole channel [W]."""
        return max(float(self.power_w.max(initial=0.0)), self.other_w)

    def loudest(self) -> list[Row]:
        """The few loudest of them, loudest first."""
        highest_w = self.power_w.max(axis=1, initial=0.0)
        order = np.argsort(-highest_w, kind="stable")[:ROWS_AT_A_TIME]
        return [(float(highest_w[place]), (int(self.number[place]),)) for place in order]

    def again(self, frames: HfFrames, rig: Rig) -> HighRows:
        """The same with the peaks of frames that differ from those before in some of these rows' peaks only."""
        peak_v = _by_rows(frames.peak_v, self.power_w.shape[1], self.number)
        return HighRows(
            number=self.number, share=self.share, power_w=peak_power_w(peak_v * self.share, rig), other_w=self.other_w
        )


@dataclass
class HighRowsFinder:
    """Gathers them stretch by stretch.

    Parameters
    ----------
    rig : Rig
    frames_per_row : int
    """

    rig: Rig
    frames_per_row: int
    _number: list[NDArray[np.int64]] = field(default_factory=list)
    _share: list[NDArray[np.float32]] = field(default_factory=list)
    _power_w: list[NDArray[np.float32]] = field(default_factory=list)
    _other_w: float = 0.0

    def take(self, stretch: Stretch) -> None:
        """Take the next stretch, which begins with a row."""
        near_w = self.rig.driver.peak_power_w * 10.0 ** (-NEAR_DB / 10.0)
        first, count = stretch.first_frame // self.frames_per_row, self.frames_per_row
        rows = np.unique(np.flatnonzero(stretch.power_peak_w > near_w) // count)
        self._number.append(rows + first)
        self._share.append(_by_rows(stretch.peak_share, count, rows))
        self._power_w.append(_by_rows(stretch.power_peak_w, count, rows))
        others_w = stretch.power_peak_w.copy()
        for frame in range(count):
            places = rows * count + frame
            others_w[places[places < len(others_w)]] = 0.0
        self._other_w = max(self._other_w, float(others_w.max()))

    def finish(self) -> HighRows:
        return HighRows(
            number=np.concatenate(self._number or [np.empty(0, dtype=np.int64)]),
            share=np.concatenate(self._share or [np.empty((0, self.frames_per_row), dtype=np.float32)]),
            power_w=np.concatenate(self._power_w or [np.empty((0, self.frames_per_row), dtype=np.float32)]),
            other_w=self._other_w,
        )


def _by_rows(values: NDArray[np.float32], count: int, rows: NDArray[np.int64]) -> NDArray[np.float32]:
    """Frames of some rows, shape=(rows, count); what is missing of the last row is nought."""
    places = rows[:, None] * count + np.arange(count)
    inside = places < len(values)
    return np.where(inside, values[np.minimum(places, len(values) - 1)], np.float32(0.0))
