"""Lamps measured and printed by others. Ratings by trade number live with the parts (`auditor/parts/lamps.toml`)."""

from __future__ import annotations

from auditor.published.record import NO_SOURCE, Published

_FINK = "Fink and Beaty, Standard Handbook for Electrical Engineers, 11th ed. (1978)"
_FINK_AT = "p. 22-8, as cited in an encyclopedia article on lamp re-rating"
_NEAR_RATED = "near rated voltage"
_ELLIOTT = "R. Elliott, Sine Wave Oscillators, and project 179"
_ELLIOTT_AT = "section 4.2"
_SERIES = "an independent integration of the same lamp equation"

LAMP_CURRENT_EXPONENT = Published(0.55, "I ~ V^x", _FINK, _FINK_AT, _NEAR_RATED, "read")
LAMP_POWER_EXPONENT = Published(1.6, "P ~ V^x", _FINK, _FINK_AT, _NEAR_RATED, "read")
LAMP_LIGHT_EXPONENT_RANGE = Published((3.4, 3.5), "light ~ V^x", _FINK, _FINK_AT, _NEAR_RATED, "read")
LAMP_COLOUR_TEMP_EXPONENT = Published(0.42, "T ~ V^x", _FINK, _FINK_AT, _NEAR_RATED, "read")
LAMP_LIFE_EXPONENT = Published(13.0, "life ~ V^-x", _FINK, f"{_FINK_AT}: 12 to 16", _NEAR_RATED, "read")
LAMP_LIFE_EXPONENT_RANGE = Published((12.0, 16.0), "life ~ V^-x", _FINK, _FINK_AT, _NEAR_RATED, "read")

LAMP_28V_RATING = Published((28.0, 0.040), "V, A", _ELLIOTT, _ELLIOTT_AT, "", "second-hand")
LAMP_28V_COLD_OHM = Published((65.0, 69.0), "ohm", _ELLIOTT, _ELLIOTT_AT, "room temperature", "second-hand")
LAMP_28V_LOW_LEVEL = Published(((0.5, 4.5e-3), (1.39, 7.4e-3)), "V, A", _ELLIOTT, _ELLIOTT_AT, "", "second-hand")
LAMP_28V_HOT_OHM = Published(700.0, "ohm", _ELLIOTT, _ELLIOTT_AT, "at rated voltage", "second-hand")
LAMP_6V_RATING = Published((6.0, 0.060), "V, A", _ELLIOTT, _ELLIOTT_AT, "", "second-hand")
LAMP_6V_COLD_OHM = Published(10.0, "ohm", _ELLIOTT, _ELLIOTT_AT, "room temperature", "second-hand")
LAMP_6V_LOW_LEVEL = Published(((0.5, 17e-3),), "V, A", _ELLIOTT, _ELLIOTT_AT, "", "second-hand")

# A bulb of 2.5 V 0.3 A. Its cold resistance includes the contacts', so only the shape above 1.5 V is used.
BULB_VI_CURVE = Published(
    ((0.262, 0.130), (0.449, 0.153), (1.016, 0.198), (1.527, 0.236), (2.012, 0.270), (2.464, 0.298), (2.948, 0.325)),
    "V, A",
    "New Physics: Sae Mulli 73 (2023) 127",
    "table 2",
    "a bulb of 2.5 V 0.3 A",
    "read",
)
BULB_VI_EXPONENT = Published(
    0.49, "I ~ V^x", "New Physics: Sae Mulli 73 (2023) 127", "slope of table 2", "above 1.5 V", "derived"
)
BULB_RATING = Published((2.5, 0.3), "V, A", "New Physics: Sae Mulli 73 (2023) 127", "table 2", "", "read")

