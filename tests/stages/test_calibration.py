"""Four ways to the volts of a full-scale sine: against closed forms, against each other, and what is refused."""

# ruff: noqa: E501 - expected messages stand whole, each on its line, so that they read as the user sees them

from __future__ import annotations

import copy
import itertools
import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.chain.level import dbu, volts_per_unit
from auditor.comparison.portrait import louder_by, without_rails
from auditor.errors import RigError
from auditor.report.wiring_words import calibration
from auditor.rig import Rig, load_rig, rig_as_dict
from auditor.rig_calibration import OPTIONAL, WAYS, keys_of
from auditor.rig_file import key_lines
from auditor.rig_resolve import resolve_rig
from auditor.rig_schema import rig_json_schema
from auditor.tone import Tone, write

from .signals import analogue_high_pass

PLAIN: dict[str, Any] = {
    "level": {"full_scale_dbu": 18.0, "gain_db": 0.0},
    "amplifier": {"gain_db": 32.0, "rated_power_w": 300.0, "rated_load_ohm": 8.0},
    "crossover": {"alignment": "linkwitz-riley", "order": 4, "frequency_hz": 1800.0, "pad_db": 3.0},
    "protection": {"kind": "none"},
    "driver": {"rated_impedance_ohm": 8.0, "continuous_power_w": 60.0},
}
METER = {"calibration_tone_dbfs": -30.0, "calibration_voltage_v": 1.95}
CLIP = {"full_scale_re_clip_db": 2.0}
SPL = {"target_spl_db": 98.0, "target_distance_m": 8.0, "target_level_dbfs": -14.0, "box_sensitivity_db": 97.0}
EACH = {"line_up": {"full_scale_dbu": 18.0}, "meter": METER, "clip": CLIP, "spl": SPL}
SINE_AT_CLIP_V = math.sqrt(300.0 * 8.0)


def document(level: dict[str, Any] | None = None, **tables: Any) -> dict[str, Any]:
    whole = copy.deepcopy(PLAIN)
    whole["level"] = level if level is not None else whole["level"]
    for name, keys in tables.items():
        whole[name] = whole.get(name, {}) | keys if isinstance(keys, dict) else keys
    return whole


def resolved(level: dict[str, Any] | None = None, **tables: Any) -> Rig:
    rig, faults = resolve_rig(document(level, **tables), path="test")
    assert rig is not None, faults
    return rig


def faults_of(level: dict[str, Any] | None = None, **tables: Any) -> list[str]:
    rig, faults = resolve_rig(document(level, **tables), path="test")
    assert rig is None
    return [str(fault) for fault in faults]


# --- volts ------------------------------------------------------------------------------------------------------------


def test_a_meter_reading_is_scaled_by_the_tones_level() -> None:
    assert resolved(METER).full_scale_v == pytest.approx(1.95 * 10.0**1.5)
    assert resolved({**METER, "calibration_tone_dbfs": 0.0}).full_scale_v == pytest.approx(1.95)


def test_full_scale_against_clipping() -> None:
    assert resolved(CLIP).full_scale_v == pytest.approx(SINE_AT_CLIP_V * 10.0**0.1)
    assert resolved({"full_scale_re_clip_db": -6.0}).headroom_db == pytest.approx(6.0)
    # Bridged it is the bridged rail that it is measured against.
    assert resolved(CLIP, amplifier={"bridged": True}).headroom_db == pytest.approx(-2.0)


@pytest.mark.parametrize(
    ("spl_db", "distance_m", "sensitivity_db", "mean_v"),
    [
        (97.0, 1.0, 97.0, math.sqrt(8.0)),  # what sensitivity is: IEC 60268-5, from memory
        (107.0, 1.0, 97.0, math.sqrt(80.0)),  # 10 dB more is ten times the power: 10 W into 8 ohm
        (91.0, 2.0, 97.0, math.sqrt(8.0) * 10.0 ** (-6.0 / 20.0) * 2.0),  # twice the distance takes twice the volts
        (77.0, 10.0, 97.0, math.sqrt(8.0)),  # 20 dB at ten times the distance
    ],
)
def test_sound_level_in_the_open(spl_db: float, distance_m: float, sensitivity_db: float, mean_v: float) -> None:
    level = {"target_spl_db": spl_db, "target_distance_m": distance_m, "box_sensitivity_db": sensitivity_db}
    for mean_dbfs in (0.0, -14.0, -20.0):
        rig = resolved({**level, "target_level_dbfs": mean_dbfs})
        assert rig.full_scale_v * 10.0 ** (mean_dbfs / 20.0) == pytest.approx(mean_v)


