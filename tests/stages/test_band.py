"""The band of a margin: it holds whatever rig is drawn from the bands, and follows closed forms where there are any."""

from __future__ import annotations

import json
import math
import random
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from auditor.audit_types import Audit, Band
from auditor.chain.play import Played, play
from auditor.demo import demo_paths, demo_rig_path
from auditor.pipeline import audit_set, banded, judge
from auditor.report.band_words import sentence
from auditor.report.records import schema, to_json
from auditor.rig import Rig
from auditor.rig_assumptions import _REASONS, SPREADS, assumed_value
from auditor.rig_band import bands, keys_of_playing, level_change_db, varied
from auditor.rig_resolve import resolve_rig
from auditor.spread import Processes
from tests.cli.harness import run

DRAWS, DRAWS_PLAYED = 200, 40  # the fewer where each is played anew
DRIVER = {"rated_impedance_ohm": 8.0, "continuous_power_w": 60.0}
DRUMS, SQUEAL, TONE = 4, 5, 6  # of the demonstration, counted from 0


def rig_of(**tables: dict[str, Any]) -> Rig:
    """The demonstration rig with these tables instead of its own."""
    document = tomllib.loads(Path(demo_rig_path()).read_text(encoding="utf-8")) | tables
    rig, faults = resolve_rig(document, path="band.toml")
    assert rig is not None, faults
    return rig


THERMAL = {
    "coil_thermal_resistance_k_per_w": 2.8,
    "body_thermal_resistance_k_per_w": 1.9,
    "coil_time_constant_s": 2.9,
    "body_time_constant_s": 1100.0,
}
LEVEL = {"full_scale_dbu": 18.0, "gain_db": -8.0}
SPL = {"target_spl_db": 108.0, "target_distance_m": 1.0, "box_sensitivity_db": 95.0}
PARTS = [
    {"kind": "series_capacitor", "capacitance_f": 8e-6},
    {"kind": "shunt_inductor", "inductance_h": 0.4e-3},
    {"kind": "l_pad", "pad_db": 3.0},
]
LOW = {"alignment": "butterworth", "order": 2, "frequency_hz": 900.0, "pad_db": 6.0}
DOME = {"resonance_hz": 900.0, "total_q": 0.9, "moving_mass_g": 0.45, "force_factor_t_m": 3.0}
DOME |= {"excursion_limit_mm": 0.15}
CROSSOVER = {"alignment": "linkwitz-riley", "order": 4, "frequency_hz": 1800.0}
RIGS: dict[str, dict[str, dict[str, Any]]] = {
    "as in the demonstration": {},
    "nothing but what must be given": {
        "driver": DRIVER,
        "crossover": CROSSOVER,
        "level": {"full_scale_dbu": 6.0},
    },
    "no protection": {"driver": DRIVER, "protection": {"kind": "none"}},
    "fuse": {"driver": DRIVER, "protection": {"kind": "fuse", "rating_a": 2.0, "characteristic": "T"}},
    "relay": {"driver": DRIVER, "protection": {"kind": "relay", "threshold_v": 25.0}},
    "modelled impedance": {"driver": DRIVER | {"voice_coil_inductance_h": 0.1e-3}},
    "network": {"driver": DRIVER | {"voice_coil_inductance_h": 0.1e-3}, "crossover": {"parts": PARTS}},
    "dome": {"driver": DRIVER | DOME, "crossover": LOW, "protection": {"kind": "none"}},
    "spl": {"level": SPL},
    "mono": {"level": LEVEL | {"full_scale_dbu": 12.0, "channels": "mono"}},
}


PLAYED = ("modelled impedance", "network", "dome")


@cache
def found(name: str, track: int) -> tuple[Played, Rig, Audit, Band]:
    rig = rig_of(**RIGS[name])
    played = play(demo_paths()[track], rig)
    audit = banded(judge(played, rig), played)
    assert audit.band is not None
    return played, rig, audit, audit.band


