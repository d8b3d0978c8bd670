"""`auditor fuse` as a person and a script meet it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.harness import RIG, noise, run

KEYS = {"rating_a", "characteristic", "opens_at_s", "driver_over_limit_at_s", "verdict", "reason"}


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


@pytest.fixture
def track(tmp_path: Path) -> Path:
    return noise(tmp_path / "noise.wav", duration_s=2.0)


def test_json_has_the_printed_keys(rig: Path, track: Path) -> None:
    result = run("fuse", track, "--rig", rig, "--format", "json")
    document = result.document
    assert result.status == document["exit_status"] in (0, 1)
    assert document["command"] == "fuse"
    assert document["errors"] == []
    assert document["rig"]["driver"]["continuous_power_w"] == 60.0
    assert len(document["candidates"]) == 18  # those of the list within the standard's ranges
    for candidate in document["candidates"]:
        assert candidate.keys() >= KEYS
        assert candidate["opens_at_s"].keys() == {"earliest", "latest"}
        assert candidate["verdict"] in ("clear", "engaged", "risk")


@pytest.mark.parametrize("columns", [80, 120])
def test_text_fits(rig: Path, track: Path, columns: int) -> None:
    result = run("fuse", track, "--rig", rig, env={"COLUMNS": str(columns)})
    assert max(map(len, result.out.splitlines())) <= columns
    assert "Which fuse?" in result.out
    assert "F 0.5 A, glass" in result.out
    assert "Cautions: Estimates, not a guarantee." in result.out
    assert result.err == ""


def test_broken_file_is_said_and_the_rest_answered(rig: Path, track: Path, tmp_path: Path) -> None:
    broken = tmp_path / "broken.flac"
    broken.write_bytes(b"fLaC" + b"\0" * 50)
    result = run("fuse", broken, track, "--rig", rig)
    assert result.status == 2
    assert len(result.complaints) == 1
    assert "broken.flac" in result.complaints[0]
    assert "1 track" in result.out
    assert "broken.flac" in result.out


def test_nothing_readable_gives_no_answer(rig: Path, tmp_path: Path) -> None:
    result = run("fuse", tmp_path / "missing.flac", "--rig", rig, "--format", "json")
    assert result.status == 2
    assert "candidates" not in result.document
    assert "missing.flac" in result.document["errors"][0]["message"]


def test_silence_is_carried(rig: Path, tmp_path: Path) -> None:
    quiet = noise(tmp_path / "quiet.wav", level=1e-6)
    document = run("fuse", quiet, "--rig", rig, "--format", "json").document
    assert all(candidate["survives"] for candidate in document["candidates"])


def test_answer_is_written_to_a_file_that_is_no_programme(rig: Path, track: Path, tmp_path: Path) -> None:
    written = run("fuse", track, "--rig", rig, "-o", tmp_path / "answer.txt")
    assert written.out == ""
    assert "Which fuse?" in (tmp_path / "answer.txt").read_text(encoding="utf-8")
    refused = run("fuse", track, "--rig", rig, "-o", track)
    assert refused.status == 2
    assert "not written over" in refused.err
