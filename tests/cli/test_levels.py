"""Trims from a file of their own, the fader ridden to one loudness, and one track of a playlist rendered."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.harness import RIG, Result, run

RATE_HZ = 48_000
MATCHED = RIG.replace("[amplifier]", "match_loudness_lufs = -16.0\n[amplifier]")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("sub").mkdir()
    noise = np.random.default_rng(5).standard_normal((2 * RATE_HZ, 2))
    for name, level in (("loud.wav", 0.1), ("sub/soft.wav", 0.02)):
        soundfile.write(name, level * noise, RATE_HZ, subtype="FLOAT")
    Path("rig.toml").write_text(RIG)
    Path("matched.toml").write_text(MATCHED)
    Path("set.m3u").write_text("#EXTINF:2,Opening\nloud.wav\n#GAIN-DB:-6\nsub/soft.wav\n")
    return tmp_path


def check(*arguments: str, rig: str = "rig.toml") -> Result:
    return run("check", *arguments, "-r", rig, "--format", "json")


def gains(result: Result) -> list[float | None]:
    return [track.get("gain_db") for track in result.document["tracks"]]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("-3 loud.wav\n", [-3.0, -6.0]),
        ("# a remark\n\n  +1.5 dB   sub/soft.wav\r\n-2dB Opening", [-2.0, 1.5]),
        ("-3 sub\\soft.wav", [None, -3.0]),
        ("-3 SOFT.WAV\n-3 sub/soft.wav", [None, -3.0]),
        ("\ufeff0 soft.wav", [None, 0.0]),
    ],
)
def test_trims_by_path_name_and_title(folder: Path, text: str, wanted: list[float | None]) -> None:
    Path("trims.txt").write_text(text, encoding="utf-8")
    result = check("set.m3u", "--trims", "trims.txt")
    assert gains(result) == wanted
    before = check("set.m3u")
    for trimmed, plain in zip(result.document["tracks"], before.document["tracks"], strict=True):
        change = trimmed.get("gain_db", 0.0) - plain.get("gain_db", 0.0)
        assert trimmed["loudness_lufs"] == pytest.approx(plain["loudness_lufs"] + change, abs=0.01)


def test_a_trim_for_no_track_is_warned_of(folder: Path) -> None:
    Path("trims.txt").write_text("-3 gone.wav\n")
    result = check("loud.wav", "--trims", "trims.txt")
    assert "warning: trims.txt: line 1: no track is called gone.wav" in result.complaints
    assert gains(result) == [None]


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("\n-60 loud.wav", "trims.txt: line 2: no usable trim, got -60; allowed: a number from -40 to 40 dB"),
        ("nan loud.wav", "trims.txt: line 1: no usable trim, got nan; allowed: a number from -40 to 40 dB"),
        ("-1,5 loud.wav", "trims.txt: line 1: no usable trim, got -1,5; allowed: a number from -40 to 40 dB "
         "(a point, not a comma)"),
        ("loud.wav -3", "trims.txt: line 1: no usable trim, got loud.wav; allowed: a number from -40 to 40 dB"),
        ("-3 dB", "trims.txt: line 1: names no track, got -3 dB (write -3 dB and the track's path behind it)"),
        ("-3 loud.wav\n-4 Opening", "trims.txt: lines 1, 2: different trims for loud.wav (leave one of them, or name "
         "the tracks by their paths)"),
        ("a\0b", "trims.txt: is no file of trims (is it a sound file?)"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("command", ["check", "lamp"])
def test_bad_trims_are_refused_before_any_work(folder: Path, command: str, text: str, complaint: str) -> None:
    Path("trims.txt").write_text(text)
    result = run(command, "set.m3u", "-r", "rig.toml", "--trims", "trims.txt")
    assert (result.status, result.complaints, result.out) == (2, [f"error: {complaint}"], "")


_BAD_IN_PLAYLISTS = {
    "set.m3u": "loud.wav\n#GAIN-DB:{0}\nsub/soft.wav\n",
    "both.m3u": "loud.wav\n#GAIN-DB:{0}\n#GAIN-DB:-3\nsub/soft.wav\n",
    "set.pls": "[playlist]\nFile1=loud.wav\nFile2=sub/soft.wav\nGain2={0}\n",
    "set.xspf": "<playlist><trackList><track><location>loud.wav</location></track><track><location>sub/soft.wav"
    '</location><meta rel="gain_db">{0}</meta></track></trackList></playlist>',
    "set.cue": "FILE loud.wav WAVE\nTRACK 01 AUDIO\nINDEX 01 00:00:00\n"
    "FILE sub/soft.wav WAVE\nTRACK 02 AUDIO\nREM GAIN_DB {0}\nINDEX 01 00:00:00\n",
}


@pytest.mark.parametrize("gain", ["50", "nan", "x"])
@pytest.mark.parametrize("name", _BAD_IN_PLAYLISTS)
def test_a_bad_trim_in_a_playlist_leaves_out_its_track(folder: Path, name: str, gain: str) -> None:
    Path(name).write_text(_BAD_IN_PLAYLISTS[name].format(gain))
    result = check(name)
    assert result.status == 2
    assert [Path(track["path"]).name for track in result.document["tracks"]] == ["loud.wav"]
    (error,) = result.document["errors"]
    wanted = f"the trim cannot be used, so the track is left out, got {gain}; allowed: a number from -40 to 40 dB"
    assert wanted in error["message"]
    assert wanted in result.err


def test_a_trim_for_a_playlist_in_a_playlist_is_not_lost(folder: Path) -> None:
    Path("night.m3u").write_text("loud.wav\n#GAIN-DB:6\nset.m3u\n")
    result = check("night.m3u")
    assert (result.status, len(result.document["tracks"])) == (2, 1)
    assert "set.m3u: is a playlist and has a trim, which only a track can have" in result.err
    assert "(line 3 of night.m3u)" in result.err


def test_other_bad_files_of_trims(folder: Path) -> None:
    for path, wanted in [("gone.txt", "no such file"), ("sub", "cannot be read"), ("loud.wav", "no file of trims")]:
        result = check("set.m3u", "--trims", path)
        assert result.status == 2
        assert wanted in result.err
    Path("trims.txt").write_text("-3 loud.wav\n")
    result = check("set.m3u", "--trims", "trims.txt", "-o", "trims.txt")
    assert "is one of the files to be read" in result.err
    assert Path("trims.txt").read_text() == "-3 loud.wav\n"


_ANSWERS = ("candidates", "protections", "rms", "peak", "verified", "reachable")


def without_names(document: dict) -> dict:
    """A document without what tells the two ways of playing the same apart."""
    track = document["tracks"][0]
    left = {key: value for key, value in track.items() if key not in ("path", "title", "match_gain_db", "notes")}
    return left | {"set": {**document["set"], "worst_track": None}}


def test_ridden_is_the_same_as_a_file_at_that_level(folder: Path) -> None:
    result = check("loud.wav", rig="matched.toml")
    gain_db = result.document["tracks"][0]["match_gain_db"]
    assert abs(gain_db) > 0.5
    samples, _ = soundfile.read("loud.wav", dtype="float32")
    soundfile.write("scaled.wav", samples * np.float32(10.0 ** (gain_db / 20.0)), RATE_HZ, subtype="FLOAT")
    ridden, scaled = without_names(result.document), without_names(check("scaled.wav").document)
    assert ridden["loudness_lufs"] == pytest.approx(-16.0, abs=0.001)
    assert ridden["verdict"] == scaled["verdict"]
    # The ladder of other gains begins elsewhere; a margin is within 0.1 dB of auditing again at its level.
    assert ridden["margin_db"] == pytest.approx(scaled["margin_db"], abs=0.1)
    for one, other in zip(ridden["channels"], scaled["channels"], strict=True):
        for key in ("hf_voltage_rms_v", "hf_voltage_peak_v", "coil_temp_max_c", "driver_power_mean_w", "clipped_ratio"):
            assert one[key] == pytest.approx(other[key], rel=1e-3)
    compared = run("compare", "loud.wav", "sub/soft.wav", "-r", "matched.toml", "--format", "json")
    programmes = compared.document["programmes"]
    assert [each["loudness_lufs"] for each in programmes] == pytest.approx([-16.0, -16.0], abs=0.001)
    # The same noise at two levels: once ridden to one loudness nothing differs.
    assert programmes[0]["driver_power_max_60s_w"] == pytest.approx(programmes[1]["driver_power_max_60s_w"], rel=1e-3)


@pytest.mark.parametrize("command", ["lamp", "fuse", "protections", "limiter"])
def test_every_advice_is_for_the_ridden_level(folder: Path, command: str) -> None:
    def answer(path: str, rig: str) -> dict:
        result = run(command, path, "-r", rig, "--format", "json")
        return {key: value for key, value in result.document.items() if key in _ANSWERS}

    gain_db = check("sub/soft.wav", rig="matched.toml").document["tracks"][0]["match_gain_db"]
    samples, _ = soundfile.read("sub/soft.wav", dtype="float32")
    soundfile.write("scaled.wav", samples * np.float32(10.0 ** (gain_db / 20.0)), RATE_HZ, subtype="FLOAT")
    ridden, scaled = numbers(answer("sub/soft.wav", "matched.toml")), numbers(answer("scaled.wav", "rig.toml"))
    assert len(ridden) > 5
    assert ridden == pytest.approx(scaled, rel=0.01, abs=0.02)


def numbers(value: object) -> list[float]:
    """Every number in a document, in order."""
    if isinstance(value, dict):
        return [each for part in value.values() for each in numbers(part)]
    if isinstance(value, list):
        return [each for part in value for each in numbers(part)]
    return [float(value)] if isinstance(value, int | float) else []


def test_the_reports_say_where_the_fader_stands(folder: Path) -> None:
    result = run("check", "set.m3u", "-r", "matched.toml")
    assert "LUFS; a trim of -6.0 dB on top." in result.out
    assert "fader" in result.out
    page = run("check", "set.m3u", "-r", "matched.toml", "--format", "html").out
    assert "<b>Fader:</b>" in page
    assert "every track at -16 LUFS" in page
    silence = np.zeros((RATE_HZ, 1))
    soundfile.write("silence.wav", silence, RATE_HZ)
    result = run("check", "silence.wav", "-r", "matched.toml")
    assert "too quiet for a loudness, so the fader was left where it was" in result.err
    assert "left where it was" in result.out


@pytest.mark.parametrize("value", ["0.1", "-60.5", '"-20"', "nan"])
def test_a_loudness_out_of_range_is_refused(folder: Path, value: str) -> None:
    Path("bad.toml").write_text(MATCHED.replace("-16.0", value))
    result = check("loud.wav", rig="bad.toml")
    assert result.status == 2
    assert "level.match_loudness_lufs" in result.err
    assert "-60 to 0 LUFS" in result.err


def test_one_track_of_a_playlist_is_rendered(folder: Path) -> None:
    result = run("render", "set.m3u", "-r", "rig.toml", "-o", "out.wav")
    assert result.status == 2
    assert result.complaints == [
        "error: set.m3u: has 2 tracks, and one at a time is rendered (choose one with --track N)",
        "   1  Opening",
        "   2  soft.wav",
    ]
    result = run("render", "set.m3u", "-r", "rig.toml", "-o", "out.wav", "--track", "3")
    assert result.complaints[0].startswith("error: set.m3u: has 2 tracks, and got --track 3")
    assert not Path("out.wav").exists()
    result = run("render", "set.m3u", "-r", "rig.toml", "-o", "out.wav", "--track", "1")
    assert result.status == 0
    assert "Opening (loud.wav)" in result.out
    Path("one.m3u").write_text("gone.wav\nloud.wav\n")
    result = run("render", "one.m3u", "-r", "rig.toml", "-o", "out2.wav")
    assert result.status == 0
    assert "warning: gone.wav: no such file" in result.err
    result = run("render", "set.m3u", "-r", "rig.toml", "-o", "loud.wav", "--track", "1", "--force")
    assert "is one of the files to be read" in result.err


def test_a_cut_is_rendered_as_it_is_cut(folder: Path) -> None:
    sheet = "FILE loud.wav WAVE\nTRACK 01 AUDIO\nINDEX 01 00:00:00\nTRACK 02 AUDIO\nINDEX 01 00:01:00\n"
    Path("set.cue").write_text(sheet)
    samples, _ = soundfile.read("loud.wav", dtype="float32")
    soundfile.write("second.wav", samples[RATE_HZ:], RATE_HZ, subtype="FLOAT")
    for source, arguments in (("set.cue", ["--track", "2"]), ("second.wav", [])):
        result = run("render", source, "-r", "rig.toml", "-o", f"{source}.out.wav", "--part", "before", *arguments)
        assert result.status == 0
    assert np.array_equal(soundfile.read("set.cue.out.wav")[0], soundfile.read("second.wav.out.wav")[0])


def test_the_head_of_the_report_says_that_the_fader_is_ridden(folder: Path) -> None:
    told = "The fader is then ridden: every track plays at -16 LUFS."
    assert told in run("check", "loud.wav", "-r", "matched.toml").out
    assert "ridden" not in run("check", "loud.wav", "-r", "rig.toml").out
