"""The equaliser in the chain: streaming, its place before the amplifier, low sampling rates, the rig file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal

from auditor.chain import equaliser
from auditor.chain.equaliser import EqualiserChannel, analogue_response, coefficients
from auditor.chain.play import play
from auditor.errors import ProgrammeError
from auditor.rig import EqualiserSection, Rig, rig_as_dict
from auditor.rig_resolve import resolve_rig
from auditor.rig_template import TEMPLATE
from tests.published.models import rig
from tests.stages.lines import excess_db, louder, margin_of
from tests.stages.signals import WholeFile, demo_path, level_db, music, tone, write_wav

RATE_HZ = 48_000
CURVE = [
    {"kind": "high_pass", "frequency_hz": 30.0, "q": 0.7},
    {"kind": "low_shelf", "frequency_hz": 120.0, "gain_db": 6.0, "q": 0.7},
    {"kind": "peaking", "frequency_hz": 3000.0, "gain_db": -4.0, "q": 2.0},
    {"kind": "high_shelf", "frequency_hz": 8000.0, "gain_db": 5.0, "q": 0.6},
]


def sections() -> tuple[EqualiserSection, ...]:
    return rig(equaliser=CURVE).equaliser


@pytest.mark.parametrize("sizes", [[1, 7, 997, 64, 3], [4096], [1], [48_001]])
def test_in_odd_blocks_it_is_bit_for_bit_the_same(sizes: list[int]) -> None:
    wave = music(RATE_HZ, seconds=0.5)
    whole = EqualiserChannel(sections(), RATE_HZ).push(wave)
    channel, parts, at = EqualiserChannel(sections(), RATE_HZ), [], 0
    while at < len(wave):
        size = sizes[len(parts) % len(sizes)]
        parts.append(channel.push(wave[at : at + size]))
        at += size
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_it_is_what_a_general_filter_makes_of_the_coefficients() -> None:
    wave = music(RATE_HZ, seconds=1.0)
    rows = [[*coefficients(each, RATE_HZ)[:3], 1.0, *coefficients(each, RATE_HZ)[3:]] for each in sections()]
    expected = signal.sosfilt(np.array(rows), wave.astype(float))
    np.testing.assert_allclose(EqualiserChannel(sections(), RATE_HZ).push(wave), expected, atol=3e-7)


def test_silence_stays_silent_and_fades_to_nought() -> None:
    channel = EqualiserChannel(sections(), RATE_HZ)
    assert not channel.push(np.zeros(1000, dtype=np.float32)).any()
    channel.push(np.ones(1000, dtype=np.float32))
    channel.push(np.zeros(60 * RATE_HZ, dtype=np.float32))
    assert not channel._states.any()


def test_the_most_it_adds_to_a_peak_is_reached_by_the_worst_wave() -> None:
    channel = EqualiserChannel(sections(), RATE_HZ)
    impulse = np.zeros(channel.settling + 1, dtype=np.float32)
    impulse[0] = 1.0
    worst = np.sign(EqualiserChannel(sections(), RATE_HZ).push(impulse))[::-1].astype(np.float32)
    peak = float(np.abs(EqualiserChannel(sections(), RATE_HZ).push(worst)).max())
    assert level_db(peak) == pytest.approx(channel.peak_gain_db, abs=0.001)


@pytest.mark.parametrize("frequency_hz", [2000.0, 5000.0, 12_000.0])
def test_a_tone_comes_out_of_the_file_by_what_the_section_makes(tmp_path: Path, frequency_hz: float) -> None:
    path = write_wav(tmp_path / "tone.wav", tone(RATE_HZ, frequency_hz, 1.0, 0.05), RATE_HZ)
    curve = [{"kind": "high_shelf", "frequency_hz": 5000.0, "gain_db": 8.0, "q": 0.7}]
    levels = []
    for system in (rig(), rig(equaliser=curve)):
        (feed,) = play(str(path), system).feeds
        levels.append(float(np.sqrt(np.mean(feed.frames.rms_v[30:-30].astype(float) ** 2))))
    expected = np.abs(equaliser.response(rig(equaliser=curve).equaliser, np.array([frequency_hz]), RATE_HZ))[0]
    assert level_db(levels[1] / levels[0]) == pytest.approx(level_db(expected), abs=0.01)


def test_it_stands_before_the_amplifier(tmp_path: Path) -> None:
    system = rig(equaliser=CURVE, amplifier={"rated_power_w": 100.0})
    wave = music(RATE_HZ, seconds=3.0)
    (feed,) = play(str(write_wav(tmp_path / "a.wav", wave, RATE_HZ)), system).feeds
    rows = [[*coefficients(each, RATE_HZ)[:3], 1.0, *coefficients(each, RATE_HZ)[3:]] for each in system.equaliser]
    wished_v = signal.sosfilt(np.array(rows), wave.astype(float)) * np.sqrt(2.0) * system.full_scale_v
    clipped = np.clip(wished_v, -system.amplifier.rail_v, system.amplifier.rail_v)
    branch_v = WholeFile(clipped, RATE_HZ).branch("linkwitz-riley", 4, 1800.0)
    assert level_db(feed.hf_voltage_rms_v / np.sqrt(np.mean(branch_v**2))) == pytest.approx(0.0, abs=0.01)
    assert feed.overall_clipped_ratio == pytest.approx(np.mean(np.abs(wished_v) > system.amplifier.rail_v), abs=1e-4)
    again = feed.replay.frames(0.0)
    np.testing.assert_allclose(again.rms_v, feed.frames.rms_v, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(again.peak_v, feed.frames.peak_v, rtol=1e-4, atol=1e-3)


def test_a_stretch_read_again_is_what_was_played(tmp_path: Path) -> None:
    system = rig(equaliser=CURVE)
    wave = music(RATE_HZ, seconds=3.0)
    (feed,) = play(str(write_wav(tmp_path / "a.wav", wave, RATE_HZ)), system).feeds
    whole = EqualiserChannel(system.equaliser, RATE_HZ).push(wave * np.float32(np.sqrt(2.0) * system.full_scale_v))
    for start in (-100, 0, 70_000):
        wished_v = feed.replay.wished_v(start, 5000)
        assert wished_v is not None
        assert len(wished_v) == 5000
        first = max(-start, 0)
        np.testing.assert_allclose(wished_v[first:], whole[start + first : start + 5000], atol=1e-3)


@pytest.mark.parametrize(("gain_db", "rated_power_w"), [(-20.0, 100.0), (-8.0, 100.0), (4.0, 400.0)])
@pytest.mark.parametrize("active", [False, True], ids=["passive", "active"])
@pytest.mark.parametrize("start", ["04", "06"])
def test_margin_applied_and_audited_anew(start: str, active: bool, gain_db: float, rated_power_w: float) -> None:
    amplifier = {"rated_power_w": rated_power_w} | ({"band": "hf"} if active else {})
    system = rig(equaliser=CURVE, level={"gain_db": gain_db}, amplifier=amplifier)
    margin_db, _ = margin_of(play(str(demo_path(start)), system), system)
    if margin_db is not None:
        assert excess_db(demo_path(start), louder(system, margin_db)) == pytest.approx(0.0, abs=0.1)


# --- sampling rates that are too low ----------------------------------------------------------------------------------


def low_rate_file(folder: Path) -> Path:
    return write_wav(folder / "low.wav", tone(16_000, 3000.0, 0.5, 0.1), 16_000)


@pytest.mark.parametrize("kind", ["peaking", "high_shelf", "low_pass"])
def test_a_section_above_the_band_is_left_out_and_said(tmp_path: Path, kind: str) -> None:
    gain = {} if kind == "low_pass" else {"gain_db": 6.0}
    system = rig(equaliser=[{"kind": kind, "frequency_hz": 8000.0, "q": 0.7} | gain])
    played = play(str(low_rate_file(tmp_path)), system)
    (note,) = [note for note in played.notes if "equaliser" in note]
    there_db = level_db(abs(analogue_response(system.equaliser[0], 8000.0)))
    assert note.startswith(f"equaliser section 1, {kind.replace('_', ' ')} at 8000 Hz, is left out")
    assert f"{there_db:+.1f} dB" in note
    np.testing.assert_array_equal(
        played.feeds[0].frames.rms_v, play(str(low_rate_file(tmp_path)), rig()).feeds[0].frames.rms_v
    )


@pytest.mark.parametrize("kind", ["low_shelf", "high_pass"])
def test_a_section_that_would_work_on_all_of_the_file_refuses_it(tmp_path: Path, kind: str) -> None:
    gain = {} if kind == "high_pass" else {"gain_db": 6.0}
    system = rig(equaliser=[CURVE[2], {"kind": kind, "frequency_hz": 9000.0, "q": 0.7} | gain])
    with pytest.raises(ProgrammeError, match=f"equaliser section 2, {kind.replace('_', ' ')} at 9000 Hz") as caught:
        play(str(low_rate_file(tmp_path)), system)
    assert "16000 Hz" in str(caught.value)


# --- the rig file -----------------------------------------------------------------------------------------------------


def faults(*tables: Any) -> list[str]:
    import tomllib

    document = tomllib.loads(TEMPLATE) | {"equaliser": list(tables)}
    return [str(fault) for fault in resolve_rig(document, path="rig.toml")[1]]


def test_a_rig_without_one_has_no_such_entry() -> None:
    assert "equaliser" not in rig_as_dict(rig())
    assert rig_as_dict(rig(equaliser=CURVE))["equaliser"][0] == {
        "kind": "high_pass",
        "frequency_hz": 30.0,
        "gain_db": 0.0,
        "q": 0.7,
    }


def test_faults_name_the_section() -> None:
    good, bad = CURVE[1], dict(CURVE[2])
    assert faults(good, bad | {"q": 0}) == [
        "equaliser.2.q: smaller than anything in the trade, got 0; allowed: 0.1 to 50 "
        "(quality: 0.707 is a Butterworth corner, more is narrower)"
    ]
    assert faults(good, bad | {"kind": "peak"}) == [
        'equaliser.2.kind: not one of the words allowed, got "peak"; '
        'allowed: peaking, low_shelf, high_shelf, low_pass, high_pass (did you mean "peaking"?)'
    ]
    assert faults(bad | {"gain": 1.0}) == ["equaliser.1.gain: unknown key (did you mean gain_db [dB]?)"]
    del bad["gain_db"]
    assert faults(bad) == ["equaliser.1.gain_db: missing: a peaking section needs it; allowed: -30 to 30 dB"]
    assert faults(CURVE[0] | {"gain_db": 3.0}) == [
        "equaliser.1.gain_db: a high_pass has no gain of its own, got 3 dB (remove it)"
    ]
    assert faults(1) == [
        "equaliser: must be tables, each headed [[equaliser]], got an array (in double brackets, once for each section)"
    ]
    assert len(faults({}, {"kind": "peaking"})) == 6


def test_one_table_instead_of_a_list_is_told() -> None:
    import tomllib

    document = tomllib.loads(TEMPLATE) | {"equaliser": CURVE[1]}
    assert [str(fault) for fault in resolve_rig(document, path="rig.toml")[1]] == [
        "equaliser: must be tables, each headed [[equaliser]], got a table (in double brackets, once for each section)"
    ]


def test_it_is_a_rig() -> None:
    assert isinstance(rig(equaliser=CURVE), Rig)
