"""The command line: arguments, exit status, and the boundary at which errors become one line.

Only click is imported here: help, usage errors and bad rig files answer at once, whatever the numerical libraries cost.
"""

from __future__ import annotations

import enum
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from auditor import __version__
from auditor.rig_commands import parts_command, rig_group

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import FileFault, SetAudit
    from auditor.rig import Rig


F = TypeVar("F", bound="Callable[..., Any]")


class ExitStatus(enum.IntEnum):
    """What the program returns."""

    CLEAR = 0  # nothing at or above --fail-on
    FLAGGED = 1  # something was
    UNUSABLE = 2  # something could not be analysed; outranks 1
    INTERRUPTED = 130


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

    Exit status: 0 nothing at or above --fail-on, 1 something was, 2 something could not be analysed, 130 interrupted.
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
    if output is not None:
        _refuse_unwritable(output)
    result = _audit_all(paths, rig)
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


def _audit_all(paths: list[str], rig: Rig) -> SetAudit:
    from auditor.audit_types import FileFault
    from auditor.errors import AuditorError
    from auditor.programme.files import find

    files: list[str] = []
    faults: list[FileFault] = []
    for path in paths:
        try:
            files += [file for file in find(path) if file not in files]
        except AuditorError as error:
            faults.append(FileFault(path=path, message=str(error)))
    return _run_set(files, faults, rig)


def _run_set(files: list[str], faults: list[FileFault], rig: Rig) -> SetAudit:
    from auditor.pipeline import audit_set
    from auditor.report.progress import ProgressBar

    with ProgressBar(files, file=sys.stderr, no_color=False) as bar:
        return audit_set(files, rig, progress=bar.of_track, earlier_faults=faults)


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
        _render(result, style, sys.stdout, status)
        sys.stdout.flush()
        return
    # Written beside its place and moved there when whole, so that a full disk leaves no half report.
    partial = Path(f"{output}.partial")
    try:
        with partial.open("w", encoding="utf-8", newline="\n") as file:
            _render(result, style, file, status)
        os.replace(partial, output)
    except OSError as error:
        partial.unlink(missing_ok=True)
        _stop(f"{output}: cannot be written: {error.strerror or error}")


def _render(result: SetAudit, style: str, file: object, status: ExitStatus) -> None:
    from typing import IO, cast

    out = cast("IO[str]", file)
    if style == "text":
        from auditor.report.terminal import make_console, render_text

        render_text(result, console=make_console(out, no_color=False))
        return
    from auditor.report import records

    out.write(records.to_json(result, exit_status=int(status)) if style == "json" else records.to_csv(result))


def _refuse_unwritable(output: str) -> None:
    """Find out before the work, not after it."""
    target = Path(output)
    if target.is_dir():
        _stop(f"{output}: is a folder, not a file to write")
    if not target.absolute().parent.is_dir():
        _stop(f"{output}: no such folder: {target.parent}")


def _say(line: str) -> None:
    # A file name may hold anything; what goes to a terminal must be text.
    print("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in line), file=sys.stderr)


def _stop(*messages: str) -> NoReturn:
    for message in messages:
        _say(f"error: {message}")
    sys.exit(ExitStatus.UNUSABLE)


def main() -> NoReturn:
    """Run the program and leave with its exit status."""
    try:
        cli(prog_name="auditor", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        _say("interrupted")
        sys.exit(ExitStatus.INTERRUPTED)
    except BrokenPipeError:
        # The reader has gone (a pager that was quit): nothing is wrong. Python would complain once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(128 + signal.SIGPIPE)
    sys.exit(ExitStatus.CLEAR)
