"""`--order set`: what is refused, and a set played through on the terminal, on the page, in JSON, CSV and pictures."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from auditor.audit_types import Passage, SetAudit
from auditor.night_types import Pause
from auditor.report import records
from auditor.report.terminal import make_console, render_text
from tests.cli.harness import Result, noise, run, settle, write
from tests.cli.sample_audit import sample_set
from tests.cli.sample_night import sample_night
from tests.cli.sample_page import HOSTILE, hostile_set, read, sample_page
from tests.cli.test_page import differing

NAMES = [track.name for track in sample_set().tracks]


def text_of(audit: SetAudit, width: int = 100) -> str:
    file = io.StringIO()
    render_text(audit, console=make_console(file, width=width, no_color=True, environ={}))
    return file.getvalue()


def words_of(audit: SetAudit) -> str:
    """The report's sentences without their line breaks."""
    return " ".join(text_of(audit).split())


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return settle(tmp_path, monkeypatch)


def checked(*arguments: str | Path) -> Result:
    return run("check", *arguments, "--rig", "rig.toml")


# --- arguments -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--gap-s", "3"), "--gap-s: goes with --order set"),
        (("--order", "set", "--gap-s", "nan"), "nan is no time"),
        (("--order", "set", "--gap-s", "-1"), "-1.0 is not in the range 0.0<=x<=86400.0"),
        (("--order", "set", "--gap-s", "inf"), "inf is not in the range"),
        (("--order", "set", "--gap-s", "soon"), "'soon' is not a valid float"),
        (("--order", "night"), "'night' is not one of 'tracks', 'set'"),
    ],
)
def test_what_is_no_order_or_no_gap_is_refused(folder: Path, arguments: tuple[str, ...], complaint: str) -> None:
    result = checked(noise(folder / "a.wav"), *arguments)
    assert result.status == 2
    assert complaint in result.err
    assert "Traceback" not in result.err


# --- from file to report ---------------------------------------------------------------------------------------------


def document_of(*arguments: str | Path) -> dict[str, Any]:
    document = checked(*arguments, "--format", "json").document
    jsonschema.Draft202012Validator(records.schema()).validate(document)
    return document


def test_the_night_is_in_the_document_only_where_it_is_asked_for(folder: Path) -> None:
    paths = [noise(folder / f"{name}.wav", duration_s=1.5) for name in "ab"]
    assert "night" not in document_of(*paths)
    night = document_of(*paths, "--order", "set")["night"]
    assert (night["gap_s"], night["duration_s"]) == (2.0, 5.0)  # 2 s is the program's own choice
    assert [(each["start_s"], each["end_s"]) for each in night["timeline"]] == [(0.0, 1.5), (3.5, 5.0)]
    assert [Path(each["track"]).name for each in night["timeline"]] == ["a.wav", "b.wav"]
    assert night["effect"]["at_risk_in_place"] == []
    assert document_of(*paths, "--order", "set", "--gap-s", "0")["night"]["duration_s"] == 3.0
    assert document_of(*paths, "--order", "set", "--gap-s", "7200")["night"]["duration_s"] == 7203.0


def test_a_file_that_cannot_be_read_is_left_out_and_said(folder: Path) -> None:
    paths = [noise(folder / "a.wav"), folder / "b.wav", noise(folder / "c.wav")]
    paths[1].write_bytes(b"RIFF no such thing")
    result = checked(*paths, "--order", "set")
    assert result.status == 2
    assert "What could not be read is left out of the night: its heat is not counted." in result.out
    assert document_of(*paths, "--order", "set")["night"]["duration_s"] == pytest.approx(2.5)


def test_nothing_that_can_be_read_is_no_night(folder: Path) -> None:
    (folder / "b.wav").write_bytes(b"RIFF no such thing")
    for style in ("text", "json", "html", "csv"):
        result = checked("b.wav", "--order", "set", "--format", style)
        assert result.status == 2
        assert "The night" not in result.out


def test_every_kind_of_report_tells_of_the_track_in_its_place(folder: Path) -> None:
    """Loud, then a track so short that only the heat and the minute before it can be the trouble."""
    loud = np.random.default_rng(1).standard_normal((48_000 * 20, 1)) * 0.9
    paths = [write(folder / "a.wav", loud), noise(folder / "b.wav", duration_s=0.2)]
    arguments = (*paths, "--order", "set", "--gap-s", "0")
    document = document_of(*arguments)
    cold = document_of(*paths)
    assert document["tracks"][1]["channels"][0]["coil_temp_max_c"] > cold["tracks"][1]["channels"][0]["coil_temp_max_c"]
    assert document["set"]["margin_db"] == pytest.approx(cold["set"]["margin_db"], abs=0.5)
    lines = checked(*arguments, "--format", "csv").out.splitlines()[1:]
    assert len(lines) == sum(len(track["passages"]) for track in document["tracks"])
    reader = read(checked(*arguments, "--format", "html").out)
    assert differing(reader)[1] == []
    assert reader.json("report")["night"] == document["night"]
    for style in ("png", "vtt"):
        result = checked(*arguments, "--format", style, "-o", f"night.{style}")
        assert result.status == 1
        assert "error" not in result.err


# --- words -----------------------------------------------------------------------------------------------------------


def test_the_night_stands_on_the_terminal_at_every_width() -> None:
    for width in (60, 80, 100, 120, 200):
        lines = text_of(sample_night(), width).splitlines()
        assert max(map(len, lines)) <= width
        start = next(number for number, line in enumerate(lines) if "The night: " in line)
        picture = lines[start : start + 9]
        assert any(line.startswith(" Track ") and "1C" in line and "4R" in line for line in picture)
        assert any(" 3   R " in line for line in lines[start:])
    assert "The night" not in text_of(sample_set())


