"""How a voltage divides between the protective part and the driver where that differs from frequency to frequency.

Part and driver are in series behind the crossover's network, a source V_th with the impedance Z_th. With R the part's
resistance, dR what heat adds to the coil's and Z the cold driver's impedance,

    I = V_th / (Z_th + Z + R + dR)
    S0 = mean |I|^2,  S1 = mean Re(Z) |I|^2,  S2 = mean |Z|^2 |I|^2
    part's heat R S0, coil's heat R_dc(T) S0, terminal voltage squared S2 + 2 dR S1 + dR^2 S0

For any one sum R + dR the three means are the spectrum of the frame times three weights. They are kept at twelve sums
and read off between. With Z_r the rated impedance and u = (R + dR) / (R + dR + Z_r), which goes from about -0.3 for a
cold coil alone to 1 for an open branch, what is kept is

    r0 = V^2 / ((R + dR + Z_r)^2 S0),  r1 = Z_r V^2 / ((R + dR + Z_r)^2 S1),  r2 = Z_r^2 V^2 / ((R + dR + Z_r)^2 S2)

V being the frame's rms into the cold driver alone. For a single frequency each is a parabola in u, so a parabola
through three neighbours is then exact; and where the impedance is Z_r throughout, all are 1. Over whole spectra it is
within 0.3 % of power up to 10 ohm and 2 % up to 60 ohm. (Our own scheme; `tests/stages/test_division.py` holds it
against the sums themselves and against a circuit integrated in time.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.kernels import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Closer towards an open branch, where a network begins to ring that the driver damps no more.
NODE_U = np.array([-0.35, -0.1, 0.1, 0.25, 0.4, 0.53, 0.65, 0.75, 0.84, 0.91, 0.96, 1.0])
NODES = len(NODE_U)
# One over what Lagrange divides by, for the parabola through a node and the two that follow.
_PER_SPAN = np.array(
    [
        (1.0 / ((a - b) * (a - c)), 1.0 / ((b - a) * (b - c)), 1.0 / ((c - a) * (c - b)))
        for a, b, c in zip(NODE_U, NODE_U[1:], NODE_U[2:], strict=False)
    ]
)
# What half precision holds without growing coarse; no circuit of any use comes near.
_LEAST, _LARGEST = 1e-4, 6e4
QUANTITIES = 3  # r0, r1, r2
_MERGED_AT_ONCE = 4096  # longer frames, so that memory stays flat
_SILENT_V2 = 1e-18
ROUNDED_TO = np.float16  # half the memory, and 0.004 dB


@dataclass(frozen=True, kw_only=True)
class Division:
    """r0, r1 and r2 of every frame.

    Parameters
    ----------
    ratio : ndarray [shape=(frames, 3, NODES)] float16
        See the module's notes. For frames of silence all are 1.
    rated_impedance_ohm : float
        Z_r [ohm].
    """

    ratio: NDArray[np.float16]
    rated_impedance_ohm: float

    @classmethod
    def from_means(
        cls, means: NDArray[np.floating], cold_square: NDArray[np.floating], *, rated_impedance_ohm: float
    ) -> Division:
        """From means with the weights of `node_weights`.

        Parameters
        ----------
        means : ndarray [shape=(frames, 3, NODES)]
            One over r0, r1, r2 times the cold branch's mean square [V2].
        cold_square : ndarray [shape=(frames,)]
            The cold branch's mean square by the same spectrum [V2].
        rated_impedance_ohm : float
        """
        heard = cold_square > _SILENT_V2
        ratio = np.ones(means.shape, dtype=np.float32)
        np.divide(cold_square[:, None, None], means, out=ratio, where=heard[:, None, None] & (means > 0.0))
        return cls(ratio=np.clip(ratio, _LEAST, _LARGEST).astype(ROUNDED_TO), rated_impedance_ohm=rated_impedance_ohm)

    def part(self, first: int, count: int) -> Division:
        """That of some frames."""
        return replace(self, ratio=self.ratio[first : first + count])

    def repeated(self, frames: int) -> Division:
        """One frame's, for as many frames as asked; takes no memory."""
        shape = (frames, QUANTITIES, NODES)
        return replace(self, ratio=np.broadcast_to(self.ratio[:1], shape))

    def merged(self, rms_v: NDArray[np.floating], *, count: int) -> Division:
        """That of frames `count` times as long; the last one is filled up with silence.

        Parameters
        ----------
        rms_v : ndarray [shape=(frames,)]
            By whose squares the frames count.
        count : int
        """
        some = _MERGED_AT_ONCE * count
        ratios = [
            self.part(first, some)._merged(rms_v[first : first + some], count) for first in range(0, len(rms_v), some)
        ]
        return replace(self, ratio=np.concatenate([self.ratio[:0], *ratios]))

    def _merged(self, rms_v: NDArray[np.floating], count: int) -> NDArray[np.float16]:
        padding = -len(rms_v) % count
        square = np.pad(np.square(rms_v, dtype=np.float32), (0, padding)).reshape(-1, count)
        share = np.pad(1.0 / self.ratio.astype(np.float32), ((0, padding), (0, 0), (0, 0)))
        means = np.einsum("fc,fcqn->fqn", square, share.reshape(-1, count, QUANTITIES, NODES))
        return Division.from_means(means, square.sum(axis=1), rated_impedance_ohm=self.rated_impedance_ohm).ratio

    def rows(self) -> NDArray[np.float32]:
        """What the compiled loops take, shape=(frames, 3, NODES)."""
        return np.ascontiguousarray(self.ratio, dtype=np.float32)

    def divide(
        self, source_rms_v: NDArray[np.floating], part_ohm: NDArray[np.floating], added_ohm: NDArray[np.floating]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Current through part and driver [A rms], and the driver's terminal voltage [V rms], in every frame.

        Parameters
        ----------
        source_rms_v, part_ohm, added_ohm : ndarray [shape=(frames,)]
            The branch into the cold driver alone [V rms], the part's resistance, and what heat adds to the coil's.
        """
        given = [np.ascontiguousarray(each, dtype=np.float64) for each in (source_rms_v, part_ohm, added_ohm)]
        squares = np.empty((2, len(source_rms_v)))
        _squares(given[0], self.rows(), self.rated_impedance_ohm, given[1], given[2], squares)
        current_a, voltage_v = np.sqrt(np.maximum(squares, 0.0)).astype(np.float32)
        return current_a, voltage_v


def node_weights(
    source_impedance_ohm: NDArray[np.complex128], impedance_ohm: NDArray[np.complex128], *, rated_impedance_ohm: float
) -> NDArray[np.float32]:
    """What the cold branch's power at each frequency counts for in one over r0, r1, r2.

    Parameters
    ----------
    source_impedance_ohm, impedance_ohm : ndarray [shape=(n,)]
        Z_th, and the driver's with its coil at 20 C [ohm].
    rated_impedance_ohm : float

    Returns
    -------
    ndarray [shape=(n, 3 * NODES)]

    Notes
    -----
    With the cold branch V = V_th Z / (Z_th + Z) instead of V_th every weight stays finite where V_th or Z_th does not.
    From R + dR = Z_r u / (1 - u) follows (R + dR + Z_r) (Z_th + Z + R + dR)^-1 = Z_r / ((Z_th + Z) (1 - u) + Z_r u).
    """
    loop_ohm = source_impedance_ohm + impedance_ohm
    reached_ohm = np.outer(loop_ohm, 1.0 - NODE_U) + rated_impedance_ohm * NODE_U
    current = np.square(np.abs(rated_impedance_ohm * loop_ohm[:, None] / (impedance_ohm[:, None] * reached_ohm)))
    factors = (
        np.ones(len(loop_ohm)),
        impedance_ohm.real / rated_impedance_ohm,
        np.square(np.abs(impedance_ohm)) / rated_impedance_ohm**2,
    )
    return np.concatenate([current * factor[:, None] for factor in factors], axis=1).astype(np.float32)


@compiled(error_model="numpy")
def read_off(row, series_ohm, rated_ohm):  # type: ignore[no-untyped-def]
    """r0, r1 and r2 of one frame, row of shape=(3, NODES), at a sum of part's and added resistance."""
    u = series_ohm / (series_ohm + rated_ohm)
    i = 0
    while i < NODES - 3 and u >= NODE_U[i + 1]:
        i += 1
    a, b, c = u - NODE_U[i], u - NODE_U[i + 1], u - NODE_U[i + 2]
    w0, w1, w2 = b * c * _PER_SPAN[i, 0], a * c * _PER_SPAN[i, 1], a * b * _PER_SPAN[i, 2]
    return (
        w0 * row[0, i] + w1 * row[0, i + 1] + w2 * row[0, i + 2],
        w0 * row[1, i] + w1 * row[1, i + 1] + w2 * row[1, i + 2],
        w0 * row[2, i] + w1 * row[2, i + 1] + w2 * row[2, i + 2],
    )


@compiled(error_model="numpy")
def divided(voltage, row, rated_ohm, resistance, added_ohm):  # type: ignore[no-untyped-def]
    """Mean squares of the current [A2] and of the driver's terminal voltage [V2]."""
    series_ohm = resistance + added_ohm
    r0, r1, r2 = read_off(row, series_ohm, rated_ohm)
    base = (voltage / (series_ohm + rated_ohm)) ** 2
    square = base / r0
    return square, base * (rated_ohm * rated_ohm / r2 + 2.0 * added_ohm * rated_ohm / r1) + added_ohm**2 * square


@compiled(error_model="numpy")
def _squares(source, rows, rated_ohm, part_ohm, added_ohm, squares):  # type: ignore[no-untyped-def]
    for frame in range(len(source)):
        squares[0, frame], squares[1, frame] = divided(
            source[frame], rows[frame], rated_ohm, part_ohm[frame], added_ohm[frame]
        )
