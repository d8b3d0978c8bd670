"""The rig file: what loads, what is filled in, and that every fault is told, each in one clear line."""

# ruff: noqa: E501 - expected messages stand whole, each on its line, so that they read as the user sees them

from __future__ import annotations

import json
import math
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor import published
from auditor.driver.coil import constant_voltage_rise_k, resistance_ratio
from auditor.driver.thermal import complete_thermal, rated_thermal_resistance_k_per_w, time_constants_s
from auditor.errors import AuditorError, RigError
from auditor.protection.lamp import Lamp
from auditor.protection.none import NoProtection
from auditor.rig import Rig, describe_assumptions, load_rig, rig_as_dict
from auditor.rig_assumptions import _REASONS, RATING_AMBIENT_C
from auditor.rig_calibration import WAYS
from auditor.rig_resolve import resolve_rig
from auditor.rig_schema import SCHEMA_PATH, rig_json_schema, rig_json_schema_text
from auditor.rig_template import TEMPLATE

LEAST = """
[level]
full_scale_dbu = 18
[amplifier]
gain_db = 32
rated_power_w = 300
rated_load_ohm = 8
[crossover]
alignment = "linkwitz-riley"
order = 4
frequency_hz = 1800
[protection]
kind = "lamp"
part = "1156"
[driver]
rated_impedance_ohm = 8
continuous_power_w = 60
"""


@pytest.fixture
def rig_file(tmp_path: Path):
    def write(text: str = LEAST, *changes: tuple[str, str]) -> Path:
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "rig.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture
def faults_of(rig_file):
    """The faults of the least rig with changes, as lines."""

    def collect(*changes: tuple[str, str]) -> list[str]:
        with pytest.raises(RigError) as caught:
            load_rig(rig_file(LEAST, *changes))
        return [str(fault) for fault in caught.value.faults]

    return collect


# --- what loads -------------------------------------------------------------------------------------------------------


def test_least_rig_is_filled_in(rig_file) -> None:
    rig = load_rig(rig_file())
    assert (rig.level.gain_db, rig.crossover.pad_db, rig.site.ambient_temp_c) == (0.0, 0.0, 25.0)
    driver = rig.driver
    assert driver.dc_resistance_ohm == pytest.approx(5.76)
    assert (driver.program_power_w, driver.peak_power_w) == (120.0, 240.0)
    assert (driver.coil_material, driver.coil_diameter_mm, driver.coil_temp_limit_c) == ("copper", 44.0, 180.0)
    assert rig.protection == Lamp(
        part="1156",
        design_voltage_v=12.8,
        design_current_a=2.1,
        design_temp_k=2725.0,
        gas_loss_ratio=0.12,
        rated_life_h=1200.0,
    )
    given = {"protection.kind", "protection.part", "protection.design_voltage_v", "protection.rated_life_h"}
    assert not given & set(rig.assumed)
    assert len(rig.assumed) == len(set(rig.assumed)) == 17


def test_every_number_is_a_float_whatever_was_typed(rig_file) -> None:
    values = rig_as_dict(load_rig(rig_file()))
    whole = {"order", "series_count", "parallel_count", "boxes"}
    for table in ("level", "amplifier", "crossover", "protection", "driver", "site"):
        for key, value in values[table].items():
            if not isinstance(value, str | bool | None):
                assert type(value) is (int if key in whole else float), key
    json.dumps(values, allow_nan=False)


def test_full_scale_and_rail(rig_file) -> None:
    # Line-up volts: published values, section 7. R68 with 32 dB.
    rig = load_rig(rig_file())
    assert rig.full_scale_v == pytest.approx(244.9, abs=0.06)
    assert rig.amplifier.rail_v == pytest.approx(math.sqrt(2 * 300 * 8))
    assert rig.headroom_db == pytest.approx(20 * math.log10(math.sqrt(300 * 8) / rig.full_scale_v))


def test_a_whole_rig_assumes_nothing(rig_file) -> None:
    text = TEMPLATE
    for key in ("design_temp_k", "gas_loss_ratio", "rated_life_h", "coil_thermal_resistance_k_per_w"):
        text = text.replace(f"# {key}", key)
    for key in ("body_thermal_resistance_k_per_w", "coil_time_constant_s", "body_time_constant_s"):
        text = text.replace(f"# {key}", key)
    rig = load_rig(rig_file(text))
    assert rig.assumed == ()
    assert describe_assumptions(rig) == []


