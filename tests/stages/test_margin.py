"""The margin, applied as gain and audited anew from the file, puts the worst quantity within 0.1 dB of its limit.

With and without amplifier clipping, upward and downward, with a lamp and without. Where no margin is given, the highest
gain tried must indeed reach no limit.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor import audit, demo, load_rig
from auditor.chain.play import play
from auditor.rig import Rig
from tests.published.models import rig
from tests.stages.lines import excess_db, margin_of
from tests.stages.signals import DEMO, demo_path, music, tone, write_wav

MARGIN_DB = 0.1
LAMP = {"kind": "lamp", "part": "1156"}


def changed(system: Rig, *, gain_db: float = 0.0, rated_power_w: float | None = None, bare: bool = False) -> Rig:
    level = replace(system.level, gain_db=system.level.gain_db + gain_db)
    amplifier = replace(system.amplifier, rated_power_w=rated_power_w or system.amplifier.rated_power_w)
    protection = rig().protection if bare else system.protection
    return replace(system, level=level, amplifier=amplifier, protection=protection)


def check(path: Path, system: Rig) -> tuple[float | None, str | None]:
    played = play(str(path), system)
    margin_db, cause = margin_of(played, system)
    if margin_db is None:
        ladders = [feed.ladder for feed in played.feeds if feed.ladder is not None]
        assert len(ladders) == len(played.feeds)
        highest_db = min(ladder.highest_gain_db for ladder in ladders)
        assert highest_db >= 12.0
        assert excess_db(path, changed(system, gain_db=highest_db)) <= MARGIN_DB
    else:
        assert excess_db(path, changed(system, gain_db=margin_db)) == pytest.approx(0.0, abs=MARGIN_DB)
    return margin_db, cause


@functools.cache
def demo_rig() -> Rig:
    return load_rig(demo.demo_rig_path())


@pytest.mark.parametrize("bare", [False, True], ids=["lamp", "none"])
@pytest.mark.parametrize("start", DEMO)
def test_demo_clips_on_the_demo_rig(start: str, bare: bool) -> None:
    assert check(demo_path(start), changed(demo_rig(), bare=bare))[0] is not None


@pytest.mark.parametrize("start", DEMO)
def test_the_margin_set_as_gain_is_no_risk(start: str) -> None:
    system = demo_rig()
    played = play(str(demo_path(start)), system)
    margin_db, _ = margin_of(played, system)
    assert margin_db is not None
    assert excess_db(demo_path(start), changed(system, gain_db=margin_db)) <= 0.0


@pytest.mark.parametrize("bare", [False, True], ids=["lamp", "none"])
@pytest.mark.parametrize(("gain_db", "rated_power_w"), [(8.0, 800.0), (8.0, 100.0), (-12.0, 100.0), (-12.0, 1e5)])
@pytest.mark.parametrize("start", DEMO)
def test_demo_clips_down_from_clipping_and_up_into_it(
    start: str, gain_db: float, rated_power_w: float, bare: bool
) -> None:
    check(demo_path(start), changed(demo_rig(), gain_db=gain_db, rated_power_w=rated_power_w, bare=bare))


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("margin")
    rng = np.random.default_rng(11)
    burst = np.zeros(48_000 * 4, dtype=np.float32)
    burst[96_000:96_240] = 0.9 * tone(48_000, 5000.0, 0.005)
    return {
        "tone": write_wav(folder / "tone.wav", tone(48_000, 4000.0, 4.0, 0.5), 48_000),
        "burst": write_wav(folder / "burst.wav", burst, 48_000),
        "music 96 kHz": write_wav(folder / "music.wav", music(96_000, seconds=3.0), 96_000),
        "noise": write_wav(folder / "noise.wav", rng.uniform(-0.3, 0.3, 44_100 * 3).astype(np.float32), 44_100),
        "past full scale": write_wav(folder / "hot.wav", 4.0 * music(44_100, seconds=3.0), 44_100),
        "two levels": write_wav(
            folder / "two.wav",
            np.stack([0.2 * music(44_100, seconds=3.0), music(44_100, seconds=3.0, seed=4)], 1),
            44_100,
        ),
        "silence": write_wav(folder / "silence.wav", np.zeros(48_000, dtype=np.float32), 48_000),
    }


@pytest.mark.parametrize("protection", [{"kind": "none"}, LAMP], ids=["none", "lamp"])
@pytest.mark.parametrize("rated_power_w", [100.0, 400.0, 1e5])
@pytest.mark.parametrize("gain_db", [-25.0, -8.0, 6.0])
@pytest.mark.parametrize("name", ["tone", "burst", "music 96 kHz", "noise", "past full scale", "two levels"])
def test_synthetic_cases(
    files: dict[str, Path], name: str, gain_db: float, rated_power_w: float, protection: dict[str, Any]
) -> None:
    check(files[name], changed(rig(protection=protection), gain_db=gain_db, rated_power_w=rated_power_w))


@pytest.mark.parametrize(
    "crossover",
    [
        {"alignment": "none", "order": 1},
        {"alignment": "linkwitz-riley", "order": 2, "frequency_hz": 800.0},
        {"alignment": "linkwitz-riley", "order": 8, "frequency_hz": 3500.0},
        {"alignment": "butterworth", "order": 1, "frequency_hz": 6000.0},
        {"alignment": "butterworth", "order": 3, "frequency_hz": 2500.0},
        {"alignment": "bessel", "order": 4, "frequency_hz": 1200.0},
    ],
    ids=lambda table: f"{table['alignment']} {table['order']}",
)
@pytest.mark.parametrize("start", ["04", "06"])
def test_other_crossovers(start: str, crossover: dict[str, Any]) -> None:
    if crossover["alignment"] == "none":
        crossover = {"alignment": "none"}
    system = rig(protection=LAMP)
    table = rig(crossover=crossover) if crossover["alignment"] != "none" else None
    chosen = table.crossover if table is not None else replace(system.crossover, alignment="none", order=1)
    for gain_db in (-15.0, 4.0):
        check(demo_path(start), changed(replace(system, crossover=chosen), gain_db=gain_db))


def test_every_limit_can_bind(files: dict[str, Path]) -> None:
    high = {"continuous_power_w": 5e3, "program_power_w": 2e4, "peak_power_w": 4e4}
    cases = {
        "driver_power_1s": rig(driver={"continuous_power_w": 60.0, "program_power_w": 60.0, "peak_power_w": 5000.0}),
        "driver_power_60s": rig(driver={"continuous_power_w": 60.0, "program_power_w": 5e3, "peak_power_w": 2e4}),
        "driver_power_peak": rig(driver={"continuous_power_w": 60.0, "program_power_w": 120.0, "peak_power_w": 121.0}),
        "coil_temp": rig(
            driver=high | {"coil_thermal_resistance_k_per_w": 3.0, "body_thermal_resistance_k_per_w": 2.0}
        ),
    }
    for expected, system in cases.items():
        unlimited = changed(system, rated_power_w=1e5)
        margin_db, cause = check(files["tone"], unlimited)
        assert margin_db is not None
        assert cause == expected


def test_a_lamp_that_burns_out_binds_at_a_step(files: dict[str, Path]) -> None:
    system = rig(
        protection={"kind": "lamp", "design_voltage_v": 12.0, "design_current_a": 0.04},
        amplifier={"rated_power_w": 4e4},
    )
    margin_db, cause = margin_of(play(str(files["tone"]), system), system)
    assert cause == "protection_failed"
    assert margin_db is not None
    assert excess_db(files["tone"], changed(system, gain_db=margin_db)) <= 0.0
    assert excess_db(files["tone"], changed(system, gain_db=margin_db + MARGIN_DB)) >= 0.0


@pytest.mark.parametrize("protection", [{"kind": "none"}, LAMP], ids=["none", "lamp"])
def test_silence_and_a_small_amplifier_have_no_limit(files: dict[str, Path], protection: dict[str, Any]) -> None:
    assert check(files["silence"], rig(protection=protection)) == (None, None)
    small = rig(protection=protection, amplifier={"rated_power_w": 10.0})
    assert check(files["burst"], small) == (None, None)


def test_shifting_the_level_shifts_the_margin(files: dict[str, Path]) -> None:
    at_db = [
        margin_of(play(str(files["noise"]), system), system)[0]
        for system in (changed(rig(), gain_db=gain_db, rated_power_w=1e5) for gain_db in (-10.0, 0.0, 5.0))
    ]
    assert None not in at_db
    assert np.diff(np.array(at_db, dtype=float)) == pytest.approx([-10.0, -5.0], abs=0.05)


def test_a_file_that_is_gone_before_it_is_replayed_leaves_the_ladders_margin(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "gone.wav", tone(48_000, 7990.0, 4.0, 0.9), 48_000)
    system = changed(rig(), gain_db=-6.0, rated_power_w=100.0)
    played = play(str(path), system)
    there = margin_of(played, system)
    path.unlink()
    gone = margin_of(played, system)
    assert gone[1] == there[1]
    assert gone[0] == pytest.approx(there[0], abs=0.5)


@pytest.mark.parametrize("start", ["01", "05"])
def test_what_is_no_risk_as_it_is_played_has_no_margin_below_nought(start: str) -> None:
    system = demo_rig()
    path = str(demo_path(start))
    room_db = audit(path, system).margin_db
    assert room_db is not None
    found = [audit(path, changed(system, gain_db=room_db + 0.002 * step)) for step in range(15)]
    safe = [each.margin_db for each in found if each.verdict != "risk"]
    assert 1 < len(safe) < len(found)
    assert min(safe) == 0.0
    assert all(each.margin_db < 0.0 for each in found if each.verdict == "risk")
