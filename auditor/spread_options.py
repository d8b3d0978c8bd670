"""Options of `check` for many tracks: how they are worked on side by side, and where a long list of them is read."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from auditor.command_line import libraries_silenced, stop

if TYPE_CHECKING:
    from auditor.programme.entry import Entry
    from auditor.spread import Way

F = TypeVar("F", bound="Callable[..., Any]")
_LOOKED_AT = 4096  # bytes of a list, for it to be text


def options(command: F) -> F:
    """Decorator: the options that `Asked` is made of."""
    for option in (
        click.option(
            "--list",
            "list_path",
            metavar="FILE",
            help="Audit the files named in FILE too, one path a line; - for standard input.",
        ),
        click.option("--cluster", metavar="ADDRESS", help="Judge tracks on the dask cluster with this scheduler."),
        click.option(
            "--workers",
            type=click.IntRange(1, 1024),
            default=1,
            show_default=True,
            help="Judge so many tracks at a time, each in a process of its own; best is one for each core.",
        ),
    ):
        option(command)
    return command


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the options say."""

    workers: int = 1
    cluster: str | None = None
    list_path: str | None = None

    def refuse_impossible(self, paths: tuple[str, ...], *, is_night: bool, is_trimmed: bool) -> None:
        """Raise a usage error where they do not go together, or name nothing to audit."""
        if not paths and self.list_path is None:
            context = click.get_current_context()
            argument = next(each for each in context.command.params if each.name == "paths")
            raise click.MissingParameter(ctx=context, param=argument)
        if self.cluster is not None and self.workers > 1:
            raise click.UsageError("--workers are processes of this machine; a --cluster has workers of its own")
        if is_night and (self.cluster is not None or self.workers > 1):
            raise click.UsageError("--order set plays the tracks one after the other, not with --workers or --cluster")
        if is_trimmed and self.list_path is not None:
            raise click.UsageError("--trims go by the tracks of a set; those of a --list are taken as they stand")

    def prepare(self) -> None:
        """Have workers load their libraries while this process reads the rig and looks for files."""
        if self.cluster is None and self.workers > 1:
            from auditor.spread.processes import prepare

            with libraries_silenced():  # as workers have the descriptors that are open now
                prepare("auditor.preloaded")

    def way(self) -> Way | None:
        """How tracks are judged; None for one after the other in this process."""
        if self.cluster is None and self.workers == 1:
            return None
        from auditor.spread import Cluster, Processes

        return Processes(self.workers) if self.cluster is None else Cluster(self.cluster)

    @property
    def listed_in(self) -> str | None:
        """The file that the list is read from; None without."""
        return "/dev/stdin" if self.list_path == "-" else self.list_path

    def listed(self) -> Iterator[Entry]:
        """The tracks of the list, read as it goes; as they stand, so that one named twice is played twice."""
        if self.list_path is None:
            return
        from auditor.programme.entry import Entry

        is_empty = True
        with ExitStack() as stack:
            try:
                if self.list_path != "-":
                    file: Any = stack.enter_context(open(self.list_path, "rb"))
                elif sys.stdin is None:
                    stop("--list -: standard input is closed (name a file, or pipe the paths in)")
                else:
                    file = sys.stdin.buffer
                if b"\0" in file.peek(_LOOKED_AT)[:_LOOKED_AT]:
                    stop(f"{self.list_path}: is no list of paths: it is not text (is it a sound file?)")
                for line in file:
                    if path := line.rstrip(b"\r\n"):
                        is_empty = False
                        yield Entry(path=os.fsdecode(path))
            except (OSError, ValueError) as error:
                stop(f"{self.list_path}: cannot be read: {getattr(error, 'strerror', None) or error}")
        if is_empty:
            stop(f"{self.list_path}: names no file")
