"""How far the work is, on stderr: which track of how many, its name, a bar and the time left.

Nothing at all is written where stderr is no terminal. The time left counts the tracks still to come by the size of
their files, which is known before any of them is opened.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import IO, TYPE_CHECKING, Protocol, Self

from auditor.programme.entry import Source, as_entry
from auditor.report import layout, palette
from auditor.report.terminal import glyphs_for, make_console

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID
    from rich.status import Status

_STEPS = 1000.0  # of the whole bar
_NAME_CELLS = 32
_LEAST_WIDTH = 20
_BESIDE_NAME = 50  # cells that the counts, the time left and a short bar take; narrower terminals show no bar


class ProgressCall(Protocol):
    """What the pipeline calls: a track at work, counted from 0, and how much of it is done, from 0 to 1.

    Side by side, tracks are told of in any order and each once it is finished.
    """

    def of_track(self, track: int) -> Callable[[float], None]:
        """What `auditor.audit` calls for one track: it knows only how much of its own file is done."""
        return lambda done_ratio: self(track, done_ratio)

    def __call__(self, track: int, done_ratio: float) -> None: ...


class ProgressBar:
    """A context manager that is also the `ProgressCall` to hand to the pipeline.

    Parameters
    ----------
    tracks : sequence of str, Path or Entry
        All tracks, in the order in which they will be analysed.
    file : text file
        Standard error.
    no_color : bool
    """

    def __init__(self, tracks: Sequence[Source], *, file: IO[str], no_color: bool) -> None:
        self._tracks = [as_entry(track) for track in tracks]
        self._weights = [_size_bytes(track.path) for track in self._tracks]
        self._before = [0.0, *itertools.accumulate(self._weights)]  # of all tracks ahead of each
        self._finished: set[int] = set()
        self._finished_weight = 0.0
        # The terminal's own width, however narrow: a line that is broken over two cannot be wiped away.
        self._console = make_console(file, no_color=no_color, least_width=_LEAST_WIDTH)
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        self._step: Status | None = None

    def __enter__(self) -> Self:
        if self._is_terminal and self._tracks:
            self._bar = _bar(self._console)
            self._task = self._bar.add_task("", total=_STEPS, track=f"0 of {len(self._tracks)} done", name="")
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    @property
    def _is_terminal(self) -> bool:
        return self._console.is_terminal and not self._console.is_dumb_terminal

    def _stop(self) -> None:
        for shown in (self._bar, self._step):
            if shown is not None:
                shown.stop()
        self._bar = self._step = None

    def tell(self, step: str) -> None:
        """Show in place of the bar what is being done, of which nobody knows how long it takes."""
        if not self._is_terminal:
            return
        text = step[: max(self._console.width - 4, 0)]
        if self._step is not None:
            self._step.update(text)
            return
        self._stop()
        self._step = self._console.status(text, spinner="line", spinner_style=palette.BLUE)
        self._step.start()

    def of_track(self, track: int) -> Callable[[float], None]:
        """What `auditor.audit` calls for one track: it knows only how much of its own file is done."""
        return lambda done_ratio: self(track, done_ratio)

    def of_finished(self, track: int) -> Callable[[float], None]:
        """In place of `of_track` where tracks are judged side by side, and each is told of when it is finished."""
        return lambda _: self._finish(track)

    def __call__(self, track: int, done_ratio: float) -> None:
        done = self._before[track] + self._weights[track] * min(max(done_ratio, 0.0), 1.0)
        self._show(track, done, f"track {track + 1} of {len(self._tracks)}")

    def _finish(self, track: int) -> None:
        if track not in self._finished:
            self._finished.add(track)
            self._finished_weight += self._weights[track]
        self._show(track, self._finished_weight, f"{len(self._finished)} of {len(self._tracks)} done")

    def _show(self, track: int, done: float, count: str) -> None:
        if self._bar is None or self._task is None:
            return
        entry = self._tracks[track]
        sheet = layout.Sheet(console=self._console, glyphs=glyphs_for(self._console), width=self._console.width)
        self._bar.update(
            self._task,
            completed=_STEPS * done / self._before[-1],
            track=count,
            name=sheet.name(entry.label or os.path.basename(entry.name), _name_cells(self._console)),
        )


def _bar(console: Console) -> Progress:
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = [
        TextColumn("{task.fields[track]}", markup=False),
        TextColumn("{task.fields[name]}", style=palette.STRONG, markup=False),
        BarColumn(bar_width=None, style=palette.QUIET, complete_style=palette.BLUE, finished_style=palette.BLUE),
        TaskProgressColumn(text_format="{task.percentage:>3.0f} %", markup=False, style=""),
        TimeRemainingColumn(),
        TextColumn("left", markup=False),
    ]
    if not _name_cells(console):
        del columns[1:3]
    return Progress(
        *columns,
        console=console,
        transient=True,  # the report is what remains
        expand=False,
        redirect_stdout=False,
        redirect_stderr=False,
    )


def _name_cells(console: Console) -> int:
    return min(max(console.width - _BESIDE_NAME, 0), _NAME_CELLS)


def _size_bytes(path: str) -> float:
    try:
        return float(max(os.path.getsize(path), 1))
    except (OSError, ValueError):
        return 1.0
