"""Displacement of a dome: against the closed form and a solver of its equation of motion, and what keys are refused.

The model is a mass on a spring with damping, R. H. Small, Closed-Box Loudspeaker Systems, JAES 20 (1972), from memory;
here it is written down anew, once as the amplitude at one frequency and once as a system of state equations.
"""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import StateSpace, lsim

from auditor import audit
from auditor.chain.play import play
from auditor.chain.splitter import Splitter, branch_voltage
from auditor.demo import demo_paths, demo_rig_path
from auditor.driver.impedance import ModelledImpedance
from auditor.pipeline import audit_set
from auditor.report.records import to_json
from auditor.rig import Crossover, Rig
from auditor.rig_resolve import resolve_rig
from tests.stages.signals import tone, write_wav

RATE_HZ = 48_000
DOME: dict[str, float] = {
    "resonance_hz": 900.0,
    "mechanical_q": 2.5,
    "electrical_q": 1.6,
    "moving_mass_g": 0.45,
    "force_factor_t_m": 3.0,
}
DC_OHM = 5.8
LIMIT = {"excursion_limit_mm": 0.4}
OPEN = Crossover(alignment="none", order=0, frequency_hz=0.0, pad_db=0.0)


def resolved(driver: dict[str, float], **tables: dict[str, Any]) -> tuple[Rig | None, list[str]]:
    document = tomllib.loads(Path(demo_rig_path()).read_text(encoding="utf-8"))
    document["driver"] |= driver
    for table, values in tables.items():
        document[table] = values
    rig, faults = resolve_rig(document, path="dome.toml")
    return rig, [str(fault) for fault in faults]


def rig_of(driver: dict[str, float], **tables: dict[str, Any]) -> Rig:
    rig, faults = resolved(driver, **tables)
    assert rig is not None, faults
    return rig


def closed_form_mm_per_v(frequency_hz: float) -> float:
    """Amplitude of displacement for one volt: force over what mass, spring and damping oppose."""
    mass_kg, bl, w0 = 0.45e-3, 3.0, 2.0 * math.pi * 900.0
    # Losses from the two Qs: R_m = w0 M / Q_m, and the coil's B l^2 / R_e stands for Q_e by definition of Q_e.
    damping = w0 * mass_kg / 2.5 + w0 * mass_kg / 1.6
    w = 2.0 * math.pi * frequency_hz
    opposes = complex(mass_kg * w0**2 - mass_kg * w**2, w * damping)
    return 1000.0 * bl / DC_OHM / abs(opposes)


