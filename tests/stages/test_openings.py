"""Parts that open, through the whole audit: when, how often, for how long, what it costs, and what is left at risk."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor import audit
from auditor.audit_types import Audit, Opening, ProtectionWork
from auditor.judgement import examine, ratings
from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.rig import Rig
from tests.published.models import rig
from tests.stages.lines import louder
from tests.stages.signals import tone, write_wav

RATE_HZ = 48_000
FRAME_S = 0.006
FULL_SCALE_V = np.sqrt(0.6) * 10.0 ** (50.0 / 20.0)  # of a sine, +18 dBu and 32 dB of gain
# So that nothing but the part is ever at its limit.
TOUGH = {"continuous_power_w": 1e4, "program_power_w": 4e4, "peak_power_w": 1e5}
PARTS: dict[str, dict[str, Any]] = {
    "relay": {"threshold_v": 10.0, "attack_s": 0.01, "switch_s": 0.01, "hold_s": 0.2},
    "fuse": {"rating_a": 2.0, "characteristic": "F"},
    "breaker": {"rating_a": 1.0, "reset": "self", "reset_s": 2.0},
    "resettable": {"hold_a": 0.5},
}
# A burst that opens each of them, but the resettable part not by too much for its voltage [V rms].
BURST_V = {"relay": 20.0, "fuse": 64.0, "breaker": 54.0, "resettable": 50.0}


def tough_rig(kind: str, **keys: Any) -> Rig:
    protection = {"kind": kind} | PARTS.get(kind, {}) | keys
    return rig(protection=protection, driver=TOUGH, amplifier={"rated_power_w": 5e4})


def bursts(folder: Path, seconds: float, *each: tuple[float, float, float]) -> Path:
    """5 kHz, at a voltage from one time to another."""
    wave = tone(RATE_HZ, 5000.0, seconds) * np.float32(0.0)
    carrier = tone(RATE_HZ, 5000.0, seconds)
    for start_s, end_s, volts in each:
        span = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
        wave[span] = carrier[span] * np.float32(volts / FULL_SCALE_V)
    return write_wav(folder / "bursts.wav", wave, RATE_HZ)


def work_of(result: Audit) -> ProtectionWork:
    return result.channels[0].protection


def test_a_relay_opens_with_each_burst(tmp_path: Path) -> None:
    result = audit(bursts(tmp_path, 7.0, (1.0, 1.5, 20.0), (4.0, 4.5, 20.0)), tough_rig("relay"))
    work = work_of(result)
    # Half of the voltage is reached after ln 2 time constants, then the contact moves; back at 0.7 of the threshold.
    open_s, close_s = 0.01 * np.log(2.0) + 0.01, 0.01 * np.log(20.0 / 7.0) + 0.01
    assert (work.trips, work.chatter, work.replace, work.failed_at_s) == (2, 0, (), None)
    assert work.opens_at_s.earliest == work.opens_at_s.latest == pytest.approx(1.0 + open_s, abs=FRAME_S)
    assert work.muted_s == pytest.approx(2.0 * (0.5 + close_s - open_s), abs=4.0 * FRAME_S)
    assert work.attenuation_max_db == OPEN_ATTENUATION_DB
    assert result.verdict == "engaged"


def test_a_relay_that_opens_again_within_a_second_chatters(tmp_path: Path) -> None:
    work = work_of(audit(bursts(tmp_path, 5.0, (1.0, 1.3, 20.0), (1.9, 2.2, 20.0)), tough_rig("relay")))
    assert (work.trips, work.chatter) == (2, 1)


def test_a_fuse_blows_and_stays_so(tmp_path: Path) -> None:
    result = audit(bursts(tmp_path, 5.0, (1.0, 2.0, 64.0)), tough_rig("fuse"))
    work = work_of(result)
    # Four times its rating: 10 ms by the earliest curve, 0.3 s by the latest.
    assert work.opens_at_s.earliest == work.failed_at_s == pytest.approx(1.010, abs=FRAME_S)
    assert work.opens_at_s.latest == pytest.approx(1.3, abs=0.1)  # the coil warms and takes less
    assert work.muted_s == pytest.approx(5.0 - 1.010, abs=2.0 * FRAME_S)
    assert (work.trips, work.chatter, work.replace) == (1, 0, ("fuse F2A, glass",))
    (failure,) = [each for each in result.passages if each.cause == "protection_failed"]
    assert (failure.unit, failure.limit, failure.verdict, failure.part_at) == ("A", 2.0, "risk", None)
    assert failure.value == pytest.approx(64.0 / 8.044, rel=0.05)  # the coil is warm by then
    assert failure.start_s == work.failed_at_s
    assert result.verdict == "risk"


def test_a_breaker_closes_by_itself_and_opens_again(tmp_path: Path) -> None:
    # Six times its rating: 0.4 s by the earliest curve, then 2 s open.
    result = audit(bursts(tmp_path, 8.0, (1.0, 7.0, 54.0)), tough_rig("breaker"))
    work = work_of(result)
    assert work.opens_at_s.earliest == pytest.approx(1.4, abs=0.1)
    assert work.opens_at_s.latest is not None
    assert work.opens_at_s.latest > work.opens_at_s.earliest + 0.5
    assert (work.trips, work.replace, work.failed_at_s) == (3, (), None)
    assert work.muted_s == pytest.approx(8.0 - 1.0 - 3 * 0.4, abs=0.2)
    assert result.verdict == "engaged"


def test_a_resettable_part_trips_and_is_none_the_worse(tmp_path: Path) -> None:
    result = audit(bursts(tmp_path, 12.0, (1.0, 8.0, 30.0)), tough_rig("resettable"))
    work = work_of(result)
    assert work.opens_at_s.earliest is not None
    assert work.opens_at_s.latest is not None
    assert 1.0 < work.opens_at_s.earliest < work.opens_at_s.latest < 8.0
    assert 8.0 - work.opens_at_s.earliest - 2.0 * FRAME_S < work.muted_s < 12.0 - work.opens_at_s.earliest
    assert (work.trips, work.replace, work.failed_at_s) == (1, (), None)
    assert result.verdict == "engaged"


def test_a_resettable_part_over_its_voltage_is_a_risk_in_volts(tmp_path: Path) -> None:
    result = audit(bursts(tmp_path, 8.0, (1.0, 6.0, 75.0)), tough_rig("resettable"))
    work = work_of(result)
    (failure,) = [each for each in result.passages if each.cause == "protection_failed"]
    assert (failure.unit, failure.limit, failure.verdict) == ("V", 60.0, "risk")
    assert failure.value == pytest.approx(75.0, rel=0.03)
    assert result.verdict == "risk"
    assert work.failed_at_s == failure.start_s
    assert len(work.replace) == 1
    assert "made for 60 V" in work.replace[0]
    assert result.margin_limited_by == "protection_failed"
    assert result.margin_db == pytest.approx(20.0 * np.log10(60.0 / 75.0), abs=0.3)


@pytest.mark.parametrize("kind", PARTS)
def test_what_happens_in_a_later_stretch_is_told_from_the_start(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bursts(tmp_path, 12.0, (4.0, 5.5, BURST_V[kind]), (9.0, 10.0, BURST_V[kind]))
    whole = work_of(audit(path, tough_rig(kind)))
    assert whole.opens_at_s.earliest is not None
    assert whole.opens_at_s.earliest > 4.0
    for module in (ratings, examine):
        monkeypatch.setattr(module, "STRETCH_FRAMES", 256)  # 1.5 s
    parts = work_of(audit(path, tough_rig(kind)))
    assert parts.opens_at_s.earliest == pytest.approx(whole.opens_at_s.earliest, abs=1e-6)
    assert parts.opens_at_s.latest == pytest.approx(whole.opens_at_s.latest, abs=1e-6)
    assert parts.failed_at_s == pytest.approx(whole.failed_at_s, abs=1e-6)
    assert (parts.trips, parts.muted_s) == (whole.trips, pytest.approx(whole.muted_s, abs=1e-6))
    assert parts.replace == whole.replace


def test_a_part_that_holds_never_opens(tmp_path: Path) -> None:
    path = bursts(tmp_path, 3.0, (1.0, 2.0, 1.0))
    for kind in PARTS:
        work = work_of(audit(path, tough_rig(kind)))
        assert (work.opens_at_s, work.trips, work.muted_s, work.replace) == (Opening(), 0, 0.0, ())


def test_the_median_attenuation_is_of_the_time_with_hf(tmp_path: Path) -> None:
    # A relay that is open for two of eight seconds; what follows is silence, and a tone 52 dB down.
    path = bursts(tmp_path, 8.0, (0.0, 2.0, 20.0), (5.0, 8.0, 0.05))
    work = work_of(audit(path, tough_rig("relay")))
    assert work.attenuation_median_db == OPEN_ATTENUATION_DB
    assert work.attenuation_mean_db == pytest.approx(OPEN_ATTENUATION_DB * 2.0 / 8.0, rel=0.02)
    louder_tail = bursts(tmp_path, 8.0, (0.0, 2.0, 20.0), (5.0, 8.0, 0.5))  # 32 dB down: heard, and the longer half
    assert work_of(audit(louder_tail, tough_rig("relay"))).attenuation_median_db == 0.0


# --- quieter is not always safer --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Noise of about 45 V rms in the HF branch: 250 W if nothing were to open."""
    noise = np.random.default_rng(17).standard_normal(12 * RATE_HZ).clip(-3.0, 3.0)
    return write_wav(tmp_path_factory.mktemp("quieter") / "noise.wav", 0.1374 * noise, RATE_HZ)


