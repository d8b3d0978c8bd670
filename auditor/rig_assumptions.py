"""What the program assumes where the rig file is silent, why, and how far off it may be.

Source and range
----------------
Where an assumption has a source its record in `auditor.published` is cited; the others are common practice without a
source, and say so.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from auditor import published
from auditor.units import db_to_amplitude

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

# Dotted key -> unit, why, and a remark on how far off it may be; the band itself is in `SPREADS`.
_REASONS: dict[str, tuple[str, str, str]] = {
    "level.gain_db": ("dB", "nothing between mixer and amplifier", "set it if there is a processor or a trimmed input"),
    "level.calibration_frequency_hz": ("Hz", "the tone of `auditor tone`", "that of the tone you played"),
    "level.target_level_dbfs": (
        "dBFS",
        "music as it is mastered today; common practice, no source",
        "-24 speech and acoustic music, -8 the densest",
    ),
    "level.channels": ("", "each: every channel of the file has its own amplifier", ""),
    "level.mono_gain_db": ("dB", "the mean of the channels, (L + R)/2; no source", ""),
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
    "limiter.hold_s": ("s", "it lets go at once", ""),
    "limiter.averaging_s": (
        "s",
        "short against attack and release, long against a wave; common practice, no source",
        "",
    ),
    "crossover.parts.resistance_ohm": ("ohm", "an inductor without loss", ""),
    "crossover.pad_db": ("dB", "no pad", "many two-way boxes have one"),
    "protection.series_count": ("", "a single lamp", ""),
    "protection.parallel_count": ("", "a single lamp", ""),
    "protection.design_temp_k": ("K", "from the lamp's class; common practice, no source", ""),
    "protection.gas_loss_ratio": ("", "from the lamp's class; common practice, no source", ""),
    "protection.rated_life_h": ("h", "the commonest life in the trade; common practice, no source", ""),
    "protection.body": (
        "",
        "the commonest in loudspeakers; common practice, no source",
        "look at the tube",
    ),
    "protection.cold_resistance_ohm": (
        "ohm",
        "between the listed ratings of its characteristic, or as in the listed body",
        "",
    ),
    "protection.resistance_ohm": ("ohm", "between the listed ratings", ""),
    "protection.max_resistance_ohm": (
        "ohm",
        "the resistance given, without tolerance",
        "",
    ),
    "protection.max_voltage_v": (
        "V",
        "the lower of the two series in the list",
        "see the part's data sheet",
    ),
    "protection.release_v": ("V", "3 dB under the threshold; common practice, no source", "1 to 10 dB under it"),
    "protection.attack_s": ("s", "a fast circuit; common practice, no source", ""),
    "protection.hold_s": ("s", "common practice, no source", ""),
    "protection.switch_s": ("s", "a small relay; common practice, no source", ""),
    "driver.dc_resistance_ohm": (
        "ohm",
        f"{ASSUMED_DC_RATIO} of the rated impedance; common practice, no source",
        "0.6 to 0.85 of it",
    ),
    "driver.program_power_w": (
        "W",
        "twice the continuous rating; common practice, no source",
        "one to four times the continuous rating",
    ),
    "driver.peak_power_w": (
        "W",
        "four times the continuous rating, the peaks of test noise of crest factor 2 (IEC 60268-5, from memory)",
        "twice to eight times",
    ),
    "driver.coil_material": ("", "commonest for its rating; common practice, no source", "aluminium differs by 3 %"),
    "driver.coil_diameter_mm": ("mm", "a common compression driver; no source", "domes 19 to 28 mm"),
    "driver.coil_temp_limit_c": ("C", f"IEC 60085 {_CLASS_H}", "a dome may be 150 C"),
    "driver.coil_thermal_resistance_k_per_w": ("K/W", _RATING, ""),
    "driver.body_thermal_resistance_k_per_w": ("K/W", _RATING, ""),
    "driver.coil_time_constant_s": ("s", _CHAPMAN, ""),
    "driver.body_time_constant_s": ("s", _CHAPMAN, ""),
    "site.ambient_temp_c": ("C", "a mild evening; no source", "hotter inside a box in the sun"),
}


OWN_ESTIMATE = "own estimate"
COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Between what the true value is likely to lie.

    Parameters
    ----------
    low, high : float
        Ends: the value itself, what is added to it, or what it is multiplied by.
    ends : {"value", "added", "ratio"}
        Which of them.
    basis : str
        Where the band comes from.
    how : str
        How to find the true value.
    other : str
        Of a text, what it may be instead.
    """

    low: float = 0.0
    high: float = 0.0
    ends: Literal["value", "added", "ratio"] = "value"
    how: str
    basis: str = OWN_ESTIMATE
    other: str = ""

    def words(self, unit: str) -> str:
        """The band where no value is known yet, as in "0.5 to 2 times it"."""
        if self.other:
            return f"or {self.other}"
        if self.ends == "added":
            return f"give or take {shown_value(self.high, unit)}"
        ends = f"{self.low:.3g} to {self.high:.3g}"
        return f"{ends} times it" if self.ends == "ratio" else f"{ends} {unit}".rstrip()

    def range_of(self, value: float) -> tuple[float, float]:
        """Both ends for a value that was assumed, which is never outside."""
        if self.ends == "added":
            return value + self.low, value + self.high
        if self.ends == "ratio":
            return value * self.low, value * self.high
        return min(self.low, value), max(self.high, value)

    def at(self, value: float, position: float) -> float:
        """The value at a position from -1 to 1; a ratio, or what is above zero throughout, goes by ratios."""
        if position == 0.0:
            return value
        low, high = self.range_of(value)
        end, share = (low if position < 0.0 else high), abs(position)
        if low > 0.0 and self.ends != "added":
            return float(value * (end / value) ** share)
        return value + (end - value) * share


