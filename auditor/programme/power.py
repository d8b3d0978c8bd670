"""Mean power of a sound file's channels over time, unweighted: what density is measured by."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.arrays import drain
from auditor.programme import decode

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.programme.entry import Source

_STEP_S = 0.1
_NOTHING = 1e-16  # mean square: far under the least step of 24 bits


@dataclass(frozen=True, kw_only=True)
class Powers:
    """Mean squares of a file in short steps.

    mean_square : ndarray [shape=(steps, channels)]
        Full scale 1.0; the last step may be shorter.
    step_s : float
    duration_s : float
    """

    mean_square: NDArray[np.float64]
    step_s: float
    duration_s: float

    def level_dbfs(self, channel: int, *, start_s: float, end_s: float) -> float | None:
        """Mean level of a stretch of one channel against a full-scale sine [dB]; None for silence."""
        edges_s = np.minimum(np.arange(len(self.mean_square) + 1) * self.step_s, self.duration_s)
        energy = np.concatenate([[0.0], np.cumsum(self.mean_square[:, channel] * np.diff(edges_s))])
        before, after = np.interp([start_s, end_s], edges_s, energy)
        length_s = min(end_s, self.duration_s) - start_s
        mean_square = float(after - before) / length_s if length_s > 0.0 else 0.0
        return 10.0 * math.log10(2.0 * mean_square) if mean_square > _NOTHING else None


def powers(source: Source, *, mono_gain_db: float | None = None) -> Powers:
    """Read a file from its beginning to its end.

    Parameters
    ----------
    source : str, Path or Entry
    mono_gain_db : float, optional
        Of the sum of its channels instead, as `decode.inspect` has it.

    Raises
    ------
    ProgrammeError
        If it cannot be read.
    """
    programme = decode.inspect(source, mono_gain_db=mono_gain_db)
    finding = decode.Finding()
    step = max(1, round(_STEP_S * programme.sample_rate_hz))
    held = np.empty((0, programme.feed_count), dtype=np.float32)
    found: list[NDArray[np.float64]] = []
    for block in decode.blocks(programme, finding):
        held = np.concatenate([held, block])
        whole = len(held) // step * step
        found.append(np.mean(np.square(held[:whole], dtype=np.float64).reshape(-1, step, held.shape[1]), axis=1))
        held = held[whole:].copy()
    if len(held):
        found.append(np.mean(np.square(held, dtype=np.float64), axis=0)[None])
    return Powers(
        mean_square=drain(found, np.empty((0, programme.feed_count))),
        step_s=step / programme.sample_rate_hz,
        duration_s=finding.length / programme.sample_rate_hz,
    )
