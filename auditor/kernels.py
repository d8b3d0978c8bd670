"""What the compiled inner loops share: the decorator, and the searches that most of them need.

The loops take slices, whose indices start at nought: of others the compiler cannot tell that they are not negative,
which Python allows, and does not turn the loop into vector instructions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit


def compiled(**options: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Decorator for an inner loop: compiled on first use, kept on disk, run without the interpreter's lock.

    Parameters
    ----------
    **options
        For `numba.njit`.

    Notes
    -----
    Where neither the package's folder nor the user's cache can be written, numba refuses to keep what it compiled; the
    loop is then compiled anew in every run, which costs seconds but works.
    """

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        try:
            kernel = njit(cache=True, nogil=True, **options)(function)
        except RuntimeError:
            kernel = njit(nogil=True, **options)(function)
        return kernel  # type: ignore[no-any-return]

    return decorate


@compiled()
def largest_magnitude(values):  # type: ignore[no-untyped-def]
    """Largest absolute value of single-precision numbers, shape=(n,).

    Compared as whole numbers: without their sign bit floats sort alike, and only such a search is compiled to vector
    instructions. Eight times as fast.
    """
    bits = values.view(np.int32)
    largest = np.zeros(1, np.int32)
    most = np.int32(0)
    for i in range(len(bits)):
        most = max(most, bits[i] & np.int32(0x7FFFFFFF))
    largest[0] = most
    return largest.view(np.float32)[0]


@compiled(fastmath=True)
def sum_of_squares(values):  # type: ignore[no-untyped-def]
    """Sum of squares of single-precision numbers, shape=(n,); for a few hundred of them, as a frame has."""
    total = np.float32(0.0)
    for i in range(len(values)):
        total += values[i] * values[i]
    return total
