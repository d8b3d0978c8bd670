"""The electro-thermal heart: what reaches the driver, what the protective part does, and how hot each gets.

`simulate` hands the HF branch's voltage to the protection method that the rig names; each method lives in its own file
of `auditor.protection` and answers with the same `Run`. `simulate_each` does so for several parts on one voltage.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    part = rig.protection if protected else protection.UNPROTECTED
    return simulate_each(source_rms_v, frame_s, rig, [part], starts=[start], division=division)[0]


def simulate_each(
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    rig: Rig,
    parts: Sequence[protection.Settings],
    *,
    starts: Sequence[ThermalState | None],
    division: Division | None = None,
) -> list[Run]:
    """The same voltage through one part after the other in place of the rig's own; side by side where parts allow it.

    Parameters
    ----------
    source_rms_v, frame_s, rig, division
        As `simulate`.
    parts : sequence of Settings
    starts : sequence of (ThermalState or None)
        Heat and damage carried over to each.
    """
    network = CoilNetwork.of(rig.driver, rig.site.ambient_temp_c)
    if len(parts) > 1 and division is None:
        lanes = [lane for part in parts if (lane := protection.lane(part, network.ambient_temp_c)) is not None]
        if len(lanes) == len(parts):
            from auditor.protection import side_by_side

            return side_by_side.run(lanes, network, source_rms_v, frame_s, starts=starts)
    return [
        protection.method(part.kind).run(part, network, source_rms_v, frame_s, start=start, division=division)
        for part, start in zip(parts, starts, strict=True)
    ]
