"""`match_loudness_lufs`: tracks of known loudness come out at the volts that follow from it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from auditor import load_rig
from auditor.chain import fader
from auditor.chain.listen import listen
from auditor.chain.play import play
from auditor.programme.entry import Entry, Matched
from auditor.programme.measured import measured_loudness
from auditor.programme.spectrum import spectrum
from auditor.rig import Rig
from tests.cli.harness import RIG

RATE_HZ = 48_000
TARGET_LUFS = -20.0
# Tech 3341, cases 1 and 2: a 1 kHz sine of -23 (-33) dBFS in both channels reads -23.0 (-33.0) LUFS, within 0.1 LU.
CASES_LUFS = (-23.0, -33.0)
ALLOWED_LU = 0.1


def rig_of(folder: Path, target_lufs: float | None = TARGET_LUFS) -> Rig:
    """No crossover, no pad, and an amplifier that never clips: the driver gets what the mixer sends."""
    text = RIG.replace('"linkwitz-riley"\norder = 4\nfrequency_hz = 1800.0\npad_db = 6.0', '"none"')
    text = text.replace("rated_power_w = 300.0", "rated_power_w = 50000.0")
    if target_lufs is not None:
        text = text.replace("[amplifier]", f"match_loudness_lufs = {target_lufs}\n[amplifier]")
    path = folder / "rig.toml"
    path.write_text(text)
    return load_rig(path)


def sine(folder: Path, level_dbfs: float) -> Entry:
    tone = 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * 1000.0 * np.arange(5 * RATE_HZ) / RATE_HZ)
    path = folder / f"{level_dbfs:g}.wav"
    soundfile.write(path, np.stack([tone, tone], axis=1), RATE_HZ, subtype="FLOAT")
    return Entry(path=str(path))


@pytest.mark.parametrize("trim_db", [None, -3.0, 6.0])
@pytest.mark.parametrize("lufs", CASES_LUFS)
def test_known_loudness_comes_out_at_the_volts_that_follow(tmp_path: Path, lufs: float, trim_db: float | None) -> None:
    rig = rig_of(tmp_path)
    played = play(replace(sine(tmp_path, lufs), gain_db=trim_db), rig)
    # The loudness of a sine in both channels is its level: 0.7746 V at 0 dBu, +18 dBu at full scale, 32 dB of gain.
    closed_form_v = math.sqrt(0.6) * 10.0 ** ((18.0 + 32.0 + TARGET_LUFS + (trim_db or 0.0)) / 20.0)
    for feed in played.feeds:
        off_db = 20.0 * math.log10(feed.hf_voltage_rms_v / closed_form_v)
        assert abs(off_db) < ALLOWED_LU
    assert played.loudness.integrated_lufs == pytest.approx(TARGET_LUFS + (trim_db or 0.0), abs=0.001)


def test_a_fader_left_alone_would_be_caught(tmp_path: Path) -> None:
    played = play(sine(tmp_path, CASES_LUFS[1]), rig_of(tmp_path, None))
    closed_form_v = math.sqrt(0.6) * 10.0 ** ((18.0 + 32.0 + TARGET_LUFS) / 20.0)
    assert abs(20.0 * math.log10(played.feeds[0].hf_voltage_rms_v / closed_form_v)) > 10.0


def test_all_that_reads_the_track_again_has_the_fader_where_it_stood(tmp_path: Path) -> None:
    rig, entry = rig_of(tmp_path), sine(tmp_path, CASES_LUFS[1])
    played = play(entry, rig)
    moved_db = played.programme.entry.change_db
    assert moved_db == pytest.approx(13.0, abs=ALLOWED_LU)
    plain = rig_of(tmp_path, None)
    for ridden_v, plain_v in [
        (listen(entry, rig, averaging_s=0.1).peak_v, listen(entry, plain, averaging_s=0.1).peak_v),
        (played.feeds[0].replay.frames(0.0).rms_v.max(), play(entry, plain).feeds[0].replay.frames(0.0).rms_v.max()),
    ]:
        assert 20.0 * math.log10(ridden_v / plain_v) == pytest.approx(moved_db, abs=0.001)
    bands = spectrum(played.programme.source).band_level_dbfs.max() - spectrum(entry).band_level_dbfs.max()
    assert bands == pytest.approx(moved_db, abs=0.001)


def test_silence_keeps_the_fader_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros((RATE_HZ, 2)), RATE_HZ)
    played = play(path, rig_of(tmp_path))
    assert played.programme.entry.matched == Matched(target_lufs=TARGET_LUFS, file_lufs=None)
    assert played.programme.gain_ratio == 1.0
    assert any("fader was left" in note for note in played.notes)


def test_measured_once_for_one_loudness_and_without_trim(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    entry = replace(sine(tmp_path, CASES_LUFS[0]), gain_db=-10.0)
    assert measured_loudness(entry) == pytest.approx(CASES_LUFS[0], abs=ALLOWED_LU)
    told: list[float] = []
    ridden, tell = fader.ride(entry, rig_of(tmp_path), told.append)
    assert tell is not None
    tell(0.0)
    tell(1.0)
    assert told == sorted(told)
    assert told[-1] == 1.0
    other, _ = fader.ride(ridden, rig_of(tmp_path, -30.0))
    assert other.matched.gain_db == pytest.approx(ridden.matched.gain_db - 10.0, abs=1e-9)
    monkeypatch.setattr(fader, "measured_loudness", None)  # cannot be called any more
    assert fader.ride(ridden, rig_of(tmp_path))[0] == ridden
    assert fader.ride(ridden, rig_of(tmp_path, None))[0] == entry


def test_a_very_soft_track_is_brought_up_and_its_margin_holds(tmp_path: Path) -> None:
    from auditor import audit

    rig = rig_of(tmp_path)
    soft, loud = (audit(sine(tmp_path, lufs), rig) for lufs in (-65.0, -10.0))
    assert soft.loudness_lufs == pytest.approx(TARGET_LUFS, abs=0.001)
    assert soft.margin_db == pytest.approx(loud.margin_db, abs=0.05)
