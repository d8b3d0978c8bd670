"""How far a direct-radiating dome moves: displacement for a voltage at its terminals, by the small-signal model.

    x / V = (B l / R_e) / (M_ms (w0^2 - w^2 + j w w0 / Q_t))

A mass on a spring, pushed by B l times the current that the voltage drives through the coil's resistance, and damped by
its own losses and by the coil (Q_t, both together). Below resonance the displacement follows the voltage, above it
falls with the square of frequency: a crossover too low lets the driver move further than it can, long before it is
hot.

Source and range
----------------
R. H. Small, Closed-Box Loudspeaker Systems, JAES 20 (1972): the response of a driver in a closed box is that of a mass,
a spring and a resistance (from memory). For direct-radiating domes only: before a horn or a compression chamber the air
loads the diaphragm and these values do not describe it. The coil's inductance is left out, which matters far above
resonance, where nothing moves much. Small signals: a real suspension grows stiffer and holds it back.
Only `math` is imported at the top, so that a rig file can be read without numpy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MM_PER_M = 1000.0
KG_PER_G = 0.001


@dataclass(frozen=True, kw_only=True)
class Dome:
    """A direct-radiating dome as mass, spring and damping.

    Parameters
    ----------
    resonance_hz : float
    total_q : float
    moving_mass_g : float
        With the air that moves along.
    force_factor_t_m : float
        B l [T m].
    dc_resistance_ohm : float
    """

    resonance_hz: float
    total_q: float
    moving_mass_g: float
    force_factor_t_m: float
    dc_resistance_ohm: float

    def displacement_mm_per_v(self, frequency_hz: NDArray[np.floating]) -> NDArray[np.complex128]:
        """Displacement for a volt at the terminals, both peak or both rms [mm/V].

        Parameters
        ----------
        frequency_hz : ndarray [shape=(n,)]
        """
        import numpy as np

        w = 2.0 * math.pi * np.asarray(frequency_hz, dtype=np.float64)
        w0 = 2.0 * math.pi * self.resonance_hz
        force_n_per_v = self.force_factor_t_m / self.dc_resistance_ohm
        spring = self.moving_mass_g * KG_PER_G * (w0**2 - w**2 + 1j * w * w0 / self.total_q)
        return np.asarray(MM_PER_M * force_n_per_v / spring, dtype=np.complex128)


def implied_electrical_q(
    *, resonance_hz: float, moving_mass_g: float, force_factor_t_m: float, dc_resistance_ohm: float
) -> float:
    """Q by the coil's damping alone: w0 M_ms R_e / (B l)^2 (Small, from memory)."""
    w0 = 2.0 * math.pi * resonance_hz
    return w0 * moving_mass_g * KG_PER_G * dc_resistance_ohm / force_factor_t_m**2


def joint_q(mechanical_q: float, electrical_q: float) -> float:
    """Q by both kinds of damping together."""
    return mechanical_q * electrical_q / (mechanical_q + electrical_q)
