"""`auditor rig new`, `auditor rig check`, `auditor rig show` and `auditor parts`: arguments, files and exit codes.

Only click is imported here; everything else is imported inside the command that needs it, so that help is quick.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import IO, TYPE_CHECKING, NoReturn

import click

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from auditor.branch_view import BranchView
    from auditor.parts import PartKind

DEFAULT_RIG = "rig.toml"
PART_KINDS = ("lamp", "fuse", "breaker", "resettable")  # those of auditor.parts, which help does not wait for
EXIT_UNUSABLE = 2


@click.group("rig", short_help="Make, check and draw a rig file.")
def rig_group() -> None:
    """Make, check and draw a rig file: what stands between the mixer and the HF driver."""


@rig_group.command("new", short_help="Make a rig file: asks, or takes values, or writes an example.")
@click.option(
    "-o", "--output", metavar="FILE", default=DEFAULT_RIG, show_default=True, help="Where to write it; - is stdout."
)
@click.option("--example", is_flag=True, help="Ask nothing: write a commented example of every key.")
@click.option(
    "--set",
    "given",
    multiple=True,
    metavar="KEY=VALUE",
    help="Ask nothing: take this value, as in --set driver.rated_impedance_ohm=8. As often as there are values.",
)
@click.option("--force", is_flag=True, help="Replace FILE if it is there already.")
def new_command(output: str, example: bool, given: tuple[str, ...], force: bool) -> None:
    """Make a rig file.

    On a terminal it asks for what you know, one value at a time with its unit and usual values, checks each and writes
    a commented file; Enter alone leaves a value out, Ctrl-C leaves without writing. In a script give the values with
    --set; without, or with --example, a commented example is written, to be filled in.
    """
    if example and given:
        raise click.UsageError("--example takes no values: leave out --example or --set")
    if output != "-" and not force and os.path.lexists(output):
        _stop([f"{_safe(output)}: is there already (--force replaces it, -o FILE writes another)"])
    if output != "-" and not Path(output).absolute().parent.is_dir():
        _stop([f"{_safe(output)}: no such folder: {_safe(str(Path(output).parent))}"])
    if example or not (given or _is_terminal()):
        from auditor.rig_template import TEMPLATE

        _save(TEMPLATE, output, force=force)
        _tell_written(output, "fill it in, then")
        return
    from auditor.rig_making import asked, of_settings

    made = of_settings(given) if given else asked(_ask, _say, width=_width())
    if made.faults:
        _stop([str(fault) for fault in made.faults])
    _save(made.text, output, force=force)
    _tell_written(output, _assumed(made.assumed))


def _assumed(count: int) -> str:
    if not count:
        return "look at it with"
    return f"{count} value{'s are' if count > 1 else ' is'} assumed, which this lists"


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _width() -> int:
    import shutil

    return min(shutil.get_terminal_size().columns, 100)


def _ask(prompt: str) -> str:
    answer: str = click.prompt(prompt, default="", show_default=False, prompt_suffix="", err=True)
    return answer


def _say(line: str) -> None:
    click.echo(line, err=True)


def _save(text: str, output: str, *, force: bool) -> None:
    if output == "-":
        click.echo(text, nl=False)
        return
    from auditor.rig_writing import schema_line

    try:
        with Path(output).open("w" if force else "x", encoding="utf-8") as file:
            file.write(schema_line() + text)
    except FileExistsError:
        _stop([f"{_safe(output)}: is there already (--force replaces it, -o FILE writes another)"])
    except (OSError, ValueError) as error:
        _stop([f"{_safe(output)}: cannot be written: {_reason(error)}"])


def _tell_written(output: str, then: str) -> None:
    if output != "-":
        # The command on a line of its own, so that no terminal breaks it within the name.
        click.echo(f"wrote {_safe(output)}; {then}:\n  auditor rig check {_safe(output)}", err=True)


@rig_group.command("schema", short_help="Print the JSON Schema of rig files, for editors.")
def schema_command() -> None:
    """Print the JSON Schema of rig files.

    Many editors offer keys and underline faults by it. A file that `auditor rig new` writes names it in its first line.
    """
    from auditor.rig_schema import SCHEMA_PATH

    click.echo(SCHEMA_PATH.read_text(encoding="utf-8"), nl=False)


@rig_group.command("check", short_help="Check a rig file and show every value used.")
@click.argument("rig", metavar="RIG")
def check_command(rig: str) -> None:
    """Check a rig file and show every value the program will use, given or assumed.

    Every fault is listed at once, one line each, on stderr; the exit status is then 2.
    """
    from auditor.errors import AuditorError, RigError
    from auditor.rig import load_rig

    try:
        loaded = load_rig(rig)
    except RigError as error:
        _stop([fault.in_file(_safe(rig)) for fault in error.faults])
    except AuditorError as error:
        _stop([str(error)])
    import tomllib

    from auditor.report.rig_sheet import show_rig

    given = tomllib.loads(Path(rig).read_text(encoding="utf-8-sig"))["protection"].keys()
    _print(lambda console: show_rig(loaded, given=given, console=console))


@rig_group.command("show", short_help="Draw the HF branch, its response and its impedance.")
@click.argument("rig", metavar="RIG")
@click.option(
    "--format",
    "style",
    type=click.Choice(["text", "json", "svg", "png"]),
    default="text",
    show_default=True,
    help="Kind of drawing; png wants -o FILE, svg that or a pipe.",
)
@click.option("-o", "--output", metavar="FILE", help="Write it there instead of to standard output.")
def show_command(rig: str, style: str, output: str | None) -> None:
    """Draw the circuit from the amplifier to the HF driver, and plot response and impedance over frequency.

    With a lamp three times over: cold, at the point where it begins to work (1 dB), and hot, as at its rating.
    """
    from auditor.command_line import load_rig_or_stop, refuse_unwritable, stop, whole_file, write_report

    if output is None and (style == "png" or (style == "svg" and sys.stdout.isatty())):
        stop(f"{style.upper()} is not written to a terminal (name a file with -o)")
    loaded = load_rig_or_stop(rig, tell_notes=style != "text")
    if output is not None:
        refuse_unwritable(output, keep=loaded.files)
    from auditor.branch_view import view

    branch = view(loaded)
    if style == "png":
        from auditor.report.branch_picture import write_picture

        assert output is not None
        with whole_file(output) as partial:
            write_picture(branch, partial, "png")
        return
    write_report(lambda file: _show(branch, style, file), output)


def _show(branch: BranchView, style: str, file: IO[str]) -> None:
    from auditor.report import branch_sheet
    from auditor.report.layout import Sheet
    from auditor.report.terminal import glyphs_for, make_console

    if style == "json":
        import json

        from auditor.report.records import plain

        file.write(json.dumps(plain(branch_sheet.document(branch)), indent=2, allow_nan=False) + "\n")
        return
    if style == "svg":
        from auditor.report.branch_picture import svg

        file.write(svg(branch))
        return
    console = make_console(file, no_color=False)
    # Captured first: at a closed pipe rich would end the program with a status of its own.
    with console.capture() as capture:
        branch_sheet.show(branch, Sheet(console=console, glyphs=glyphs_for(console), width=console.width))
    file.write(capture.get())


@click.command("parts", short_help="List the parts the program knows.")
@click.argument("kind", required=False, type=click.Choice(PART_KINDS), metavar="[KIND]")
@click.option("--format", "style", type=click.Choice(["text", "json"]), default="text", show_default=True)
def parts_command(kind: PartKind | None, style: str) -> None:
    """List the parts the program knows, each with its source and whether it was read there or is from memory.

    KIND shows one kind only: lamp, fuse, breaker or resettable.
    """
    from auditor.report.parts_sheet import parts_record, show_parts

    if style == "json":
        import json

        click.echo(json.dumps(parts_record(kind), indent=2, ensure_ascii=False))
        return
    _print(lambda console: show_parts(kind, console=console))


def _print(show: Callable[[Console], None]) -> None:
    from auditor.report.terminal import make_console

    # Captured first: at a closed pipe rich would end the program with a status of its own.
    console = make_console(sys.stdout, no_color=False)
    with console.capture() as capture:
        show(console)
    click.echo(capture.get(), nl=False)


def _stop(messages: list[str]) -> NoReturn:
    for message in messages:
        click.echo(f"error: {message}", err=True)
    sys.exit(EXIT_UNUSABLE)


def _reason(error: OSError | ValueError) -> str:
    return (getattr(error, "strerror", None) or "not a usable file name").lower()


def _safe(text: str) -> str:
    """A file name as it may be shown on a terminal."""
    return "".join(char if char.isprintable() else "?" for char in text)
