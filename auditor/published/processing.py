"""Equalisers and limiters: worked thresholds, and what their published formulas give at marked points."""

from __future__ import annotations

from auditor.published.record import Published

# Read: the text as adapted for the W3C, before it became the note "Audio EQ Cookbook" of 2021, and an earlier text. Its
# prototypes and coefficients are those of `auditor.chain.equaliser`, term by term.
_COOKBOOK = "R. Bristow-Johnson, Cookbook formulae for audio equalizer biquad filter coefficients (as adapted for W3C)"
# The paper itself was not read, only programs that quote its equations and agree on them: y = T + (x - T) / ratio over
# the threshold T, reduction x - y, one pole each way in decibels, its time that of 1 - 1/e of a step. So does
# `auditor.chain.limiter`. They number the equations differently, so that no number is given here.
_COMPRESSORS = (
    "D. Giannoulis, M. Massberg and J. D. Reiss, Digital dynamic range compressor design, J. Audio Eng. Soc. 60 (2012)"
)

LIMITER_THRESHOLDS_DBU = Published(
    (
        (20.0, 8.0, 32.0, -7.74),
        (50.0, 8.0, 32.0, -3.76),
        (100.0, 8.0, 32.0, -0.75),
        (300.0, 8.0, 32.0, 4.02),
        (1000.0, 4.0, 32.0, 6.24),
        (40.0, 6.0, 29.0, -2.98),
    ),
    "W, ohm, dB, dBu",
    "20 log10(sqrt(P R) / 0.7746 V) - gain",
    "",
    "a sine at the amplifier's input",
    "derived",
)
# y = T + (x - T) / ratio over a threshold T: decibels over it that go in, ratio, decibels over it that come out.
LIMITER_STATIC_CURVE = Published(
    ((-6.0, 4.0, -6.0), (3.0, 2.0, 1.5), (6.0, 4.0, 1.5), (12.0, 10.0, 1.2), (20.0, 10.0, 2.0)),
    "dB, ratio, dB",
    _COMPRESSORS,
    "p. 399 ff., gain computer with a hard knee, whose formula is second-hand",
    "after attack",
    "derived",
)
# Of the way to a new gain reduction, after one attack or release time: 1 - 1/e.
LIMITER_STEP_PERCENT = Published(
    63.2, "%", _COMPRESSORS, "p. 399 ff., smooth branching peak detector", "", "second-hand"
)
# Kind, gain, quality, frequency over the section's own, what the section then does.
EQUALISER_AT = Published(
    (
        ("peaking", 6.0, 1.0, 1.0, 6.0),
        ("peaking", -9.0, 4.0, 1.0, -9.0),
        ("low_shelf", 6.0, 0.7, 1.0, 3.0),
        ("low_shelf", 6.0, 0.7, 0.01, 6.0),
        ("high_shelf", -8.0, 0.7, 1.0, -4.0),
        ("high_shelf", -8.0, 0.7, 0.01, 0.0),
        ("low_pass", 0.0, 2.0, 1.0, 6.02),
        ("high_pass", 0.0, 0.7071, 1.0, -3.01),
        ("high_pass", 0.0, 0.7071, 0.1, -40.0),
    ),
    "kind, dB, quality, ratio, dB",
    _COOKBOOK,
    "analogue prototypes, which were read, at marked points",
    "",
    "derived",
)
