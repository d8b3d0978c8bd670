"""Joining what comes block by block."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import DTypeLike, NDArray

MOST_BINS = 1 << 16  # of a trace: a track of up to six minutes keeps every frame


def drain(parts: list[NDArray[Any]], none: NDArray[Any]) -> NDArray[Any]:
    """Join arrays end to end and empty the list, so that a long file is not held twice.

    Parameters
    ----------
    parts : list of ndarray [shape=(n, ...)]
    none : ndarray [shape=(0, ...)]
        The result where there are none, and its type.
    """
    joined = np.concatenate([none, *parts])
    parts.clear()
    return joined


class Gathered:
    """One array that grows at its end, for what a long file leaves behind.

    A list of small arrays, joined in the end, would hold a long file twice, and would lie scattered between the blocks
    of samples that come and go, which then could not be given back to the system: twice the memory once more.

    Parameters
    ----------
    width : tuple of int
        Shape of one row: nothing for numbers.
    dtype : data type
    """

    _GROWTH = 1.03
    _LEAST_ROWS = 4096

    def __init__(self, width: tuple[int, ...], dtype: DTypeLike) -> None:
        self._rows = np.empty((0, *width), dtype=dtype)
        self._length = 0

    def add(self, rows: NDArray[Any]) -> None:
        """Put rows at the end."""
        beyond = self._length + len(rows)
        if beyond > len(self._rows):
            self._resize(max(beyond, int(len(self._rows) * self._GROWTH), self._LEAST_ROWS))
        self._rows[self._length : beyond] = rows
        self._length = beyond

    def take(self) -> NDArray[Any]:
        """All that was gathered; nothing is left here."""
        self._resize(self._length)
        taken, self._rows, self._length = self._rows, self._rows[:0].copy(), 0
        return taken

    def _resize(self, length: int) -> None:
        # In place, which for large arrays moves no memory; nobody else has seen the array.
        self._rows.resize((length, *self._rows.shape[1:]), refcheck=False)


def frames_per_bin(count: int, most: int = MOST_BINS) -> int:
    """How many frames one bin of a trace holds, so that there are at most so many bins: a power of two."""
    return 1 << max(0, math.ceil(math.log2(max(count, 1) / most)))


class LargestInBins:
    """The trace of what comes block by block: the largest value in every bin, none of them negative.

    How many bins it takes is known only at the end; until then two become one whenever they grow too many.
    """

    def __init__(self) -> None:
        self._largest = np.zeros(MOST_BINS, dtype=np.float32)
        self._width = 1
        self._length = 0

    def add(self, values: NDArray[np.floating]) -> None:
        """Put values at the end."""
        beyond = self._length + len(values)
        while beyond > self._width * MOST_BINS:
            half = MOST_BINS // 2
            self._largest[:half] = self._largest.reshape(half, 2).max(axis=1)
            self._largest[half:] = 0.0
            self._width *= 2
        np.maximum.at(
            self._largest, np.arange(self._length, beyond) // self._width, values.astype(np.float32, copy=False)
        )
        self._length = beyond

    def take(self) -> NDArray[np.float32]:
        """The bins, each of `frames_per_bin` values; the last one may hold fewer."""
        return self._largest[: -(-self._length // self._width)].copy()