def test_the_template_loads_and_stays_within_120_columns(rig_file) -> None:
    rig = load_rig(rig_file(TEMPLATE))
    assert rig.protection.part == "1156"
    assert max(map(len, TEMPLATE.splitlines())) <= 120
    assert "CAUTION" in TEMPLATE


def _alternatives(entry: dict[str, Any]) -> list[dict[str, Any]]:
    """The tables that may stand at a name: one, or one for each protection method; of a list, what it is a list of."""
    if "properties" in entry:
        return [entry]
    return [table for each in entry.get("oneOf", [entry.get("items")]) for table in _alternatives(each)]


def test_the_template_names_every_key() -> None:
    for table, entry in rig_json_schema()["properties"].items():
        for schema in _alternatives(entry):
            for key in schema["properties"]:
                assert f"{key} =" in TEMPLATE or f"[[{table}.{key}]]" in TEMPLATE, f"{table}.{key}"


@pytest.mark.parametrize("front", ["\ufeff", "# caf\u00e9 \u2014 \u97f3\n"], ids=["byte-order mark", "unicode"])
def test_encodings_that_load(rig_file, front: str) -> None:
    assert load_rig(rig_file(front + LEAST)).driver.rated_impedance_ohm == 8.0


def test_windows_line_ends_load(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(LEAST.replace("\n", "\r\n").encode())
    assert load_rig(str(path)).path == str(path)


def test_no_crossover_and_no_protection(rig_file) -> None:
    rig = load_rig(
        rig_file(
            LEAST,
            ('alignment = "linkwitz-riley"\norder = 4\nfrequency_hz = 1800', 'alignment = "none"'),
            ('kind = "lamp"\npart = "1156"', 'kind = "none"'),
        )
    )
    assert (rig.crossover.order, rig.crossover.frequency_hz) == (0, 0.0)
    assert rig.protection == NoProtection()
    assert not any(key.startswith("protection") for key in rig.assumed)


def test_a_lamp_by_its_rating(rig_file) -> None:
    rig = load_rig(rig_file(LEAST, ('part = "1156"', "design_voltage_v = 24\ndesign_current_a = 0.2")))
    lamp = rig.protection
    assert isinstance(lamp, Lamp)
    assert (lamp.part, lamp.design_voltage_v, lamp.design_temp_k, lamp.gas_loss_ratio) == (None, 24.0, 2425.0, 0.05)
    assert {"protection.rated_life_h", "protection.design_temp_k", "protection.gas_loss_ratio"} <= set(rig.assumed)


def test_a_part_may_be_overridden_where_it_is_only_assumed(rig_file) -> None:
    change = 'part = "1156"\ndesign_temp_k = 2650\ngas_loss_ratio = 0\nrated_life_h = 900\nseries_count = 2'
    lamp = load_rig(rig_file(LEAST, ('part = "1156"', change))).protection
    assert isinstance(lamp, Lamp)
    assert (lamp.design_temp_k, lamp.gas_loss_ratio, lamp.rated_life_h, lamp.series_count) == (2650.0, 0.0, 900.0, 2)


def test_a_category_without_a_life_gets_an_assumed_one(rig_file) -> None:
    rig = load_rig(rig_file(LEAST, ('"1156"', '"p21w"')))
    assert rig.protection.part == "P21W"
    assert "protection.rated_life_h" in rig.assumed


@pytest.mark.parametrize(
    ("line", "program_w", "peak_w"),
    [("program_power_w = 300", 300.0, 300.0), ("peak_power_w = 100", 100.0, 100.0), ("", 120.0, 240.0)],
)
def test_an_assumed_rating_gives_way_to_a_given_one(rig_file, line: str, program_w: float, peak_w: float) -> None:
    driver = load_rig(rig_file(LEAST + line)).driver
    assert (driver.program_power_w, driver.peak_power_w) == (program_w, peak_w)


# --- thermal ----------------------------------------------------------------------------------------------------------


def test_at_its_rating_the_coil_settles_at_its_limit(rig_file) -> None:
    rig = load_rig(rig_file(LEAST + 'coil_material = "aluminium"\n[site]\nambient_temp_c = 35\n'))
    driver = rig.driver
    added_ohm = driver.dc_resistance_ohm * (resistance_ratio(driver.coil_temp_limit_c, "aluminium") - 1.0)
    current_a = math.sqrt(60 * 8) / (8 + added_ohm)
    heat_w = current_a**2 * (driver.dc_resistance_ohm + added_ohm)
    whole = driver.coil_thermal_resistance_k_per_w + driver.body_thermal_resistance_k_per_w
    # In the air a rating is stated for; the hotter site comes on top when a programme is simulated.
    assert RATING_AMBIENT_C + heat_w * whole == pytest.approx(180.0, abs=1e-9)
    assert driver.coil_thermal_resistance_k_per_w / whole == pytest.approx(0.6)


def test_a_driver_that_is_all_wire_agrees_with_the_published_closed_form() -> None:
    # Constant-voltage rise, published values section 3: 62 K/W, 2 W cold, copper: 91.3 K. Derived backwards.
    rise_k = constant_voltage_rise_k(2.0, 62.0, "copper")
    assert rise_k == pytest.approx(91.3, abs=0.05)
    resistance = rated_thermal_resistance_k_per_w(
        rated_impedance_ohm=8.0,
        dc_resistance_ohm=8.0,
        continuous_power_w=2.0,
        coil_material="copper",
        coil_temp_limit_c=20.0 + rise_k,
        ambient_temp_c=20.0,
    )
    assert resistance == pytest.approx(62.0)


@pytest.mark.parametrize("record", [published.CHAPMAN_TWEETER, published.CHAPMAN_LARGE_DRIVER])
def test_time_constants_pass_through_both_measured_drivers(record) -> None:
    coil_s, body_s = time_constants_s(coil_diameter_mm=record.value.coil_diameter_mm)
    assert coil_s == pytest.approx(record.value.coil_time_constant_s)
    assert body_s == pytest.approx(60 * record.value.magnet_time_constant_min)


def test_time_constants_between_lie_on_a_power_law() -> None:
    # The geometric middle of the diameters has the geometric middle of the times.
    coil_s, body_s = time_constants_s(coil_diameter_mm=math.sqrt(19 * 70))
    assert coil_s == pytest.approx(math.sqrt(0.84 * 5.6))
    assert body_s == pytest.approx(60 * math.sqrt(6.5 * 33))


@pytest.mark.parametrize("given_key", ["coil_thermal_resistance_k_per_w", "body_thermal_resistance_k_per_w"])
def test_one_given_resistance_leaves_the_rest_to_the_other(given_key: str) -> None:
    thermal = complete_thermal({given_key: 2.0}, rated_resistance_k_per_w=5.0, coil_diameter_mm=44.0)
    whole = thermal.coil_thermal_resistance_k_per_w + thermal.body_thermal_resistance_k_per_w
    assert getattr(thermal, given_key) == 2.0
    assert whole == pytest.approx(5.0)


def test_one_resistance_above_the_whole_is_refused_two_are_believed(rig_file, faults_of) -> None:
    one = "continuous_power_w = 60\ncoil_thermal_resistance_k_per_w = 7"
    (fault,) = faults_of(("continuous_power_w = 60", one))
    assert fault.startswith("driver.coil_thermal_resistance_k_per_w: more than the rating implies")
    assert "body_thermal_resistance_k_per_w as well" in fault
    driver = load_rig(
        rig_file(LEAST + "coil_thermal_resistance_k_per_w = 7\nbody_thermal_resistance_k_per_w = 9")
    ).driver
    assert (driver.coil_thermal_resistance_k_per_w, driver.body_thermal_resistance_k_per_w) == (7.0, 9.0)


# --- assumptions ------------------------------------------------------------------------------------------------------


def test_each_assumption_is_one_sentence_with_value_unit_and_reason(rig_file) -> None:
    rig = load_rig(rig_file())
    sentences = describe_assumptions(rig)
    assert len(sentences) == len(rig.assumed)
    for key, sentence in zip(rig.assumed, sentences, strict=True):
        assert sentence.startswith(f"{key} ")
        assert ": assumed, " in sentence
        assert sentence.endswith(".")
    limit = next(text for text in sentences if "coil_temp_limit_c" in text)
    assert (
        limit
        == "driver.coil_temp_limit_c 180 C: assumed, IEC 60085 class H (band 120 to 200 C: own estimate; a dome may be 150 C)."
    )


def test_every_optional_key_has_a_reason_and_the_unit_of_the_schema() -> None:
    for table, entry in rig_json_schema()["properties"].items():
        for schema in _alternatives(entry):
            for key, about in schema["properties"].items():
                named = key in ("order", "frequency_hz", "part", "design_voltage_v", "design_current_a")
                named |= key in (
                    "match_loudness_lufs",
                    "reset_s",
                    "trip_a",
                    "time_to_trip_s",
                    "tripped_power_w",
                )  # no value is assumed
                named |= key.startswith("threshold_") or (table, key) in (
                    ("equaliser", "gain_db"),
                    ("amplifier", "gain_db"),
                )
                # Without these nothing is said of the dome's excursion, and nothing assumed.
                named |= key in ("total_q", "moving_mass_g", "force_factor_t_m", "excursion_limit_mm")
                # By these the impedance is known; without them it is the rated one throughout.
                named |= key in ("impedance_file", "voice_coil_inductance_h", "resonance_hz") or key.endswith("cal_q")
                named |= (table, key) in (("crossover", "alignment"), ("crossover", "parts"))
                named |= table == "level" and any(key in keys for keys in WAYS.values())
                if key in schema["required"] or named:
                    continue
                unit = _REASONS[f"{table}.{key}"][0]
                assert about["description"].endswith(f"[{unit}]" if unit else "."), key


# --- what is refused: one value ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("gain_db = 32", 'gain_db = "32"'), 'amplifier.gain_db: must be a number, got the text "32"; allowed: -20 to 80 dB (take the quotes away)'),
        (("gain_db = 32", "gain_db = true"), "amplifier.gain_db: must be a number, got true; allowed: -20 to 80 dB (voltage gain of one channel)"),
        (("gain_db = 32", "gain_db = [32]"), "amplifier.gain_db: must be a number, got an array; allowed: -20 to 80 dB (voltage gain of one channel)"),
        (("gain_db = 32", "gain_db = 2020-01-01"), "amplifier.gain_db: must be a number, got a date or time; allowed: -20 to 80 dB (voltage gain of one channel)"),
        (("gain_db = 32", "gain_db = nan"), "amplifier.gain_db: must be a finite number, got nan; allowed: -20 to 80 dB (voltage gain of one channel)"),
        (("gain_db = 32", "gain_db = -inf"), "amplifier.gain_db: must be a finite number, got -inf; allowed: -20 to 80 dB (voltage gain of one channel)"),
        (("gain_db = 32", "gain_db = 320"), "amplifier.gain_db: larger than anything in the trade, got 320 dB; allowed: -20 to 80 dB (voltage gain of one channel)"),
        (("gain_db = 32", f"gain_db = 1{'0' * 400}"), "amplifier.gain_db: larger than anything in the trade, got a whole number of more than 15 digits; allowed: -20 to 80 dB (voltage gain of one channel)"),
        (("gain_db = 32", 'gain_db = "32 dB"'), 'amplifier.gain_db: must be a number, got the text "32 dB"; allowed: -20 to 80 dB (a number without quotes, with a point for the decimals and without its unit)'),
        (("rated_impedance_ohm = 8", "rated_impedance_ohm = -8"), "driver.rated_impedance_ohm: a resistance is above zero, got -8 ohm; allowed: 0.5 to 1000 ohm"),
        (("rated_load_ohm = 8", "rated_load_ohm = 0"), "amplifier.rated_load_ohm: a resistance is above zero, got 0 ohm; allowed: 0.5 to 1000 ohm"),
        (("frequency_hz = 1800", "frequency_hz = 1800\npad_db = -3"), "crossover.pad_db: a pad only takes away: write its loss as a positive number, got -3 dB; allowed: 0 to 60 dB"),
        (("frequency_hz = 1800", "frequency_hz = 1.8"), "crossover.frequency_hz: lower than anything audible, got 1.8 Hz; allowed: 20 to 20000 Hz"),
        (("order = 4", "order = 4.0"), "crossover.order: must be a whole number, got 4.0; allowed: a whole number from 1 to 8 (write 4, without the point)"),
        (("order = 4", "order = true"), "crossover.order: must be a number, got true; allowed: a whole number from 1 to 8 (order of the high-pass)"),
        (('"linkwitz-riley"', '"linkwitz_riley"'), 'crossover.alignment: not one of the words allowed, got "linkwitz_riley"; allowed: linkwitz-riley, butterworth, bessel, none (did you mean "linkwitz-riley"?)'),
        (('"linkwitz-riley"', "4"), "crossover.alignment: not one of the words allowed, got 4; allowed: linkwitz-riley, butterworth, bessel, none (high-pass of the HF branch)"),
        (('"1156"', "1156"), 'protection.part: must be text, got 1156; allowed: text in quotes (put it in quotes: part = "1156")'),
        (('"1156"', '"1156"\nseries_count = 0'), "protection.series_count: a bank has at least one lamp, got 0; allowed: a whole number from 1 to 100"),
        (('"1156"', '"1156"\ndesign_temp_k = 3600'), "protection.design_temp_k: tungsten melts at 3695 K and no lamp is rated that near to it, got 3600 K; allowed: 1500 to 3400 K"),
        (('"1156"', '"1156"\ngas_loss_ratio = 0.6'), "protection.gas_loss_ratio: a lamp that loses more than half its power to gas is no lamp, got 0.6; allowed: 0 to 0.5"),
    ],
)  # fmt: skip
def test_one_wrong_value_is_one_line(faults_of, change: tuple[str, str], line: str) -> None:
    assert faults_of(change) == [line]


