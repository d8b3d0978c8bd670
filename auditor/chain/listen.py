"""How loud a programme comes to the amplifier at its loudest, as the two detectors of a limiter would read it.

Read where a limiter directly in front of the amplifier stands: behind equaliser, crossover and limiters of the rig, if
it has any. A limiter whose threshold is the level found just begins to work there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.fader import ride
from auditor.chain.processor import Processor
from auditor.kernels import compiled
from auditor.programme import decode
from auditor.threads import SideBySide

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.programme.entry import Source
    from auditor.rig import Rig


@dataclass(frozen=True, kw_only=True)
class Loudest:
    """Largest readings of an rms and a peak detector, in volts at the amplifier's output, as of a sine [V rms]."""

    rms_v: float
    peak_v: float


def listen(source: Source, rig: Rig, *, averaging_s: float) -> Loudest:
    """Play a file up to the amplifier's input.

    Parameters
    ----------
    source : str, Path or Entry
    rig : Rig
    averaging_s : float
        Time constant of the rms detector.

    Raises
    ------
    ProgrammeError
        If the file cannot be read.
    """
    programme = decode.inspect(ride(source, rig)[0], mono_gain_db=rig.level.mono_gain_db)
    ears = [_Ear(rig, programme, averaging_s) for _ in range(programme.feed_count)]
    with SideBySide(ears) as running:
        for block in decode.blocks(programme, decode.Finding()):
            running.push(block.T)
    found = [ear.finish() for ear in ears]
    return Loudest(rms_v=max(each.rms_v for each in found), peak_v=max(each.peak_v for each in found))


class _Ear:
    """One channel."""

    def __init__(self, rig: Rig, programme: decode.Programme, averaging_s: float) -> None:
        self._processor = Processor(rig, programme.sample_rate_hz, where=programme.name)
        self._kept = math.exp(-1.0 / (averaging_s * programme.sample_rate_hz))
        self._state = np.zeros(3)  # mean square now, largest, and largest magnitude, in the processor's units

    def push(self, samples: NDArray[np.float32]) -> None:
        _hear(self._processor.push(np.ascontiguousarray(samples)), self._kept, self._state)

    def finish(self) -> Loudest:
        _hear(self._processor.finish(), self._kept, self._state)
        unit_v = self._processor.unit_v
        return Loudest(rms_v=math.sqrt(self._state[1]) * unit_v, peak_v=self._state[2] * unit_v / math.sqrt(2.0))


@compiled()
def _hear(wished, kept, state):  # type: ignore[no-untyped-def]
    square, most, largest = state[0], state[1], state[2]
    for i in range(len(wished)):
        v = np.float64(wished[i])
        square = kept * square + (1.0 - kept) * v * v
        most = max(most, square)
        largest = max(largest, abs(v))
    state[0], state[1], state[2] = square, most, largest
