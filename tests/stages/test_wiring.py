"""Several drivers on a branch, several boxes on an amplifier, two channels bridged, a file summed to mono."""

# ruff: noqa: E501 - expected messages stand whole, each on its line, so that they read as the user sees them

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile
from scipy.integrate import solve_ivp

from auditor import audit, published
from auditor.advice.limiter_settings import textbook_dbu
from auditor.chain.limiter import limiter_threshold_dbu
from auditor.chain.play import play
from auditor.comparison.portrait import portray
from auditor.driver.coil import REFERENCE_C, CoilNetwork, alpha_per_k
from auditor.judgement.ratings import stretches
from auditor.programme import decode
from auditor.programme.entry import Entry
from auditor.programme.power import powers
from auditor.programme.spectrum import spectrum
from auditor.protection.filament import Filament
from auditor.protection.lamp import Lamp
from auditor.protection.steady import SteadyCurve
from auditor.render import render
from auditor.report import words
from auditor.report.wiring_words import drivers, largest_sine_w, load, load_ohm_of
from auditor.rig import Rig
from auditor.rig_resolve import resolve_rig
from auditor.rig_schema import rig_json_schema
from auditor.simulation import simulate
from tests.published.models import rig

from .signals import music, tone, write_wav
from .test_calibration import document, faults_of

BANKS = [(1, 1), (2, 1), (1, 2), (2, 2), (3, 1), (2, 3)]
LAMP = {"kind": "lamp", "part": "1156"}


def bank(series: int, parallel: int, **changes: Any) -> Rig:
    driver = {"series_count": series, "parallel_count": parallel} | changes.pop("driver", {})
    return rig(driver=driver, **changes)


# --- several drivers on one branch --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("series", "parallel", "ohm"), [(1, 1, 8.0), (2, 1, 16.0), (1, 2, 4.0), (2, 2, 8.0), (3, 2, 12.0), (1, 4, 2.0)]
)
def test_resistances_in_series_add_and_in_parallel_their_inverses_do(series: int, parallel: int, ohm: float) -> None:
    string = sum([8.0] * series)
    assert 1.0 / sum([1.0 / string] * parallel) == pytest.approx(ohm)  # Ohm's law, written out
    driver = bank(series, parallel).driver
    assert driver.branch_impedance_ohm == pytest.approx(ohm)
    network = CoilNetwork.of(driver, 25.0)
    assert network.rated_impedance_ohm == pytest.approx(ohm)
    assert network.dc_resistance_ohm == pytest.approx(5.8 * ohm / 8.0)
    assert network.v2_per_w == pytest.approx(driver.branch_v2_per_w)


@pytest.mark.parametrize(("series", "parallel"), BANKS)
def test_each_driver_gets_its_share_of_the_branch(series: int, parallel: int) -> None:
    """20 V on the branch: each driver has 20/m V, so (20/m)^2/8 W, and n strings draw n times a string's current."""
    system = bank(series, parallel)
    frames = _steady(system, 20.0, 100)
    (stretch,) = stretches(frames, system, protected=True)
    assert stretch.power_w[-1] == pytest.approx((20.0 / series) ** 2 / 8.0, rel=1e-5)
    assert stretch.power_peak_w[-1] == pytest.approx((28.0 / series) ** 2 / 8.0, rel=1e-5)


def _steady(system: Rig, volts: float, count: int, *, frame_s: float = 0.006):
    from auditor.chain.splitter import HfFrames

    return HfFrames(
        frame_s=frame_s,
        duration_s=count * frame_s,
        rms_v=np.full(count, volts, dtype=np.float32),
        peak_v=np.full(count, 1.4 * volts, dtype=np.float32),
    )


