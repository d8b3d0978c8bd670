"""The command line: arguments, exit status, and the boundary at which errors become one line.

Only click is imported here: help, usage errors and bad rig files answer at once, whatever the numerical libraries cost.
"""

from __future__ import annotations

import gc
import io
import os
import signal
import sys
from dataclasses import replace
from typing import IO, TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from auditor import __version__, spread_options, stream_files, track_files
from auditor.advice_commands import COMMANDS as ADVICE_COMMANDS
from auditor.cache_command import cache_command
from auditor.command_line import (
    ExitStatus,
    cache_option,
    find_files,
    leave_stdout,
    libraries_silenced,
    load_rig_or_stop,
    open_store,
    say,
    status_of,
    stop,
    write_report,
)
from auditor.compare_command import compare_command
from auditor.night_types import DEFAULT_GAP_S, LONGEST_GAP_S
from auditor.options import trims_option
from auditor.rig_commands import parts_command, rig_group
from auditor.show_commands import COMMANDS as SHOW_COMMANDS
from auditor.tone_command import tone_command

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import FileFault, SetAudit
    from auditor.programme.entry import Entry
    from auditor.programme.spectrum import Spectrum
    from auditor.rig import Rig
    from auditor.store.store import Store


F = TypeVar("F", bound="Callable[..., Any]")


_FORMATS = click.Choice(["text", "json", "csv", "html", *track_files.STYLES, *stream_files.STYLES])
_NO_SPECTRUM = "stopped by hand"
_GARBAGE_AFTER = 100_000  # objects: the libraries make many that stay; an audit leaves none behind in cycles
_ORDERS = click.Choice(["tracks", "set"])
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


_BAND = click.option(
    "--band",
    "with_band",
    is_flag=True,
    help="Give the margin as a range, with what is assumed anywhere in its band, and say what to measure first. "
    "Takes some seconds for a track of a minute.",
)


def _order_options(command: F) -> F:
    for option in (
        click.option(
            "--gap-s",
            type=click.FloatRange(0.0, LONGEST_GAP_S),
            metavar="S",
            help=f"Silence between two tracks with --order set, in seconds.  [default: {DEFAULT_GAP_S:g}]",
        ),
        click.option(
            "--order",
            type=_ORDERS,
            default="tracks",
            show_default=True,
            help="Judge each track from cold, or all of them played one after the other, as warm as that leaves them.",
        ),
    ):
        option(command)
    return command


def _gap_s(order: str, gap_s: float | None, *, with_band: bool) -> float | None:
    """Silence between the tracks of a set that is played through [s]; None where each is judged from cold."""
    if order == "tracks" and gap_s is not None:
        raise click.UsageError("--gap-s: goes with --order set (as it is, every track is judged from cold)")
    if order == "set" and with_band:
        raise click.UsageError(
            "--band: not with --order set (leave out --order, and heat is carried for the set alone)"
        )
    if gap_s is not None and gap_s != gap_s:
        raise click.BadParameter("nan is no time.", param_hint="'--gap-s'")
    return None if order == "tracks" else DEFAULT_GAP_S if gap_s is None else gap_s


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
@click.argument("paths", nargs=-1, metavar="PATH...")
@click.option(
    "-r", "--rig", "rig_path", required=True, metavar="RIG.toml", help="The rig file; `auditor rig new` writes one."
)
@trims_option
@_order_options
@_BAND
@_report_options
@cache_option
@spread_options.options
def check(
    paths: tuple[str, ...],
    rig_path: str,
    trims: str | None,
    order: str,
    gap_s: float | None,
    style: str,
    output: str | None,
    fail_on: str,
    no_cache: bool,
    with_band: bool,
    **spread: Any,
) -> None:
    """Audit sound files, folders of them and playlists through a rig.

    Playlists are M3U, PLS, XSPF, and CUE sheets, which cut a file into tracks.
    """
    silence_s = _gap_s(order, gap_s, with_band=with_band)
    asked = spread_options.Asked(**spread)
    asked.refuse_impossible(paths, is_night=silence_s is not None, is_trimmed=trims is not None)
    asked.prepare()
    rig = load_rig_or_stop(rig_path)
    _audit_and_report(
        list(paths),
        rig,
        gap_s=silence_s,
        style=style,
        output=output,
        fail_on=fail_on,
        no_cache=no_cache,
        trims=trims,
        asked=asked,
        with_band=with_band,
    )


@cli.command()
@_order_options
@_BAND
@_report_options
@cache_option
def demo(
    order: str,
    gap_s: float | None,
    style: str,
    output: str | None,
    fail_on: str,
    no_cache: bool,
    with_band: bool,
) -> None:
    """Audit the demonstration set through the demonstration rig."""
    silence_s = _gap_s(order, gap_s, with_band=with_band)
    from auditor.demo import demo_paths, demo_rig_path
    from auditor.errors import AuditorError

    try:
        paths, rig = [str(path) for path in demo_paths()], load_rig_or_stop(str(demo_rig_path()))
    except AuditorError as error:
        stop(str(error))
    _audit_and_report(
        paths,
        rig,
        gap_s=silence_s,
        style=style,
        output=output,
        fail_on=fail_on,
        no_cache=no_cache,
        with_band=with_band,
    )


