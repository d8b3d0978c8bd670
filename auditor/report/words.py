"""Every phrase of the terminal report, in the words of the trade."""

from __future__ import annotations

import os
import re
from collections import Counter
from typing import TYPE_CHECKING

from auditor.protection.lamp import CURRENT_TOLERANCE_RATIO
from auditor.report.figures import as_given, degrees, millimetres, tenths
from auditor.report.wiring_words import bank

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.audit_types import Audit, Cause, End
    from auditor.rig import Rig

CAUTIONS = (
    "Estimates, not a guarantee.",
    "Loud sound damages hearing.",
    "Amplifier outputs can be lethal.",
    "Lamps run hot enough to char.",
    "Disconnect before opening a box.",
    "Replace fuses and lamps like for like.",
    "The maker's data, local codes and licensed practice come first.",
)

_ASSUMED = {
    "level.gain_db": "the gain behind the mixer",
    "level.calibration_frequency_hz": "the frequency of the calibration tone",
    "level.target_level_dbfs": "the mean level of the programme",
    "level.mono_gain_db": "the gain of the mono sum",
    "amplifier.box_impedance_ohm": "the impedance of the box",
    "level.channels": "how channels are played",
    "amplifier.band": "the band of the amplifier",
    "amplifier.bridged": "how the amplifier is wired",
    "amplifier.boxes": "the number of boxes",
    "driver.series_count": "the number of drivers",
    "driver.parallel_count": "the number of drivers",
    "crossover.pad_db": "the pad",
    "crossover.parts.resistance_ohm": "the wire of the inductors",
    "limiter.averaging_s": "the limiter's settings",
    "limiter.band": "the limiter's settings",
    "limiter.hold_s": "the limiter's settings",
    "limiter.ratio": "the limiter's settings",
    "protection.attack_s": "the relay's settings",
    "protection.hold_s": "the relay's settings",
    "protection.release_v": "the relay's settings",
    "protection.switch_s": "the relay's settings",
    "protection.body": "the data of the protective part",
    "protection.cold_resistance_ohm": "the data of the protective part",
    "protection.max_resistance_ohm": "the data of the protective part",
    "protection.max_voltage_v": "the data of the protective part",
    "protection.resistance_ohm": "the data of the protective part",
    "protection.series_count": "the number of lamps",
    "protection.parallel_count": "the number of lamps",
    "protection.design_temp_k": "thermal data of the lamp",
    "protection.gas_loss_ratio": "thermal data of the lamp",
    "protection.rated_life_h": "the life of the lamp",
    "driver.dc_resistance_ohm": "the voice coil",
    "driver.coil_material": "the voice coil",
    "driver.coil_diameter_mm": "the voice coil",
    "driver.program_power_w": "programme and peak ratings",
    "driver.peak_power_w": "programme and peak ratings",
    "driver.coil_temp_limit_c": "thermal data of the driver",
    "driver.coil_thermal_resistance_k_per_w": "thermal data of the driver",
    "driver.body_thermal_resistance_k_per_w": "thermal data of the driver",
    "driver.coil_time_constant_s": "thermal data of the driver",
    "driver.body_time_constant_s": "thermal data of the driver",
    "site.ambient_temp_c": "the temperature of the air",
}

_DEVICE = {"lamp": "lamp", "fuse": "fuse", "breaker": "breaker", "resettable": "resettable fuse", "relay": "relay"}
# How a part ends: in a sentence, as the name of a passage, and the state it is in then.
_DESTROYED = {"lamp": "burns out", "fuse": "blows", "resettable": "is over its voltage"}
_FAILED = _DESTROYED | {"resettable": "over its voltage"}
_GONE = {"lamp": "burnt out", "fuse": "blown", "resettable": "over voltage"}
TOLERANCE = f"{CURRENT_TOLERANCE_RATIO * 100.0:.0f} %"
_SIGN: dict[End, str] = {"earliest": f"-{TOLERANCE}", "latest": f"+{TOLERANCE}"}
# Under a table with passages of a lamp off its rating.
OFF_RATING = (
    f"lamp +/-{TOLERANCE}: one that draws so much more or less than its rated current, as makers allow; the picture "
    "above shows one as rated"
)


