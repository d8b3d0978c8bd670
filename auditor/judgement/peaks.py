"""The rows with the highest peaks behind a part, kept so that they can be made exact without another run.

What heats follows the rms voltage, and reading a row's samples again changes its peaks only. So after such a reading
nothing has to be simulated again: the share of the peak that the part lets through is known from the run before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.judgement.ratings import STRETCH_FRAMES, peak_power_w

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from auditor.chain.splitter import HfFrames
    from auditor.judgement.ratings import Stretch
    from auditor.rig import Rig

NEAR_DB = 1.0  # more than the ladder can be off
ROWS_AT_A_TIME = 12
_MOST_ROWS = 32 * ROWS_AT_A_TIME  # kept of a run, so that memory stays flat
Row = tuple[float, tuple[int, ...]]  # its highest peak power [W], and its number; in a set behind that of its channel


@dataclass(frozen=True, kw_only=True)
class HighRows:
    """The loudest of the rows in which a peak behind any of the parts comes near the rating.

    Parameters
    ----------
    number : ndarray [shape=(rows,)]
        Their places in the channel, ascending.
    share : ndarray [shape=(parts, rows, frames)] float32
        Share of the source's peak that reaches the driver, frame by frame.
    power_w : ndarray [shape=(parts, rows, frames)] float32
        Peak power [W].
    other_w : ndarray [shape=(parts,)] float32
        Highest peak power of all other rows [W].
    dropped_w : float
        That of the loudest row that came near the rating and is not kept [W].
    """

    number: NDArray[np.int64]
    share: NDArray[np.float32]
    power_w: NDArray[np.float32]
    other_w: NDArray[np.float32]
    dropped_w: float = 0.0

    @property
    def highest_w(self) -> list[float]:
        """Highest peak power of the whole channel behind each part [W]."""
        return [float(each) for each in np.maximum(self.power_w.max(axis=(1, 2), initial=0.0), self.other_w)]

    @property
    def loudest(self) -> list[Row]:
        """The few loudest, loudest first."""
        row_w = self.power_w.max(axis=(0, 2), initial=0.0)
        order = np.argsort(-row_w, kind="stable")[:ROWS_AT_A_TIME]
        return [(float(row_w[place]), (int(self.number[place]),)) for place in order]

    @property
    def is_whole(self) -> bool:
        """Whether no row that is not kept belongs among the loudest."""
        return self.dropped_w == 0.0 or self.dropped_w <= self.loudest[-1][0]

    def again(self, part_of: Callable[[int, int], HfFrames], rig: Rig) -> HighRows:
        """The same with the peaks of frames that differ from those before in the peaks of some of these rows only.

        Parameters
        ----------
        part_of : callable
            Given a first frame and a count, these frames.
        rig : Rig
        """
        frames_per_row = self.power_w.shape[2]
        stretch = self.number * frames_per_row // STRETCH_FRAMES  # a call for each row would take longer
        found = [np.empty((1, 0, frames_per_row), dtype=np.float32)]
        for first in (np.unique(stretch) * STRETCH_FRAMES).tolist():
            rows = self.number[stretch * STRETCH_FRAMES == first] - first // frames_per_row
            found.append(_of_rows(part_of(first, STRETCH_FRAMES).peak_v[None], rows, frames_per_row))
        peak_v = np.concatenate(found, axis=1)
        return replace(self, power_w=peak_power_w(peak_v * self.share, rig))

    def joined(self, later: HighRows) -> HighRows:
        """With those of what comes after, as many as are kept."""
        share = np.concatenate([self.share, later.share], axis=1)
        power_w = np.concatenate([self.power_w, later.power_w], axis=1)
        number = np.concatenate([self.number, later.number])
        other_w = np.maximum(self.other_w, later.other_w)
        row_w = power_w.max(axis=(0, 2), initial=0.0)
        order = np.argsort(-row_w, kind="stable")
        kept, dropped = np.sort(order[:_MOST_ROWS]), order[_MOST_ROWS:]
        return HighRows(
            number=number[kept],
            share=share[:, kept],
            power_w=power_w[:, kept],
            other_w=np.maximum(other_w, power_w[:, dropped].max(axis=(1, 2), initial=0.0)),
            dropped_w=max(self.dropped_w, later.dropped_w, float(row_w[dropped].max(initial=0.0))),
        )


def high_rows(stretches: Sequence[Stretch], rig: Rig, *, frames_per_row: int) -> HighRows:
    """Those of one stretch, which begins with a row, behind each part."""
    near_w = rig.driver.peak_power_w * 10.0 ** (-NEAR_DB / 10.0)
    power_w = np.stack([each.power_peak_w for each in stretches])
    rows = np.unique(np.flatnonzero(power_w.max(axis=0) > near_w) // frames_per_row)
    high_w = _of_rows(power_w, rows, frames_per_row)
    share = _of_rows(np.stack([each.peak_share for each in stretches]), rows, frames_per_row)
    places = (rows[:, None] * frames_per_row + np.arange(frames_per_row)).reshape(-1)
    power_w[:, places[places < power_w.shape[1]]] = 0.0
    first = stretches[0].first_frame // frames_per_row
    return HighRows(number=rows + first, share=share, power_w=high_w, other_w=power_w.max(axis=1))


def _of_rows(values: NDArray[np.float32], rows: NDArray[np.int64], frames_per_row: int) -> NDArray[np.float32]:
    """Frames of some rows, shape=(parts, rows, frames), of values for each part; what the last row lacks is nought."""
    places = rows[:, None] * frames_per_row + np.arange(frames_per_row)
    last = values.shape[1] - 1
    return np.where(places <= last, values[:, np.minimum(places, last)], np.float32(0.0))
