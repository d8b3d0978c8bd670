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

from auditor.chain.network import Ladder, tail_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.network_parts import Network
    from auditor.rig import Crossover

_SETTLE_PERIODS = 8.0  # of its own corner: enough for every alignment
# A network's own tail is looked at instead: with a coil of little loss it may ring on. -60 dB of its energy is left.
_LEFT_RATIO, _LONGEST_MEMORY_S = 1e-6, 0.3


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
    if crossover.network is not None:
        return network_response(crossover.network, frequency_hz)
    if crossover.alignment == "none":
        return np.full(frequency_hz.shape, pad, dtype=np.complex128)
    poles = _low_pass_poles(crossover.alignment, crossover.order)
    # High-pass from low-pass: s -> 1/s. Written with the normalised low-pass variable p = fc / (j f).
    with np.errstate(divide="ignore", invalid="ignore"):
        p = crossover.frequency_hz / (1j * frequency_hz)
    with np.errstate(invalid="ignore", over="ignore"):
        high_pass = np.prod([-pole / (p - pole) for pole in poles], axis=0)
    return np.where(frequency_hz == 0.0, 0.0, pad * high_pass)


def network_response(network: Network, frequency_hz: NDArray[np.floating]) -> NDArray[np.complex128]:
    """Voltage across the cold driver, behind a network by its parts, over that at the amplifier."""
    ladder = Ladder.of(network.parts, frequency_hz, rated_impedance_ohm=network.rated_impedance_ohm)
    return ladder.transfer(network_load_ohm(network, frequency_hz))


def network_load_ohm(network: Network, frequency_hz: NDArray[np.floating]) -> NDArray[np.complex128]:
    """Impedance of the cold driver behind a network [ohm]."""
    if network.impedance is None:
        return np.full(len(frequency_hz), network.rated_impedance_ohm, dtype=np.complex128)
    return network.impedance.at(frequency_hz) * network.drivers_ratio


def settling_s(crossover: Crossover) -> float:
    """Time in which the branch forgets what was before [s]; nought where it has no memory."""
    if crossover.network is not None:
        rate_hz, longest_s = 48_000, 1.0
        at_hz = np.fft.rfftfreq(round(rate_hz * longest_s), 1.0 / rate_hz)
        return min(
            tail_s(response(crossover, at_hz), step_hz=float(at_hz[1]), left_ratio=_LEFT_RATIO), _LONGEST_MEMORY_S
        )
    return 0.0 if crossover.alignment == "none" else _SETTLE_PERIODS / crossover.frequency_hz


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
