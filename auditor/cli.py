"""The command line: arguments, exit status, and the boundary at which errors become one line.

Only click is imported here: help, usage errors and bad rig files answer at once, whatever the numerical libraries cost.
"""

from __future__ import annotations

import enum
import io
import os
import signal
import sys
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from auditor import __version__
from auditor.rig_commands import parts_command, rig_group

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from auditor.audit_types import FileFault, SetAudit
    from auditor.rig import Rig


F = TypeVar("F", bound="Callable[..., Any]")


class ExitStatus(enum.IntEnum):
    """What the program returns."""

    CLEAR = 0  # nothing at or above --fail-on
    FLAGGED = 1  # something was
    UNUSABLE = 2  # something could not be analysed, or only in part (cut off, samples no numbers); outranks 1
    INTERRUPTED = 130
    TERMINATED = 143


_FORMATS = click.Choice(["text", "json", "csv"])
_FAIL_ON = click.Choice(["engaged", "risk", "never"])


def _report_options(command: F) -> F:
    for option in (
        click.option(
            "--fail-on",
            type=_FAIL_ON,
            default="risk",
            show_default=True,
            help="From which verdict on to exit with status 1.",
        ),
        click.option("-o", "--output", metavar="FILE", help="Write the report to FILE instead of the screen."),
        click.option("--format", "style", type=_FORMATS, default="text", show_default=True, help="Kind of report."),
    ):
        option(command)
    return command


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, "-V", "--version", prog_name="auditor", message="%(prog)s %(version)s")
def cli() -> None:
    """Will tonight's programme hurt the HF driver?

    Works out, offline, what reaches a high-frequency driver through amplifier and crossover, whether its protective
    part will work, which passages put it at risk, and how many decibels of room are left.

    Exit status: 0 nothing at or above --fail-on, 1 something was, 2 something could not be analysed or only in part,
    130 interrupted.
    """


@cli.command()
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@click.option(
    "-r", "--rig", "rig_path", required=True, metavar="RIG.toml", help="The rig file; `auditor rig new` writes one."
)
@_report_options
def check(paths: tuple[str, ...], rig_path: str, style: str, output: str | None, fail_on: str) -> None:
    """Audit sound files and folders of them through a rig."""
    rig = _load_rig(rig_path)
    _audit_and_report(list(paths), rig, style=style, output=output, fail_on=fail_on)


@cli.command()
@_report_options
def demo(style: str, output: str | None, fail_on: str) -> None:
    """Audit the demonstration set through the demonstration rig."""
    from auditor.demo import demo_paths, demo_rig_path
    from auditor.errors import AuditorError

    try:
        paths, rig = [str(path) for path in demo_paths()], _load_rig(str(demo_rig_path()))
    except AuditorError as error:
        _stop(str(error))
    _audit_and_report(paths, rig, style=style, output=output, fail_on=fail_on)


cli.add_command(rig_group)
cli.add_command(parts_command)


def _load_rig(path: str) -> Rig:
    from auditor.errors import AuditorError, RigError
    from auditor.rig import load_rig

    try:
        return load_rig(path)
    except RigError as error:
        _stop(*(f"{path}: {fault}" for fault in error.faults))
    except AuditorError as error:
        _stop(str(error))


def _audit_and_report(paths: list[str], rig: Rig, *, style: str, output: str | None, fail_on: str) -> NoReturn:
    from auditor.programme.files import search

    files, faults = search(paths)
    if output is not None:
        _refuse_unwritable(output, keep=[*files, rig.path])
    result = _audit_all(files, faults, rig)
    status = _status(result, fail_on)
    for track in result.tracks:
        for note in track.notes:
            _say(f"warning: {track.path}: {note}")
    for fault in result.errors:
        _say(f"error: {fault.message}")
    if result.interrupted:
        _say(f"interrupted: {len(result.tracks)} track(s) finished and reported, the rest not judged")
    _write(result, style=style, output=output, status=status)
    sys.exit(status)


def _audit_all(files: list[str], faults: list[FileFault], rig: Rig) -> SetAudit:
    from auditor.pipeline import audit_set
    from auditor.report.progress import ProgressBar

    with _libraries_silenced(), ProgressBar(files, file=sys.stderr, no_color=False) as bar:
        return audit_set(files, rig, progress=bar.of_track, earlier_faults=faults)


