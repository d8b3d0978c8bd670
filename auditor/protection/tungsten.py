"""Tungsten as a filament material: resistivity, specific heat and emissivity against temperature.

Sources: resistivity, Forsythe and Worthing (1925) as the CRC handbook prints it, 300-3600 K, straight lines between its
rows and beyond its ends; specific heat, White and Minges (1997); total hemispherical emissivity, the fit to Matsumoto
and others (1999). The records with their sources stand in `auditor.published`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from auditor import published

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

_TABLE_TEMP_K, _TABLE_MICROOHM_CM = np.array(published.TUNGSTEN_RESISTIVITY.value).T


def resistivity_ohm_m(temp_k: ArrayLike) -> NDArray[np.float64]:
    """Electrical resistivity [ohm m] at `temp_k` [K]."""
    temp_k = np.asarray(temp_k, dtype=np.float64)
    inside = np.interp(temp_k, _TABLE_TEMP_K, _TABLE_MICROOHM_CM)
    below = _TABLE_MICROOHM_CM[0] + (temp_k - _TABLE_TEMP_K[0]) * _slope(0)
    above = _TABLE_MICROOHM_CM[-1] + (temp_k - _TABLE_TEMP_K[-1]) * _slope(-2)
    microohm_cm = np.where(temp_k < _TABLE_TEMP_K[0], below, np.where(temp_k > _TABLE_TEMP_K[-1], above, inside))
    return np.asarray(microohm_cm * 1e-8)


def specific_heat_j_per_kg_k(temp_k: ArrayLike) -> NDArray[np.float64]:
    """Specific heat [J/(kg K)] at `temp_k` [K]."""
    temp_k = np.asarray(temp_k, dtype=np.float64)
    a0, a1, a2, a3, a_minus2 = published.TUNGSTEN_SPECIFIC_HEAT_COEFFICIENTS.value
    molar = a0 + a1 * temp_k + a2 * temp_k**2 + a3 * temp_k**3 + a_minus2 / temp_k**2
    return np.asarray(molar / (published.TUNGSTEN_MOLAR_MASS_G_PER_MOL.value * 1e-3))


def emissivity(temp_k: ArrayLike) -> NDArray[np.float64]:
    """Total hemispherical emissivity at `temp_k` [K]."""
    above_300 = np.asarray(temp_k, dtype=np.float64) - 300.0
    b0, b1, b2 = published.TUNGSTEN_EMISSIVITY_COEFFICIENTS.value
    return np.asarray(b0 + b1 * above_300 + b2 * above_300**2)


def _slope(row: int) -> float:
    rise = _TABLE_MICROOHM_CM[row + 1] - _TABLE_MICROOHM_CM[row]
    return float(rise / (_TABLE_TEMP_K[row + 1] - _TABLE_TEMP_K[row]))