def test_many_tracks_fit_into_the_picture() -> None:
    audit = sample_set(tracks=sample_set().tracks * 30)
    lines = text_of(sample_night(audit), 80).splitlines()
    assert max(map(len, lines)) <= 80
    assert len(next(line for line in lines if line.startswith(" Track "))) <= 80


def test_the_hottest_moment() -> None:
    night = sample_night().night
    assert night is not None
    place = next(each for each in night.timeline if each.track == night.hottest.track)
    minutes, seconds = divmod(int(place.start_s + 12.5), 60)
    assert f"0:12 into it, {minutes}:{seconds:02d} into the night." in words_of(sample_night())


@pytest.mark.parametrize(
    ("effect", "said"),
    [
        ({}, "in its place. No track is at risk in this order."),
        (
            {"at_risk_alone": (NAMES[3],)},
            "04-feedback-squeal.wav is at risk by itself, from cold: neither another order nor a pause helps there.",
        ),
        (
            {"at_risk_alone": (NAMES[2], NAMES[3])},
            "03-night-ferry-dance-mix.mp3 and 04-feedback-squeal.wav are at risk by themselves, from cold",
        ),
        (
            {"at_risk_in_place": (NAMES[2],), "order_count": 23, "every_order": True},
            "Neither another order nor a pause helps: all 23 others were played, not even 1:00:00 is enough.",
        ),
        (
            {"at_risk_in_place": (NAMES[2],), "order_count": 40},
            "none of the likeliest of 40 others does, though there may be one, not even 1:00:00 is enough.",
        ),
        (
            {"at_risk_in_place": (NAMES[2],), "pauses": (Pause(track=NAMES[2], pause_s=206.0),), "order_count": 40},
            "A pause helps: 3:26 of silence before 03-night-ferry-dance-mix.mp3, in place of 3 s of silence.",
        ),
        (
            {
                "at_risk_in_place": (NAMES[2],),
                "order": (NAMES[2], NAMES[0], NAMES[1], NAMES[3]),
                "order_coil_temp_max_c": 150.0,
            },
            "Another order helps: 03-night-ferry-dance-mix.mp3 first of all; hottest coil then 150 °C. "
            "→ A pause does not help: not even 1:00:00 is enough.",
        ),
        (
            {"at_risk_in_place": (NAMES[2],), "order": (NAMES[1], NAMES[2], NAMES[0], NAMES[3])},
            "02-harbour-walk-guitar.flac right after 03-night-ferry-dance-mix.mp3",
        ),
        (
            {"at_risk_in_place": (NAMES[2],), "order": (NAMES[2], NAMES[1], NAMES[0], NAMES[3])},
            "02-harbour-walk-guitar.flac and 03-night-ferry-dance-mix.mp3 change places",
        ),
        (
            {"at_risk_in_place": (NAMES[2],), "order": (NAMES[3], NAMES[2], NAMES[1], NAMES[0])},
            "Another order helps: 4, 3, 2, 1 (numbers of the tracks as they are now)",
        ),
    ],
)
def test_the_order_s_effect_in_plain_words(effect: dict[str, Any], said: str) -> None:
    assert said in words_of(sample_night(**effect))
    assert jsonschema.Draft202012Validator(records.schema()).is_valid(
        records.document(sample_night(**effect), exit_status=1)
    )


# --- page ------------------------------------------------------------------------------------------------------------


def test_figures_of_the_night_are_those_of_the_document() -> None:
    reader = read(sample_page(sample_night()))
    count, wrong = differing(reader)
    assert wrong == []
    pointers = {each.attributes.get("data-at") or "" for each in reader.elements}
    assert len({each for each in pointers if each.startswith("/night/")}) == 1 + 4 * 4
    assert count > len(pointers)


def test_names_stay_text_in_the_night() -> None:
    audit = hostile_set()
    page = sample_page(sample_night(audit, at_risk_in_place=tuple(track.name for track in audit.tracks)))
    for hostile in HOSTILE[:3]:
        assert hostile not in page
    assert "<svg onload" not in page


def test_a_part_that_is_lost_before_is_said_in_place_of_a_margin() -> None:
    sample = sample_set()
    tracks = (*sample.tracks[:3], replace(sample.tracks[3], lost_channels=(1,), margin_db=None, margin_limited_by=None))
    audit = sample_night(replace(sample, tracks=tracks))
    words = words_of(audit)
    assert "The lamp is burnt out before it starts." in words
    assert "The lamp (channel 2) is burnt out by what is played before: turn that down, and replace the lamp." in words
    assert "part lost" in words
    assert "part lost" in sample_page(audit)


def test_a_risk_only_behind_a_lamp_off_its_rating_is_said_beside_the_hottest_coil() -> None:
    said = "into the night, and over its limit behind a lamp with more than its rated current, as makers allow."
    audit = sample_night()
    assert said not in words_of(audit)
    limit_c = audit.rig.driver.coil_temp_limit_c
    heated = Passage(
        start_s=1.0,
        end_s=2.0,
        channel=0,
        verdict="risk",
        cause="coil_temp",
        value=limit_c + 2.0,
        limit=limit_c,
        unit="C",
        part_at="latest",
    )
    tracks = (replace(audit.tracks[0], verdict="risk", passages=(heated,)),)
    cooler = replace(audit, tracks=tracks, coil_temp_max_c=limit_c - 2.0)
    assert said in words_of(sample_night(cooler))
    assert said in sample_page(sample_night(cooler))
