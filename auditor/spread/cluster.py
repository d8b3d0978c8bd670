"""On a dask.distributed cluster: its scheduler hands out the work, and again what a worker died on.

Every worker must have the same program and the same files under the same paths. The first is asked before the work and
with every task, for workers may join at any time; the second shows in the results.
"""

from __future__ import annotations

import functools
import hashlib
import itertools
import logging
import os
import queue
import time
import uuid
import warnings
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from auditor import __version__
from auditor.errors import ClusterError
from auditor.spread.contract import Done, R, T, Tell, Work
from auditor.threads import keep_to

if TYPE_CHECKING:
    from distributed import Client, Future

_CONNECT_S = 10.0
_NO_WORKERS_S = 120.0  # how long there may be none before the work is given up
_COUNT_EVERY_S = 2.0
_AHEAD = 3  # tasks for each of the cluster's threads that the scheduler knows of, so that none waits for this process
_ADDRESS = "give its address as `dask scheduler` prints it, such as tcp://10.0.0.5:8786"
# In words that can be sent to any Python: a function of ours is not known where the program is not installed.
_PROBE = "__import__('auditor.spread.cluster', fromlist=['identity']).identity()"
_SAME = "install the same version of auditor on this machine and on every worker"


@dataclass(frozen=True)
class Cluster:
    """On the cluster whose scheduler has this address, such as `tcp://10.0.0.5:8786`."""

    address: str
    is_elsewhere: bool = True

    def run(
        self, work: Work[T, R], items: Iterable[T], *, tell: Tell | None = None
    ) -> Generator[Done[T, R], None, None]:
        with _quiet(), closing(_connected(self.address)) as client:
            _refuse_others(client, self.address)
            yield from _HandedOut(client, self.address, work, items).all_done(tell)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep to itself what distributed says of workers that go and connections that break; the results tell."""
    log = logging.getLogger("distributed")
    level = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        log.setLevel(level)


class _HandedOut:
    """Work on its way through a cluster: a window of tasks that moves along the items."""

    def __init__(self, client: Client, address: str, work: Work[Any, Any], items: Iterable[Any]) -> None:
        self._client, self._address, self._work = client, address, work
        self._todo = enumerate(items)
        self._run = uuid.uuid4().hex[:12]
        self._under_way: dict[str, _Task] = {}
        self._suspects: deque[tuple[int, Any]] = deque()
        self._finished: queue.SimpleQueue[Future[Any]] = queue.SimpleQueue()
        self._threads, self._count_due_s = 1, 0.0

    def all_done(self, tell: Tell | None) -> Iterator[Done[Any, Any]]:
        try:
            self._fill()
            while self._under_way or self._suspects:
                if not self._under_way:
                    self._hand_out(*self._suspects.popleft(), is_alone=True)
                done = self._done(self._under_way.pop(str(self._next_finished().key)))
                self._fill()
                if done is None:
                    continue
                if tell is not None:
                    tell(done.index)(1.0)
                yield done
        finally:
            if self._under_way:
                self._client.cancel([task.future for task in self._under_way.values()])

    def _fill(self) -> None:
        if time.monotonic() > self._count_due_s:
            # Workers come and go; but to ask before every task would cost as much as the task's own way there.
            self._threads = max(_threads(self._client), 1)
            self._count_due_s = time.monotonic() + _COUNT_EVERY_S
        room = _AHEAD * self._threads - len(self._under_way)
        for index, item in itertools.islice(self._todo, max(room, 0)):
            self._hand_out(index, item, is_alone=False)

    def _hand_out(self, index: int, item: Any, *, is_alone: bool) -> None:
        key = f"auditor-{self._run}-{index}{'-alone' if is_alone else ''}"
        future = self._client.submit(_task, self._work, item, identity(), key=key, pure=False)
        self._under_way[key] = _Task(index=index, item=item, future=future, is_alone=is_alone)
        future.add_done_callback(self._finished.put)

    def _next_finished(self) -> Future[Any]:
        return self._patiently(lambda wait_s: self._finished.get(timeout=wait_s))

    def _patiently(self, wait: Callable[[float], Any]) -> Any:
        """What a call returns that gives up after some seconds, and is called again while the cluster has workers."""
        without = False
        while True:
            try:
                return wait(_NO_WORKERS_S / 2.0)
            except (queue.Empty, TimeoutError):
                if self._client.status != "running":
                    raise ClusterError("the scheduler is gone", where=self._address, hint="start it again") from None
                has_none = _threads(self._client) == 0
                if has_none and without:
                    raise _no_workers(self._address) from None
                without = has_none

    def _done(self, task: _Task) -> Done[Any, Any] | None:
        """What came of a task; None where it is to be tried once more, alone."""
        from distributed import KilledWorker

        try:
            # A result is lost with the worker that still holds it, and is then worked out again.
            place, (result, lost) = self._patiently(lambda wait_s: task.future.result(timeout=wait_s))
        except KilledWorker as error:
            if not task.is_alone:
                # The scheduler blames a worker's death on all that it had been given, so another may have caused it.
                self._suspects.append((task.index, task.item))
                return None
            hint = "too little memory?"
            lost = f"every worker that had it died, the last at {error.last_worker.address} ({hint})"
            return Done(index=task.index, item=task.item, result=None, lost=lost)
        except _OtherProgramError as error:
            raise ClusterError(str(error), where=self._address, hint=_SAME) from None
        except ClusterError:
            raise
        except CancelledError:  # as all that is under way is when the connection breaks
            raise ClusterError("the scheduler is gone", where=self._address, hint="start it again") from None
        except Exception as error:
            what = f"the work was lost: {type(error).__name__}: {error}"
            raise ClusterError(what, where=self._address, hint="is the scheduler still there?") from None
        finally:
            task.future.release()
        return Done(index=task.index, item=task.item, result=result, lost=lost, place=place)


@dataclass(frozen=True, kw_only=True)
class _Task:
    """What is under way."""

    index: int
    item: Any
    future: Future[Any]
    is_alone: bool


class _OtherProgramError(Exception):
    """A worker has another version of the program."""


def _task(work: Work[T, R], item: T, asked_by: str) -> tuple[str, tuple[R | None, str | None]]:
    """What a worker does: where it was done, and the result or why there is none."""
    from distributed import get_worker

    place = get_worker().address
    if identity() != asked_by:
        raise _OtherProgramError(f"the worker at {place} has auditor {identity()}, and this is {asked_by}")
    keep_to(1)  # a worker is given as many tasks as it has cores
    try:
        return place, (work(item), None)
    except Exception as error:  # whatever it is, the other items are to be done
        return place, (None, f"breaks off with {type(error).__name__}: {error}")


@functools.cache
def identity() -> str:
    """Version of the program, and a digest of its source that tells two states of one version apart."""
    package = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for source in sorted(package.rglob("*.py")):
        digest.update(str(source.relative_to(package)).replace(os.sep, "/").encode() + source.read_bytes())
    return f"{__version__} (source {digest.hexdigest()[:8]})"


def _connected(address: str) -> Client:
    if find_spec("distributed") is None:
        hint = "pip install 'tweeter-auditor[cluster]'"
        raise ClusterError("a cluster needs distributed, which is not installed", hint=hint)
    from distributed import Client
    from distributed.comm.addressing import get_address_host_port

    try:
        get_address_host_port(address)
    except (ValueError, TypeError):
        raise ClusterError("is no scheduler's address", where=repr(address), hint=_ADDRESS) from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # versions that differ: of what matters `identity` tells
            client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except OSError:  # TimeoutError too
        raise ClusterError("no scheduler answers", where=address, hint=_ADDRESS) from None
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except TimeoutError:
        client.close()
        raise _no_workers(address) from None
    return client


def _refuse_others(client: Client, address: str) -> None:
    """Raise if a worker, or the scheduler, has another program or none; sent the work, it would lose its connection."""
    found = {f"worker at {place}": each for place, each in client.run(eval, _PROBE, on_error="return").items()}
    try:
        found["scheduler"] = client.run_on_scheduler(eval, _PROBE)
    except Exception as error:  # whatever kept it from answering
        found["scheduler"] = error
    for place, each in found.items():
        if isinstance(each, Exception):
            raise ClusterError(f"the {place} has no auditor that can do this: {each}", where=address, hint=_SAME)
        if each != identity():
            raise ClusterError(f"the {place} has auditor {each}, and this is {identity()}", where=address, hint=_SAME)


def _no_workers(address: str) -> ClusterError:
    return ClusterError("the cluster has no workers", where=address, hint=f"start some: dask worker {address}")


def _threads(client: Client) -> int:
    """How many tasks the cluster does at a time."""
    return sum(client.nthreads().values())
