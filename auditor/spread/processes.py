"""In several processes of this machine, each of which works on one item at a time.

Every process has a pipe of its own, so that it is known which item it died on: only that one is tried again. A pool of
the standard library would fail all that is under way. A worker whose parent is gone reads the end of its pipe and ends.

On Linux workers are forks of one process that does nothing but load libraries, which takes longer than a track of some
minutes: they are loaded once, and lie in memory once. Elsewhere every worker is a fresh interpreter that loads its own.
"""

from __future__ import annotations

import itertools
import multiprocessing
import signal
import sys
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import forkserver
from multiprocessing.connection import Connection, wait
from typing import Any, Generic

from auditor.interrupt import held
from auditor.spread.contract import ATTEMPTS, Done, R, T, Tell, Work
from auditor.threads import core_count, keep_to

# Never a fork of this process: it would take over locks that its threads hold. Elsewhere than on Linux system libraries
# do not bear being forked at all.
_FORKS = sys.platform == "linux"
_CONTEXT = multiprocessing.get_context("forkserver") if _FORKS else multiprocessing.get_context("spawn")
_END_S = 5.0


def prepare(module: str) -> None:
    """Begin loading what the workers will need, on another core than this process; does not wait for it.

    Parameters
    ----------
    module : str
        Imported where workers are forked from. Nothing in it may leave a thread running.
    """
    if _FORKS:
        _CONTEXT.set_forkserver_preload([module])
        with _interrupts_held():
            forkserver.ensure_running()


@dataclass(frozen=True)
class Processes:
    """In `count` processes; no more are started than there are items."""

    count: int
    is_elsewhere: bool = False

    def run(
        self, work: Work[T, R], items: Iterable[T], *, tell: Tell | None = None
    ) -> Generator[Done[T, R], None, None]:
        todo = (_Job(index=index, item=item) for index, item in enumerate(items))
        threads = core_count() // self.count
        seats: list[_Seat[T, R]] = []
        job_next: _Job[T] | None = None
        try:
            for job in itertools.islice(todo, self.count):
                # One by one: those that sit are ended, should the next fail to.
                seats.append(_Seat(work, job, threads))  # noqa: PERF401
            while seats:
                for seat in _answered(seats):
                    job_next = job_next or next(todo, None)  # may take its time, as from another program's output
                    with held() as hold:  # what has been answered is used, too
                        done = seat.answer()
                        # The next item first: the worker need not wait until this one has been used.
                        if done is None:
                            seat.give(seat.job)
                        elif job_next is not None:
                            seat.give(job_next)
                            job_next = None
                        else:
                            seats.remove(seat)
                            seat.end()
                        if done is not None:
                            if tell is not None:
                                tell(done.index)(1.0)
                            yield done
                    if hold.came:
                        raise KeyboardInterrupt
        finally:
            for seat in seats:
                seat.end()


@dataclass
class _Job(Generic[T]):
    index: int
    item: T
    attempts: int = 0


class _Seat(Generic[T, R]):
    """A place for one worker at a time, and the job it has; each worker may compute in so many threads."""

    def __init__(self, work: Work[T, R], job: _Job[T], threads: int) -> None:
        self._work, self._threads = work, threads
        self._start()
        self.give(job)

    def _start(self) -> None:
        self.pipe, theirs = _CONTEXT.Pipe()
        self._process = _CONTEXT.Process(
            target=_serve, args=(theirs, self._work, self._threads), name="auditor worker", daemon=True
        )
        with _interrupts_held():
            self._process.start()
        theirs.close()  # or its end would stay open here after the worker's death

    def give(self, job: _Job[T]) -> None:
        self.job = job
        job.attempts += 1
        with suppress(OSError):  # dead already; the answer will tell
            self.pipe.send(job.item)

    def answer(self) -> Done[T, R] | None:
        """What came of the job; None where the worker died and another, which sits here now, may try again."""
        job = self.job
        result: R | None
        lost: str | None
        try:
            result, lost = self.pipe.recv()
        except (EOFError, OSError):
            how = self.end()
            self._start()
            if job.attempts < ATTEMPTS:
                return None
            hint = "too little memory?"
            result, lost = None, f"its worker died each of the {ATTEMPTS} times that it was tried ({how}; {hint})"
        return Done(index=job.index, item=job.item, result=result, lost=lost)

    def end(self) -> str:
        """End the worker, whatever it is doing; returns how it had ended if it was dead."""
        self.pipe.close()
        with suppress(AssertionError, ValueError):
            self._process.join(timeout=0.1)
        code = self._process.exitcode
        if code is None:
            self._process.terminate()
            self._process.join(timeout=_END_S)
        if self._process.exitcode is None:
            self._process.kill()
            self._process.join()
        self._process.close()
        return f"signal {-code}" if code is not None and code < 0 else f"exit status {code}"


def _answered(seats: list[_Seat[T, R]]) -> list[_Seat[T, R]]:
    """Those with something to read: an answer, or the end of the pipe of a worker that died."""
    ready = wait([seat.pipe for seat in seats])
    return [seat for seat in seats if seat.pipe in ready]


def _serve(pipe: Connection, work: Work[Any, Any], threads: int) -> None:
    """What a worker does until its pipe ends."""
    keep_to(threads)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches every process of a terminal; the parent acts on it
    with suppress(EOFError, OSError):  # the parent has closed the pipe, or is gone
        while True:
            item = pipe.recv()
            try:
                pipe.send((work(item), None))
            except Exception as error:  # whatever it is, the other items are to be done
                pipe.send((None, f"breaks off with {type(error).__name__}: {error}"))


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Ctrl-C waits; a process started meanwhile never gets it, not even before it has come to ignore it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # a process that is started beside the first worker, and then lets them through
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