def margin_db(played: Played, rig: Rig, usual: Rig) -> float:
    """What the whole corridor says of a drawn rig; played anew where a drawn value changes what is played."""
    plays = ("level", "crossover", "limiters")
    moves = rig.driver.dome != usual.driver.dome or rig.driver.impedance != usual.driver.impedance
    if moves or any(getattr(rig, table) != getattr(usual, table) for table in plays):
        played = play(played.programme.path, rig)
    margin = judge(played, rig).margin_db
    return math.inf if margin is None else margin


# --- the band holds ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "track"),
    [
        ("as in the demonstration", SQUEAL),
        ("as in the demonstration", TONE),
        ("nothing but what must be given", DRUMS),
        ("no protection", TONE),
        ("fuse", TONE),
        ("relay", SQUEAL),
        ("modelled impedance", SQUEAL),
        ("network", SQUEAL),
        ("dome", TONE),
    ],
)
def test_no_rig_drawn_from_the_bands_has_a_margin_outside(name: str, track: int) -> None:
    played, rig, _, band = found(name, track)
    low_db = math.inf if band.margin_low_db is None else band.margin_low_db
    high_db = math.inf if band.margin_high_db is None else band.margin_high_db
    dice = random.Random(name)
    keys = [each.key for each in bands(rig)]
    outside = []
    for number in range(DRAWS_PLAYED if name in PLAYED else DRAWS):
        # Every other one at a corner, which is further out than a draw from inside ever comes.
        drawn = {key: dice.choice((-1.0, 1.0)) if number % 2 else dice.uniform(-1.0, 1.0) for key in keys}
        margin = margin_db(played, varied(rig, drawn), rig)
        if not low_db <= margin <= high_db:
            outside.append((margin, drawn))
    assert not outside, (low_db, high_db, outside[:3])


def test_behind_a_limiter_the_band_holds_too() -> None:
    limiter = {"detector": "rms", "threshold_dbu": 6.0, "attack_s": 0.01, "hold_s": 0.0, "release_s": 0.1}
    rig = rig_of(driver=DRIVER | {"dc_resistance_ohm": 5.8}, limiter=limiter | {"averaging_s": 0.02})
    played = play(demo_paths()[SQUEAL], rig)
    band = banded(judge(played, rig), played).band
    assert band is not None
    assert band.margin_low_db is not None
    dice = random.Random(3)
    for _ in range(6):
        drawn = varied(rig, {each.key: dice.choice((-1.0, 1.0)) for each in bands(rig)})
        high_db = math.inf if band.margin_high_db is None else band.margin_high_db
        assert band.margin_low_db <= margin_db(played, drawn, rig) <= high_db


# --- closed forms -----------------------------------------------------------------------------------------------------


def test_a_peak_rating_that_binds_alone_moves_the_margin_by_its_own_band() -> None:
    """Twice the peak rating is 3.01 dB of gain, and half of it as much the other way."""
    _, _, audit, band = found("no protection", DRUMS)
    assert audit.margin_limited_by == "driver_power_peak"
    assert audit.margin_db is not None
    assert band.margin_low_db == pytest.approx(audit.margin_db - 10.0 * math.log10(2.0), abs=0.2)
    assert band.margin_high_db == pytest.approx(audit.margin_db + 10.0 * math.log10(2.0), abs=0.2)
    assert band.narrows[0].key == "driver.peak_power_w"
    assert band.narrows[0].by_db == pytest.approx(20.0 * math.log10(2.0), abs=0.05)
    assert "data sheet" in band.narrows[0].how


def test_an_assumed_gain_moves_both_ends_by_its_own_band() -> None:
    given = rig_of(protection={"kind": "none"}, level={"full_scale_dbu": 10.0, "gain_db": 0.0})
    assumed = rig_of(protection={"kind": "none"}, level={"full_scale_dbu": 10.0})
    played = play(demo_paths()[DRUMS], given)
    sure, unsure = (banded(judge(played, rig), played).band for rig in (given, assumed))
    assert sure is not None
    assert unsure is not None
    assert sure.margin_low_db is not None
    assert sure.margin_high_db is not None
    assert unsure.margin_low_db == pytest.approx(sure.margin_low_db - 6.0, abs=0.01)
    assert unsure.margin_high_db == pytest.approx(sure.margin_high_db + 6.0, abs=0.01)
    assert unsure.narrows[0].key == "level.gain_db"
    assert unsure.narrows[0].by_db == pytest.approx(12.0, abs=0.01)


