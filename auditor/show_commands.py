"""`auditor render`: the sound at the HF driver's terminals, as a file to listen to.

Only click is imported here; everything else is imported inside the command, so that help is quick.
"""

from __future__ import annotations

import os
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Literal, NoReturn

import click

from auditor.command_line import (
    ExitStatus,
    cache_option,
    find_files,
    libraries_silenced,
    load_rig_or_stop,
    open_store,
    refuse_unwritable,
    say,
    stop,
    whole_file,
    write_report,
)
from auditor.options import trims_option

if TYPE_CHECKING:
    from auditor.programme.entry import Entry
    from auditor.render import Rendering
    from auditor.render_file import Container, Part
    from auditor.rig import Rig
    from auditor.store.store import Store

    Which = Literal["before", "after", "both"]

_CONTAINERS: dict[str, Container] = {".wav": "WAV", ".flac": "FLAC"}
_CLOCK = re.compile(r"(?:(?:(\d+):)?(\d+):)?(\d+(?:\.\d*)?|\.\d+)", re.ASCII)
_LONGEST_S = 1e7
_MOST_NAMED = 40  # tracks of a playlist


def _time(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Seconds of a time as it may be typed: `75`, `1:15`, `1:02:03.5`."""
    if value is None:
        return None
    match = _CLOCK.fullmatch(value.strip())
    if match is None:
        raise click.BadParameter(f"{value!r} is no time; write 75, 1:15 or 1:02:03.5", ctx, param)
    hours, minutes, seconds = (float(each or 0.0) for each in match.groups())
    time_s = 3600.0 * hours + 60.0 * minutes + seconds
    if time_s > _LONGEST_S:
        raise click.BadParameter(f"{value!r} is longer than any file; write 75, 1:15 or 1:02:03.5", ctx, param)
    return time_s


@dataclass(frozen=True, kw_only=True)
class _Wanted:
    """What is to be written where."""

    output: str
    which: Which
    from_s: float
    to_s: float | None

    @property
    def parts(self) -> tuple[Part, ...]:
        return ("before", "after") if self.which == "both" else (self.which,)

    @property
    def container(self) -> Container:
        return _CONTAINERS[Path(self.output).suffix.lower()]


@click.command("render", short_help="Hear what the HF driver gets, before and after its protection.")
@click.argument("path", metavar="PATH")
@click.option(
    "-r", "--rig", "rig_path", required=True, metavar="RIG.toml", help="The rig file; `auditor rig new` writes one."
)
@click.option("-o", "--output", required=True, metavar="OUT.wav", help="The file to write: .wav or .flac, 24 bits.")
@click.option(
    "--part",
    "which",
    type=click.Choice(["before", "after", "both"]),
    default="both",
    show_default=True,
    help="Without the protective part, with it, or the two in turn with a second of silence between.",
)
@click.option("--from", "from_s", callback=_time, default="0", metavar="TIME", help="Start there: 75, 1:15, 1:02:03.5.")
@click.option("--to", "to_s", callback=_time, metavar="TIME", help="Stop there.")
@click.option("--track", "number", type=click.IntRange(min=1), metavar="N", help="Which track of a playlist.")
@trims_option
@click.option("--force", is_flag=True, help="Write over OUT.wav if it is there already.")
@cache_option
def render_command(
    path: str,
    rig_path: str,
    output: str,
    which: Which,
    from_s: float,
    to_s: float | None,
    number: int | None,
    trims: str | None,
    force: bool,
    no_cache: bool,
) -> None:
    """Write the sound at the HF driver's terminals as a file.

    PATH is a sound file, or a playlist or CUE sheet with --track.

    Heat is counted from the track's beginning, whatever --from says. Before and after are turned up or down by one and
    the same gain, so that the difference is what the part does; the gain is told.

    Not for playing to an HF driver on its own, nor loud: start with everything turned down.
    """
    wanted = _Wanted(output=output, which=which, from_s=from_s, to_s=to_s)
    _refuse(path, wanted, force=force)
    rig = load_rig_or_stop(rig_path)
    track = _chosen(path, number, rig, trims)
    keep = [track.path, path, *rig.files, *([trims] if trims is not None else [])]
    refuse_unwritable(output, keep=keep, is_sound=True)
    _render(track, rig, wanted, open_store(no_cache=no_cache))


COMMANDS = (render_command,)


def _refuse(path: str, wanted: _Wanted, *, force: bool) -> None:
    output = wanted.output
    if Path(output).suffix.lower() not in _CONTAINERS:
        stop(
            f"{output}: ends neither in .wav nor in .flac, which are what can be written (choose another name with -o)"
        )
    if os.path.isdir(path):
        stop(f"{path}: is a folder, and one file at a time is rendered (name the file)")
    if wanted.to_s is not None and wanted.to_s <= wanted.from_s:
        stop(f"--to {wanted.to_s:g} s is not after --from {wanted.from_s:g} s (the excerpt would be empty)")
    if os.path.realpath(output) == os.path.realpath(path):
        return  # said by refuse_unwritable, with or without --force
    if os.path.isfile(output) and not force:
        stop(f"{output}: is there already (--force writes over it, -o chooses another name)")
    if os.path.exists(output) and not os.path.isfile(output) and not os.path.isdir(output):
        stop(f"{output}: is a device or a pipe, and a sound file must be written to a disk (choose another place)")


def _chosen(path: str, number: int | None, rig: Rig, trims: str | None) -> Entry:
    """The one track that is meant; the program ends where it is not clear which."""
    tracks, faults = find_files([path], output=None, rig=rig, trims=trims)
    if not tracks:
        stop(*(fault.message for fault in faults))
    for fault in faults:
        say(f"warning: {fault.message}")
    if number is None and len(tracks) == 1:
        return tracks[0]
    if number is not None and number <= len(tracks):
        return tracks[number - 1]
    count = f"{len(tracks)} tracks" if len(tracks) > 1 else "1 track"
    got = "one at a time is rendered" if number is None else f"got --track {number}"
    say(f"error: {path}: has {count}, and {got} (choose one with --track N)")
    for place, track in enumerate(tracks[:_MOST_NAMED], 1):
        say(f"  {place:2d}  {track.label or os.path.basename(track.name)}")
    if len(tracks) > _MOST_NAMED:
        say(f"  and {len(tracks) - _MOST_NAMED} more")
    sys.exit(ExitStatus.UNUSABLE)


def _render(track: Entry, rig: Rig, wanted: _Wanted, store: Store | None) -> NoReturn:
    from auditor.errors import AuditorError, ProgrammeError

    try:
        with whole_file(wanted.output) as partial:
            rendering = _written(track, rig, wanted, partial, store)
    except KeyboardInterrupt:
        say("interrupted: nothing was written")
        sys.exit(ExitStatus.INTERRUPTED)
    except ProgrammeError as error:
        stop(str(error))
    except AuditorError as error:
        stop(f"{wanted.output}: {error}" if error.where is None else str(error))
    for note in rendering.notes:
        say(f"warning: {track.name}: {note}")
    for fault in rendering.faults:
        say(f"error: {fault.message}")
    write_report(lambda file: _tell(rendering, rig, wanted, file), None)
    sys.exit(ExitStatus.UNUSABLE if rendering.faults else ExitStatus.CLEAR)


def _written(track: Entry, rig: Rig, wanted: _Wanted, partial: Path, store: Store | None) -> Rendering:
    from auditor.render import render
    from auditor.report.progress import ProgressBar

    with libraries_silenced(), ProgressBar([track], file=sys.stderr, no_color=False) as bar:
        return render(
            track,
            rig,
            partial,
            parts=wanted.parts,
            container=wanted.container,
            from_s=wanted.from_s,
            to_s=wanted.to_s,
            progress=bar.of_track(0),
            store=store,
        )


def _tell(rendering: Rendering, rig: Rig, wanted: _Wanted, file: IO[str]) -> None:
    from auditor.report import render_sheet
    from auditor.report.layout import Sheet
    from auditor.report.terminal import glyphs_for, make_console

    console = make_console(file, no_color=False)
    # Captured first: at a closed pipe rich would end the program with a status of its own.
    with console.capture() as capture:
        render_sheet.show(
            rendering, rig, wanted.output, Sheet(console=console, glyphs=glyphs_for(console), width=console.width)
        )
    file.write(capture.get())