def track_names(paths: list[str]) -> list[str]:
    """The paths without the folders that all of them share."""
    folders = [os.path.dirname(path) for path in paths]
    if len({os.path.isabs(path) for path in paths}) > 1:
        folders = [os.path.abspath(folder) for folder in folders]
    try:
        shared = os.path.commonpath(folders) if folders else ""
    except ValueError:  # two drives
        shared = ""
    if not shared or shared == os.path.dirname(shared):  # nothing, or no more than the root
        return paths
    return [os.path.relpath(path, shared) for path in paths]


def names_of(tracks: Sequence[Audit]) -> list[str]:
    """What the tracks are called: by their titles, else by their paths without the shared folders.

    Behind a title that several have stands the path.
    """
    names = track_names([track.name for track in tracks])
    labels = [track.entry.label if track.entry else None for track in tracks]
    count = Counter(labels)
    return [
        name if label is None else label if count[label] == 1 else f"{label} ({name})"
        for label, name in zip(labels, names, strict=True)
    ]


def device(rig: Rig) -> str:
    """What the protective part is called in a sentence."""
    kind = rig.protection.kind
    count = getattr(rig.protection, "series_count", 1) * getattr(rig.protection, "parallel_count", 1)
    return "lamp bank" if kind == "lamp" and count > 1 else _DEVICE.get(kind, kind)


def protection(rig: Rig) -> str:
    """The protection as it is fitted: `lamp 1156`, `lamps 1156, 2 in series by 1 in parallel`, `no protection`."""
    settings = rig.protection
    if settings.kind == "none":
        return "no protection"
    part = f" {settings.part}" if settings.part else ""
    series, parallel = getattr(settings, "series_count", 1), getattr(settings, "parallel_count", 1)
    lamps = "" if series * parallel == 1 else f" ({series} in series, {parallel} in parallel)"
    return f"{_DEVICE.get(settings.kind, settings.kind)}{part}{lamps}"


def rig_sentence(rig: Rig) -> str:
    """The system in one line."""
    driver, network = rig.driver, rig.crossover
    corner = "no crossover"
    if network.alignment != "none":
        corner = f"{network.alignment} order {network.order} at {as_given(network.frequency_hz)} Hz"
    pad = f"pad {as_given(network.pad_db)} dB"
    if network.network is not None:
        parts = len(network.network.parts)
        corner = f"network of {parts} part{'s' if parts > 1 else ''}"
        alone = "" if rig.protection.kind == "none" else f" without the {device(rig)}"
        pad = f"3 dB down at {as_given(network.frequency_hz)} Hz{alone}" if network.frequency_hz else "no corner"
    bridged = "bridged " if rig.amplifier.bridged else ""
    count = driver.series_count * driver.parallel_count
    each = f"{count} drivers ({bank(driver.series_count, driver.parallel_count)}) of" if count > 1 else "driver"
    rating = f"{as_given(rig.amplifier.rated_power_w)} W into {as_given(rig.amplifier.rated_load_ohm)} ohm"
    return (
        f"{bridged}amplifier {rating}, {corner}, {pad}, {protection(rig)}, {each} "
        f"{as_given(driver.continuous_power_w)} W {as_given(driver.rated_impedance_ohm)} ohm"
    )


def assumptions(rig: Rig) -> str:
    """What the rig file leaves out, in plain words, and the tolerance that is counted; empty where there is neither."""
    if not rig.assumed:
        return tolerance(rig)
    # Of several limiters each has its number in the key, as in limiter.2.hold_s.
    plain = [re.sub(r"\.\d+\.", ".", key) for key in rig.assumed]
    things = dict.fromkeys(_ASSUMED.get(key, key.partition(".")[0]) for key in plain)
    count = len(rig.assumed)
    return (
        f"{', '.join(things)} ({count} {'values' if count > 1 else 'value'}): not in the rig file, filled in with "
        f"usual values; `auditor rig check RIG` lists them. {tolerance(rig)}".rstrip()
    )


