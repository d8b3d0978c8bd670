"""The high-pass branch of the crossover, as the analogue circuit it is.

Source and range
----------------
Butterworth poles lie evenly on the left half circle; a Linkwitz-Riley alignment of order 2m is two Butterworth
sections of order m in a row (-6.02 dB at the corner); Bessel is scaled so that its corner is at -3.01 dB. The response
is evaluated at the frequencies asked for, never turned into a digital filter: a bilinear one at 44.1 kHz is 0.02 dB
off at 1.8 kHz and up to 0.2 dB at 5 kHz.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.rig import Crossover


def response(crossover: Crossover, frequency_hz: NDArray[np.floating]) -> NDArray[np.complex128]:
    """Voltage into the driver over voltage at the amplifier, pad included.

    Parameters
    ----------
    crossover : Crossover
    frequency_hz : ndarray [shape=(n,)]
        Frequencies [Hz].

    Returns
    -------
    ndarray [shape=(n,)]
        Complex voltage ratio.
    """
    pad = 10.0 ** (-crossover.pad_db / 20.0)
    frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
    if crossover.alignment == "none":
        return np.full(frequency_hz.shape, pad, dtype=np.complex128)
    poles = _low_pass_poles(crossover.alignment, crossover.order)
    # High-pass from low-pass: s -> 1/s. Written with the normalised low-pass variable p = fc / (j f).
    with np.errstate(divide="ignore", invalid="ignore"):
        p = crossover.frequency_hz / (1j * frequency_hz)
    with np.errstate(invalid="ignore", over="ignore"):
        high_pass = np.prod([-pole / (p - pole) for pole in poles], axis=0)
    return np.where(frequency_hz == 0.0, 0.0, pad * high_pass)


def high_pass_poles(crossover: Crossover) -> list[complex]:
    """Poles of the branch for a corner at 1 rad/s; its zeros are as many at the origin."""
    if crossover.alignment == "none":
        return []
    return [1.0 / pole for pole in _low_pass_poles(crossover.alignment, crossover.order)]


def _low_pass_poles(alignment: str, order: int) -> list[complex]:
    if alignment == "linkwitz-riley":
        return 2 * _low_pass_poles("butterworth", order // 2)
    if alignment == "butterworth":
        return [complex(-math.sin(a), math.cos(a)) for a in (math.pi * (2 * k + 1) / (2 * order) for k in range(order))]
    from scipy.signal import besselap  # 0.6 s to import, so only where it is needed

    _, poles, _ = besselap(order, norm="mag")
    return [complex(pole) for pole in poles]
