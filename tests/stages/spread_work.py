"""Work for the workers of `test_spread.py`, in a module of its own, where they find it."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path


def doubled(item: int, *, progress: Callable[[float], None] | None = None) -> int:
    """Twice the number; one below nought breaks off."""
    if item < 0:
        raise ValueError(f"{item} is below nought")
    if progress is not None:
        progress(1.0)
    return 2 * item


def _die() -> None:
    time.sleep(3.0)  # dask does not start a worker again that dies before its parent has heard that it is up
    os.kill(os.getpid(), signal.SIGKILL)


def deadly_once(mark: str, *, progress: object = None) -> str:
    """Kills the process that does it, unless the mark is there already."""
    if not Path(mark).exists():
        Path(mark).touch()
        _die()
    return mark


def deadly_for_one(item: int, *, progress: object = None) -> int:
    """Number 1 kills every process that does it."""
    if item == 1:
        _die()
    return item


def long_one(folder: str, *, progress: object = None) -> None:
    """Leaves the number of its process, and does not end by itself."""
    Path(folder, str(os.getpid())).touch()
    time.sleep(600.0)
