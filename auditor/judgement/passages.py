"""Which stretches of a track are flagged, why, and by how much.

A passage is a run of frames in which one quantity is over its limit, with gaps of up to a second or two bridged. A
passage over a window's mean starts where the first such window starts, since that is the music that filled it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from auditor.audit_types import Cause, End, Passage, Verdict
from auditor.judgement.ratings import LONG_WINDOW_S, SHORT_WINDOW_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.judgement.ratings import Stretch
    from auditor.protection.contract import Failure, Run
    from auditor.rig import Rig

# The protective part counts as working from this loss against the cold part on: about what an attentive ear notices.
# Own definition.
ENGAGED_FROM_DB = 1.0
_BRIDGE_S: dict[Cause, float] = {
    "driver_power_1s": 1.0,
    "driver_power_60s": 2.0,
    "driver_power_peak": 1.0,
    "coil_temp": 2.0,
    "protection_engaged": 2.0,
    "excursion": 1.0,
}


@dataclass
class _Runs:
    """Runs of flagged frames of one cause, collected stretch by stretch: [first, end, worst value]."""

    found: list[list[float]] = field(default_factory=list)

    def add(self, values: NDArray[np.float32], limit: float, first_frame: int, bridge: int) -> None:
        flagged = np.flatnonzero(values > limit)
        if not len(flagged):
            return
        breaks = np.flatnonzero(np.diff(flagged) > bridge) + 1
        for group in np.split(flagged, breaks):
            start, end = int(group[0]) + first_frame, int(group[-1]) + 1 + first_frame
            worst = float(values[group[0] : group[-1] + 1].max())
            if self.found and start - self.found[-1][1] <= bridge:
                self.found[-1][1] = end
                self.found[-1][2] = max(self.found[-1][2], worst)
            else:
                self.found.append([start, end, worst])


class PassageFinder:
    """Looks through one channel, stretch by stretch, for what to flag."""

    def __init__(self, rig: Rig, channel: int, frame_s: float, *, part_at: End | None = None) -> None:
        driver = rig.driver
        self._part_at = part_at
        self._channel = channel
        self._frame_s = frame_s
        self._limits: dict[Cause, tuple[float, str]] = {
            "driver_power_1s": (driver.program_power_w, "W"),
            "driver_power_60s": (driver.continuous_power_w, "W"),
            "driver_power_peak": (driver.peak_power_w, "W"),
            "coil_temp": (driver.coil_temp_limit_c, "C"),
            "protection_engaged": (ENGAGED_FROM_DB, "dB"),
        }
        if driver.excursion_limit_mm is not None:
            self._limits["excursion"] = (driver.excursion_limit_mm, "mm")
        self._runs: dict[Cause, _Runs] = {cause: _Runs() for cause in self._limits}
        self._failures: list[Passage] = []

    def look(self, stretch: Stretch) -> None:
        """Take the next stretch."""
        run = stretch.run
        values: dict[Cause, NDArray[np.float32]] = {
            "driver_power_1s": stretch.power_1s_w,
            "driver_power_60s": stretch.power_60s_w,
            "driver_power_peak": stretch.power_peak_w,
            "coil_temp": run.coil_temp_c,
            "protection_engaged": _while_it_lasts(run),
        }
        if stretch.displacement_mm is not None:
            values["excursion"] = stretch.displacement_mm
        for cause, (limit, _) in self._limits.items():
            bridge = max(1, round(_BRIDGE_S[cause] / self._frame_s))
            self._runs[cause].add(values[cause], limit, stretch.first_frame, bridge)
        if run.failure is not None and not self._failures:
            self._failures.append(self._failure(stretch.first_frame * self._frame_s, run.failure))

    def finish(self, duration_s: float) -> list[Passage]:
        """Every passage, in order of time."""
        passages = [
            Passage(
                start_s=max(0.0, self._start_s(cause, first, duration_s)),
                end_s=min(end * self._frame_s, duration_s),
                channel=self._channel,
                verdict=_verdict_of(cause),
                cause=cause,
                value=worst,
                limit=self._limits[cause][0],
                unit=self._limits[cause][1],
                part_at=self._part_at,
            )
            for cause, runs in self._runs.items()
            for first, end, worst in runs.found
        ]
        return sorted(passages + self._failures, key=lambda passage: (passage.start_s, passage.cause))

    def _failure(self, stretch_s: float, failure: Failure) -> Passage:
        at_s = stretch_s + failure.at_s
        return Passage(
            start_s=at_s,
            end_s=at_s + self._frame_s,
            channel=self._channel,
            verdict="risk",
            cause="protection_failed",
            value=failure.value,
            limit=failure.limit,
            unit=failure.unit,
            part_at=self._part_at,
        )

    def _start_s(self, cause: Cause, first: float, duration_s: float) -> float:
        window_s = {"driver_power_1s": SHORT_WINDOW_S, "driver_power_60s": LONG_WINDOW_S}.get(cause)
        if window_s is None:
            return first * self._frame_s
        # A window's mean is that up to the end of its frame.
        return (first + 1.0) * self._frame_s - min(window_s, duration_s)


def _while_it_lasts(run: Run) -> NDArray[np.float32]:
    """Attenuation by a part that is whole: one that is destroyed does not work, it has failed."""
    if run.failure is None:
        return run.attenuation_db
    attenuation_db = run.attenuation_db.copy()
    attenuation_db[round(run.failure.at_s / run.frame_s) :] = 0.0
    return attenuation_db


def _verdict_of(cause: Cause) -> Verdict:
    return "engaged" if cause == "protection_engaged" else "risk"
