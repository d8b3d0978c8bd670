"""Which file a name in a playlist stands for: one where its path leads in any capitals, never another song's."""

from __future__ import annotations

import itertools
import os
import time
import unicodedata
from pathlib import Path

import numpy as np
import pytest
import soundfile

from auditor.programme.files import search
from tests.cli.harness import RIG, run

RATE_HZ = 4000


def sound(path: str, duration_s: float = 1.0) -> None:
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    samples = 0.01 * np.random.default_rng(3).standard_normal(round(duration_s * RATE_HZ))
    soundfile.write(path, samples, RATE_HZ)


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def found(text: str, path: str = "p.m3u") -> tuple[list[str], list[str]]:
    """Paths that a playlist leads to, with what is wrong."""
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    Path(path).write_text(text, encoding="utf-8")
    entries, faults = search([path])
    return [entry.path for entry in entries], [fault.message for fault in faults]


def test_another_song_of_the_name_is_not_judged_in_its_place() -> None:
    sound("A/01.flac", 26.0)
    Path("rig.toml").write_text(RIG)
    lines = ["#EXTINF:26,Quiet speech", r"D:\Music\A\01.flac", "#EXTINF:300,Metal Anthem", r"D:\Music\B\01.flac"]
    Path("p.m3u").write_text("\n".join(lines))
    result = run("check", "p.m3u", "-r", "rig.toml", "--format", "json")
    assert result.status == 2
    assert [track["title"] for track in result.document["tracks"]] == ["Quiet speech"]
    wanted = "no such file (one of its name, A/01.flac, lasts 0:26 instead of 5:00; line 4 of p.m3u)"
    assert [error["message"] for error in result.document["errors"]] == [rf"D:\Music\B\01.flac: {wanted}"]
    assert "more than once" not in result.err


TOLD = {
    "p.m3u": "#EXTINF:{0},T\nD:/x/01.flac\n",
    "p.pls": "[playlist]\nFile1=D:/x/01.flac\nLength1={0}\n",
    "p.xspf": "<playlist><trackList><track><location>D:/x/01.flac</location><duration>{0}000</duration></track>"
    "</trackList></playlist>",
}


@pytest.mark.parametrize("name", TOLD)
@pytest.mark.parametrize(
    ("told", "is_taken"), [("50", True), ("52", True), ("48", True), ("53", False), ("47", False), ("-1", True),
                           ("0", True), ("x", True), ("99999999999999999999", True)]
)  # fmt: skip
def test_a_length_that_is_told_must_be_that_of_the_file(name: str, told: str, is_taken: bool) -> None:
    sound("A/01.flac", 50.0)
    paths, faults = found(TOLD[name].format(told), name)
    assert paths == (["A/01.flac"] if is_taken else [])
    assert len(faults) == 1 - is_taken
    if not is_taken:
        assert f"one of its name, A/01.flac, lasts 0:50 instead of 0:{told}" in faults[0]


def test_long_files_may_be_two_percent_off() -> None:
    sound("A/01.flac", 300.0)
    assert found("#EXTINF:305,T\nD:/x/01.flac\n")[0] == ["A/01.flac"]
    assert found("#EXTINF:307,T\nD:/x/01.flac\n")[0] == []


def test_no_length_is_asked_where_nothing_was_guessed_or_none_can_be_read() -> None:
    sound("A/01.flac")
    Path("B").mkdir()
    Path("B/02.flac").write_bytes(b"no sound")
    text = "#EXTINF:300,T\nA/01.flac\n#EXTINF:300,T\na\\01.FLAC\n#EXTINF:300,T\nD:/x/02.flac\n"
    assert found(text) == (["A/01.flac", "A/01.flac", "B/02.flac"], [])


A, B, C = r"D:\Music\A\01.flac", r"D:\Music\B\01.flac", r"D:\Other\A\01.flac"