def test_text_from_the_file_cannot_steer_the_terminal(faults_of) -> None:
    (line,) = faults_of(('"linkwitz-riley"', '"\\u001b[2Jbessel\\u202e' + "x" * 500 + '"'))
    assert line.isprintable()
    assert len(line) < 200


# --- what is refused: names -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("continuous_power_w", "continuos_power_w"), "driver.continuos_power_w: unknown key (did you mean continuous_power_w [W]?)"),
        (("[amplifier]", "[amplifer]"), "amplifer: unknown table (did you mean [amplifier]?)"),
        (("order = 4", "order = 4\nambient_temp_c = 20"), "crossover.ambient_temp_c: unknown key (belongs in [site])"),
        (("order = 4", "order = 4\nzzz = 20"), "crossover.zzz: unknown key (keys here: alignment, order, frequency_hz, pad_db)"),
        (("\n[level]", "frequency_hz = 20\n[level]"), "frequency_hz: unknown key outside any table (belongs in [[equaliser]] or [crossover])"),
        (("\n[level]", "gain = 20\n[level]"), "gain: unknown key outside any table (did you mean gain_db in [level] or [[equaliser]] or [amplifier]?)"),
        (("[driver]", "[weather]\nrain = 1\n[driver]"), "weather: unknown table (tables: level, equaliser, limiter, amplifier, crossover, protection, driver, site)"),
        (("full_scale_dbu = 18", ""), "level: nothing says how many volts full scale is; allowed: one of full_scale_dbu; calibration_tone_dbfs with calibration_voltage_v; full_scale_re_clip_db; target_spl_db with target_distance_m with box_sensitivity_db (`auditor tone` writes the tone to measure with)"),
        (("[level]\nfull_scale_dbu = 18", ""), "level: missing table [level] (it needs at least: full_scale_dbu, or another calibration)"),
        (("[level]\nfull_scale_dbu = 18", "level = 18"), "level: must be a table, [level], got 18 (its keys go under [level])"),
        (("[level]", "[[level]]"), "level: must be a table, [level], got an array (in single brackets: [level] stands once)"),
        (("order = 4", ""), "crossover.order: missing: a linkwitz-riley crossover needs it; allowed: 2, 4, 6, 8"),
        (('kind = "lamp"', ""), "protection.kind: missing; allowed: none, lamp, fuse, breaker, resettable, relay (what stands in series with the HF driver; none where nothing does)"),
        (('"lamp"', '"Lamp"'), 'protection.kind: not one of the words allowed, got "Lamp"; allowed: none, lamp, fuse, breaker, resettable, relay (did you mean "lamp"?)'),
        (('"1156"', '"1157"'), 'protection.part: no such lamp in the list, got "1157" (nearest: 1156; `auditor parts lamp` lists all 27; or give design_voltage_v and design_current_a)'),
        (('part = "1156"', ""), "protection.part: missing; allowed: part, or design_voltage_v [V] with design_current_a [A] (`auditor parts` lists the lamps known)"),
        (('part = "1156"', "design_voltage_v = 12"), "protection.design_current_a: missing: a lamp's rating needs both its voltage [V] and its current [A]"),
        (('part = "1156"', 'part = "1156"\ndesign_voltage_v = 12'), "protection.design_voltage_v: the part already sets this (remove it, or remove part and give both design_voltage_v and design_current_a)"),
    ],
)  # fmt: skip
def test_one_wrong_name_is_one_line(faults_of, change: tuple[str, str], line: str) -> None:
    assert faults_of(change) == [line]


