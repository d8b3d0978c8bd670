"""`auditor protections`, `lamp`, `limiter` and `fuse`: which protection to choose for these files.

Only click is imported here; everything else is imported inside the command that needs it, so that help is quick.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from typing import IO, TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from auditor.command_line import (
    ExitStatus,
    find_files,
    libraries_silenced,
    load_rig_or_stop,
    say,
    write_report,
)
from auditor.options import trims_option

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.advice.material import Material
    from auditor.audit_types import FileFault
    from auditor.programme.entry import Entry
    from auditor.report.layout import Sheet
    from auditor.rig import Rig

F = TypeVar("F", bound="Callable[..., Any]")


@dataclass(frozen=True, kw_only=True)
class _Answer:
    """What a command found.

    holds : bool
        Whether something was found that keeps the driver within its limits.
    durations_s : tuple of float
        Of the tracks it is an answer for [s].
    """

    document: dict[str, Any]
    show: Callable[[Sheet], None]
    holds: bool
    durations_s: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What was asked about: the files, the rig, and how far their reading got."""

    files: list[Entry]
    rig: Rig
    faults: list[FileFault]


def _question(command: F) -> F:
    for option in (
        click.option("-o", "--output", metavar="FILE", help="Write the answer to FILE instead of the screen."),
        click.option(
            "--format",
            "style",
            type=click.Choice(["text", "json"]),
            default="text",
            show_default=True,
            help="Kind of answer.",
        ),
        trims_option,
        click.option(
            "-r",
            "--rig",
            "rig_path",
            required=True,
            metavar="RIG.toml",
            help="The rig file; `auditor rig new` writes one.",
        ),
        click.argument("paths", nargs=-1, required=True, metavar="PATH..."),
    ):
        option(command)
    return command


@click.command("protections", short_help="Compare every way of protecting the HF driver.")
@_question
def protections_command(
    paths: tuple[str, ...], rig_path: str, trims: str | None, style: str, output: str | None
) -> None:
    """Put the same files, folders or playlists through every protection method, side by side.

    Nothing, a lamp, a fuse, a breaker, a self-resetting part, a relay and a limiter, each with a part that suits the
    rig; the one that the rig file names stands for its kind. Exit status 1: none keeps the driver safe.
    """
    _run("protections", "Ways of protecting this driver", _protections, paths, rig_path, trims, style, output)


@click.command("lamp", short_help="Choose a lamp, or a bank of lamps.")
@_question
def lamp_command(paths: tuple[str, ...], rig_path: str, trims: str | None, style: str, output: str | None) -> None:
    """Try every lamp the program knows, 1 or 2 in series by 1 to 4 in parallel, on these files or playlists.

    Ranked by whether it protects at the rig's worst, then by how little it dulls normal passages, then by its life.
    Exit status 1: none protects.
    """
    _run("lamp", "Which lamp?", _lamp, paths, rig_path, trims, style, output)


@click.command("limiter", short_help="Choose a limiter's settings.")
@_question
def limiter_command(paths: tuple[str, ...], rig_path: str, trims: str | None, style: str, output: str | None) -> None:
    """Find threshold, attack and release that keep the driver safe on these files or playlists.

    The files are played again through what is proposed. Exit status 1: no setting does it.
    """
    _run("limiter", "Which limiter settings?", _limiter, paths, rig_path, trims, style, output)


@click.command("fuse", short_help="Choose a fuse, or see that none does.")
@_question
def fuse_command(paths: tuple[str, ...], rig_path: str, trims: str | None, style: str, output: str | None) -> None:
    """Find the fuse that carries these files or playlists and still opens before the driver passes its limit.

    Often none does. Exit status 1: none does.
    """
    _run("fuse", "Which fuse?", _fuse, paths, rig_path, trims, style, output)


COMMANDS = (protections_command, lamp_command, limiter_command, fuse_command)


def _run(
    command: str,
    question: str,
    answer: Callable[[_Asked], tuple[_Answer | None, Sequence[FileFault]]],
    paths: tuple[str, ...],
    rig_path: str,
    trims: str | None,
    style: str,
    output: str | None,
) -> NoReturn:
    rig = load_rig_or_stop(rig_path)
    files, faults = find_files(paths, output=output, rig=rig, trims=trims)
    try:
        with libraries_silenced():
            found, all_faults = answer(_Asked(files=files, rig=rig, faults=faults))
    except KeyboardInterrupt:
        say("interrupted: an answer needs all of the files, so there is none")
        sys.exit(ExitStatus.INTERRUPTED)
    for fault in all_faults:
        say(f"error: {fault.message}")
    status = ExitStatus.CLEAR if found is not None and found.holds else ExitStatus.FLAGGED
    status = ExitStatus.UNUSABLE if all_faults or found is None else status

    def render(file: IO[str]) -> None:
        if style == "json":
            from auditor.report import advice_records

            answered = None if found is None else found.document
            file.write(advice_records.to_json(command, answered, rig, faults=all_faults, exit_status=int(status)))
        else:
            _text(question, rig, found, all_faults, file)

    write_report(render, output)
    sys.exit(status)


