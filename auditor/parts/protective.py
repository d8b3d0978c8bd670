"""Fuses and breakers the program knows, each with its source; see `fuses.toml` and `breakers.toml`."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from auditor.published.record import Status

Characteristic = Literal["F", "T"]
Body = Literal["glass", "ceramic"]


@dataclass(frozen=True, kw_only=True)
class FusePart:
    """One fuse of 5x20 mm: cold resistance [ohm] and melting integral [A2 s] as its maker prints them."""

    characteristic: Characteristic
    body: Body
    rating_a: float
    cold_resistance_ohm: float
    melting_i2t_a2s: float
    status: Status
    source: str


@dataclass(frozen=True, kw_only=True)
class BreakerPart:
    """One thermal breaker: its resistance [ohm] as its maker prints it."""

    rating_a: float
    resistance_ohm: float
    status: Status
    source: str


@cache
def fuses() -> tuple[FusePart, ...]:
    """Every fuse of `fuses.toml`, in the order of the file."""
    return tuple(FusePart(**row) for row in _rows("fuses.toml", "fuse"))


@cache
def breakers() -> tuple[BreakerPart, ...]:
    """Every breaker of `breakers.toml`, in the order of the file."""
    return tuple(BreakerPart(**row) for row in _rows("breakers.toml", "breaker"))


def between_ratings(listed: Mapping[float, float], rating_a: float) -> float | None:
    """A listed quantity at a rating, on straight lines in logarithms between rows; None beyond the list's ends.

    Parameters
    ----------
    listed : mapping of float to float
        The quantity by rating [A].
    rating_a : float
        Rating [A].
    """
    if rating_a in listed:
        return listed[rating_a]
    lower = [rating for rating in listed if rating < rating_a]
    upper = [rating for rating in listed if rating > rating_a]
    if not lower or not upper:
        return None
    low_a, high_a = max(lower), min(upper)
    share = math.log(rating_a / low_a) / math.log(high_a / low_a)
    return float(listed[low_a] * (listed[high_a] / listed[low_a]) ** share)


def _rows(file: str, kind: str) -> list[dict[str, Any]]:
    rows = tomllib.loads(files("auditor.parts").joinpath(file).read_text(encoding="utf-8"))[kind]
    # A whole number in the table is a float here, as in the rig file.
    return [{key: float(value) if isinstance(value, int) else value for key, value in row.items()} for row in rows]
