"""The electro-thermal heart: what reaches the driver, what the protective part does, and how hot each gets.

`simulate` hands the HF branch's voltage to the protection method that the rig names; each method lives in its own file
of `auditor.protection` and answers with the same `Run`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor import protection
from auditor.driver.coil import CoilNetwork

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.protection.contract import Run, ThermalState
    from auditor.rig import Rig


def simulate(
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    rig: Rig,
    *,
    protected: bool = True,
    start: ThermalState | None = None,
    division: Division | None = None,
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
    division : Division, optional
        How part and driver divide each frame, for a rig that knows more of its impedances than one number.

    Returns
    -------
    Run
    """
    network = CoilNetwork.of(rig.driver, rig.site.ambient_temp_c)
    settings = rig.protection if protected else protection.UNPROTECTED
    return protection.method(settings.kind).run(
        settings, network, source_rms_v, frame_s, start=start, division=division
    )