def test_with_nothing_assumed_the_band_is_the_margin() -> None:
    document = tomllib.loads(Path(demo_rig_path()).read_text(encoding="utf-8"))
    rig = rig_of(driver=document["driver"] | THERMAL, protection={"kind": "none"}, site={"ambient_temp_c": 20.0})
    assert rig.assumed == ()
    played = play(demo_paths()[TONE], rig)
    audit = banded(judge(played, rig), played)
    assert audit.band is not None
    assert audit.band.margin_low_db == pytest.approx(audit.margin_db)
    assert audit.band.margin_high_db == pytest.approx(audit.margin_db)
    assert audit.band.narrows == ()


# --- varied rigs ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", RIGS)
def test_in_the_middle_of_every_band_stands_the_rig_itself(name: str) -> None:
    rig = rig_of(**RIGS[name])
    assert varied(rig, {}) == rig
    assert varied(rig, dict.fromkeys(rig.assumed, 0.0)) == rig


def test_what_is_derived_from_a_varied_value_is_as_in_a_rig_file_that_gives_it() -> None:
    usual = rig_of(driver=DRIVER)
    for key in ("dc_resistance_ohm", "coil_diameter_mm", "coil_temp_limit_c"):
        for position in (-1.0, 1.0):
            moved = varied(usual, {f"driver.{key}": position}).driver
            assert getattr(moved, key) != getattr(usual.driver, key)
            assert moved == rig_of(driver=DRIVER | {key: getattr(moved, key)}).driver
    aluminium = varied(usual, {"driver.coil_material": 1.0}).driver
    assert aluminium == rig_of(driver=DRIVER | {"coil_material": "aluminium"}).driver


def test_a_varied_resistance_goes_into_impedance_and_network_as_in_a_rig_file_that_gives_it() -> None:
    usual = rig_of(**RIGS["network"])
    moved = varied(usual, {"driver.dc_resistance_ohm": 1.0, "crossover.parts.2.resistance_ohm": 1.0})
    driver = RIGS["network"]["driver"] | {"dc_resistance_ohm": moved.driver.dc_resistance_ohm}
    parts = [PARTS[0], PARTS[1] | {"resistance_ohm": 1.0}, PARTS[2]]
    given = rig_of(driver=driver, crossover={"parts": parts})
    assert moved.crossover.network != usual.crossover.network
    assert (moved.driver, moved.crossover) == (given.driver, given.crossover)
    assert set(keys_of_playing(usual)) == {"driver.dc_resistance_ohm", "crossover.parts.2.resistance_ohm"}
    assert keys_of_playing(rig_of(driver=DRIVER, crossover=CROSSOVER)) == frozenset()


def test_a_level_that_is_assumed_shifts_the_band_by_its_own() -> None:
    """Programme assumed at -14 dBFS that is at -24 has 10 dB more for full scale, at -8 it has 6 dB less."""
    rig = rig_of(**RIGS["spl"])
    for position, louder_db in ((-1.0, 10.0), (1.0, -6.0)):
        moved = varied(rig, {"level.target_level_dbfs": position})
        given = rig_of(level=SPL | {"target_level_dbfs": moved.level.target_level_dbfs})
        assert moved.level.unity_v == pytest.approx(given.level.unity_v)
        assert level_change_db(rig, moved) == pytest.approx(louder_db)
    mono = rig_of(**RIGS["mono"])
    assert level_change_db(mono, varied(mono, {"level.mono_gain_db": 1.0})) == pytest.approx(6.02, abs=0.001)
    assert level_change_db(mono, varied(mono, {"level.mono_gain_db": -1.0})) == 0.0


