"""The ``[level]`` table of the rig file: four ways to say what full scale is in volts, of which a rig file uses one.

What the keys say together is in `auditor/rig_calibration.py`.
"""

from __future__ import annotations

from typing import Literal

from auditor.rig_fields import RigTable, choice, quantity


class Level(RigTable):
    """The ``[level]`` table."""

    full_scale_dbu: float | None = quantity(
        "Level of a 0 dBFS sine leaving the mixer; needs amplifier.gain_db.",
        unit="dBu",
        low=-40.0,
        high=40.0,
        optional=True,
    )
    gain_db: float | None = quantity(
        "Everything between the mixer and the amplifier input; with another calibration: what was changed since.",
        unit="dB",
        low=-120.0,
        high=60.0,
        optional=True,
    )
    calibration_tone_dbfs: float | None = quantity(
        "Level of the tone that was played, a full-scale sine being 0.",
        unit="dBFS",
        low=-100.0,
        high=0.0,
        below="too quiet to read on a meter",
        above="no tone is louder than full scale",
        optional=True,
    )
    calibration_voltage_v: float | None = quantity(
        "What a meter read at the amplifier's loudspeaker terminals with that tone, rms.",
        unit="V",
        low=0.001,
        high=1000.0,
        below="a reading is above zero: is the meter on AC volts, and the amplifier on?",
        optional=True,
    )
    calibration_frequency_hz: float | None = quantity(
        "Frequency of that tone; matters behind an equaliser or an active crossover.",
        unit="Hz",
        low=20.0,
        high=20_000.0,
        below="lower than anything audible",
        above="higher than anything audible",
        optional=True,
    )
    full_scale_re_clip_db: float | None = quantity(
        "Level of a 0 dBFS sine against the amplifier's clipping: negative below it, positive past it.",
        unit="dB",
        low=-60.0,
        high=60.0,
        optional=True,
    )
    target_spl_db: float | None = quantity(
        "Sound level of one box alone at target_distance_m, continuous (Leq, unweighted), with programme of a mean "
        "level of target_level_dbfs.",
        unit="dB",
        low=40.0,
        high=150.0,
        below="quieter than talk",
        above="louder than any box",
        optional=True,
    )
    target_distance_m: float | None = quantity(
        "Distance from the box to where that level is.", unit="m", low=0.1, high=500.0, optional=True
    )
    target_level_dbfs: float | None = quantity(
        "Mean (rms) level of that programme, a full-scale sine being 0.",
        unit="dBFS",
        low=-60.0,
        high=0.0,
        above="no programme has a mean level above that of a full-scale sine",
        optional=True,
    )
    box_sensitivity_db: float | None = quantity(
        "Sound level of the box at 1 m on 2.83 V (1 W into 8 ohm), on axis, in the open.",
        unit="dB",
        low=60.0,
        high=125.0,
        optional=True,
    )
    channels: Literal["each", "mono"] | None = choice(
        "Whether each channel of the file has its own amplifier, or all are summed into one.", optional=True
    )
    mono_gain_db: float | None = quantity(
        "Gain of that sum against the mean of the channels, (L + R)/2; a plain sum L + R has 6.02.",
        unit="dB",
        low=-40.0,
        high=20.0,
        optional=True,
    )
    match_loudness_lufs: float | None = quantity(
        "The fader is ridden so that every track plays at this integrated loudness; left out, it stays where it is.",
        unit="LUFS",
        low=-60.0,
        high=0.0,
        below="quieter than any programme",
        above="louder than any programme; a loudness in LUFS is below zero, as in -20",
        optional=True,
    )
