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
# How many volts the file's full scale is at the loudspeaker. One of four ways; take the others out. Here it is 2.
#
# 1. A meter at the amplifier's loudspeaker terminals, with everything set as for the show: the surest.
#    `auditor tone -o tone.wav` writes the tone; amplifier.gain_db may then be left out.
# calibration_tone_dbfs = -30.0   # dBFS, level of the tone, a full-scale sine being 0
# calibration_voltage_v = 1.95    # V rms, read with that tone
# calibration_frequency_hz = 315  # Hz, optional (315). Counts behind an equaliser or an active crossover
#
# 2. Data sheets: what leaves the mixer when the file is at full scale, and the gains behind it.
full_scale_dbu = 18.0        # dBu, level of a 0 dBFS sine. 18 (EBU line-up) to 24 (SMPTE line-up)
gain_db = -12.0              # dB, optional (0). Faders, processor and input knob together; turned down: negative
#
# 3. The clip light: a full-scale sine is so far past clipping, or below it (negative).
# full_scale_re_clip_db = 2.0     # dB. -10 to 10
#
# 4. Sound level: programme of that mean level is to be so loud, from one box alone.
# target_spl_db = 98.0            # dB, continuous (Leq), unweighted or C, one box alone; two that play make 3 dB more
# target_distance_m = 8.0         # m, to where that is
# target_level_dbfs = -14.0       # dBFS rms, optional (-14): the programme's mean level, by the mixer's rms meter
# box_sensitivity_db = 97.0       # dB at 1 m and 2.83 V (8 ohm: 1 W). Printed for 1 W: 4 ohm add 3 dB, 16 ohm take 3
#
# With the meter, the clip light or sound level, gain_db is what was turned up since (0).
# channels = "mono"               # optional (each). mono: all channels of the file are summed into one amplifier
# mono_gain_db = 0.0              # dB, optional (0), data sheets only: 0 sums to (L + R)/2, 6.02 to L + R
#
# match_loudness_lufs = -20.0  # LUFS, optional: the fader ridden so that every track plays at this loudness. -60 to 0


# Optional: an equaliser, as many sections as there are, each headed [[equaliser]]. Also a house curve or a horn lift.
# [[equaliser]]
# kind = "high_shelf"        # peaking | low_shelf | high_shelf | low_pass | high_pass
# frequency_hz = 8000.0      # Hz, centre or corner
# gain_db = 4.0              # dB, peaking and shelves only. -30 to 30
# q = 0.7                    # 0.707 is a Butterworth corner, more is narrower. 0.1 to 50


# Optional: a limiter in front of the amplifier. Each channel is limited on its own. Give one of the two thresholds.
# Several in a row, as an rms and a peak limiter in a processor: head each [[limiter]], in the order of the signal.
# `auditor limiter` finds settings from your own programme.
# [limiter]
# detector = "rms"           # peak | rms
# threshold_dbu = -2.98      # dBu at the amplifier's input: a sine of that level just reaches it
# threshold_v = 21.9         # V, or the same at the amplifier's output: rms of that sine, for a peak detector too
# attack_s = 0.002           # s, to 63 % of the gain reduction. About one period of the crossover frequency, or 1 to 5
#                            # seconds for an rms limiter against heat
# hold_s = 0.0               # s, optional (0). Before it begins to let go
# release_s = 0.03           # s, to 63 %. About 16 times the attack
# ratio = 10.0               # optional. Decibels in for one out above the threshold; left out, nothing more comes out
# averaging_s = 0.02         # s, optional (0.02), rms only: what the detector averages over
# band = "full"              # optional. full | hf; hf only where the HF driver has an amplifier of its own


[amplifier]
gain_db = 32.0               # dB, typically 26 to 36: data sheet, or 20 log10(rated voltage / input sensitivity)
rated_power_w = 300.0        # W, sine, at clipping, into the load below, for one channel, not bridged. 50 to 2000
rated_load_ohm = 8.0         # ohm, the load of that rating. 4 or 8
band = "full"                # optional. full: it drives the whole box; hf: the HF driver alone (active crossover)
# bridged = true             # optional (false). Two channels on one load: twice the volts; the rating above is of one
# boxes = 2                  # optional (1). Equal boxes in parallel on it, each with its own crossover and protection
# box_impedance_ohm = 8.0    # ohm, optional (8), for the load that the boxes make together


[crossover]
# The high-pass in front of the HF driver. Where that has an amplifier of its own, it is the processor's.
alignment = "linkwitz-riley" # linkwitz-riley | butterworth | bessel | none
order = 4                    # 1 to 8; linkwitz-riley 2, 4, 6 or 8. Slope is 6 dB per octave times the order
frequency_hz = 1800.0        # Hz, typically 800 to 6000
pad_db = 6.0                 # dB, optional (0). Loss between crossover and driver, a positive number. 0 to 10
# With alignment = "none" leave out order and frequency_hz.
#
# A passive network may be given by its parts instead of these four keys, in order from the amplifier, each headed
# [[crossover.parts]]. `auditor rig show` draws it and plots what it does.
# [[crossover.parts]]
# kind = "series_capacitor"  # series_capacitor | series_inductor | series_resistor | shunt_capacitor |
#                            # shunt_inductor | shunt_resistor | zobel (resistor and capacitor across) | l_pad
# capacitance_f = 6.8e-6     # F, 6.8e-6 is 6.8 uF. Capacitors and zobel
# [[crossover.parts]]
# kind = "shunt_inductor"
# inductance_h = 0.5e-3      # H, 0.5e-3 is 0.5 mH. Inductors
# resistance_ohm = 0.3       # ohm, an inductor's wire, optional (0); resistors and zobel
# [[crossover.parts]]
# kind = "l_pad"
# pad_db = 4.0               # dB, loss into the driver's rated impedance


