"""What `auditor rig new` asks, in order: what people know first, each with unit and usual values.

Only words are here; what an answer may be is in `auditor/rig_tables.py` and the protection methods.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Answers = Mapping[str, Any]  # by dotted key; what was not known is not there

# How the level is known, as it is asked: the number to type, the words, and the keys that follow.
WAYS_ASKED: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "A meter: I measure volts at the amplifier's loudspeaker terminals (surest; `auditor tone` writes the tone)",
        ("calibration_tone_dbfs", "calibration_voltage_v", "calibration_frequency_hz"),
    ),
    ("Data sheets: I know the mixer's output level and the gains behind it", ("full_scale_dbu", "gain_db")),
    ("The clip light: I know how far full scale is past the amplifier's clip light", ("full_scale_re_clip_db",)),
    (
        "Sound level: I know it at a distance and the box's sensitivity",
        ("target_spl_db", "target_distance_m", "target_level_dbfs", "box_sensitivity_db"),
    ),
)


@dataclass(frozen=True, kw_only=True)
class Question:
    """One key of the rig file.

    Parameters
    ----------
    key : str
        Dotted.
    ask : str
        What is asked.
    usual : str
        Usual values, as a help.
    is_needed : bool
        Whether there is no going on without it.
    enter : str
        What an empty answer means.
    when : callable
        Whether it is asked at all, from the answers so far.
    """

    key: str
    ask: str
    usual: str = ""
    is_needed: bool = False
    enter: str = "don't know"
    when: Callable[[Answers], bool] = lambda answers: True


def _level(key: str) -> Callable[[Answers], bool]:
    return lambda answers: key in answers["level"]


def _kind(*kinds: str) -> Callable[[Answers], bool]:
    return lambda answers: answers.get("protection.kind") in kinds


def _has_corner(answers: Answers) -> bool:
    return answers.get("crossover.alignment") != "none"


def _several(answers: Answers) -> bool:
    return bool(answers.get("amplifier.boxes", 1) > 1 or answers.get("amplifier.bridged"))


def _own_rating(answers: Answers) -> bool:
    return answers.get("protection.kind") == "lamp" and "protection.part" not in answers


def _not_in_list(answers: Answers) -> bool:
    from auditor.parts.resettables import find_resettable

    hold_a = answers.get("protection.hold_a")
    return answers.get("protection.kind") == "resettable" and (hold_a is None or find_resettable(hold_a) is None)


def _needs_gain(answers: Answers) -> bool:
    return "full_scale_dbu" in answers["level"]


QUESTIONS: tuple[Question, ...] = (
    Question(
        key="level.calibration_tone_dbfs",
        ask="Level of the tone you played",
        usual="-30 as `auditor tone` writes it",
        is_needed=True,
        when=_level("calibration_tone_dbfs"),
    ),
    Question(
        key="level.calibration_voltage_v",
        ask="What the meter read, rms",
        usual="0.5 to 10",
        is_needed=True,
        when=_level("calibration_voltage_v"),
    ),
    Question(
        key="level.calibration_frequency_hz",
        ask="Frequency of the tone",
        usual="315 as `auditor tone` writes it",
        enter="315",
        when=_level("calibration_frequency_hz"),
    ),
    Question(
        key="level.full_scale_dbu",
        ask="Mixer's output with the file at full scale",
        usual="18 or 24 with the faders at 0",
        is_needed=True,
        when=_level("full_scale_dbu"),
    ),
    Question(
        key="level.gain_db",
        ask="Gain from there to the amplifier's input; turned down: negative",
        usual="-30 to 0",
        when=_level("gain_db"),
    ),
    Question(
        key="level.full_scale_re_clip_db",
        ask="Full scale past clipping; below it: negative",
        usual="-10 to 10",
        is_needed=True,
        when=_level("full_scale_re_clip_db"),
    ),
    Question(
        key="level.target_spl_db",
        ask="Sound level of one box alone, continuous",
        usual="85 to 110",
        is_needed=True,
        when=_level("target_spl_db"),
    ),
    Question(
        key="level.target_distance_m",
        ask="At what distance from the box",
        usual="1 to 30",
        is_needed=True,
        when=_level("target_distance_m"),
    ),
    Question(
        key="level.target_level_dbfs",
        ask="Mean level of the programme then, by the mixer's rms meter",
        usual="-20 to -8",
        when=_level("target_level_dbfs"),
    ),
    Question(
        key="level.box_sensitivity_db",
        ask="Sensitivity of the box at 1 m and 2.83 V",
        usual="88 to 108",
        is_needed=True,
        when=_level("box_sensitivity_db"),
    ),
    Question(
        key="level.channels", ask="One amplifier for each channel, or all summed", usual="each, mono", enter="each"
    ),
    Question(
        key="level.mono_gain_db",
        ask="Gain of the sum: 0 is (L + R)/2, 6.02 is L + R",
        usual="0 to 6.02",
        when=lambda answers: _needs_gain(answers) and answers.get("level.channels") == "mono",
    ),
    Question(
        key="level.match_loudness_lufs",
        ask="Is the fader ridden so that every track has one loudness, and which",
        usual="-23 to -14",
        enter="no",
    ),
    Question(
        key="amplifier.rated_power_w",
        ask="Rated sine power of one channel",
        usual="50 to 2000",
        is_needed=True,
    ),
    Question(key="amplifier.rated_load_ohm", ask="Into which load", usual="4 or 8", is_needed=True),
    Question(key="amplifier.bridged", ask="Are two channels bridged", usual="yes, no", enter="no"),
    Question(
        key="amplifier.gain_db",
        ask="Voltage gain of one channel",
        usual="26 to 36; 20 log10 of rated volts over sensitivity",
        is_needed=True,
        when=_needs_gain,
    ),
    Question(
        key="amplifier.band",
        ask="What it drives: the whole box, or HF alone",
        usual="full, hf",
        enter="full",
    ),
    Question(key="amplifier.boxes", ask="Boxes in parallel on this output", usual="1 to 4", enter="1"),
    Question(key="amplifier.box_impedance_ohm", ask="Rated impedance of one box", usual="4, 8, 16", when=_several),
    Question(
        key="crossover.alignment",
        ask="High-pass of the HF branch",
        usual="linkwitz-riley, butterworth, bessel, none",
        is_needed=True,
    ),
    Question(
        key="crossover.order",
        ask="Its order, 6 dB per octave each",
        usual="2 to 4",
        is_needed=True,
        when=_has_corner,
    ),
    Question(
        key="crossover.frequency_hz",
        ask="Crossover frequency",
        usual="800 to 6000",
        is_needed=True,
        when=_has_corner,
    ),
    Question(
        key="crossover.pad_db",
        ask="Loss of the pad in front of the HF driver",
        usual="0 to 10",
        enter="none, or don't know",
    ),
    Question(
        key="protection.kind",
        ask="What stands in series with the HF driver",
        usual="none, lamp, fuse, breaker, resettable, relay",
        is_needed=True,
    ),
    Question(
        key="protection.part",
        ask="Trade number of the lamp (`auditor parts lamp`)",
        usual="1156",
        enter="give its rating instead",
        when=_kind("lamp"),
    ),
    Question(
        key="protection.design_voltage_v",
        ask="Rated voltage of one lamp",
        usual="6 to 28",
        is_needed=True,
        when=_own_rating,
    ),
    Question(
        key="protection.design_current_a",
        ask="Rated current of one lamp: watts over volts",
        usual="0.3 to 3",
        is_needed=True,
        when=_own_rating,
    ),
    Question(key="protection.series_count", ask="Lamps in series", usual="1, 2", enter="1", when=_kind("lamp")),
    Question(
        key="protection.parallel_count", ask="Such strings in parallel", usual="1 to 4", enter="1", when=_kind("lamp")
    ),
    Question(
        key="protection.rating_a",
        ask="Rating on the cap",
        usual="0.5 to 5",
        is_needed=True,
        when=_kind("fuse", "breaker"),
    ),
    Question(
        key="protection.characteristic",
        ask="Quick or time-lag",
        usual="F, T",
        is_needed=True,
        when=_kind("fuse"),
    ),
    Question(key="protection.body", ask="Its tube", usual="glass, ceramic", when=_kind("fuse")),
    Question(
        key="protection.reset",
        ask="How it is closed again",
        usual="hand, self",
        is_needed=True,
        when=_kind("breaker"),
    ),
    Question(
        key="protection.reset_s",
        ask="After how long it closes again",
        usual="5 to 60",
        is_needed=True,
        when=lambda answers: answers.get("protection.reset") == "self",
    ),
    Question(
        key="protection.hold_a",
        ask="Hold current at 23 C",
        usual="0.3 to 3; those of `auditor parts resettable` need no more",
        is_needed=True,
        when=_kind("resettable"),
    ),
    Question(key="protection.trip_a", ask="Trip current", usual="2 x hold", is_needed=True, when=_not_in_list),
    Question(
        key="protection.resistance_ohm",
        ask="Lowest resistance",
        usual="0.02 to 1",
        is_needed=True,
        when=_not_in_list,
    ),
    Question(
        key="protection.time_to_trip_s",
        ask="Longest time to trip at 5 x hold",
        usual="3 to 11",
        is_needed=True,
        when=_not_in_list,
    ),
    Question(
        key="protection.tripped_power_w",
        ask="Power it burns while tripped",
        usual="0.5 to 2",
        is_needed=True,
        when=_not_in_list,
    ),
    Question(
        key="protection.threshold_v",
        ask="It opens at, rms",
        usual="10 to 40",
        is_needed=True,
        when=_kind("relay"),
    ),
    Question(key="protection.release_v", ask="It closes again below", usual="0.7 of that", when=_kind("relay")),
    Question(key="protection.hold_s", ask="It stays open at least", usual="0.2 to 10", when=_kind("relay")),
    Question(
        key="driver.rated_impedance_ohm",
        ask="Rated impedance of one HF driver",
        usual="4, 8, 16",
        is_needed=True,
    ),
    Question(
        key="driver.continuous_power_w",
        ask="Its continuous (noise, AES) rating: the smallest figure printed",
        usual="domes 10 to 50, compression drivers 20 to 120",
        is_needed=True,
    ),
    Question(key="driver.program_power_w", ask="Its programme rating", usual="2 x continuous"),
    Question(key="driver.peak_power_w", ask="Its peak rating", usual="4 x continuous"),
    Question(key="driver.dc_resistance_ohm", ask="Its resistance by an ohmmeter, cold", usual="0.72 of the impedance"),
    Question(key="driver.series_count", ask="HF drivers in series on one branch", usual="1, 2", enter="1"),
    Question(key="driver.parallel_count", ask="Such strings in parallel", usual="1, 2", enter="1"),
    Question(key="driver.coil_diameter_mm", ask="Diameter of its coil", usual="domes 19 to 28, others 25 to 100"),
    Question(key="driver.coil_material", ask="Wire of its coil", usual="copper, aluminium"),
    Question(key="site.ambient_temp_c", ask="Air round the driver", usual="-5 to 45; hotter in a box in the sun"),
)
TITLES = {
    "level": "Level: how many volts the file's full scale is at the loudspeaker",
    "amplifier": "Amplifier",
    "crossover": "Crossover",
    "protection": "Protection",
    "driver": "HF driver, from its label or data sheet",
    "site": "Site",
}
