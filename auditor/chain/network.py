"""The passive network of the HF branch, part by part: from the amplifier's terminals to those of the driver.

Each part is a two-port; their chain matrices, multiplied in order, are that of the whole ladder:

    [V1]   [A B] [V2]      in series  [1 Z]      across  [1 0]
    [I1] = [C D] [I2]                 [0 1]              [Y 1]

The amplifier is a voltage source without resistance. Into a load Z_l the ladder gives V1 / (A + B/Z_l); seen from
behind it is a source V1/A with the impedance B/A, which is what the protective part and the driver divide between them.

Source and range
----------------
Chain matrices: any text on two-ports, for instance M. E. Van Valkenburg, Network Analysis (from memory). An L-pad has
constant impedance into the rated impedance: R_s = Z (1 - k), R_p = Z k / (1 - k), k = 10^(-dB/20). Parts are linear: no
core saturates, nothing but the protective part and the coil grows with heat.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from auditor.driver.impedance import LEAST_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.network_parts import NetworkPart

    Complex = NDArray[np.complex128]
    Frequencies = NDArray[np.floating]

_LOWEST_HZ, _HIGHEST_HZ = 20.0, 20_000.0
_POINTS = 2000
_DOWN_DB = 3.0103  # half power, where a corner is


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """Chain matrix of a network at some frequencies; arrays of shape=(n,).

    a, d : ndarray
        Ratios.
    b : ndarray
        [ohm]
    c : ndarray
        [1/ohm]
    """

    a: Complex
    b: Complex
    c: Complex
    d: Complex

    @classmethod
    def of(cls, parts: tuple[NetworkPart, ...], frequency_hz: Frequencies, *, rated_impedance_ohm: float) -> Ladder:
        """The ladder of these parts, in order from the amplifier.

        Parameters
        ----------
        parts : tuple of NetworkPart
        frequency_hz : ndarray [shape=(n,)]
            Frequencies [Hz].
        rated_impedance_ohm : float
            What an L-pad is made for [ohm].
        """
        frequency_hz = np.maximum(np.asarray(frequency_hz, dtype=np.float64), LEAST_HZ)
        one, nought = np.ones(len(frequency_hz), dtype=np.complex128), np.zeros(len(frequency_hz), dtype=np.complex128)
        ladder = cls(a=one, b=nought, c=nought, d=one)
        for part in parts:
            for place, ohm in _elements(part, frequency_hz, rated_impedance_ohm):
                ladder = ladder._then(place, ohm)
        return ladder

    def _then(self, place: Literal["series", "shunt"], ohm: Complex) -> Ladder:
        if place == "series":
            return Ladder(a=self.a, b=self.b + self.a * ohm, c=self.c, d=self.d + self.c * ohm)
        return Ladder(a=self.a + self.b / ohm, b=self.b, c=self.c + self.d / ohm, d=self.d)

    @property
    def source_impedance_ohm(self) -> Complex:
        """Impedance of the network as its load sees it [ohm]."""
        return self.b / self.a

    def transfer(self, load_ohm: Complex) -> Complex:
        """Voltage across a load [ohm] over that at the amplifier."""
        return 1.0 / (self.a + self.b / load_ohm)

    def input_impedance_ohm(self, load_ohm: Complex) -> Complex:
        """What the amplifier sees with a load behind the network [ohm]."""
        return (self.a * load_ohm + self.b) / (self.c * load_ohm + self.d)

    @property
    def open_input_impedance_ohm(self) -> Complex:
        """What the amplifier sees where the branch is open behind the network [ohm]."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return self.a / self.c


def l_pad_ohm(pad_db: float, impedance_ohm: float) -> tuple[float, float]:
    """Resistors of an L-pad of constant impedance: in series, and across the load [ohm]."""
    k = 10.0 ** (-pad_db / 20.0)
    return impedance_ohm * (1.0 - k), impedance_ohm * k / (1.0 - k)


def _elements(
    part: NetworkPart, frequency_hz: Frequencies, rated_impedance_ohm: float
) -> list[tuple[Literal["series", "shunt"], Complex]]:
    """A part as one or two elements: in series or across, and its impedance [ohm]."""
    w = 2.0 * np.pi * frequency_hz
    ohm = np.full(len(w), part.resistance_ohm, dtype=np.complex128)
    if part.kind == "l_pad":
        series_ohm, shunt_ohm = l_pad_ohm(part.pad_db, rated_impedance_ohm)
        return [("series", np.full_like(ohm, series_ohm)), ("shunt", np.full_like(ohm, shunt_ohm))]
    if part.kind == "zobel":
        return [("shunt", ohm - 1j / (w * part.capacitance_f))]
    place: Literal["series", "shunt"] = "series" if part.kind.startswith("series") else "shunt"
    if part.kind.endswith("capacitor"):
        return [(place, ohm - 1j / (w * part.capacitance_f))]
    return [(place, ohm + 1j * w * part.inductance_h)]


@dataclass(frozen=True, kw_only=True)
class Shape:
    """A response in two figures.

    Parameters
    ----------
    loss_db : float
        Loss at the highest point of the response from 20 Hz to 20 kHz [dB]; negative where a resonance gives level.
    corner_hz : float
        Highest frequency below that point at which it is 3 dB down [Hz]; nought where it never is.
    """

    loss_db: float
    corner_hz: float

    @classmethod
    def of(cls, frequency_hz: Frequencies, transfer: Complex) -> Shape:
        """Of a response at rising frequencies [Hz]."""
        level_db = 20.0 * np.log10(np.maximum(np.abs(transfer), 1e-12))
        top = int(np.argmax(level_db))
        low = np.flatnonzero(level_db[:top] < level_db[top] - _DOWN_DB)
        if not len(low):
            return cls(loss_db=-float(level_db[top]), corner_hz=0.0)
        two = slice(int(low[-1]), int(low[-1]) + 2)
        corner = np.interp(level_db[top] - _DOWN_DB, level_db[two], np.log(frequency_hz[two]))
        return cls(loss_db=-float(level_db[top]), corner_hz=math.exp(corner))


def audible_hz() -> NDArray[np.float64]:
    """Frequencies from 20 Hz to 20 kHz, evenly spaced to the ear [Hz]."""
    return np.geomspace(_LOWEST_HZ, _HIGHEST_HZ, _POINTS)


def tail_s(transfer_at: NDArray[np.complex128], *, step_hz: float, left_ratio: float) -> float:
    """Time in which the impulse response has given off all but a share of its energy [s].

    Parameters
    ----------
    transfer_at : ndarray [shape=(n,)]
        Response at 0 Hz, `step_hz` and so on.
    step_hz : float
    left_ratio : float
        Share of the energy that may be left.
    """
    # The sharp end of the band would ring by itself, and for longer than most networks do: it is rounded off.
    upper = np.linspace(-1.0, 1.0, len(transfer_at)).clip(0.0)
    energy = np.square(np.fft.irfft(transfer_at * np.cos(np.pi / 2.0 * upper) ** 2))
    # What comes before the event stands at the very end of a circular response: that is not its tail.
    causal = energy[: len(energy) // 2]
    left = np.cumsum(causal[::-1])[::-1]
    if left[0] <= 0.0:
        return 0.0
    return float(np.count_nonzero(left > left_ratio * left[0])) / (len(energy) * step_hz)
