"""Self-resetting polymer parts (positive temperature coefficient), radial, as their maker prints them.

The values of each part live with the parts too (`auditor/parts/resettables.toml`); a test holds the two together.
"""

from __future__ import annotations

from auditor.published.record import NO_SOURCE, Published

_MAKER = "a maker's datasheet of radial polymer parts (title not kept)"
_STILL_AIR = "23 C, still air"

RESETTABLE_SERIES = Published(
    (
        (0.30, 0.76, 1.36, 3.0, 0.50, 60.0),
        (0.40, 0.52, 0.86, 3.8, 0.55, 60.0),
        (0.50, 0.41, 0.77, 4.0, 0.75, 60.0),
        (0.65, 0.27, 0.48, 5.3, 0.90, 60.0),
        (0.75, 0.18, 0.40, 6.3, 0.90, 60.0),
        (0.90, 0.14, 0.31, 7.2, 1.00, 60.0),
        (1.10, 0.10, 0.18, 6.6, 0.70, 30.0),
        (1.35, 0.065, 0.115, 7.3, 0.80, 30.0),
        (1.60, 0.055, 0.105, 8.0, 0.90, 30.0),
        (1.85, 0.040, 0.070, 8.7, 1.00, 30.0),
        (2.50, 0.025, 0.048, 10.3, 1.20, 30.0),
        (3.00, 0.020, 0.050, 10.8, 2.00, 30.0),
    ),
    "hold A, least ohm, most ohm, most s to trip at 5 x hold, W tripped, most V",
    _MAKER,
    "table of electrical characteristics",
    _STILL_AIR,
    "read",
)
RESETTABLE_TRIP_RATIO = Published(2.0, "trip over hold current", _MAKER, "both tables", _STILL_AIR, "read")
RESETTABLE_TIME_AT_RATIO = Published(
    5.0, "current over hold current", _MAKER, "where the time to trip is stated", _STILL_AIR, "read"
)
RESETTABLE_RATING_C = Published(23.0, "C", _MAKER, "ambient of all ratings", "", "read")
RESETTABLE_HOLD_AT = Published(
    ((-40.0, 155.0), (0.0, 118.0), (20.0, 100.0), (40.0, 82.0), (60.0, 64.0), (85.0, 40.0)),
    "C, % of the rated hold current",
    _MAKER,
    "table of thermal derating, one series",
    "-40 to 85 C",
    "read",
)
RESETTABLE_SURFACE_C = Published(125.0, "C", _MAKER, "surface while tripped, at most", "", "read")
RESETTABLE_NO_HOLD_C = Published(
    130.0,
    "C",
    "`RESETTABLE_HOLD_AT`, a straight line through its rows up to 60 C, each within half a unit",
    "ambient at which nothing is held any more",
    "one series",
    "derived",
)
RESETTABLE_STEP_RATIO = Published(
    1e4,
    "resistance at 125 C over that at 23 C",
    NO_SOURCE,
    "",
    "several decades; the exact number hardly matters",
    "common practice",
)
