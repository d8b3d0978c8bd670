"""The cache on the command line: the same report from it, two processes at once, Ctrl-C and a kill at any moment."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest
from numpy.typing import NDArray

from auditor.programme import decode
from tests.cli.harness import RIG, Result, finish, noise, run, run_staged, settle, spawn


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = settle(tmp_path, monkeypatch)
    then = time.time() - 60.0
    for name in "abc":
        noise(folder / f"{name}.wav", duration_s=1.0, level=0.05 + 0.01 * ord(name) / 100.0, channels=2)
        os.utime(folder / f"{name}.wav", (then, then))
    return folder


def check(*arguments: str) -> Result:
    return run("check", "a.wav", "b.wav", "c.wav", "-r", "rig.toml", "--format", "json", *arguments)


def records() -> list[Path]:
    return sorted(Path(os.environ["AUDITOR_CACHE_DIR"]).glob("*.played"))


def staged(module: str, name: str, *, count: int, sign: signal.Signals, moment: str) -> Result:
    """`check` in a process of its own that gets the signal at that moment."""
    command = ["check", "a.wav", "b.wav", "c.wav", "-r", "rig.toml", "--format", "json"]
    return run_staged(module, name, *command, count=count, sign=sign, moment=moment)


def test_the_report_is_the_same_byte_for_byte(folder: Path) -> None:
    without = check("--no-cache")
    assert records() == []
    first = check()
    assert len(records()) == 3
    second = check()
    assert without.out == first.out == second.out
    assert without.err == first.err == second.err == ""


@pytest.mark.parametrize("command", ["protections", "lamp", "fuse", "limiter", "compare"])
def test_every_command_that_plays_files(command: str, folder: Path) -> None:
    arguments = [command, "a.wav", "b.wav", "-r", "rig.toml", "--format", "json"]
    without = run(*arguments, "--no-cache")
    assert records() == []
    first, second = run(*arguments), run(*arguments)
    assert records()
    assert without.out == first.out == second.out
    assert without.err == first.err == second.err


def test_the_page_of_a_second_run_reads_no_samples(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trims = folder / "trims.txt"
    trims.write_text("-3 b.wav\n", encoding="utf-8")
    arguments = ["check", "a.wav", "b.wav", "-r", "rig.toml", "--format", "html", "--trims", "trims.txt"]
    without, first = run(*arguments, "--no-cache"), run(*arguments)

    def read(*_: Any) -> NoReturn:
        raise AssertionError("samples were read")

    monkeypatch.setattr("auditor.programme.decode.blocks", read)
    second = run(*arguments)
    assert without.out == first.out == second.out
    assert without.err == first.err == second.err


def test_a_page_takes_one_pass_over_the_samples(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arguments = ["check", "a.wav", "b.wav", "c.wav", "-r", "rig.toml", "--format", "html"]
    without = run(*arguments, "--no-cache")
    read: list[str] = []
    blocks = decode.blocks

    def noting(programme: decode.Programme, finding: decode.Finding) -> Iterator[NDArray[np.float32]]:
        read.append(programme.path)
        return blocks(programme, finding)

    monkeypatch.setattr("auditor.programme.decode.blocks", noting)
    assert run(*arguments).out == without.out
    assert sorted(read) == ["a.wav", "b.wav", "c.wav"]


def test_render(folder: Path) -> None:
    written = []
    for arguments in (["--no-cache"], [], []):
        assert run("render", "a.wav", "-r", "rig.toml", "-o", "out.wav", "--force", *arguments).status == 0
        written.append(Path("out.wav").read_bytes())
    assert written[0] == written[1] == written[2]
    assert len(records()) == 1


def test_another_level_says_why_it_takes_the_samples(folder: Path) -> None:
    check()
    Path("rig.toml").write_text(RIG.replace("full_scale_dbu = 18.0", "full_scale_dbu = 20.0"))
    result = check()
    assert result.err.splitlines() == [
        "warning: level.full_scale_dbu 20 instead of 18: the amplifier may clip differently at the new level, so what "
        "was played before is read from its samples again"
    ]


def test_what_is_kept_is_shown_and_cleared(folder: Path) -> None:
    where = os.environ["AUDITOR_CACHE_DIR"]
    assert run("cache").out == f"{where}: 0 records, 0.0 MB of at most 2000 MB\n"
    check()
    shown = run("cache").out
    assert shown.startswith(f"{where}: 3 records, 0.")
    assert shown.endswith(" MB of at most 2000 MB\n")
    assert run("cache", "--clear").out.startswith(f"{where}: removed 3 records, 0.")
    assert not Path(where).exists()


def test_interrupted_over_its_third_octaves_the_page_is_written_without_and_that_is_said(folder: Path) -> None:
    command = ["check", "a.wav", "b.wav", "-r", "rig.toml", "--format", "html", "--no-cache"]
    where = ("auditor.report.page.spectra", "_spectrum")
    result = run_staged(*where, *command, count=1, sign=signal.SIGINT, moment="before")
    assert (result.status, result.out.count("stopped by hand")) == (130, 2)
    assert result.err == "interrupted: 2 track(s) finished and reported, without their third octaves\n"


def test_what_is_not_ours_stays(folder: Path) -> None:
    where = Path(os.environ["AUDITOR_CACHE_DIR"])
    check()
    for name in ("notes.played", "a.seen", "half.partial"):
        (where / name).write_text("mine")
    (where / f"1-{'0' * 32}-{'0' * 32}.played").mkdir()
    assert run("cache", "--clear").out.startswith(f"{where}: removed 3 records, 0.")
    assert sorted(path.name for path in where.iterdir()) == sorted(
        ["notes.played", "a.seen", "half.partial", f"1-{'0' * 32}-{'0' * 32}.played"]
    )


def test_a_rig_that_was_only_tried_is_not_named(folder: Path) -> None:
    assert run("compare", "a.wav", "b.wav", "-r", "rig.toml").status == 0
    Path("rig.toml").write_text(RIG.replace("full_scale_dbu = 18.0", "full_scale_dbu = 20.0"))
    assert check().err.startswith("warning: level.full_scale_dbu 20 instead of 18: ")


def test_a_cap_that_is_none(folder: Path) -> None:
    for command in (["check", "a.wav", "-r", "rig.toml"], ["cache"]):
        result = run(*command, env={"AUDITOR_CACHE_MB": "plenty"})
        assert result.status == 2
        assert result.complaints == [
            "error: AUDITOR_CACHE_MB: is no size, got plenty; allowed: whole megabytes, 0 to keep nothing"
        ]


def test_a_cap_of_nought_keeps_nothing(folder: Path) -> None:
    os.utime("a.wav", (0.0, 0.0))  # of a file that was not written a moment ago the digest would be remembered
    result = run("check", "a.wav", "-r", "rig.toml", env={"AUDITOR_CACHE_MB": "0"})
    assert (result.status, os.path.exists(os.environ["AUDITOR_CACHE_DIR"])) == (0, False)
    shown = run("cache", env={"AUDITOR_CACHE_MB": "0"}).out
    assert shown.endswith(": 0 records, 0.0 MB; nothing new is kept (AUDITOR_CACHE_MB is 0)\n")


@pytest.mark.skipif(not Path("/sys/kernel").exists(), reason="needs a folder where nobody may write, root neither")
def test_a_folder_that_may_not_be_written(folder: Path) -> None:
    result = run("check", "a.wav", "-r", "rig.toml", env={"AUDITOR_CACHE_DIR": "/sys/kernel/cache"})
    assert result.status == 0
    (warning,) = result.complaints
    assert warning.startswith("warning: /sys/kernel/cache: nothing can be kept there for the next run: ")


def test_a_file_in_the_folders_place(folder: Path) -> None:
    Path("taken").write_text("")
    result = run("check", "a.wav", "b.wav", "-r", "rig.toml", env={"AUDITOR_CACHE_DIR": "taken"})
    assert result.status == 0
    assert result.complaints == ["warning: taken: nothing can be kept there for the next run: File exists"]


def test_two_processes_at_once(folder: Path) -> None:
    expected = check("--no-cache").out
    arguments = ["check", "a.wav", "b.wav", "c.wav", "-r", "rig.toml", "--format", "json"]
    processes = [spawn(*arguments) for _ in range(2)]
    for process in processes:
        result = finish(process, timeout_s=120.0)
        assert (result.out, result.err) == (expected, "")
    assert len(records()) == 3
    assert check().out == expected


@pytest.mark.parametrize("count", [1, 2, 3])
def test_killed_while_a_record_is_written(count: int, folder: Path) -> None:
    expected = check("--no-cache").out
    time.sleep(2.1)  # of a file that was written a moment ago no digest is remembered
    # Every track writes its digest and its record: two moves.
    result = staged("auditor.store.vault", "os.replace", count=2 * count, sign=signal.SIGKILL, moment="before")
    assert result.status == -signal.SIGKILL
    assert len(records()) == count - 1
    assert list(Path(os.environ["AUDITOR_CACHE_DIR"]).glob("*.partial"))
    assert check().out == expected
    assert len(records()) == 3


@pytest.mark.parametrize(
    ("module", "name", "moment", "finished"),
    [
        ("auditor.chain.play", "_pass", "before", 1),
        ("auditor.chain.play", "_pass", "after", 1),
        ("auditor.pipeline", "_judged", "before", 1),
        ("auditor.pipeline", "_judged", "after", 1),
        ("auditor.store.vault", "Vault.put", "before", 1),
    ],
)
def test_interrupted_the_finished_tracks_are_reported_and_the_next_run_goes_on(
    module: str, name: str, moment: str, finished: int, folder: Path
) -> None:
    expected = check("--no-cache").document
    result = staged(module, name, count=2, sign=signal.SIGINT, moment=moment)
    assert result.status == result.document["exit_status"] == 130
    assert result.document["tracks"] == expected["tracks"][:finished]
    assert result.err == f"interrupted: {finished} track(s) finished and reported, the rest not judged\n"
    assert not list(Path(os.environ["AUDITOR_CACHE_DIR"]).glob("*.partial"))
    kept = {path: path.stat().st_ino for path in records()}
    assert len(kept) >= finished
    assert check().document == expected
    assert {path: path.stat().st_ino for path in records() if path in kept} == kept  # found, not written again


@pytest.mark.parametrize(
    ("module", "name"),
    [("auditor.pipeline", "conclude"), ("auditor.report.records", "to_json")],
)
def test_interrupted_at_the_end_the_report_is_whole(module: str, name: str, folder: Path) -> None:
    expected = check("--no-cache").document
    result = staged(module, name, count=1, sign=signal.SIGINT, moment="before")
    assert result.status == 130
    assert json.loads(result.out)["tracks"] == expected["tracks"]
