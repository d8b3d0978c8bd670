"""Loudness and true peak; line-up levels."""

from __future__ import annotations

import math

from auditor.published.record import Published

_BS1770 = "ITU-R BS.1770-5"
_TECH_3341 = "EBU Tech 3341 (2023)"
_DERIVED_LINE_UP = "0 dBu = sqrt(0.6) V and the gains named"

BS1770_STAGE_1 = Published(
    ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585)),
    "b, a",
    _BS1770,
    "annex 1 table 1",
    "48 kHz",
    "read",
)
BS1770_STAGE_2 = Published(
    ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621)), "b, a", _BS1770, "annex 1 table 2", "48 kHz", "read"
)
BS1770_OFFSET_LUFS = Published(-0.691, "LU", _BS1770, "annex 1", "", "read")
BS1770_ABSOLUTE_GATE_LUFS = Published(-70.0, "LUFS", _BS1770, "annex 1", "", "read")
BS1770_RELATIVE_GATE_LU = Published(-10.0, "LU", _BS1770, "annex 1", "", "read")
BS1770_BLOCK_S = Published(0.4, "s", _BS1770, "annex 1", "75 % overlap", "read")
BS1770_SURROUND_WEIGHT = Published(1.41, "ratio", _BS1770, "annex 1 table 3", "", "from memory")
BS1770_FULL_SCALE_TONE_LUFS = Published(-3.01, "LUFS", _BS1770, "annex 1", "997 Hz, 0 dBFS, one channel", "read")

# Stereo 1 kHz tones: (seconds, dBFS peak)..., and the loudness they must read.
EBU_LOUDNESS_CASES = Published(
    (
        (1, ((20.0, -23.0),), -23.0),
        (2, ((20.0, -33.0),), -33.0),
        (3, ((10.0, -36.0), (60.0, -23.0), (10.0, -36.0)), -23.0),
        (4, ((10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)), -23.0),
        (5, ((20.0, -26.0), (20.1, -20.0), (20.0, -26.0)), -23.0),
    ),
    "case, (s, dBFS peak), LUFS",
    _TECH_3341,
    "table 1",
    "",
    "read",
)
# Case 6: 5.0 channels L R C Ls Rs.
EBU_SURROUND_CASE = Published(
    ((-28.0, -28.0, -24.0, -30.0, -30.0), -23.0), "dBFS peak, LUFS", _TECH_3341, "table 1 case 6", "", "read"
)
EBU_LOUDNESS_TOLERANCE_LU = Published(0.1, "LU", _TECH_3341, "table 1", "", "read")
# Case, sampling rate over frequency, peak amplitude, phase, and the true peak it must read.
EBU_TRUE_PEAK_CASES = Published(
    (
        (15, 4, 0.50, 0.0, -6.0),
        (16, 4, 0.50, 45.0, -6.0),
        (17, 6, 0.50, 60.0, -6.0),
        (18, 8, 0.50, 67.5, -6.0),
        (19, 4, 1.41, 45.0, 3.0),
    ),
    "case, ratio, full scale, degree, dBTP",
    _TECH_3341,
    "table 1",
    "",
    "read",
)
EBU_TRUE_PEAK_TOLERANCE_DB = Published((-0.4, 0.2), "dB", _TECH_3341, "table 1", "", "read")

# 1 W into 8 ohm: what box sensitivities are printed for, whatever the box's impedance.
SENSITIVITY_VOLTAGE_V = Published(
    math.sqrt(8.0), "V", "IEC 60268-5", "characteristic sensitivity", "1 W into 8 ohm, 1 m, free field", "from memory"
)
ZERO_DBU_V = Published(math.sqrt(0.6), "V", "1 mW in 600 ohm", "", "", "read")
R68_FULL_SCALE_DBU = Published(18.0, "dBu", "EBU R68", "0 dBFS", "", "read")
RP155_FULL_SCALE_DBU = Published(24.0, "dBu", "SMPTE RP155", "0 dBFS", "", "read")
# Line-up level, amplifier gain, and the volts of an unclipped full-scale sine at the amplifier's output.
LINE_UP_VOLTS = Published(
    ((18.0, 26.0, 122.8), (18.0, 32.0, 244.9), (18.0, 36.0, 388.2), (24.0, 26.0, 244.9), (24.0, 32.0, 488.7)),
    "dBu, dB, V rms",
    _DERIVED_LINE_UP,
    "EBU R68 and SMPTE RP155",
    "",
    "derived",
)
# Voltage gain as a factor, and in dB.
GAIN_FACTORS_DB = Published(((20.0, 26.02), (40.0, 32.04)), "ratio, dB", "20 log10", "", "", "derived")
