"""The alignment that comes nearest to a network's response, for the ladder of gains (`auditor.chain.overdrive`).

The ladder's recursive sections are those of an alignment. It asks only by how much clipping departs from plain scaling,
so they need pass the same band, not the exact response: that stays the splitter's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.crossover import network_response, response
from auditor.chain.network import audible_hz
from auditor.rig import Crossover

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ORDERS = (1, 2, 3, 4)
_CORNERS = 2.0 ** np.linspace(-1.0, 1.0, 49)  # of the network's own, half a semitone apart
_FLOOR_DB = -50.0  # below it nothing is passed that counts


def equivalent_high_pass(crossover: Crossover) -> Crossover:
    """Nearest alignment; the crossover itself where it is one."""
    network = crossover.network
    if network is None:
        return crossover
    if crossover.alignment == "none":
        return Crossover(alignment="none", order=0, frequency_hz=0.0, pad_db=crossover.pad_db)
    frequency_hz = audible_hz()
    wanted_db = _level_db(network_response(network, frequency_hz))
    weight = np.maximum(10.0 ** ((wanted_db - wanted_db.max()) / 20.0), 10.0 ** (_FLOOR_DB / 20.0))
    alignments = [("butterworth", order) for order in _ORDERS] + [("linkwitz-riley", 2), ("linkwitz-riley", 4)]
    tried = [
        Crossover(
            alignment=alignment,  # type: ignore[arg-type]
            order=order,
            frequency_hz=float(crossover.frequency_hz * ratio),
            pad_db=crossover.pad_db,
        )
        for alignment, order in alignments
        for ratio in _CORNERS
    ]
    return min(tried, key=lambda each: _distance(response(each, frequency_hz), wanted_db, weight))


def _level_db(transfer: NDArray[np.complex128]) -> NDArray[np.float64]:
    return np.maximum(20.0 * np.log10(np.maximum(np.abs(transfer), 1e-12)), _FLOOR_DB - 20.0)


def _distance(transfer: NDArray[np.complex128], wanted_db: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    return float(np.sum(weight * np.square(_level_db(transfer) - wanted_db)))
