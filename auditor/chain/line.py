"""The stages that one channel of a file goes through: processor, amplifier, HF branch; loudness."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.amplifier import AmplifierChannel
from auditor.chain.kept import Passed, before_pad
from auditor.chain.ladder import LadderBuilder
from auditor.chain.level import volts_per_unit
from auditor.chain.processor import Processor
from auditor.chain.splitter import Splitter
from auditor.programme.loudness import ChannelMeter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.programme.decode import Programme
    from auditor.rig import Rig


class Line:
    """The stages of one channel."""

    def __init__(self, programme: Programme, rig: Rig, frame_s: float | None, *, with_ladder: bool) -> None:
        sample_rate_hz = programme.sample_rate_hz
        behind = before_pad(rig)
        # Behind a limiter another gain is not the same wave scaled: see the margin.
        self._climbs = with_ladder and not rig.limiters
        self.meter = ChannelMeter(sample_rate_hz)
        self.processor = Processor(rig, sample_rate_hz, where=programme.name)
        self.splitter = Splitter(sample_rate_hz, behind, frame_s=frame_s, rig=rig)
        self.amplifier = AmplifierChannel(
            volts_per_unit=self.processor.unit_v,
            rail_v=rig.amplifier.rail_v,
            frame_length=self.splitter.frame_length,
        )
        self.ladder = LadderBuilder(
            sample_rate_hz,
            behind,
            rail_v=rig.amplifier.rail_v,
            full_scale_peak_v=volts_per_unit(rig),
            frame_length=self.splitter.frame_length,
            headroom_db=programme.headroom_db + self.processor.headroom_db,
            unit_v=self.processor.unit_v,
        )
        self.length = 0

    def push(self, samples: NDArray[np.float32]) -> None:
        """Take the next samples, shape=(n,), full scale 1.0."""
        samples = np.ascontiguousarray(samples)
        self.length += len(samples)
        self.meter.push(samples)
        self._amplify(self.processor.push(samples))

    def _amplify(self, asked: NDArray[np.float32]) -> None:
        self.splitter.push(self.amplifier.push(asked))
        if self._climbs:
            self.ladder.push(asked)

    def finish(self) -> Passed:
        """Flush every stage."""
        self._amplify(self.processor.finish())
        self.meter.finish()  # the peak may lie behind the last sample
        frames = self.splitter.finish()
        # Not by way of all squares in double precision, which of a long file would be as large as all that is kept.
        square = float(np.einsum("i,i->", frames.rms_v, frames.rms_v, dtype=np.float64)) * self.splitter.frame_length
        return Passed(
            frames=frames,
            ladder=self.ladder.finish() if self._climbs else None,
            clipped_ratio=self.amplifier.clipped_ratio(),
            overall_clipped_ratio=self.amplifier.clipped_count / self.length,
            hf_energy_ratio=square / self.amplifier.energy if self.amplifier.energy > 0.0 else 0.0,
            rms_v=float(np.sqrt(square / self.length)),
            limiter=self.processor.limiter_work(),
            true_peak=self.meter.true_peak,
        )
