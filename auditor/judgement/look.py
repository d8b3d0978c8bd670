"""A run through protection and driver at a trial gain: by how much it is over, and which rows of samples decide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.overdrive import FRAMES_PER_ROW
from auditor.judgement.before import Before
from auditor.judgement.ratings import stretches
from auditor.judgement.worst import Excess, Worst

if TYPE_CHECKING:
    from auditor.audit_types import Cause
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig

NEAR_DB = 1.0  # more than the ladder can be off
ROWS_AT_A_TIME = 12
Row = tuple[float, tuple[int, ...]]  # its highest peak power [W], and its number; in a set behind that of its channel


@dataclass(frozen=True)
class Look:
    """A run at one gain: its excess, and the rows with peaks near the rating, loudest first."""

    excess: Excess
    loudest_rows: Sequence[Row]


def look_at(
    frames: HfFrames,
    rig: Rig,
    before: Before,
    *,
    only: Cause | None = None,
    frames_per_row: int = FRAMES_PER_ROW,
    part_of: Callable[[int, int], HfFrames] | None = None,
) -> tuple[Look, Before]:
    """Run a channel through a rig; what is seen, and what it leaves to what is played next. With `only` that counts.

    With `part_of` in place of the frames those that it gives for a stretch of them, as `ratings.together`.
    """
    near_w = rig.driver.peak_power_w * 10.0 ** (-NEAR_DB / 10.0)
    worst, powers, rows = Worst(), [np.empty(0, dtype=np.float32)], [np.empty(0, dtype=np.int64)]
    for stretch in stretches(frames, rig, protected=True, before=before, part_of=part_of):
        worst.take(stretch)
        high = np.flatnonzero(stretch.power_peak_w > near_w)
        powers.append(stretch.power_peak_w[high])
        rows.append((high + stretch.first_frame) // frames_per_row)
        before = stretch.after
    power_w, numbers = np.concatenate(powers), np.concatenate(rows)
    order = np.argsort(power_w)[::-1]
    loudest = list(dict.fromkeys(numbers[order].tolist()))[:ROWS_AT_A_TIME]
    highest_w = {row: float(power_w[numbers == row].max()) for row in loudest}
    ranked = [(highest_w[row], (row,)) for row in loudest]
    excess = worst.excess(rig) if only is None else (worst.excesses(rig)[only], only)
    return Look(excess, ranked), before
