"""Where a bank of lamps and a driver settle on a steady source: the curve, without stepping through time.

Settled, the lamps' filaments are at one temperature, and everything follows from it: what a lamp loses is what its
current burns, that current heats the coil, and the voltages add up to the source.

    I^2 R(T) = loss(T)                                    each lamp
    T_c = T_a + I^2 R_dc (1 + alpha (T_c - 20)) R_th      coil, both stages of its way to the air
    V = I (R_bank(T) + Z(T_c))

So the curve is tabulated against the filament's temperature (or without a lamp the coil's), and read off between.

Source and range
----------------
The same lamp (`filament`) and driver (`auditor.driver.coil`) as the simulation; from nothing up to where the filament
melts. `tests/stages/test_steady.py` holds it against both and against a published table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.driver.coil import REFERENCE_C
from auditor.protection.filament import Filament
from auditor.units import celsius_to_kelvin

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.protection.lamp import Lamp

    Curve = NDArray[np.float64]

_POINTS = 2000
_HOTTEST_COIL_C = 5000.0  # no coil lives to see it; far enough for any source the curve is asked for


@dataclass(frozen=True, kw_only=True)
class SteadyCurve:
    """What becomes of a driver on a steady source, behind lamps or bare.

    Parameters
    ----------
    source_v, driver_v, coil_temp_c : ndarray [shape=(n,)]
        Rising together: source and driver terminals [V rms], settled coil [C].
    lamp_power_w, lamp_voltage_v : ndarray [shape=(n,)]
        Of a single lamp of the bank [W], [V]; noughts without one.
    lamp_ageing_per_s : ndarray [shape=(n,)]
        Share of its life that a lamp uses in a second [1/s].
    lamps : int
        How many there are in the bank; nought without one.
    melts_source_v : float
        Source on which the filament melts [V]; infinite without a lamp or where the driver is gone first.
    v2_per_w : float
        Square of the terminal voltage for each watt in one driver [V2/W].
    """

    source_v: Curve
    driver_v: Curve
    coil_temp_c: Curve
    lamp_power_w: Curve
    lamp_voltage_v: Curve
    lamp_ageing_per_s: Curve
    lamps: int
    melts_source_v: float
    v2_per_w: float

    @classmethod
    def of(cls, lamp: Lamp, network: CoilNetwork, division: Division | None = None) -> SteadyCurve:
        """Curve of a driver behind that lamp or bank.

        Parameters
        ----------
        lamp : Lamp
        network : CoilNetwork
        division : Division, optional
            Of one frame: how the source's spectrum divides between the two, where that depends on frequency.
        """
        ambient_k = celsius_to_kelvin(network.ambient_temp_c)
        filament = Filament.from_lamp(lamp, ambient_k)
        # Squared steps: near the ambient the current goes with the root of the rise.
        hottest_k = published.TUNGSTEN_MELTING_K.value
        temp_k = ambient_k + (hottest_k - ambient_k) * np.linspace(0.0, 1.0, _POINTS) ** 2
        ohm = filament.resistance_ohm(temp_k)
        power_w = np.maximum(filament.loss_w(temp_k), 0.0)
        current_a = np.sqrt(power_w / ohm)
        total_a = lamp.parallel_count * current_a
        # Past this current no coil settles: its resistance grows as fast as its heat leaves.
        held = network.alpha_per_k * _rise_per_ratio_k(network, total_a) < 1.0
        ratio_k = _rise_per_ratio_k(network, total_a[held])
        alpha = network.alpha_per_k
        coil_c = (network.ambient_temp_c + ratio_k * (1.0 - alpha * REFERENCE_C)) / (1.0 - alpha * ratio_k)
        spread = lamp.series_count / lamp.parallel_count
        source_v, driver_v = _volts(total_a[held], ohm[held] * spread, coil_c, network, division)
        return cls(
            source_v=source_v,
            driver_v=driver_v,
            coil_temp_c=coil_c,
            lamp_power_w=power_w[held],
            lamp_voltage_v=(current_a * ohm)[held],
            lamp_ageing_per_s=filament.ageing_per_s(temp_k)[held],
            lamps=lamp.series_count * lamp.parallel_count,
            melts_source_v=float(source_v[-1]) if bool(held.all()) else math.inf,
            v2_per_w=network.v2_per_w,
        )

    @classmethod
    def bare(cls, network: CoilNetwork, division: Division | None = None) -> SteadyCurve:
        """Curve of the driver without any protection; parameters as `of`."""
        ambient_c = network.ambient_temp_c
        coil_c = ambient_c + (_HOTTEST_COIL_C - ambient_c) * np.linspace(0.0, 1.0, _POINTS) ** 2
        current_a = np.sqrt((coil_c - ambient_c) / (_thermal_resistance_k_per_w(network) * _coil_ohm(network, coil_c)))
        nothing = np.zeros(_POINTS)
        source_v, driver_v = _volts(current_a, nothing, coil_c, network, division)
        return cls(
            source_v=source_v,
            driver_v=driver_v,
            coil_temp_c=coil_c,
            lamp_power_w=nothing,
            lamp_voltage_v=nothing,
            lamp_ageing_per_s=nothing,
            lamps=0,
            melts_source_v=math.inf,
            v2_per_w=network.v2_per_w,
        )

    def driver_power_at_w(self, source_v: ArrayLike) -> Curve:
        """Terminal voltage squared over rated impedance on that source [V rms]; not a number where the lamp melts."""
        return self._at(source_v, self.driver_v) ** 2 / self.v2_per_w

    def coil_temp_at_c(self, source_v: ArrayLike) -> Curve:
        """Settled coil on that source [C]; not a number where the lamp melts."""
        return self._at(source_v, self.coil_temp_c)

    def lamp_power_at_w(self, source_v: ArrayLike) -> Curve:
        """Heat of one lamp on that source [W]; not a number where it melts."""
        return self._at(source_v, self.lamp_power_w)

    def lamp_voltage_at_v(self, source_v: ArrayLike) -> Curve:
        """Voltage across one lamp on that source [V]; not a number where it melts."""
        return self._at(source_v, self.lamp_voltage_v)

    def lamp_lasts_s(self, source_v: float) -> float:
        """How long the lamps last on that source [s]: by their rated life, and no time where they melt."""
        ageing_per_s = float(self._at(source_v, self.lamp_ageing_per_s))
        if math.isnan(ageing_per_s):
            return 0.0
        return 1.0 / ageing_per_s if ageing_per_s > 0.0 else math.inf

    def ceiling_v(self, *, power_w: float, coil_temp_c: float) -> float:
        """Largest steady source on which driver and coil stay within these limits, and the lamps whole [V rms]."""
        by_power_v = float(np.interp(math.sqrt(power_w * self.v2_per_w), self.driver_v, self.source_v))
        by_coil_v = float(np.interp(coil_temp_c, self.coil_temp_c, self.source_v))
        return min(by_power_v, by_coil_v)

    def _at(self, source_v: ArrayLike, values: Curve) -> Curve:
        return np.asarray(np.interp(np.asarray(source_v, dtype=np.float64), self.source_v, values, right=math.nan))


def _volts(
    current_a: Curve, part_ohm: Curve, coil_temp_c: Curve, network: CoilNetwork, division: Division | None
) -> tuple[Curve, Curve]:
    """Source and driver terminals at these currents [V rms]."""
    if division is None:
        driver_v = current_a * _impedance_ohm(network, coil_temp_c)
        return driver_v + current_a * part_ohm, driver_v
    added_ohm = _impedance_ohm(network, coil_temp_c) - network.rated_impedance_ohm
    points = len(current_a)
    a_per_v, v_per_v = division.repeated(points).divide(np.ones(points), part_ohm, added_ohm)
    source_v = current_a / a_per_v
    return source_v, source_v * v_per_v


def _thermal_resistance_k_per_w(network: CoilNetwork) -> float:
    return network.coil_to_body_k_per_w + network.body_to_air_k_per_w


def _rise_per_ratio_k(network: CoilNetwork, current_a: Curve) -> Curve:
    """Rise of the coil if its resistance stayed that at 20 C [K]."""
    return current_a**2 * network.dc_resistance_ohm * _thermal_resistance_k_per_w(network)


def _coil_ohm(network: CoilNetwork, coil_temp_c: Curve) -> Curve:
    return network.dc_resistance_ohm * (1.0 + network.alpha_per_k * (coil_temp_c - REFERENCE_C))


def _impedance_ohm(network: CoilNetwork, coil_temp_c: Curve) -> Curve:
    added_ohm = network.dc_resistance_ohm * network.alpha_per_k * (coil_temp_c - REFERENCE_C)
    return network.rated_impedance_ohm + added_ohm
