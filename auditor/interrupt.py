"""Ctrl-C at a moment when something is to be finished first."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass
class Hold:
    """Whether Ctrl-C was pressed meanwhile."""

    came: bool = False


@contextmanager
def held() -> Iterator[Hold]:
    """Keep Ctrl-C back until the end; pressed a second time it stops at once.

    In a thread other than the first there is nothing to keep back.
    """
    hold = Hold()
    if threading.current_thread() is not threading.main_thread():
        yield hold
        return

    def remember(*_: object) -> None:
        if hold.came:
            raise KeyboardInterrupt
        hold.came = True

    before = signal.signal(signal.SIGINT, remember)
    try:
        yield hold
    finally:
        signal.signal(signal.SIGINT, before)
