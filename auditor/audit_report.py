"""From what the command line asks for to the report: the files found, audited, and written in the wanted form."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field, replace
from typing import IO, TYPE_CHECKING, NoReturn

from auditor import stream_files, track_files
from auditor.command_line import (
    ExitStatus,
    find_files,
    libraries_silenced,
    open_store,
    say,
    status_of,
    stop,
    write_report,
)
from auditor.spread_options import Asked

if TYPE_CHECKING:
    from auditor.audit_types import FileFault, SetAudit
    from auditor.programme.entry import Entry
    from auditor.programme.spectrum import Spectrum
    from auditor.rig import Rig
    from auditor.store.store import Store

STYLES = ("text", "json", "csv", "html", *track_files.STYLES, *stream_files.STYLES)


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What is asked for besides files and rig.

    gap_s : float or None
        Silence between the tracks of a set that is played through [s]; None where each is judged from cold.
    style : str
        One of `STYLES`.
    output : str or None
        None for the screen.
    fail_on : str
        From which verdict on the exit status is 1.
    with_band : bool
        Whether the margin is to be a range.
    trims : str or None
        The side file of levels.
    asked : Asked
        Where the tracks are judged.
    """

    gap_s: float | None
    style: str
    output: str | None
    fail_on: str
    no_cache: bool
    with_band: bool
    trims: str | None = None
    asked: Asked = field(default_factory=Asked)


def audit_and_report(paths: list[str], rig: Rig, wanted: Wanted) -> NoReturn:
    """Audit files, folders and playlists, write the report, and leave with the exit status."""
    style, output, asked = wanted.style, wanted.output, wanted.asked
    if style in stream_files.STYLES:
        stream_files.refuse_impossible(style, output, is_night=wanted.gap_s is not None, with_band=wanted.with_band)
    files, faults = find_files(paths, output=output, rig=rig, trims=wanted.trims, listed_in=asked.listed_in)
    if style in stream_files.STYLES:
        fail_on, store = wanted.fail_on, open_store(no_cache=wanted.no_cache)
        sys.exit(
            stream_files.run(files, faults, rig, style=style, output=output, fail_on=fail_on, asked=asked, store=store)
        )
    files += asked.listed()
    places = track_files.plan(style, output, files, rig) if style in track_files.STYLES else None
    # Behind all that can be refused: it loads the libraries.
    store = open_store(no_cache=wanted.no_cache, wants_spectra=style == "html")
    result = _audit_all(files, faults, rig, wanted, store)
    # Who asks between what the answer lies is told of the careful end.
    verdict = result.verdict if result.band is None else result.band.verdict_worst
    status = status_of(verdict, fail_on=wanted.fail_on, interrupted=result.interrupted, is_whole=not result.errors)
    _say_what_is_amiss(result)
    if result.interrupted and output is not None and not result.tracks:
        sys.exit(status)  # nothing to report, so what stands there already is left as it is
    if places is not None:
        track_files.write(result, style, places)
        sys.exit(status)
    spectra: list[Spectrum | str] = []
    if style == "html":
        from auditor.report.page.spectra import STOPPED

        try:
            spectra = _spectra(result, store)
        except KeyboardInterrupt:
            result, status = replace(result, interrupted=True), ExitStatus.INTERRUPTED
            spectra = [STOPPED] * len(result.tracks)
            say(f"interrupted: {len(result.tracks)} track(s) finished and reported, without their third octaves")
    write_report(lambda file: _render(result, style, file, status, spectra), output)
    sys.exit(status)


def _say_what_is_amiss(result: SetAudit) -> None:
    """Warnings, errors, and what is missing after Ctrl-C, on standard error."""
    for track in result.tracks:
        for note in track.notes:
            say(f"warning: {track.name}: {note}")
    for fault in result.errors:
        say(f"error: {fault.message}")
    if not result.interrupted:
        return
    rest = "the rest not judged"
    if result.night is not None and result.night.unanswered:
        from auditor.report.night_words import unanswered

        rest = f"not found: {unanswered(result.night)}"
    say(f"interrupted: {len(result.tracks)} track(s) finished and reported, {rest}")


def _audit_all(files: list[Entry], faults: list[FileFault], rig: Rig, wanted: Wanted, store: Store | None) -> SetAudit:
    from auditor.errors import ClusterError
    from auditor.pipeline import audit_set
    from auditor.report.progress import ProgressBar

    way = wanted.asked.way()
    try:
        with libraries_silenced(), ProgressBar(files, file=sys.stderr, no_color=False) as bar:
            told = bar.of_track if way is None else bar.of_finished
            return audit_set(
                files,
                rig,
                gap_s=wanted.gap_s,
                progress=told,
                tell=bar.tell,
                earlier_faults=faults,
                way=way,
                store=store,
                with_band=wanted.with_band,
            )
    except ClusterError as error:
        stop(str(error))


def _spectra(result: SetAudit, store: Store | None) -> list[Spectrum | str]:
    from auditor.report.page import spectra
    from auditor.report.progress import ProgressBar

    with libraries_silenced(), ProgressBar([], file=sys.stderr, no_color=False) as bar:
        bar.tell("third octaves for the page")
        return spectra.of_tracks(result, tell=bar.tell, store=store)


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
