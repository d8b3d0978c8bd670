"""The tables of the rig file as pydantic models: keys, units, ranges and the reasons for the ranges.

Only what one value says about itself is here; what two values say together is in `auditor/rig_resolve.py`.
A key that is optional here is filled in there and reported as assumed.
"""

from __future__ import annotations

from typing import Literal

from auditor.rig_fields import RigTable, choice, quantity

NO_NEGATIVE_OHMS = "a resistance is above zero"
NO_NEGATIVE_POWER = "a power rating is above zero"
THERMAL_ABOVE_ZERO = "heat does not flow uphill: a thermal resistance is above zero"


class Level(RigTable):
    """The ``[level]`` table."""

    full_scale_dbu: float = quantity("Level of a 0 dBFS sine leaving the mixer.", unit="dBu", low=-40.0, high=40.0)
    gain_db: float | None = quantity(
        "Everything between the mixer and the amplifier input.", unit="dB", low=-120.0, high=60.0, optional=True
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


class Site(RigTable):
    """The ``[site]`` table."""

    ambient_temp_c: float | None = quantity(
        "Temperature of the air round the driver.", unit="C", low=-40.0, high=85.0, optional=True
    )


# [protection] has one model for each method and is looked up by its kind.
TABLES: dict[str, type[RigTable]] = {
    "level": Level,
    "amplifier": Amplifier,
    "crossover": Crossover,
    "driver": Driver,
    "site": Site,
}
REQUIRED_TABLES = ("level", "amplifier", "crossover", "protection", "driver")
TABLE_NAMES = (*REQUIRED_TABLES, "site")

# Dotted keys and tables that belong to the rig file but are not built yet: refused with that reason.
LATER_TABLES = ("limiter", "equaliser")
LATER_KEYS = (
    "crossover.parts",
    "level.full_scale_re_clip_db",
    "level.calibration_tone_dbfs",
    "level.calibration_voltage_v",
    "level.match_loudness_lufs",
)
