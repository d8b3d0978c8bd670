"""`auditor check`: which files it takes, in which order, and where the report goes."""

from __future__ import annotations

import csv
import io
import json
import os
from pathlib import Path

import pytest

from auditor.audit_types import FileFault
from auditor.programme import files as programme_files
from auditor.programme.files import natural_key
from tests.cli.harness import RIG, finish, noise, run, settle, spawn

CSV_HEADER = "path,start_s,end_s,channel,verdict,cause,value,limit,unit,part_at\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return settle(tmp_path, monkeypatch)


def touch(*paths: str) -> None:
    for path in map(Path, paths):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()


def search(paths: list[str]) -> tuple[list[str], list[FileFault]]:
    """What is found, by path: no entry of these is cut or played twice."""
    entries, faults = programme_files.search(paths)
    assert {each.turn for each in entries} <= {1}
    return [each.path for each in entries], faults


class TestWhichFiles:
    """What the arguments stand for; nothing is opened yet."""

    def test_folders_are_searched_through_in_natural_order(self, folder: Path) -> None:
        touch("set/track 10.wav", "set/Track 2.FLAC", "set/cd 2/a.mp3", "set/cd 10/a.ogg", "set/cover.png", "set/b.txt")
        assert search(["set"]) == (
            ["set/cd 2/a.mp3", "set/cd 10/a.ogg", "set/Track 2.FLAC", "set/track 10.wav"],
            [],
        )

    def test_arguments_keep_their_order(self, folder: Path) -> None:
        touch("b.wav", "a.wav", "set/c.wav")
        assert search(["b.wav", "set", "a.wav"])[0] == ["b.wav", "set/c.wav", "a.wav"]

    def test_a_file_is_taken_whatever_its_name(self, folder: Path) -> None:
        touch("take.bak", ".hidden.wav")
        assert search(["take.bak", ".hidden.wav"])[0] == ["take.bak", ".hidden.wav"]

    def test_a_file_is_taken_once(self, folder: Path) -> None:
        touch("set/a.wav", "set/b.wav")
        Path("link.wav").symlink_to("set/a.wav")
        again = ["set/b.wav", "set", "./set/a.wav", str(folder / "set/a.wav"), "link.wav"]
        assert search(again)[0] == ["set/b.wav", "set/a.wav"]

    def test_hidden_files_and_folders_stay_out(self, folder: Path) -> None:
        touch("set/a.wav", "set/._a.wav", "set/.trash/b.wav")
        assert search(["set"])[0] == ["set/a.wav"]

    def test_loops_of_links_end(self, folder: Path) -> None:
        touch("set/a.wav")
        Path("set/self").symlink_to(".")
        Path("set/up").symlink_to("..")
        Path("set/round.wav").symlink_to("round.wav")
        files, faults = search(["set"])
        assert files == ["set/a.wav", "set/round.wav"]
        assert not faults

    @pytest.mark.parametrize(
        "names",
        [
            ["1", "2", "10", "a"],
            ["a", "A1", "a2", "a10", "b"],
            ["x 1 y 2", "x 1 y 10", "x 02", "x 2"],
            ["٣", "4"],
            ["²", "³"],
        ],
    )
    def test_natural_order(self, names: list[str]) -> None:
        assert sorted([*names[1:], names[0]], key=natural_key) == names


NAMES = [
    b"with space.wav",
    b"-dash.wav",
    b"--rig.wav",
    b"new\nline.wav",
    b"tab\tand\rreturn.wav",
    b"colour\x1b[31m\x1b]0;title\x07.wav",
    "right\u202eto left.wav".encode(),
    b"[bold]markup[red].wav",
    b":smile:.wav",
    "é中\u0301.wav".encode(),
    b"not utf-8 \xff\xfe.wav",
    b"x" * 250 + b".wav",
]


@pytest.mark.parametrize("name", NAMES, ids=ascii)
@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "latin-1"])
def test_any_file_name_can_be_reported(folder: Path, name: bytes, encoding: str) -> None:
    os.mkdir("set")
    noise(Path("plain.wav")).rename(os.fsdecode(b"set/" + name))
    for style in ("text", "json", "csv"):
        result = run("check", "set", "-r", "rig.toml", "--format", style, encoding=encoding)
        assert (result.status, result.err) == (0, "")
        if style == "json":
            assert (
                result.document["tracks"][0]["path"] == os.fsdecode(b"set/" + name).encode("utf-8", "replace").decode()
            )
        else:
            assert all(character.isprintable() or character == "\n" for character in result.out)


@pytest.mark.parametrize("name", NAMES, ids=ascii)
def test_any_file_name_can_be_complained_of_in_one_line(folder: Path, name: bytes) -> None:
    result = run("check", "--rig", "rig.toml", "--", os.fsdecode(name[:200]), encoding="ascii")
    (line,) = result.complaints
    assert line.startswith("error: ")
    assert line.isprintable()
    assert result.status == 2


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "latin-1", "cp437"])
@pytest.mark.parametrize("env", [{}, {"NO_COLOR": "1"}, {"TERM": "dumb"}, {"COLUMNS": "80"}, {"COLUMNS": "x"}], ids=str)
def test_a_report_that_goes_into_a_pipe_is_plain_text(folder: Path, env: dict[str, str], encoding: str) -> None:
    noise(folder / "a.wav")
    result = run("check", "a.wav", "-r", "rig.toml", env=env, encoding=encoding)
    assert (result.status, result.err) == (0, "")
    assert "\x1b" not in result.out
    assert "\\x" not in result.out
    assert max(map(len, result.out.splitlines())) <= int(env.get("COLUMNS", "x").replace("x", "100"))


