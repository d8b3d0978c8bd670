"""How loud full scale is and how that is known, and how amplifier, boxes and drivers are wired, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from auditor import published
from auditor.errors import GRAVE
from auditor.report.figures import as_given
from auditor.units import db_to_amplitude

if TYPE_CHECKING:
    from auditor.rig import Level, Rig


def full_scale(rig: Rig) -> str:
    """Volts of a full-scale sine, and the way they were come by, in one line."""
    return f"a 0 dBFS sine would be {rig.full_scale_v:.4g} V rms at the amplifier's output: {calibration(rig)}"


def ridden(rig: Rig) -> str:
    """That the fader does not stay where full scale is told for; empty where it does."""
    target_lufs = rig.level.match_loudness_lufs
    if target_lufs is None:
        return ""
    return f"The fader is then ridden: every track plays at {as_given(target_lufs)} LUFS."


def calibration(rig: Rig) -> str:
    """Which of the four ways the rig file takes, with its figures and what it takes for granted."""
    level = rig.level
    return f"{_WAYS[level.calibration](rig)}{_since(level)}"


def _since(level: Level) -> str:
    if level.calibration == "line_up" or not level.gain_db:
        return ""
    return f"; {level.gain_db:+.6g} dB since then"


def _line_up(rig: Rig) -> str:
    level, amplifier = rig.level, rig.amplifier
    gain_db = amplifier.gain_db or 0.0
    way = f", {level.gain_db:+.6g} dB on the way" if level.gain_db else ""
    bridged = " and 6.02 dB by bridging" if amplifier.bridged else ""
    mixer = f"{as_given(level.full_scale_dbu or 0.0)} dBu at the mixer"
    return f"{mixer}{way}, {as_given(gain_db)} dB in the amplifier{bridged}"


def _meter(rig: Rig) -> str:
    level = rig.level
    tone = f"{as_given(level.calibration_tone_dbfs or 0.0)} dBFS"
    at = f" at {as_given(level.calibration_frequency_hz)} Hz" if level.calibration_frequency_hz else ""
    return f"a meter read {as_given(level.calibration_voltage_v or 0.0)} V there with a tone of {tone}{at}"


def _clip(rig: Rig) -> str:
    over_db = rig.level.full_scale_re_clip_db or 0.0
    where = "right at" if not over_db else f"{as_given(abs(over_db))} dB {'past' if over_db > 0.0 else 'below'}"
    return f"said to be {where} the amplifier's clipping"


def _spl(rig: Rig) -> str:
    level = rig.level
    spl_db, mean_dbfs = level.target_spl_db or 0.0, level.target_level_dbfs or 0.0
    mean_v = level.unity_v * db_to_amplitude(mean_dbfs)
    return (
        f"programme of {as_given(mean_dbfs)} dBFS mean level is to make {as_given(spl_db)} dB at "
        f"{as_given(level.target_distance_m or 0.0)} m from one box alone, which takes {mean_v:.3g} V rms on a box of "
        f"{as_given(level.box_sensitivity_db or 0.0)} dB at 1 m and {published.SENSITIVITY_VOLTAGE_V.value:.3g} V, in "
        f"the open with 6 dB less for each doubling of distance (full scale: {spl_db - mean_dbfs:.1f} dB there). A "
        "room or a second box adds to the sound and not to the volts"
    )


_WAYS = {"line_up": _line_up, "meter": _meter, "clip": _clip, "spl": _spl}


def warnings(rig: Rig) -> list[str]:
    """Those notes of the rig that every report begins with."""
    return [f"{note}." for note in rig.notes if note.startswith(GRAVE)]


def mixing(rig: Rig) -> str:
    """How the channels are summed; empty where each has its own amplifier."""
    gain_db = rig.level.mono_gain_db
    if gain_db is None:
        return ""
    gain = f"(L + R)/2 at {gain_db:+.2f} dB" if gain_db else "(L + R)/2"
    return f"The channels of a file are summed to one, {gain}."


def load(rig: Rig) -> str:
    """What hangs on the amplifier, and whether it is rated for that; empty where nothing is known of the box."""
    amplifier, load_ohm = rig.amplifier, load_ohm_of(rig)
    if load_ohm is None:
        return ""
    boxes = "1 box" if amplifier.boxes == 1 else f"{amplifier.boxes} boxes in parallel"
    text = f"{boxes}, {load_ohm:.3g} ohm in all"
    least_ohm = amplifier.rated_load_ohm * amplifier.channels_in_series
    if load_ohm >= 0.999 * least_ohm:
        return f"{text}."
    why = (
        f"bridged, each channel sees half of it, {load_ohm / 2.0:.3g} ohm, and is rated into"
        if amplifier.bridged
        else "the amplifier is rated into"
    )
    return (
        f"WARNING {text}: {why} {as_given(amplifier.rated_load_ohm)} ohm. If it is not made for less it limits, shuts "
        "down or burns out; its rails, counted as stiff here, sag. See its data sheet."
    )


def load_ohm_of(rig: Rig) -> float | None:
    """Rated impedance of all boxes in parallel [ohm]; None where that of one is not known."""
    amplifier = rig.amplifier
    box_ohm = amplifier.box_impedance_ohm
    if box_ohm is None and amplifier.band == "hf":
        box_ohm = rig.driver.branch_impedance_ohm
    return None if box_ohm is None else box_ohm / amplifier.boxes


def drivers(rig: Rig) -> str:
    """How several drivers hang on one branch; empty for a single one."""
    driver = rig.driver
    count = driver.series_count * driver.parallel_count
    if count == 1:
        return ""
    return (
        f"{count} on one branch, {bank(driver.series_count, driver.parallel_count)}: {driver.branch_impedance_ohm:.3g} "
        "ohm together. Powers and temperatures are those of one of them; equal drivers share equally."
    )


def bank(series_count: int, parallel_count: int) -> str:
    """Equal parts together: `2 in series`, `3 in parallel`, `2 in series, 2 such strings in parallel`."""
    if parallel_count == 1:
        return f"{series_count} in series"
    if series_count == 1:
        return f"{parallel_count} in parallel"
    return f"{series_count} in series, {parallel_count} such strings in parallel"


def largest_sine_w(rig: Rig) -> float:
    """Largest unclipped sine in one driver, without protection [W]."""
    peak_v = min(rig.amplifier.rail_v, math.sqrt(2.0) * rig.full_scale_v) * 10.0 ** (-rig.crossover.pad_db / 20.0)
    return float(peak_v**2 / 2.0 / rig.driver.branch_v2_per_w)