BRAKE_LAMP_90_PERCENT_LIGHT_S = Published(
    0.25, "s", "M. Sivak and others, UMTRI-93-37 (1993)", "standard brake lamp", "12 V 21 W class", "read"
)
MAINS_LAMP_HOT_COLD_OHM = Published(
    (144.0, 9.5), "ohm", "a text on switching on a lamp", "120 V 100 W lamp", "", "second-hand"
)
MAINS_LAMP_90_PERCENT_LIGHT_S = Published(
    0.13, "s", "a text on switching on a lamp", "120 V 100 W lamp", "", "second-hand"
)
MAINS_LAMP_CURRENT_SETTLED_S = Published(
    0.10, "s", "a text on switching on a lamp", "120 V 100 W lamp", "", "second-hand"
)
INRUSH_RATIO_RANGE = Published((10.0, 15.0), "ratio", "several makers", "inrush over rated current", "", "read")
# Filament of a 12 V 21 W lamp, from matching the quarter second.
FILAMENT_12V_21W_MASS_MG = Published(
    (13.0, 18.0), "mg", "UMTRI-93-37 (1993)", "mass that matches 0.25 s", "12 V 21 W", "derived"
)
FILAMENT_12V_21W_HEAT_CAPACITY_MJ_PER_K = Published(
    (2.8, 3.6), "mJ/K", "UMTRI-93-37 (1993)", "heat capacity that matches 0.25 s", "12 V 21 W, hot", "derived"
)
LAMP_TIME_CURRENT_EXPONENT = Published(
    2.0 / 3.0, "time ~ I_rated^x", "wire geometry at equal temperature", "", "lamps of one voltage class", "derived"
)

# Lamp of 12.8 V 2.1 A in series with 6.5 ohm: rated-point temperature, cold ohm, load ohm.
SERIES_LAMP_RATING = Published((12.8, 2.1), "V, A", _SERIES, "", "", "derived")
SERIES_LAMP_DESIGN_TEMP_K = Published(2700.0, "K", _SERIES, "", "", "derived")
SERIES_LAMP_COLD_OHM = Published(0.425, "ohm", _SERIES, "", "300 K", "derived")
SERIES_LAMP_LOAD_OHM = Published(6.5, "ohm", _SERIES, "", "", "derived")
SERIES_LAMP_TABLE = Published(
    (
        (3.91, 0.43, 0.536, 500, 0.45),
        (5.93, 1.33, 0.708, 1000, 1.65),
        (8.77, 2.79, 0.919, 1500, 2.78),
        (11.6, 4.24, 1.125, 1800, 3.42),
        (15.4, 6.29, 1.393, 2100, 4.03),
        (26.5, 12.8, 2.100, 2700, 5.20),
    ),
    "source V, lamp V, A, K, loss dB against cold",
    _SERIES,
    "",
    "12.8 V 2.1 A lamp and 6.5 ohm",
    "derived",
)
# The V^0.55 law holds within this above a fifth of rated volts, and fails below a tenth.
LAMP_LAW_TOLERANCE = Published(0.02, "ratio", _SERIES, "", "above a fifth of rated volts", "derived")

# A lamp's filament temperature at its rating, by class: small vacuum; medium; 12 V 21 W and larger.
LAMP_DESIGN_TEMP_CLASSES_K = Published(
    ((2400.0, 2450.0), (2600.0, 2650.0), (2700.0, 2750.0)), "K", NO_SOURCE, "", "assumed", "common practice"
)
RATED_CURRENT_TOLERANCE = Published(0.10, "ratio", "several makers", "rated current", "", "read")
# The lamp of trade number 1156 suits HF drivers of these continuous ratings.
LAMP_1156_SUITS_W = Published((50.0, 80.0), "W", NO_SOURCE, "", "8 ohm HF drivers", "common practice")
# Source across a driver of 8 ohm in series with a resistance: source V, series ohm, driver V.
SERIES_DIVIDER = Published(
    ((10.0, 8.0, 5.0), (10.0, 0.0, 10.0), (10.0, 80.0, 0.91)),
    "V, ohm, V",
    NO_SOURCE,
    "",
    "8 ohm driver",
    "common practice",
)
LAMP_ANSWERS_AVERAGE = Published(
    None, "", NO_SOURCE, "", "a lamp answers the average level and is too slow for a quick transient", "common practice"
)
