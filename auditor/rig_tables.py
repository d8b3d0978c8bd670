"""The tables of the rig file as pydantic models: keys, units, ranges and the reasons for the ranges.

Only what one value says about itself is here; what two values say together is in `auditor/rig_resolve.py`.
A key that is optional here is filled in there and reported as assumed.
"""

from __future__ import annotations

from typing import Literal

from auditor.rig_fields import RigTable, choice, quantity

NO_NEGATIVE_OHMS = "a resistance is above zero"
NO_NEGATIVE_POWER = "a power rating is above zero"
NO_NEGATIVE_TIME = "a time is not negative"
THERMAL_ABOVE_ZERO = "heat does not flow uphill: a thermal resistance is above zero"


class Level(RigTable):
    """The ``[level]`` table."""

    full_scale_dbu: float = quantity("Level of a 0 dBFS sine leaving the mixer.", unit="dBu", low=-40.0, high=40.0)
    gain_db: float | None = quantity(
        "Everything between the mixer and the amplifier input.", unit="dB", low=-120.0, high=60.0, optional=True
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


class EqualiserSection(RigTable):
    """One ``[[equaliser]]`` table."""

    kind: Literal["peaking", "low_shelf", "high_shelf", "low_pass", "high_pass"] = choice("What the section does.")
    frequency_hz: float = quantity(
        "Centre or corner.",
        unit="Hz",
        low=10.0,
        high=24_000.0,
        below="lower than anything audible",
        above="higher than anything audible",
    )
    gain_db: float | None = quantity(
        "Gain of a peaking section or a shelf.",
        unit="dB",
        low=-30.0,
        high=30.0,
        below="no equaliser takes away that much",
        above="no equaliser gives that much",
        optional=True,
    )
    q: float = quantity("Quality: 0.707 is a Butterworth corner, more is narrower.", unit="", low=0.1, high=50.0)


class Limiter(RigTable):
    """The ``[limiter]`` table, or one of several ``[[limiter]]``."""

    detector: Literal["peak", "rms"] = choice("What it answers to.")
    threshold_dbu: float | None = quantity(
        "Threshold at the amplifier's input: level of a sine that just reaches it.",
        unit="dBu",
        low=-60.0,
        high=40.0,
        optional=True,
    )
    threshold_v: float | None = quantity(
        "The same at the amplifier's output, instead: rms of a sine that just reaches it.",
        unit="V",
        low=0.01,
        high=1000.0,
        below="a threshold is above zero",
        optional=True,
    )
    attack_s: float = quantity(
        "Time to 63 % of the gain reduction called for.", unit="s", low=0.0, high=60.0, below=NO_NEGATIVE_TIME
    )
    hold_s: float | None = quantity(
        "Time before it begins to let go.", unit="s", low=0.0, high=60.0, below=NO_NEGATIVE_TIME, optional=True
    )
    release_s: float = quantity(
        "Time to 63 % of letting go.",
        unit="s",
        low=0.001,
        high=600.0,
        below="it would let go within a wave",
    )
    ratio: float | None = quantity(
        "Decibels over the threshold for one that comes out; left out, nothing more comes out.",
        unit="",
        low=1.1,
        high=1000.0,
        below="a ratio of 1 does nothing, and less is an expander",
        above="leave it out for a limiter that lets nothing more through",
        optional=True,
    )
    averaging_s: float | None = quantity(
        "Time constant over which the rms detector averages.",
        unit="s",
        low=0.001,
        high=60.0,
        optional=True,
    )
    band: Literal["full", "hf"] | None = choice(
        "What it limits: everything, or behind an active crossover the HF band alone.", optional=True
    )


class Amplifier(RigTable):
    """The ``[amplifier]`` table."""

    gain_db: float = quantity("Voltage gain.", unit="dB", low=-20.0, high=80.0)
    rated_power_w: float = quantity(
        "Sine power at clipping into rated_load_ohm.", unit="W", low=0.01, high=50_000.0, below=NO_NEGATIVE_POWER
    )
    rated_load_ohm: float = quantity(
        "The load of that rating.", unit="ohm", low=0.5, high=1000.0, below=NO_NEGATIVE_OHMS
    )
    band: Literal["full", "hf"] | None = choice(
        "What it drives: the whole box through a passive crossover, or the HF driver alone (active).", optional=True
    )


class Crossover(RigTable):
    """The ``[crossover]`` table."""

    alignment: Literal["linkwitz-riley", "butterworth", "bessel", "none"] = choice("High-pass of the HF branch.")
    order: int | None = quantity(
        "Order of the high-pass.", unit="", low=1, high=8, below="the lowest order is 1", optional=True
    )
    frequency_hz: float | None = quantity(
        "Crossover frequency.",
        unit="Hz",
        low=20.0,
        high=20_000.0,
        below="lower than anything audible",
        above="higher than anything audible",
        optional=True,
    )
    pad_db: float | None = quantity(
        "Loss between crossover and driver.",
        unit="dB",
        low=0.0,
        high=60.0,
        below="a pad only takes away: write its loss as a positive number",
        above="no pad takes away that much",
        optional=True,
    )


class Driver(RigTable):
    """The ``[driver]`` table."""

    rated_impedance_ohm: float = quantity(
        "Impedance on the label.", unit="ohm", low=0.5, high=1000.0, below=NO_NEGATIVE_OHMS
    )
    dc_resistance_ohm: float | None = quantity(
        "Voice coil's resistance, cold (20 C).", unit="ohm", low=0.1, high=1000.0, below=NO_NEGATIVE_OHMS, optional=True
    )
    continuous_power_w: float = quantity(
        "Continuous (noise) rating.", unit="W", low=0.01, high=10_000.0, below=NO_NEGATIVE_POWER
    )
    program_power_w: float | None = quantity(
        "Programme rating.", unit="W", low=0.01, high=40_000.0, below=NO_NEGATIVE_POWER, optional=True
    )
    peak_power_w: float | None = quantity(
        "Peak rating.", unit="W", low=0.01, high=100_000.0, below=NO_NEGATIVE_POWER, optional=True
    )
    coil_material: Literal["copper", "aluminium"] | None = choice("Wire of the voice coil.", optional=True)
    coil_diameter_mm: float | None = quantity(
        "Diameter of the voice coil.", unit="mm", low=5.0, high=200.0, optional=True
    )
    coil_temp_limit_c: float | None = quantity(
        "Highest coil temperature allowed.",
        unit="C",
        low=50.0,
        high=400.0,
        below="every voice coil stands more",
        above="adhesives and wire enamel do not stand it; high-power coils end near 288 C",
        optional=True,
    )
    coil_thermal_resistance_k_per_w: float | None = quantity(
        "Coil to body.", unit="K/W", low=0.01, high=1000.0, below=THERMAL_ABOVE_ZERO, optional=True
    )
    body_thermal_resistance_k_per_w: float | None = quantity(
        "Body to ambient.", unit="K/W", low=0.01, high=1000.0, below=THERMAL_ABOVE_ZERO, optional=True
    )
    coil_time_constant_s: float | None = quantity(
        "Time constant of the coil.", unit="s", low=0.01, high=1000.0, optional=True
    )
    body_time_constant_s: float | None = quantity(
        "Time constant of the body.", unit="s", low=1.0, high=100_000.0, optional=True
    )
    resonance_hz: float | None = quantity(
        "Resonance of the driver as it is mounted.", unit="Hz", low=10.0, high=20_000.0, optional=True
    )
    mechanical_q: float | None = quantity(
        "Quality of the resonance by its mechanical losses alone.", unit="", low=0.1, high=100.0, optional=True
    )
    electrical_q: float | None = quantity(
        "Quality of the resonance by the voice coil's damping alone.", unit="", low=0.01, high=100.0, optional=True
    )
    total_q: float | None = quantity(
        "Quality of the resonance by all damping, instead of the two.", unit="", low=0.01, high=50.0, optional=True
    )
    moving_mass_g: float | None = quantity(
        "Moving mass of a direct-radiating dome, with its air.",
        unit="g",
        low=0.01,
        high=50.0,
        below="no dome is that light, unless written in kilograms",
        above="no HF driver is that heavy, unless written in milligrams",
        optional=True,
    )
    force_factor_t_m: float | None = quantity(
        "Force factor Bl.",
        unit="T m",
        low=0.1,
        high=30.0,
        below="a motor pushes with more than nothing",
        optional=True,
    )
    excursion_limit_mm: float | None = quantity(
        "How far the dome may move out of rest, one way, peak.",
        unit="mm",
        low=0.01,
        high=20.0,
        below="a driver that cannot move gives no sound",
        above="no HF driver moves that far",
        optional=True,
    )


class Site(RigTable):
    """The ``[site]`` table."""

    ambient_temp_c: float | None = quantity(
        "Temperature of the air round the driver.", unit="C", low=-40.0, high=85.0, optional=True
    )


# [protection] has one model for each method and is looked up by its kind.
TABLES: dict[str, type[RigTable]] = {
    "level": Level,
    "equaliser": EqualiserSection,
    "limiter": Limiter,
    "amplifier": Amplifier,
    "crossover": Crossover,
    "driver": Driver,
    "site": Site,
}
REQUIRED_TABLES = ("level", "amplifier", "crossover", "protection", "driver")
TABLE_NAMES = ("level", "equaliser", "limiter", *REQUIRED_TABLES[1:], "site")
LIST_TABLES = ("equaliser",)  # written [[equaliser]], as often as there are sections
EITHER_TABLES = ("limiter",)  # written [limiter], or [[limiter]] as often as there are

# Dotted keys and tables that belong to the rig file but are not built yet: refused with that reason.
LATER_TABLES: tuple[str, ...] = ()
LATER_KEYS = (
    "crossover.parts",
    "level.full_scale_re_clip_db",
    "level.calibration_tone_dbfs",
    "level.calibration_voltage_v",
)
