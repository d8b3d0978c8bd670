"""A lamp anywhere within its tolerance: verdict, passages and margin are those of the worse end."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor import audit, audit_set
from auditor.audit_types import Audit, End
from auditor.chain.play import play
from auditor.judgement.margin import Line, margin
from auditor.judgement.worst import worst_of
from auditor.protection import ends
from auditor.protection.lamp import Lamp
from auditor.rig import Rig
from tests.published.models import rig
from tests.stages.lines import louder, margin_of
from tests.stages.signals import tone, write_wav

STRONG = {"continuous_power_w": 5e3, "program_power_w": 2e4, "peak_power_w": 4e4}
HOT_COIL = STRONG | {"coil_thermal_resistance_k_per_w": 3.0, "body_thermal_resistance_k_per_w": 2.0}
# The coil binds, which the lamp that lets most through makes hottest; or the lamp's life, of which the one with the
# least current has the largest share of the voltage.
CASES: dict[End, dict[str, Any]] = {
    "latest": {"protection": {"kind": "lamp", "part": "1156"}, "driver": HOT_COIL},
    "earliest": {
        "protection": {"kind": "lamp", "design_voltage_v": 12.0, "design_current_a": 0.5, "rated_life_h": 1.0},
        "driver": STRONG,
    },
}
CAUSES = {"latest": "coil_temp", "earliest": "protection_failed"}
EITHER = pytest.mark.parametrize("end", list(CASES))


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_wav(tmp_path_factory.mktemp("tolerance") / "tone.wav", tone(48_000, 5000.0, 5.0, 0.5), 48_000)


def rated_margin_db(path: Path, system: Rig) -> float:
    played = play(str(path), system)
    found, _ = margin(
        [Line(feed=feed, rig=system, excess=worst_of(feed.frames, system).excess(system)) for feed in played.feeds]
    )
    assert found is not None
    return found


@functools.cache
def between(path: Path, end: End) -> tuple[Rig, float, Audit]:
    """A level half way between the margin with the lamp as rated and that with any lamp, their distance, the audit."""
    system = rig(amplifier={"rated_power_w": 5e4}, level={"gain_db": -20.0}, **CASES[end])
    rated_db, (any_db, _) = rated_margin_db(path, system), margin_of(play(str(path), system), system)
    assert any_db is not None
    there = louder(system, (rated_db + any_db) / 2.0)
    return there, rated_db - any_db, audit(path, there)


def test_the_ends_are_ten_percent_of_current_to_either_side() -> None:
    settings = rig(protection={"kind": "lamp", "part": "1156"}).protection
    assert isinstance(settings, Lamp)
    two = ends(settings)
    assert two is not None
    currents_a = [end.design_current_a for end in two if isinstance(end, Lamp)]
    assert currents_a == pytest.approx([0.9 * settings.design_current_a, 1.1 * settings.design_current_a])
    assert replace(settings, design_current_a=currents_a[0]) == two[0]


@EITHER
def test_the_margin_with_any_lamp_is_the_smaller_one(path: Path, end: End) -> None:
    _, apart_db, _ = between(path, end)
    assert 0.05 < apart_db < 1.5


@EITHER
def test_what_only_a_lamp_off_its_rating_endangers_is_a_risk(path: Path, end: End) -> None:
    system, apart_db, result = between(path, end)
    (channel,) = result.channels
    tolerance = channel.protection.tolerance
    assert tolerance is not None
    assert worst_of(play(str(path), system).feeds[0].frames, system).excess(system)[0] <= 0.0
    assert channel.protection.failed_at_s is None
    assert channel.protected.coil_temp_max_c <= system.driver.coil_temp_limit_c
    assert result.verdict == "risk"
    risks = [each for each in result.passages if each.verdict == "risk"]
    assert {(each.part_at, each.cause) for each in risks} == {(end, CAUSES[end])}
    assert {each.part_at for each in result.passages if each.verdict != "risk"} <= {None}
    at_ends = {"earliest": tolerance.earliest, "latest": tolerance.latest}
    assert at_ends.pop(end).verdict == "risk"
    assert at_ends.popitem()[1].verdict == "engaged"
    assert result.margin_db == pytest.approx(-apart_db / 2.0, abs=0.05)
    assert result.margin_limited_by == CAUSES[end]


@EITHER
def test_turned_down_by_the_margin_no_lamp_is_a_risk(path: Path, end: End) -> None:
    system, _, result = between(path, end)
    assert result.margin_db is not None
    softer = audit(path, louder(system, result.margin_db))
    assert softer.verdict == "engaged"
    assert {each.part_at for each in softer.passages} == {None}
    assert softer.margin_db == pytest.approx(0.0, abs=0.1)


def test_the_ends_say_what_becomes_of_driver_and_lamp(path: Path) -> None:
    system, _, result = between(path, "latest")
    (channel,) = result.channels
    tolerance = channel.protection.tolerance
    assert tolerance is not None
    limit_c = system.driver.coil_temp_limit_c
    assert tolerance.earliest.coil_temp_max_c < channel.protected.coil_temp_max_c <= limit_c
    assert tolerance.latest.coil_temp_max_c > limit_c
    assert tolerance.earliest.driver_power_max_1s_w < tolerance.latest.driver_power_max_1s_w
    assert tolerance.earliest.driver_power_max_60s_w < tolerance.latest.driver_power_max_60s_w
    burnt = between(path, "earliest")[2].channels[0].protection.tolerance
    assert burnt is not None
    assert burnt.earliest.failed_at_s is not None
    assert burnt.latest.failed_at_s is None


def test_where_the_lamp_as_rated_is_a_risk_its_ends_add_no_passage(path: Path) -> None:
    system, apart_db, _ = between(path, "latest")
    result = audit(path, louder(system, apart_db))
    assert result.verdict == "risk"
    assert {each.part_at for each in result.passages} == {None}


def test_the_set_counts_the_heat_behind_the_lamp_that_lets_most_through(path: Path, tmp_path: Path) -> None:
    before = write_wav(tmp_path / "before.wav", tone(48_000, 5000.0, 1.0, 0.5), 48_000)
    system, apart_db, _ = between(path, "latest")
    system = louder(system, -apart_db / 2.0 - 0.03)  # any lamp, but only just
    assert audit(path, system).verdict == "engaged"
    evening = audit_set([before, path], system)
    assert evening.coil_temp_max_c is not None
    assert evening.coil_temp_max_c < system.driver.coil_temp_limit_c
    assert evening.verdict == "risk"
    assert evening.margin_db is not None
    assert evening.margin_db < 0.0


@pytest.mark.parametrize(
    "protection",
    [
        {"kind": "none"},
        {"kind": "fuse", "rating_a": 2.0, "characteristic": "F"},
        {"kind": "breaker", "rating_a": 1.0, "reset": "hand"},
        {"kind": "resettable", "hold_a": 0.5},
        {"kind": "relay", "threshold_v": 10.0},
    ],
    ids=lambda table: table["kind"],
)
def test_other_parts_have_no_ends(tmp_path: Path, protection: dict[str, Any]) -> None:
    quiet = write_wav(tmp_path / "quiet.wav", 0.01 * np.ones(9600, dtype=np.float32), 48_000)
    system = rig(protection=protection)
    assert ends(system.protection) is None
    assert audit(quiet, system).channels[0].protection.tolerance is None
