"""`auditor limiter` as a person and a script meet it."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from tests.cli.harness import RIG, noise, run

BARE = RIG.replace('kind = "lamp"\npart = "1156"', 'kind = "none"')
SETTING = {"threshold_dbu", "threshold_v", "threshold_dbfs", "attack_s", "release_s", "hold_s", "averaging_s", "band"}


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(BARE.replace("rated_power_w = 300.0", "rated_power_w = 3000.0"))
    return path


@pytest.fixture
def track(tmp_path: Path) -> Path:
    return noise(tmp_path / "noise.wav", duration_s=2.0, level=0.25)


def test_json_has_the_printed_keys(rig: Path, track: Path) -> None:
    result = run("limiter", track, "--rig", rig, "--format", "json")
    document = result.document
    assert result.status == document["exit_status"] == 0
    assert document["command"] == "limiter"
    assert document["errors"] == []
    assert document["reachable"] is True
    for name in ("rms", "peak"):
        setting = document[name]
        assert setting.keys() >= SETTING
        assert setting["threshold_dbfs"] == pytest.approx(setting["threshold_dbu"] - 18.0)
        assert 20.0 * math.log10(setting["threshold_v"] / 0.6**0.5) == pytest.approx(
            setting["threshold_dbu"] + 32.0, abs=0.001
        )
    assert document["verified"].keys() >= {"verdict", "margin_db", "active_ratio", "reduction_max_db"}
    assert document["verified"]["verdict"] == "clear"
    assert len(document["reason"]) > 40


def test_the_lines_for_the_rig_file_hold_in_auditor_check(rig: Path, track: Path, tmp_path: Path) -> None:
    before = run("check", track, "--rig", rig, "--format", "json").document
    assert before["verdict"] == "risk"
    found = run("limiter", track, "--rig", rig, "--format", "json").document
    lines = "\n".join(found["rig_lines"])
    assert len(tomllib.loads(lines)["limiter"]) == 2
    limited = tmp_path / "limited.toml"
    limited.write_text(f"{rig.read_text()}\n{lines}\n")
    assert run("rig", "check", limited).status == 0
    after = run("check", track, "--rig", limited, "--format", "json").document
    assert after["verdict"] == found["verified"]["verdict"] == "clear"
    assert after["rig"]["limiter"][0]["threshold_dbu"] == found["rms"]["threshold_dbu"]
    assert after["tracks"][0]["margin_db"] == pytest.approx(found["verified"]["margin_db"], abs=0.01)


@pytest.mark.parametrize("columns", [80, 120])
def test_text_fits(rig: Path, track: Path, columns: int) -> None:
    result = run("limiter", track, "--rig", rig, env={"COLUMNS": str(columns)})
    assert max(map(len, result.out.splitlines())) <= columns
    for text in ("Which limiter settings?", "threshold at the amplifier's input", "[[limiter]]", "Within every limit"):
        assert text in result.out
    assert "Cautions: Estimates, not a guarantee." in result.out
    assert result.err == ""


def test_a_limiter_in_the_rig_file_is_left_out(rig: Path, track: Path) -> None:
    plain = run("limiter", track, "--rig", rig, "--format", "json").document
    given = '[limiter]\ndetector = "peak"\nthreshold_dbu = -20\nattack_s = 0.01\nrelease_s = 0.1\n'
    rig.write_text(f"{rig.read_text()}\n{given}")
    found = run("limiter", track, "--rig", rig, "--format", "json").document
    assert found["rms"] == plain["rms"]
    assert "The limiter of the rig file is left out here." in found["notes"]


def test_silence_needs_none(rig: Path, tmp_path: Path) -> None:
    quiet = noise(tmp_path / "quiet.wav", level=0.0)
    result = run("limiter", quiet, "--rig", rig)
    assert result.status == 0
    assert "Nothing reaches the driver" in result.out
    assert "textbook" in result.out


def test_broken_file_is_said_and_the_rest_answered(rig: Path, track: Path, tmp_path: Path) -> None:
    broken = tmp_path / "broken.flac"
    broken.write_bytes(b"fLaC" + b"\0" * 50)
    result = run("limiter", broken, track, "--rig", rig)
    assert result.status == 2
    assert len(result.complaints) == 1
    assert "broken.flac" in result.complaints[0]
    assert "1 track" in result.out


def test_nothing_readable_gives_no_answer(rig: Path, tmp_path: Path) -> None:
    result = run("limiter", tmp_path / "missing.flac", "--rig", rig, "--format", "json")
    assert result.status == 2
    assert "rms" not in result.document
    broken = tmp_path / "broken.flac"
    broken.write_bytes(b"fLaC" + b"\0" * 50)
    result = run("limiter", broken, "--rig", rig, "--format", "json")
    assert result.status == 2
    assert "rms" not in result.document
    assert "broken.flac" in result.document["errors"][0]["message"]
