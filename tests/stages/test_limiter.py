"""The limiter in the chain: streaming, hold, its place, the margin by replays, and the rig file."""

from __future__ import annotations

import io
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from auditor import audit, audit_set, protection
from auditor.chain.limiter import LimiterChain, LimiterChannel
from auditor.chain.play import play
from auditor.chain.processor import Processor
from auditor.judgement import replayed_margin
from auditor.judgement.trial import Point
from auditor.judgement.worst import worst_of
from auditor.report import records, words
from auditor.report.rig_sheet import show_rig
from auditor.report.terminal import make_console, render_text
from auditor.rig import Rig, rig_as_dict
from auditor.rig_processor import limiter_notes
from auditor.rig_resolve import resolve_rig
from auditor.rig_template import TEMPLATE
from tests.published.models import rig
from tests.published.test_limiter import RATE_HZ, THRESHOLD_V, settings, sine, square
from tests.stages.signals import WholeFile, demo_path, level_db, music, tone, write_wav

PEAK = {"detector": "peak", "threshold_v": 20.0, "attack_s": 0.001, "hold_s": 0.002, "release_s": 0.05}
RMS = {"detector": "rms", "threshold_v": 8.0, "attack_s": 0.2, "release_s": 1.0}


@pytest.mark.parametrize("detector", ["peak", "rms"])
@pytest.mark.parametrize("sizes", [[1, 7, 997, 64, 3], [4096], [1]])
def test_in_odd_blocks_it_is_bit_for_bit_the_same(detector: str, sizes: list[int]) -> None:
    wave = 200.0 * music(RATE_HZ, seconds=0.5)
    one, other = (LimiterChain([settings(detector, hold_s=0.003, ratio=6.0)], RATE_HZ) for _ in range(2))
    whole = one.push(wave)
    parts, at = [], 0
    while at < len(wave):
        size = sizes[len(parts) % len(sizes)]
        parts.append(other.push(wave[at : at + size]))
        at += size
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    assert one.work() == other.work()
    assert one.work().reduction_max_db > 3.0


def test_below_the_threshold_nothing_is_touched() -> None:
    channel = LimiterChain([settings()], RATE_HZ)
    wave = sine(-0.01, 0.2)
    np.testing.assert_array_equal(channel.push(wave), wave)
    assert (channel.work().active_ratio, channel.work().reduction_max_db) == (0.0, 0.0)


def test_it_equals_the_published_recursion_written_out() -> None:
    keys = {"attack_s": 0.002, "release_s": 0.03, "ratio": 4.0}
    wave = (30.0 * music(RATE_HZ, seconds=0.2)).astype(np.float32)
    attack, release = (math.exp(-1.0 / (each * RATE_HZ)) for each in (0.002, 0.03))
    threshold_db = 20.0 * math.log10(THRESHOLD_V * math.sqrt(2.0))
    expected, smoothed_db = [], 0.0
    for v in wave.astype(float):
        level = 20.0 * math.log10(max(abs(v), 1e-9))
        computed = level if level <= threshold_db else threshold_db + (level - threshold_db) / 4.0
        wanted_db = level - computed
        keep = attack if wanted_db > smoothed_db else release
        smoothed_db = keep * smoothed_db + (1.0 - keep) * wanted_db
        expected.append(v * 10.0 ** (-smoothed_db / 20.0))
    np.testing.assert_allclose(LimiterChannel(settings(**keys), RATE_HZ).push(wave), expected, rtol=2e-6, atol=1e-9)


def test_hold_keeps_the_reduction_that_long_and_release_begins_then() -> None:
    hold_s, loud, quiet = 0.05, square(12.0, 0.1), square(-20.0, 0.3)
    limited = LimiterChannel(settings(attack_s=0.001, hold_s=hold_s, release_s=0.02), RATE_HZ).push(
        np.concatenate([loud, quiet])
    )
    reduction_db = level_db(np.abs(quiet / limited[len(loud) :]).astype(float))
    held = round(hold_s * RATE_HZ)
    assert reduction_db[:held] == pytest.approx(np.full(held, 12.0), abs=0.001)
    assert reduction_db[held + round(0.02 * RATE_HZ)] == pytest.approx(12.0 / math.e, rel=0.01)


