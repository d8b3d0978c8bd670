"""The commented example that `auditor rig new` writes. A test loads it, so it cannot drift from the checks."""

from __future__ import annotations

TEMPLATE = """\
# A rig for the auditor: everything between the mixer and the high-frequency (HF) driver.
#
# Change the values to those of your own system, then run:  auditor rig check rig.toml
#
# Numbers are written without their unit and with a point: 18.0 or 18. Text goes in quotes.
# A line that begins with # is not read. Keys marked "optional" may be left out: a value is then assumed, and every
# report says so. The better the values, the better the estimate: read labels and data sheets, measure what you can.
#
# CAUTION  The results are estimates, not a guarantee. Loud sound damages hearing. Amplifier outputs can be lethal.
#          Lamps run hot enough to char. Disconnect before opening a box. Replace fuses and lamps like for like.
#          The maker's data, local codes and licensed practice come first.


[level]
# What leaves the mixer when the file is at full scale.
full_scale_dbu = 18.0        # dBu, level of a 0 dBFS sine. 18 (EBU line-up) to 24 (SMPTE line-up)
gain_db = -12.0              # dB, optional (0). Faders, processor and input knob together; turned down: negative


[amplifier]
gain_db = 32.0               # dB, typically 26 to 36: data sheet, or 20 log10(rated voltage / input sensitivity)
rated_power_w = 300.0        # W, sine, at clipping, into the load below, for one channel. 50 to 2000
rated_load_ohm = 8.0         # ohm, the load of that rating. 4 or 8


[crossover]
# The high-pass in front of the HF driver. For a box that has amplifiers of its own for each way, it is the processor's.
alignment = "linkwitz-riley" # linkwitz-riley | butterworth | bessel | none
order = 4                    # 1 to 8; linkwitz-riley 2, 4, 6 or 8. Slope is 6 dB per octave times the order
frequency_hz = 1800.0        # Hz, typically 800 to 6000
pad_db = 6.0                 # dB, optional (0). Loss between crossover and driver, a positive number. 0 to 10
# With alignment = "none" leave out order and frequency_hz.


[protection]
# What stands in series with the HF driver.
kind = "lamp"                # lamp | none
part = "1156"                # trade number of the lamp; `auditor parts` lists those known
series_count = 1             # optional (1). Equal lamps in series ...
parallel_count = 1           # optional (1). ... and strings of them in parallel
# A lamp that is not in the list: take `part` out and give its rating instead.
# design_voltage_v = 12.8    # V, of one lamp
# design_current_a = 2.1     # A, of one lamp
# Optional, for those who know them (otherwise taken from the list or from the lamp's class):
# design_temp_k = 2725       # K, filament at the rated voltage. 2400 small, 2600, 2700 for 12 V 21 W and up
# gas_loss_ratio = 0.12      # share of the power lost to gas and leads. 0.12 gas-filled, 0.05 vacuum
# rated_life_h = 1200        # h, at the rated voltage. 200 to 5000


[driver]
# The HF driver itself, from its label or data sheet.
rated_impedance_ohm = 8.0    # ohm, as printed. 4, 8 or 16
dc_resistance_ohm = 5.8      # ohm, optional (0.72 of the above). Voice coil, cold; measure it with the box disconnected
continuous_power_w = 60.0    # W, continuous noise (AES, IEC or "rms"). Domes 10 to 50, compression drivers 20 to 120.
                             # A maker's programme figure is twice this, a peak figure four times: take the smallest
program_power_w = 120.0      # W, optional (2 x continuous)
peak_power_w = 240.0         # W, optional (4 x continuous)
coil_material = "copper"     # optional. copper | aluminium (copper-clad aluminium counts as aluminium)
coil_diameter_mm = 44.0      # mm, optional (44). Domes 19 to 28, compression drivers 25 to 100
coil_temp_limit_c = 180.0    # C, optional (180). Plain domes 120 to 150, high-power coils 180 to 200
# Optional, for those who have measured them (otherwise derived from the rating and the coil's diameter):
# coil_thermal_resistance_k_per_w = 2.7   # K/W, coil to body
# body_thermal_resistance_k_per_w = 1.8   # K/W, body to the air
# coil_time_constant_s = 2.8              # s, usually 1 to 6
# body_time_constant_s = 1100             # s, usually 400 to 2000


[site]
# Optional, as the whole table is.
ambient_temp_c = 25.0        # C, optional (25). The air round the driver; inside a box in the sun it is hotter
"""
