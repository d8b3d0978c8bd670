"""What a sample is in volts at the amplifier's output terminals, before the amplifier runs out of rail.

How that voltage is known is the rig file's business (`auditor.rig_calibration`); the arithmetic of the four ways is
here.

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


def unity_by_line_up_v(*, full_scale_dbu: float, amplifier_gain_db: float) -> float:
    """Full-scale sine at the amplifier's output [V rms] from the mixer's level [dBu] and the amplifier's gain [dB]."""
    return volts(full_scale_dbu + amplifier_gain_db)


def unity_by_meter_v(*, tone_dbfs: float, reading_v: float, on_the_way_db: float = 0.0) -> float:
    """Full-scale sine [V rms] from a reading with a quieter tone.

    Parameters
    ----------
    tone_dbfs : float
        Level of the tone, a full-scale sine being 0 [dB].
    reading_v : float
        Voltage at the amplifier's output with it [V rms].
    on_the_way_db : float
        What equaliser and active crossover do at the tone's frequency [dB]: the reading has it, full scale has not.
    """
    return reading_v * 10.0 ** (-(tone_dbfs + on_the_way_db) / 20.0)


def unity_by_clip_v(*, rail_v: float, full_scale_re_clip_db: float) -> float:
    """Full-scale sine [V rms] that stands so far past the sine that just clips [dB]."""
    return rail_v / math.sqrt(2.0) * float(10.0 ** (full_scale_re_clip_db / 20.0))


def programme_by_spl_v(*, target_spl_db: float, distance_m: float, sensitivity_db: float) -> float:
    """Mean voltage at the box that makes a sound level at a distance [V rms].

    Parameters
    ----------
    target_spl_db : float
        Sound level of one box by itself [dB].
    distance_m : float
        In the open: 6.02 dB less for each doubling, from 1 m on.
    sensitivity_db : float
        Sound level at 1 m on `published.SENSITIVITY_VOLTAGE_V` [dB].
    """
    at_one_metre_db = target_spl_db + 20.0 * math.log10(distance_m)
    return published.SENSITIVITY_VOLTAGE_V.value * float(10.0 ** ((at_one_metre_db - sensitivity_db) / 20.0))


def unity_by_spl_v(*, programme_v: float, target_level_dbfs: float) -> float:
    """Full-scale sine [V rms] where programme of that mean level [dBFS] has that mean voltage [V rms]."""
    return programme_v * 10.0 ** (-target_level_dbfs / 20.0)


def dbu(voltage_v: float) -> float:
    """A voltage [V rms] as a level [dBu]."""
    return 20.0 * math.log10(voltage_v / published.ZERO_DBU_V.value)


def volts(level_dbu: float) -> float:
    """A level [dBu] as a voltage [V rms]."""
    return published.ZERO_DBU_V.value * float(10.0 ** (level_dbu / 20.0))
