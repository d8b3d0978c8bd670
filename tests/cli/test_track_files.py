"""One file for each track: pictures of the timeline, and passages as WebVTT cues read by the letter of its grammar."""

from __future__ import annotations

import io
import re
import struct
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass, replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from auditor import demo, track_files
from auditor.audit_types import Audit, Passage
from auditor.report.cues import to_vtt
from auditor.report.font import drawable
from auditor.report.pictures import write_picture
from tests.cli.harness import Result, noise, run, settle, write
from tests.cli.sample_audit import sample_set
from tests.cli.test_imports import NUMERICAL, imported

HOSTILE = 'a_b$c$_漢字 <img src=x onerror=1> & "q" --> {x} \x1b[31m\u202e\u2028\n\n00:01.000 --> 00:02.000\nno.wav'
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return settle(tmp_path, monkeypatch)


def check(*arguments: str | Path, style: str, encoding: str = "utf-8") -> Result:
    return run("check", *arguments, "--rig", "rig.toml", "--format", style, encoding=encoding)


# ---------------------------------------------------------------- WebVTT


@dataclass(frozen=True)
class Cue:
    name: str
    start_s: float
    end_s: float
    text: str


_TIMESTAMP = re.compile(r"(?:(\d{2,}):)?([0-5]\d):([0-5]\d)\.(\d{3})")
_SPAN = re.compile(r"(?:[^&<\n\r]|&(?:amp|lt|gt|lrm|rlm|nbsp);)+")


def seconds(timestamp: str) -> float:
    match = _TIMESTAMP.fullmatch(timestamp)
    assert match, timestamp
    hours, minutes, whole, milliseconds = match.groups()
    return 3600.0 * int(hours or 0) + 60.0 * int(minutes) + int(whole) + int(milliseconds) / 1000.0


def parse(text: str) -> list[Cue]:
    """Cues of a file that keeps to the W3C's syntax ("WebVTT file body", section 4.1), or an assertion that fails."""
    assert "\0" not in text
    assert "\r" not in text
    header, *blocks = re.split(r"\n{2,}", text.removesuffix("\n"))
    assert re.fullmatch(r"WEBVTT(?:[ \t][^\n]*)?", header)
    cues: list[Cue] = []
    for block in blocks:
        lines = block.split("\n")
        if re.match(r"NOTE(?:[ \t\n]|$)", block):
            assert "-->" not in block
            continue
        name = ""
        if "-->" not in lines[0]:
            name, *lines = lines
        start, end = lines[0].split(" --> ")
        assert "-->" not in "\n".join(lines[1:])
        assert len(lines) > 1
        assert all(_SPAN.fullmatch(line) for line in lines[1:])
        cue = Cue(name, seconds(start), seconds(end), unescape("\n".join(lines[1:])))
        assert cue.start_s < cue.end_s
        assert not cues or cues[-1].start_s <= cue.start_s
        cues.append(cue)
    assert len({cue.name for cue in cues}) == len(cues)
    return cues


@pytest.mark.parametrize(
    "wrong",
    [
        "WEBVTT FILE\n\n1\n00:00:01.000 --> 00:00:01.000\nx\n",
        "WEBVTT\n\n1\n00:01.00 --> 00:02.000\nx\n",
        "WEBVTT\n\n1\n00:01.000 --> 00:02.000\na & b\n",
        "WEBVTT\n\n1\n00:01.000 --> 00:02.000\na <b>\n",
        "WEBVTT\n\nNOTE a --> b\n",
        "WEBVTTX\n",
        "WEBVTT\n\n2\n00:03.000 --> 00:04.000\nx\n\n1\n00:01.000 --> 00:02.000\nx\n",
    ],
)
def test_the_parser_would_notice(wrong: str) -> None:
    with pytest.raises(AssertionError):
        parse(wrong)


@pytest.mark.parametrize("track", sample_set().tracks, ids=lambda track: track.verdict)
def test_one_cue_for_each_passage(track: Audit) -> None:
    cues = parse(to_vtt(track))
    assert len(cues) == len(track.passages)
    for cue, passage in zip(cues, sorted(track.passages, key=lambda each: (each.start_s, each.end_s)), strict=True):
        assert cue.start_s == pytest.approx(passage.start_s, abs=0.0006)
        end_s = track.duration_s if passage.cause == "protection_failed" else passage.end_s
        assert cue.end_s == pytest.approx(end_s, abs=0.0006)


def test_words_of_a_cue() -> None:
    first = parse(to_vtt(sample_set().tracks[3]))[0]
    assert first.text == "E lamp working: 6.0 dB, counted from 1 dB on, channel 2"
    texts = " | ".join(cue.text for cue in parse(to_vtt(sample_set().tracks[3])))
    assert "R coil temperature: >500 °C, limit 180 °C, channel 2" in texts
    assert "R lamp burns out: 3695 K, limit 3695 K, channel 2" in texts


def passage_of(start_s: float, end_s: float) -> Passage:
    return replace(sample_set().tracks[3].passages[0], start_s=start_s, end_s=end_s)


