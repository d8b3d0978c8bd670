"""Titles from tags: where they are read, what is made of hostile ones, where they are shown."""

from __future__ import annotations

import struct
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from auditor.programme import decode, tags
from auditor.programme.entry import Entry
from tests.cli.harness import RIG, finish, run, spawn

RATE_HZ = 48_000
SOUND = (0.05 * np.random.default_rng(3).standard_normal((RATE_HZ // 2, 2))).astype(np.float32)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("rig.toml").write_text(RIG)
    return tmp_path


def through_libsndfile(path: str, **named: str) -> None:
    with soundfile.SoundFile(path, "w", RATE_HZ, 2) as sound:
        for key, value in named.items():
            setattr(sound, key, value)
        sound.write(SOUND)


def through_ffmpeg(path: str, codec: str, **named: str) -> None:
    with av.open(path, "w") as container:
        stream = container.add_stream(codec, rate=RATE_HZ, layout="stereo")
        container.metadata.update(named)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(SOUND.T), format="fltp", layout="stereo")
        frame.sample_rate = RATE_HZ
        for each in (frame, None):
            container.mux(stream.encode(each))


def frame(name: bytes, value: bytes) -> bytes:
    return name + struct.pack(">L", len(value)) + b"\0\0" + value


def id3(body: bytes) -> bytes:
    """An ID3v2.3 tag."""
    return b"ID3\x03\0\0" + bytes(len(body) >> shift & 127 for shift in (21, 14, 7, 0)) + body


def tagged_mp3(path: str, body: bytes) -> str:
    soundfile.write("bare.mp3", SOUND, RATE_HZ)
    Path(path).write_bytes(id3(body) + Path("bare.mp3").read_bytes())
    return path


def title_of(path: str) -> str | None:
    return tags.titled(decode.inspect(path)).entry.title


@pytest.mark.parametrize("suffix", ["wav", "flac", "ogg", "mp3", "aiff", "m4a", "mka", "mov"])
def test_every_kind_of_tag(folder: Path, suffix: str) -> None:
    path = f"a.{suffix}"
    if suffix in ("m4a", "mka", "mov"):
        through_ffmpeg(path, "aac", title="Stück ü", artist="Die Größen")
    else:
        through_libsndfile(path, title="Stück ü", artist="Die Größen")
    assert title_of(path) == "Die Größen - Stück ü"


def test_an_id3_tag_inside_a_wav(folder: Path) -> None:
    tag = id3(frame(b"TIT2", b"\x01" + "Nacht".encode("utf-16")))
    soundfile.write("a.wav", SOUND, RATE_HZ)
    whole = Path("a.wav").read_bytes() + b"id3 " + struct.pack("<L", len(tag)) + tag
    Path("a.wav").write_bytes(whole[:4] + struct.pack("<L", len(whole) - 8) + whole[8:])
    assert title_of("a.wav") == "Nacht"


def test_a_title_alone_an_artist_alone_and_neither(folder: Path) -> None:
    through_libsndfile("a.flac", title="Alone")
    through_libsndfile("b.flac", artist="Somebody")
    through_libsndfile("c.flac")
    assert [title_of(path) for path in ("a.flac", "b.flac", "c.flac")] == ["Alone", None, None]
    assert tags.titled(decode.inspect(Entry(path="a.flac", title="Of the playlist"))).entry.title == "Of the playlist"


def test_latin_1_in_a_wav(folder: Path) -> None:
    text = b"INAM" + struct.pack("<L", 4) + b"\xfcber"
    chunk = b"LIST" + struct.pack("<L", 4 + len(text)) + b"INFO" + text
    soundfile.write("a.wav", SOUND, RATE_HZ)
    whole = Path("a.wav").read_bytes() + chunk
    Path("a.wav").write_bytes(whole[:4] + struct.pack("<L", len(whole) - 8) + whole[8:])
    assert title_of("a.wav") == "über"


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("a\x1b[31mb\nc\td", "a [31mb c d"),
        ("\u202egnp.exe\u2066", "gnp.exe"),
        ("x" * 5_000_000, "x" * 197 + "..."),
        (" \u200b\x00 ", None),
        ("\ud800 lone", "lone"),
        ("שלום", "שלום"),
        ("", None),
    ],
)
def test_hostile_text(raw: str, shown: str | None) -> None:
    assert tags.cleaned(raw) == shown


MEGABYTES = 10 << 20


@pytest.mark.parametrize(
    ("body", "title"),
    [
        (frame(b"TIT2", b"\x03Big") + frame(b"APIC", b"\0image/png\0\x03\0" + bytes(MEGABYTES)), "Big"),
        (frame(b"APIC", b"\0image/png\0\x03\0" + bytes(MEGABYTES)) + frame(b"TIT2", b"\x03Big"), "Big"),
        (frame(b"TIT2", b"\x03" + b"B" * MEGABYTES), "B" * 197 + "..."),
        (frame(b"TIT2", b"\x03a") * (MEGABYTES // 12), "a"),
        (frame(b"TXXX", b"\0d\0v") * (MEGABYTES // 14), None),
        (b"\xff" * MEGABYTES, None),
    ],
    ids=["art last", "art first", "long title", "many titles", "many texts", "rubbish"],
)
def test_tags_of_10_mb(folder: Path, body: bytes, title: str | None) -> None:
    # Frame by frame in Python, with a copy of the rest for each, some of these take longer than `finish` waits.
    tagged_mp3("big.mp3", body)
    result = finish(spawn("check", "big.mp3", "-r", "rig.toml", "--format", "json"))
    assert result.document["tracks"][0]["title"] == (title or "big.mp3")


@pytest.mark.parametrize("cut", [3, 9, 11, 25, 40])
def test_damaged_tags_are_no_tags(folder: Path, cut: int) -> None:
    whole = Path(tagged_mp3("a.mp3", frame(b"TIT2", b"\x03Whole title"))).read_bytes()
    Path("b.mp3").write_bytes(whole[:cut] + whole[cut + 7 :])
    result = run("check", "b.mp3", "-r", "rig.toml", "--format", "json")
    assert "Traceback" not in result.err
    assert len(result.document["tracks"]) + len(result.document["errors"]) >= 1


def test_where_the_title_is_shown(folder: Path) -> None:
    through_libsndfile("one.flac", title="Twin")
    through_libsndfile("two.flac", title="Twin")
    through_libsndfile("three.flac", title="Three", artist="<b>&")
    sound = ["one.flac", "two.flac", "three.flac"]
    document = run("check", *sound, "-r", "rig.toml", "--format", "json").document
    assert [track["title"] for track in document["tracks"]] == ["Twin", "Twin", "<b>& - Three"]
    assert [track["path"] for track in document["tracks"]] == sound
    text = run("check", *sound, "-r", "rig.toml").out
    assert "Twin (one.flac)" in text
    assert "<b>& - Three " in text
    assert "File: three.flac" in text
    page = run("check", *sound, "-r", "rig.toml", "--format", "html").out
    assert "&lt;b&gt;&amp; - Three" in page
    assert "<b>& - Three" not in page
    cues = run("check", "three.flac", "-r", "rig.toml", "--format", "vtt").out
    assert "Passages of <b>& - Three (three.flac)" in cues
    run("check", "three.flac", "-r", "rig.toml", "--format", "svg", "-o", "a.svg")
    assert "HF driver: &lt;b&gt;&amp; - Three" in Path("a.svg").read_text()
    assert run("check", "three.flac", "-r", "rig.toml", "--format", "csv").out.startswith("path,")
