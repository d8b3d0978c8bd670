"""The electro-thermal heart: what reaches the driver, what the protective part does, and how hot each gets.

`simulate` hands the HF branch's voltage to the protection method that the rig names; each method lives in its own file
of `auditor.protection` and answers with the same `Run`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor import protection
from auditor.driver.coil import CoilNetwork

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.protection.contract import Run, ThermalState
    from auditor.rig import Rig


def simulate(
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    rig: Rig,
    *,
    protected: bool = True,
    start: ThermalState | None = None,
) -> Run:
    """Drive protection and driver with the HF branch's voltage.

    Parameters
    ----------
    source_rms_v : ndarray [shape=(frames,)]
        Voltage of the HF branch after the pad, as it would stand across the cold driver alone [V rms].
    frame_s : float
        Frame length [s].
    rig : Rig
    protected : bool
        False takes the protective part out and drives the driver directly.
    start : ThermalState, optional
        Heat and damage carried over; without it everything starts at ambient and new.

    Returns
    -------
    Run
    """
    network = CoilNetwork.of(rig.driver, rig.site.ambient_temp_c)
    settings = rig.protection if protected else protection.UNPROTECTED
    return protection.method(settings.kind).run(settings, network, source_rms_v, frame_s, start=start)


@dataclass(frozen=True, kw_only=True)
class Course:
    """One way of sending a channel through protection and driver.

    Parameters
    ----------
    rig : Rig
    protected : bool
        False takes the protective part out.
    start : ThermalState or None
        As `simulate`.
    """

    rig: Rig
    protected: bool = True
    start: ThermalState | None = None

    @property
    def settings(self) -> protection.Settings:
        """Of the part that is in the way."""
        return self.rig.protection if self.protected else protection.UNPROTECTED


def simulate_all(source_rms_v: NDArray[np.floating], frame_s: float, courses: Sequence[Course]) -> list[Run]:
    """The same voltage on several courses; quicker than one after the other where the parts allow it.

    Parameters
    ----------
    source_rms_v : ndarray [shape=(frames,)]
    frame_s : float
    courses : sequence of Course
        With one driver and one site.
    """
    from auditor.protection import side_by_side

    network = CoilNetwork.of(courses[0].rig.driver, courses[0].rig.site.ambient_temp_c)
    lanes = {}
    for index, course in enumerate(courses):
        make = getattr(protection.method(course.settings.kind), "lane", None)
        if make is not None:
            lanes[index] = make(course.settings, network, source_rms_v, start=course.start)
    runs = (
        dict(zip(lanes, side_by_side.run(list(lanes.values()), network, frame_s), strict=True))
        if len(lanes) > 1
        else {}
    )
    return [
        runs[index]
        if index in runs
        else simulate(source_rms_v, frame_s, course.rig, protected=course.protected, start=course.start)
        for index, course in enumerate(courses)
    ]
