"""Crossover responses."""

from __future__ import annotations

from auditor.published.record import Published

HIGH_PASS_AT = Published((0.25, 0.5, 1.0, 2.0, 4.0), "f/fc", "closed forms", "", "", "derived")
# Response at those five frequencies, as printed: one more decimal for some than for others.
HIGH_PASS_DB = Published(
    (
        ("butterworth", 1, ("-12.30", "-6.99", "-3.01", "-0.97", "-0.26")),
        ("butterworth", 2, ("-24.10", "-12.30", "-3.01", "-0.26", "-0.02")),
        ("butterworth", 3, ("-36.1", "-18.1", "-3.01", "-0.07", "0.00")),
        ("butterworth", 4, ("-48.2", "-24.1", "-3.01", "-0.02", "0.00")),
        ("linkwitz-riley", 2, ("-24.6", "-13.98", "-6.02", "-1.94", "-0.53")),
        ("linkwitz-riley", 4, ("-48.2", "-24.6", "-6.02", "-0.53", "-0.03")),
    ),
    "dB",
    "closed forms",
    "high-pass by alignment and order",
    "",
    "derived",
)

# What to multiply by 1/(R f) for a capacitor and by R/f for an inductor, in order from the amplifier, high-pass.
_COOKBOOK = "V. Dickason, Loudspeaker Design Cookbook, 4th ed. 1991"
HIGH_PASS_PARTS = Published(
    (
        ("butterworth", 1, (("C", 0.159),)),
        ("butterworth", 2, (("C", 0.1125), ("L", 0.2251))),
        ("linkwitz-riley", 2, (("C", 0.0796), ("L", 0.3183))),
        ("butterworth", 3, (("C", 0.1061), ("L", 0.1194), ("C", 0.3183))),
        ("linkwitz-riley", 4, (("C", 0.0844), ("L", 0.1000), ("C", 0.1688), ("L", 0.4501))),
    ),
    "",
    _COOKBOOK,
    "design formulas of high-pass networks into a resistance",
    "",
    "second-hand",
)
# Pad, resistor in series and resistor across for 8 ohm.
L_PADS = Published(
    ((3.0, "2.336", "19.4"), (6.0, "3.991", "8.04"), (10.0, "5.470", "3.70")),
    "dB, ohm, ohm",
    "closed forms of a pad of constant impedance",
    "8 ohm",
    "",
    "derived",
)
