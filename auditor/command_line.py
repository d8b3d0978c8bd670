"""What every command shares: reading the rig, writing the report, messages, exit status.

Nothing is imported here that is not needed to print help: the numerical libraries come with the commands' own work.
"""

from __future__ import annotations

import enum
import os
import sys
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from auditor.interrupt import held

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from auditor.audit_types import FileFault, Verdict
    from auditor.programme.entry import Entry
    from auditor.rig import Rig
    from auditor.store.store import Store

F = TypeVar("F", bound="Callable[..., Any]")


def cache_option(command: F) -> F:
    """The option of every command that plays files."""
    return click.option("--no-cache", is_flag=True, help="Play every file anew, and keep nothing for the next run.")(
        command
    )


class ExitStatus(enum.IntEnum):
    """What the program returns."""

    CLEAR = 0  # nothing at or above --fail-on
    FLAGGED = 1  # something was
    UNUSABLE = 2  # something could not be analysed, or only in part (cut off, samples no numbers); outranks 1
    INTERRUPTED = 130
    TERMINATED = 143


def load_rig_or_stop(path: str, *, tell_notes: bool = True) -> Rig:
    """The rig of a file, with a warning for each of its notes; on a fault every one is said, and the program ends."""
    from auditor.errors import GRAVE, AuditorError, RigError
    from auditor.rig import load_rig

    try:
        rig = load_rig(path)
    except RigError as error:
        stop(*(fault.in_file(path) for fault in error.faults))
    except AuditorError as error:
        stop(str(error))
    for note in rig.notes if tell_notes else ():
        say(f"warning: {path}: {note.removeprefix(GRAVE)}")
    return rig


def open_store(*, no_cache: bool, wants_spectra: bool = False) -> Store | None:
    """Where what is played is kept for the next run, with its third octaves where wanted; None to keep nothing."""
    if no_cache:
        return None
    from auditor.errors import AuditorError
    from auditor.store.store import Store

    try:
        return Store.at_default(tell=warn, wants_spectra=wants_spectra)
    except AuditorError as error:
        stop(str(error))


def find_files(
    paths: Sequence[str], *, output: str | None, rig: Rig, trims: str | None = None, listed_in: str | None = None
) -> tuple[list[Entry], list[FileFault]]:
    """The tracks that the paths lead to, with their trims, after a look whether `output` could be written at the end.

    Parameters
    ----------
    paths : sequence of str
    output : str or None
    rig : Rig
    trims : str, optional
        A file of trims. What cannot be used in it is said, and the program ends.
    listed_in : str, optional
        A file that names more tracks, and is read as it goes.
    """
    from auditor.programme.files import search

    files, faults = search(paths)
    if trims is not None:
        files = _trimmed(files, trims)
    if output is not None:
        keep = [*(file.path for file in files), *paths, *rig.files, *(each for each in (trims, listed_in) if each)]
        refuse_unwritable(output, keep=keep)
    return files, faults


def _trimmed(files: list[Entry], path: str) -> list[Entry]:
    from auditor.programme import trims

    try:
        found, warnings = trims.apply(trims.read(path), files, path=path)
    except trims.TrimsError as error:
        stop(*map(str, error.faults))
    for warning in warnings:
        say(f"warning: {warning}")
    return found


def status_of(verdict: Verdict, *, fail_on: str, interrupted: bool, is_whole: bool) -> ExitStatus:
    """Exit status for a verdict.

    Parameters
    ----------
    verdict : Verdict
    fail_on : {"engaged", "risk", "never"}
    interrupted : bool
    is_whole : bool
        Whether everything asked for could be analysed.
    """
    from auditor.audit_types import SEVERITY

    if interrupted:
        return ExitStatus.INTERRUPTED
    if not is_whole:
        return ExitStatus.UNUSABLE
    threshold = {"engaged": 1, "risk": 2, "never": 3}[fail_on]
    return ExitStatus.FLAGGED if SEVERITY[verdict] >= threshold else ExitStatus.CLEAR


@contextmanager
def libraries_silenced() -> Iterator[None]:
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


def write_report(render: Callable[[IO[str]], None], output: str | None) -> None:
    """Write to standard output, or to a file that appears only when it is whole; Ctrl-C has effect after that.

    Parameters
    ----------
    render : callable
        Writes the report to an open text file.
    output : str or None
        Name of the file; None for standard output.
    """
    with held() as hold:
        if output is None:
            try:
                render(sys.stdout)
                sys.stdout.flush()
            except BrokenPipeError:
                leave_stdout()  # the reader has gone, as a pager does that is quit; the verdict stands
        else:
            with whole_file(output) as partial, partial.open("w", encoding="utf-8", newline="\n") as file:
                render(file)
    if hold.came:
        raise KeyboardInterrupt


@contextmanager
def whole_file(output: str) -> Iterator[Path]:
    """Where to write what is to stand under that name once it is whole; afterwards it is moved there.

    So a full disk or Ctrl-C leaves no half file. What is there and no file, a device or a pipe, can only be written to.
    """
    target = Path(os.path.realpath(output))
    partial = target if target.exists() and not target.is_file() else Path(f"{target}.partial")
    try:
        yield partial
        if partial != target:
            if target.exists():
                partial.chmod(target.stat().st_mode & 0o777)  # whoever may read it goes on to
            os.replace(partial, target)
    except OSError as error:
        stop(f"{output}: cannot be written: {error.strerror or error}")
    finally:
        if partial != target:
            partial.unlink(missing_ok=True)


def refuse_unwritable(output: str, *, keep: list[str], is_sound: bool = False) -> None:
    """Find out before the work, not after it; and never write over what is to be read.

    Parameters
    ----------
    output : str
    keep : list of str
        Files that are read.
    is_sound : bool
        Whether sound is what will be written, so that sound may be written over.
    """
    from auditor.programme.files import SOUND_SUFFIXES
    from auditor.programme.playlist import SUFFIXES as PLAYLIST_SUFFIXES

    target = Path(output)
    if target.is_dir():
        stop(f"{output}: is a folder, not a file to write")
    if not target.absolute().parent.is_dir():
        stop(f"{output}: no such folder: {target.parent}")
    if not os.access(target if target.exists() else target.absolute().parent, os.W_OK):
        stop(f"{output}: may not be written (choose another place with -o)")
    if os.path.realpath(output) in map(os.path.realpath, keep):
        stop(f"{output}: is one of the files to be read, so it is not written over")
    kept = {".toml", *PLAYLIST_SUFFIXES} | (frozenset() if is_sound else SOUND_SUFFIXES)
    if target.is_file() and target.suffix.lower() in kept:
        stop(f"{output}: is there already and no report, so it is not written over (choose another name with -o)")


def say(line: str) -> None:
    """One line on standard error."""
    # A file name may hold anything; what goes to a terminal must be text. Nobody listening is no reason to stop.
    with suppress(OSError):
        print("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in line), file=sys.stderr)


def warn(line: str) -> None:
    """One warning on standard error."""
    say(f"warning: {line}")


def stop(*messages: str) -> NoReturn:
    """Say what is wrong and end the program."""
    for message in messages:
        say(f"error: {message}")
    sys.exit(ExitStatus.UNUSABLE)


def leave_stdout() -> None:
    """Stop writing there: Python would try once more at exit, and complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
