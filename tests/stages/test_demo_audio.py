"""The demonstration set: the shipped clips are what the synthesis gives, and they are what they claim to be.

These are invariants of our own material (crest factor, length, size), not outside values.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from auditor import audit, demo, load_rig
from auditor.demo import mixing, render
from auditor.demo.pieces import CLIPS, Clip

NAMES = [clip.file_name for clip in CLIPS]


@cache
def synthesis(name: str) -> NDArray[np.int16]:
    clip = CLIPS[NAMES.index(name)]
    return mixing.to_pcm16(clip.samples())


@cache
def stored(name: str) -> NDArray[np.float64]:
    samples: NDArray[np.float64] = soundfile.read(demo.demo_dir() / name, dtype="float64", always_2d=True)[0]
    return samples


def crest_db(samples: NDArray[np.float64]) -> float:
    return 20.0 * math.log10(np.abs(samples).max() / math.sqrt(float(np.mean(samples**2))))


def share_above(samples: NDArray[np.float64], *, sample_rate_hz: int, frequency_hz: float) -> float:
    power = np.abs(np.fft.rfft(samples, axis=0)) ** 2
    high = np.fft.rfftfreq(len(samples), 1.0 / sample_rate_hz) >= frequency_hz
    return float(power[high].sum() / power.sum())


def clip_named(start: str) -> Clip:
    return next(clip for clip in CLIPS if clip.file_name.startswith(start))


def test_the_folder_holds_the_clips_and_nothing_else() -> None:
    assert [path.name for path in demo.demo_paths()] == NAMES
    assert demo.demo_rig_path().is_file()


def test_an_installed_copy_finds_the_folder_inside_the_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inside = tmp_path / "auditor" / "demo_audio"
    inside.mkdir(parents=True)
    (inside / "rig.toml").touch()
    (inside / "01-a.flac").touch()
    monkeypatch.setattr(demo, "__file__", str(tmp_path / "auditor" / "demo" / "__init__.py"))
    assert demo.demo_paths() == (inside.resolve() / "01-a.flac",)


def test_a_missing_folder_is_said_plainly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "__file__", str(tmp_path / "auditor" / "demo" / "__init__.py"))
    with pytest.raises(demo.AuditorError, match="demonstration set is missing"):
        demo.demo_paths()


def test_the_set_is_small_enough() -> None:
    assert sum(path.stat().st_size for path in demo.demo_paths()) <= render.MAX_TOTAL_BYTES


@pytest.mark.parametrize("clip", CLIPS, ids=NAMES)
def test_the_shipped_clip_is_the_synthesis(clip: Clip) -> None:
    wanted, shipped = synthesis(clip.file_name), stored(clip.file_name)
    assert shipped.shape == wanted.shape
    if clip.lossless:
        # One step of 16 bits: another machine's sine may differ in its last bit and fall on the other side.
        assert np.abs(shipped * 32768.0 - wanted).max() <= 1.0
    else:
        error = float(np.sum((shipped - wanted / 32768.0) ** 2))
        assert error < 0.01 * float(np.sum((wanted / 32768.0) ** 2))


@pytest.mark.parametrize("clip", CLIPS, ids=NAMES)
def test_the_file_is_of_the_stated_kind_and_length(clip: Clip) -> None:
    info = soundfile.info(demo.demo_dir() / clip.file_name)
    assert (info.samplerate, info.channels, info.subtype) == (clip.sample_rate_hz, clip.channels, clip.subtype)
    assert 18.0 <= info.duration <= 75.0


@pytest.mark.parametrize("clip", CLIPS, ids=NAMES)
def test_no_clip_reaches_full_scale(clip: Clip) -> None:
    assert np.abs(synthesis(clip.file_name)).max() < 32767


@pytest.mark.parametrize("start", ["01", "02", "03", "05"])
def test_open_dynamics_have_a_high_crest_factor(start: str) -> None:
    assert crest_db(synthesis(clip_named(start).file_name) / 32768.0) > 14.0


def test_the_squashed_master_is_dense_and_bright_at_the_same_peak() -> None:
    mixed, squashed = clip_named("03"), clip_named("04")
    before, after = (synthesis(clip.file_name) / 32768.0 for clip in (mixed, squashed))
    assert before.shape == after.shape
    assert np.abs(before).max() == pytest.approx(np.abs(after).max(), abs=2 / 32768)
    assert crest_db(after) < 8.0
    shares = [share_above(x, sample_rate_hz=mixed.sample_rate_hz, frequency_hz=1800.0) for x in (before, after)]
    assert shares[1] > 4.0 * shares[0]


def test_the_acoustic_piece_has_wide_dynamics() -> None:
    clip = clip_named("02")
    samples = synthesis(clip.file_name) / 32768.0
    seconds = len(samples) // clip.sample_rate_hz
    power = np.mean(samples[: seconds * clip.sample_rate_hz].reshape(seconds, -1) ** 2, axis=1)
    playing = 10.0 * np.log10(power[:42])
    assert playing.max() - playing.min() > 20.0


def test_the_set_shows_what_its_readme_promises() -> None:
    rig = load_rig(demo.demo_rig_path())
    audits = {path.name[:2]: audit(path, rig) for path in demo.demo_paths()}
    assert {start: result.verdict for start, result in audits.items()} == {
        "01": "clear",
        "02": "clear",
        "03": "clear",
        "04": "risk",
        "05": "engaged",
        "06": "engaged",
        "07": "risk",
    }
    driver = rig.driver
    squashed, squeal, tone = (audits[start].channels[0] for start in ("04", "06", "07"))
    # The squashed tune would burn a driver without a lamp; the same tune as mixed would not come near.
    assert squashed.unprotected.driver_power_max_60s_w > driver.continuous_power_w
    assert max(c.unprotected.driver_power_max_60s_w for c in audits["03"].channels) < 0.1 * driver.continuous_power_w
    # The lamp saves the driver from the squeal, and cannot save it from the tone.
    assert squeal.unprotected.driver_power_max_1s_w > driver.program_power_w
    assert squeal.unprotected.coil_temp_max_c > driver.coil_temp_limit_c
    assert squeal.protected.driver_power_max_1s_w < 0.6 * driver.program_power_w
    assert tone.protection.attenuation_max_db > 3.0
    assert tone.protected.driver_power_max_60s_w > 1.1 * driver.continuous_power_w


def test_render_writes_every_clip_and_the_checks_pass(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(render, "CLIPS", (clip_named("06"),))
    assert render.main(["-o", str(tmp_path / "new")]) == 0
    assert [path.name for path in (tmp_path / "new").iterdir()] == [clip_named("06").file_name]
    assert "total" in capsys.readouterr().out


def test_render_reports_a_set_that_is_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(render, "CLIPS", (clip_named("06"),))
    monkeypatch.setattr(render, "MAX_TOTAL_BYTES", 1000)
    assert render.main(["-o", str(tmp_path)]) == 1
