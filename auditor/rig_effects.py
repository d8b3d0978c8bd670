"""What knowing an assumed value better would change, in plain words.

Figures are those of the demonstration set, one value at a time to the ends of its band: `docs/sensitivity.md`. Another
rig and other material may give more; what moves the level moves every margin by as much.
"""

from __future__ import annotations

_AS_MUCH = "moves every margin decibel for decibel"
_SERIES_LOSS = "what the part takes off before it opens: 0.1 ohm before 8 ohm is 0.1 dB"
_COOLING = "up to 1.2 dB of margin and 80 C of coil in the demonstration"
_TIMES = "up to 0.8 dB of margin and 30 C of coil in the demonstration"
_LIMITER = "how much passes while it comes and goes"

EFFECTS: dict[str, str] = {
    "level.gain_db": _AS_MUCH,
    "level.calibration_frequency_hz": "as many decibels as equaliser and crossover do at the one and the other differ",
    "level.target_level_dbfs": _AS_MUCH,
    "level.mono_gain_db": f"{_AS_MUCH}; with a plain sum there is 6 dB less room",
    "amplifier.box_impedance_ohm": "no margin, only whether the load is warned of",
    "limiter.hold_s": _LIMITER,
    "limiter.averaging_s": _LIMITER,
    "crossover.parts.resistance_ohm": "0.5 dB of response at the corner of a second-order branch, for 1 ohm",
    "crossover.pad_db": "3 dB of pad are 3 dB of room, and more where the amplifier clips",
    "protection.series_count": "another bank is another lamp: look and count",
    "protection.parallel_count": "another bank is another lamp: look and count",
    "protection.design_temp_k": "less than 0.1 dB of margin in the demonstration",
    "protection.gas_loss_ratio": "0.1 dB of margin in the demonstration",
    "protection.rated_life_h": "how much of its life is counted as used",
    "protection.body": "which of the published times it opens by",
    "protection.cold_resistance_ohm": _SERIES_LOSS,
    "protection.resistance_ohm": _SERIES_LOSS,
    "protection.max_resistance_ohm": "how early one at the other end of its tolerance trips",
    "protection.max_voltage_v": "from which voltage across it a tripped part counts as failed",
    "protection.release_v": "how soon it closes again, and whether it chatters",
    "protection.attack_s": "how long a burst gets through before it opens",
    "protection.hold_s": "how long the HF is silent each time",
    "protection.switch_s": "how long a burst gets through before it opens",
    "driver.dc_resistance_ohm": "up to 0.4 dB of margin and 10 C of coil in the demonstration",
    "driver.program_power_w": "where the power over 1 s binds, the margin decibel for decibel",
    "driver.peak_power_w": "where peaks bind, the margin decibel for decibel: up to 3.8 dB in the demonstration",
    "driver.coil_material": "next to nothing",
    "driver.coil_diameter_mm": f"the time constants: {_TIMES}",
    "driver.coil_temp_limit_c": "less than it seems: cooling is derived from it, so give thermal resistances with it",
    "driver.coil_thermal_resistance_k_per_w": _COOLING,
    "driver.body_thermal_resistance_k_per_w": _COOLING,
    "driver.coil_time_constant_s": _TIMES,
    "driver.body_time_constant_s": _TIMES,
    "site.ambient_temp_c": "20 C hotter air is 20 C of coil and 0.3 dB of margin in the demonstration",
}


def effect(dotted: str) -> str:
    """What knowing the value of a key would change; of several limiters or parts each has its number in the key."""
    return EFFECTS[".".join(word for word in dotted.split(".") if not word.isdigit())]
