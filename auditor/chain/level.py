"""What a sample is in volts at the amplifier's output terminals, before the amplifier runs out of rail.

A sine that fills the file's scale leaves an unclipped amplifier at ``rig.full_scale_v`` volts rms, so a sample of 1.0
is its peak: ``sqrt(2) * full_scale_v`` volts. 0 dBu is sqrt(0.6) V (the voltage of 1 mW in 600 ohm).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from auditor import published

if TYPE_CHECKING:
    from auditor.rig import Rig


def volts_per_unit(rig: Rig, *, gain_db: float = 0.0) -> float:
    """Voltage at the amplifier output for a sample of 1.0 [V peak].

    Parameters
    ----------
    rig : Rig
    gain_db : float
        A trial change of level on top of the rig's own [dB].
    """
    return math.sqrt(2.0) * rig.full_scale_v * 10.0 ** (gain_db / 20.0)


def dbu(voltage_v: float) -> float:
    """A voltage [V rms] as a level [dBu]."""
    return 20.0 * math.log10(voltage_v / published.ZERO_DBU_V.value)


def volts(level_dbu: float) -> float:
    """A level [dBu] as a voltage [V rms]."""
    return published.ZERO_DBU_V.value * float(10.0 ** (level_dbu / 20.0))
