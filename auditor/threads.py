"""How many threads compute at a time in this process: channels are independent, and a plain laptop has two cores."""

from __future__ import annotations

import os

_OF_A_LAPTOP = 2
_allowed = _OF_A_LAPTOP


def thread_count() -> int:
    """How many threads may compute; one where other processes keep the other cores busy."""
    return _allowed


def keep_to(count: int) -> None:
    """Allow this process no more than `count` threads, at least one, at most those of a plain laptop."""
    global _allowed
    _allowed = max(1, min(count, _OF_A_LAPTOP))


def core_count() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