def faded(samples: NDArray[np.floating]) -> NDArray[np.floating]:
    """In and out over a quarter of a second: a sudden start would move the dome beyond what the tone itself does."""
    edge = np.sin(np.linspace(0.0, math.pi / 2.0, RATE_HZ // 4)) ** 2
    return samples * np.concatenate([edge, np.ones(len(samples) - 2 * len(edge)), edge[::-1]])


@pytest.mark.parametrize("frequency_hz", [200.0, 450.0, 900.0, 1000.0, 1800.0, 3600.0, 9000.0])
def test_a_sine_through_the_whole_corridor_moves_the_dome_as_the_closed_form_says(
    tmp_path: Path, frequency_hz: float
) -> None:
    quiet = {"full_scale_dbu": 4.0, "gain_db": -20.0}
    rig = rig_of(DOME, level=quiet, crossover={"alignment": "none", "pad_db": 6.0}, protection={"kind": "none"})
    path = write_wav(tmp_path / "tone.wav", faded(tone(RATE_HZ, frequency_hz, 2.0, 0.5)), RATE_HZ)
    found_mm = audit(str(path), rig).channels[0].protected.displacement_peak_mm
    # 0.5 of full scale in volts at the amplifier, then the pad.
    peak_v = 0.5 * math.sqrt(2.0) * rig.full_scale_v * 10.0 ** (-6.0 / 20.0)
    assert found_mm == pytest.approx(peak_v * closed_form_mm_per_v(frequency_hz), rel=0.01)


def moved_by_solver_mm(voltage_v: NDArray[np.floating], rate_hz: int) -> NDArray[np.floating]:
    """The equation of motion, M x'' + R x' + K x = Bl V / Re, solved in time, straight between samples."""
    mass_kg, bl, w0 = 0.45e-3, 3.0, 2.0 * math.pi * 900.0
    damping = w0 * mass_kg * (1.0 / 2.5 + 1.0 / 1.6)
    system = StateSpace(
        [[0.0, 1.0], [-(w0**2), -damping / mass_kg]], [[0.0], [bl / DC_OHM / mass_kg]], [[1000.0, 0.0]], [[0.0]]
    )
    times_s = np.arange(len(voltage_v)) / rate_hz
    _, moved_mm, _ = lsim(system, voltage_v, times_s)
    return np.asarray(moved_mm)


def test_music_moves_the_dome_as_a_solver_of_its_equation_of_motion_does() -> None:
    import soundfile

    samples, rate_hz = soundfile.read(demo_paths()[2], dtype="float64", stop=8 * 44_100)
    crossover = Crossover(alignment="linkwitz-riley", order=4, frequency_hz=700.0, pad_db=3.0)
    voltage_v = 20.0 * samples[:, 0]
    expected_mm = np.abs(moved_by_solver_mm(branch_voltage(voltage_v, rate_hz, crossover), rate_hz))
    splitter = Splitter(rate_hz, crossover, rig=rig_of(DOME))
    splitter.push(voltage_v.astype(np.float32))
    frames = splitter.finish()
    assert frames.peak_mm is not None
    whole = len(expected_mm) // splitter.frame_length
    by_frame = expected_mm[: whole * splitter.frame_length].reshape(whole, -1).max(axis=1)
    found_mm = frames.peak_mm[:whole]
    assert found_mm.max() == pytest.approx(by_frame.max(), rel=0.01)
    loud = by_frame > 0.05 * by_frame.max()
    assert found_mm[loud] == pytest.approx(by_frame[loud], rel=0.02, abs=0.002 * by_frame.max())


def test_each_driver_of_a_string_moves_by_its_share_of_the_volts(tmp_path: Path) -> None:
    """Two in series have half the branch's voltage each, two such strings in parallel the same again."""
    path = write_wav(tmp_path / "tone.wav", faded(tone(RATE_HZ, 1000.0, 2.0, 0.1)), RATE_HZ)
    wired: list[dict[str, float]] = [{}, {"series_count": 2}, {"series_count": 2, "parallel_count": 2}]
    open_rigs = [rig_of({**DOME, **more}, protection={"kind": "none"}) for more in wired]
    one, string, bank = (audit(str(path), rig).channels[0].protected.displacement_peak_mm for rig in open_rigs)
    assert one is not None
    assert string == pytest.approx(one / 2.0, rel=1e-4)
    assert bank == string


def test_a_pad_takes_off_the_movement_what_it_takes_off_the_volts(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "tone.wav", faded(tone(RATE_HZ, 1000.0, 2.0, 0.1)), RATE_HZ)
    with_pad = {"alignment": "linkwitz-riley", "order": 4, "frequency_hz": 1800.0, "pad_db": 6.0}
    moved = [
        audit(str(path), rig_of(DOME, crossover=crossover, protection={"kind": "none"})).channels[0].protected
        for crossover in (with_pad | {"pad_db": 0.0}, with_pad)
    ]
    assert moved[0].displacement_peak_mm is not None
    assert moved[1].displacement_peak_mm == pytest.approx(moved[0].displacement_peak_mm * 10.0 ** (-6.0 / 20.0))


def test_the_keys_of_the_resonance_are_one_for_impedance_and_excursion() -> None:
    both = rig_of({**DOME, **LIMIT, "voice_coil_inductance_h": 0.05e-3}).driver
    assert isinstance(both.impedance, ModelledImpedance)
    assert both.dome is not None
    assert both.impedance.resonance_hz == both.dome.resonance_hz == DOME["resonance_hz"]
    assert both.dome.total_q == pytest.approx(2.5 * 1.6 / (2.5 + 1.6))
    alone = {key: value for key, value in DOME.items() if not key.endswith("cal_q")} | {"total_q": 0.98}
    rig, faults = resolved({**alone, "voice_coil_inductance_h": 0.05e-3})
    assert rig is None
    assert any("give mechanical_q and electrical_q instead of total_q" in fault for fault in faults), faults


def test_below_resonance_displacement_follows_the_voltage_and_above_it_falls_with_the_square_of_frequency() -> None:
    dome = rig_of(DOME).driver.dome
    assert dome is not None
    low, lower, high, higher = np.abs(dome.displacement_mm_per_v(np.array([9.0, 18.0, 9e3, 18e3])))
    assert low == pytest.approx(lower, rel=0.002)
    assert high / higher == pytest.approx(4.0, rel=0.02)


def test_a_crossover_too_low_is_flagged_as_excursion_and_turning_down_by_the_margin_cures_it(tmp_path: Path) -> None:
    low = {"alignment": "butterworth", "order": 1, "frequency_hz": 300.0, "pad_db": 3.0}
    rig = rig_of({**DOME, **LIMIT}, crossover=low, protection={"kind": "none"})
    path = write_wav(tmp_path / "low.wav", faded(tone(RATE_HZ, 500.0, 3.0, 0.2)), RATE_HZ)
    found = audit(str(path), rig)
    assert found.verdict == "risk"
    assert found.margin_limited_by == "excursion"
    passage = next(each for each in found.passages if each.cause == "excursion")
    moved_mm = found.channels[0].protected.displacement_peak_mm
    assert moved_mm is not None
    assert (passage.limit, passage.unit) == (0.4, "mm")
    assert passage.value == pytest.approx(moved_mm)
    assert found.margin_db == pytest.approx(-20.0 * math.log10(moved_mm / 0.4), abs=0.05)
    cured = replace(rig, level=replace(rig.level, gain_db=rig.level.gain_db + (found.margin_db or 0.0)))
    assert audit(str(path), cured).verdict == "clear"
    high = rig_of({**DOME, **LIMIT}, crossover={**low, "order": 4, "frequency_hz": 3000.0}, protection={"kind": "none"})
    assert not [each for each in audit(str(path), high).passages if each.cause == "excursion"]


def test_a_lamp_at_work_holds_the_dome_back_as_it_holds_the_voltage_back(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "loud.wav", tone(RATE_HZ, 2000.0, 6.0, 0.9), RATE_HZ)
    found = audit(str(path), rig_of({**DOME, **LIMIT})).channels[0]
    protected_mm, bare_mm = found.protected.displacement_peak_mm, found.unprotected.displacement_peak_mm
    assert protected_mm is not None
    assert bare_mm is not None
    ratio = math.sqrt(found.protected.driver_power_peak_w / found.unprotected.driver_power_peak_w)
    assert protected_mm / bare_mm == pytest.approx(ratio, rel=0.01)


def test_turned_down_from_clipping_the_dome_is_not_taken_to_move_less_than_it_does(tmp_path: Path) -> None:
    small = {"gain_db": 32.0, "rated_power_w": 20.0, "rated_load_ohm": 8.0}
    rig = rig_of({**DOME, **LIMIT}, amplifier=small, protection={"kind": "none"})
    path = write_wav(tmp_path / "clipped.wav", tone(RATE_HZ, 1000.0, 1.0, 0.9), RATE_HZ)
    feed = play(str(path), rig).feeds[0]
    assert feed.ladder is not None
    for gain_db in (-2.0, -6.0, -12.0):
        guessed, exact = feed.ladder.frames_at(feed.frames, gain_db).peak_mm, feed.replay.frames(gain_db).peak_mm
        assert guessed is not None
        assert exact is not None
        assert guessed.max() >= 0.99 * exact.max()


# --- what is not computed, and what is refused ------------------------------------------------------------------------


def test_without_the_keys_nothing_is_computed_and_the_document_says_null() -> None:
    found = audit_set([demo_paths()[0]], rig_of({}))
    document = json.loads(to_json(found, exit_status=0))
    assert document["tracks"][0]["channels"][0]["displacement_peak_mm"] is None
    assert "excursion_limit_mm" not in document["rig"]["driver"]


@pytest.mark.parametrize(
    ("driver", "message"),
    [
        (LIMIT, "driver.moving_mass_g: missing: excursion_limit_mm cannot be used without it"),
        ({**DOME, "total_q": 0.9}, "driver.total_q: given beside mechanical_q and electrical_q, which say the same"),
        (
            {key: value for key, value in DOME.items() if key != "electrical_q"} | LIMIT,
            "driver.electrical_q: missing: excursion_limit_mm cannot be used without it (or total_q instead of both)",
        ),
        ({**DOME, "mechanical_q": 0.0}, "driver.mechanical_q: "),
        ({**DOME, "electrical_q": -1.0}, "driver.electrical_q: "),
        ({**DOME, "moving_mass_g": 0.00045}, "no dome is that light, unless written in kilograms"),
        ({**DOME, "force_factor_t_m": 0.0}, "driver.force_factor_t_m: "),
        ({**DOME, **LIMIT, "excursion_limit_mm": 0.0}, "driver.excursion_limit_mm: "),
        ({**DOME, "electrical_q": 9.0}, "driver.electrical_q: does not fit the other values of the driver, got 9"),
        (
            {**{key: DOME[key] for key in ("resonance_hz", "moving_mass_g", "force_factor_t_m")}, "total_q": 40.0},
            "driver.total_q: more than the coil's own damping leaves",
        ),
    ],
)
def test_keys_that_cannot_stand_so_are_refused_with_key_and_reason(driver: dict[str, float], message: str) -> None:
    rig, faults = resolved(driver)
    assert rig is None
    assert any(message in fault for fault in faults), faults