@pytest.mark.parametrize(("series", "parallel"), BANKS)
def test_a_bank_behind_a_lamp_against_one_equation_for_each_driver(series: int, parallel: int) -> None:
    """scipy's solver on the circuit as it is wired: lamp in the branch, each driver with a coil and a body of its own."""
    system = bank(series, parallel, protection=LAMP, site={"ambient_temp_c": 25.0})
    assert isinstance(system.protection, Lamp)
    driver = system.driver
    filament = Filament.from_lamp(system.protection, 298.15)
    alpha = alpha_per_k(driver.coil_material)
    coil_j_per_k = driver.coil_time_constant_s / driver.coil_thermal_resistance_k_per_w
    body_j_per_k = driver.body_time_constant_s / driver.body_thermal_resistance_k_per_w
    source_v, seconds = 24.0, 6.0

    def rates(_: float, state: np.ndarray) -> list[float]:
        filament_k, coil_c, body_c = state
        added_ohm = driver.dc_resistance_ohm * alpha * (coil_c - REFERENCE_C)
        one_string_ohm = sum([driver.rated_impedance_ohm + added_ohm] * series)
        strings_ohm = 1.0 / sum([1.0 / one_string_ohm] * parallel)
        lamp_ohm = float(filament.resistance_ohm(filament_k))
        branch_a = source_v / (lamp_ohm + strings_ohm)
        driver_a = branch_a / parallel
        to_body_w = (coil_c - body_c) / driver.coil_thermal_resistance_k_per_w
        to_air_w = (body_c - 25.0) / driver.body_thermal_resistance_k_per_w
        return [
            (branch_a**2 * lamp_ohm - float(filament.loss_w(filament_k)))
            / float(filament.heat_capacity_j_per_k(filament_k)),
            (driver_a**2 * (driver.dc_resistance_ohm + added_ohm) - to_body_w) / coil_j_per_k,
            (to_body_w - to_air_w) / body_j_per_k,
        ]

    solved = solve_ivp(rates, (0.0, seconds), [298.15, 25.0, 25.0], "LSODA", rtol=1e-8, atol=1e-8)
    assert solved.success
    run = simulate(np.full(round(seconds / 0.006), source_v, dtype=np.float32), 0.006, system)
    filament_k, coil_c, body_c = solved.y[:, -1]
    assert run.filament_temp_k is not None
    assert run.filament_temp_k[-1] == pytest.approx(filament_k, rel=1e-3)
    assert run.coil_temp_c[-1] - 25.0 == pytest.approx(coil_c - 25.0, rel=2e-3)
    assert run.body_temp_c[-1] - 25.0 == pytest.approx(body_c - 25.0, rel=5e-3)


@pytest.mark.parametrize(("series", "parallel"), BANKS)
def test_what_is_advised_knows_the_bank(series: int, parallel: int) -> None:
    system = bank(series, parallel)
    # The rms limiter's textbook threshold: the branch at which one driver has its 60 W.
    branch_v = series * math.sqrt(60.0 * 8.0)
    assert textbook_dbu(system, "rms") == pytest.approx(20.0 * math.log10(branch_v / math.sqrt(0.6)) - 32.0)
    assert textbook_dbu(system, "rms") == pytest.approx(limiter_threshold_dbu(60.0, 8.0 * series**2, 32.0))
    # A steady source that puts the rating into one driver: the branch's volts.
    curve = SteadyCurve.bare(CoilNetwork.of(system.driver, 25.0))
    assert curve.driver_power_at_w(branch_v) == pytest.approx(60.0, rel=1e-3)
    assert curve.ceiling_v(power_w=60.0, coil_temp_c=1000.0) == pytest.approx(branch_v, rel=1e-3)
    assert largest_sine_w(system) == pytest.approx(2400.0 / (8.0 * series**2))