def test_what_the_level_of_the_programme_is_taken_for() -> None:
    left_out = {key: value for key, value in SPL.items() if key != "target_level_dbfs"}
    rig = resolved(left_out)
    assert rig.level.target_level_dbfs == -14.0
    assert "level.target_level_dbfs" in rig.assumed
    assert rig.full_scale_v == pytest.approx(resolved(SPL).full_scale_v)


@given(volts=st.floats(0.5, 45.0), tone_dbfs=st.floats(-40.0, -1.0))
def test_the_four_ways_meet(volts: float, tone_dbfs: float) -> None:
    """One level said in four ways, each worked out here from the volts."""
    full_v = volts / 10.0 ** (tone_dbfs / 20.0)
    spl_db = 97.0 + 20.0 * math.log10(volts / math.sqrt(8.0))
    level_dbu = 20.0 * math.log10(full_v / math.sqrt(0.6)) - 32.0
    ways = [{"calibration_tone_dbfs": tone_dbfs, "calibration_voltage_v": volts}]
    if abs(level_dbu) <= 40.0:
        ways.append({"full_scale_dbu": level_dbu})
    ways.append({"full_scale_re_clip_db": 20.0 * math.log10(full_v / SINE_AT_CLIP_V)})
    ways.append(
        {
            "target_spl_db": spl_db - 20.0 * math.log10(4.0),
            "target_distance_m": 4.0,
            "target_level_dbfs": tone_dbfs,
            "box_sensitivity_db": 97.0,
        }
    )
    assert [resolved(each).full_scale_v for each in ways] == pytest.approx([full_v] * len(ways))


@pytest.mark.parametrize("way", EACH)
def test_a_change_since_then_counts_in_every_way(way: str) -> None:
    before, after = resolved(EACH[way]), resolved({**EACH[way], "gain_db": -3.0})
    assert after.full_scale_v / before.full_scale_v == pytest.approx(10.0 ** (-3.0 / 20.0))
    assert after.level.calibration == way
    assert louder_by(before, -3.0).full_scale_v == pytest.approx(after.full_scale_v)
    # What is tried with another amplifier keeps its level, also where that was told against clipping.
    assert without_rails(before).full_scale_v == before.full_scale_v
    assert volts_per_unit(after) == pytest.approx(math.sqrt(2.0) * after.full_scale_v)
    assert ("level.gain_db" in before.assumed) is (way == "line_up")


def test_the_report_has_the_volts_whichever_way() -> None:
    for level in EACH.values():
        rig = resolved(level)
        values = rig_as_dict(rig)["level"]
        assert values["full_scale_v"] == rig.full_scale_v
        assert {key for key, value in values.items() if value is not None} >= set(level)
    assert calibration(resolved(METER)) == "a meter read 1.95 V there with a tone of -30 dBFS"
    assert calibration(resolved({**CLIP, "gain_db": 1.5})) == (
        "said to be 2 dB past the amplifier's clipping; +1.5 dB since then"
    )
    told = calibration(resolved(SPL))
    # 98 dB at 8 m is 116.06 dB at 1 m, 19.06 dB over 97 dB: 2.828 V times 8.976.
    assert "programme of -14 dBFS mean level is to make 98 dB at 8 m from one box alone, which takes 25.4 V rms" in told
    assert "full scale: 112.0 dB there" in told


def test_the_tone_that_is_written_calibrates(tmp_path: Path) -> None:
    """Play the file of `auditor tone` into a known rig, read its volts off the samples, and get the rig's level back."""
    import soundfile

    truth = resolved({"full_scale_dbu": 14.0, "gain_db": -7.3})
    tone = Tone(
        kind="sine",
        level_dbfs=-30.0,
        duration_s=2.0,
        sample_rate_hz=48_000,
        frequency_hz=315.0,
        low_hz=100.0,
        high_hz=1e4,
    )
    write(tone, tmp_path / "tone.wav", "WAV")
    samples = soundfile.read(tmp_path / "tone.wav")[0][30_000:-30_000, 0]
    reading_v = volts_per_unit(truth) * math.sqrt(float(np.mean(samples**2)))
    found = resolved({"calibration_tone_dbfs": -30.0, "calibration_voltage_v": reading_v})
    assert 20.0 * math.log10(found.full_scale_v / truth.full_scale_v) == pytest.approx(0.0, abs=0.01)


