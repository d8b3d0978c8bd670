"""A lamp's filament, worked out from nothing but its rating.

    C(T) dT/dt = I^2 R(T) - A sigma eps(T) (T^4 - Ta^4) - G (T - Ta)

At its design point a lamp of V_d volts and I_d amps burns P_d = V_d I_d at T_d kelvin. A share g of that leaves through
gas and leads, which gives G; the rest is radiated, which gives the radiating surface A. A coil shades itself, so its
wire has the surface A / 0.87; that and R_d = V_d/I_d fix the wire's length and radius, hence its mass and C(T).

Sources: M. Carla (2013) for the two-term loss; tungsten data in `tungsten`. The 0.87 is fitted to two lamps' measured
switch-on times; D. C. Agrawal (2011) prints 0.6865 for the shading alone, which makes lamps 40 % too slow.
T_d and g are assumed by the lamp's class unless the rig file gives them. Valid from ambient to the melting point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.protection import tungsten

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from auditor.protection.lamp import Lamp

_SIGMA = published.STEFAN_BOLTZMANN_W_PER_M2_K4.value


@dataclass(frozen=True, kw_only=True)
class Filament:
    """One lamp's filament. `surface_m2` is the radiating surface, after shading."""

    design_voltage_v: float
    design_current_a: float
    design_temp_k: float
    ambient_temp_k: float
    rated_life_h: float
    surface_m2: float
    conductance_w_per_k: float
    length_m: float
    radius_m: float

    @classmethod
    def from_lamp(cls, lamp: Lamp, ambient_temp_k: float) -> Filament:
        """Filament of one lamp of the kind the rig names (not of the whole bank)."""
        power_w = lamp.design_voltage_v * lamp.design_current_a
        design_k = lamp.design_temp_k
        radiated_w_per_m2 = float(_SIGMA * tungsten.emissivity(design_k) * (design_k**4 - ambient_temp_k**4))
        surface_m2 = (1.0 - lamp.gas_loss_ratio) * power_w / radiated_w_per_m2
        wire_m2 = surface_m2 / published.COIL_RADIATING_RATIO.value
        # surface = 2 pi r l and resistance = rho l / (pi r^2), solved for r and l.
        resistivity = float(tungsten.resistivity_ohm_m(design_k))
        resistance_ohm = lamp.design_voltage_v / lamp.design_current_a
        radius_m = (resistivity * wire_m2 / (2.0 * math.pi**2 * resistance_ohm)) ** (1.0 / 3.0)
        return cls(
            design_voltage_v=lamp.design_voltage_v,
            design_current_a=lamp.design_current_a,
            design_temp_k=design_k,
            ambient_temp_k=ambient_temp_k,
            rated_life_h=lamp.rated_life_h,
            surface_m2=surface_m2,
            conductance_w_per_k=lamp.gas_loss_ratio * power_w / (design_k - ambient_temp_k),
            length_m=wire_m2 / (2.0 * math.pi * radius_m),
            radius_m=radius_m,
        )

    @property
    def mass_kg(self) -> float:
        """Mass of the wire [kg]."""
        return published.TUNGSTEN_DENSITY_KG_PER_M3.value * math.pi * self.radius_m**2 * self.length_m

    def resistance_ohm(self, temp_k: ArrayLike) -> NDArray[np.float64]:
        """Resistance [ohm] at `temp_k` [K]."""
        ratio = tungsten.resistivity_ohm_m(temp_k) / tungsten.resistivity_ohm_m(self.design_temp_k)
        return np.asarray(self.design_voltage_v / self.design_current_a * ratio)

    def heat_capacity_j_per_k(self, temp_k: ArrayLike) -> NDArray[np.float64]:
        """Heat capacity [J/K] at `temp_k` [K]."""
        return np.asarray(self.mass_kg * tungsten.specific_heat_j_per_kg_k(temp_k))

    def loss_w(self, temp_k: ArrayLike) -> NDArray[np.float64]:
        """Heat that leaves the filament at `temp_k` [K], by radiation and by conduction [W]."""
        temp_k = np.asarray(temp_k, dtype=np.float64)
        radiated = self.surface_m2 * _SIGMA * tungsten.emissivity(temp_k) * (temp_k**4 - self.ambient_temp_k**4)
        return np.asarray(radiated + self.conductance_w_per_k * (temp_k - self.ambient_temp_k))

    def steady_voltage_v(self, temp_k: ArrayLike) -> NDArray[np.float64]:
        """Voltage across the lamp that keeps it at `temp_k` [V]."""
        return np.sqrt(np.maximum(self.loss_w(temp_k), 0.0) * self.resistance_ohm(temp_k))

    def ageing_per_s(self, temp_k: ArrayLike) -> NDArray[np.float64]:
        """Share of the rated life used per second at `temp_k` [1/s]: life falls with the 13th power of voltage."""
        exponent = published.LAMP_LIFE_EXPONENT.value
        over_design = self.steady_voltage_v(temp_k) / self.design_voltage_v
        return np.asarray(over_design**exponent / (self.rated_life_h * 3600.0))


@dataclass(frozen=True, kw_only=True)
class SteadyPoint:
    """A lamp in series with a load, settled. Attenuation is against the cold lamp [dB, positive is loss]."""

    temp_k: float
    current_a: float
    lamp_voltage_v: float
    resistance_ohm: float
    attenuation_db: float


def steady(filament: Filament, source_voltage_v: float, load_ohm: float) -> SteadyPoint:
    """Where a lamp in series with `load_ohm` settles on a steady source.

    Parameters
    ----------
    source_voltage_v : float
        Across lamp and load [V rms].
    load_ohm : float
        The driver's impedance, or 0 for the lamp alone [ohm].

    Raises
    ------
    ValueError
        If the lamp would have to be hotter than tungsten's melting point.
    """
    from scipy.optimize import brentq

    def surplus_w(temp_k: float) -> float:
        resistance = float(filament.resistance_ohm(temp_k))
        return (source_voltage_v / (resistance + load_ohm)) ** 2 * resistance - float(filament.loss_w(temp_k))

    hottest_k = published.TUNGSTEN_MELTING_K.value
    if surplus_w(hottest_k) > 0.0:
        raise ValueError(f"{source_voltage_v:g} V melts the filament")
    temp_k = float(brentq(surplus_w, filament.ambient_temp_k, hottest_k, xtol=1e-6))
    resistance_ohm = float(filament.resistance_ohm(temp_k))
    cold_ohm = float(filament.resistance_ohm(filament.ambient_temp_k))
    current_a = source_voltage_v / (resistance_ohm + load_ohm)
    return SteadyPoint(
        temp_k=temp_k,
        current_a=current_a,
        lamp_voltage_v=current_a * resistance_ohm,
        resistance_ohm=resistance_ohm,
        attenuation_db=20.0 * math.log10((resistance_ohm + load_ohm) / (cold_ohm + load_ohm)),
    )
