"""`check` with many tracks: side by side, from a list, and with results that are written as they come."""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pyarrow.parquet
import pytest
import soundfile
from distributed import LocalCluster
from referencing import Registry, Resource

import auditor
from auditor import stream_files
from auditor.report import lines, records
from auditor.report.table import SCHEMA
from tests.cli.harness import RIG, Result, command, finish, noise, run, run_staged, settle, spawn

RATE_HZ = 48_000
TRACKS = ["long.wav", "clear.flac", "broken.wav", "cut.mp3", "risk.wav", "gone.wav"]


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as running:
        yield running.scheduler_address


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Good files, one that is no sound and one that is cut off."""
    settle(tmp_path, monkeypatch)
    noise(tmp_path / "long.wav", duration_s=20.0, channels=2)
    noise(tmp_path / "clear.flac")
    (tmp_path / "broken.wav").write_text("no sound")
    cut = noise(tmp_path / "cut.mp3", duration_s=2.0)
    cut.write_bytes(cut.read_bytes()[: cut.stat().st_size // 2])
    noise(tmp_path / "risk.wav", level=1.0, duration_s=1.0)
    return tmp_path


@pytest.fixture
def endless(folder: Path) -> str:
    """Half an hour, which takes a worker long."""
    minute = (0.05 * np.random.default_rng(2).standard_normal((60 * RATE_HZ, 2))).astype(np.float32)
    with soundfile.SoundFile("endless.wav", "w", RATE_HZ, 2) as file:
        for _ in range(30):
            file.write(minute)
    return "endless.wav"


def check(*arguments: str | Path) -> Result:
    return run("check", *arguments, "--rig", "rig.toml")


def objects(result: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.out.splitlines()]


def validator() -> jsonschema.Draft202012Validator:
    report = Resource.from_contents(records.schema())
    return jsonschema.Draft202012Validator(
        lines.schema(), registry=Registry().with_resource("report.schema.json", report)
    )


class TestSideBySide:
    """More than one worker changes nothing of what is said."""

    @pytest.mark.parametrize("style", ["json", "text"])
    def test_processes(self, folder: Path, style: str) -> None:
        one = check(*TRACKS, "--format", style)
        assert check(*TRACKS, "--format", style, "--workers", "2") == one
        assert one.status == 2
        assert [line[:17] for line in one.complaints] == ["error: broken.wav", "error: cut.mp3: t", "error: gone.wav: "]

    def test_cluster(self, folder: Path, scheduler: str) -> None:
        one, many = (check(*TRACKS, "--format", "json", *way) for way in ([], ["--cluster", scheduler]))
        assert many == one

    def test_a_bad_address_is_one_line(self, folder: Path) -> None:
        result = check("clear.flac", "--cluster", "nonsense")
        assert (result.status, result.out) == (2, "")
        assert result.complaints[0].startswith("error: 'nonsense': is no scheduler's address (give its address as")
        assert len(result.complaints) == 1

    @pytest.mark.parametrize(
        ("arguments", "words"),
        [
            (["--workers", "0"], "0 is not in the range 1<=x<=1024"),
            (["--workers", "two"], "'two' is not a valid integer"),
            (["--workers", "2", "--cluster", "tcp://a:1"], "--workers are processes of this machine"),
        ],
    )
    def test_wrong_usage(self, folder: Path, arguments: list[str], words: str) -> None:
        result = check("clear.flac", *arguments)
        assert (result.status, result.out) == (2, "")
        assert words in result.err


class TestLines:
    """`--format ndjson`."""

    @pytest.mark.parametrize("workers", ["1", "2"])
    def test_every_line_obeys_the_schema_and_says_what_json_says(self, folder: Path, workers: str) -> None:
        result = check(*TRACKS, "--format", "ndjson", "--workers", workers)
        found = objects(result)
        for each in found:
            validator().validate(each)
        whole = check(*TRACKS, "--format", "json")
        by_index = sorted((each for each in found if each["kind"] == "track"), key=lambda each: each["index"])
        assert [each["index"] for each in by_index] == [0, 1, 3, 4]
        assert [each["track"] for each in by_index] == whole.document["tracks"]
        errors = sorted((each for each in found if each["kind"] == "error"), key=lambda each: each["index"])
        assert [each["error"] for each in errors] == whole.document["errors"]
        last = found[-1]
        assert last["kind"] == "set"
        assert (last["track_count"], last["error_count"]) == (4, 3)
        verdicts = [track["verdict"] for track in whole.document["tracks"]]
        assert last["verdict_counts"] == {each: verdicts.count(each) for each in ("clear", "engaged", "risk")}
        assert last["verdict"] == "risk"
        assert last["worst_track"] == whole.document["set"]["worst_track"] == "risk.wav"
        assert last["rig"] == whole.document["rig"]
        assert last["exit_status"] == result.status == 2
        messages = sorted(each["error"]["message"] for each in found if each["kind"] == "error")
        assert sorted(result.complaints) == [f"error: {message}" for message in messages]

    def test_the_schema_refuses(self, folder: Path) -> None:
        good = objects(check("clear.flac", "--format", "ndjson"))
        for line, change in itertools.product(good, ({"kind": "other"}, {"more": 1}, {"index": -1}, {"track": None})):
            with pytest.raises(jsonschema.ValidationError):
                validator().validate({**line, **change})

    def test_to_a_file(self, folder: Path) -> None:
        result = check("risk.wav", "clear.flac", "--format", "ndjson", "-o", "out.ndjson")
        assert (result.status, result.out, result.err) == (1, "", "")
        assert [json.loads(line)["kind"] for line in Path("out.ndjson").read_text().splitlines()] == [
            "track",
            "track",
            "set",
        ]

    def test_a_line_is_there_once_its_track_is_finished(self, folder: Path, endless: str) -> None:
        process = spawn("check", "clear.flac", endless, "-r", "rig.toml", "--format", "ndjson", "-o", "out.ndjson")
        _wait_for(lambda: Path("out.ndjson").exists() and Path("out.ndjson").read_text().endswith("}\n"))
        assert process.poll() is None
        process.kill()
        process.communicate()
        assert [json.loads(line)["index"] for line in Path("out.ndjson").read_text().splitlines()] == [0]

    def test_a_reader_that_goes_ends_it(self, folder: Path) -> None:
        read, written = os.pipe()
        os.close(read)
        with os.fdopen(written, "wb") as pipe:
            result = finish(spawn("check", *TRACKS, "-r", "rig.toml", "--format", "ndjson", stdout=pipe))
        assert result.status == 130

    def test_nothing_is_kept(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """However many tracks, one at a time is in memory."""
        import gc

        from auditor.audit_types import Audit

        alive: list[int] = []
        add = stream_files._Lines.add

        def counting(self: stream_files._Lines, judged: Any) -> None:
            alive.append(sum(type(each) is Audit for each in gc.get_objects()))
            add(self, judged)

        monkeypatch.setattr(stream_files._Lines, "add", counting)
        Path("list.txt").write_text("clear.flac\n" * 12)
        assert check("--list", "list.txt", "--format", "ndjson", "-o", "out.ndjson").status == 0
        assert len(alive) == 12
        assert max(alive) <= min(alive) + 1


class TestTable:
    """`--format parquet`."""

    @pytest.mark.parametrize("workers", ["1", "2"])
    def test_rows_say_what_json_says(self, folder: Path, workers: str) -> None:
        result = check(*TRACKS, "--format", "parquet", "-o", "out.parquet", "--workers", workers)
        table = pyarrow.parquet.read_table("out.parquet")
        assert table.schema.equals(SCHEMA)
        rows = sorted(table.to_pylist(), key=lambda row: row["index"])
        assert [row["path"] for row in rows] == TRACKS
        whole = check(*TRACKS, "--format", "json").document
        tracks = {track["path"]: track for track in whole["tracks"]}
        for row in rows:
            track = tracks.get(row["path"])
            if track is None:
                assert row["error"] in [each["message"] for each in whole["errors"]]
                assert {name for name, value in row.items() if value is not None} == {"index", "path", "error"}
                continue
            channel = track["channels"][track["worst_channel"]]
            named = {**channel["protection"], **channel, **track}
            del named["index"]  # the channel's
            for name, value in row.items():
                if name in named:
                    assert value == named[name], name
            assert row["unprotected_coil_temp_max_c"] == channel["unprotected"]["coil_temp_max_c"]
            assert row["passage_count"] == len(track["passages"])
        risk = rows[TRACKS.index("risk.wav")]
        assert risk["risk_passage_count"] > 0
        assert risk["first_risk_s"] == 0.0
        set_of = json.loads(pyarrow.parquet.read_metadata("out.parquet").metadata[b"auditor"])
        assert (set_of["verdict"], set_of["track_count"], set_of["exit_status"]) == ("risk", 4, result.status)

    def test_rows_are_written_in_groups(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("auditor.report.table.ROWS_IN_GROUP", 4)
        Path("list.txt").write_text("clear.flac\n" * 10)
        assert check("--list", "list.txt", "--format", "parquet", "-o", "out.parquet").status == 0
        held = pyarrow.parquet.read_metadata("out.parquet")
        assert [held.row_group(group).num_rows for group in range(held.num_row_groups)] == [4, 4, 2]

    def test_every_column_is_described(self) -> None:
        page = (Path(__file__).parents[2] / "docs" / "scale.md").read_text()
        assert [name for name in SCHEMA.names if f"`{name}`" not in page] == []

    def test_to_the_screen(self, folder: Path) -> None:
        result = check("clear.flac", "--format", "parquet")
        assert (result.status, result.out) == (2, "")
        assert result.err == "error: parquet is written to a file, not to the screen (add -o FILE.parquet)\n"

    def test_not_installed(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(stream_files, "find_spec", lambda _: None)
        result = check("clear.flac", "--format", "parquet", "-o", "out.parquet")
        words = "error: parquet needs pyarrow, which is not installed (pip install 'tweeter-auditor[cluster]')\n"
        assert (result.status, result.err) == (2, words)


class TestList:
    """`--list`."""

    def test_paths_of_a_file_as_they_stand(self, folder: Path) -> None:
        noise(folder / "with space.wav")
        Path("list.txt").write_bytes(b"clear.flac\r\n\nwith space.wav\nclear.flac\n\xff.wav")
        result = check("--list", "list.txt", "--format", "json")
        assert [track["path"] for track in result.document["tracks"]] == ["clear.flac", "with space.wav", "clear.flac"]
        assert [each["path"] for each in result.document["errors"]] == ["?.wav"]

    def test_of_standard_input(self, folder: Path) -> None:
        process = spawn("check", "--list", "-", "-r", "rig.toml", "--format", "ndjson", stdin=subprocess.PIPE)
        out, err = process.communicate(b"clear.flac\nrisk.wav\n", timeout=60.0)
        assert [json.loads(line)["kind"] for line in out.splitlines()] == ["track", "track", "set"]
        assert (process.returncode, err) == (1, b"")

    @pytest.mark.parametrize("style", ["text", "ndjson"])
    @pytest.mark.parametrize(
        ("name", "words"),
        [
            ("none.txt", "error: none.txt: cannot be read: No such file or directory\n"),
            (".", "error: .: cannot be read: Is a directory\n"),
            ("empty.txt", "error: empty.txt: names no file\n"),
        ],
    )
    def test_that_cannot_be_used(self, folder: Path, name: str, words: str, style: str) -> None:
        Path("empty.txt").write_text("\n")
        result = check("--list", name, "--format", style)
        assert (result.status, result.out, result.err) == (2, "", words)


def test_a_list_from_nowhere(folder: Path) -> None:
    line = " ".join([*command("check", "--list", "-", "-r", "rig.toml"), "<&-"])
    root = str(Path(auditor.__file__).parents[1])
    done = subprocess.run(line, shell=True, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": root})
    refusal = "error: --list -: standard input is closed (name a file, or pipe the paths in)\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", refusal)


def test_a_sound_file_is_no_list(folder: Path) -> None:
    result = check("--list", "clear.flac")
    refusal = "error: clear.flac: is no list of paths: it is not text (is it a sound file?)\n"
    assert (result.status, result.out, result.err) == (2, "", refusal)


@pytest.mark.parametrize("style", ["json", "ndjson", "parquet"])
def test_a_list_is_not_written_over(folder: Path, style: str) -> None:
    Path("list.txt").write_text("clear.flac\nrisk.wav\n")
    options = ["-r", "rig.toml", "--format", style, "-o", "list.txt"]
    named = finish(spawn("check", "--list", "list.txt", *options))
    with open("list.txt", "rb") as file:
        piped = finish(spawn("check", "--list", "-", *options, stdin=file))
    for result in (named, piped):
        refusal = "error: list.txt: is one of the files to be read, so it is not written over\n"
        assert (result.status, result.err) == (2, refusal)
    assert Path("list.txt").read_text() == "clear.flac\nrisk.wav\n"


@pytest.mark.parametrize("style", ["json", "ndjson", "parquet"])
class TestInterrupted:
    """Ctrl-C reaches every process of a terminal."""

    def test_what_is_finished_is_reported_and_the_workers_are_gone(
        self, folder: Path, endless: str, style: str
    ) -> None:
        os.link(endless, f"other-{endless}")  # a name given twice would be taken once
        paths = ["clear.flac", endless, f"other-{endless}", "risk.wav"]
        options = ["-r", "rig.toml", "--format", style, "--workers", "2"]
        if style == "parquet":
            options += ["-o", "out.parquet"]
        process = spawn("check", *paths, *options, start_new_session=True)
        _wait_for(lambda: _open_by(process.pid, endless) == 2)
        time.sleep(0.2)  # a worker has its next track before what came of the last one has been written
        os.killpg(process.pid, signal.SIGINT)
        result = finish(process)
        assert result.status == 130
        assert result.err == "interrupted: 1 track(s) finished and reported, the rest not judged\n"
        _wait_for(lambda: _group(process.pid) == [])
        assert _finished(result, style) == ["clear.flac"]


def test_its_terminal_closed_nothing_is_left(folder: Path, endless: str) -> None:
    left = folder / "left"
    left.mkdir()
    options = ["-r", "rig.toml", "--workers", "2"]
    process = spawn("check", "clear.flac", endless, *options, start_new_session=True, env={"TMPDIR": str(left)})
    _wait_for(lambda: _open_by(process.pid, endless) == 1)
    os.killpg(process.pid, signal.SIGHUP)
    assert (finish(process).status, list(left.iterdir())) == (143, [])
    _wait_for(lambda: _group(process.pid) == [])


def test_interrupted_just_when_a_worker_has_answered_its_track_is_reported(folder: Path, endless: str) -> None:
    options = ["-r", "rig.toml", "--workers", "2", "--format", "json"]
    result = run_staged(
        *("auditor.spread.processes", "_Seat.answer", "check", "clear.flac", endless, "risk.wav", *options),
        count=1,
        sign=signal.SIGINT,
        moment="after",
    )
    assert (result.status, [each["path"] for each in result.document["tracks"]]) == (130, ["clear.flac"])
    assert result.err == "interrupted: 1 track(s) finished and reported, the rest not judged\n"


def test_interrupted_a_second_run_goes_on_from_the_cache(folder: Path, endless: str) -> None:
    cache = Path(os.environ["AUDITOR_CACHE_DIR"])
    os.link(endless, f"other-{endless}")
    options = ["-r", "rig.toml", "--workers", "2", "--format", "json"]
    process = spawn("check", "clear.flac", endless, f"other-{endless}", *options, start_new_session=True)
    _wait_for(lambda: _open_by(process.pid, endless) == 2)
    os.killpg(process.pid, signal.SIGINT)
    assert finish(process).status == 130
    kept = {path: path.stat().st_ino for path in cache.glob("*.played")}
    assert len(kept) == 1
    again = finish(spawn("check", "clear.flac", "risk.wav", *options))
    assert {path: path.stat().st_ino for path in kept} == kept  # found, not written again
    assert len(list(cache.glob("*.played"))) == 2
    assert again.document == check("clear.flac", "risk.wav", "--format", "json", "--no-cache").document


def _finished(result: Result, style: str) -> list[str]:
    if style == "json":
        return [track["path"] for track in result.document["tracks"]]
    if style == "ndjson":
        assert objects(result)[-1]["is_interrupted"]
        return [each["track"]["path"] for each in objects(result)[:-1]]
    whole = json.loads(pyarrow.parquet.read_metadata("out.parquet").metadata[b"auditor"])
    assert (whole["is_interrupted"], whole["exit_status"]) == (True, 130)
    return [row["path"] for row in pyarrow.parquet.read_table("out.parquet").to_pylist()]


@pytest.mark.parametrize(("number", "status"), [(signal.SIGTERM, 143), (signal.SIGKILL, -9)])
def test_workers_go_with_their_parent(folder: Path, endless: str, number: signal.Signals, status: int) -> None:
    options = ["--list", "-", "--workers", "2", "-r", "rig.toml", "--format", "parquet", "-o", "out.parquet"]
    process = spawn("check", *options, stdin=subprocess.PIPE, start_new_session=True)
    assert process.stdin is not None
    process.stdin.write(b"clear.flac\nlong.wav\n")
    process.stdin.flush()
    _wait_for(lambda: len(_group(process.pid)) >= 3)
    os.kill(process.pid, number)
    process.stdin.close()
    process.stdin = None
    assert finish(process).status == status
    _wait_for(lambda: _group(process.pid) == [])
    assert not Path("out.parquet").exists()


def test_a_worker_killed_in_the_middle(folder: Path, endless: str) -> None:
    tracks = [endless, "clear.flac", endless]
    Path("list.txt").write_text("\n".join(tracks))
    options = ["-r", "rig.toml", "--format", "json", "--workers", "2", "--no-cache"]
    process = spawn("check", "--list", "list.txt", *options, start_new_session=True)
    _wait_for(lambda: _open_by(process.pid, endless) > 0)
    os.kill(max(_workers(process.pid)), signal.SIGKILL)
    result = finish(process)
    assert result.err == ""
    assert result.out == check("--list", "list.txt", "--format", "json").out


def test_what_workers_stores_have_to_tell_is_told_once(folder: Path) -> None:
    Path("taken").write_text("")
    arguments = ["clear.flac", "long.wav", "risk.wav", "-r", "rig.toml", "--workers", "2"]
    result = run("check", *arguments, env={"AUDITOR_CACHE_DIR": "taken"})
    assert result.err == "warning: taken: nothing can be kept there for the next run: File exists\n"
    run("check", *arguments)
    Path("rig.toml").write_text(RIG.replace("full_scale_dbu = 18.0", "full_scale_dbu = 20.0"))
    assert run("check", *arguments).err.startswith("warning: level.full_scale_dbu 20 instead of 18: ")


def test_help_needs_none_of_it(folder: Path) -> None:
    probe = (
        "import sys; sys.argv = ['auditor', 'check', '--help']\n"
        "from auditor import cli\n"
        "try: cli.main()\n"
        "except SystemExit: print(sorted({'multiprocessing', 'distributed', 'pyarrow'} & set(sys.modules)))"
    )
    environ = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run([sys.executable, "-c", probe], env=environ, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def _wait_for(is_so: Any) -> None:
    deadline_s = time.monotonic() + 120.0
    while not is_so():
        assert time.monotonic() < deadline_s
        time.sleep(0.02)


def _workers(process: int) -> list[int]:
    """Worker processes of a process, by its number: forks of its child that has the libraries."""
    parents = {}
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents[int(status.parent.name)] = int(status.read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
    return [each for each, parent in parents.items() if parents.get(parent) == process]


def _group(leader: int) -> list[int]:
    """Processes of a process group that are alive."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == leader and fields[0] != "Z":
            found.append(int(status.parent.name))
    return found


def _open_by(leader: int, name: str) -> int:
    """How many processes of a group have a file open."""
    count = 0
    for process in _group(leader):
        for descriptor in Path(f"/proc/{process}/fd").glob("*"):
            try:
                if os.readlink(descriptor).endswith(name):
                    count += 1
                    break
            except OSError:
                continue
    return count