# --- what stands in front of the terminals ------------------------------------------------------------------------------


def test_an_active_crossover_is_taken_out_of_the_reading() -> None:
    active = {"band": "hf"}
    for frequency_hz in (1200.0, 1800.0, 5400.0):
        ratio = abs(analogue_high_pass("linkwitz-riley", 4, 1800.0, np.array([frequency_hz]))[0])
        rig = resolved({**METER, "calibration_frequency_hz": frequency_hz}, amplifier=active)
        assert rig.full_scale_v == pytest.approx(1.95 * 10.0**1.5 / ratio)
        assert "level.calibration_frequency_hz" not in rig.assumed
    (line,) = faults_of(METER, amplifier=active)
    assert line.startswith(
        "level.calibration_frequency_hz: equaliser and active crossover take 61 dB off a tone of that frequency, so what "
        "the meter read says little about the rest of the band, got 315 Hz; allowed: a frequency at which"
    )


def test_a_passive_network_behind_an_hf_amplifier_is_not_in_the_reading() -> None:
    parts = [{"kind": "series_capacitor", "capacitance_f": 1e-5}]
    whole = document(METER, amplifier={"band": "hf"})
    whole["crossover"] = {"parts": parts}
    rig, faults = resolve_rig(whole, path="test")
    assert rig is not None, faults
    assert rig.full_scale_v == pytest.approx(1.95 * 10.0**1.5)
    assert "level.calibration_frequency_hz" not in rig.assumed


def test_an_equaliser_is_taken_out_of_the_reading() -> None:
    # A peaking section gives its gain at its own frequency.
    boost = [{"kind": "peaking", "frequency_hz": 315.0, "gain_db": 6.0, "q": 1.0}]
    rig = resolved(METER, equaliser=boost)
    assert rig.full_scale_v == pytest.approx(1.95 * 10.0 ** (24.0 / 20.0))
    assert "level.calibration_frequency_hz" in rig.assumed
    assert "level.calibration_frequency_hz" not in resolved(METER).assumed


def test_a_limiter_at_work_spoils_a_reading() -> None:
    limiter = {"detector": "rms", "attack_s": 0.01, "release_s": 0.1}
    (line,) = faults_of(METER, limiter={**limiter, "threshold_v": 1.9})
    assert (
        line
        == "level.calibration_voltage_v: a limiter was at work when that was read, got 1.95 V; allowed: up to 1.9 V, the limiter's threshold (measure with a quieter tone)"
    )
    assert resolved(METER, limiter={**limiter, "threshold_v": 2.0}).limiters[0].threshold_v == 2.0


# --- without the amplifier's gain ---------------------------------------------------------------------------------------

NO_GAIN = {"amplifier": {"rated_power_w": 300.0, "rated_load_ohm": 8.0}}


def without_gain(level: dict[str, Any], **tables: Any) -> tuple[Rig | None, list[str]]:
    whole = {**document(level, **tables), **NO_GAIN}
    rig, faults = resolve_rig(whole, path="test")
    return rig, [str(fault) for fault in faults]


@pytest.mark.parametrize("way", ["meter", "clip", "spl"])
def test_measured_levels_need_no_gain(way: str) -> None:
    rig, _ = without_gain(EACH[way])
    assert rig is not None
    assert rig.amplifier.gain_db is None
    assert rig.full_scale_v == resolved(EACH[way]).full_scale_v
    json.dumps(rig_as_dict(rig), allow_nan=False)


def test_line_up_needs_the_gain() -> None:
    assert without_gain(EACH["line_up"])[1] == [
        "amplifier.gain_db: missing: full_scale_dbu needs it; allowed: -20 to 80 dB (voltage gain; where it is not known measure instead: calibration_tone_dbfs, calibration_voltage_v)"
    ]


