"""Pages made from audits made up by hand, and what a reader of HTML finds in them."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from typing import Any

import numpy as np

from auditor.audit_types import SetAudit
from auditor.programme.spectrum import BANDS_HZ, Spectrum
from auditor.report import page
from tests.cli.sample_audit import sample_set, sample_track

# Names as no one would give them and everyone may meet them: markup, quotes, controls, directions.
HOSTILE = (
    "<script>alert(1)</script>.wav",
    "\"><img src=x onerror=alert(2)>'.flac",
    "</script><svg onload=alert(3)>&amp;<!--.wav",
    "dash\x1b[31m\x00\x07bell\r\nline\u2028sep.wav",
    "\u202egnp.exe\u2066\u200f\u05e9\u05dc\u05d5\u05dd.wav",
    "{{7*7}}${7*7}%s\udcff.wav",
)
_VOID = {"meta", "link", "br", "img", "input", "hr"}


def sample_spectrum(duration_s: float) -> Spectrum:
    """A falling spectrum that goes up and down in time."""
    bands = np.arange(len(BANDS_HZ))
    level_dbfs = (-20.0 - 0.6 * np.abs(bands - 8)).astype(np.float32)
    steps = 600
    wave_db = 8.0 * np.sin(np.arange(steps) / 30.0)[:, None]
    return Spectrum(
        band_level_dbfs=level_dbfs, step_s=duration_s / steps, picture_dbfs=(level_dbfs + wave_db).astype(np.float32)
    )


def sample_page(set_audit: SetAudit | None = None, *, exit_status: int = 1) -> str:
    """The page of a set, by default the four tracks that show every verdict."""
    found = sample_set() if set_audit is None else set_audit
    return page.render(found, [sample_spectrum(each.duration_s) for each in found.tracks], exit_status=exit_status)


def hostile_set() -> SetAudit:
    """The sample set under names that try to be more than names, in every place that text from outside gets to."""
    sample = sample_set()
    tracks = tuple(
        replace(
            track,
            path=f"set/{name}",
            notes=(f"title {name}",),
            unjudged=(f"{name}; the rest",) if number == 0 else (),
        )
        for number, (track, name) in enumerate(zip(sample.tracks, HOSTILE, strict=False))
    )
    more = tuple(
        sample_track(f"set/{name}", np.full(80, 20.0), margin_db=1.0, limited_by="coil_temp")
        for name in HOSTILE[len(tracks) :]
    )
    rig = replace(
        sample.rig, path=f"rigs/{HOSTILE[1]}", protection=replace(sample.rig.protection, part=HOSTILE[0])
    )  # fmt: skip
    tracks = tuple(replace(track, rig=rig) for track in (*tracks, *more))
    errors = tuple(replace(sample.errors[0], path=name, message=f"{name}: {HOSTILE[2]}") for name in HOSTILE)
    return replace(sample, rig=rig, tracks=tracks, errors=errors, worst_track=tracks[3].path)


@dataclass
class Element:
    """One element: its tag, its attributes and its text, that of its children in it."""

    tag: str
    attributes: dict[str, str | None]
    text: str = ""


@dataclass
class Reader(HTMLParser):
    """Every element of a page."""

    elements: list[Element] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self._open: list[Element] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, dict(attrs))
        self.elements.append(element)
        if tag not in _VOID:
            self._open.append(element)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(Element(tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open
        assert self._open.pop().tag == tag

    def handle_data(self, data: str) -> None:
        for element in self._open:
            element.text += data

    @property
    def unclosed(self) -> list[str]:
        return [element.tag for element in self._open]

    def of(self, tag: str, **attributes: str) -> list[Element]:
        """Elements of a tag that have these attributes; `class_` stands for one of the classes."""
        wanted = {key.rstrip("_").replace("_", "-"): value for key, value in attributes.items()}
        return [
            each
            for each in self.elements
            if each.tag == tag
            and all(value in (each.attributes.get(key) or "").split(" ") for key, value in wanted.items())
        ]

    def json(self, key: str) -> Any:
        """The data that travel under this name."""
        (element,) = self.of("script", id=key)
        return json.loads(element.text)


def read(text: str) -> Reader:
    """The page as a reader of HTML sees it."""
    reader = Reader()
    reader.feed(text)
    reader.close()
    return reader
