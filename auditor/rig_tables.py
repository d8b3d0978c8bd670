"""The tables of the rig file as pydantic models: keys, units, ranges and the reasons for the ranges.

Only what one value says about itself is here; what two values say together is in `auditor/rig_resolve.py`.
A key that is optional here is filled in there and reported as assumed.
"""

from __future__ import annotations

from typing import Literal

from auditor.rig_fields import RigTable, choice, quantity
from auditor.rig_level_table import Level

NO_NEGATIVE_OHMS = "a resistance is above zero"
NO_NEGATIVE_POWER = "a power rating is above zero"
NO_NEGATIVE_TIME = "a time is not negative"
THERMAL_ABOVE_ZERO = "heat does not flow uphill: a thermal resistance is above zero"


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

    gain_db: float | None = quantity(
        "Voltage gain of one channel.",
        unit="dB",
        low=-20.0,
        high=80.0,
        optional=True,
    )
    rated_power_w: float = quantity(
        "Sine power of one channel at clipping into rated_load_ohm.",
        unit="W",
        low=0.01,
        high=50_000.0,
        below=NO_NEGATIVE_POWER,
    )
    rated_load_ohm: float = quantity(
        "The load of that rating.", unit="ohm", low=0.5, high=1000.0, below=NO_NEGATIVE_OHMS
    )
    band: Literal["full", "hf"] | None = choice(
        "What it drives: the whole box through a passive crossover, or the HF driver alone (active).", optional=True
    )
    bridged: bool | None = choice(
        "Two channels bridged onto one load: rail doubled, gain 6.02 dB more; power, load and gain stay those of one.",
        optional=True,
    )
    boxes: int | None = quantity(
        "Equal boxes in parallel on this output.",
        unit="",
        low=1,
        high=64,
        below="at least one box",
        above="no amplifier drives that many",
        optional=True,
    )
    box_impedance_ohm: float | None = quantity(
        "Rated impedance of one box.", unit="ohm", low=0.5, high=1000.0, below=NO_NEGATIVE_OHMS, optional=True
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


class CrossoverPart(RigTable):
    """One ``[[crossover.parts]]`` table."""

    kind: Literal[
        "series_capacitor",
        "series_inductor",
        "series_resistor",
        "shunt_capacitor",
        "shunt_inductor",
        "shunt_resistor",
        "zobel",
        "l_pad",
    ] = choice("What the part is, and whether it stands in series or across.")
    capacitance_f: float | None = quantity(
        "Of a capacitor or a zobel.",
        unit="F",
        low=1e-9,
        high=0.01,
        below="no crossover has so small a capacitor",
        above="no crossover has so large a capacitor: 4.7 uF is written 4.7e-6",
        optional=True,
    )
    inductance_h: float | None = quantity(
        "Of an inductor.",
        unit="H",
        low=1e-6,
        high=0.2,
        below="no crossover has so small an inductor",
        above="no crossover has so large an inductor: 0.5 mH is written 0.5e-3",
        optional=True,
    )
    resistance_ohm: float | None = quantity(
        "Of a resistor or a zobel, or of an inductor's wire.",
        unit="ohm",
        low=0.0,
        high=10_000.0,
        below="a resistance is not negative",
        optional=True,
    )
    pad_db: float | None = quantity(
        "Loss of an l_pad into the driver's rated impedance.",
        unit="dB",
        low=0.1,
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
    impedance_file: str | None = choice(
        "Measured impedance, three columns: Hz, ohm, degrees; the path is taken from the rig file's folder.",
        optional=True,
    )
    voice_coil_inductance_h: float | None = quantity(
        "Inductance of the voice coil; gives a modelled impedance instead of a measured one.",
        unit="H",
        low=0.0,
        high=0.1,
        below="an inductance is not negative",
        above="no voice coil has so much: 0.05 mH is written 0.05e-3",
        optional=True,
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
    series_count: int | None = quantity(
        "Equal HF drivers in a string, on one branch.", unit="", low=1, high=64, below="at least one", optional=True
    )
    parallel_count: int | None = quantity(
        "Equal strings of them in parallel.", unit="", low=1, high=64, below="at least one", optional=True
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
    "crossover.parts": CrossoverPart,
    "driver": Driver,
    "site": Site,
}
REQUIRED_TABLES = ("level", "amplifier", "crossover", "protection", "driver")
TABLE_NAMES = ("level", "equaliser", "limiter", *REQUIRED_TABLES[1:], "site")
# Where no key is needed by itself, what a table must hold.
LEAST_KEYS = {"level": "full_scale_dbu, or another calibration"}
LIST_TABLES = ("equaliser", "crossover.parts")  # written [[equaliser]], as often as there are sections
EITHER_TABLES = ("limiter",)  # written [limiter], or [[limiter]] as often as there are