# --- what is refused: values together ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ([("rated_impedance_ohm = 8", "rated_impedance_ohm = 8\ndc_resistance_ohm = 9")], "driver.dc_resistance_ohm: the wire alone cannot have more than the rated impedance, got 9 ohm; allowed: at most 8 ohm (rated_impedance_ohm)"),
        ([("power_w = 60", "power_w = 60\nprogram_power_w = 50")], "driver.program_power_w: less than continuous_power_w, which no driver is rated for, got 50 W; allowed: at least 60 W"),
        ([("power_w = 60", "power_w = 60\nprogram_power_w = 90\npeak_power_w = 80")], "driver.peak_power_w: less than program_power_w, which no driver is rated for, got 80 W; allowed: at least 90 W"),
        ([("[driver]", "[site]\nambient_temp_c = 70\n[driver]\ncoil_temp_limit_c = 70")], "driver.coil_temp_limit_c: the coil's limit is no hotter than the air round it, so the driver could never be used, got 70 C; allowed: above 70 C (site.ambient_temp_c)"),
        ([("order = 4", "order = 3")], "crossover.order: a linkwitz-riley crossover is made of two equal halves, so its order is even, got 3; allowed: 2, 4, 6, 8"),
        ([('"linkwitz-riley"\norder = 4', '"none"\norder = 4'), ("frequency_hz = 1800", "")], 'crossover.order: alignment "none" has no such thing (remove it)'),
    ],
)  # fmt: skip
def test_impossible_together_is_one_line(faults_of, changes: list[tuple[str, str]], line: str) -> None:
    assert faults_of(*changes) == [line]


