"""Settings of a limiter: thresholds known in closed form, the search, what is said, and what is verified."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor import audit_set
from auditor.advice import limiter_choice, limiter_stages
from auditor.advice.limiter_choice import LimiterChoice, NoChoice, document, find, rig_lines
from auditor.advice.limiter_search import HEAT, PEAK, Trials, highest_threshold
from auditor.advice.limiter_settings import at_threshold, make_limiter, textbook_dbu
from auditor.chain.limiter import limiter_threshold_dbu
from auditor.chain.listen import listen
from auditor.rig import Crossover, Rig
from tests.published.models import rig
from tests.stages.signals import demo_path, music, tone, write_wav

RATE_HZ = 48_000
ACTIVE = {"gain_db": 32.0, "rated_power_w": 2000.0, "rated_load_ohm": 8.0, "band": "hf"}
PASSIVE = ACTIVE | {"band": "full"}


def loud(**changes: Any) -> Rig:
    """60 W into 8 ohm behind a pad of 3 dB; a full-scale sine of 122.8 V, which the amplifier can do."""
    return rig(**({"amplifier": ACTIVE, "crossover": {"pad_db": 3.0}} | changes))


def chosen(paths: list[Path], system: Rig) -> LimiterChoice:
    found = find([str(path) for path in paths], system)
    assert isinstance(found, LimiterChoice)
    return found


def faded_in(samples: np.ndarray, seconds: float) -> np.ndarray:
    rise = np.minimum(np.arange(len(samples)) / (seconds * RATE_HZ), 1.0)
    return (samples * rise**2).astype(np.float32)


# --- known in closed form ---------------------------------------------------------------------------------------------


def test_textbook_thresholds_are_those_of_a_sine_at_the_rating_through_the_pad() -> None:
    system = loud()
    assert textbook_dbu(system, "rms") == pytest.approx(limiter_threshold_dbu(60.0, 8.0, 32.0) + 3.0)
    # A sine whose crests reach 240 W has a mean of 120 W.
    assert textbook_dbu(system, "peak") == pytest.approx(limiter_threshold_dbu(120.0, 8.0, 32.0) + 3.0)


def test_a_steady_sine_is_held_at_the_continuous_rating(tmp_path: Path) -> None:
    # Faded in, so that the limiter is ahead of it; its crests stay 3 dB under the peak rating once it is held.
    path = write_wav(tmp_path / "sine.wav", faded_in(tone(RATE_HZ, 12_000.0, 100.0, 0.3), 20.0), RATE_HZ)
    choice = chosen([path], loud())
    # A little of the rise gets past the attack and counts in the minute.
    assert choice.rms.threshold_dbu == pytest.approx(textbook_dbu(loud(), "rms"), abs=0.25)
    assert choice.rms.threshold_dbu <= textbook_dbu(loud(), "rms")
    assert choice.rms.threshold_v == pytest.approx(math.sqrt(60.0 * 8.0) * 10 ** (3.0 / 20.0), rel=0.03)
    assert choice.rms.threshold_dbfs == pytest.approx(choice.rms.threshold_dbu - 18.0, abs=1e-9)
    assert (choice.rms.attack_s, choice.rms.release_s) == (0.5, 2.0)
    assert choice.reachable
    assert not choice.peak.needed
    assert choice.rms_only_db <= 0.0
    assert "The rms limiter alone would hold everything" in choice.reason


def test_the_crests_of_a_sine_are_held_at_the_peak_rating(tmp_path: Path) -> None:
    # Bursts of 50 ms every 2 s: no heat to speak of, so the peak rating alone is passed; only an attack of nought holds
    # the first crest, and then the threshold is exact.
    gate = (np.arange(20 * RATE_HZ) % (2 * RATE_HZ)) < RATE_HZ // 20
    path = write_wav(tmp_path / "bursts.wav", tone(RATE_HZ, 6000.0, 20.0, 0.9) * gate, RATE_HZ)
    system = loud()
    system = replace(system, crossover=Crossover(alignment="none", order=0, frequency_hz=0.0, pad_db=3.0))
    choice = chosen([path], system)
    assert not choice.rms.needed
    assert choice.peak.attack_s == 0.0
    assert textbook_dbu(system, "peak") - 0.15 <= choice.peak.threshold_dbu <= textbook_dbu(system, "peak")
    assert choice.reachable
    assert choice.verified.outcome.driver_power_peak_w == pytest.approx(240.0, rel=0.03)


def test_steady_noise_in_a_passive_rig_is_held_by_all_of_its_band(tmp_path: Path) -> None:
    noise = 0.07 * np.random.default_rng(3).standard_normal(100 * RATE_HZ)
    path = write_wav(tmp_path / "noise.wav", faded_in(np.clip(noise, -0.3, 0.3), 20.0), RATE_HZ)
    system = loud(
        amplifier=PASSIVE, driver={"continuous_power_w": 5.0, "program_power_w": 10.0, "peak_power_w": 1000.0}
    )
    choice = chosen([path], system)
    hz = np.linspace(0.0, RATE_HZ / 2.0, 24_001)
    share = float(np.mean(((hz / 1800.0) ** 4 / (1.0 + (hz / 1800.0) ** 4)) ** 2))
    assert choice.rms.threshold_dbu == pytest.approx(textbook_dbu(system, "rms") - 10.0 * math.log10(share), abs=0.25)
    assert choice.reachable


def test_what_is_never_over_a_limit_is_never_touched(tmp_path: Path) -> None:
    quiet = 0.02 * music(RATE_HZ, seconds=5.0)
    path = write_wav(tmp_path / "quiet.wav", quiet, RATE_HZ)
    system = loud()
    choice = chosen([path], system)
    heard = listen(str(path), system, averaging_s=0.3)
    for setting, level_v in ((choice.rms, heard.rms_v), (choice.peak, heard.peak_v)):
        assert not setting.needed
        assert 0.0 <= 20.0 * math.log10(setting.threshold_v / level_v) <= 0.1
    assert choice.verified.active_ratio == 0.0
    assert choice.reason.startswith("No limiter is needed for this programme")


def test_what_is_heard_is_the_level_of_a_sine(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "sine.wav", tone(RATE_HZ, 1000.0, 3.0, 0.5), RATE_HZ)
    system = loud(amplifier=PASSIVE)
    heard = listen(str(path), system, averaging_s=0.1)
    assert heard.peak_v == pytest.approx(0.5 * system.full_scale_v, rel=1e-4)
    assert heard.rms_v == pytest.approx(0.5 * system.full_scale_v, rel=0.01)


def test_silence_gets_the_textbook_thresholds(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "silence.wav", np.zeros(RATE_HZ), RATE_HZ)
    choice = chosen([path], loud())
    assert choice.rms.threshold_dbu == math.floor(10.0 * textbook_dbu(loud(), "rms")) / 10.0
    assert choice.verified.margin_db is None
    assert choice.reason.startswith("Nothing reaches the driver")


# --- times ------------------------------------------------------------------------------------------------------------


def test_a_burst_wants_a_quicker_rms_limiter(tmp_path: Path) -> None:
    # 1.2 s far over the rating, and almost nothing else.
    wave = tone(RATE_HZ, 6000.0, 30.0, 0.9)
    wave *= np.where((np.arange(len(wave)) // RATE_HZ) % 30 == 12, 1.0, 0.01).astype(np.float32)
    path = write_wav(tmp_path / "burst.wav", wave, RATE_HZ)
    system = loud(driver={"continuous_power_w": 60.0, "program_power_w": 60.0, "peak_power_w": 4000.0})
    choice = chosen([path], system)
    assert choice.rms.needed
    assert choice.rms.attack_s < 0.5
    assert choice.reachable
    assert "A slower rms limiter (attack 0.5 s)" in choice.reason or "With an attack of 0.5 s" in choice.reason


def test_where_nothing_holds_that_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limiter_stages, "_PEAK_TIMES", ((1.0, False),))
    monkeypatch.setattr(limiter_stages, "BELOW_RMS_DB", 3.0)
    wave = tone(RATE_HZ, 8000.0, 5.0, 0.01)
    wave[2 * RATE_HZ : 2 * RATE_HZ + RATE_HZ // 10] *= 90.0
    path = write_wav(tmp_path / "click.wav", wave, RATE_HZ)
    choice = chosen([path], loud(driver={"peak_power_w": 120.0}))
    assert not choice.reachable
    assert choice.verified.outcome.verdict == "risk"
    assert "Out of reach: behind these limiters the peak power is still" in choice.reason


# --- the search -------------------------------------------------------------------------------------------------------

CURVES: dict[str, Callable[[float], float]] = {
    "straight": lambda threshold_dbu: threshold_dbu - 3.33,
    "flat above": lambda threshold_dbu: min(threshold_dbu + 7.2, 4.0),
    "hardly anything": lambda threshold_dbu: 0.15 * threshold_dbu + 0.4,
    "a step": lambda threshold_dbu: -5.0 if threshold_dbu < -2.55 else 12.0,
    "steep": lambda threshold_dbu: 3.0 * threshold_dbu - 20.0,
}


@pytest.mark.parametrize("start_dbu", [-20.0, 0.0, 15.0])
@pytest.mark.parametrize("name", CURVES)
def test_the_search_on_made_up_curves(name: str, start_dbu: float) -> None:
    trials: list[float] = []

    def excess_db(threshold_dbu: float) -> float:
        trials.append(threshold_dbu)
        return CURVES[name](threshold_dbu)

    found_dbu = highest_threshold(excess_db, start_dbu=start_dbu, lowest_dbu=-60.0, highest_dbu=40.0)
    assert found_dbu is not None
    assert len(trials) <= 15
    assert len(set(trials)) == len(trials)
    assert found_dbu == round(found_dbu, 1)
    assert CURVES[name](found_dbu) <= 0.0
    assert CURVES[name](found_dbu) >= -0.15 or CURVES[name](found_dbu + 0.1) > -0.05


def test_the_search_at_its_ends() -> None:
    assert highest_threshold(lambda _: 1.0, start_dbu=0.0, lowest_dbu=-20.0, highest_dbu=40.0) is None
    assert highest_threshold(lambda _: -math.inf, start_dbu=0.0, lowest_dbu=-20.0, highest_dbu=40.0) == 40.0


@pytest.mark.parametrize("detector", ["rms", "peak"])
def test_a_lower_threshold_never_lets_more_through(detector: Any) -> None:
    # What the search rests on. Behind filters and with a hold it need not be strictly so; it is, to a tenth of a dB.
    system = rig()
    trials, path = Trials(rig=system), str(demo_path("04"))
    hold_s = 0.0 if detector == "rms" else 0.1
    limiter = make_limiter(
        system,
        detector,
        0.0,
        averaging_s=0.1,
        attack_s=0.1 if detector == "rms" else 0.0005,
        release_s=0.5,
        hold_s=hold_s,
    )
    before = make_limiter(system, "rms", -3.0, averaging_s=0.3, attack_s=0.5, release_s=2.0)
    for ahead in ((), (before,)):
        found = [trials.at(path, (*ahead, at_threshold(limiter, dbu, system))) for dbu in np.arange(-12.0, 12.0, 3.0)]
        for causes in (HEAT, PEAK):
            rises_db = np.diff([each.worst(causes)[0] for each in found])
            assert rises_db.min() > -0.1
    assert trials.decodes == 2 * len(found)


def test_without_the_amplifiers_gain_the_settings_are_told_in_volts(tmp_path: Path) -> None:
    """The same system with its gain of 32 dB known, and left out as with a calibration by meter."""
    path = write_wav(tmp_path / "sine.wav", faded_in(tone(RATE_HZ, 12_000.0, 20.0, 0.5), 5.0), RATE_HZ)
    known = loud()
    unknown = replace(known, amplifier=replace(known.amplifier, gain_db=None))
    by_dbu, by_volts = chosen([path], known), chosen([path], unknown)
    for one, other in ((by_dbu.rms, by_volts.rms), (by_dbu.peak, by_volts.peak)):
        assert other.threshold_dbu is None
        assert other.textbook_dbu is None
        assert other.threshold_v == pytest.approx(one.threshold_v, rel=1e-9)  # 32 dB: the same steps are searched
        assert other.textbook_v == pytest.approx(one.textbook_v)
        assert other.threshold_dbfs == pytest.approx(one.threshold_dbfs)
    assert by_volts.verified.outcome.verdict == by_dbu.verified.outcome.verdict
    assert not any("threshold_dbu" in line for line in rig_lines(by_volts))
    tables = tomllib.loads("\n".join(rig_lines(by_volts)))["limiter"]
    assert [table["threshold_v"] for table in tables] == pytest.approx(
        [by_volts.rms.threshold_v, by_volts.peak.threshold_v], rel=1e-4
    )


# --- on the demonstration ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo_system() -> Rig:
    return rig(
        level={"full_scale_dbu": 18.0, "gain_db": -8.0},
        amplifier={"rated_power_w": 800.0},
        crossover={"pad_db": 3.0},
        limiter={"detector": "peak", "threshold_dbu": 20.0, "attack_s": 0.001, "release_s": 0.1},
    )


@pytest.fixture(scope="module")
def demo_choice(demo_system: Rig) -> LimiterChoice:
    return chosen([demo_path(start) for start in ("04", "06", "07")], demo_system)


def test_behind_the_proposal_everything_is_within_its_limits(demo_system: Rig, demo_choice: LimiterChoice) -> None:
    choice = demo_choice
    assert choice.rms.needed
    assert choice.peak.needed
    assert choice.reachable
    tables = tomllib.loads("\n".join(rig_lines(choice)))["limiter"]
    system = rig(
        level={"full_scale_dbu": 18.0, "gain_db": -8.0},
        amplifier={"rated_power_w": 800.0},
        crossover={"pad_db": 3.0},
        limiter=tables,
    )
    assert system.limiters == choice.limiters
    checked = audit_set([demo_path(start) for start in ("04", "06", "07")], system)
    assert checked.verdict == choice.verified.outcome.verdict == "clear"
    assert checked.coil_temp_max_c == pytest.approx(choice.verified.outcome.coil_temp_max_c, abs=0.01)
    assert checked.margin_db == pytest.approx(choice.verified.margin_db, abs=0.01)
    for track, work in zip(checked.tracks, choice.verified.tracks, strict=True):
        worked = [channel.limiter for channel in track.channels if channel.limiter is not None]
        assert max(each.active_ratio for each in worked) == work.active_ratio
        assert max(each.reduction_max_db for each in worked) == work.reduction_max_db


def test_a_little_higher_would_be_too_high(demo_system: Rig, demo_choice: LimiterChoice) -> None:
    bare = replace(demo_system, limiters=())
    rms, peak = demo_choice.limiters
    trials = Trials(rig=bare)
    paths = [str(demo_path(start)) for start in ("04", "06", "07")]
    higher = at_threshold(rms, rms.threshold_dbu + 0.3, bare)
    assert max(trials.at(path, (higher,)).worst(HEAT)[0] for path in paths) > 0.0
    higher = at_threshold(peak, peak.threshold_dbu + 0.3, bare)
    assert max(trials.at(path, (rms, higher)).worst(PEAK)[0] for path in paths) > 0.0


def test_the_limiter_of_the_rig_is_left_out_and_that_is_said(demo_choice: LimiterChoice) -> None:
    assert "The limiter of the rig file is left out here." in demo_choice.notes


def test_the_document_holds_the_promised_keys(demo_choice: LimiterChoice) -> None:
    found = document(demo_choice)
    for name in ("rms", "peak"):
        assert {"threshold_dbu", "threshold_v", "threshold_dbfs", "attack_s", "release_s"} <= found[name].keys()
    assert {"verdict", "margin_db", "active_ratio", "reduction_max_db"} <= found["verified"].keys()
    assert found["reachable"] is True
    assert 0.0 < found["verified"]["active_ratio"] < 1.0


# --- bad input --------------------------------------------------------------------------------------------------------


def test_without_a_readable_file_there_is_no_choice(tmp_path: Path) -> None:
    (tmp_path / "no.wav").write_bytes(b"not sound at all")
    found = find([str(tmp_path / "no.wav")], rig())
    assert isinstance(found, NoChoice)
    assert len(found.faults) == 1


def test_a_bad_file_among_good_ones_is_told(tmp_path: Path) -> None:
    (tmp_path / "no.wav").write_bytes(b"not sound at all")
    good = write_wav(tmp_path / "good.wav", 0.01 * music(RATE_HZ, seconds=2.0), RATE_HZ)
    choice = chosen([tmp_path / "no.wav", good], rig())
    assert [fault.path for fault in choice.faults] == [str(tmp_path / "no.wav")]
    assert len(choice.verified.tracks) == 1


def test_interrupted_there_is_no_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_wav(tmp_path / "sine.wav", tone(RATE_HZ, 6000.0, 2.0, 0.9), RATE_HZ)

    def stopped(*_: object, **__: object) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(limiter_choice, "rms_stage", stopped)
    with pytest.raises(KeyboardInterrupt):
        find([str(path)], loud())


def test_heat_carried_from_track_to_track_lowers_the_rms_limiter(tmp_path: Path) -> None:
    # Each track alone is just within its limits; one after the other the coil goes over.
    system = loud(
        driver={
            "coil_thermal_resistance_k_per_w": 1.0,
            "body_thermal_resistance_k_per_w": 7.0,
            "body_time_constant_s": 200.0,
        }
    )
    wave = faded_in(tone(RATE_HZ, 12_000.0, 60.0, 0.12), 5.0)
    paths = [write_wav(tmp_path / f"{number}.wav", wave, RATE_HZ) for number in range(4)]
    bare = audit_set(paths, system)
    assert {track.verdict for track in bare.tracks} == {"clear"}
    assert bare.verdict == "risk"
    choice = chosen(paths, system)
    assert choice.reachable
    assert choice.rms.needed
    assert choice.reason.startswith("No track alone is over a limit, but the heat carried")