_METER = "measure it with an ohm-meter"
_HEATING = (
    "feed a steady tone of known voltage until all is warm, then tell the coil's temperature by its dc resistance"
)
_COOLING = "warm the coil with a steady tone, switch off, and follow its dc resistance with a meter as it cools"
_DATASHEET = "look it up in the driver's data sheet"
_LAMP_SHEET = "look it up in the lamp's data sheet"
_CIRCUIT = "look it up in the relay circuit's data sheet"

SPREADS: dict[str, Spread] = {
    "level.gain_db": Spread(
        low=-6.0,
        high=6.0,
        ends="added",
        how="play a tone of known level and read the amplifier's output with a voltmeter",
    ),
    "level.target_level_dbfs": Spread(
        low=-24.0,
        high=-8.0,
        basis=COMMON_PRACTICE,
        how="read the mean level of what was played off the mixer's rms meter",
    ),
    "level.mono_gain_db": Spread(
        low=0.0,
        high=20.0 * math.log10(2.0),
        basis="arithmetic, L + R instead of its half",
        how="play the same in every channel, then in one alone, and read both with a voltmeter",
    ),
    "limiter.hold_s": Spread(low=0.0, high=0.1, ends="value", how="read it off the limiter"),
    "limiter.averaging_s": Spread(low=0.01, high=0.3, ends="value", how="read it off the limiter"),
    "crossover.parts.resistance_ohm": Spread(low=0.0, high=1.0, how=_METER),
    "crossover.pad_db": Spread(
        low=0.0,
        high=10.0,
        ends="value",
        basis=COMMON_PRACTICE,
        how="read the resistors of the pad, or the voltage of an HF tone before and behind it",
    ),
    "protection.design_temp_k": Spread(low=-75.0, high=75.0, ends="added", how=_LAMP_SHEET),
    "protection.gas_loss_ratio": Spread(low=0.03, high=0.20, ends="value", how=_LAMP_SHEET),
    "protection.rated_life_h": Spread(low=200.0, high=5000.0, ends="value", how=_LAMP_SHEET),
    "protection.cold_resistance_ohm": Spread(low=0.5, high=2.0, ends="ratio", how=_METER),
    "protection.resistance_ohm": Spread(low=0.5, high=2.0, ends="ratio", how=_METER),
    "protection.max_resistance_ohm": Spread(low=1.0, high=3.0, ends="ratio", how="look it up in the part's data sheet"),
    "protection.max_voltage_v": Spread(low=30.0, high=60.0, ends="value", how="look it up in the part's data sheet"),
    "protection.release_v": Spread(  # 10 dB and 1 dB under the threshold, assumed 3 dB under it
        low=db_to_amplitude(3.0 - 10.0), high=db_to_amplitude(3.0 - 1.0), ends="ratio", how=_CIRCUIT
    ),
    "protection.attack_s": Spread(low=0.002, high=0.05, ends="value", how=_CIRCUIT),
    "protection.hold_s": Spread(low=0.2, high=10.0, ends="value", how=_CIRCUIT),
    "protection.switch_s": Spread(low=0.003, high=0.02, ends="value", how="look it up in the relay's data sheet"),
    "driver.dc_resistance_ohm": Spread(
        low=0.60 / ASSUMED_DC_RATIO, high=0.85 / ASSUMED_DC_RATIO, ends="ratio", basis=COMMON_PRACTICE, how=_METER
    ),
    "driver.program_power_w": Spread(low=0.5, high=2.0, ends="ratio", how=_DATASHEET),
    "driver.peak_power_w": Spread(low=0.5, high=2.0, ends="ratio", how=_DATASHEET),
    "driver.coil_material": Spread(
        other="aluminium", basis=COMMON_PRACTICE, how="ask the maker: aluminium wire is silvery and not magnetic"
    ),
    "driver.coil_diameter_mm": Spread(low=19.0, high=100.0, ends="value", basis=COMMON_PRACTICE, how="measure it"),
    "driver.coil_temp_limit_c": Spread(low=120.0, high=200.0, ends="value", how=_DATASHEET),
    "driver.coil_thermal_resistance_k_per_w": Spread(low=0.6, high=1.4, ends="ratio", how=_HEATING),
    "driver.body_thermal_resistance_k_per_w": Spread(low=0.6, high=1.4, ends="ratio", how=_HEATING),
    "driver.coil_time_constant_s": Spread(low=0.5, high=2.0, ends="ratio", how=_COOLING),
    "driver.body_time_constant_s": Spread(low=0.5, high=2.0, ends="ratio", how=_COOLING),
    "site.ambient_temp_c": Spread(low=-5.0, high=45.0, ends="value", how="hang a thermometer beside the box"),
}


