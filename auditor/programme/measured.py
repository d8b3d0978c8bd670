"""How loud a track is before anything is done to it: a pass over the file of its own."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.programme import decode
from auditor.programme.entry import Source, as_entry
from auditor.programme.loudness import ChannelMeter, combine
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


def measured_loudness(source: Source, *, progress: Callable[[float], None] | None = None) -> float | None:
    """Integrated loudness of a track as it stands in the file, whatever trim or fader it has (ITU-R BS.1770).

    Parameters
    ----------
    source : str, Path or Entry
    progress : callable, optional
        Told the share of the track that is done, 0 to 1.

    Returns
    -------
    float or None
        [LUFS]; None for silence, and for what stays below -70 LUFS throughout.

    Raises
    ------
    ProgrammeError
        If the file cannot be read.
    """
    programme = decode.inspect(replace(as_entry(source), gain_db=None, matched=None))
    meters = [ChannelMeter(programme.sample_rate_hz) for _ in range(programme.channel_count)]
    finding = decode.Finding()

    def push(meter: ChannelMeter, samples: NDArray[np.float32]) -> None:
        meter.push(np.ascontiguousarray(samples))

    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        for block in decode.blocks(programme, finding):
            list(pool.map(push, meters, block.T))
            if progress is not None and programme.declared_length is not None:
                progress(min(1.0, finding.length / programme.declared_length))
    return combine(meters).integrated_lufs
