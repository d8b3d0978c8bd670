"""`auditor tone`: the file, what is said with it, and what is refused before anything is written."""

# ruff: noqa: E501 - expected messages stand whole

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
import soundfile

from auditor.rig import load_rig
from tests.cli.harness import RIG, run

LEVEL = RIG[: RIG.index("[amplifier]")]


def lines_of(screen: str) -> list[str]:
    """What is to go into the rig file."""
    return [line.strip() for line in screen.splitlines() if " = " in line and line.startswith("  ")]


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("kind", ["sine", "pink"])
def test_it_says_what_it_wrote_and_what_to_do(tmp_path: Path, kind: str, width: int) -> None:
    path = tmp_path / "tone.flac"
    done = run("tone", "-o", path, "--kind", kind, "--seconds", "1", env={"COLUMNS": str(width)})
    assert (done.status, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= width
    words = " ".join(done.out.split())
    assert "-30.00 dBFS rms (a full-scale sine is 0)" in words
    assert words.index("CAUTION Disconnect the HF driver first, or turn everything down") < words.index("1. Set mixer")
    assert ("This signal reaches an HF driver" in words) is (kind == "pink")
    info = soundfile.info(path)
    assert (info.format, info.subtype, info.channels, info.samplerate) == ("FLAC", "PCM_24", 2, 48_000)


@pytest.mark.parametrize("options", [[], ["--frequency-hz", "500"], ["--level-dbfs", "-12.5"]])
def test_the_lines_with_a_reading_make_a_rig_file(tmp_path: Path, options: list[str]) -> None:
    done = run("tone", "-o", tmp_path / "tone.wav", "--seconds", "1", *options)
    lines = [line.replace("voltage_v =", "voltage_v = 2.0") for line in lines_of(done.out)]
    path = tmp_path / "rig.toml"
    path.write_text(RIG.replace(LEVEL, "\n".join(["[level]", *lines, ""])), encoding="utf-8")
    rig = load_rig(path)
    tone_dbfs = tomllib.loads(path.read_text(encoding="utf-8"))["level"]["calibration_tone_dbfs"]
    assert rig.full_scale_v == pytest.approx(2.0 * 10.0 ** (-tone_dbfs / 20.0))
    assert rig.level.calibration_frequency_hz == (500.0 if "500" in options else None)


def test_the_lines_of_the_noise_make_a_rig_file(tmp_path: Path) -> None:
    done = run("tone", "-o", tmp_path / "pink.wav", "--kind", "pink", "--seconds", "1")
    readings = {"spl_db =": "82", "distance_m =": "4", "sensitivity_db =": "97"}
    lines = lines_of(done.out)
    for key, value in readings.items():
        lines = [line.replace(key, f"{key} {value}") for line in lines]
    path = tmp_path / "rig.toml"
    path.write_text(RIG.replace(LEVEL, "\n".join(["[level]", *lines, ""])), encoding="utf-8")
    assert load_rig(path).level.target_level_dbfs == -30.0


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--level-dbfs", "1"], "error: --level-dbfs: a sine above 0 dBFS is clipped, and no tone any more, got 1 dBFS; allowed: up to 0 dBFS (-30 is enough for a meter)"),
        (["--kind", "pink", "--level-dbfs", "-6"], "error: --level-dbfs: the noise has peaks 9.03 dB above those of a sine of that level, which would pass full scale, got -6 dBFS; allowed: up to -9.04 dBFS (-30 is enough for a meter)"),
        (["--kind", "pink", "--low-hz", "9000"], "error: --high-hz: the noise must be an octave wide at least, got 9000 to 10000 Hz; allowed: at least 18000 Hz"),
        (["--kind", "pink", "--frequency-hz", "1000"], "Error: --frequency-hz goes with --kind sine only"),
        (["--kind", "sine", "--low-hz", "1000"], "Error: --low-hz goes with --kind pink only"),
        (["--high-hz", "1000"], "Error: --high-hz goes with --kind pink only"),
        (["--seconds", "0"], "Error: Invalid value for '--seconds': 0.0 is not in the range 1.0<=x<=3600.0."),
        (["--frequency-hz", "5"], "Error: Invalid value for '--frequency-hz': 5.0 is not in the range 20.0<=x<=20000.0."),
        (["--frequency-hz", "nan"], "Error: Invalid value for '--frequency-hz': nan is no number that a tone can have"),
        (["--level-dbfs", "nan"], "Error: Invalid value for '--level-dbfs': nan is no number that a tone can have"),
        (["--level-dbfs", "-inf"], "Error: Invalid value for '--level-dbfs': -inf is not in the range x>=-80.0."),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_nothing_written(tmp_path: Path, options: list[str], message: str) -> None:
    done = run("tone", "-o", tmp_path / "tone.wav", *options)
    assert (done.status, done.out) == (2, "")
    assert done.complaints[-1] == message
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("tone.mp3", "ends neither in .wav nor in .flac"),
        ("missing/tone.wav", "no such folder"),
        ("there.wav", "is there already (--force writes over it, -o chooses another name)"),
    ],
)
def test_a_place_that_will_not_do(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "there.wav").write_bytes(b"mine")
    done = run("tone", "-o", tmp_path / name)
    assert done.status == 2
    assert words in done.err
    assert (tmp_path / "there.wav").read_bytes() == b"mine"
    assert [each.name for each in tmp_path.iterdir()] == ["there.wav"]


def test_force_writes_over(tmp_path: Path) -> None:
    (tmp_path / "tone.wav").write_bytes(b"mine")
    assert run("tone", "-o", tmp_path / "tone.wav", "--seconds", "1", "--force").status == 0
    assert soundfile.info(tmp_path / "tone.wav").channels == 2
