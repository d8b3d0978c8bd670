"""`auditor compare` as a person and a script meet it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from tests.cli.harness import RIG, noise, run, write
from tests.cli.test_imports import NUMERICAL, imported

RATE_HZ = 48_000
KEYS = {
    "path",
    "loudness_lufs",
    "peak_to_loudness_db",
    "hf_energy_ratio",
    "hf_crest_db",
    "driver_power_max_60s_w",
    "margin_db",
}
CAUSES = {"brightness", "density", "clipping", "level"}


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


@pytest.fixture
def soft(tmp_path: Path) -> Path:
    return noise(tmp_path / "soft.wav", duration_s=2.0, level=0.02)


@pytest.fixture
def loud(tmp_path: Path) -> Path:
    return noise(tmp_path / "loud.wav", duration_s=2.0, level=0.05)


def test_json_has_the_printed_keys(rig: Path, soft: Path, loud: Path) -> None:
    result = run("compare", soft, loud, "--rig", rig, "--format", "json")
    document = result.document
    assert result.status == document["exit_status"] == 0
    assert document["command"] == "compare"
    assert document["errors"] == []
    for programme in document["programmes"]:
        assert programme.keys() >= KEYS
        assert len(programme["band_level_dbfs"]) == len(document["bands_hz"]) == 31
        assert [each["overdrive_db"] for each in programme["overdriven"]] == [0, 3, 6, 10]
    assert {each["cause"] for each in document["causes"]} == CAUSES
    sizes = [each["contribution_db"] for each in document["causes"]]
    assert sizes == sorted(sizes, reverse=True)
    assert document["hf_power_split"].keys() == {"programme_w", "clipping_w"}
    assert document["worst"] == str(loud)
    # 0.05 over 0.02, and nothing else.
    assert document["causes"][0] == {"cause": "level", "contribution_db": pytest.approx(7.96, abs=0.05)}


def test_figures_of_the_json_add_up(rig: Path, soft: Path, loud: Path) -> None:
    document = run("compare", soft, loud, "--rig", rig, "--format", "json").document
    quiet, most = document["programmes"]
    ratio_db = 10.0 * np.log10(most["driver_power_max_60s_w"] / quiet["driver_power_max_60s_w"])
    assert sum(each["contribution_db"] for each in document["causes"]) == pytest.approx(ratio_db, abs=1e-3)
    assert sum(document["hf_power_split"].values()) == pytest.approx(most["driver_power_max_60s_w"], rel=1e-4)
    checked = run("check", loud, "--rig", rig, "--format", "json").document["tracks"][0]
    channel = checked["channels"][0]
    for key in ("loudness_lufs", "peak_to_loudness_db", "margin_db", "margin_limited_by"):
        assert most[key] == checked[key]
    assert most["hf_energy_ratio"] == channel["hf_energy_ratio"]
    assert most["driver_power_max_60s_w"] == pytest.approx(channel["unprotected"]["driver_power_max_60s_w"], rel=1e-4)
    assert most["protected_coil_temp_max_c"] == channel["coil_temp_max_c"]


@pytest.mark.parametrize("columns", [80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_text_fits(rig: Path, soft: Path, loud: Path, columns: int, encoding: str) -> None:
    result = run("compare", soft, loud, soft, "--rig", rig, env={"COLUMNS": str(columns)}, encoding=encoding)
    assert (result.status, result.err) == (0, "")
    assert max(map(len, result.out.splitlines())) <= columns
    for heading in ("As played", "At equal loudness", "At equal peak", "Third-octave spectra", "what clipping adds"):
        assert heading in result.out
    assert "The cause is level, 8.0 dB" in " ".join(result.out.split())
    assert "crossover 1800 Hz" in result.out
    assert "Cautions: Estimates, not a guarantee." in result.out
    assert "\x1b" not in result.out


def test_words_come_from_the_figures(rig: Path, soft: Path, tmp_path: Path) -> None:
    """Other programmes, other sentences: the same file louder, brighter and denser."""
    # Dull noise, so that treble can be added.
    dull = signal.lfilter([0.1], [1.0, -0.9], np.random.default_rng(1).standard_normal((2 * RATE_HZ, 1)), axis=0)
    dull *= 0.05 / dull.std()
    bright = dull + 2.0 * signal.lfilter(*signal.butter(2, 3000.0, "highpass", fs=RATE_HZ), dull, axis=0)
    sparse = dull * (np.arange(len(dull)) % RATE_HZ < RATE_HZ / 8)[:, None]
    said = {}
    for cause, more, less in (("level", 1.5 * dull, dull), ("brightness", bright, dull), ("density", dull, sparse)):
        files = [write(tmp_path / f"{cause}{number}.wav", each) for number, each in enumerate((less, more))]
        document = run("compare", *files, "--rig", rig, "--format", "json").document
        assert document["causes"][0]["cause"] == cause
        amount_db = document["causes"][0]["contribution_db"]
        said[cause] = document["explanation"]
        assert f"{document['difference_db']:.1f} dB more than A" in said[cause][0]
        assert f"The cause is {cause}, {amount_db:.1f} dB" in said[cause][1]
        assert 2 <= len(said[cause]) <= 5
    assert len({each[1] for each in said.values()}) == 3
    assert len({each[2] for each in said.values()}) == 3


def test_the_same_under_another_name_is_no_difference(rig: Path, soft: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.wav"
    copy.write_bytes(soft.read_bytes())
    document = run("compare", soft, copy, "--rig", rig, "--format", "json").document
    assert document["difference_db"] == 0.0
    assert "A and B put the same into the HF driver" in document["explanation"][0]


# Bad input.


@pytest.mark.parametrize(
    ("count", "said"),
    [(1, "compare takes two to six sound files, got 1"), (7, "compare takes two to six sound files, got 7")],
)
def test_too_few_or_too_many(rig: Path, tmp_path: Path, count: int, said: str) -> None:
    files = [noise(tmp_path / f"{number}.wav") for number in range(count)]
    result = run("compare", *files, "--rig", rig)
    assert result.status == 2
    assert result.out == ""
    assert result.complaints == [f"error: {said}"]


def test_one_file_named_twice_is_one(rig: Path, soft: Path) -> None:
    result = run("compare", soft, soft, "--rig", rig)
    assert result.status == 2
    assert result.complaints == [
        "error: compare takes two to six sound files, got 1 (a file named twice counts once)",
    ]


def test_a_folder_stands_for_its_files(rig: Path, soft: Path, loud: Path, tmp_path: Path) -> None:
    folder = tmp_path / "both"
    folder.mkdir()
    for each in (soft, loud):
        each.rename(folder / each.name)
    assert run("compare", folder, "--rig", rig).status == 0
    (tmp_path / "none").mkdir()
    empty = run("compare", tmp_path / "none", "--rig", rig)
    assert empty.status == 2
    assert "no sound file in this folder" in empty.complaints[0]


def test_broken_file_among_three_is_said_and_the_rest_compared(
    rig: Path, soft: Path, loud: Path, tmp_path: Path
) -> None:
    broken = tmp_path / "broken.flac"
    broken.write_bytes(b"fLaC" + b"\0" * 50)
    result = run("compare", soft, broken, loud, "--rig", rig)
    assert result.status == 2
    assert len(result.complaints) == 1
    assert "broken.flac" in result.complaints[0]
    assert "B (loud.wav) loads the driver most" in result.out
    assert "Not analysed, or not to the end: 1" in result.out


@pytest.mark.parametrize("style", ["text", "json", "html"])
def test_broken_file_of_two_leaves_nothing_to_compare(rig: Path, soft: Path, tmp_path: Path, style: str) -> None:
    result = run("compare", soft, tmp_path / "missing.wav", "--rig", rig, "--format", style)
    assert result.status == 2
    assert "no such file" in result.complaints[0]
    assert result.complaints[1] == "error: fewer than two files could be read, so there is nothing to compare"
    if style == "json":
        assert "programmes" not in result.document
    elif style == "html":
        assert "Fewer than two files could be read" in result.out
        assert "missing.wav" in result.out
    else:
        assert "ewer than two files could be read" in result.out


def test_cut_off_file_is_compared_as_far_as_it_goes(rig: Path, soft: Path, loud: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.wav"
    cut.write_bytes(loud.read_bytes()[:-150_000])
    result = run("compare", soft, cut, "--rig", rig, "--format", "json")
    assert result.status == 2
    assert len(result.document["programmes"]) == 2
    assert "cut.wav" in result.document["errors"][0]["message"]


@pytest.mark.parametrize("style", ["text", "json"])
def test_silent_file(rig: Path, soft: Path, loud: Path, tmp_path: Path, style: str) -> None:
    silent = write(tmp_path / "silent.wav", np.zeros((RATE_HZ, 2)))
    result = run("compare", silent, soft, loud, "--rig", rig, "--format", style)
    assert result.status == 0
    if style == "json":
        first = result.document["programmes"][0]
        assert first["loudness_lufs"] is None
        assert first["equal_loudness"] is None
        assert result.document["gentlest"] == str(soft)
    assert "A (silent.wav) brings nothing to the HF driver." in " ".join(result.out.split())


@pytest.mark.parametrize("style", ["text", "json"])
def test_only_silence(rig: Path, tmp_path: Path, style: str) -> None:
    silent = [write(tmp_path / f"{number}.wav", np.zeros((RATE_HZ, 1))) for number in range(2)]
    result = run("compare", *silent, "--rig", rig, "--format", style)
    assert result.status == 0
    assert "bring nothing to the HF driver. That leaves nothing to compare." in " ".join(
        result.out.replace('",\n    "', " ").split()
    )


def test_one_speaks_and_one_is_silent(rig: Path, soft: Path, tmp_path: Path) -> None:
    silent = write(tmp_path / "silent.wav", np.zeros((RATE_HZ, 1)))
    document = run("compare", soft, silent, "--rig", rig, "--format", "json").document
    assert document["causes"] == []
    assert document["worst"] == str(soft)
    assert document["explanation"][-1] == "That leaves nothing to compare."


def test_mono_stereo_rates_and_lengths_together(rig: Path, tmp_path: Path) -> None:
    files = [
        noise(tmp_path / "a.wav", duration_s=0.3),
        noise(tmp_path / "b.wav", duration_s=1.0, channels=2, sample_rate_hz=44_100),
        noise(tmp_path / "c.wav", duration_s=0.02, channels=6, sample_rate_hz=96_000),
        noise(tmp_path / "d.wav", duration_s=2.0, sample_rate_hz=8_000),
        noise(tmp_path / "e.flac", duration_s=0.5),
        noise(tmp_path / "f.ogg", duration_s=0.5),
    ]
    result = run("compare", *files, "--rig", rig, "--format", "json")
    assert result.status == 0
    # As `auditor check` warns of that file.
    assert len(result.complaints) == 1
    assert "d.wav: sampled at 8000 Hz" in result.complaints[0]
    assert [each["letter"] for each in result.document["programmes"]] == list("ABCDEF")
    assert run("compare", *files, "--rig", rig, env={"COLUMNS": "80"}).status == 0


@pytest.mark.parametrize("name", ["[bold]x[red].wav", "\x1b[31mred.wav", "‮evil.wav", "a\nb.wav"])
def test_names_appear_as_text(rig: Path, soft: Path, tmp_path: Path, name: str) -> None:
    odd = noise(tmp_path / name, duration_s=1.0)
    result = run("compare", soft, odd, "--rig", rig, env={"COLUMNS": "100"})
    assert result.status == 0
    assert not {"\x1b", "‮"} & set(result.out)
    if "bold" in name:
        assert "[bold]x[red].wav" in result.out


def test_answer_is_written_to_a_file_that_is_no_programme(rig: Path, soft: Path, loud: Path, tmp_path: Path) -> None:
    written = run("compare", soft, loud, "--rig", rig, "-o", tmp_path / "answer.txt")
    assert (written.status, written.out) == (0, "")
    assert "loads the driver most" in (tmp_path / "answer.txt").read_text(encoding="utf-8")
    refused = run("compare", soft, loud, "--rig", rig, "-o", loud)
    assert refused.status == 2
    assert "not written over" in refused.err


def test_help_and_mistakes_import_nothing_numerical(rig: Path, tmp_path: Path) -> None:
    for arguments, wanted in ((["--help"], 0), (["a.wav"], 2), (["a.wav", "--rig", "rig.toml"], 2)):
        status, packages = imported("compare", *arguments, folder=tmp_path)
        assert status == wanted
        assert not packages & NUMERICAL


def test_over_a_limit_it_says_how_far_to_turn_down(rig: Path, soft: Path, tmp_path: Path) -> None:
    hot = noise(tmp_path / "hot.wav", duration_s=2.0, level=0.5)
    document = run("compare", soft, hot, "--rig", rig, "--format", "json").document
    margin_db = document["programmes"][1]["margin_db"]
    assert margin_db < 0.0
    assert "B (hot.wav) endangers the driver most" in document["explanation"][0]
    assert f"turn B down by {np.ceil(-10.0 * margin_db) / 10.0:.1f} dB" in " ".join(document["explanation"])


def test_next_to_nothing_is_told_apart(rig: Path, tmp_path: Path) -> None:
    files = [noise(tmp_path / f"{level}.wav", level=level) for level in (0.001, 0.002)]
    first = run("compare", *files, "--rig", rig, "--format", "json").document["explanation"][0]
    assert first.count(" mW") == 2


def test_a_programme_that_is_at_risk_is_never_advised(tmp_path: Path) -> None:
    """Of three levels of one file the loudest must come down; the next is over too, and only the last is safe."""
    folder = Path(__file__).resolve().parents[2] / "demo_audio"
    samples, rate_hz = soundfile.read(next(folder.glob("04-*.flac")))
    for name, gain_db in (("a.wav", 0.0), ("b.wav", -3.0)):
        soundfile.write(tmp_path / name, samples * 10.0 ** (gain_db / 20.0), rate_hz, subtype="FLOAT")
    result = run(
        "compare", tmp_path / "a.wav", tmp_path / "b.wav", "--rig", folder / "rig.toml", env={"COLUMNS": "200"}
    )
    story = " ".join(result.out.split())
    assert "limit it to the level of B" not in story
    assert "play B in its place" not in story
    assert "B is at risk too: turn it down by" in story


def test_a_risk_beside_silence_is_told(tmp_path: Path) -> None:
    folder = Path(__file__).resolve().parents[2] / "demo_audio"
    soundfile.write(tmp_path / "silent.wav", np.zeros(48_000), 48_000)
    loud = next(folder.glob("04-*.flac"))
    result = run("compare", tmp_path / "silent.wav", loud, "--rig", folder / "rig.toml", env={"COLUMNS": "200"})
    assert "B is at risk: turn it down by" in " ".join(result.out.split())
