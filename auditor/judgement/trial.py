"""What the two ways of finding the margin share: a gain that was tried, and the range of gains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import Cause
    from auditor.judgement.worst import Excess

LOWEST_GAIN_DB = -120.0
LEAST_SLOPE = 0.1  # even a lamp at full work lets a tenth of a decibel through for one


@dataclass(frozen=True)
class Point:
    """A gain that was tried."""

    gain_db: float
    excess_db: float
    cause: Cause


def at(trial: Callable[[float], Excess], gain_db: float) -> Point:
    """The point that a trial makes."""
    return Point(gain_db, *trial(gain_db))
