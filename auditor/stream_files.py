"""Reports that are written as tracks are finished: `ndjson` and `parquet`. What they need does not grow with the set.

Nothing is imported here that is not needed before the work: a missing library or an impossible name is said at once.
"""

from __future__ import annotations

import itertools
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from importlib.util import find_spec
from typing import IO, TYPE_CHECKING, Protocol

from auditor.command_line import ExitStatus, leave_stdout, libraries_silenced, say, status_of, stop, whole_file

if TYPE_CHECKING:
    from auditor.audit_types import FileFault
    from auditor.judged import Judged, Tally
    from auditor.programme.entry import Entry
    from auditor.report.progress import ProgressBar
    from auditor.rig import Rig
    from auditor.spread import Way
    from auditor.spread_options import Asked
    from auditor.store.store import Store

STYLES = ("ndjson", "parquet")


class Report(Protocol):
    """A report under way."""

    def add(self, judged: Judged) -> None: ...

    def add_fault(self, fault: FileFault, /) -> None: ...

    def finish(self, tally: Tally, rig: Rig, *, exit_status: int, is_interrupted: bool) -> None: ...


def refuse_impossible(style: str, output: str | None, *, is_night: bool, with_band: bool) -> None:
    """End the program where such a report cannot be written."""
    if with_band:
        stop(f"{style} has one margin for each track, so it does not go with --band (choose --format json)")
    if is_night:
        stop(f"{style} judges each track from cold, so it does not go with --order set (choose another --format)")
    if style != "parquet":
        return
    if output is None:
        stop("parquet is written to a file, not to the screen (add -o FILE.parquet)")
    if find_spec("pyarrow") is None:
        stop("parquet needs pyarrow, which is not installed (pip install 'tweeter-auditor[cluster]')")


@contextmanager
def opened(style: str, output: str | None) -> Iterator[Report]:
    """The report to write to: `ndjson` grows where it is to stand, line by line; `parquet` appears when it is whole."""
    if style == "parquet":
        assert output is not None
        from auditor.report.table import Table

        with whole_file(output) as partial, Table(partial) as table:
            yield table
    else:
        with _Lines(output) as lines:
            yield lines


def run(
    files: list[Entry],
    faults: list[FileFault],
    rig: Rig,
    *,
    style: str,
    output: str | None,
    fail_on: str,
    asked: Asked,
    store: Store | None,
) -> ExitStatus:
    """Audit the files, and those that `asked` lists, and write the report; returns the exit status."""
    from auditor.errors import ClusterError
    from auditor.report.progress import ProgressBar

    def status(tally: Tally, is_interrupted: bool) -> ExitStatus:
        whole = tally.fault_count == 0
        return status_of(tally.verdict or "clear", fail_on=fail_on, interrupted=is_interrupted, is_whole=whole)

    way = asked.way()
    try:
        with opened(style, output) as report:
            with libraries_silenced(), ProgressBar(files, file=sys.stderr, no_color=False) as bar:
                tell = _counting(bar) if asked.list_path else bar.of_track if way is None else bar.of_finished
                both = itertools.chain(files, asked.listed())
                tally, result = write(report, both, faults, rig, way=way, progress=tell, status_of=status, store=store)
            if tally.track_count == 0 and result == ExitStatus.INTERRUPTED:
                say("interrupted: nothing was finished")
                sys.exit(result)  # out of the report, which is left unwritten
    except ClusterError as error:
        stop(str(error))
    if tally.fault_count:
        _say_faults(tally)
    if result == ExitStatus.INTERRUPTED:
        say(f"interrupted: {tally.track_count} track(s) finished and reported, the rest not judged")
    return result


def _say_faults(tally: Tally) -> None:
    for fault in tally.first_faults:
        say(f"error: {fault.message}")
    more = tally.fault_count - len(tally.first_faults)
    if more:
        say(f"error: and {more} more not judged, or not to the end; the report names all")


def _counting(bar: ProgressBar) -> Callable[[int], Callable[[float], None]]:
    """Progress along a list whose length nobody knows."""

    count = itertools.count(1)

    def of_track(_: int) -> Callable[[float], None]:
        bar.tell(f"track {next(count)} of the list")
        return lambda _: None

    return of_track


def write(
    report: Report,
    files: Iterable[Entry],
    faults: list[FileFault],
    rig: Rig,
    *,
    way: Way | None,
    progress: Callable[[int], Callable[[float], None]],
    status_of: Callable[[Tally, bool], ExitStatus],
    store: Store | None = None,
) -> tuple[Tally, ExitStatus]:
    """Audit files and write what comes of each as it is finished.

    Parameters
    ----------
    report : Report
    files : iterable of Entry
        Read as it goes.
    faults : list of FileFault
        Found before any file was opened.
    rig : Rig
    way, progress, store
        As `auditor.pipeline.audit_each`.
    status_of : callable
        The exit status, from what all came to and whether Ctrl-C came before all were judged.

    Raises
    ------
    ClusterError
        If nothing can be done on a cluster; one that is lost on the way is a fault, and what was judged stands.
    """
    from auditor.audit_types import FileFault
    from auditor.errors import ClusterError
    from auditor.judged import Tally
    from auditor.pipeline import audit_each

    tally = Tally()
    is_interrupted = False
    try:
        with closing(audit_each(files, rig, progress=progress, way=way, store=store)) as all_judged:
            for judged in all_judged:
                report.add(judged)
                tally.add(judged)
    except KeyboardInterrupt:
        is_interrupted = True
    except ClusterError as error:
        if tally.track_count == 0:
            raise
        faults = [*faults, FileFault(path=str(error.where), message=str(error))]
    for fault in faults:
        report.add_fault(fault)
        tally.add_fault(fault)
    status = status_of(tally, is_interrupted)
    report.finish(tally, rig, exit_status=int(status), is_interrupted=is_interrupted)
    return tally, status


class _Lines:
    """Newline-delimited JSON, on standard output or in a file, every line at once.

    The file is opened for the first line, so that a run that comes to nothing leaves what stands there.
    """

    def __init__(self, output: str | None) -> None:
        self._output = output
        self._file: IO[str] | None = None if output is not None else sys.stdout

    def __enter__(self) -> _Lines:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None and self._output is not None:
            self._file.close()

    def add(self, judged: Judged) -> None:
        from auditor.report import lines

        for line in lines.of_judged(judged):
            self._write(line)

    def add_fault(self, fault: FileFault) -> None:
        from auditor.report import lines

        self._write(lines.of_fault(fault))

    def finish(self, tally: Tally, rig: Rig, *, exit_status: int, is_interrupted: bool) -> None:
        from auditor.report import lines

        if self._file is None and tally.track_count == 0 and is_interrupted:
            return
        self._write(lines.of_set(tally, rig, exit_status=exit_status, is_interrupted=is_interrupted))

    def _write(self, line: str) -> None:
        try:
            if self._file is None:
                self._file = open(os.path.realpath(str(self._output)), "w", encoding="ascii", newline="\n")  # noqa: SIM115
            self._file.write(line)
            self._file.flush()
        except BrokenPipeError:
            leave_stdout()
            raise KeyboardInterrupt from None  # the reader has gone, so nobody wants the rest
        except OSError as error:
            if self._output is None:
                raise
            stop(f"{self._output}: cannot be written: {error.strerror or error}")
