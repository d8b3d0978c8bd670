"""The command line: arguments, exit status, and the boundary at which errors become one line.

Only click is imported here: help, usage errors and bad rig files answer at once, whatever the numerical libraries cost.
"""

from __future__ import annotations

import atexit
import gc
import io
import os
import signal
import sys
from typing import NoReturn

import click

from auditor import __version__
from auditor.advice_commands import COMMANDS as ADVICE_COMMANDS
from auditor.cache_command import cache_command
from auditor.check_command import COMMANDS as CHECK_COMMANDS
from auditor.command_line import ExitStatus, leave_stdout, say, stop
from auditor.compare_command import compare_command
from auditor.rig_commands import parts_command, rig_group
from auditor.show_commands import COMMANDS as SHOW_COMMANDS
from auditor.tone_command import tone_command

_GARBAGE_AFTER = 100_000  # objects: the libraries make many that stay; an audit leaves none behind in cycles


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, "-V", "--version", prog_name="auditor", message="%(prog)s %(version)s")
def cli() -> None:
    """Will tonight's programme hurt the HF driver?

    Works out, offline, what reaches a high-frequency driver through amplifier and crossover, whether its protective
    part will work, which passages put it at risk, and how many decibels of room are left.

    Exit status: 0 nothing at or above --fail-on, 1 something was, 2 something could not be analysed or only in part,
    130 interrupted.
    """


for command in (*CHECK_COMMANDS, *ADVICE_COMMANDS, *SHOW_COMMANDS):
    cli.add_command(command)
for command in (compare_command, rig_group, parts_command, tone_command, cache_command):
    cli.add_command(command)


def _settle_streams() -> None:
    """Make standard output and error safe to write to, also where they are closed or know few characters."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            nowhere = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
            atexit.register(nowhere.close)
            setattr(sys, name, nowhere)
        elif isinstance(stream, io.TextIOWrapper):
            if isinstance(stream.buffer, io.RawIOBase):
                # Unbuffered, as an environment may ask for, a write that a full disk cuts short passes for a whole one.
                encoding = stream.encoding
                stream = io.TextIOWrapper(io.BufferedWriter(stream.detach()), encoding=encoding, line_buffering=True)
                setattr(sys, name, stream)
            stream.reconfigure(errors="backslashreplace")


def _heed_ends() -> None:
    """Leave by the way of an exception when asked to end, so that the cursor comes back and no partial file stays."""

    def leave(*_: object) -> NoReturn:
        sys.exit(ExitStatus.TERMINATED)

    for name in ("SIGTERM", "SIGHUP"):  # the latter as a terminal is closed; where there is none, not known
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # not where it is to go on without
            signal.signal(number, leave)


def _lighten() -> None:
    """Save what loading libraries costs beside the loading, some 0.15 s, and as much again when the program ends."""
    gc.set_threshold(_GARBAGE_AFTER)
    atexit.register(gc.freeze)  # what is there goes with the process, and need not be looked through once more
    # The matrices are small. Threads for them would spin at the start, and make sums depend on the number of cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def main() -> NoReturn:
    """Run the program and leave with its exit status."""
    _settle_streams()
    _lighten()
    _heed_ends()
    try:
        if signal.getsignal(signal.SIGINT) is signal.SIG_DFL:  # until here, as nobody would have caught it
            signal.signal(signal.SIGINT, signal.default_int_handler)
        cli(prog_name="auditor", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        say("interrupted")
        sys.exit(ExitStatus.INTERRUPTED)
    except OSError as error:
        leave_stdout()
        stop(f"{error.filename or 'standard output'}: cannot be used: {error.strerror or error}")
    sys.exit(ExitStatus.CLEAR)