def quieter_rig(**protection: Any) -> Rig:
    ratings_w = {"continuous_power_w": 60.0, "program_power_w": 1e4, "peak_power_w": 1e5}
    return rig(protection=protection, driver=ratings_w, amplifier={"rated_power_w": 5e4})


RELAY = {"kind": "relay", "threshold_v": 35.0, "hold_s": 5.0}


def test_a_relay_that_stays_closed_just_below_its_threshold_burns_the_driver(steady: Path) -> None:
    system = quieter_rig(**RELAY)
    result = audit(steady, system)
    assert result.channels[0].hf_voltage_rms_v == pytest.approx(45.0, rel=0.03)
    assert result.verdict == "engaged"  # open at once, and the driver cool
    risk = result.quieter_risk
    assert risk is not None
    # 35 V is 2.2 dB down and 153 W; 60 W is 6.3 dB down.
    assert -3.0 <= risk.from_db <= -1.5
    assert -8.0 < risk.to_db <= -5.0
    assert risk.cause in ("coil_temp", "driver_power_60s")
    for gain_db in (risk.from_db, risk.to_db):
        softer = audit(steady, louder(system, gain_db))
        assert softer.verdict == "risk"
        assert work_of(softer).trips == 0
    assert audit(steady, louder(system, -8.0)).verdict == "clear"


