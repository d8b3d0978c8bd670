"""A programme played anew in rigs in which an assumed value changes what is played by more than one factor."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from auditor.chain.play import Played, play
from auditor.rig_band import played_parts

if TYPE_CHECKING:
    from auditor.chain.play import ChannelFeed
    from auditor.rig import Rig

_MOST_BYTES, _LEAST_KEPT, _MOST_KEPT = 400_000_000, 2, 27


def as_played(rig: Rig, moved: Rig) -> Rig:
    """A rig with what of a varied one must be played; what is a factor on that, and what is behind it, as it was."""
    crossover = rig.crossover if moved.crossover.network is None else moved.crossover
    return replace(rig, crossover=crossover, driver=replace(rig.driver, impedance=moved.driver.impedance))


class Takes:
    """Playings of one programme, the latest of them kept; asked by all channels at a time.

    Parameters
    ----------
    played : Played
        With every value as assumed.
    """

    def __init__(self, played: Played) -> None:
        self._source = played.programme.source
        first = played.feeds[0].frames
        self._frame_s = first.frame_s
        size = len(played.feeds) * (first.rms_v.nbytes + first.peak_v.nbytes)
        size += 0 if first.division is None else len(played.feeds) * first.division.ratio.nbytes
        self._most = min(max(_MOST_BYTES // max(size, 1), _LEAST_KEPT), _MOST_KEPT)
        self._takes: OrderedDict[Any, Played] = OrderedDict()
        self._lock = threading.Lock()

    def feed(self, rig: Rig, channel: int) -> ChannelFeed:
        """One channel in that rig."""
        key = played_parts(rig)
        with self._lock:
            if key not in self._takes:
                self._takes[key] = play(self._source, rig, frame_s=self._frame_s)
                while len(self._takes) > self._most:
                    self._takes.popitem(last=False)
            self._takes.move_to_end(key)
            return self._takes[key].feeds[channel]
