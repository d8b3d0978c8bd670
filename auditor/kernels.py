"""What the compiled inner loops share: the decorator, and the searches that most of them need.

The loops take slices, whose indices start at nought: of others the compiler cannot tell that they are not negative,
which Python allows, and does not turn the loop into vector instructions.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from filelock import BaseFileLock, FileLock
from numba import njit
from numba.core.caching import FunctionCache
from numba.core.runtime.nrt import rtsys


class _OneAtATime(FunctionCache):
    """What is compiled, kept on disk: numba's own cache, which one process at a time reads or writes.

    numba writes an index and then the code that it names. Two processes that compile two variants of one loop at the
    same moment can leave an index that names the other's code, which runs without complaint and computes nonsense.
    """

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        # numba's own way loads first all that compiling takes, SciPy's linear algebra with it: 0.3 s. To run what is
        # compiled its runtime is enough; where something is to be compiled, numba loads the rest then.
        with suppress(OSError), self._lock():
            rtsys.initialize(target_context)
            return self._load_overload(sig, target_context)
        return None  # to be compiled then

    def save_overload(self, sig: Any, data: Any) -> None:
        with suppress(OSError), self._lock():
            super().save_overload(sig, data)

    def _lock(self) -> BaseFileLock:
        folder = Path(self.cache_path)
        folder.mkdir(parents=True, exist_ok=True)
        return FileLock(folder / "kernels.lock")


def compiled(**options: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Decorator for an inner loop: compiled on first use, kept on disk, run without the interpreter's lock.

    Parameters
    ----------
    **options
        For `numba.njit`.

    Notes
    -----
    Where neither the package's folder nor the user's cache can be written, or the disk is full, what was compiled is
    not kept; the loop is then compiled anew in every run, which costs seconds but works.
    """

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        kernel = njit(nogil=True, forceinline=True, **options)(function)
        with suppress(RuntimeError):
            kernel._cache = _OneAtATime(function)
        return kernel

    return decorate


@compiled()
def largest_magnitude(values):  # type: ignore[no-untyped-def]
    """Largest absolute value of single-precision numbers, shape=(n,).

    Compared as whole numbers: without their sign bit floats sort alike, and only such a search is compiled to vector
    instructions. Eight times as fast.
    """
    bits = values.view(np.int32)
    most = np.int32(0)
    for i in range(len(bits)):
        most = max(most, bits[i] & np.int32(0x7FFFFFFF))
    return np.int32(most).view(np.float32)


@compiled()
def largest_of_groups(values, count):  # type: ignore[no-untyped-def]
    """Largest of every so many values, shape=(n,); the last group is what is left. Up to ten times as fast as numpy."""
    largest = np.empty((len(values) + count - 1) // count, values.dtype)
    for i in range(len(largest)):
        first = i * count
        most = values[first]
        for j in range(first + 1, min(first + count, len(values))):
            most = max(most, values[j])
        largest[i] = most
    return largest


@compiled(fastmath=True)
def sum_of_squares(values):  # type: ignore[no-untyped-def]
    """Sum of squares of single-precision numbers, shape=(n,); for a few hundred of them, as a frame has."""
    total = np.float32(0.0)
    for i in range(len(values)):
        total += values[i] * values[i]
    return total
