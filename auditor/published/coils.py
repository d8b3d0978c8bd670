"""Voice coils: heat, conductors, limits."""

from __future__ import annotations

from dataclasses import dataclass

from auditor.published.record import NO_SOURCE, Published

_CHAPMAN = "P. J. Chapman, AES preprint 4667 (1998)"
_KLIPPEL = "W. Klippel, J. Audio Eng. Soc. 52 (2004) 3"
_IEC_60028 = "IEC 60028"
_RISE = "dT = (sqrt(1 + 4 alpha R P0) - 1)/(2 alpha), copper"


@dataclass(frozen=True)
class MeasuredDriver:
    """Thermal data of a driver somebody measured: coil and magnet time constants, and resistance in all."""

    coil_diameter_mm: float
    coil_time_constant_s: float
    magnet_time_constant_min: float
    thermal_resistance_k_per_w: float


_CHAPMAN_UNIT = "mm, s, min, K/W"
CHAPMAN_TWEETER = Published(
    MeasuredDriver(19.0, 0.84, 6.5, 62.0), _CHAPMAN_UNIT, _CHAPMAN, "19 mm tweeter", "", "second-hand"
)
CHAPMAN_LARGE_DRIVER = Published(
    MeasuredDriver(70.0, 5.6, 33.0, 11.7), _CHAPMAN_UNIT, _CHAPMAN, "70 mm driver", "", "second-hand"
)
# The 170 mm woofer has three stages: coil 9 to 15 s, gap 83 s, magnet 29 min.
CHAPMAN_WOOFER_COIL_S = Published((9.0, 15.0), "s", _CHAPMAN, "170 mm woofer", "", "second-hand")
CHAPMAN_WOOFER_GAP_S = Published(83.0, "s", _CHAPMAN, "170 mm woofer", "", "second-hand")
CHAPMAN_WOOFER_MAGNET_MIN = Published(29.0, "min", _CHAPMAN, "170 mm woofer", "", "second-hand")
CHAPMAN_WOOFER_K_PER_W = Published(7.7, "K/W", _CHAPMAN, "170 mm woofer", "", "second-hand")
CHAPMAN_HOT_SPOT_C = Published(250.0, "C", _CHAPMAN, "abstract: some coil regions exceed it", "", "read")

KLIPPEL_COIL = Published((5.9, 3.6), "K/W, J/K", _KLIPPEL, "driver A, voice coil", "", "second-hand")
KLIPPEL_MAGNET = Published((4.1, 272.0), "K/W, J/K", _KLIPPEL, "driver A, magnet", "", "second-hand")

# Sum of three exponentials, and the share of its final rise that it has reached.
STEP_STAGES = Published(
    ((5.9, 20.0), (1.0, 83.0), (4.1, 1115.0)), "K/W, s", "two published networks put together", "", "", "second-hand"
)
STEP_RESPONSE = Published(
    ((30.0, 45.4), (60.0, 57.6), (90.0, 61.9)),
    "s, % of final rise",
    "step response of stages 20, 83, 1115 s",
    "",
    "",
    "second-hand",
)

# Rise of a copper coil at constant voltage, which draws less as it heats. Thermal resistance; (cold power, rise)...
CONSTANT_VOLTAGE_RISE_62 = Published(
    ((1.0, 51.6), (2.0, 91.3), (5.0, 181.0), (10.0, 290.0)), "W, K", _RISE, "62 K/W", "from 20 C", "derived"
)
CONSTANT_VOLTAGE_RISE_11_7 = Published(
    ((5.0, 49.0), (10.0, 87.2), (20.0, 148.0)), "W, K", _RISE, "11.7 K/W", "from 20 C", "derived"
)

COPPER_RESISTIVITY_OHM_MM2_PER_M = Published(0.017241, "ohm mm2/m", _IEC_60028, "annealed copper", "20 C", "read")
COPPER_ALPHA_PER_K = Published(0.00393, "1/K", _IEC_60028, "annealed copper", "at 20 C", "read")
ALUMINIUM_ALPHA_PER_K = Published(
    0.00403, "1/K", "conductor tables beside IEC 60028", "EC aluminium, 61 % IACS", "at 20 C", "read"
)
PURE_ALUMINIUM_ALPHA_PER_K = Published(0.0044, "1/K", "CRC Handbook", "pure aluminium", "near 20 C", "derived")
REFERENCE_TEMP_C = Published(20.0, "C", _IEC_60028, "temperature of resistance figures", "", "read")
# A copper coil from 20 to 200 C: growth of its resistance, and loss of level at constant voltage as 20 log.
COMPRESSION_SPAN_C = Published((20.0, 200.0), "C", "several texts", "copper", "", "read")
COMPRESSION_GROWTH_PERCENT = Published(72.0, "%", "several texts", "copper, 20 to 200 C", "", "read")
COMPRESSION_LOSS_DB = Published(
    4.7, "dB", "several texts", "copper, 20 to 200 C, as 20 log of the resistance", "level at constant voltage", "read"
)

THERMAL_CLASSES_C = Published(
    (("A", 105), ("E", 120), ("B", 130), ("F", 155), ("H", 180)), "C", "IEC 60085", "", "insulation", "read"
)
COIL_LIMIT_CEILING_C = Published(288.0, "C", "US patent 11,323,819", "high-power coils", "", "read")
TWEETER_LIMITS_C = Published(
    ((120.0, 150.0), (180.0, 200.0)), "C", "makers' data", "plain; better", "tweeter coils", "from memory"
)
COIL_LIMIT_C = Published(180.0, "C", NO_SOURCE, "", "compression drivers; assumed", "common practice")
DOME_COIL_LIMIT_C = Published(150.0, "C", NO_SOURCE, "", "dome tweeters; assumed", "common practice")
COIL_SHARE_OF_THERMAL_RESISTANCE = Published(0.6, "ratio", NO_SOURCE, "", "assumed", "common practice")