def describe(rig: Rig) -> list[str]:
    """One sentence for each of `rig.assumed`, in its order."""
    return [_sentence(rig, key) for key in rig.assumed]


def _sentence(rig: Rig, dotted: str) -> str:
    value = assumed_value(rig, dotted)
    unit, why, remark = _REASONS.get(plain_key(dotted), ("", "not given", ""))
    text = f"{dotted} {shown_value(value, unit)}: assumed, {why}"
    notes = "; ".join(each for each in (_band(dotted, value, unit), remark) if each)
    return f"{text} ({notes})." if notes else f"{text}."


def _band(dotted: str, value: float | str, unit: str) -> str:
    spread = SPREADS.get(plain_key(dotted))
    if spread is None:
        return ""
    if isinstance(value, str):
        return f"or {spread.other}: {spread.basis}"
    low, high = spread.range_of(value)
    return f"band {shown_value(low, '')} to {shown_value(high, unit)}: {spread.basis}"


def plain_key(dotted: str) -> str:
    """The key without the number of one of several: `limiter.2.hold_s` is a `limiter.hold_s`."""
    return re.sub(r"\.\d+\.", ".", dotted)


def assumed_value(rig: Rig, dotted: str) -> float | str:
    """The value of a dotted key of `Rig.assumed`."""
    found: float | str = getattr(_holder(rig, dotted), dotted.rpartition(".")[2])
    return found


def unit_of(dotted: str) -> str:
    """Unit of a key that may be assumed."""
    return _REASONS[plain_key(dotted)][0]


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