def test_a_faulty_gain_is_told_once() -> None:
    limiter = {"detector": "peak", "attack_s": 0.01, "release_s": 0.1, "threshold_dbu": -3.0}
    (line,) = faults_of(METER, limiter=limiter, amplifier={"gain_db": 500.0})
    assert line.startswith("amplifier.gain_db: larger than anything in the trade, got 500 dB")


def test_thresholds_in_dbu_need_the_gain_and_in_volts_do_not() -> None:
    limiter = {"detector": "peak", "attack_s": 0.01, "release_s": 0.1}
    rig, lines = without_gain(METER, limiter={**limiter, "threshold_dbu": -3.0})
    assert rig is None
    assert lines == [
        "limiter.threshold_dbu: a level at the amplifier's input is volts at its output only by the amplifier's gain, which is missing, got -3 dBu (give amplifier.gain_db, or threshold_v instead)"
    ]
    rig, _ = without_gain(METER, limiter={**limiter, "threshold_v": 20.0})
    assert rig is not None
    assert (rig.limiters[0].threshold_dbu, rig.limiters[0].threshold_v) == (None, 20.0)
    known = resolved(METER, limiter={**limiter, "threshold_v": 20.0})
    assert known.limiters[0].threshold_dbu == pytest.approx(dbu(20.0) - 32.0)


# --- what is refused ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("first", "second"), list(itertools.combinations(EACH, 2)))
def test_two_ways_at_once_are_refused_with_keys_and_reason(first: str, second: str) -> None:
    lines = faults_of({**EACH[first], **EACH[second]})
    keys = " and ".join(key for key in keys_of(first) if key in EACH[first])  # type: ignore[arg-type]
    there = [key for key in keys_of(second) if key in EACH[second]]  # type: ignore[arg-type]
    assert lines == [
        f"level.{there[0]}: the level is set already by {keys}, and both cannot hold (keep one way: remove {', '.join(there)}, or the other)"
    ]


@pytest.mark.parametrize(
    ("level", "line"),
    [
        ({"calibration_tone_dbfs": -30.0}, "level.calibration_voltage_v: missing: calibration_tone_dbfs needs it; allowed: 0.001 to 1000 V"),
        ({"calibration_voltage_v": 2.0}, "level.calibration_tone_dbfs: missing: calibration_voltage_v needs it; allowed: -100 to 0 dBFS"),
        ({"calibration_frequency_hz": 315.0, "calibration_voltage_v": 2.0}, "level.calibration_tone_dbfs: missing: calibration_voltage_v needs it; allowed: -100 to 0 dBFS"),
        ({**METER, "calibration_voltage_v": 0.0}, "level.calibration_voltage_v: a reading is above zero: is the meter on AC volts, and the amplifier on?, got 0 V; allowed: 0.001 to 1000 V"),
        ({**METER, "calibration_voltage_v": 5000.0}, "level.calibration_voltage_v: larger than anything in the trade, got 5000 V; allowed: 0.001 to 1000 V (what a meter read at the amplifier's loudspeaker terminals with that tone, rms)"),
        ({**METER, "calibration_voltage_v": 60.0}, "level.calibration_voltage_v: more than the amplifier gives before it clips, by its rated_power_w and rated_load_ohm, got 60 V; allowed: up to 48.99 V (measure with a quieter tone, or put the rating right)"),
        ({**METER, "calibration_tone_dbfs": 3.0}, "level.calibration_tone_dbfs: no tone is louder than full scale, got 3 dBFS; allowed: -100 to 0 dBFS"),
        ({"calibration_tone_dbfs": -90.0, "calibration_voltage_v": 40.0}, "level.calibration_tone_dbfs: with it full scale would be 88 dB past the amplifier's clipping, got -90 dBFS; allowed: 60 dB either way (is the tone's level right, and the reading in volts?)"),
        ({"calibration_tone_dbfs": 0.0, "calibration_voltage_v": 0.002}, "level.calibration_tone_dbfs: with it full scale would be 88 dB below the amplifier's clipping, got 0 dBFS; allowed: 60 dB either way (is the tone's level right, and the reading in volts?)"),
        ({**SPL, "target_spl_db": 40.0, "target_distance_m": 0.1, "target_level_dbfs": 0.0}, "level.target_spl_db: with it full scale would be 102 dB below the amplifier's clipping, got 40 dB; allowed: 60 dB either way"),
        ({"full_scale_re_clip_db": 600.0}, "level.full_scale_re_clip_db: larger than anything in the trade, got 600 dB; allowed: -60 to 60 dB (level of a 0 dBFS sine against the amplifier's clipping: negative below it, positive past it)"),
        ({"target_spl_db": 98.0, "target_distance_m": 8.0}, "level.box_sensitivity_db: missing: target_spl_db needs it; allowed: 60 to 125 dB"),
        ({**SPL, "target_spl_db": 120.0}, "level.target_spl_db: wants 319.6 V of programme at the box, and the amplifier clips a sine at 48.99 V, got 120 dB; allowed: up to 103.7 dB"),
        ({**SPL, "target_distance_m": 0.0}, "level.target_distance_m: smaller than anything in the trade, got 0 m; allowed: 0.1 to 500 m (distance from the box to where that level is)"),
        ({"gain_db": 3.0}, "level: nothing says how many volts full scale is; allowed: one of full_scale_dbu; calibration_tone_dbfs with calibration_voltage_v; full_scale_re_clip_db; target_spl_db with target_distance_m with box_sensitivity_db (`auditor tone` writes the tone to measure with)"),
        ({**METER, "channels": "mono", "mono_gain_db": 6.0}, "level.mono_gain_db: what was measured through the sum, with the same in every channel, has its gain in it already, got 6 dB (remove it; it goes with full_scale_dbu only)"),
        ({"full_scale_dbu": 18.0, "mono_gain_db": 6.0}, 'level.mono_gain_db: nothing is summed, got 6 dB (remove it, or channels = "mono")'),
        ({"full_scale_dbu": 18.0, "channels": "left"}, 'level.channels: not one of the words allowed, got "left"; allowed: each, mono (whether each channel of the file has its own amplifier, or all are summed into one)'),
    ],
)  # fmt: skip
def test_what_cannot_be_is_one_line(level: dict[str, Any], line: str) -> None:
    assert faults_of(level) == [line]


