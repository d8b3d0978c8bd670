"""Joining what was gathered block by block."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


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
