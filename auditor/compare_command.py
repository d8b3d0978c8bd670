"""`auditor compare`: two to six programmes side by side, and why one endangers the driver and another does not.

Only click is imported here; everything else is imported inside the command, so that help is quick.
"""

from __future__ import annotations

import json
import sys
from typing import IO, TYPE_CHECKING

import click

from auditor.command_line import (
    ExitStatus,
    cache_option,
    find_files,
    libraries_silenced,
    load_rig_or_stop,
    open_store,
    say,
    stop,
    write_report,
)
from auditor.options import trims_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.audit_types import FileFault
    from auditor.comparison.compare import Comparison
    from auditor.programme.entry import Entry
    from auditor.rig import Rig
    from auditor.store.store import Store

_TOO_FEW = "fewer than two files could be read, so there is nothing to compare"
_LEAST, _MOST = 2, 6  # as in `auditor.comparison.compare`, which help must not import


@click.command("compare", short_help="Say which programme endangers the driver most, and why.")
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@click.option(
    "-r", "--rig", "rig_path", required=True, metavar="RIG.toml", help="The rig file; `auditor rig new` writes one."
)
@click.option(
    "--format",
    "style",
    type=click.Choice(["text", "json", "html"]),
    default="text",
    show_default=True,
    help="Kind of answer.",
)
@click.option("-o", "--output", metavar="FILE", help="Write the answer to FILE instead of the screen.")
@trims_option
@cache_option
def compare_command(
    paths: tuple[str, ...], rig_path: str, style: str, output: str | None, trims: str | None, no_cache: bool
) -> None:
    """Compare two to six programmes, or masters of one: which puts most into the HF driver, and why.

    They are files, or the tracks of a folder or playlist.

    As played, at equal loudness and at equal peak. The difference is shared out exactly among level, density,
    brightness and amplifier clipping. Exit status 0 when they could be compared, whatever comes of it.
    """
    from auditor.errors import AuditorError

    rig = load_rig_or_stop(rig_path)
    files, faults = find_files(paths, output=output, rig=rig, trims=trims)
    if not _LEAST <= len(files) <= _MOST:
        twice = " (a file named twice counts once)" if len(files) < len(paths) else ""
        stop(*(fault.message for fault in faults), f"compare takes two to six sound files, got {len(files)}{twice}")
    try:
        with libraries_silenced():
            store = open_store(no_cache=no_cache, wants_spectra=True)
            comparison, all_faults = _compare(files, rig, faults, store)
    except KeyboardInterrupt:
        say("interrupted: a comparison needs all of the files, so there is none")
        sys.exit(ExitStatus.INTERRUPTED)
    except AuditorError as error:  # a file that has gone, or changed, since it was first read
        stop(str(error))
    for fault in all_faults:
        say(f"error: {fault.message}")
    for each in () if comparison is None else comparison.programmes:
        # Of a silent file the answer itself tells.
        for note in each.portrait.audit.notes if each.portrait.terms is not None else ():
            say(f"warning: {each.path}: {note}")
    if comparison is None:
        say(f"error: {_TOO_FEW}")
    status = ExitStatus.UNUSABLE if all_faults or comparison is None else ExitStatus.CLEAR
    write_report(lambda file: _render(comparison, rig, all_faults, style, file, status), output)
    sys.exit(status)


def _compare(
    files: list[Entry], rig: Rig, faults: list[FileFault], store: Store | None
) -> tuple[Comparison | None, list[FileFault]]:
    from auditor.comparison.compare import find
    from auditor.report.progress import ProgressBar

    with ProgressBar(files, file=sys.stderr, no_color=False) as bar:
        return find(files, rig, progress=bar.of_track, tell=bar.tell, earlier_faults=faults, store=store)


def _render(
    comparison: Comparison | None,
    rig: Rig,
    faults: Sequence[FileFault],
    style: str,
    file: IO[str],
    status: ExitStatus,
) -> None:
    if style == "text":
        _text(comparison, rig, faults, file)
        return
    from auditor.comparison.compare import document
    from auditor.report import advice_records
    from auditor.report.compare_words import explanation

    answered = None if comparison is None else document(comparison, explanation=explanation(comparison))
    as_json = advice_records.to_json("compare", answered, rig, faults=faults, exit_status=int(status))
    if style == "html":
        from auditor.report.page import comparison as page

        found = json.loads(as_json)
        file.write(page.nothing(rig, faults, found) if comparison is None else page.render(comparison, faults, found))
        return
    file.write(as_json)


def _text(comparison: Comparison | None, rig: Rig, faults: Sequence[FileFault], file: IO[str]) -> None:
    from auditor.report import answer, compare_sheet
    from auditor.report.layout import Sheet
    from auditor.report.terminal import glyphs_for, make_console

    console = make_console(file, no_color=False)
    sheet = Sheet(console=console, glyphs=glyphs_for(console), width=console.width)
    # Captured first: at a closed pipe rich would end the program with a status of its own.
    with console.capture() as capture:
        if comparison is None:
            sheet.line()
            sheet.paragraph(_TOO_FEW.capitalize() + ".", style="bold")
            answer.tail(rig, faults, sheet)
        else:
            durations_s = [each.portrait.audit.duration_s for each in comparison.programmes]
            answer.head("Which of these endangers the driver, and why?", rig, durations_s, sheet)
            compare_sheet.show(comparison, sheet)
            answer.tail(rig, faults, sheet)
    file.write(capture.get())
