"""The whole corridor: invariants from file to verdict."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor import audit, demo, load_rig
from auditor.audit_types import Audit, Exposure
from auditor.judgement import examine, ratings
from auditor.pipeline import audit_set
from auditor.rig import Rig
from tests.published.models import rig
from tests.stages.signals import DEMO, demo_path, music, tone, write_wav

HALVED_FRAME_K = 0.5
LAMP = {"kind": "lamp", "part": "1156"}


@functools.cache
def demo_rig() -> Rig:
    return load_rig(demo.demo_rig_path())


def louder(system: Rig, gain_db: float) -> Rig:
    return replace(system, level=replace(system.level, gain_db=system.level.gain_db + gain_db))


def exposures(result: Audit) -> list[Exposure]:
    return [one for channel in result.channels for one in (channel.protected, channel.unprotected)]


@pytest.mark.parametrize("start", DEMO)
def test_halving_the_frame_changes_no_coil_temperature(start: str) -> None:
    coarse, fine = (audit(demo_path(start), demo_rig(), frame_s=frame_s) for frame_s in (None, 0.003))
    for one, other in zip(exposures(coarse), exposures(fine), strict=True):
        assert other.coil_temp_max_c == pytest.approx(one.coil_temp_max_c, abs=HALVED_FRAME_K)
        assert other.driver_power_max_1s_w == pytest.approx(one.driver_power_max_1s_w, rel=0.02)
        assert other.driver_power_max_60s_w == pytest.approx(one.driver_power_max_60s_w, rel=0.01)


@pytest.mark.parametrize("protection", [{"kind": "none"}, LAMP], ids=["none", "lamp"])
def test_silence_is_clear(tmp_path: Path, protection: dict[str, Any]) -> None:
    system = rig(protection=protection)
    result = audit(write_wav(tmp_path / "silence.wav", np.zeros((96_000, 2), dtype=np.float32), 48_000), system)
    assert (result.verdict, result.margin_db, result.margin_limited_by) == ("clear", None, None)
    assert (result.loudness_lufs, result.true_peak_dbtp, result.passages) == (None, None, ())
    for channel in result.channels:
        assert channel.hf_crest_db is None
        assert channel.protection.engaged_s == 0.0
    for exposure in exposures(result):
        assert exposure.driver_power_mean_w == exposure.driver_power_peak_w == 0.0
        assert exposure.coil_temp_max_c == pytest.approx(system.site.ambient_temp_c, abs=1e-4)


def test_twice_the_voltage_is_four_times_the_power(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "music.wav", 0.05 * music(48_000, seconds=2.0), 48_000)
    system = rig(amplifier={"rated_power_w": 4e4})
    once, twice = audit(path, system), audit(path, louder(system, 20.0 * np.log10(2.0)))
    for one, other in zip(exposures(once), exposures(twice), strict=True):
        for name in ("driver_power_mean_w", "driver_power_max_1s_w", "driver_power_max_60s_w", "driver_power_peak_w"):
            assert getattr(other, name) == pytest.approx(4.0 * getattr(one, name), rel=1e-4)


def test_a_steady_tone_has_the_powers_of_the_closed_form(tmp_path: Path) -> None:
    # 10 V rms into 8 ohm rated is 12.5 W, 25 W at the crest.
    system = rig(crossover={"frequency_hz": 800.0})
    amplitude = 10.0 / (np.sqrt(0.6) * 10.0 ** (50.0 / 20.0))
    path = write_wav(tmp_path / "tone.wav", tone(48_000, 10_000.0, 5.0, float(amplitude)), 48_000)
    exposure = audit(path, system).channels[0].unprotected
    assert exposure.driver_power_mean_w == pytest.approx(12.5, rel=0.005)
    assert exposure.driver_power_max_1s_w == pytest.approx(12.5, rel=0.005)
    assert exposure.driver_power_max_60s_w == pytest.approx(12.5, rel=0.005)
    assert exposure.driver_power_peak_w == pytest.approx(25.0, rel=0.07)  # the sudden start overshoots


@pytest.mark.parametrize("seconds", [0.004, 0.0065, 0.02, 0.35, 0.9])
def test_a_short_track_stands_for_itself_in_every_window(tmp_path: Path, seconds: float) -> None:
    # The last frame is filled up with silence, which must not thin the mean of the whole.
    path = write_wav(tmp_path / "short.wav", tone(48_000, 6000.0, seconds, 0.1), 48_000)
    for exposure in exposures(audit(path, rig())):
        assert exposure.driver_power_max_1s_w >= 0.999 * exposure.driver_power_mean_w
        assert exposure.driver_power_max_60s_w >= 0.999 * exposure.driver_power_mean_w


@pytest.mark.parametrize("start", ["05", "07"])
def test_worst_values_are_ordered(start: str) -> None:
    result = audit(demo_path(start), demo_rig())
    for channel in result.channels:
        guarded, bare = channel.protected, channel.unprotected
        for exposure in (guarded, bare):
            assert exposure.driver_power_mean_w <= exposure.driver_power_max_60s_w * 1.001
            assert exposure.driver_power_max_60s_w <= exposure.driver_power_max_1s_w * 1.001
            assert exposure.driver_power_max_1s_w <= exposure.driver_power_peak_w
            assert exposure.body_temp_max_c <= exposure.coil_temp_max_c
        assert guarded.coil_temp_max_c <= bare.coil_temp_max_c
        assert guarded.driver_power_max_1s_w <= bare.driver_power_max_1s_w
        assert channel.protection.engaged_s <= result.duration_s + 1e-9


@pytest.mark.parametrize("protection", [{"kind": "none"}, LAMP], ids=["none", "lamp"])
def test_working_in_stretches_does_not_show(protection: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    moving = {"resonance_hz": 900.0, "total_q": 0.9, "moving_mass_g": 0.45, "force_factor_t_m": 3.0}
    driver = replace(demo_rig().driver, **moving)
    system = replace(demo_rig(), protection=rig(protection=protection).protection, driver=driver)
    whole = audit(demo_path("04"), system)
    for module in (ratings, examine):
        monkeypatch.setattr(module, "STRETCH_FRAMES", 256)
    parts = audit(demo_path("04"), system)
    assert parts.verdict == whole.verdict
    assert parts.margin_db == pytest.approx(whole.margin_db, abs=1e-3)
    assert [(p.cause, p.start_s, p.end_s) for p in parts.passages] == [
        (p.cause, p.start_s, p.end_s) for p in whole.passages
    ]
    for one, other in zip(exposures(whole), exposures(parts), strict=True):
        for name in Exposure.__dataclass_fields__:
            assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-5)
    for channel, other_channel in zip(whole.channels, parts.channels, strict=True):
        for name, trace in vars(channel.traces).items():
            if isinstance(trace, np.ndarray):
                np.testing.assert_allclose(getattr(other_channel.traces, name), trace, rtol=1e-5, atol=1e-5)


def test_gathered_traces_hide_no_peak(monkeypatch: pytest.MonkeyPatch) -> None:
    every = audit(demo_path("05"), demo_rig()).channels[0].traces
    monkeypatch.setattr(examine, "MAX_BINS", 700)
    few = audit(demo_path("05"), demo_rig()).channels[0].traces
    group = round(few.step_s / every.step_s)
    assert group == 8
    assert len(few.coil_temp_c) == -(-len(every.coil_temp_c) // group) <= 700
    for name, trace in vars(every).items():
        if isinstance(trace, np.ndarray):
            bins = [trace[start : start + group].max() for start in range(0, len(trace), group)]
            np.testing.assert_array_equal(getattr(few, name), bins)


def test_a_set_carries_the_heat_and_a_pause_lets_it_go(tmp_path: Path) -> None:
    loud = write_wav(tmp_path / "loud.wav", tone(48_000, 5000.0, 4.0, 0.05), 48_000)
    quiet = write_wav(tmp_path / "quiet.wav", np.zeros(48_000 * 40, dtype=np.float32), 48_000)
    once = audit(loud, rig()).channels[0].protected.coil_temp_max_c
    twice = audit_set([loud, loud], rig()).coil_temp_max_c
    apart = audit_set([loud, quiet, loud], rig()).coil_temp_max_c
    joined = audit(write_wav(tmp_path / "both.wav", tone(48_000, 5000.0, 8.0, 0.05), 48_000), rig())
    assert twice is not None
    assert apart is not None
    assert once < apart < twice
    assert twice == pytest.approx(joined.channels[0].protected.coil_temp_max_c, abs=0.1)


def test_a_warmest_channel_is_the_worst_one(tmp_path: Path) -> None:
    samples = music(44_100, seconds=2.0)
    both = np.stack([0.2 * samples, samples, 0.5 * samples], axis=1)
    result = audit(write_wav(tmp_path / "three.wav", both, 44_100), rig())
    assert result.worst_channel == 1
    assert len(result.channels) == 3
    temps = [channel.unprotected.coil_temp_max_c for channel in result.channels]
    assert temps[0] < temps[2] < temps[1]
