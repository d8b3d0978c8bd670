"""The columns of a track's picture: which stretch of time each covers, and which of them a passage marks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.audit_types import Audit, Cause, Passage, Trace, Traces

    Columns = NDArray[np.float64]  # shape=(columns,)
    Flagged = list[tuple[Passage, range]]


@dataclass(frozen=True)
class Grid:
    """The columns of the picture and the time that each covers."""

    duration_s: float
    columns: int

    def start_s(self, column: int) -> float:
        """When a column starts; `start_s(columns)` is the end."""
        return self.duration_s * column / self.columns

    def largest(self, trace: Trace, step_s: float) -> Columns:
        """The largest value of a trace in each column; a bin wider than a column fills several."""
        last = len(trace) - 1
        out = np.full(self.columns, np.nan)
        for column in range(self.columns):
            first = min(int(self.start_s(column) / step_s + 1e-9), last)
            stop = max(math.ceil(self.start_s(column + 1) / step_s - 1e-9), first + 1)
            out[column] = np.fmax.reduce(trace[first:stop])
        return out

    def touched(self, start_s: float, end_s: float) -> range:
        """The columns that a stretch of time falls into, at least one."""
        if self.duration_s <= 0.0:
            return range(self.columns)
        first = min(int(start_s / self.duration_s * self.columns + 1e-9), self.columns - 1)
        stop = math.ceil(end_s / self.duration_s * self.columns - 1e-9)
        return range(max(first, 0), min(max(stop, first + 1), self.columns))


def flagged_columns(track: Audit, grid: Grid) -> Flagged:
    """Each passage with the columns to mark."""
    traces = {channel.index: channel.traces for channel in track.channels}
    ends_s: dict[tuple[Cause, int], float] = {}  # of the passage before, of the same cause and channel
    found = []
    for passage in sorted(track.passages, key=lambda each: each.end_s):
        kind = passage.cause, passage.channel
        start_s = _over_from_s(passage, traces[passage.channel], ends_s.get(kind, 0.0))
        ends_s[kind] = passage.end_s
        # A destroyed part stays destroyed; its passage only says when it went.
        end_s = grid.duration_s if passage.cause == "protection_failed" else passage.end_s
        found.append((passage, grid.touched(start_s, end_s)))
    return found


def _over_from_s(passage: Passage, traces: Traces, earliest_s: float) -> float:
    """When a passage is first over its limit: of a mean, not where its window starts but where the mean crosses it.

    The traces are those of a part as rated. For one at an end of its tolerance they are scaled to the passage's worst.
    """
    means: dict[Cause, Trace] = {
        "driver_power_1s": traces.driver_power_1s_w,
        "driver_power_60s": traces.driver_power_60s_w,
    }
    if passage.cause not in means:
        return passage.start_s
    first = math.ceil(max(passage.start_s, earliest_s) / traces.step_s - 1e-6)
    stop = math.ceil(passage.end_s / traces.step_s - 1e-6)
    mean = means[passage.cause][first:stop]
    if passage.part_at is not None and len(mean) and mean.max() > 0.0:
        mean = mean * np.float32(passage.value / float(mean.max()))
    over = np.flatnonzero(mean > passage.limit)
    return float(first + over[0]) * traces.step_s if len(over) else passage.start_s
