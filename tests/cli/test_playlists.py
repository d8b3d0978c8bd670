"""Playlists as paths: every kind, encoding and separator; what is wrong with them is one line each."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from auditor.errors import AuditorError
from auditor.programme import decode, playlist
from auditor.programme.entry import Entry
from auditor.programme.files import search
from tests.cli.harness import RIG, run

RATE_HZ = 8000
NAMES = ("one.wav", "sub/zwei ü.wav")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for number, name in enumerate(NAMES):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        tone = 0.1 * np.sin(2.0 * np.pi * 1000.0 * (number + 1) * np.arange(RATE_HZ) / RATE_HZ)
        soundfile.write(path, tone, RATE_HZ)
    (tmp_path / "rig.toml").write_text(RIG)
    return tmp_path


def found(path: Path) -> tuple[list[Entry], list[str]]:
    entries, faults = search([str(path)])
    assert all("\n" not in fault.message for fault in faults)
    return entries, [fault.message for fault in faults]


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


TEXTS = {
    "m3u": "#EXTM3U\n#EXTINF:1,Eins\n{0}\n#EXTINF:1,Zwei ü\n{1}\n",
    "pls": "[playlist]\nFile2={1}\nFile1={0}\nTitle1=Eins\nTitle2=Zwei ü\nNumberOfEntries=2\n",
    "cue": 'FILE "{0}" WAVE\nTRACK 01 AUDIO\nTITLE "Eins"\nINDEX 01 00:00:00\n'
    'FILE "{1}" WAVE\nTRACK 02 AUDIO\nTITLE "Zwei ü"\nINDEX 01 00:00:00\n',
    "xspf": '<playlist xmlns="http://xspf.org/ns/0/"><trackList><track><location>{0}</location><title>Eins</title>'
    "</track><track><location>{1}</location><title>Zwei ü</title></track></trackList></playlist>",
}


@pytest.mark.parametrize("separator", ["/", "\\"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
@pytest.mark.parametrize("kind", TEXTS)
def test_every_kind_encoding_and_separator(folder: Path, kind: str, encoding: str, ending: str, separator: str) -> None:
    text = TEXTS[kind].format(NAMES[0], NAMES[1].replace("/", separator)).replace("\n", ending)
    entries, faults = found(write(folder / f"set.{kind}", text, encoding))
    assert faults == []
    assert [os.path.relpath(entry.path, folder) for entry in entries] == list(NAMES)
    assert [entry.title for entry in entries] == ["Eins", "Zwei ü"]


def test_cue_cuts_sample_for_sample(folder: Path) -> None:
    whole = np.random.default_rng(1).uniform(-0.5, 0.5, 3 * RATE_HZ).astype(np.float32)
    soundfile.write(folder / "long.flac", whole, RATE_HZ)
    sheet = 'FILE "long.wav" WAVE\n' + "".join(
        f'TRACK {n:02d} AUDIO\nTITLE "T{n}"\nINDEX 01 00:{at}\n' for n, at in [(1, "00:00"), (2, "01:15"), (3, "02:30")]
    )
    entries, faults = found(write(folder / "long.cue", sheet))
    assert faults == []
    read = []
    for entry in entries:
        programme = decode.inspect(entry)
        read.append(np.concatenate(list(decode.blocks(programme, decode.Finding()))))
        beyond = decode.read_again(programme, 0, -2, len(read[-1]) + 4)
        assert beyond is not None
        assert np.array_equal(beyond, np.pad(read[-1][:, 0], 2))
    assert [len(each) for each in read] == [9600, 9600, 4800]
    assert np.array_equal(np.concatenate(read)[:, 0], soundfile.read(folder / "long.flac", dtype="float32")[0])


def test_cut_tracks_and_repeats_in_the_report(folder: Path) -> None:
    sheet = 'FILE one.wav WAVE\nTRACK 01 AUDIO\nINDEX 01 00:00:00\nTRACK 02 AUDIO\nTITLE "B"\nINDEX 01 00:00:37\n'
    sheet += "TRACK 03 AUDIO\nINDEX 01 00:02:00\n"
    write(folder / "night.cue", sheet)
    path = write(folder / "set.m3u", "night.cue\none.wav\n#GAIN-DB:-6\none.wav\n")
    result = run("check", path, "-r", folder / "rig.toml", "--format", "json")
    tracks = result.document["tracks"]
    assert [track.get("title") for track in tracks] == ["track 1", "B", "one.wav", "one.wav"]
    assert tracks[1]["start_s"] == pytest.approx(37 / 75, abs=1e-3)
    assert tracks[1]["end_s"] == 2.0
    assert tracks[3]["gain_db"] == -6.0
    assert tracks[3]["loudness_lufs"] == pytest.approx(tracks[2]["loudness_lufs"] - 6.0, abs=0.01)
    assert tracks[3]["name"].endswith("one.wav (time 2)")
    assert "begins at 0:02.00, and the file ends at 0:01.00" in result.err
    assert "the track is to end at 0:02.00, and the file ends 1.0 s before" in result.err
    assert "played again" in result.err
    assert result.status == 2
    text = run("check", path, "-r", folder / "rig.toml")
    assert "track 1" in text.out
    page = run("check", path, "-r", folder / "rig.toml", "--format", "html")
    assert "track 1" in page.out


def test_what_is_wrong_is_said_and_the_rest_done(folder: Path) -> None:
    lines = [
        "http://radio.example/x.mp3",
        "gone.wav",
        "self.m3u",
        r"D:\Music\SUB\Zwei Ü.wav",
        "one.wav",
        "a\x01" * 5000,
    ]
    entries, faults = found(write(folder / "self.m3u", "\n".join(lines)))
    assert [os.path.relpath(entry.path, folder) for entry in entries] == [NAMES[1], NAMES[0]]
    assert "taken instead" in entries[0].notes[0]
    for wanted, fault in zip(
        ["never goes on a network", "no such file", "contains itself", "no such"], faults, strict=True
    ):
        assert wanted in fault
        assert len(fault) < 600


def test_other_bad_playlists(folder: Path) -> None:
    for name, data, wanted in [
        ("empty.m3u", b"#EXTM3U\n", "names no files"),
        ("binary.m3u", b"a\0b", "not text"),
        ("cut.xspf", b"<playlist><trackList><track>", "not valid XML"),
        ("bad.cue", b"FILE x.wav WAVE\nTRACK 01 AUDIO\nINDEX 01 0:99:0\n", "no time"),
        ("bomb.xspf", b'<!DOCTYPE l [<!ENTITY a "ha">]><playlist>&a;</playlist>', "document type"),
        ("huge.pls", b"File1=a\n" * 6_500_000, "too large for a playlist, got 49.6 MB; allowed: up to 16 MB"),
        ("over.pls", b"\n" * (playlist.MOST_BYTES + 1), "too large for a playlist, got 16.1 MB; allowed: up to 16 MB"),
        ("17.pls", b"\n" * (17 << 20), "too large for a playlist, got 17 MB; allowed: up to 16 MB"),
    ]:
        (folder / name).write_bytes(data)
        entries, faults = found(folder / name)
        assert entries == []
        assert len(faults) == 1
        assert wanted in faults[0]


def test_thousands_of_entries(folder: Path) -> None:
    entries, faults = found(write(folder / "long.m3u", "one.wav\n" * 5000))
    assert len({entry.name for entry in entries}) == 5000
    assert faults == []


PIECES = st.sampled_from(
    [*"\n\r\"<>&;= :/\\", "FILE", "TRACK", "INDEX 01 ", "00:00:00", " AUDIO", "TITLE ", "File1=", "Gain1=", "#EXTINF:",
     "<playlist>", "<trackList>", "<track>", "<location>", "</location>", "</track>", "<!DOCTYPE a []>", "\x00", "nan",
     "file:///", "C:\\", "%ff", "#GAIN-DB:", "99999999999", "é"]
)  # fmt: skip


@given(data=st.one_of(st.binary(max_size=300), st.lists(PIECES).map(lambda each: "".join(each).encode())))
@pytest.mark.parametrize("suffix", sorted(playlist.SUFFIXES))
def test_any_bytes(tmp_path_factory: pytest.TempPathFactory, suffix: str, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / f"any{suffix}"
    path.write_bytes(data)
    with contextlib.suppress(AuditorError):
        playlist.parse(data, str(path))
    found(path)


def test_the_limiter_and_the_comparison_read_cuts(folder: Path) -> None:
    sheet = "FILE one.wav WAVE\nTRACK 01 AUDIO\nINDEX 01 00:00:00\nTRACK 02 AUDIO\nINDEX 01 00:00:37\n"
    path = write(folder / "night.cue", sheet)
    for command in ("limiter", "compare"):
        result = run(command, path, "-r", folder / "rig.toml", "--format", "json")
        assert result.status in (0, 1)
        assert not any(line.startswith("error") for line in result.complaints)


def test_a_cycle_of_two_and_thousands_that_are_missing(folder: Path) -> None:
    write(folder / "a.m3u", "one.wav\nb.m3u\n")
    entries, faults = found(write(folder / "b.m3u", "a.m3u\n" + NAMES[1]))
    assert [os.path.relpath(entry.path, folder) for entry in entries] == list(NAMES)
    assert len(faults) == 1
    assert "contains itself" in faults[0]
    assert faults[0].endswith(f"(line 2 of {folder / 'a.m3u'})")
    entries, faults = found(write(folder / "gone.m3u", "".join(f"/media/usb/{n}.wav\n" for n in range(5000))))
    assert (len(entries), len(faults)) == (0, 5000)
    assert "nor is one of its name with the playlist; line 5000 of" in faults[-1]


def test_a_track_of_one_sample_does_not_stop_the_set(folder: Path) -> None:
    for count in (1, 3):
        soundfile.write(folder / f"{count}.wav", np.full(count, 0.5), 48_000)
    path = write(folder / "set.m3u", "one.wav\n1.wav\n3.wav\none.wav\n")
    result = run("check", path, "-r", folder / "rig.toml", "--format", "json")
    durations_s = [track["duration_s"] for track in result.document["tracks"]]
    assert durations_s == pytest.approx([1.0, 1 / 48_000, 3 / 48_000, 1.0], rel=1e-3)
    assert result.document["errors"] == []
    assert run("check", path, "-r", folder / "rig.toml", "--format", "html").status == result.status


def test_titles_of_a_playlist_are_made_harmless(folder: Path) -> None:
    entries, _ = found(write(folder / "set.m3u", f"#EXTINF:1,\u202eTitle\x1b[2J{'x' * 500}\none.wav\n"))
    title = entries[0].title
    assert title is not None
    assert title.startswith("Title [2Jxxx")
    assert len(title) == 200


def test_a_folder_in_a_playlist_is_refused_with_its_place(folder: Path) -> None:
    (folder / "odd.m3u").mkdir()
    path = write(folder / "set.m3u", "one.wav\nsub\nSUB\nodd.m3u\n")
    entries, faults = found(path)
    assert [os.path.basename(entry.path) for entry in entries] == ["one.wav"]
    assert faults == [
        f"{folder / name}: is a folder, not a file (name the folder on the command line; line {line} of {path})"
        for name, line in (("sub", 2), ("sub", 3), ("odd.m3u", 4))
    ]
