"""Traces made small enough for a page, and no peak lost.

A trace with too many values is gathered into bins of equal length, of each the smallest and the largest value kept in
the order in which they come. Values travel as integers of 16 bits between the trace's own smallest and largest, rounded
outwards where values were left out, so that the line drawn never lies inside the true one.
"""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.floating[Any]]

GAP = 65535  # stands for a value that is no finite number, as the resistance of an open part
_TOP = GAP - 1


def packed(values: Values, *, step_s: float, most: int) -> dict[str, Any]:
    """A trace as plain data: `n` points, evenly `dx_s` apart and the first half of that after the start.

    Parameters
    ----------
    values : ndarray [shape=(bins,)]
    step_s : float
        Length of each of its bins [s].
    most : int
        Points that may be kept; at least two.
    """
    points, each_s, outwards = envelope(values, step_s=step_s, most=most)
    finite = np.isfinite(points)
    low = float(points[finite].min()) if finite.any() else 0.0
    high = float(points[finite].max()) if finite.any() else 0.0
    scaled = np.full(len(points), float(GAP))
    span = high - low
    # Rounding errors of the division must not push a whole number up to the next one.
    exact = np.round((points[finite] - low) / (span or 1.0) * _TOP, 6)
    scaled[finite] = np.rint(exact) if not outwards else _outwards(exact, np.flatnonzero(finite), points)
    return {
        "n": len(points),
        "dx_s": each_s,
        "low": low,
        "high": high,
        "q": base64.b64encode(scaled.astype("<u2").tobytes()).decode("ascii"),
    }


def envelope(values: Values, *, step_s: float, most: int) -> tuple[NDArray[np.float64], float, bool]:
    """Points to draw, how far apart they are [s], and whether values were left out."""
    exact = np.asarray(values, dtype=np.float64)
    exact = np.where(np.isfinite(exact), exact, np.nan)
    if len(exact) <= most:
        return exact, step_s, False
    size = -(-2 * len(exact) // most)
    bins = -(-len(exact) // size)
    rows = np.concatenate([exact, np.full(bins * size - len(exact), exact[-1])]).reshape(bins, size)
    least, largest = np.where(np.isnan(rows), np.inf, rows), np.where(np.isnan(rows), -np.inf, rows)
    at_least, at_largest = least.argmin(axis=1), largest.argmax(axis=1)
    pair = np.stack([least.min(axis=1), largest.max(axis=1)], axis=1)
    falling = at_largest < at_least
    pair[falling] = pair[falling][:, ::-1]
    pair[np.isnan(rows).all(axis=1)] = np.nan
    return pair.reshape(-1), size * step_s / 2.0, True


def _outwards(exact: Values, at: NDArray[np.intp], points: Values) -> Values:
    """The larger of each pair rounded up and the smaller down."""
    partner = points[at ^ 1]
    is_upper = (points[at] > partner) | ((points[at] == partner) & (at % 2 == 1))
    return np.where(is_upper, np.ceil(exact), np.floor(exact))


def unpacked(trace: dict[str, Any]) -> NDArray[np.float64]:
    """The values that the page's script reads from a packed trace; gaps are NaN."""
    whole = np.frombuffer(base64.b64decode(trace["q"]), dtype="<u2")
    values = trace["low"] + whole * ((trace["high"] - trace["low"]) / _TOP)
    return np.where(whole == GAP, np.nan, values)


def packed_picture(picture_db: Values, *, low_db: float, high_db: float) -> dict[str, Any]:
    """A picture as bytes, row after row, 0 for `low_db` or less and 255 for `high_db` or more.

    Parameters
    ----------
    picture_db : ndarray [shape=(rows, columns)]
    low_db, high_db : float
    """
    share = (np.nan_to_num(picture_db, neginf=low_db) - low_db) / max(high_db - low_db, 1e-9)
    whole = np.rint(np.clip(share, 0.0, 1.0) * 255.0).astype(np.uint8)
    rows, columns = whole.shape
    return {
        "rows": rows,
        "columns": columns,
        "low": low_db,
        "high": high_db,
        "bytes": base64.b64encode(np.ascontiguousarray(whole).tobytes()).decode("ascii"),
    }
