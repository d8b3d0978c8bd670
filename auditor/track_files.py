"""Reports of one file for each track: pictures (`png`, `svg`) and passages as WebVTT cues (`vtt`).

Nothing is imported here that is not needed before the work: a missing library or an impossible name is said at once.
"""

from __future__ import annotations

import io
import os
import sys
from importlib.util import find_spec
from typing import IO, TYPE_CHECKING

from auditor.command_line import refuse_unwritable, say, stop, whole_file, write_report

if TYPE_CHECKING:
    from auditor.audit_types import Audit, SetAudit
    from auditor.programme.entry import Entry
    from auditor.rig import Rig

STYLES = ("png", "svg", "vtt")
_PICTURES = ("png", "svg")


def plan(style: str, output: str | None, files: list[Entry], rig: Rig) -> dict[str, str | None]:
    """Which file each track is written to; None for standard output. Ends the program where that cannot be.

    Of one track the name is the one given; of several each gets its number: `FILE-01.png`, `FILE-02.png`.
    """
    if style in _PICTURES and output is None:
        stop(f"a picture is written to a file, not to the screen (add -o FILE.{style})")
    if style in _PICTURES and find_spec("matplotlib") is None:
        stop("pictures need matplotlib, which is not installed (pip install 'tweeter-auditor[pictures]')")
    if output is None and len(files) > 1:
        names_to_be = f"-o FILE.{style} makes FILE-01.{style}, FILE-02.{style} ..."
        stop(f"{style} is one file for each track, and there are {len(files)} ({names_to_be})")
    if output is None or len(files) == 1:
        return dict.fromkeys([file.name for file in files], output)
    stem, suffix = os.path.splitext(output)
    digits = max(2, len(str(len(files))))
    names = {file.name: f"{stem}-{number:0{digits}d}{suffix}" for number, file in enumerate(files, 1)}
    for name in names.values():
        refuse_unwritable(name, keep=[*(file.path for file in files), *rig.files])
    return dict(names)


def write(result: SetAudit, style: str, places: dict[str, str | None]) -> None:
    """Write what was planned for every track that was analysed."""
    for track in result.tracks:
        place = places[track.name]
        if style == "vtt":
            _write_cues(track, place)
        elif place is not None:
            _write_picture(track, style, place)
        if len(places) > 1:
            say(f"{place}: {track.name}")


def _write_cues(track: Audit, place: str | None) -> None:
    from auditor.report.cues import to_vtt

    if place is None and isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8", errors="replace")  # which WebVTT is, whatever the terminal's is

    def render(file: IO[str]) -> None:
        file.write(to_vtt(track))

    write_report(render, place)


def _write_picture(track: Audit, style: str, place: str) -> None:
    from auditor.report.pictures import write_picture

    with whole_file(place) as partial:
        write_picture(track, partial, "png" if style == "png" else "svg")
