"""How many threads compute at a time in this process, and pieces of work side by side in them.

Channels are independent, and a plain laptop has two cores. Where other processes keep the other cores busy everything
is done in turn: threads that take turns on one core cost a twentieth more.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, Protocol, Self

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy as np
    from numpy.typing import NDArray

_OF_A_LAPTOP = 2
_BLOCKS_BEHIND = 3

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


class _Takes(Protocol):
    def push(self, samples: NDArray[np.float32], /) -> None: ...


class SideBySide:
    """Lines of stages, each in a thread of its own, at most a few blocks behind the decoder and not in step."""

    def __init__(self, lines: Sequence[_Takes]) -> None:
        self._lines = lines
        own = lines if thread_count() > 1 else ()
        self._threads = [ThreadPoolExecutor(max_workers=1, thread_name_prefix="line") for _ in own]
        self._under_way: deque[list[Future[None]]] = deque()

    def __enter__(self) -> Self:
        return self

    def push(self, parts: Iterable[NDArray[np.float32]]) -> None:
        """Hand its part of a block to each line; raises what a line raised on it or an earlier one."""
        if not self._threads:
            for line, part in zip(self._lines, parts, strict=True):
                line.push(part)
            return
        self._under_way.append(
            [
                thread.submit(line.push, part)
                for thread, line, part in zip(self._threads, self._lines, parts, strict=True)
            ]
        )
        if len(self._under_way) > _BLOCKS_BEHIND:
            self._wait()

    def _wait(self) -> None:
        for future in self._under_way.popleft():
            future.result()

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        try:
            while self._under_way and kind is None:
                self._wait()
        finally:
            for thread in self._threads:
                thread.shutdown(wait=True, cancel_futures=True)