def test_six_faults_are_six_lines(faults_of) -> None:
    lines = faults_of(
        ("gain_db = 32", 'gain_db = "32"'),
        ("order = 4", "order = 5"),
        ("frequency_hz = 1800", "frequency_hz = 1800\npad_db = -3"),
        ('"1156"', '"1165"\nseries_count = 0'),
        ("rated_impedance_ohm", "rated_impedence_ohm"),
    )
    keys = sorted(line.split(":")[0] for line in lines)
    assert keys == [
        "amplifier.gain_db",
        "crossover.order",
        "crossover.pad_db",
        "driver.rated_impedence_ohm",
        "protection.part",
        "protection.series_count",
    ]


def test_a_misspelt_key_is_checked_under_its_right_name(faults_of) -> None:
    lines = faults_of(("rated_impedance_ohm = 8", "rated_impedence_ohm = -8"))
    assert [line.split(":")[0] for line in lines] == ["driver.rated_impedance_ohm", "driver.rated_impedence_ohm"]


def test_an_empty_file_names_every_table(rig_file) -> None:
    with pytest.raises(RigError) as caught:
        load_rig(rig_file(""))
    assert [fault.key for fault in caught.value.faults] == ["level", "amplifier", "crossover", "protection", "driver"]
    assert "rig.toml: 5 faults: " in str(caught.value)