@contextmanager
def _libraries_silenced() -> Iterator[None]:
    """Keep what C libraries print on descriptor 2 (mpg123 comments on damage) off the screen; `sys.stderr` works on."""
    try:
        on_descriptor = sys.stderr.fileno() == 2
    except (OSError, ValueError):
        on_descriptor = False
    if not on_descriptor:
        yield
        return
    real = sys.stderr
    real.flush()
    with (
        open(os.dup(2), "w", buffering=1, encoding=real.encoding, errors=real.errors) as own,
        open(os.devnull, "w") as nowhere,
    ):
        os.dup2(nowhere.fileno(), 2)
        sys.stderr = own
        try:
            yield
        finally:
            sys.stderr = real
            os.dup2(own.fileno(), 2)


def _status(result: SetAudit, fail_on: str) -> ExitStatus:
    from auditor.audit_types import SEVERITY

    if result.interrupted:
        return ExitStatus.INTERRUPTED
    if result.errors:
        return ExitStatus.UNUSABLE
    threshold = {"engaged": 1, "risk": 2, "never": 3}[fail_on]
    return ExitStatus.FLAGGED if SEVERITY[result.verdict] >= threshold else ExitStatus.CLEAR


def _write(result: SetAudit, *, style: str, output: str | None, status: ExitStatus) -> None:
    if output is None:
        try:
            _render(result, style, sys.stdout, status)
            sys.stdout.flush()
        except BrokenPipeError:
            _leave_stdout()  # the reader has gone, as a pager does that is quit; the verdict stands
        return
    # Written beside its place and moved there when whole, so that a full disk leaves no half report. What is there
    # and no file, a device or a pipe, can only be written to.
    target = Path(os.path.realpath(output))
    partial = target if target.exists() and not target.is_file() else Path(f"{target}.partial")
    try:
        with partial.open("w", encoding="utf-8", newline="\n") as file:
            _render(result, style, file, status)
        if partial != target:
            os.replace(partial, target)
    except OSError as error:
        _stop(f"{output}: cannot be written: {error.strerror or error}")
    finally:
        if partial != target:
            partial.unlink(missing_ok=True)


def _render(result: SetAudit, style: str, file: IO[str], status: ExitStatus) -> None:
    if style == "text":
        from auditor.report.terminal import make_console, render_text

        # Captured first: at a closed pipe rich would end the program with a status of its own.
        console = make_console(file, no_color=False)
        with console.capture() as capture:
            render_text(result, console=console)
        file.write(capture.get())
        return
    from auditor.report import records

    file.write(records.to_json(result, exit_status=int(status)) if style == "json" else records.to_csv(result))


def _refuse_unwritable(output: str, *, keep: list[str]) -> None:
    """Find out before the work, not after it; and never write over what is to be read."""
    from auditor.programme.files import SOUND_SUFFIXES

    target = Path(output)
    if target.is_dir():
        _stop(f"{output}: is a folder, not a file to write")
    if not target.absolute().parent.is_dir():
        _stop(f"{output}: no such folder: {target.parent}")
    if not os.access(target if target.exists() else target.absolute().parent, os.W_OK):
        _stop(f"{output}: may not be written (choose another place with -o)")
    if os.path.realpath(output) in map(os.path.realpath, keep):
        _stop(f"{output}: is one of the files to be read, so it is not written over")
    if target.is_file() and target.suffix.lower() in SOUND_SUFFIXES | {".toml"}:
        _stop(f"{output}: is there already and no report, so it is not written over (choose another name with -o)")


def _say(line: str) -> None:
    # A file name may hold anything; what goes to a terminal must be text. Nobody listening is no reason to stop.
    with suppress(OSError):
        print("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in line), file=sys.stderr)


def _stop(*messages: str) -> NoReturn:
    for message in messages:
        _say(f"error: {message}")
    sys.exit(ExitStatus.UNUSABLE)


def _settle_streams() -> None:
    """Make standard output and error safe to write to, also where they are closed or know few characters."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _leave_stdout() -> None:
    """Stop writing there: Python would try once more at exit, and complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _terminate(*_: object) -> NoReturn:
    # Leaves by the way of an exception, so that the terminal's cursor comes back and no partial file stays.
    sys.exit(ExitStatus.TERMINATED)


def main() -> NoReturn:
    """Run the program and leave with its exit status."""
    _settle_streams()
    signal.signal(signal.SIGTERM, _terminate)
    try:
        cli(prog_name="auditor", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _say("interrupted")
        sys.exit(ExitStatus.INTERRUPTED)
    except OSError as error:
        _leave_stdout()
        _stop(f"{error.filename or 'standard output'}: cannot be used: {error.strerror or error}")
    sys.exit(ExitStatus.CLEAR)
