"""A channel in an eighth of its frames, to see about where a limit is reached before all of them are simulated.

Each row of frames becomes one: its mean square and its largest peak. On music the excess comes out within 0.05 dB of
that of all frames. It is a place to start looking from and an order in which to look; no figure is taken from it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.chain.overdrive import FRAMES_PER_ROW

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames


def sketch(frames: HfFrames) -> HfFrames:
    """The same channel, one frame for each row of them."""
    count = len(frames.rms_v)
    starts = np.arange(0, count, FRAMES_PER_ROW)
    square = np.add.reduceat(np.square(frames.rms_v), starts) / FRAMES_PER_ROW
    return replace(
        frames,
        frame_s=frames.frame_s * FRAMES_PER_ROW,
        rms_v=np.sqrt(square),
        peak_v=np.maximum.reduceat(frames.peak_v, starts),
    )