for command in (*ADVICE_COMMANDS, *SHOW_COMMANDS):
    cli.add_command(command)
cli.add_command(compare_command)
cli.add_command(rig_group)
cli.add_command(parts_command)
cli.add_command(tone_command)
cli.add_command(cache_command)


def _audit_and_report(
    paths: list[str],
    rig: Rig,
    *,
    gap_s: float | None,
    style: str,
    output: str | None,
    fail_on: str,
    no_cache: bool,
    with_band: bool,
    trims: str | None = None,
    asked: spread_options.Asked | None = None,
) -> NoReturn:
    asked = asked or spread_options.Asked()
    if style in stream_files.STYLES:
        stream_files.refuse_impossible(style, output, is_night=gap_s is not None, with_band=with_band)
    files, faults = find_files(paths, output=output, rig=rig, trims=trims)
    if style in stream_files.STYLES:
        store = open_store(no_cache=no_cache)
        sys.exit(
            stream_files.run(files, faults, rig, style=style, output=output, fail_on=fail_on, asked=asked, store=store)
        )
    files += asked.listed()
    places = track_files.plan(style, output, files, rig) if style in track_files.STYLES else None
    result = _audit_all(files, faults, rig, gap_s, asked, open_store(no_cache=no_cache), with_band=with_band)
    # Who asks between what the answer lies is told of the careful end.
    verdict = result.verdict if result.band is None else result.band.verdict_worst
    status = status_of(verdict, fail_on=fail_on, interrupted=result.interrupted, is_whole=not result.errors)
    for track in result.tracks:
        for note in track.notes:
            say(f"warning: {track.name}: {note}")
    for fault in result.errors:
        say(f"error: {fault.message}")
    if result.interrupted:
        say(f"interrupted: {len(result.tracks)} track(s) finished and reported, the rest not judged")
        if output is not None and not result.tracks:
            sys.exit(status)  # nothing to report, so what stands there already is left as it is
    if places is not None:
        track_files.write(result, style, places)
    else:
        spectra: list[Spectrum | str] = []
        if style == "html":
            try:
                spectra = _spectra(result)
            except KeyboardInterrupt:
                result, status = replace(result, interrupted=True), ExitStatus.INTERRUPTED
                spectra = [_NO_SPECTRUM] * len(result.tracks)
        write_report(lambda file: _render(result, style, file, status, spectra), output)
    sys.exit(status)


def _audit_all(
    files: list[Entry],
    faults: list[FileFault],
    rig: Rig,
    gap_s: float | None,
    asked: spread_options.Asked,
    store: Store | None,
    *,
    with_band: bool,
) -> SetAudit:
    from auditor.errors import ClusterError
    from auditor.pipeline import audit_set
    from auditor.report.progress import ProgressBar

    way = asked.way()
    try:
        with libraries_silenced(), ProgressBar(files, file=sys.stderr, no_color=False) as bar:
            told = bar.of_track if way is None else bar.of_finished
            return audit_set(
                files,
                rig,
                gap_s=gap_s,
                progress=told,
                tell=bar.tell,
                earlier_faults=faults,
                way=way,
                store=store,
                with_band=with_band,
            )
    except ClusterError as error:
        stop(str(error))


def _spectra(result: SetAudit) -> list[Spectrum | str]:
    from auditor.report.page import spectra
    from auditor.report.progress import ProgressBar

    with (
        libraries_silenced(),
        ProgressBar([track.source for track in result.tracks], file=sys.stderr, no_color=False) as bar,
    ):
        return spectra.of_tracks(result, tell=bar.tell)


def _render(result: SetAudit, style: str, file: IO[str], status: ExitStatus, spectra: list[Spectrum | str]) -> None:
    if style == "html":
        from auditor.report import page

        file.write(page.render(result, spectra, exit_status=int(status)))
        return
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


def _settle_streams() -> None:
    """Make standard output and error safe to write to, also where they are closed or know few characters."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _terminate(*_: object) -> NoReturn:
    # Leaves by the way of an exception, so that the terminal's cursor comes back and no partial file stays.
    sys.exit(ExitStatus.TERMINATED)


def _lighten_start() -> None:
    """Save what loading libraries costs beside the loading, some 0.15 s."""
    gc.set_threshold(_GARBAGE_AFTER)
    # The matrices are small. Threads for them would spin at the start, and make sums depend on the number of cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def main() -> NoReturn:
    """Run the program and leave with its exit status."""
    _settle_streams()
    _lighten_start()
    signal.signal(signal.SIGTERM, _terminate)
    try:
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
