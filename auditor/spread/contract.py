"""What a way of working is asked, and what it answers."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

T = TypeVar("T")
T_contra = TypeVar("T_contra", contravariant=True)
R = TypeVar("R")
R_co = TypeVar("R_co", covariant=True)

# How often an item is given to a worker in all, where each that had it died.
ATTEMPTS = 3

# Given an item's index, returns the callable that is told how much of it is done, 0 to 1.
Tell = Callable[[int], Callable[[float], None]]


class Work(Protocol[T_contra, R_co]):
    """What is done with an item. It and what it returns can be pickled."""

    def __call__(self, item: T_contra, /, *, progress: Callable[[float], None] | None = None) -> R_co: ...


@dataclass(frozen=True, kw_only=True)
class Done(Generic[T, R]):
    """What came of one item.

    Parameters
    ----------
    index : int
        Its place in the order given, from 0.
    item
        As it was given.
    result
        What the work returned; None where it is lost.
    lost : str or None
        Why there is no result: the workers that had it died, or the work itself broke off.
    place : str or None
        The worker on another machine that did it.
    """

    index: int
    item: T
    result: R | None
    lost: str | None = None
    place: str | None = None


class Way(Protocol):
    """A way of working.

    `is_elsewhere` tells whether the work may be done on another machine, where a file may be missing and a path that
    is not absolute means nothing.
    """

    @property
    def is_elsewhere(self) -> bool: ...

    def run(
        self, work: Work[T, R], items: Iterable[T], *, tell: Tell | None = None
    ) -> Generator[Done[T, R], None, None]:
        """Do the work with every item, and yield what came of each as it is finished.

        Closing it, or an exception such as Ctrl-C, ends what is under way.
        """
        ...
