"""Channels side by side: each line of stages in a thread of its own, while the next block is being decoded.

Where other processes keep the other cores busy, one after the other: threads that take turns on one core cost a
twentieth more.
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, Protocol, Self

from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

_BLOCKS_BEHIND = 3


class _Takes(Protocol):
    def push(self, samples: NDArray[np.float32], /) -> None: ...


class SideBySide:
    """Runs each channel's line in a thread of its own, at most a few blocks behind the decoder and not in step."""

    def __init__(self, lines: Sequence[_Takes]) -> None:
        self._lines = lines
        own = lines if thread_count() > 1 else ()
        self._threads = [ThreadPoolExecutor(max_workers=1, thread_name_prefix="channel") for _ in own]
        self._under_way: deque[list[Future[None]]] = deque()

    def __enter__(self) -> Self:
        return self

    def push(self, block: NDArray[np.float32]) -> None:
        """Hand a block of shape=(n, channels) to the lines; raises what a line raised on it or an earlier one."""
        if not self._threads:
            for line, samples in zip(self._lines, block.T, strict=True):
                line.push(samples)
            return
        self._under_way.append(
            [
                thread.submit(line.push, samples)
                for thread, line, samples in zip(self._threads, self._lines, block.T, strict=True)
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