def test_a_fault_tells_its_line(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    text = "\n".join(
        [
            "# a rig",
            "[level]",
            "full_scale_dbu = 18",
            "calibration_voltage_v = 2.0",
            "[amplifier]",
            "rated_power_w = -5",
            "rated_load_ohm = 8",
            "[[limiter]]",
            'detector = "rms"',
            "threshold_v = 9",
            "attack_s = 1",
            "release_s = 1",
            "[[limiter]]",
            'detector = "rms"',
            "threshold_dbu = 9",
            "attack_s = 1",
            "release_s = 1",
            "[crossover]",
            'alignment = "none"',
            "[protection]",
            'kind = "none"',
            "[driver]",
            "rated_impedance_ohm = 8",
        ]
    )
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RigError) as caught:
        load_rig(path)
    told = {fault.key: fault.line for fault in caught.value.faults}
    assert told == {
        "level.calibration_voltage_v": 4,
        "amplifier.rated_power_w": 6,
        "limiter.2.threshold_dbu": 15,
        "driver.continuous_power_w": 22,  # missing: its table
    }
    assert caught.value.faults[0].in_file("rig.toml").startswith("rig.toml, line ")
    assert key_lines(text)["limiter.1.threshold_v"] == 10


# --- the schema says the same -------------------------------------------------------------------------------------------


def _levels() -> list[dict[str, Any]]:
    pieces = [*EACH.values(), {}, {"gain_db": -3.0}, {"channels": "mono"}, {"channels": "mono", "mono_gain_db": 3.0}]
    pieces += [{key: 1.0} for way in WAYS for key in (WAYS[way] + OPTIONAL[way])]
    return [{**one, **two} for one, two in itertools.combinations(pieces, 2)]


@pytest.mark.parametrize("gain", [True, False])
def test_the_schema_takes_what_the_loader_takes(gain: bool) -> None:
    """But for values that only arithmetic can tell: readings past clipping, sound levels out of reach."""
    validator = jsonschema.Draft202012Validator(rig_json_schema())
    taken = 0
    for level in _levels():
        whole = document(level)
        if not gain:
            del whole["amplifier"]["gain_db"]
        rig, faults = resolve_rig(whole, path="test")
        assert (rig is not None) is validator.is_valid(whole), (level, [str(fault) for fault in faults])
        taken += rig is not None
    assert taken > 10