ODD = [
    None,
    0,
    -1,
    1.5,
    True,
    "x",
    "lamp",
    "none",
    "bessel",
    [],
    {},
    [{}],
    math.nan,
    10**400,
    math.inf,
    "\x1b[2J",
    8,
    180,
]
ODD_KEYS = ["design_voltage_v", "design_current_a", "parts", "coil_thermal_resistance_k_per_w", "zzz", "ordr"]


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_whatever_stands_in_the_file_the_answer_is_a_rig_or_clean_lines(data: st.DataObject) -> None:
    document = tomllib.loads(TEMPLATE)
    for _ in range(data.draw(st.integers(1, 5))):
        table = document[
            data.draw(st.sampled_from(["level", "amplifier", "crossover", "protection", "driver", "site"]))
        ]
        key, value = data.draw(st.sampled_from([*table, *ODD_KEYS])), data.draw(st.sampled_from(ODD))
        table.pop(key, None)
        if value is not None:
            table[key] = value
    rig, faults = resolve_rig(document, path="rig.toml")
    assert (rig is None) == bool(faults)
    lines = [str(fault) for fault in faults]
    assert all(line.isprintable() for line in lines)
    assert len(set(lines)) == len(lines)
    if rig is not None:
        json.dumps(rig_as_dict(rig), allow_nan=False)