def test_of_two_songs_as_like_the_place_none_is_taken_of_two_copies_the_nearer() -> None:
    sound("one/A/01.flac", 2.0)
    sound("B/01.flac", 3.0)
    text = "D:\\Music\\X\\01.flac\n"
    paths, faults = found(text)
    assert paths == []
    wanted = "no such file (B/01.flac and one/A/01.flac are equally like it; line 1 of p.m3u)"
    assert faults == [f"D:\\Music\\X\\01.flac: {wanted}"]
    assert found("D:\\Music\\A\\01.flac\n") == (["one/A/01.flac"], [])
    sound("B/01.flac", 2.0)
    assert found(text) == (["B/01.flac"], [])


@pytest.mark.parametrize(
    ("file", "names", "kept"),
    [
        ("A/01.flac", [A, B], [A]),
        ("A/01.flac", [A, B, "d:/music/a/01.FLAC", "file:///D:/Music/A/01.flac", A], [A, A, A, A]),
        ("A/01.flac", ["A/01.flac", A, B], ["A/01.flac"]),
        ("A/01.flac", [A, C], []),
        ("A/01.flac", [A, C, B], []),
        ("Music/A/01.flac", [A, C, B], [A]),
        ("01.flac", [A, B], []),
        ("01.flac", [A, A], [A, A]),
        ("sub/A/01.flac", ["A/01.flac", B], ["A/01.flac"]),
        ("A/01.flac", ["/m/a/01.flac", "/m/A/01.flac"], []),
    ],
)
def test_one_file_stands_for_one_place(file: str, names: list[str], kept: list[str]) -> None:
    sound(file)
    for order in list(itertools.permutations(names))[:24]:
        paths, faults = found("\n".join(order))
        assert [os.path.realpath(path) for path in paths] == [os.path.realpath(file)] * len(kept)
        refused = [(number, name) for number, name in enumerate(order, start=1) if not kept or is_other(name, kept)]
        assert len(faults) == len(refused)
        for fault, (number, _) in zip(faults, refused, strict=True):
            assert fault.endswith(
                f"no such file (the one of its name, {file}, stands for another track; line {number} of p.m3u)"
            )


def is_other(name: str, kept: list[str]) -> bool:
    plain = name.replace("\\", "/").removeprefix("file:///").casefold()
    return plain not in [each.replace("\\", "/").casefold() for each in kept]


@pytest.mark.parametrize("turned", [False, True])
def test_nor_across_playlists(turned: bool) -> None:
    sound("lists/A/01.flac")
    Path("lists/one.m3u").write_text(A)
    Path("lists/two.m3u").write_text(B)
    names = ["one.m3u", "two.m3u"][:: -1 if turned else 1]
    assert [len(each) for each in found("\n".join(names), "lists/all.m3u")] == [1, 1]
    entries, faults = search([f"lists/{name}" for name in names])
    assert len(entries) == 1
    assert [fault.message for fault in faults] == [
        rf"{B}: no such file (the one of its name, lists/A/01.flac, stands for another track; line 1 of lists/two.m3u)"
    ]


def test_nor_a_playlist_for_another() -> None:
    sound("A/01.flac")
    Path("A/list.m3u").write_text("01.flac")
    paths, faults = found("D:\\B\\list.m3u\nD:\\A\\list.m3u\n")
    assert paths == ["A/01.flac"]
    assert faults == [
        r"D:\B\list.m3u: no such file (the one of its name, A/list.m3u, stands for another track; line 1 of p.m3u)"
    ]


def test_what_is_too_long_still_keeps_what_is_less_alike_from_the_file() -> None:
    sound("A/01.flac")
    assert [len(each) for each in found(f"#EXTINF:300,T\n{A}\n{B}\n")] == [0, 2]
    # As alike: the length has told which of them it is not.
    sound("02.flac")
    assert [len(each) for each in found("#EXTINF:300,T\nD:/A/02.flac\n#EXTINF:1,T\nD:/B/02.flac\n")] == [1, 1]