def _text(question: str, rig: Rig, found: _Answer | None, faults: Sequence[FileFault], file: IO[str]) -> None:
    from auditor.report import answer
    from auditor.report.layout import Sheet
    from auditor.report.terminal import glyphs_for, make_console

    console = make_console(file, no_color=False)
    sheet = Sheet(console=console, glyphs=glyphs_for(console), width=console.width)
    # Captured first: at a closed pipe rich would end the program with a status of its own.
    with console.capture() as capture:
        if found is None:
            answer.nothing(faults, sheet)
        else:
            answer.head(question, rig, found.durations_s, sheet)
            found.show(sheet)
            answer.tail(rig, faults, sheet)
    file.write(capture.get())


def _gather(asked: _Asked, rig: Rig) -> Material:
    from auditor.advice.material import gather
    from auditor.report.progress import ProgressBar

    with ProgressBar(asked.files, file=sys.stderr, no_color=False) as bar:
        material = gather(asked.files, rig, progress=bar.of_track, earlier_faults=asked.faults)
    if material.interrupted:
        raise KeyboardInterrupt
    return material


def _warn(material: Material) -> None:
    for played in material.tracks:
        for note in played.notes:
            say(f"warning: {played.programme.name}: {note}")


def _durations_s(material: Material) -> tuple[float, ...]:
    return tuple(played.duration_s for played in material.tracks)


def _fuse(asked: _Asked) -> tuple[_Answer | None, Sequence[FileFault]]:
    from auditor.advice import fuse_choice
    from auditor.report import fuse_sheet

    material = _gather(asked, asked.rig)
    if not material.tracks:
        return None, material.faults
    _warn(material)
    choice = fuse_choice.find(material)
    answer = _Answer(
        document=fuse_choice.document(choice),
        show=lambda sheet: fuse_sheet.show(choice, sheet),
        holds=choice.candidates[0].verdict != "risk",
        durations_s=_durations_s(material),
    )
    return answer, material.faults


def _lamp(asked: _Asked) -> tuple[_Answer | None, Sequence[FileFault]]:
    from auditor.advice import lamp_choice
    from auditor.report import lamp_sheet
    from auditor.report.progress import ProgressBar

    material = _gather(asked, asked.rig)
    if not material.tracks:
        return None, material.faults
    _warn(material)
    with ProgressBar(asked.files, file=sys.stderr, no_color=False) as bar:
        choice = lamp_choice.find(material, progress=lambda done: bar.tell(f"trying lamps: {100.0 * done:.0f} %"))
    answer = _Answer(
        document=lamp_choice.document(choice),
        show=lambda sheet: lamp_sheet.show(choice, sheet),
        holds=choice.candidates[0].protects and choice.candidates[0].verdict != "risk",
        durations_s=_durations_s(material),
    )
    return answer, material.faults


def _limiter(asked: _Asked) -> tuple[_Answer | None, Sequence[FileFault]]:
    from auditor.advice import limiter_choice
    from auditor.report import limiter_sheet
    from auditor.report.progress import ProgressBar

    with ProgressBar(asked.files, file=sys.stderr, no_color=False) as bar:
        choice = limiter_choice.find(
            asked.files, asked.rig, progress=bar.of_track, earlier_faults=asked.faults, tell=bar.tell
        )
    if isinstance(choice, limiter_choice.NoChoice):
        return None, choice.faults
    answer = _Answer(
        document=limiter_choice.document(choice),
        show=lambda sheet: limiter_sheet.show(choice, sheet),
        holds=choice.reachable,
        durations_s=choice.durations_s,
    )
    return answer, choice.faults


def _protections(asked: _Asked) -> tuple[_Answer | None, Sequence[FileFault]]:
    from auditor.advice import overview
    from auditor.report import overview_sheet
    from auditor.report.progress import ProgressBar

    material = _gather(asked, replace(asked.rig, limiters=()))
    if not material.tracks:
        return None, material.faults
    _warn(material)
    with ProgressBar(asked.files, file=sys.stderr, no_color=False) as bar:
        behind = overview.limited_rig(asked.files, asked.rig, progress=bar.of_track, tell=bar.tell)
    found = overview.compare(material, limited=None if behind is None else _gather(asked, behind))
    answer = _Answer(
        document=overview.document(found),
        show=lambda sheet: overview_sheet.show(found, sheet),
        holds=found.any_clears,
        durations_s=_durations_s(material),
    )
    return answer, material.faults
