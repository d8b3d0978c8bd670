"""What the program assumes where the rig file is silent, why, and how far off it may be.

Source and range
----------------
Where an assumption has a source its record in `auditor.published` is cited; the others are common practice without a
source, and say so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from auditor import published

if TYPE_CHECKING:
    from auditor.rig import Rig

ASSUMED_AMBIENT_TEMP_C = 25.0  # a mild evening; common practice, no source
RATING_AMBIENT_C = 25.0  # the air a rating is taken to be stated for; common practice, no source
ASSUMED_AVERAGING_S = 0.020  # of an rms detector; common practice, no source
ASSUMED_COIL_DIAMETER_MM = 44.0  # the usual 1.75 inch of a compression driver; common practice, no source
ASSUMED_COIL_MATERIAL: Literal["copper"] = "copper"
ASSUMED_BOX_OHM = 8.0  # common practice, no source
ASSUMED_PROGRAMME_DBFS = -14.0  # of music as it is mastered today; common practice, no source
ASSUMED_TONE_HZ = 315.0  # that of `auditor tone`
ASSUMED_DC_RATIO = 0.72  # of the rated impedance; common practice, no source

_CLASS_H = next(f"class {name}" for name, temp_c in published.THERMAL_CLASSES_C.value if temp_c == 180)
_RATING = "so that the coil settles at its limit at its continuous rating; split between coil and body 0.6 to 0.4"
_CHAPMAN = "from the coil's diameter through two measured drivers (Chapman 1998, second-hand)"

# Dotted key -> unit, why, and the band within which the true value is likely to lie.
_REASONS: dict[str, tuple[str, str, str]] = {
    "level.gain_db": ("dB", "nothing between mixer and amplifier", "set it if there is a processor or a trimmed input"),
    "level.calibration_frequency_hz": ("Hz", "the tone of `auditor tone`", "that of the tone you played"),
    "level.target_level_dbfs": (
        "dBFS",
        "music as it is mastered today; common practice, no source",
        "-24 speech and acoustic music, -8 the densest; read it off the mixer's rms meter",
    ),
    "level.channels": ("", "each: every channel of the file has its own amplifier", ""),
    "level.mono_gain_db": ("dB", "the mean of the channels, (L + R)/2; no source", "up to 6.02 where it is L + R"),
    "amplifier.bridged": ("", "false", ""),
    "amplifier.boxes": ("", "1", ""),
    "amplifier.box_impedance_ohm": (
        "ohm",
        "common practice, no source; behind an HF amplifier that of the HF drivers",
        "4 to 16; counts only for the load",
    ),
    "driver.series_count": ("", "1", ""),
    "driver.parallel_count": ("", "1", ""),
    "amplifier.band": ("", "full: one amplifier drives the whole box through a passive crossover", ""),
    "limiter.ratio": ("", "nothing more than the threshold comes out", ""),
    "limiter.band": ("", "that of the amplifier", ""),
    "limiter.hold_s": ("s", "it lets go at once", "0 to 0.1 s"),
    "limiter.averaging_s": (
        "s",
        "short against attack and release, long against a wave; common practice, no source",
        "0.01 to 0.3 s",
    ),
    "crossover.parts.resistance_ohm": (
        "ohm",
        "an inductor without loss",
        "0.1 to 1 ohm; measure it with a meter",
    ),
    "crossover.pad_db": ("dB", "no pad", "many two-way boxes have one of 3 to 10 dB"),
    "protection.series_count": ("", "a single lamp", ""),
    "protection.parallel_count": ("", "a single lamp", ""),
    "protection.design_temp_k": ("K", "from the lamp's class; common practice, no source", "give or take 75 K"),
    "protection.gas_loss_ratio": ("", "from the lamp's class; common practice, no source", "0.03 to 0.20"),
    "protection.rated_life_h": ("h", "the commonest life in the trade; common practice, no source", "200 to 5000 h"),
    "protection.body": (
        "",
        "the commonest in loudspeakers; common practice, no source",
        "look at the tube",
    ),
    "protection.cold_resistance_ohm": (
        "ohm",
        "between the listed ratings of its characteristic, or as in the listed body",
        "half to twice; measure it with a meter",
    ),
    "protection.resistance_ohm": ("ohm", "between the listed ratings", "half to twice; measure it with a meter"),
    "protection.max_resistance_ohm": (
        "ohm",
        "the resistance given, without tolerance",
        "a third to twice as much more",
    ),
    "protection.max_voltage_v": (
        "V",
        "the lower of the two series in the list",
        "up to 60 V; see the part's datasheet",
    ),
    "protection.release_v": ("V", "3 dB under the threshold; common practice, no source", "1 to 10 dB under it"),
    "protection.attack_s": ("s", "a fast circuit; common practice, no source", "0.002 to 0.05 s"),
    "protection.hold_s": ("s", "common practice, no source", "0.2 to 10 s"),
    "protection.switch_s": ("s", "a small relay; common practice, no source", "0.003 to 0.02 s"),
    "driver.dc_resistance_ohm": (
        "ohm",
        f"{ASSUMED_DC_RATIO} of the rated impedance; common practice, no source",
        "0.6 to 0.85 of it; measure it with a meter",
    ),
    "driver.program_power_w": ("W", "twice the continuous rating; common practice, no source", "none to twice as much"),
    "driver.peak_power_w": (
        "W",
        "four times the continuous rating, the peaks of test noise of crest factor 2 (IEC 60268-5, from memory)",
        "twice to eight times",
    ),
    "driver.coil_material": ("", "commonest for its rating; common practice, no source", "aluminium differs by 3 %"),
    "driver.coil_diameter_mm": ("mm", "a common compression driver; no source", "domes 19 to 28 mm, others to 100 mm"),
    "driver.coil_temp_limit_c": ("C", f"IEC 60085 {_CLASS_H}", "120 to 200 C; a dome may be 150 C"),
    "driver.coil_thermal_resistance_k_per_w": ("K/W", _RATING, "give or take 40 %"),
    "driver.body_thermal_resistance_k_per_w": ("K/W", _RATING, "give or take 40 %"),
    "driver.coil_time_constant_s": ("s", _CHAPMAN, "half to twice"),
    "driver.body_time_constant_s": ("s", _CHAPMAN, "half to twice"),
    "site.ambient_temp_c": ("C", "a mild evening; no source", "-5 to 45 C outdoors; hotter inside a box in the sun"),
}


def describe(rig: Rig) -> list[str]:
    """One sentence for each of `rig.assumed`, in its order."""
    return [_sentence(rig, key) for key in rig.assumed]


def _sentence(rig: Rig, dotted: str) -> str:
    *table, key = [word for word in dotted.split(".") if not word.isdigit()]
    unit, why, band = _REASONS.get(".".join((*table, key)), ("", "not given", ""))
    text = f"{dotted} {shown_value(getattr(_holder(rig, dotted), key), unit)}: assumed, {why}"
    return f"{text} ({band})." if band else f"{text}."


def _holder(rig: Rig, dotted: str) -> object:
    """What has the value: of several limiters, or parts of a network, each has its number."""
    table, *number = dotted.split(".")[:-1]
    at = int(number[-1]) - 1 if number else 0
    if table == "limiter":
        return rig.limiters[at]
    if number and rig.crossover.network is not None:
        return rig.crossover.network.parts[at]
    return getattr(rig, table)


def shown_value(value: float | str, unit: str) -> str:
    """A resolved value with its unit, in three figures, from a thousand up in four."""
    text = value if isinstance(value, str) else f"{value:.{4 if value >= 1000 else 3}g}"
    return f"{text} {unit}".rstrip()
