"""Where the frames of a file lie that has been decoded once, so that a stretch of it can be read again exactly.

A decoder that starts in the middle of a file need not give the same samples: transforms overlap, and some codings fill
bands with noise from a generator that runs on from packet to packet. So each frame leaves a check value in the first
pass. What is read after a seek must agree with it, frame by frame; where it does not, the file is decoded from its
beginning, going on from the last such reading if that lies before.
"""

from __future__ import annotations

import threading
import zlib
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_CHECKED_EVERY = 16  # samples: what makes a frame differ is spread over all of it
_LEAD_S = 1.0  # before the stretch, for the decoder to settle
_SETTLING_FRAMES = 2  # the first after a seek lack what they overlap with
_READERS_KEPT = 2  # as many channels are judged at a time


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A frame, or a loss."""

    position: int  # of its first sample
    stamp: int | None  # its time stamp, in the container's ticks
    samples: NDArray[np.float32]  # [shape=(n, channels)]
    damaged: bool = False

    @staticmethod
    def lost(position: int, length: int, channel_count: int) -> Stretch:
        """Samples that could not be had: not numbers."""
        samples = np.full((length, channel_count), np.nan, dtype=np.float32)
        return Stretch(position=position, stamp=None, samples=samples, damaged=True)

    @property
    def end(self) -> int:
        """Position after its last sample."""
        return self.position + len(self.samples)

    def cut(self, length: int) -> Stretch:
        """Its first samples."""
        return Stretch(position=self.position, stamp=self.stamp, samples=self.samples[:length], damaged=self.damaged)

    def check(self) -> int:
        """A value that another decoding of the same frame must share."""
        return zlib.crc32(self.samples[::_CHECKED_EVERY].tobytes())


class Draft:
    """An index while it is made."""

    def __init__(self) -> None:
        self._positions, self._stamps, self._checks = array("q"), array("q"), array("I")
        self._whole = True

    def enter(self, part: Stretch) -> None:
        """Take the next stretch of the file."""
        if part.damaged or part.stamp is None or (self._stamps and part.stamp <= self._stamps[-1]):
            # A loss is not found again after a seek; the last frame out of a decoder often has no time stamp.
            self._whole = self._whole and not part.damaged
            return
        self._positions.append(part.position)
        self._stamps.append(part.stamp)
        self._checks.append(part.check())

    def finish(self, index: Index) -> None:
        """Hand over at the end of the file."""
        if self._whole and index.stamps is None:
            index.positions, index.checks = np.array(self._positions), np.array(self._checks)
            index.stamps = np.array(self._stamps)


class Index:
    """What a programme remembers of its frames, and readers that wait where they last stopped."""

    def __init__(self) -> None:
        self.stamps: NDArray[np.int64] | None = None
        self.positions: NDArray[np.int64] = np.empty(0, dtype=np.int64)
        self.checks: NDArray[np.uint32] = np.empty(0, dtype=np.uint32)
        self.seeks = True  # until a check fails
        self._lock = threading.Lock()
        self._readers: list[_Reader] = []

    def __getstate__(self) -> dict[str, object]:
        """Open files do not go to another process."""
        kept = {key: value for key, value in vars(self).items() if key != "_lock"}
        return {**kept, "_readers": []}

    def __setstate__(self, state: dict[str, object]) -> None:
        vars(self).update(state, _lock=threading.Lock())

    def after_seek(
        self, seek: Callable[[int], Iterator[Stretch]], start: int, length: int, rate_hz: int
    ) -> NDArray[np.float32] | None:
        """The stretch after a seek; None where that cannot be shown to be what was decoded in the first pass.

        Parameters
        ----------
        seek : callable
            Given a time stamp, decodes from somewhere before it on.
        start, length : int
        rate_hz : int
        """
        stamps = self.stamps
        if stamps is None or not len(stamps) or not self.seeks:
            return None
        lead = int(np.searchsorted(self.positions, start - _LEAD_S * rate_hz, side="right")) - 1
        if lead <= _SETTLING_FRAMES:
            return None
        taken: list[NDArray[np.float32]] = []
        first = position = -1
        for skipped, part in enumerate(seek(int(stamps[lead]))):
            row = -1 if part.stamp is None else int(np.searchsorted(stamps, part.stamp))
            if part.damaged or not 0 <= row < len(stamps) or stamps[row] != part.stamp:
                break
            end = int(self.positions[row]) + len(part.samples)
            if end <= start:
                continue
            agrees = int(self.checks[row]) == part.check() and position in (-1, int(self.positions[row]))
            if not agrees or skipped < _SETTLING_FRAMES or (first < 0 and self.positions[row] > start):
                break
            first = int(self.positions[row]) if first < 0 else first
            taken.append(part.samples)
            position = end
            if end >= start + length:
                return np.concatenate(taken)[start - first : start - first + length]
        else:
            return None  # the end of the file, whose padding is not looked after here
        self.seeks = False
        return None

    def from_beginning(
        self, decode: Callable[[], Iterator[Stretch]], start: int, length: int
    ) -> list[NDArray[np.float32]]:
        """The stretch by decoding all that is before it; shorter at the end of the file."""
        with self._lock:
            waiting = [reader for reader in self._readers if reader.begin <= start]
            reader = max(waiting, key=lambda each: each.begin) if waiting else _Reader(decode())
            if waiting:
                self._readers.remove(reader)
        taken = reader.take(start, length)
        with self._lock:
            self._readers = [*self._readers, reader][-_READERS_KEPT:]
        return taken


class _Reader:
    """Decodes from the beginning, stretch after stretch."""

    def __init__(self, parts: Iterator[Stretch]) -> None:
        self._parts = parts
        self._last: list[Stretch] = []
        self.begin = 0  # nothing before can be had

    def take(self, start: int, length: int) -> list[NDArray[np.float32]]:
        """Samples from `start` on; a stretch that the next call may want again is kept."""
        self._last = [part for part in self._last if part.end > start]
        while not self._last or self._last[-1].end < start + length:
            part = next(self._parts, None)
            if part is None:
                break
            if part.end > start:
                self._last.append(part)
        self.begin = start
        cut = [part.samples[max(start - part.position, 0) : start + length - part.position] for part in self._last]
        return [samples for samples in cut if len(samples)]