def test_what_it_did_is_counted() -> None:
    channel = LimiterChain([settings(attack_s=0.0, release_s=0.001)], RATE_HZ)
    channel.push(np.concatenate([square(6.0, 0.25), square(-20.0, 0.75)]))
    # Of 6 dB, 0.1 dB is left after 4.1 release times.
    assert channel.work().active_ratio == pytest.approx(0.25 + 0.0041, abs=0.0002)
    assert channel.work().reduction_max_db == pytest.approx(6.0, abs=1e-4)


def test_it_stands_between_equaliser_and_amplifier(tmp_path: Path) -> None:
    # An equaliser lifts the tone by 12 dB, the limiter holds it 3 dB under the rails, so nothing clips.
    system = rig(
        amplifier={"rated_power_w": 100.0},
        equaliser=[{"kind": "peaking", "frequency_hz": 4000.0, "gain_db": 12.0, "q": 1.0}],
    )
    path = str(write_wav(tmp_path / "tone.wav", tone(RATE_HZ, 4000.0, 2.0, 0.15), RATE_HZ))
    sine_v = system.amplifier.rail_v / 2.0
    limiter = replace(settings("rms", attack_s=0.01, release_s=0.2), threshold_v=sine_v, averaging_s=0.01)
    limited = replace(system, limiters=(limiter,))
    bare, held = (play(path, each).feeds[0] for each in (system, limited))
    assert bare.overall_clipped_ratio > 0.5
    assert held.clipped_ratio[len(held.clipped_ratio) // 2 :].max() == 0.0
    middle = slice(len(held.frames.rms_v) // 2, -20)
    reached_v = float(np.sqrt(np.mean(held.frames.rms_v[middle].astype(float) ** 2)))
    branch_v = WholeFile(tone(RATE_HZ, 4000.0, 1.0), RATE_HZ).branch("linkwitz-riley", 4, 1800.0)[4800:-4800]
    gain = math.sqrt(2.0 * float(np.mean(branch_v**2)))
    assert level_db(reached_v / (sine_v * gain)) == pytest.approx(0.0, abs=0.1)


# --- active rigs ------------------------------------------------------------------------------------------------------


def test_in_an_active_rig_bass_clips_nothing_and_the_pad_comes_after_the_amplifier(tmp_path: Path) -> None:
    wave = tone(RATE_HZ, 60.0, 2.0, 0.9) + tone(RATE_HZ, 6000.0, 2.0, 0.05)
    path = str(write_wav(tmp_path / "mix.wav", wave, RATE_HZ))
    passive, active = (
        rig(amplifier={"rated_power_w": 100.0, "band": band}, crossover={"pad_db": 6.0}) for band in ("full", "hf")
    )
    assert play(path, passive).feeds[0].overall_clipped_ratio > 0.3
    (feed,) = play(path, active).feeds
    assert feed.overall_clipped_ratio == 0.0
    assert feed.hf_energy_ratio == pytest.approx(1.0, abs=1e-3)
    branch_v = WholeFile(wave * math.sqrt(2.0) * active.full_scale_v, RATE_HZ).branch("linkwitz-riley", 4, 1800.0)
    expected_v = np.sqrt(np.mean(branch_v**2)) * 10.0 ** (-6.0 / 20.0)
    assert level_db(feed.hf_voltage_rms_v / expected_v) == pytest.approx(0.0, abs=0.01)
    assert feed.frames.duration_s == pytest.approx(2.0)


def test_an_hf_limiter_does_not_hear_the_bass(tmp_path: Path) -> None:
    wave = tone(RATE_HZ, 60.0, 2.0, 0.5) + tone(RATE_HZ, 6000.0, 2.0, 0.01)
    path = str(write_wav(tmp_path / "mix.wav", wave, RATE_HZ))
    work = {}
    for band in ("full", "hf"):
        (feed,) = play(path, rig(amplifier={"band": "hf"}, limiter=PEAK | {"band": band})).feeds
        assert feed.limiter is not None
        work[band] = feed.limiter
    assert work["full"].active_ratio > 0.9
    assert work["hf"].active_ratio < 0.01
    system = rig(amplifier={"band": "hf"}, limiter=PEAK)
    assert system.limiters[0].band == "hf"


@pytest.mark.parametrize("band", ["full", "hf"])
@pytest.mark.parametrize("active", [False, True], ids=["passive", "active"])
def test_the_whole_processor_in_odd_blocks_is_bit_for_bit_the_same(band: str, active: bool) -> None:
    band = band if active else "full"
    system = rig(equaliser=[LIFT], limiter=PEAK | {"band": band}, amplifier={"band": "hf" if active else "full"})
    wave, parts, at = music(RATE_HZ, seconds=3.0), [], 0
    one, other = Processor(system, RATE_HZ), Processor(system, RATE_HZ)
    whole = np.concatenate([one.push(wave), one.finish()])
    while at < len(wave):
        size = (1, 997, 30_011, 64)[len(parts) % 4]
        parts.append(other.push(wave[at : at + size]))
        at += size
    np.testing.assert_array_equal(np.concatenate([*parts, other.finish()]), whole)
    assert len(whole) == len(wave)
    assert one.limiter_work() == other.limiter_work()


# --- several in a row -------------------------------------------------------------------------------------------------


def test_two_in_a_row_are_one_behind_the_other_and_count_together() -> None:
    slow, quick = settings("rms", attack_s=0.1, release_s=0.5), settings("peak", attack_s=0.001, release_s=0.02)
    wave = (60.0 * music(RATE_HZ, seconds=2.0)).astype(np.float32)
    chain = LimiterChain([slow, quick], RATE_HZ)
    both = chain.push(wave)
    first_db, second_db = np.zeros(len(wave)), np.zeros(len(wave))
    behind_first = LimiterChannel(slow, RATE_HZ).push(wave, first_db)
    np.testing.assert_array_equal(both, LimiterChannel(quick, RATE_HZ).push(behind_first, second_db))
    total_db = first_db + second_db
    assert chain.work().reduction_max_db == total_db.max() > max(first_db.max(), second_db.max())
    assert chain.work().active_ratio == np.mean(total_db >= 0.1)


@pytest.mark.parametrize("bands", [("full", "full"), ("full", "hf"), ("hf", "hf"), ("hf", "full")])
def test_limiters_before_and_behind_the_crossover_count_sample_by_sample(bands: tuple[str, str]) -> None:
    tables = [RMS | {"band": bands[0]}, PEAK | {"band": bands[1]}]
    system = rig(limiter=tables, amplifier={"band": "hf"})
    wave, parts, at = music(RATE_HZ, seconds=3.0), [], 0
    one, other = Processor(system, RATE_HZ), Processor(system, RATE_HZ)
    whole = np.concatenate([one.push(wave), one.finish()])
    while at < len(wave):
        size = (1, 997, 30_011, 64)[len(parts) % 4]
        parts.append(other.push(wave[at : at + size]))
        at += size
    np.testing.assert_array_equal(np.concatenate([*parts, other.finish()]), whole)
    assert one.limiter_work() == other.limiter_work()


def test_a_step_through_the_crossover_is_counted_at_its_own_time() -> None:
    # The limiter before the crossover works in the first half, that behind it in the second: together all of the time.
    wave = np.concatenate([tone(RATE_HZ, 100.0, 1.0, 0.9), tone(RATE_HZ, 9000.0, 1.0, 0.2)])
    tables = [
        {"detector": "peak", "threshold_v": 60.0, "attack_s": 0.0, "hold_s": 0.006, "release_s": 0.001, "band": "full"},
        {"detector": "peak", "threshold_v": 20.0, "attack_s": 0.0, "hold_s": 0.006, "release_s": 0.001, "band": "hf"},
    ]
    processor = Processor(rig(limiter=tables, amplifier={"band": "hf"}), RATE_HZ)
    processor.push(wave)
    processor.finish()
    work = processor.limiter_work()
    assert work is not None
    assert work.active_ratio == pytest.approx(1.0, abs=0.02)


# --- margin -----------------------------------------------------------------------------------------------------------

LIMITERS: dict[str, dict[str, Any]] = {
    "peak": PEAK,
    "soft peak": PEAK | {"ratio": 3.0, "attack_s": 0.01},
    "rms": RMS,
    "soft rms": RMS | {"ratio": 2.0},
}


@pytest.mark.parametrize("fitted", [{"kind": "none"}, {"kind": "lamp", "part": "1156"}], ids=["none", "lamp"])
@pytest.mark.parametrize("gain_db", [-20.0, -4.0])
@pytest.mark.parametrize("name", LIMITERS)
def test_margin_applied_and_audited_anew(
    name: str, gain_db: float, fitted: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    trials: list[float] = []
    plain_at = replayed_margin.at
    monkeypatch.setattr(replayed_margin, "at", lambda trial, gain: trials.append(gain) or plain_at(trial, gain))
    system = rig(limiter=LIMITERS[name], level={"gain_db": gain_db}, protection=fitted)
    path = demo_path("04")
    result = audit(path, system)
    ends = 1 if system.protection.kind == "none" else 2  # of the lamp's tolerance
    assert len(trials) <= replayed_margin.MOST_REPLAYS * result.channel_count * ends
    step_db = replayed_margin.HIGHEST_GAIN_DB if result.margin_db is None else result.margin_db
    excess_db = excess_at(path, system, step_db)
    if result.margin_db is None:
        assert excess_db <= 0.0
    else:
        assert excess_db == pytest.approx(0.0, abs=0.1)


def excess_at(path: Path, system: Rig, gain_db: float) -> float:
    louder = replace(system, level=replace(system.level, gain_db=system.level.gain_db + gain_db))
    ends = protection.ends(louder.protection) or (louder.protection,)
    rigs = [replace(louder, protection=end) for end in ends]
    return max(worst_of(feed.frames, each).excess(each)[0] for feed in play(str(path), louder).feeds for each in rigs)


def test_a_limiter_that_holds_whatever_comes_leaves_no_margin_to_state(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "noise.wav", 0.3 * music(RATE_HZ, seconds=3.0), RATE_HZ)
    system = rig(limiter=PEAK | {"threshold_v": 5.0, "attack_s": 0.0, "hold_s": 0.01})
    assert (audit(path, system).margin_db, audit(path, system).margin_limited_by) == (None, None)
    silent = write_wav(tmp_path / "silence.wav", np.zeros(RATE_HZ, dtype=np.float32), RATE_HZ)
    assert audit(silent, system).margin_db is None


def test_held_just_under_its_limit_for_good_there_is_no_margin_to_state() -> None:
    trials: list[float] = []

    def trial(gain_db: float) -> Any:
        trials.append(gain_db)
        return -0.04, "driver_power_peak"

    assert replayed_margin.limited_margin(trial, Point(0.0, -0.04, "driver_power_peak")) is None
    assert len(trials) <= replayed_margin.MOST_REPLAYS


CURVES = {
    "straight": lambda gain_db: gain_db - 7.3,
    "over, straight": lambda gain_db: gain_db + 15.0,
    "flattening": lambda gain_db: min(gain_db - 3.0, 0.15 * gain_db - 1.7),
    "over, flat": lambda gain_db: min(gain_db + 30.0, 0.02 * gain_db + 2.0),
    "almost flat": lambda gain_db: min(gain_db, 0.03 * gain_db - 0.5),
    "held at the limit": lambda gain_db: -0.05 if gain_db < 3.0 else gain_db - 3.05,
    "step": lambda gain_db: -4.0 if gain_db < 5.2 else 30.0,
    "steeper when it clips": lambda gain_db: max(gain_db - 9.0, 2.0 * gain_db - 14.0),
}


@pytest.mark.parametrize("name", CURVES)
def test_the_search_on_made_up_curves(name: str) -> None:
    curve, trials = CURVES[name], []

    def trial(gain_db: float) -> Any:
        trials.append(gain_db)
        return curve(gain_db), "coil_temp"

    found = replayed_margin.limited_margin(trial, Point(0.0, curve(0.0), "coil_temp"))
    assert len(trials) <= replayed_margin.MOST_REPLAYS
    assert found is not None
    assert curve(found[0]) <= 0.0
    if name == "step":
        assert found[0] == pytest.approx(5.2, abs=0.2)
    elif name == "held at the limit":
        assert 2.0 <= found[0] <= 3.06
    else:
        assert curve(found[0]) == pytest.approx(0.0, abs=0.1)


# --- the rig file -----------------------------------------------------------------------------------------------------


def limiter_faults(limiter: dict[str, Any], **amplifier: Any) -> list[str]:
    document = tomllib.loads(TEMPLATE)
    document["amplifier"] |= amplifier
    return [str(fault) for fault in resolve_rig(document | {"limiter": limiter}, path="rig.toml")[1]]


def test_faults_are_told_in_words() -> None:
    less = {key: value for key, value in PEAK.items() if key != "threshold_v"}
    assert limiter_faults(PEAK) == limiter_faults(RMS) == []
    assert limiter_faults(less) == [
        "limiter.threshold_dbu: missing; allowed: threshold_dbu [dBu] at the amplifier's input, "
        "or threshold_v [V] at its output"
    ]
    assert limiter_faults(PEAK | {"threshold_dbu": 2}) == [
        "limiter.threshold_v: threshold_dbu already sets this (remove one: the other follows from the amplifier's gain)"
    ]
    assert limiter_faults(PEAK | {"averaging_s": 0.1}) == [
        'limiter.averaging_s: a peak detector does not average, got 0.1 s (remove it, or detector = "rms")'
    ]
    assert limiter_faults(PEAK | {"ratio": 1}) == [
        "limiter.ratio: a ratio of 1 does nothing, and less is an expander, got 1; allowed: 1.1 to 1000"
    ]
    assert limiter_faults(PEAK | {"release_s": -1, "attack": 2}) == [
        "limiter.attack: unknown key (did you mean attack_s [s]?)",
        "limiter.release_s: a time is not negative, got -1 s; allowed: 0.001 to 600 s",
    ]
    assert len(limiter_faults({})) == 4


def test_of_several_limiters_each_fault_has_its_number() -> None:
    found = limiter_faults([RMS, {"detector": "peak", "attack_s": 0.001, "release_s": 0.1}])  # type: ignore[arg-type]
    assert found == [
        "limiter.2.threshold_dbu: missing; allowed: threshold_dbu [dBu] at the amplifier's input, "
        "or threshold_v [V] at its output"
    ]
    (line,) = limiter_faults([PEAK | {"attack": 1}, RMS])  # type: ignore[arg-type]
    assert line.startswith("limiter.1.attack: unknown key")
    assert limiter_faults("peak")  # type: ignore[arg-type]


def test_several_limiters_are_resolved_in_order_and_told_one_by_one() -> None:
    system = rig(limiter=[RMS, PEAK])
    assert [each.detector for each in system.limiters] == ["rms", "peak"]
    assert {"limiter.1.hold_s", "limiter.1.averaging_s"} <= set(system.assumed)
    assert [table["detector"] for table in rig_as_dict(system)["limiter"]] == ["rms", "peak"]
    text = sheet(system)
    assert text.count("detector") == 2
    assert "limiter.1.averaging_s 0.02 s: assumed" in text
    assert words.assumptions(system).startswith("the limiter's settings")
    one = rig(limiter=[PEAK])
    assert one.limiters == rig(limiter=PEAK).limiters
    assert isinstance(rig_as_dict(one)["limiter"], dict)
    never = rig(limiter=[PEAK, PEAK | {"threshold_v": 900.0}])
    (note,) = limiter_notes(never)
    assert note.startswith("number 2: it can never work")


def test_hf_band_in_a_passive_rig_is_impossible() -> None:
    (line,) = limiter_faults(PEAK | {"band": "hf"})
    assert line.startswith("limiter.band: in a passive rig the amplifier carries the whole band")
    assert 'amplifier.band = "hf"' in line
    assert limiter_faults(PEAK | {"band": "hf"}, band="hf") == []


def test_what_is_left_out_is_assumed_and_said() -> None:
    system = rig(limiter=RMS)
    assert {"limiter.hold_s", "limiter.averaging_s"} <= set(system.assumed)
    assert (system.limiters[0].averaging_s, system.limiters[0].ratio, system.limiters[0].band) == (0.02, None, "full")
    assert "limiter" not in rig_as_dict(rig())
    assert "limiter.averaging_s 0.02 s: assumed" in sheet(system)


def sheet(system: Rig) -> str:
    console = make_console(io.StringIO(), no_color=True, width=120)
    show_rig(system, given={"kind"}, console=console)
    return console.file.getvalue()  # type: ignore[attr-defined, no-any-return]


@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_a_limiter_that_cannot_reach_its_threshold_is_said(detector: str) -> None:
    # 244.9 V rms at full scale; a square wave's rms is 3 dB more. The amplifier clips a sine at 49 V.
    keys = {"detector": detector, "attack_s": 0.01, "release_s": 0.1}
    highest_v = 244.9 * (math.sqrt(2.0) if detector == "rms" else 1.0)
    reachable = rig(limiter=keys | {"threshold_v": 48.0})
    late = rig(limiter=keys | {"threshold_v": highest_v * 0.99})
    never = rig(limiter=keys | {"threshold_v": highest_v * 1.01})
    assert limiter_notes(reachable) == []
    assert limiter_notes(late)[0].startswith("it comes too late")
    assert limiter_notes(never)[0].startswith("it can never work")
    assert "it can never work" in sheet(never)
    lifted = rig(limiter=keys | {"threshold_v": highest_v * 1.01}, equaliser=[LIFT])
    assert limiter_notes(lifted)[0].startswith("it comes too late")


LIFT = {"kind": "peaking", "frequency_hz": 4000.0, "gain_db": 6.0, "q": 1.0}


def test_reports_tell_what_it_did(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "music.wav", 0.5 * music(RATE_HZ, seconds=3.0), RATE_HZ)
    result = audit_set([path], rig(limiter=PEAK, equaliser=[LIFT]))
    document = records.document(result, exit_status=0)
    jsonschema.Draft202012Validator(records.schema()).validate(document)
    work = document["tracks"][0]["channels"][0]["limiter"]
    assert work["active_ratio"] > 0.1
    assert work["reduction_max_db"] > 3.0
    assert document["rig"]["limiter"]["ratio"] is None
    console = make_console(io.StringIO(), no_color=True, width=100)
    render_text(result, console=console)
    text = console.file.getvalue()  # type: ignore[attr-defined]
    assert "Limiter: works" in text
    assert f"takes away {work['reduction_max_db']:.1f} dB at most" in text
    several = audit_set([path], rig(limiter=[RMS, PEAK]))
    document = records.document(several, exit_status=0)
    jsonschema.Draft202012Validator(records.schema()).validate(document)
    assert [each["detector"] for each in document["rig"]["limiter"]] == ["rms", "peak"]
    console = make_console(io.StringIO(), no_color=True, width=100)
    render_text(several, console=console)
    assert "Limiter: one or another works" in console.file.getvalue()  # type: ignore[attr-defined]
    plain = records.document(audit_set([path], rig()), exit_status=0)
    assert "limiter" not in plain["tracks"][0]["channels"][0]
    jsonschema.Draft202012Validator(records.schema()).validate(plain)
