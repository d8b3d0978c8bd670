"""Where each value that `auditor rig new` cannot do without is found, for whoever does not know it."""

from __future__ import annotations

_PART_SHEET = "the part's data sheet"

WHERE_FOUND = {
    "level.calibration_tone_dbfs": "`auditor tone` printed it; -30 unless you chose another",
    "level.calibration_voltage_v": "a meter on AC volts across the amplifier's loudspeaker terminals, the tone playing",
    "level.full_scale_dbu": "the desk's manual: its output with a full-scale file; EBU line-up is 18, SMPTE 24",
    "level.full_scale_re_clip_db": "the clip light: if it just comes on with a sine of -6 dBFS, type 6",
    "level.target_spl_db": "a sound level meter, C or unweighted, averaging, before one box alone",
    "level.target_distance_m": "a tape measure, from the box to the meter",
    "level.box_sensitivity_db": "the box's data sheet; if that is for 1 W, add 3 for a box of 4 ohm, take 3 off for 16",
    "amplifier.rated_power_w": "the amplifier's data sheet or rear panel; of one channel, not bridged",
    "amplifier.rated_load_ohm": "the amplifier's data sheet, beside that power",
    "amplifier.gain_db": "the amplifier's data sheet, or 20 log10 of rated volts over input sensitivity",
    "crossover.alignment": "the data sheet of the box, or the screen of the processor",
    "crossover.order": "the same place, as dB per octave: 12 is order 2, 18 is 3, 24 is 4",
    "crossover.frequency_hz": "the data sheet of the box, or the screen of the processor",
    "protection.kind": "the manual of the box, or its crossover board, all disconnected; none if nothing is there",
    "protection.design_voltage_v": "the lamp's cap or package",
    "protection.design_current_a": "the lamp's cap or package: 21 W at 12 V are 1.75 A",
    "protection.rating_a": "stamped on the cap of the fuse or the case of the breaker",
    "protection.characteristic": "stamped on the cap before the amperes: F quick, T time-lag",
    "protection.reset": "hand if it has a button to press, otherwise self",
    "protection.reset_s": "the breaker's data sheet",
    "protection.hold_a": _PART_SHEET,
    "protection.trip_a": _PART_SHEET,
    "protection.resistance_ohm": _PART_SHEET,
    "protection.time_to_trip_s": _PART_SHEET,
    "protection.tripped_power_w": _PART_SHEET,
    "protection.threshold_v": "the manual of the box or of the protection circuit",
    "driver.rated_impedance_ohm": "the driver's label or data sheet, not the box's",
    "driver.continuous_power_w": "the driver's label or data sheet, not the box's",
}