def test_json_alone_is_on_standard_output(folder: Path) -> None:
    noise(folder / "a.wav", sample_rate_hz=8_000)
    result = finish(spawn("check", "a.wav", "gone.wav", "-r", "rig.toml", "--format", "json"))
    assert result.status == result.document["exit_status"] == 2
    assert [line.split(":")[0] for line in result.complaints] == ["warning", "error"]


def test_csv_alone_is_on_standard_output(folder: Path) -> None:
    noise(folder / "loud.wav", level=1.0, duration_s=1.0)
    result = run("check", "loud.wav", "gone.wav", "-r", "rig.toml", "--format", "csv")
    assert result.out.startswith(CSV_HEADER)
    rows = list(csv.DictReader(io.StringIO(result.out)))
    assert {row["path"] for row in rows} == {"loud.wav"}


@pytest.mark.parametrize(
    ("encoding", "shown"), [("utf-8", "é中.wav"), ("latin-1", "é\\u4e2d.wav"), ("ascii", "\\xe9\\u4e2d.wav")]
)
def test_csv_in_an_encoding_that_lacks_the_name(folder: Path, encoding: str, shown: str) -> None:
    noise(folder / "é中.wav", level=1.0, duration_s=1.0)
    result = run("check", "é中.wav", "-r", "rig.toml", "--format", "csv", encoding=encoding)
    assert (result.status, result.err) == (1, "")
    assert {row["path"] for row in csv.DictReader(io.StringIO(result.out))} == {shown}


class TestOutput:
    """`-o`: the report is there whole, or what was there before still is."""

    @pytest.fixture(autouse=True)
    def track(self, folder: Path) -> Path:
        return noise(folder / "a.wav")

    def to(self, output: str, *more: str) -> tuple[int, str]:
        result = run("check", "a.wav", "-r", "rig.toml", "--format", "csv", "-o", output, *more)
        assert result.out == ""
        assert not list(Path().glob("*.partial"))
        return result.status, result.err

    def test_new_file(self) -> None:
        assert self.to("report.csv") == (0, "")
        assert Path("report.csv").read_text() == CSV_HEADER

    def test_json_in_a_file_says_the_exit_status(self) -> None:
        assert self.to("report.json", "--format", "json") == (0, "")
        assert json.loads(Path("report.json").read_text())["exit_status"] == 0

    def test_existing_file_is_replaced(self) -> None:
        Path("report.csv").write_text("older and longer " * 100)
        assert self.to("report.csv") == (0, "")
        assert Path("report.csv").read_text() == CSV_HEADER

    def test_link_is_followed(self) -> None:
        Path("link.csv").symlink_to("report.csv")
        assert self.to("link.csv") == (0, "")
        assert Path("link.csv").is_symlink()
        assert Path("report.csv").read_text() == CSV_HEADER

    def test_device_is_written_to_not_replaced(self) -> None:
        assert self.to(os.devnull) == (0, "")
        assert not Path(os.devnull).is_file()

    def test_missing_folder(self) -> None:
        assert self.to("none/report.csv") == (2, "error: none/report.csv: no such folder: none\n")

    def test_folder(self) -> None:
        assert self.to(".") == (2, "error: .: is a folder, not a file to write\n")

    def test_may_not_be_written(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(os, "access", lambda path, mode: False)
        assert self.to("report.csv") == (2, "error: report.csv: may not be written (choose another place with -o)\n")

    @pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
    def test_full_disk(self) -> None:
        assert self.to("/dev/full") == (2, "error: /dev/full: cannot be written: No space left on device\n")

    def test_disk_that_fills_up_leaves_what_was_there(self, monkeypatch: pytest.MonkeyPatch) -> None:
        Path("report.csv").write_text("older")

        def fail(*_: object) -> str:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("auditor.report.records.to_csv", fail)
        assert self.to("report.csv") == (2, "error: report.csv: cannot be written: No space left on device\n")
        assert Path("report.csv").read_text() == "older"

    @pytest.mark.parametrize("name", ["a.wav", "./a.wav", "rig.toml"])
    def test_what_is_read_is_not_written_over(self, name: str) -> None:
        before = Path(name).read_bytes()
        status, err = self.to(name)
        assert status == 2
        assert "is one of the files to be read" in err
        assert Path(name).read_bytes() == before

    def test_nor_is_the_impedance_that_the_rig_names(self) -> None:
        measured = "# measured\n200 8 0\n1000 8 0\n2000 8 0\n8000 8 0\n20000 8 0\n"
        Path("driver.txt").write_text(measured)
        Path("rig.toml").write_text(RIG.replace("[driver]", '[driver]\nimpedance_file = "driver.txt"'))
        status, err = self.to("driver.txt")
        assert (status, Path("driver.txt").read_text()) == (2, measured)
        assert "is one of the files to be read" in err

    def test_who_may_read_the_older_report_may_read_the_new_one(self) -> None:
        Path("report.csv").write_text("older")
        Path("report.csv").chmod(0o640)
        self.to("report.csv")
        assert Path("report.csv").stat().st_mode & 0o777 == 0o640
        assert Path("report.csv").read_text() != "older"

    @pytest.mark.parametrize("name", ["other.toml", "other.flac", "other.m3u8", "other.cue"])
    def test_another_rig_or_sound_is_not_written_over_either(self, name: str) -> None:
        Path(name).write_text("mine")
        status, err = self.to(name)
        assert (status, Path(name).read_text()) == (2, "mine")
        assert "is there already and no report" in err
