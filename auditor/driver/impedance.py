"""The driver's impedance over frequency, coil at 20 C: measured, or modelled from what its maker prints.

    Z(f) = R_dc + j w L + R_es (j w / (Q_ms w_s)) / (1 - (w / w_s)^2 + j w / (Q_ms w_s)),   R_es = R_dc Q_ms / Q_es

A hot coil adds its own extra resistance to all of it: only the wire is in the gap. Heat in the coil is the current's in
that wire, I^2 R_dc(T). What Re(Z) holds above R_dc is sound, friction in the suspension and eddy currents in the iron:
none of it heats the coil directly, and the little of it that warms the iron is left out.

Source and range
----------------
Model: R. H. Small, J. Audio Eng. Soc. 20 (1972) 383, the electrical side of a driver in its box (from memory). A coil's
inductance falls with frequency and its loss grows, which a fixed inductance does not know: above some kilohertz the
model is too high, so measure where it matters. A measured curve is straight between its points in logarithms of
frequency and impedance and in phase; outside them the nearest point holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.rig import Driver

    Complex = NDArray["np.complex128"]
    import numpy as np

LEAST_HZ = 1e-3  # stands for 0 Hz, where a capacitor's impedance has no value


@dataclass(frozen=True, kw_only=True)
class MeasuredImpedance:
    """An impedance measured at some frequencies.

    Parameters
    ----------
    path : str
        The file, as the rig file names it.
    frequency_hz, magnitude_ohm, phase_deg : tuple of float
        Rising frequencies [Hz], and what was measured there [ohm], [degrees].
    has_phase : bool
        False where the file gives magnitudes alone; all phases are then nought.
    """

    path: str
    frequency_hz: tuple[float, ...]
    magnitude_ohm: tuple[float, ...]
    phase_deg: tuple[float, ...]
    has_phase: bool = True

    def at(self, frequency_hz: NDArray[np.floating]) -> Complex:
        """Impedance [ohm] at these frequencies [Hz]."""
        import numpy as np

        at = np.log(np.maximum(frequency_hz, LEAST_HZ))
        known = np.log(self.frequency_hz)
        magnitude_ohm = np.exp(np.interp(at, known, np.log(self.magnitude_ohm)))
        phase_deg = np.interp(at, known, self.phase_deg)
        return np.asarray(magnitude_ohm * np.exp(1j * np.radians(phase_deg)))


@dataclass(frozen=True, kw_only=True)
class ModelledImpedance:
    """An impedance from the coil's resistance and inductance, with the resonance where that is known.

    Parameters
    ----------
    dc_resistance_ohm, inductance_h : float
    resonance_hz, mechanical_q, electrical_q : float
        Noughts where no resonance is given.
    """

    dc_resistance_ohm: float
    inductance_h: float
    resonance_hz: float = 0.0
    mechanical_q: float = 0.0
    electrical_q: float = 0.0

    def at(self, frequency_hz: NDArray[np.floating]) -> Complex:
        """Impedance [ohm] at these frequencies [Hz]."""
        import numpy as np

        frequency_hz = np.maximum(np.asarray(frequency_hz, dtype=np.float64), LEAST_HZ)
        coil = self.dc_resistance_ohm + 2j * np.pi * frequency_hz * self.inductance_h
        if self.resonance_hz == 0.0:
            return np.asarray(coil, dtype=np.complex128)
        ratio = frequency_hz / self.resonance_hz
        damping = 1j * ratio / self.mechanical_q
        height_ohm = self.dc_resistance_ohm * self.mechanical_q / self.electrical_q
        return np.asarray(coil + height_ohm * damping / (1.0 - ratio**2 + damping), dtype=np.complex128)


Impedance = MeasuredImpedance | ModelledImpedance


def impedance_ohm(driver: Driver, frequency_hz: NDArray[np.floating]) -> Complex:
    """Impedance of the branch's drivers together, coils at 20 C [ohm]; the rated one throughout where no more is known.

    Parameters
    ----------
    driver : Driver
    frequency_hz : ndarray [shape=(n,)]
        Frequencies [Hz].
    """
    import numpy as np

    if driver.impedance is None:
        return np.full(np.shape(frequency_hz), driver.branch_impedance_ohm, dtype=np.complex128)
    return driver.impedance.at(frequency_hz) * (driver.series_count / driver.parallel_count)
