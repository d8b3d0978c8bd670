"""Tungsten, the stuff of filaments; and what a hot body radiates."""

from __future__ import annotations

from auditor.published.record import NO_SOURCE, Published

_FORSYTHE = "W. E. Forsythe and A. G. Worthing, Astrophys. J. 61 (1925) 146"
_TOLIAS = "P. Tolias, Nucl. Mater. Energy 13 (2017) 42"
_WHITE = f"G. K. White and M. L. Minges, Int. J. Thermophys. 18 (1997) 1269, quoted by {_TOLIAS}"
_MATSUMOTO = f"fit by {_TOLIAS}, to Matsumoto, Cezairliyan and Basak, Int. J. Thermophys. 20 (1999) 943, and a handbook"
_AGRAWAL = "D. C. Agrawal, Lat. Am. J. Phys. Educ. 5 (2011)"

# fmt: off
TUNGSTEN_RESISTIVITY = Published(
    (
        (300, 5.65), (400, 8.06), (500, 10.56), (600, 13.23), (700, 16.09), (800, 19.00), (900, 21.94), (1000, 24.93),
        (1100, 27.94), (1200, 30.98), (1300, 34.08), (1400, 37.19), (1500, 40.36), (1600, 43.55), (1700, 46.78),
        (1800, 50.05), (1900, 53.35), (2000, 56.67), (2100, 60.06), (2200, 63.48), (2300, 66.91), (2400, 70.39),
        (2500, 73.91), (2600, 77.49), (2700, 81.04), (2800, 84.70), (2900, 88.33), (3000, 92.04), (3100, 95.76),
        (3200, 99.54), (3300, 103.3), (3400, 107.2), (3500, 111.1), (3600, 115.0),
    ),
    "K, microohm cm", _FORSYTHE, "as printed in the CRC Handbook", "300 to 3600 K", "read",
)
# fmt: on
TUNGSTEN_RESISTIVITY_RATIOS = Published(
    ((1000, 4.41), (2000, 10.03), (2500, 13.08), (3000, 16.29)),
    "K, ratio to 300 K",
    _FORSYTHE,
    "ratios of the CRC Handbook's table",
    "1000 to 3000 K",
    "derived",
)
TUNGSTEN_RESISTIVITY_EXPONENT = Published(
    1.20, "rho ~ T^x", _FORSYTHE, "slope of the CRC Handbook's table", "300 to 3600 K", "derived"
)
TUNGSTEN_RESISTIVITY_MODERN_COEFFICIENTS = Published(
    (-0.9680, 1.9274e-2, 7.8260e-6, -1.8517e-9, 2.0790e-13),
    "microohm cm / K^n, n = 0 to 4",
    _WHITE,
    "resistivity fit",
    "100 to 3600 K",
    "read",
)
# How far the modern fit's ratios to 300 K run above the table of 1925.
TUNGSTEN_RESISTIVITY_SPREAD = Published(0.06, "ratio", _WHITE, "against the table of 1925", "300 to 3600 K", "derived")

TUNGSTEN_SPECIFIC_HEAT_COEFFICIENTS = Published(
    (21.868372, 8.068661e-3, -3.756196e-6, 1.075862e-9, 1.406637e4),
    "J/(mol K) / K^n, n = 0, 1, 2, 3, -2",
    _WHITE,
    "specific heat fit",
    "300 to 3080 K",
    "read",
)
TUNGSTEN_SPECIFIC_HEAT = Published(
    ((300, 131), (1000, 148), (1500, 159), (2000, 172), (2500, 192), (2800, 210), (3000, 225)),
    "K, J/(kg K)",
    _WHITE,
    "the fit over the molar mass",
    "300 to 3000 K",
    "derived",
)
TUNGSTEN_MOLAR_MASS_G_PER_MOL = Published(183.84, "g/mol", _WHITE, "specific heat fit", "", "read")
TUNGSTEN_DENSITY_KG_PER_M3 = Published(19250.0, "kg/m3", _TOLIAS, "", "near 300 K", "read")
TUNGSTEN_MELTING_K = Published(3695.0, "K", _TOLIAS, "", "", "read")

TUNGSTEN_EMISSIVITY_COEFFICIENTS = Published(
    (1.85076e-2, 1.6048e-4, -1.762608e-8),
    "1 / K^n in (T - 300 K)^n, n = 0 to 2",
    _MATSUMOTO,
    "total hemispherical emissivity",
    "300 to 3695 K",
    "read",
)
TUNGSTEN_EMISSIVITY = Published(
    ((1000, 0.122), (1500, 0.186), (2000, 0.240), (2500, 0.286), (2800, 0.310), (3000, 0.323)),
    "K, ratio",
    _MATSUMOTO,
    "the fit, worked out",
    "1000 to 3000 K",
    "derived",
)
TUNGSTEN_EMISSIVITY_1925 = Published(
    ((1000, 0.114), (1500, 0.192), (2000, 0.260), (2500, 0.303), (3000, 0.334)),
    "K, ratio",
    _FORSYTHE,
    "total emissivity column",
    "1000 to 3000 K",
    "from memory",
)
# The two emissivities differ by a fifth at 1000 K and by a twelfth at 2800 K.
TUNGSTEN_EMISSIVITY_SPREAD = Published(
    ((1000, 0.20), (2800, 0.08)), "K, ratio", _MATSUMOTO, "against the column of 1925", "1000 to 2800 K", "derived"
)

COIL_SHADING_RATIO = Published(
    0.6865, "ratio", _AGRAWAL, "coiled filament's radiation", "coiled filaments", "second-hand"
)
# What share of its wire's surface a filament must radiate with for the program's lamps to be as heavy, and so as slow,
# as two lamps were measured to be (a quarter of a second for a brake lamp). With the printed 0.6865 the filament would
# be 37 % too heavy and every lamp 40 % too slow.
COIL_RADIATING_RATIO = Published(
    0.87,
    "ratio",
    "M. Sivak and others, UMTRI-93-37 (1993), and a 120 V 100 W lamp",
    "fitted to the time to 90 % light",
    "coiled filaments",
    "derived",
)
FILAMENT_END_LOSS_RATIO = Published(0.07, "ratio", _AGRAWAL, "end losses", "coiled filaments", "second-hand")
DRAPER_POINT_K = Published(
    798.0, "K", "J. W. Draper (1847)", "every solid begins to glow", "in the dark", "from memory"
)
STEFAN_BOLTZMANN_W_PER_M2_K4 = Published(
    5.670374419e-8, "W/(m2 K4)", "CODATA 2018, as scipy.constants prints it", "", "", "read"
)
# Share of rated power lost by gas and leads; the rest is radiated.
# 0.12 meets the handbook's re-rating exponents; the independent series-lamp table used a tenth.
GAS_LOSS_RATIO_GAS = Published(0.12, "ratio", NO_SOURCE, "", "gas-filled lamps; assumed", "common practice")
GAS_LOSS_RATIO_VACUUM = Published(0.05, "ratio", NO_SOURCE, "", "vacuum lamps; assumed", "common practice")
