"""A channel of a file put through the chain once more: a few rows of it, or all of it at another level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.amplifier import clip
from auditor.chain.kept import before_pad, padded
from auditor.chain.processor import Processor
from auditor.chain.splitter import HfFrames, Splitter
from auditor.programme import decode

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.chain.recall import Replays
    from auditor.rig import Rig


@dataclass(frozen=True, kw_only=True)
class Replay:
    """One channel of a file, to be read again: a few rows of it, or all of it at another level.

    Parameters
    ----------
    programme : Programme
    channel : int
    rig : Rig
    frame_s : float
    kept : Replays or None
        Where whole replays are kept from one run to the next.
    """

    programme: decode.Programme
    channel: int
    rig: Rig
    frame_s: float
    kept: Replays | None = None

    def wished_v(self, start: int, length: int) -> NDArray[np.float32] | None:
        """Voltage wished for at the present level from sample `start` on [V]; None if it cannot be read any more.

        Not for a rig with a limiter, which remembers all that was before.
        """
        assert not self.rig.limiters
        processor = Processor(self.rig, self.programme.sample_rate_hz)
        lead = processor.lead
        samples = decode.read_again(self.programme, self.channel, start - lead, length + 2 * lead)
        return None if samples is None else processor.excerpt(samples)

    def frames(self, gain_db: float) -> HfFrames:
        """HF frames at a gain change of `gain_db`, from every sample anew."""
        if self.kept is None:
            return padded(self._frames(gain_db), self.rig)
        return padded(self.kept.frames(self.channel, gain_db, lambda: self._frames(gain_db)), self.rig)

    def _frames(self, gain_db: float) -> HfFrames:
        processor = Processor(self.rig, self.programme.sample_rate_hz, gain_db=gain_db)
        unit_v, rail_v = np.float32(processor.unit_v), self.rig.amplifier.rail_v
        splitter = Splitter(self.programme.sample_rate_hz, before_pad(self.rig), frame_s=self.frame_s, rig=self.rig)
        for block in decode.blocks(self.programme, decode.Finding()):
            splitter.push(clip(processor.push(np.ascontiguousarray(block[:, self.channel])) * unit_v, rail_v))
        splitter.push(clip(processor.finish() * unit_v, rail_v))
        return splitter.finish()
