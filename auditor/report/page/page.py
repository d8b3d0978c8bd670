"""Puts the page together: one file, pure ASCII, with everything in it and a policy that lets nothing else in.

The policy names the scripts by their hashes, so none that a file name or a tag brought along would run, and forbids
every request. plotly's own buttons that would send a figure somewhere are not shown.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
from importlib import resources
from typing import TYPE_CHECKING

from auditor.report import records, summary, words
from auditor.report.page import circuit, markup, night, notes, overview, plots, third_octaves, tracks
from auditor.report.page.tracks import Place

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.audit_types import Audit, SetAudit
    from auditor.programme.spectrum import Spectrum

_MOST_POINTS, _LEAST_POINTS = 4000, 1500  # of a trace
_POINTS_IN_ALL = 120_000  # of one kind of trace in the whole set


def render(set_audit: SetAudit, spectra: Sequence[Spectrum | str], *, exit_status: int) -> str:
    """The whole page.

    Parameters
    ----------
    set_audit : SetAudit
    spectra : sequence of Spectrum or str
        For each track its third octaves, or why there are none.
    exit_status : int
        What the command is about to return; for the JSON document in the page.
    """
    names = words.names_of(set_audit.tracks)
    places = {
        id(track): Place(number=number, count=len(names), name=name)
        for number, (track, name) in enumerate(zip(set_audit.tracks, names, strict=True))
    }
    most = min(max(_POINTS_IN_ALL // max(len(names), 1), _LEAST_POINTS), _MOST_POINTS)
    pictures = {id(track): each for track, each in zip(set_audit.tracks, spectra, strict=True)}
    riskiest = summary.riskiest_first(set_audit.tracks)
    body = [
        '<a class="skip" href="#tracks">To the tracks</a>',
        _header(set_audit, places),
        night.section(set_audit, places),
        f"<h2>The rig</h2>\n{circuit.circuit(set_audit)}",
        *_sections(riskiest, places, pictures),
        notes.faults(set_audit),
        notes.assumptions(set_audit),
        notes.sources(set_audit),
        notes.cautions(),
        *(_figures(track, places[id(track)], pictures[id(track)], most) for track in riskiest),
        _night(set_audit, most),
        _data("report", records.document(set_audit, exit_status=exit_status)),
    ]
    return put_together("\n".join(each for each in body if each), _title(set_audit))


def put_together(body: str, title: str) -> str:
    """A page of this body, with plotly, the page's own script and its style.

    Parameters
    ----------
    body : str
        Markup; a figure that it shows has its data in a script of the id "plots-" and its key.
    title : str
        Text.
    """
    return _ascii(_document(body, title))


def _title(set_audit: SetAudit) -> str:
    return f"Audit of the HF driver: {os.path.basename(set_audit.rig.path)}"


def _header(set_audit: SetAudit, places: dict[int, Place]) -> str:
    return (
        f"<header><h1>Will this programme hurt the HF driver?</h1>\n{overview.answer(set_audit, places)}\n"
        "<noscript><p>The plots need scripts, which are switched off here; every figure stands in the text.</p>"
        "</noscript>"
        f"</header>\n{overview.table(set_audit, places)}"
    )


def _sections(riskiest: list[Audit], places: dict[int, Place], pictures: dict[int, Spectrum | str]) -> list[str]:
    if not riskiest:
        return []
    several = len(riskiest) > 1
    buttons = (
        '<div class="tools"><button type="button" id="open-all">Open all</button>'
        '<button type="button" id="close-all">Close all</button>'
        '<button type="button" id="print">Print what is open</button></div>'
    )
    sections = []
    for number, track in enumerate(riskiest):
        picture = pictures[id(track)]
        no_picture = picture if isinstance(picture, str) else ""
        sections.append(tracks.section(track, places[id(track)], is_open=number == 0, no_picture=no_picture))
    return [
        f'<h2 id="tracks" tabindex="-1">{"Track by track" if several else "The track in time"}</h2>',
        buttons,
        *sections,
    ]


def _figures(track: Audit, place: Place, picture: Spectrum | str, most: int) -> str:
    spectrum = None if isinstance(picture, str) else picture
    drawn = {"timeline": plots.timeline(track, spectrum, most=most)}
    if spectrum is not None:
        drawn["octaves"] = third_octaves.mean(spectrum, track.rig.crossover)
    return _data(f"plots-{place.key}", drawn)


def _night(set_audit: SetAudit, most: int) -> str:
    drawn = night.plots(set_audit, most=most)
    return "" if drawn is None else _data(f"plots-{night.KEY}", drawn)


def _data(key: str, document: object) -> str:
    return f'<script type="application/json" id="{key}">{markup.data(document)}</script>'


def _document(body: str, title: str) -> str:
    from plotly.offline import get_plotlyjs

    scripts = [_script(get_plotlyjs()), _script(_own("page.js"))]
    hashes = " ".join(f"'sha256-{_sha256(each)}'" for each in scripts)
    policy = (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<meta name="color-scheme" '
        f'content="light dark">\n<meta name="referrer" content="no-referrer">\n<title>{markup.text(title)}</title>\n'
        f"<style>\n{_own('style.css')}</style>\n</head>\n<body>\n<main>\n{body}\n</main>\n"
        + "\n".join(f"<script>{each}</script>" for each in scripts)
        + "\n</body>\n</html>\n"
    )


def _own(file: str) -> str:
    return resources.files("auditor.report.page").joinpath(file).read_text(encoding="utf-8")


def _script(source: str) -> str:
    """A script in plain ASCII, so that its hash holds in whatever encoding the page is written."""
    lines = source.replace("\r\n", "\n")
    return re.sub(r"[^\t\n -~]", lambda found: f"\\u{ord(found.group()):04x}", lines)


def _sha256(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("ascii")).digest()).decode("ascii")


def _ascii(page: str) -> str:
    return page.encode("ascii", "xmlcharrefreplace").decode("ascii")
