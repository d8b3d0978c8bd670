"""One after the other, in this process."""

from __future__ import annotations

from collections.abc import Generator, Iterable
from dataclasses import dataclass

from auditor.spread.contract import Done, R, T, Tell, Work


@dataclass(frozen=True)
class Here:
    """In this process, in the order given. Unlike on a worker, an unforeseen exception is raised."""

    is_elsewhere: bool = False

    def run(
        self, work: Work[T, R], items: Iterable[T], *, tell: Tell | None = None
    ) -> Generator[Done[T, R], None, None]:
        for index, item in enumerate(items):
            yield Done(index=index, item=item, result=work(item, progress=tell(index) if tell else None))