[protection]
# What stands in series with the HF driver.
kind = "lamp"                # lamp | fuse | breaker | resettable | relay | none
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
#
# Instead of the lamp's keys, for kind = "fuse":
# rating_a = 2.0             # A, as stamped on the cap
# characteristic = "F"       # F quick, T time-lag
# body = "glass"             # optional (glass). glass | ceramic
# cold_resistance_ohm = 0.05 # ohm, optional. Measure it with a meter
#
# For kind = "breaker" (thermal):
# rating_a = 2.0             # A
# reset = "hand"             # hand | self
# reset_s = 20.0             # s, with reset = "self": after how long it closes again
# resistance_ohm = 0.17      # ohm, optional from 0.5 to 5 A
#
# For kind = "resettable" (polymer): hold_a alone for one in the list, otherwise all but the optional ones. (The list:
# 0.3 to 3 A, auditor/parts/resettables.toml.)
# hold_a = 0.9               # A, carried for good at 23 C
# trip_a = 1.8               # A, trips it in the end
# resistance_ohm = 0.14      # ohm, the lowest it may have
# max_resistance_ohm = 0.31  # ohm, optional
# time_to_trip_s = 7.2       # s, the longest at five times hold_a
# tripped_power_w = 1.0      # W, what it burns while tripped
# max_voltage_v = 60.0       # V, optional
#
# For kind = "relay" (with a level comparator on the HF branch):
# threshold_v = 20.0         # V rms, opens
# release_v = 14.0           # V rms, optional (0.7 of it). Closes again below
# attack_s = 0.01            # s, optional (0.01). Smoothing behind the rectifier
# hold_s = 1.0               # s, optional (1). Stays open at least
# switch_s = 0.01            # s, optional (0.01). Time the contact takes


[driver]
# The HF driver itself, from its label or data sheet.
rated_impedance_ohm = 8.0    # ohm, as printed. 4, 8 or 16
dc_resistance_ohm = 5.8      # ohm, optional (0.72 of the above). Voice coil, cold; measure it with the box disconnected
continuous_power_w = 60.0    # W, continuous noise (AES, IEC or "rms"). Domes 10 to 50, compression drivers 20 to 120.
                             # A maker's programme figure is twice this, a peak figure four times: take the smallest
program_power_w = 120.0      # W, optional (2 x continuous)
peak_power_w = 240.0         # W, optional (4 x continuous)
# series_count = 2           # optional (1). Several equal drivers on one branch, figures of one: in series ...
# parallel_count = 2         # optional (1). ... and such strings in parallel
coil_material = "copper"     # optional. copper | aluminium (copper-clad aluminium counts as aluminium)
coil_diameter_mm = 44.0      # mm, optional (44). Domes 19 to 28, compression drivers 25 to 100
coil_temp_limit_c = 180.0    # C, optional (180). Plain domes 120 to 150, high-power coils 180 to 200
# Optional, for those who have measured them (otherwise derived from the rating and the coil's diameter):
# coil_thermal_resistance_k_per_w = 2.7   # K/W, coil to body
# body_thermal_resistance_k_per_w = 1.8   # K/W, body to the air
# coil_time_constant_s = 2.8              # s, usually 1 to 6
# body_time_constant_s = 1100             # s, usually 400 to 2000
# Optional: how the impedance goes with frequency; left out, it is the rated one throughout. Measured, as a text of
# three columns, Hz, ohm, degrees:
# impedance_file = "hf.txt"               # from the rig file's folder
# or modelled from the coil's resistance and inductance, and the resonance where it is known:
# voice_coil_inductance_h = 0.05e-3       # H, 0.05e-3 is 0.05 mH. Usually 0.02e-3 to 0.2e-3
# resonance_hz = 900.0                    # Hz, of the driver as it is mounted. Domes 500 to 1800
# mechanical_q = 2.5                      # by its mechanical losses
# electrical_q = 1.6                      # by the coil's damping
# Optional, with these three, for the excursion of a dome that radiates directly (not of a compression driver on a
# horn): all of them, from the data sheet.
# moving_mass_g = 0.45                    # g, with its air. Domes 0.2 to 1
# force_factor_t_m = 3.0                  # T m (Bl). Domes 2 to 5
# excursion_limit_mm = 0.4                # mm, linear, one way, peak. Domes 0.1 to 1
# total_q = 0.98                          # by all damping, instead of mechanical_q and electrical_q; for this alone


[site]
# Optional, as the whole table is.
ambient_temp_c = 25.0        # C, optional (25). The air round the driver; inside a box in the sun it is hotter
"""