@pytest.mark.parametrize(
    ("start_s", "end_s", "shown"),
    [
        (0.0, 0.0, "00:00:00.000 --> 00:00:00.001"),
        (59.9996, 60.0, "00:01:00.000 --> 00:01:00.001"),
        (3599.9994, 3600.0, "00:59:59.999 --> 01:00:00.000"),
        (-0.5, 1.0, "00:00:00.000 --> 00:00:01.000"),
        (360_000.0, 360_001.5, "100:00:00.000 --> 100:00:01.500"),
    ],
)
def test_times(start_s: float, end_s: float, shown: str) -> None:
    text = to_vtt(replace(sample_set().tracks[3], passages=(passage_of(start_s, end_s),)))
    assert shown in text.splitlines()
    parse(text)


def test_order_of_start_whatever_the_order_found() -> None:
    passages = (passage_of(5.0, 6.0), passage_of(1.0, 9.0), passage_of(1.0, 2.0))
    cues = parse(to_vtt(replace(sample_set().tracks[3], passages=passages)))
    assert [(cue.start_s, cue.end_s) for cue in cues] == [(1.0, 2.0), (1.0, 9.0), (5.0, 6.0)]


def test_hostile_name_makes_no_cue() -> None:
    track = replace(sample_set().tracks[3], path=f"x/{HOSTILE}")
    assert len(parse(to_vtt(track))) == len(track.passages)


def test_nothing_flagged() -> None:
    text = to_vtt(sample_set().tracks[0])
    assert parse(text) == []
    assert "flagged for the HF driver: none" in text


class Screen(io.BytesIO):
    """Can be read when the stream on top of it is gone."""

    def close(self) -> None:
        pass


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_vtt_on_the_screen_is_utf8_always(folder: Path, encoding: str) -> None:
    clip = next(path for path in demo.demo_paths() if path.name.startswith("07"))
    rig = demo.demo_rig_path()
    screen = Screen()
    result = run("check", clip, "--rig", rig, "--format", "vtt", encoding=encoding, stdout=screen)
    assert (result.status, result.err) == (1, "")
    text = screen.getvalue().decode("utf-8")
    assert "°C" in text
    passages = run("check", clip, "--rig", rig, "--format", "json").document["tracks"][0]["passages"]
    cues = parse(text)
    assert [cue.start_s for cue in cues] == pytest.approx([each["start_s"] for each in passages], abs=0.001)


# ---------------------------------------------------------------- names


@pytest.mark.parametrize("style", ["png", "svg", "vtt"])
def test_one_track_has_the_name_given(folder: Path, style: str) -> None:
    noise(folder / "a.wav")
    result = check("a.wav", "-o", f"x.{style}", style=style)
    assert (result.status, result.out, result.err) == (0, "", "")
    assert sorted(path.name for path in folder.glob("x*")) == [f"x.{style}"]


@pytest.mark.parametrize("style", ["png", "svg", "vtt"])
def test_several_tracks_are_numbered(folder: Path, style: str) -> None:
    for name in ("a.wav", "b.wav", "c.wav"):
        noise(folder / name)
    (folder / "b.wav").write_text("no sound")
    result = check("a.wav", "b.wav", "c.wav", "-o", f"x.{style}", style=style)
    assert result.status == 2
    assert sorted(path.name for path in folder.glob("x*")) == [f"x-01.{style}", f"x-03.{style}"]
    assert f"x-03.{style}: c.wav" in result.complaints
    if style == "vtt":
        assert "c.wav" in (folder / "x-03.vtt").read_text()


def test_no_number_over_what_is_read(folder: Path) -> None:
    kept = noise(folder / "x-01.wav").read_bytes()
    noise(folder / "x-02.wav")
    result = check("x-01.wav", "x-02.wav", "-o", "x.wav", style="png")
    assert result.status == 2
    assert "one of the files to be read" in result.err
    assert (folder / "x-01.wav").read_bytes() == kept


@pytest.mark.parametrize(
    ("style", "files", "words"),
    [
        ("png", ["a.wav"], "not to the screen (add -o FILE.png)"),
        ("svg", ["a.wav", "b.wav"], "not to the screen (add -o FILE.svg)"),
        ("vtt", ["a.wav", "b.wav"], "one file for each track, and there are 2 (-o FILE.vtt makes FILE-01.vtt"),
    ],
)
def test_not_on_the_screen(folder: Path, style: str, files: list[str], words: str) -> None:
    for name in files:
        noise(folder / name)
    result = check(*files, style=style)
    assert (result.status, result.out) == (2, "")
    (line,) = result.complaints
    assert words in line


def test_matplotlib_missing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    noise(folder / "a.wav")
    monkeypatch.setattr(track_files, "find_spec", lambda name: None)
    result = check("a.wav", "-o", "x.png", style="png")
    assert result.status == 2
    assert result.complaints == [
        "error: pictures need matplotlib, which is not installed (pip install 'tweeter-auditor[pictures]')"
    ]
    assert check("a.wav", style="vtt").status == 0