def test_a_sheet_names_one_place_many_times() -> None:
    sound("rip/long.flac", 3.0)
    tracks = "".join(f"TRACK {n:02d} AUDIO\nINDEX 01 00:0{n}:00\n" for n in range(3))
    assert found(f'FILE "E:\\rips\\long.wav" WAVE\n{tracks}', "p.cue") == (["rip/long.flac"] * 3, [])


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        (r"..\music\squeal.wav", "../Music/Squeal.wav"),
        ("../MUSIC/./squeal.WAV", "../Music/Squeal.wav"),
        ("../Music/Squeal.wav", "../Music/Squeal.wav"),
        ("../other/../music/squeal.wav", "../Other/../Music/Squeal.wav"),
        ("../music/%73queal.wav", "../Music/Squeal.wav"),
        ("../link/squeal.wav", "../Link/Squeal.wav"),
        (unicodedata.normalize("NFD", "../musik/ÜBER.wav"), "../Musik/Über.wav"),
        ("squeal.wav", None),
        ("../Music/../squeal.wav", None),
        ("../music/squeal.wav/../squeal.wav", None),
        ("../music/squeal.flac", None),
    ],
)
def test_a_relative_path_is_followed_in_any_capitals(name: str, wanted: str | None) -> None:
    sound("Music/Squeal.wav")
    sound("Musik/Über.wav")
    Path("Other").mkdir()
    Path("Link").symlink_to("Music")
    paths, faults = found(name, "Playlists/win.m3u8")
    assert paths == ([] if wanted is None else [f"Playlists/{wanted}"])
    assert len(faults) == (wanted is None)


def test_the_exact_spelling_wins_then_the_first() -> None:
    for name in ("Music/Squeal.wav", "Music/squeal.wav", "music/Other.wav"):
        sound(name)
    names = ["../Music/squeal.wav", "../music/other.wav", "../MUSIC/SQUEAL.wav"]
    Path("Playlists").mkdir()
    Path("Playlists/p.m3u").write_text("\n".join(names))
    entries, faults = search(["Playlists/p.m3u"])
    assert faults == []
    shown = [entry.path.removeprefix("Playlists/") for entry in entries]
    assert shown == ["../Music/squeal.wav", "../music/Other.wav", "../Music/Squeal.wav"]
    assert [len(entry.notes) for entry in entries] == [0, 1, 1]
    assert entries[2].notes == ("../MUSIC/SQUEAL.wav is not there, so this file was taken instead (line 3 of "
                                "Playlists/p.m3u)",)  # fmt: skip
    # Of two that it may be, one is a guess.
    assert found("#EXTINF:300,T\n../MUSIC/SQUEAL.wav\n", "Playlists/q.m3u")[0] == []


def test_a_sheet_follows_to_the_converted_file() -> None:
    sound("Music/line.flac")
    sound("Sheets/other/line.flac")
    sheet = 'FILE "../music/LINE.wav" WAVE\nTRACK 01 AUDIO\nINDEX 01 00:00:00\n'
    assert found(sheet, "Sheets/line.cue") == (["Sheets/../Music/line.flac"], [])
    # That of another folder than is named is another sound.
    paths, faults = found(sheet.replace("../music", "CD1"), "Sheets/line.cue")
    assert (paths, len(faults)) == ([], 1)


def test_of_several_converted_files_the_likest_is_taken() -> None:
    sound("A/mix.wav")
    sound("B/mix.flac")
    assert found("FILE D:/rips/A/mix.mp3 MP3\nTRACK 01 AUDIO\nINDEX 01 00:00:00\n", "p.cue")[0] == ["A/mix.wav"]


def test_paths_made_to_take_long_do_not() -> None:
    for name in ("a/x.wav", "A/x.wav"):
        sound(name)
    Path("a/loop").symlink_to("..")
    begun_s = time.process_time()
    paths, faults = found("\n".join([
        "a/../" * 300 + "A/Y.wav", "A/LOOP/" * 300 + "y.wav", "../" * 1_000_000 + "y.wav", "A/LOOP/A/X.WAV",
        *(f"../missing{n}/x{n}.wav" for n in range(5000)), *(f"A/X{n}.wav" for n in range(5000)),
    ]))  # fmt: skip
    assert paths == ["a/loop/A/x.wav"]
    assert len(faults) == 10_003
    assert time.process_time() - begun_s < 5.0  # measured: 0.7 s
