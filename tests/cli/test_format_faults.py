"""Files through PyAV that are damaged, cut off, locked or not what they seem; and what the screen sees of it."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from auditor.programme import decode
from tests.cli.harness import finish, noise, run, settle, spawn, wait_until_open
from tests.stages.made_formats import Format, encode, picture_only, read

RATE_HZ = 48_000
AAC = Format(name="", suffix=".m4a", codec="aac", bit_rate=192_000, container="ipod")
ALAC = Format(name="", suffix=".m4a", codec="alac", container="ipod")
MKA = Format(name="", suffix=".mka", codec="aac", bit_rate=192_000)
BARE = Format(name="", suffix=".aac", codec="aac", bit_rate=192_000, container="adts")
WMA = Format(name="", suffix=".wma", codec="wmav2", bit_rate=192_000, container="asf")


def hiss(seconds: float = 2.0, rate_hz: int = RATE_HZ) -> np.ndarray:
    return 0.05 * np.random.default_rng(4).standard_normal((round(seconds * rate_hz), 2))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return settle(tmp_path, monkeypatch)


def made(name: str, form: Format, *, seconds: float = 2.0, tracks: int = 1) -> Path:
    return encode(Path(name), hiss(seconds), RATE_HZ, form, tracks=tracks)


def complaint(path: str | Path) -> str:
    """The one line that a file gives, and that it is not called safe."""
    result = run("check", path, "-r", "rig.toml", "--format", "csv")
    assert result.status == 2
    assert len(result.complaints) == 1
    return result.complaints[0]


def changed(path: Path, old: bytes, new: bytes) -> Path:
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new))
    return path


def test_a_whole_one_is_read_without_a_word(folder: Path) -> None:
    result = run("check", made("a.m4a", AAC), "-r", "rig.toml", "--format", "json")
    assert result.status == 0
    assert result.err == ""
    assert result.document["tracks"][0]["duration_s"] == pytest.approx(2.0, abs=0.001)


def test_no_sound_in_it(folder: Path) -> None:
    assert "holds no sound, only pictures" in complaint(picture_only(Path("loop.mp4")))


def test_several_sound_tracks(folder: Path) -> None:
    result = run("check", made("two.mka", MKA, tracks=2), "-r", "rig.toml", "--format", "json")
    assert result.status == 0
    assert "the file holds 2 sound tracks; number 1 was analysed" in result.out


def test_damaged_packets_are_not_judged(folder: Path) -> None:
    path = made("a.m4a", AAC)
    content = bytearray(path.read_bytes())
    middle = content.find(b"mdat") + 20_000
    content[middle : middle + 6_000] = np.random.default_rng(1).bytes(6_000)
    path.write_bytes(content)
    line = complaint(path)
    assert "damaged and were taken as silence" in line
    assert "cannot be judged" in line
    assert len(read(path)) == pytest.approx(2 * RATE_HZ, abs=100)  # what follows stays where it was


def test_cut_off_before_its_index(folder: Path) -> None:
    path = made("a.m4a", AAC)
    path.write_bytes(path.read_bytes()[:30_000])
    assert "is damaged or cut off" in complaint(path)


@pytest.mark.parametrize(("name", "form"), [("a.mka", MKA), ("a.wma", WMA)])
def test_cut_off(folder: Path, name: str, form: Format) -> None:
    path = made(name, form)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    result = run("check", path, "-r", "rig.toml", "--format", "csv")
    assert result.status == 2
    line = result.complaints[0]  # a packet that was cut through is another
    assert "the file breaks off after" in line
    assert "s missing" in line


@pytest.mark.parametrize("change", ["rate", "channels"])
def test_change_within_a_file(folder: Path, change: str) -> None:
    first = encode(Path("1.aac"), hiss(), RATE_HZ, BARE).read_bytes()
    if change == "rate":
        second = encode(Path("2.aac"), hiss(), 32_000, BARE).read_bytes()
    else:
        second = encode(Path("2.aac"), hiss()[:, :1], RATE_HZ, BARE).read_bytes()
    Path("both.aac").write_bytes(first + second)
    line = complaint("both.aac")
    assert f"the {'sampling rate changes from 48000 to 32000 Hz' if change == 'rate' else 'channels change'}" in line
    assert "convert it to one format" in line


def test_unknown_codec(folder: Path) -> None:
    path = changed(changed(made("a.m4a", AAC), b"mp4a", b"zzzz"), b"esds", b"free")
    assert "of a codec that cannot be read" in complaint(path)


@pytest.mark.parametrize("tag", [b"drms", b"enca"])
def test_locked(folder: Path, tag: bytes) -> None:
    assert "copy-protected" in complaint(changed(made("a.m4a", AAC), b"mp4a", tag))


def test_locked_wma(folder: Path) -> None:
    # The GUID of the codec list, which FFmpeg skips, becomes that of the encryption object.
    path = made("a.wma", WMA)
    codec_list = bytes.fromhex("4052d1861d31d011a3a400a0c90348f6")
    assert "copy-protected" in complaint(changed(path, codec_list, bytes.fromhex("fbb3112223bdd211b4b700a0c955fc6e")))


@pytest.mark.parametrize("name", ["a.mp3", "a.wav", "a.flac", "a.au", "a.txt", "noname", "concat:a", "http:a.m4a"])
def test_suffixes_that_lie(folder: Path, name: str) -> None:
    made("a.m4a", ALAC).rename(name)
    np.testing.assert_allclose(read(Path(name)), hiss(), atol=2.0**-23)


def test_a_wave_by_the_name_of_an_m4a_stays_with_libsndfile(folder: Path) -> None:
    assert decode.inspect(noise(Path("a.wav")).rename("b.m4a")).index is None


def test_a_name_that_is_no_text(folder: Path) -> None:
    name = os.fsdecode(b"caf\xe9.m4a")
    made("a.m4a", ALAC).rename(name)
    np.testing.assert_allclose(read(Path(name)), hiss(), atol=2.0**-23)


@pytest.mark.parametrize("content", ["ffconcat version 1.0\nfile 'a.m4a'\n", "#EXTM3U\n#EXTINF:1,\na.m4a\n"])
def test_no_other_file_is_opened(folder: Path, content: str) -> None:
    made("a.m4a", AAC)
    Path("list.m4a").write_text(content, encoding="utf-8")
    assert "is not a sound file that can be read" in complaint("list.m4a")


def test_read_again_when_it_is_gone(folder: Path) -> None:
    programme = decode.inspect(made("a.m4a", AAC))
    Path("a.m4a").unlink()
    assert decode.read_again(programme, 0, 1_000, 100) is None


def test_nothing_of_ffmpeg_reaches_the_screen(folder: Path) -> None:
    path = made("a.m4a", AAC)
    content = bytearray(path.read_bytes())
    content[20_000:26_000] = bytes(range(250)) * 24
    path.write_bytes(content)
    result = finish(spawn("check", "a.m4a", "-r", "rig.toml", "--format", "csv"))
    assert result.status == 2
    assert [line[:14] for line in result.complaints] == ["error: a.m4a: "]


def test_progress(folder: Path) -> None:
    from auditor import audit, load_rig

    shares: list[float] = []
    audit(made("a.m4a", AAC, seconds=15.0), load_rig("rig.toml"), progress=shares.append)
    assert shares == sorted(shares)
    assert len(shares) >= 3
    assert shares[-1] == 1.0


def test_ctrl_c(folder: Path) -> None:
    minute = made("minute.aac", BARE, seconds=60.0).read_bytes()
    Path("long.aac").write_bytes(minute * 60)
    process = spawn("check", "long.aac", "-r", "rig.toml", "--format", "json")
    wait_until_open(process, "long.aac")
    time.sleep(0.3)  # until it is read, not just being opened
    process.send_signal(signal.SIGINT)
    result = finish(process)
    assert result.status == 130
    assert "Traceback" not in result.err
