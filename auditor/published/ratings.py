"""Power ratings, and the noise they are measured with."""

from __future__ import annotations

from auditor.published.record import NO_SOURCE, Published

_IEC_268_1 = "IEC 60268-1:1985"
_SHARES = "% brick-wall, 2nd-order Butterworth, 4th-order Linkwitz-Riley"
_ELOWSSON = "A. Elowsson and A. Friberg, AES 142 paper 9762 (2017)"

PROGRAM_POWER_RATIO = Published(2.0, "ratio", NO_SOURCE, "", "programme over continuous power", "common practice")
# Test noise of crest factor 2 has peaks of four times its mean power.
PEAK_POWER_RATIO = Published(4.0, "ratio", "IEC 60268-5", "clipped to a crest factor of 2", "", "from memory")
NOISE_CREST_RANGE = Published((1.8, 2.2), "ratio", "IEC 60268-7", "peak over rms of the clipped test noise", "", "read")
LOWEST_IMPEDANCE_RATIO = Published(0.8, "ratio", "IEC 60268-7", "8.2.1", "lowest |Z| over rated", "read")

# fmt: off
SIMULATED_PROGRAMME = Published(
    (
        (20, -13.5), (25, -10.2), (31.5, -7.4), (40, -5.2), (50, -3.5), (63, -2.3), (80, -1.4), (100, -0.9),
        (125, -0.5), (160, -0.2), (200, -0.1), (250, 0.0), (315, 0.0), (400, 0.0), (500, 0.0), (630, 0.0), (800, 0.0),
        (1000, -0.1), (1250, -0.3), (1600, -0.6), (2000, -1.0), (2500, -1.6), (3150, -2.5), (4000, -3.7),
        (5000, -5.1), (6300, -7.0), (8000, -9.4), (10000, -11.9), (12500, -14.8), (16000, -18.2), (20000, -21.6),
    ),
    "Hz, dB in the third-octave band", _IEC_268_1, "clause 7 table II, as reprinted", "20 Hz to 20 kHz", "read",
)
# fmt: on
SIMULATED_PROGRAMME_SUM_DB = Published(12.5, "dB", _IEC_268_1, "sum over one 0 dB band", "", "read")
DIN_SHARE_ABOVE_4K_PERCENT = Published(6.5, "%", "DIN 45573", "bands of 4 kHz and up", "", "read")
SIMULATED_PROGRAMME_HF_SHARE = Published(
    (
        (1000, 30.53, 30.91, 25.22),
        (1200, 26.30, 26.83, 21.35),
        (2000, 15.52, 16.49, 11.94),
        (2500, 11.52, 12.67, 8.68),
        (3000, 8.70, 9.95, 6.47),
        (4000, 5.18, 6.43, 3.80),
        (5000, 3.22, 4.36, 2.36),
    ),
    f"Hz, {_SHARES}",
    _IEC_268_1,
    "table II through each alignment",
    "",
    "derived",
)
# Music: level in dB per Hz is a x^2 + b x + c with x = 60 log2(f / 30 Hz); below and above about 94 Hz.
MUSIC_SPECTRUM_BELOW = Published((-0.000907, 0.256, -32.942), "dB", _ELOWSSON, "fit", "30 to 94 Hz", "second-hand")
MUSIC_SPECTRUM_ABOVE = Published((-0.000183, 0.0213, -16.735), "dB", _ELOWSSON, "fit", "94 Hz up", "second-hand")
MUSIC_SPECTRUM_JOIN_HZ = Published(94.0, "Hz", _ELOWSSON, "fit", "", "second-hand")
MUSIC_HF_SHARE = Published(
    ((2000, 6.92, 8.26, 5.31), (3000, 3.46, 4.44, 2.62), (5000, 1.23, 1.78, 0.92)),
    f"Hz, {_SHARES}",
    _ELOWSSON,
    "the fits through each alignment",
    "",
    "derived",
)
PINK_HF_SHARE = Published(
    ((1000, 43.4), (3000, 27.5), (5000, 20.1)), "Hz, % brick-wall", "log(20 kHz/f)/log 1000", "", "", "derived"
)
