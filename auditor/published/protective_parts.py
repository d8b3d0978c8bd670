"""Fuses and thermal breakers: how long a current is carried before they open.

Each part's own figures (cold resistance, melting I2t) live with the parts: `auditor/parts/fuses.toml`, `breakers.toml`.
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.published.record import Published

Gate = tuple[float, float | None, float | None]


@dataclass(frozen=True)
class OpeningGates:
    """When a protective part opens: rows of current over rating, least and most time [s], None where none is printed.

    `rating_a` is the range of ratings [A] the rows are printed for.
    """

    rating_a: tuple[float, float]
    gates: tuple[Gate, ...]


_UNIT = "x rating, s, s"
_IEC = "IEC 60127-2, in makers' sheets"
_IEC_REMEMBERED = "IEC 60127-2, as remembered"
_HOUR = 3600.0
_HOLDS: Gate = (1.5, _HOUR, None)
_OPENS: Gate = (2.1, None, 1800.0)

FUSE_F_GLASS = Published(
    OpeningGates((0.125, 6.3), (_HOLDS, _OPENS, (2.75, 0.050, 2.0), (4.0, 0.010, 0.300), (10.0, None, 0.020))),
    _UNIT,
    _IEC,
    "sheet 2",
    "F glass, 125 mA to 6.3 A",
    "read",
)
FUSE_F_CERAMIC = Published(
    OpeningGates((0.050, 4.0), (_HOLDS, _OPENS, (2.75, 0.010, 2.0), (4.0, 0.003, 0.300), (10.0, None, 0.020))),
    _UNIT,
    _IEC,
    "sheet 1",
    "F ceramic, 50 mA to 4 A",
    "read",
)
FUSE_T_CERAMIC = Published(
    OpeningGates((1.0, 3.15), (_HOLDS, _OPENS, (2.75, 0.750, 80.0), (4.0, 0.095, 5.0), (10.0, 0.010, 0.150))),
    _UNIT,
    _IEC,
    "sheet 5",
    "T ceramic, 1 to 3.15 A",
    "read",
)
# The range of ratings is from memory too.
FUSE_T_GLASS = Published(
    OpeningGates(
        (0.125, 6.3),
        (_HOLDS, (2.1, None, 120.0), (2.75, 0.600, 10.0), (4.0, 0.150, 3.0), (10.0, 0.020, 0.300)),
    ),
    _UNIT,
    _IEC_REMEMBERED,
    "sheet 3",
    "T glass, 125 mA to 6.3 A",
    "from memory",
)
# The North American rule, for fuses up to 30 A: another kind of rating, which the models do not use.
FUSE_UL_248_14 = Published(
    OpeningGates((0.0, 30.0), ((1.0, _HOUR, None), (1.35, None, _HOUR), (2.0, None, 120.0))),
    _UNIT,
    "UL 248-14",
    "",
    "to 30 A",
    "read",
)
I2T_BY_WAVE = Published(
    (("rectangle", 1.0), ("half-sine", 0.5), ("triangle", 1.0 / 3.0), ("exponential", 0.5)),
    "share of I2 t, for the exponential of I2 tau",
    "makers' sheets",
    "melting integral of a pulse of peak I",
    "",
    "read",
)

_BREAKER = "a maker's datasheet of thermal breakers"
BREAKER_SMALL = Published(
    OpeningGates((0.25, 2.0), ((1.75, None, _HOUR), (2.0, 4.5, 28.0), (4.0, 1.0, 6.5), (6.0, 0.4, 4.0))),
    _UNIT,
    _BREAKER,
    "0.25 to 2 A",
    "25 C",
    "read",
)
BREAKER_LARGE = Published(
    OpeningGates((3.0, 20.0), ((1.35, None, _HOUR), (2.0, 2.2, 15.0), (4.0, 0.55, 1.8), (6.0, 0.27, 0.70))),
    _UNIT,
    _BREAKER,
    "3 to 20 A",
    "25 C",
    "read",
)
