"""What clipping does, worked out in closed form; and the crest factors of simple signals."""

from __future__ import annotations

from auditor.published.record import Published

_CLOSED = "closed form of a clipped sine"
_GAUSS = "closed form of clipped Gaussian noise"
_LESURF = "J. Lesurf, notes on clipping"
# clip(g (aL sin(2 pi 100 t + 0.3) + aH sin(2 pi 5030 t)))
_TWO_TONE = "an independent computation of clipped two tones"

SQUARE_WAVE_POWER_RATIO = Published(2.0, "ratio", "closed form", "square over sine of equal peak", "", "derived")
SQUARE_WAVE_HARMONICS_W = Published(
    ((1, 162.11), (3, 18.01), (5, 6.48), (7, 3.31)),
    "harmonic, W",
    "closed form",
    "100 W (sine) amplifier",
    "",
    "derived",
)
SQUARE_WAVE_HARMONICS_PRINTED_W = Published(
    ((1, 162.0), (3, 18.0), (5, 6.5), (7, 3.0)), "harmonic, W", _LESURF, "100 W amplifier; the last 'about'", "", "read"
)
SQUARE_WAVE_FUNDAMENTAL_PERCENT = Published(81.06, "% of power", "closed form", "", "", "derived")
# Overdrive, total power and fundamental power over the sine at the edge of clipping.
CLIPPED_SINE = Published(
    (
        (1.0, 1.1571, 1.1546),
        (3.0, 1.3625, 1.3386),
        (6.0, 1.5629, 1.4828),
        (10.0, 1.7288, 1.5667),
        (20.0, 1.9150, 1.6157),
    ),
    "dB, ratio, ratio",
    _CLOSED,
    "",
    "",
    "derived",
)
# 5030 Hz 20 dB under 100 Hz, peak of the sum at the rails = 100 W: overdrive, W of that tone, W of all at 3 kHz and up.
TWO_TONE_LEVEL_DB = Published(-20.0, "dB", _TWO_TONE, "", "", "derived")
TWO_TONE = Published(
    (
        (0.0, 0.826, 0.826),
        (3.0, 0.537, 0.901),
        (6.0, 0.457, 1.17),
        (10.0, 0.424, 1.74),
        (20.0, 0.408, 4.53),
    ),
    "dB, W, W",
    _TWO_TONE,
    "5030 Hz 20 dB under 100 Hz",
    "",
    "derived",
)
# Clip level over sigma, peak over rms, change of level, distortion.
CLIPPED_GAUSSIAN = Published(
    ((1.63933, 1.8, -0.812, 2.592), (1.89735, 2.0, -0.458, 1.356), (2.13553, 2.2, -0.258, 0.702)),
    "sigma, ratio, dB, % of power",
    _GAUSS,
    "",
    "",
    "derived",
)
SINE_CREST_DB = Published(3.01, "dB", "closed form", "", "", "derived")
TWO_SINES_CREST_DB = Published(6.02, "dB", "closed form", "two equal sines", "", "derived")
EDGE_OF_CLIPPING_PERCENT = Published(
    ((12.04, 12.5), (20.0, 2.0)), "dB, % of rated power", "2 P 10^(-crest/10)", "", "peaks at the rails", "derived"
)