def tolerance(rig: Rig) -> str:
    """Which parts sold under the same rating the verdict holds for; empty where there is nothing to say."""
    if rig.protection.kind != "lamp":
        return ""
    return f"Verdict and margin hold for lamps within {TOLERANCE} of their rated current, figures for one as rated."


def sentence(note: str) -> str:
    """A note of the rig with its stop, unless it asks something."""
    return note if note.endswith("?") else f"{note}."


def held_back(rig: Rig) -> str:
    """What the difference between the unprotected and the protected driver is called."""
    return f"held back by the {device(rig)}"


def cause(why: Cause, rig: Rig, part_at: End | None = None) -> str:
    """Why a passage is flagged, in a few words; where it is so at one end of a lamp's tolerance only, with that."""
    part = device(rig)
    if part_at is not None and why == "protection_failed":
        part = f"{part} {_SIGN[part_at]}"
    text = {
        "driver_power_1s": "power over 1 s",
        "driver_power_60s": "power over 60 s",
        "driver_power_peak": "peak power",
        "coil_temp": "coil temperature",
        "excursion": "excursion of the dome",
        "protection_failed": f"{part} {_FAILED.get(rig.protection.kind, 'fails')}",
        "protection_engaged": f"{part} {'opens' if rig.protection.kind in ('breaker', 'relay') else 'working'}",
    }[why]
    return text if part_at is None or why == "protection_failed" else f"{text}, lamp {_SIGN[part_at]}"


def binds(why: Cause, rig: Rig) -> str:
    """What keeps the level from going higher."""
    if why == "protection_failed":
        return f"the {device(rig)} {destroyed(rig)} first"
    return f"the {cause(why, rig)} binds"


def reaches(why: Cause, rig: Rig, degree: str) -> str:
    """What happens first when the level goes up."""
    driver = rig.driver
    program, continuous, peak = map(as_given, (driver.program_power_w, driver.continuous_power_w, driver.peak_power_w))
    return {
        "driver_power_1s": f"the power over 1 s reaches the programme rating of {program} W",
        "driver_power_60s": f"the power over 60 s reaches the continuous rating of {continuous} W",
        "driver_power_peak": f"the peak power reaches the peak rating of {peak} W",
        "excursion": f"the dome reaches its limit of {as_given(driver.excursion_limit_mm or 0.0)} mm",
        "coil_temp": f"the coil reaches its limit of {degrees(driver.coil_temp_limit_c, degree)}",
        "protection_failed": f"the {device(rig)} {destroyed(rig)}",
        "protection_engaged": f"the {device(rig)} starts to work",
    }[why]


def limiter_work(track: Audit) -> str:
    """What the limiters in front of the amplifier do on a track, in the channel where they do most; empty without."""
    each = [channel.limiter for channel in track.channels if channel.limiter is not None]
    work = max(each, key=lambda one: (one.reduction_max_db, one.active_ratio), default=None)
    if work is None:
        return ""
    several = len(track.rig.limiters) > 1
    if work.active_ratio == 0.0:
        return "none of them ever works on this track." if several else "never works on this track."
    share = f"{100.0 * work.active_ratio:.2g} %" if work.active_ratio < 0.0995 else f"{100.0 * work.active_ratio:.0f} %"
    amount = f"{tenths(work.reduction_max_db)} dB at most"
    if several:
        return f"one or another works {share} of the time; together they take away {amount}."
    return f"works {share} of the time and takes away {amount}."


def displacement(track: Audit) -> str:
    """How far the dome moves, in the channel in which it moves most; empty where what moves is not known."""
    each = [channel.protected.displacement_peak_mm for channel in track.channels]
    known = [found_mm for found_mm in each if found_mm is not None]
    if not known:
        return ""
    limit_mm = track.rig.driver.excursion_limit_mm
    limit = f" (limit {as_given(limit_mm)} mm)" if limit_mm is not None else ""
    return (
        f"moves up to {millimetres(max(known))}{limit}, if it is a dome that radiates directly and not a horn driver."
    )


def gone(rig: Rig) -> str:
    """The state of a destroyed protective part."""
    return _GONE.get(rig.protection.kind, "failed")


def destroyed(rig: Rig) -> str:
    """How the protective part ends."""
    return _DESTROYED.get(rig.protection.kind, "fails")
