"""A driver's moving parts in closed form: mass, spring and damping, as Small wrote them for the closed box."""

from __future__ import annotations

from auditor.published.record import Published

_SMALL = "R. H. Small, Closed-Box Loudspeaker Systems, JAES 20 (1972)"

# Total Q, frequency over resonance, displacement over that at the lowest frequencies: 1/sqrt((1 - r^2)^2 + (r/Q)^2).
DISPLACEMENT_RATIOS = Published(
    (
        (0.7071, 0.5, 0.9701),
        (0.7071, 1.0, 0.7071),
        (0.7071, 2.0, 0.2425),
        (1.2, 0.8079, 1.3200),
        (1.2, 1.0, 1.2000),
        (1.2, 4.0, 0.06508),
        (0.4, 1.0, 0.4000),
    ),
    "total Q, ratio, ratio",
    _SMALL,
    "displacement function",
    "small signals, coil without inductance",
    "from memory",
)
# Resonance [Hz], moving mass [g], force factor [T m], dc resistance [ohm], electrical Q: w0 M R/(Bl)^2.
ELECTRICAL_Q = Published(
    (900.0, 0.45, 3.0, 5.8, 1.640), "Hz, g, T m, ohm, Q", _SMALL, "electrical Q", "", "from memory"
)
