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