def test_what_the_carried_heat_holds_as_assumed_is_told() -> None:
    paths = [demo_paths()[SQUEAL], demo_paths()[DRUMS]]
    driver = DRIVER | THERMAL | {"voice_coil_inductance_h": 0.1e-3, "program_power_w": 120.0, "peak_power_w": 240.0}
    result = audit_set(paths, rig_of(driver=driver, protection={"kind": "none"}), with_band=True)
    assert result.band is not None
    assert result.band.held == ("driver.dc_resistance_ohm",)
    said = sentence(result.band, result.verdict, result.rig)
    assert said.endswith("Heat carried from track to track is taken with these as assumed: the driver's dc resistance.")


def test_workers_find_the_same_band() -> None:
    paths = [demo_paths()[SQUEAL], demo_paths()[DRUMS]]
    one, many = (audit_set(paths, rig_of(), with_band=True, way=way) for way in (None, Processes(2)))
    assert to_json(one, exit_status=1) == to_json(many, exit_status=1)


def test_reports_that_grow_line_by_line_have_no_band() -> None:
    found = run("demo", "--band", "--format", "ndjson")
    assert found.status == 2
    assert "ndjson has one margin for each track, so it does not go with --band" in found.err


def test_the_ends_of_every_band_are_those_told() -> None:
    for tables in RIGS.values():
        rig = rig_of(**tables)
        for each in bands(rig):
            for position, end in ((-1.0, each.low), (1.0, each.high)):
                value = assumed_value(varied(rig, {each.key: position}), each.key)
                assert value == (pytest.approx(end) if isinstance(end, float) else end), each.key


def test_every_value_that_can_be_assumed_has_a_band_or_is_seen_at_a_glance() -> None:
    glance = {
        "level.channels",
        "level.calibration_frequency_hz",  # of the tone that was played: no measurement settles what one did oneself
        "amplifier.band",
        "amplifier.bridged",
        "amplifier.boxes",
        "amplifier.box_impedance_ohm",  # for the amplifier's load alone: no margin follows from it
        "driver.series_count",
        "driver.parallel_count",
        "limiter.ratio",
        "limiter.band",
        "protection.series_count",
        "protection.parallel_count",
        "protection.body",
    }
    assert set(SPREADS) | glance == set(_REASONS)
    assert all(spread.how and spread.basis for spread in SPREADS.values())


# --- set and reports --------------------------------------------------------------------------------------------------


def test_the_set_is_as_sure_as_its_tightest_track_and_its_document_fits_the_schema() -> None:
    paths = [demo_paths()[SQUEAL], demo_paths()[TONE]]
    shares: list[float] = []
    result = audit_set(paths, rig_of(), with_band=True, progress=lambda _: shares.append)
    assert result.band is not None
    bands_of_tracks = [track.band for track in result.tracks if track.band is not None]
    lows = [band.margin_low_db for band in bands_of_tracks if band.margin_low_db is not None]
    assert len(lows) == 2
    assert result.band.margin_low_db is not None
    assert result.band.margin_low_db <= min(lows)
    assert result.band.verdict_worst == "risk"
    assert max(shares) == pytest.approx(1.0)
    document = json.loads(to_json(result, exit_status=1))
    jsonschema.Draft202012Validator(schema()).validate(document)
    assert set(document["set"]["band"]) == {"margin_low_db", "margin_high_db", "verdict_worst", "narrows", "held"}


def test_a_risk_at_the_careful_end_alone_is_said_and_decides_the_exit_status(tmp_path: Path) -> None:
    squeal, rig = str(demo_paths()[SQUEAL]), str(demo_rig_path())
    plain, careful = run("check", squeal, "--rig", rig), run("check", squeal, "--rig", rig, "--band")
    assert plain.status == 0
    assert careful.status == 1
    assert "Band: " not in plain.out
    said = " ".join(careful.out.split())
    assert "At the careful end this is a RISK" in said
    assert "though with the usual values it is not" in said
    assert "What would narrow it most is" in said