def test_below_a_margin_it_is_looked_for_too(steady: Path) -> None:
    # The instant before the relay opens is over the peak rating: less than a decibel further down that is settled, and
    # below comes the stretch in which the relay stays closed.
    system = quieter_rig(**RELAY)
    peak_w = audit(steady, system).channels[0].protected.driver_power_peak_w
    result = audit(steady, replace(system, driver=replace(system.driver, peak_power_w=0.8 * peak_w)))
    assert (result.verdict, result.margin_limited_by) == ("risk", "driver_power_peak")
    assert result.margin_db == pytest.approx(-1.0, abs=0.5)
    assert result.quieter_risk is not None
    assert result.margin_db is not None
    assert result.quieter_risk.to_db < result.quieter_risk.from_db < result.margin_db


@pytest.mark.parametrize(
    "protection",
    [
        {"kind": "none"},
        {"kind": "lamp", "part": "1156"},
        {"kind": "relay", "threshold_v": 20.0, "hold_s": 5.0},  # 50 W: closed it is safe
    ],
    ids=["none", "lamp", "relay low"],
)
def test_where_quieter_is_safer_there_is_no_such_warning(steady: Path, protection: dict[str, Any]) -> None:
    assert audit(steady, quieter_rig(**protection)).quieter_risk is None


def test_behind_a_limiter_it_is_not_looked_for(steady: Path) -> None:
    system = quieter_rig(**RELAY)
    limiter = {"detector": "rms", "threshold_v": 400.0, "attack_s": 0.1, "release_s": 1.0}
    behind = rig(
        protection=RELAY,
        driver={"continuous_power_w": 60.0, "program_power_w": 1e4, "peak_power_w": 1e5},
        amplifier={"rated_power_w": 5e4},
        limiter=limiter,
    )
    assert audit(steady, system).quieter_risk is not None
    assert audit(steady, behind).quieter_risk is None
