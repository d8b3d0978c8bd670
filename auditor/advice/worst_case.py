"""The worst that a rig can do to its HF driver for long: noise at the amplifier's clip point.

Noise of a crest factor of 2, as loudspeakers are tested with, whose peaks just reach the amplifier's rail and all of
which lies in the HF branch's band. It is held for ten minutes. Its peaks are above any peak rating and no part with a
thermal delay can act on a peak; so here only what heats counts.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.audit_types import Cause
from auditor.chain.divider import is_per_frequency, steady_division
from auditor.chain.splitter import DEFAULT_FRAME_S, HfFrames
from auditor.units import db_to_amplitude

if TYPE_CHECKING:
    from auditor.rig import Rig

HELD_S = 600.0  # own definition: long enough for a coil to settle, and longer than anybody lets it go on
HEATING: tuple[Cause, ...] = ("driver_power_1s", "driver_power_60s", "coil_temp")


def worst_case_v(rig: Rig) -> float:
    """Voltage of that noise at the HF branch, into the driver alone [V rms]."""
    crest = math.sqrt(published.PEAK_POWER_RATIO.value)
    return rig.amplifier.rail_v / crest * db_to_amplitude(-rig.crossover.pad_db)


def worst_case(rig: Rig, *, frame_s: float = DEFAULT_FRAME_S) -> HfFrames:
    """Ten minutes of it.

    Parameters
    ----------
    rig : Rig
    frame_s : float
        Frame length [s].
    """
    frames = round(HELD_S / frame_s)
    rms_v = worst_case_v(rig)
    crest = math.sqrt(published.PEAK_POWER_RATIO.value)
    return HfFrames(
        frame_s=frame_s,
        duration_s=frames * frame_s,
        rms_v=np.full(frames, rms_v, dtype=np.float32),
        peak_v=np.full(frames, crest * rms_v, dtype=np.float32),
        division=steady_division(rig).repeated(frames) if is_per_frequency(rig) else None,
    )
