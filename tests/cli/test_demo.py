"""`auditor demo` shows what its own README says it shows."""

from __future__ import annotations

import re
from typing import Any

import pytest

from auditor.demo import demo_dir, demo_paths
from auditor.errors import AuditorError
from tests.cli.harness import Result, run

_ROW = re.compile(r"^\| `(?P<name>[^`]+)` \|.*\| (?P<verdict>\w+) \|$", re.MULTILINE)


@pytest.fixture(scope="module")
def result() -> Result:
    return run("demo", "--format", "json")


@pytest.fixture(scope="module")
def tracks(result: Result) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = result.document["tracks"]
    return found


def test_nothing_is_complained_of_and_a_risk_is_found(result: Result) -> None:
    assert (result.status, result.err) == (1, "")
    assert result.document["errors"] == []
    assert result.document["rig"]["protection"]["kind"] == "lamp"


def test_every_clip_in_playing_order(tracks: list[dict[str, Any]]) -> None:
    assert [track["path"] for track in tracks] == [str(path) for path in demo_paths()]
    assert len(tracks) >= 7


def test_verdicts_are_those_of_the_readme(tracks: list[dict[str, Any]]) -> None:
    told = dict(_ROW.findall((demo_dir() / "README.md").read_text(encoding="utf-8")))
    assert {track["path"].rpartition("/")[2]: track["verdict"] for track in tracks} == told
    assert set(told.values()) == {"clear", "engaged", "risk"}


def over_a_limit(exposure: dict[str, float], rig: dict[str, Any]) -> bool:
    driver = rig["driver"]
    return (
        exposure["driver_power_max_60s_w"] > driver["continuous_power_w"]
        or exposure["driver_power_max_1s_w"] > driver["program_power_w"]
        or exposure["coil_temp_max_c"] > driver["coil_temp_limit_c"]
    )


def test_the_lamp_saves_the_driver_once_and_cannot_once(result: Result, tracks: list[dict[str, Any]]) -> None:
    rig = result.document["rig"]
    saved, lost = [], []
    for track in tracks:
        for channel in track["channels"]:
            if channel["protection"]["engaged_s"] > 0.0 and over_a_limit(channel["unprotected"], rig):
                (lost if over_a_limit(channel, rig) else saved).append(track["verdict"])
    assert "engaged" in saved
    assert "risk" in lost


def test_text_report() -> None:
    shown = run("demo", "--fail-on", "never", env={"COLUMNS": "120"})
    assert (shown.status, shown.err) == (0, "")
    for path in demo_paths():
        assert path.name in shown.out
    for word in ("CLEAR", "ENGAGED", "RISK", "riskiest first", "Cautions:"):
        assert word in shown.out


def test_installation_without_clips(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing() -> None:
        raise AuditorError("the demonstration set is missing from this installation", hint="reinstall")

    monkeypatch.setattr("auditor.demo.demo_dir", missing)
    shown = run("demo")
    assert (shown.status, shown.out) == (2, "")
    assert shown.err == "error: the demonstration set is missing from this installation (reinstall)\n"