# --- what is refused: the file ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("order = 4", "order = 4 dB"), "not valid TOML at line 10, column 11 (one key = value on each line, numbers without their unit and with a point)"),
        (("= 1800", "= 1,8"), "not valid TOML at line 11, column 17 (one key = value on each line, numbers without their unit and with a point)"),
        (('"lamp"', "lamp"), 'not valid TOML at line 13, column 8 (text goes in quotes: kind = "lamp"; numbers are written 18.0)'),
        (("order = 4", "order 4"), "not valid TOML at line 10, column 7 (write key = value; comments begin with #)"),
        (("order = 4", "order = 4\norder = 2"), "not valid TOML at line 11, column 10 (a key may stand only once)"),
        (("[driver]", "[level]"), "not valid TOML at line 15, column 7 (a table may stand only once: put its keys together)"),
        (('"lamp"', '"lamp'), "not valid TOML at line 13, column 13 (close the quotes on the same line)"),
        (("= 60", "= [60"), "not valid TOML at the end of the file (close the bracket ])"),
    ],
)  # fmt: skip
def test_a_slip_in_the_syntax_has_its_place_and_a_hint(faults_of, change: tuple[str, str], line: str) -> None:
    assert faults_of(change) == [line]


@pytest.mark.parametrize("text", ["x = " + "[" * 5000 + "]" * 5000, "x = " + "1" * 5000])
def test_absurd_toml_is_one_line(rig_file, text: str) -> None:
    with pytest.raises(RigError, match=r"not readable as TOML|not valid TOML"):
        load_rig(rig_file(text))


def _refusal(path: Path | str) -> str:
    with pytest.raises(AuditorError) as caught:
        load_rig(path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_file_that_is_no_rig_file(tmp_path: Path) -> None:
    assert "no such rig file" in _refusal(tmp_path / "none.toml")
    assert "`auditor rig new`" in _refusal(tmp_path / "none.toml")
    assert "is a folder" in _refusal(tmp_path)
    assert "not a usable file name" in _refusal("a\0b")
    binary = tmp_path / "take.wav"
    binary.write_bytes(b"RIFF\n" + bytes(range(256)))
    assert "not UTF-8 text, from line 3 on" in _refusal(binary)
    binary.write_bytes(b" " * 1_000_001)
    assert "too large for a rig file" in _refusal(binary)


def test_a_file_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    (tmp_path / "rig.toml").write_text(LEAST)
    monkeypatch.setattr(Path, "open", refuse)
    assert "no permission to read it" in _refusal(tmp_path / "rig.toml")


# --- schema and imports -----------------------------------------------------------------------------------------------


def test_the_shipped_schema_has_not_drifted() -> None:
    assert SCHEMA_PATH.read_text(encoding="utf-8") == rig_json_schema_text(), "run: python -m auditor.rig_schema"


def test_the_schema_takes_what_loads_and_refuses_what_does_not() -> None:
    schema = rig_json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    for good in (LEAST, TEMPLATE):
        jsonschema.validate(tomllib.loads(good), schema)
    for old, new in (
        ("order = 4", ""),
        ("order = 4", "order = 4.5"),
        ('"linkwitz-riley"', '"none"'),
        ('"1156"', '"1156"\ndesign_voltage_v = 12'),
        ('"1156"', '"1156"\nzzz = 12'),
        ("gain_db = 32", "gain_db = 900"),
        ("[level]\nfull_scale_dbu = 18", ""),
    ):
        with pytest.raises(jsonschema.ValidationError):
            # `part` beside a lone voltage satisfies one branch of the schema, so give the current too.
            jsonschema.validate(
                tomllib.loads(LEAST.replace(old, new.replace("v = 12", "v = 12\ndesign_current_a = 1"))), schema
            )


def test_loading_a_rig_imports_neither_numpy_nor_scipy(rig_file) -> None:
    code = (
        "import sys; import auditor.rig; assert 'pydantic' not in sys.modules\n"
        f"rig = auditor.rig.load_rig({str(rig_file())!r}); auditor.rig.describe_assumptions(rig)\n"
        "print(sorted({'numpy', 'scipy', 'numba', 'librosa', 'rich'} & set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_a_rig_is_frozen(rig_file) -> None:
    rig = load_rig(rig_file())
    with pytest.raises(AttributeError):
        rig.path = "other"  # type: ignore[misc]
    assert isinstance(rig, Rig)