def test_output_in_a_missing_folder(folder: Path) -> None:
    noise(folder / "a.wav")
    assert "no such folder" in check("a.wav", "-o", "none/x.png", style="png").err


def test_nothing_to_draw(folder: Path) -> None:
    result = check("gone.wav", "-o", "x.png", style="png")
    assert result.status == 2
    assert not (folder / "x.png").exists()


@pytest.mark.parametrize("arguments", [["check", "--help"], ["demo", "--format", "pgn"], ["demo", "--format", "png"]])
def test_help_and_refusals_do_without_matplotlib(tmp_path: Path, arguments: list[str]) -> None:
    _, packages = imported(*arguments, folder=tmp_path)
    assert "matplotlib" not in packages
    assert not packages & (NUMERICAL - {"numpy"})


# ---------------------------------------------------------------- pictures


def png_size(path: Path) -> tuple[int, int]:
    content = path.read_bytes()
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", content[16:24])
    return int(width), int(height)


@pytest.mark.parametrize("track", sample_set().tracks, ids=lambda track: Path(track.path).name)
def test_every_verdict_is_drawn(tmp_path: Path, track: Audit) -> None:
    write_picture(track, tmp_path / "a.png", "png")
    assert png_size(tmp_path / "a.png") == (1430, 988)
    write_picture(track, tmp_path / "a.svg", "svg")
    assert ElementTree.parse(tmp_path / "a.svg").getroot().tag == f"{SVG}svg"


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_same_picture_twice_is_the_same_file(tmp_path: Path, kind: str) -> None:
    for name in ("a", "b"):
        write_picture(sample_set().tracks[2], tmp_path / name, kind)  # type: ignore[arg-type]
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_hostile_name_is_text(tmp_path: Path) -> None:
    # Warnings are errors here: a glyph that the font lacks, or a formula that does not parse, would fail.
    track = replace(sample_set().tracks[3], path=f"x/{HOSTILE}")
    write_picture(track, tmp_path / "a.png", "png")
    write_picture(track, tmp_path / "a.svg", "svg")
    root = ElementTree.parse(tmp_path / "a.svg").getroot()
    assert not list(root.iter(f"{SVG}img"))
    assert not list(root.iter(f"{SVG}script"))
    assert not re.search(r"""(?:href|src)=["']https?:""", (tmp_path / "a.svg").read_text())


def test_names_keep_their_dollars_and_lose_what_cannot_be_drawn() -> None:
    assert drawable("a_b$c$ Größe") == "a_b$c$ Größe"
    assert drawable("漢\x1b\u202e\ud800") == "\N{REPLACEMENT CHARACTER}" * 4


def test_whatever_matplotlib_is_set_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import matplotlib

    write_picture(sample_set().tracks[1], tmp_path / "a.png", "png")
    with matplotlib.rc_context({"text.usetex": True, "figure.facecolor": "black", "font.size": 40.0}):
        write_picture(sample_set().tracks[1], tmp_path / "b.png", "png")
        assert matplotlib.rcParams["text.usetex"]
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()


@pytest.mark.parametrize("samples", [1, 100, 48_000], ids=str)
@pytest.mark.parametrize("level", [0.0, 0.02])
@pytest.mark.parametrize("style", ["png", "svg"])
def test_short_and_silent_tracks(folder: Path, samples: int, level: float, style: str) -> None:
    write(folder / "a.wav", np.full((samples, 1), level))
    assert check("a.wav", "-o", f"x.{style}", style=style).status == 0
    assert (folder / f"x.{style}").stat().st_size > 1000


def test_beyond_any_scale(tmp_path: Path) -> None:
    track = sample_set().tracks[2]
    traces = track.channels[1].traces
    wild = traces.coil_temp_c.copy()
    wild[::3], wild[1::3] = np.nan, np.inf
    wilder = replace(traces, coil_temp_c=wild, driver_power_1s_w=wild, unprotected_coil_temp_c=wild)
    channels = (track.channels[0], replace(track.channels[1], traces=wilder))
    write_picture(replace(track, channels=channels), tmp_path / "a.png", "png")
    assert png_size(tmp_path / "a.png") == (1430, 988)


def test_long_track_is_no_large_file(tmp_path: Path) -> None:
    # Four hours with a passage every few seconds.
    track = sample_set().tracks[2]
    one = track.channels[1].traces
    names = [name for name, value in vars(one).items() if isinstance(value, np.ndarray)]
    long = replace(one, **{name: np.resize(getattr(one, name), 65_536) for name in names}, step_s=14_400 / 65_536)
    channels = (track.channels[0], replace(track.channels[1], traces=long))
    passages = tuple(replace(track.passages[0], start_s=at, end_s=at + 2.0) for at in range(0, 14_400, 5))
    made = replace(track, duration_s=14_400.0, channels=channels, passages=passages)
    write_picture(made, tmp_path / "a.svg", "svg")
    assert (tmp_path / "a.svg").stat().st_size < 1_000_000