def test_two_by_two_is_one_driver_of_four_times_the_rating(tmp_path: Path) -> None:
    """The same impedance, a quarter of the power in each: at four times the level everything is the same again."""
    path = write_wav(tmp_path / "a.wav", 0.05 * music(48_000, seconds=3.0), 48_000)
    single = audit(path, bank(1, 1))
    level = {"full_scale_dbu": 18.0, "gain_db": 20.0 * math.log10(2.0)}
    four = audit(path, bank(2, 2, level=level, amplifier={"rated_power_w": 1200.0}))
    one, each = single.channels[0], four.channels[0]
    assert each.protected.driver_power_max_1s_w == pytest.approx(one.protected.driver_power_max_1s_w, rel=1e-5)
    assert each.protected.coil_temp_max_c == pytest.approx(one.protected.coil_temp_max_c, rel=1e-5)
    assert four.margin_db == pytest.approx(single.margin_db, abs=0.01)
    assert each.hf_voltage_rms_v == pytest.approx(2.0 * one.hf_voltage_rms_v, rel=1e-5)


def test_the_report_says_that_figures_are_of_one_driver() -> None:
    assert drivers(bank(1, 1)) == ""
    assert drivers(bank(2, 3)) == (
        "6 on one branch, 2 in series, 3 such strings in parallel: 5.33 ohm together. Powers and temperatures are those "
        "of one of them; equal drivers share equally."
    )
    assert "2 drivers (2 in series) of 60 W 8 ohm" in words.rig_sentence(bank(2, 1))


# --- boxes and bridging -------------------------------------------------------------------------------------------------


def test_bridged_the_volts_are_doubled() -> None:
    """Each side swings its rail the other way, so the load sees both: twice the volts, four times the power into 2 R."""
    single, bridged = rig(), rig(amplifier={"bridged": True})
    assert bridged.amplifier.rail_v == pytest.approx(2.0 * single.amplifier.rail_v)
    assert bridged.full_scale_v == pytest.approx(2.0 * single.full_scale_v)
    assert bridged.headroom_db == pytest.approx(single.headroom_db)
    assert bridged.amplifier.whole_gain_db == pytest.approx(32.0 + 6.0206, abs=1e-4)
    # 300 W into 8 ohm each: 600 W into 16 ohm, as two channels of the same current must give.
    assert bridged.amplifier.rail_v**2 / 2.0 / 16.0 == pytest.approx(600.0)


def test_a_threshold_at_the_input_of_a_bridged_amplifier() -> None:
    limiter = {"detector": "rms", "threshold_dbu": -4.0, "attack_s": 0.1, "release_s": 1.0}
    single, bridged = (rig(limiter=limiter, amplifier={"bridged": each}) for each in (False, True))
    assert bridged.limiters[0].threshold_v == pytest.approx(2.0 * single.limiters[0].threshold_v)


@pytest.mark.parametrize(
    ("amplifier", "load_ohm", "warns"),
    [
        ({}, None, False),
        ({"boxes": 1}, 8.0, False),
        ({"boxes": 2}, 4.0, True),
        ({"boxes": 2, "rated_load_ohm": 4.0}, 4.0, False),
        ({"boxes": 3, "box_impedance_ohm": 16.0, "rated_load_ohm": 4.0}, 16.0 / 3.0, False),
        ({"boxes": 4, "box_impedance_ohm": 4.0, "rated_load_ohm": 2.0}, 1.0, True),
        ({"bridged": True}, 8.0, True),  # each channel sees 4 ohm
        ({"bridged": True, "rated_load_ohm": 4.0}, 8.0, False),
        ({"bridged": True, "box_impedance_ohm": 16.0}, 16.0, False),
        ({"band": "hf"}, 8.0, False),
        ({"band": "hf", "boxes": 2}, 4.0, True),
    ],
)
def test_the_load_of_the_boxes_together(amplifier: dict[str, Any], load_ohm: float | None, warns: bool) -> None:
    system = rig(amplifier=amplifier)
    assert load_ohm_of(system) == (None if load_ohm is None else pytest.approx(load_ohm))
    assert load(system).startswith("WARNING") is warns
    assert ("amplifier.box_impedance_ohm" in system.assumed) is (
        ("boxes" in amplifier or "bridged" in amplifier) and "box_impedance_ohm" not in amplifier
    )


def test_behind_an_hf_amplifier_the_box_is_its_drivers() -> None:
    system = bank(1, 2, amplifier={"band": "hf", "boxes": 2})
    assert load_ohm_of(system) == pytest.approx(2.0)
    assert load(system) == (
        "WARNING 2 boxes in parallel, 2 ohm in all: the amplifier is rated into 8 ohm. If it is not made for less it "
        "limits, shuts down or burns out; its rails, counted as stiff here, sag. See its data sheet."
    )


def test_more_boxes_change_nothing_in_one_of_them(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", 0.2 * music(48_000, seconds=1.0), 48_000)
    one, four = (audit(path, rig(amplifier={"boxes": count}, protection=LAMP)) for count in (1, 4))
    assert one.margin_db == four.margin_db
    assert one.channels[0].protected == four.channels[0].protected


@pytest.mark.parametrize(
    ("tables", "line"),
    [
        ({"amplifier": {"boxes": 0}}, "amplifier.boxes: at least one box, got 0; allowed: a whole number from 1 to 64 (equal boxes in parallel on this output)"),
        ({"amplifier": {"boxes": 1.5}}, "amplifier.boxes: must be a whole number, got 1.5; allowed: a whole number from 1 to 64 (equal boxes in parallel on this output)"),
        ({"amplifier": {"bridged": 1}}, "amplifier.bridged: must be true or false, got 1; allowed: true or false (without quotes)"),
        ({"amplifier": {"bridged": "yes"}}, 'amplifier.bridged: must be true or false, got "yes"; allowed: true or false (without quotes)'),
        ({"driver": {"series_count": -2}}, "driver.series_count: at least one, got -2; allowed: a whole number from 1 to 64"),
        ({"driver": {"parallel_count": 100}}, "driver.parallel_count: larger than anything in the trade, got 100; allowed: a whole number from 1 to 64 (equal strings of them in parallel)"),
        ({"amplifier": {"box_impedance_ohm": 0}}, "amplifier.box_impedance_ohm: a resistance is above zero, got 0 ohm; allowed: 0.5 to 1000 ohm"),
    ],
)  # fmt: skip
def test_wiring_that_cannot_be_is_one_line(tables: dict[str, Any], line: str) -> None:
    (found,) = faults_of(**tables)
    assert found.removesuffix(" (equal boxes in parallel on this output)") == line.removesuffix(
        " (equal boxes in parallel on this output)"
    )


@pytest.mark.parametrize(
    ("table", "keys", "is_valid"),
    [
        ("amplifier", {"bridged": True}, True),
        ("amplifier", {"bridged": 1}, False),
        ("amplifier", {"bridged": "true"}, False),
        ("amplifier", {"boxes": 2}, True),
        ("amplifier", {"boxes": 0}, False),
        ("amplifier", {"boxes": 2.5}, False),
        ("amplifier", {"box_impedance_ohm": 6}, True),
        ("amplifier", {"box_impedance_ohm": 0.0}, False),
        ("driver", {"series_count": 2, "parallel_count": 3}, True),
        ("driver", {"series_count": 65}, False),
        ("driver", {"parallel_count": True}, False),
        ("driver", {"drivers": 2}, False),
    ],
)
def test_the_schema_takes_what_the_loader_takes(table: str, keys: dict[str, Any], is_valid: bool) -> None:
    whole = document(**{table: keys})
    assert (resolve_rig(whole, path="test")[0] is not None) is is_valid
    assert jsonschema.Draft202012Validator(rig_json_schema()).is_valid(whole) is is_valid


# --- mono sum -----------------------------------------------------------------------------------------------------------

RATE_HZ = 48_000
LEFT = 0.4 * music(RATE_HZ, seconds=2.0)
RIGHT = 0.4 * music(RATE_HZ, seconds=2.0, seed=5)


def mono(gain_db: float | None = None, **changes: Any) -> Rig:
    level = {"full_scale_dbu": 18.0, "gain_db": -10.0, "channels": "mono"}
    return rig(level=level if gain_db is None else {**level, "mono_gain_db": gain_db}, **changes)


def each() -> Rig:
    return rig(level={"full_scale_dbu": 18.0, "gain_db": -10.0})


@pytest.fixture
def stereo(tmp_path: Path) -> Path:
    return write_wav(tmp_path / "stereo.wav", np.stack([LEFT, RIGHT], axis=1), RATE_HZ)


@pytest.mark.parametrize("gain_db", [None, 0.0, 3.0103, 6.0206])
def test_the_sum_is_the_sum(stereo: Path, tmp_path: Path, gain_db: float | None) -> None:
    """A stereo file on a mono rig against a file of the sum, made here, on a rig of one channel."""
    ratio = 0.5 * 10.0 ** ((gain_db or 0.0) / 20.0)
    summed = (ratio * (LEFT.astype(np.float64) + RIGHT)).astype(np.float32)
    path = write_wav(tmp_path / "sum.wav", summed, RATE_HZ)
    found, wanted = audit(stereo, mono(gain_db)), audit(path, each())
    assert (found.channel_count, len(found.channels)) == (1, 1)
    assert found.margin_db == pytest.approx(wanted.margin_db, abs=0.01)
    assert found.loudness_lufs == pytest.approx(wanted.loudness_lufs, abs=1e-3)
    assert found.channels[0].hf_voltage_rms_v == pytest.approx(wanted.channels[0].hf_voltage_rms_v, rel=1e-5)
    assert found.channels[0].clipped_ratio == pytest.approx(wanted.channels[0].clipped_ratio, abs=1e-5)
    assert any("2 channels are played as one" in note for note in found.notes)
    assert ("level.mono_gain_db" in found.rig.assumed) is (gain_db is None)


@pytest.mark.parametrize(("phase_deg", "gain_db"), [(0.0, 0.0), (90.0, -3.0103), (120.0, -6.0206)])
def test_two_equal_sines_sum_by_their_phase(tmp_path: Path, phase_deg: float, gain_db: float) -> None:
    """|1 + exp(j p)|/2 = cos(p/2): in phase as it was, in quadrature 3 dB less, at 120 degrees 6 dB."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    waves = [0.1 * np.sin(2.0 * np.pi * 5000.0 * time_s + phase) for phase in (0.0, math.radians(phase_deg))]
    path = write_wav(tmp_path / "a.wav", np.stack(waves, axis=1), RATE_HZ)
    one = play(path, each()).feeds[0].hf_voltage_rms_v
    assert 20.0 * math.log10(play(path, mono()).feeds[0].hf_voltage_rms_v / one) == pytest.approx(gain_db, abs=0.01)
    plain = play(path, mono(6.0206)).feeds[0].hf_voltage_rms_v
    assert 20.0 * math.log10(plain / one) == pytest.approx(gain_db + 6.0206, abs=0.01)


def test_a_file_of_one_channel_is_as_loud_as_the_same_in_two(tmp_path: Path) -> None:
    one = write_wav(tmp_path / "one.wav", LEFT, RATE_HZ)
    two = write_wav(tmp_path / "two.wav", np.stack([LEFT, LEFT], axis=1), RATE_HZ)
    found = [audit(path, mono()) for path in (one, two)]
    assert found[0].margin_db == pytest.approx(found[1].margin_db, abs=1e-6)
    assert found[0].notes == ()


def test_blocks_and_what_is_read_again_are_the_same_bit_for_bit(tmp_path: Path) -> None:
    many = np.stack([LEFT, RIGHT, 0.3 * LEFT, RIGHT[::-1], LEFT[::-1]], axis=1)
    path = tmp_path / "five.wav"
    soundfile.write(path, many, RATE_HZ, subtype="PCM_24")
    entry = Entry(path=str(path), gain_db=-2.0)
    programme = decode.inspect(entry, mono_gain_db=3.0)
    assert programme.feed_count == 1
    whole = np.concatenate(list(decode.blocks(programme, decode.Finding())))
    assert whole.shape == (len(many), 1)
    assert np.allclose(whole[:, 0], many.mean(axis=1) * 10.0 ** (1.0 / 20.0), atol=1e-6)
    again = decode.read_again(programme, 0, 1000, 3000)
    assert again is not None
    assert np.array_equal(again, whole[1000:4000, 0])


def test_a_plain_sum_that_passes_full_scale_is_looked_at(tmp_path: Path) -> None:
    """Two full-scale channels in phase are 6 dB over it; the margin holds there too: audited again, it is nought."""
    loud = tone(RATE_HZ, 4000.0, 2.0, 0.99)
    path = write_wav(tmp_path / "loud.wav", np.stack([loud, loud], axis=1), RATE_HZ)
    system = mono(6.0206, amplifier={"rated_power_w": 2000.0})
    found = audit(path, system)
    assert found.margin_db is not None
    assert any(note.startswith("samples reach +5.9 dBFS") for note in found.notes)
    turned = replace(system, level=replace(system.level, gain_db=system.level.gain_db + found.margin_db))
    assert audit(path, turned).margin_db == pytest.approx(0.0, abs=0.1)
    # The same as one channel 6 dB up.
    alone = rig(level={"full_scale_dbu": 18.0, "gain_db": -10.0 + 6.0206}, amplifier={"rated_power_w": 2000.0})
    assert found.margin_db == pytest.approx(
        audit(write_wav(tmp_path / "one.wav", loud, RATE_HZ), alone).margin_db, abs=0.02
    )


def test_every_reader_of_a_file_hears_the_sum(stereo: Path, tmp_path: Path) -> None:
    """Power and spectrum for `compare`, the sound of `render`, replays behind a limiter."""
    summed = write_wav(tmp_path / "sum.wav", 0.5 * (LEFT + RIGHT), RATE_HZ)
    assert powers(stereo, mono_gain_db=0.0).mean_square == pytest.approx(powers(summed).mean_square)
    bands = [each.band_level_dbfs for each in (spectrum(stereo, mono_gain_db=0.0), spectrum(summed))]
    assert bands[0] == pytest.approx(bands[1], abs=1e-3)
    terms = [portray(path, system).terms for path, system in ((stereo, mono()), (summed, each()))]
    assert terms[0] is not None
    assert terms[1] is not None
    assert terms[0].mean_level_dbfs == pytest.approx(terms[1].mean_level_dbfs, abs=1e-3)
    made = render(str(stereo), mono(protection=LAMP), tmp_path / "r.wav")
    assert made.programme.feed_count == 1
    samples, _ = soundfile.read(tmp_path / "r.wav", always_2d=True)
    assert samples.shape[1] == 1
    limiter = {"detector": "rms", "threshold_v": 8.0, "attack_s": 0.01, "release_s": 0.1}
    margins = [
        audit(path, system).margin_db
        for path, system in (
            (stereo, mono(limiter=limiter)),
            (summed, rig(level={"full_scale_dbu": 18.0, "gain_db": -10.0}, limiter=limiter)),
        )
    ]
    assert margins[0] == pytest.approx(margins[1], abs=0.01)


def test_line_up_volts_are_those_of_one_channel() -> None:
    """Published values, section 7: R68 with 32 dB; the mean of two equal channels is each of them."""
    assert mono().full_scale_v == pytest.approx(244.9 * 10.0**-0.5, rel=1e-3)
    assert published.ZERO_DBU_V.value == pytest.approx(math.sqrt(0.6))
