"""`auditor render`: what is written, what is said of it, and everything that can be wrong."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from auditor import demo
from auditor.programme import decode
from tests.cli.harness import RIG, Result, finish, noise, run, settle, spawn, write
from tests.cli.test_imports import NUMERICAL, imported

RATE_HZ = 48_000


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return settle(tmp_path, monkeypatch)


def tone(path: Path, *, seconds: float = 1.0, channels: int = 1, rate_hz: int = RATE_HZ, level: float = 0.2) -> Path:
    """A steady 5 kHz (or a quarter of the rate), loud enough to warm a lamp a little."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    wave = level * np.sin(2 * np.pi * min(5000.0, rate_hz / 4.0) * t)
    return write(path, np.stack([wave] * channels, axis=1), sample_rate_hz=rate_hz)


def render(*arguments: str | Path) -> Result:
    return run("render", *arguments, "--rig", "rig.toml")


def refused(result: Result, *words: str, out: str = "out.wav") -> None:
    """One line, status 2, no file."""
    assert result.status == 2, result.err
    (line,) = result.complaints
    assert line.startswith("error: ")
    for word in words:
        assert word in line
    assert not Path(out).exists()
    assert not list(Path().glob("*.partial"))


@pytest.mark.parametrize(("name", "subtype"), [("out.wav", "PCM_24"), ("out.flac", "PCM_24"), ("OUT.WAV", "PCM_24")])
def test_both_parts_with_a_gap(folder: Path, name: str, subtype: str) -> None:
    tone(folder / "a.wav", channels=2, rate_hz=44_100)
    result = render("a.wav", "-o", name)
    assert (result.status, result.err) == (0, "")
    sound = soundfile.SoundFile(name)
    assert (sound.samplerate, sound.channels, sound.subtype) == (44_100, 2, subtype)
    assert sound.frames == 3 * 44_100
    samples = sound.read()
    assert not samples[44_100:88_200].any()
    assert 20 * np.log10(np.abs(samples).max()) == pytest.approx(-1.0, abs=0.05)
    said = " ".join(result.out.split())
    (stated,) = re.findall(r"normalised: 0 dBFS = (\S+) V at the driver's terminals", said)
    (tagged,) = re.findall(r"0 dBFS = (\S+) V at the driver's terminals", sound.comment)
    assert float(stated) == pytest.approx(float(tagged), rel=1e-3)
    assert "Loud sound damages hearing" in said
    assert "before: with no protection fitted" in said
    assert "after: behind the lamp 1156" in said


@pytest.mark.parametrize("part", ["before", "after"])
def test_one_part(folder: Path, part: str) -> None:
    tone(folder / "a.wav")
    result = render("a.wav", "-o", "out.wav", "--part", part)
    assert result.status == 0
    assert soundfile.info("out.wav").frames == RATE_HZ
    assert (part == "before") == ("before:" in result.out)
    assert (part == "after") == ("after:" in result.out)


def test_dulling_is_told_with_its_time(folder: Path) -> None:
    rig, clip = demo.demo_rig_path(), next(path for path in demo.demo_paths() if path.name.startswith("06"))
    result = run("render", clip, "--rig", rig, "-o", "out.wav")
    assert "the lamp dulls most at 0:10.9 of the programme, here at 0:10.9 (before) and 0:30.3 (after): 5.2 dB" in (
        " ".join(result.out.split())
    )


@pytest.mark.parametrize(
    ("times", "samples"),
    [
        (["--from", "0.5"], 24_000),
        (["--from", "0:00.25", "--to", "0:00:00.75"], 24_000),
        (["--to", "0.1"], 4_800),
        (["--from", "0.5", "--to", "99"], 24_000),
    ],
)
def test_excerpt(folder: Path, times: list[str], samples: int) -> None:
    tone(folder / "a.wav")
    assert render("a.wav", "-o", "out.wav", "--part", "after", *times).status == 0
    assert soundfile.info("out.wav").frames == samples


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (["--from", "2"], ("nothing of the file between these times", "0 to 1.000 s")),
        (["--from", "0.5", "--to", "0.5"], ("not after --from",)),
        (["--from", "0.5", "--to", "0.5000001"], ("nothing of the file between these times",)),
    ],
)
def test_excerpt_of_nothing(folder: Path, times: list[str], words: tuple[str, ...]) -> None:
    tone(folder / "a.wav")
    refused(render("a.wav", "-o", "out.wav", *times), *words)


@pytest.mark.parametrize("time_text", ["x", "-1", "1:", "1e3", "nan", "inf", "1:2:3:4", "9" * 400, "٣", ""])
def test_no_time(folder: Path, time_text: str) -> None:
    result = render("a.wav", "-o", "out.wav", f"--from={time_text}")
    assert result.status == 2
    assert "write 75, 1:15 or 1:02:03.5" in result.err


def test_no_such_file(folder: Path) -> None:
    refused(render("gone.wav", "-o", "out.wav"), "gone.wav: no such file")


def test_folder_instead_of_a_file(folder: Path) -> None:
    refused(render(folder, "-o", "out.wav"), "is a folder", "name the file")


def test_no_sound(folder: Path) -> None:
    (folder / "a.wav").write_text("Dear all,\n" * 500)
    refused(render("a.wav", "-o", "out.wav"), "is not a sound file")


def test_bad_rig(folder: Path) -> None:
    tone(folder / "a.wav")
    (folder / "rig.toml").write_text(RIG.replace("pad_db = 6.0", "pad_db = -6.0"))
    refused(render("a.wav", "-o", "out.wav"), "pad_db")


@pytest.mark.parametrize("name", ["out.mp3", "out", "out.wav.txt"])
def test_another_kind_of_file(folder: Path, name: str) -> None:
    tone(folder / "a.wav")
    refused(render("a.wav", "-o", name), "neither in .wav nor in .flac", out=name)


def test_output_in_a_missing_folder(folder: Path) -> None:
    tone(folder / "a.wav")
    refused(render("a.wav", "-o", "none/out.wav"), "no such folder: none", out="none/out.wav")


def test_output_is_a_folder(folder: Path) -> None:
    tone(folder / "a.wav")
    (folder / "out.wav").mkdir()
    result = render("a.wav", "-o", "out.wav")
    assert result.status == 2
    assert "is a folder, not a file to write" in result.err


def test_output_that_may_not_be_written(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tone(folder / "a.wav")
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write anywhere
    refused(render("a.wav", "-o", "out.wav"), "may not be written")


def test_never_over_what_is_read(folder: Path) -> None:
    kept = tone(folder / "a.wav").read_bytes()
    (folder / "link.wav").symlink_to("a.wav")
    for name in ("a.wav", "./a.wav", "link.wav"):
        for force in ([], ["--force"]):
            result = render("a.wav", "-o", name, *force)
            assert result.status == 2
            assert "one of the files to be read" in result.err
    assert (folder / "a.wav").read_bytes() == kept


def test_over_an_older_file_only_with_force(folder: Path) -> None:
    tone(folder / "a.wav")
    (folder / "out.wav").write_text("mine")
    result = render("a.wav", "-o", "out.wav")
    assert result.status == 2
    assert "is there already (--force writes over it" in result.err
    assert (folder / "out.wav").read_text() == "mine"
    assert render("a.wav", "-o", "out.wav", "--force").status == 0
    assert soundfile.info("out.wav").frames == 3 * RATE_HZ


def test_device(folder: Path) -> None:
    tone(folder / "a.wav")
    (folder / "out.wav").symlink_to("/dev/null")
    result = render("a.wav", "-o", "out.wav")
    assert result.status == 2
    assert "is a device or a pipe" in result.err


def test_silence(folder: Path) -> None:
    write(folder / "a.wav", np.zeros((RATE_HZ, 1)))
    result = render("a.wav", "-o", "out.wav")
    assert result.status == 0
    assert "silent from end to end" in result.err
    assert "not normalised: nothing reaches the driver" in " ".join(result.out.split())
    assert not soundfile.read("out.wav")[0].any()


def test_shorter_than_a_frame(folder: Path) -> None:
    write(folder / "a.wav", np.full((100, 1), 0.1))
    assert render("a.wav", "-o", "out.wav", "--part", "after").status == 0
    assert soundfile.info("out.wav").frames == 100


def test_one_sample(folder: Path) -> None:
    write(folder / "a.wav", np.full((1, 1), 0.1))
    assert render("a.wav", "-o", "out.wav", "--part", "after").status == 0
    assert soundfile.info("out.wav").frames == 1


def test_eight_channels(folder: Path) -> None:
    samples = np.zeros((RATE_HZ, 8))
    t = np.arange(RATE_HZ) / RATE_HZ
    samples[:, 5] = 0.1 * np.sin(2 * np.pi * 5000.0 * t)
    write(folder / "a.wav", samples)
    assert render("a.wav", "-o", "out.flac", "--part", "before").status == 0
    written = soundfile.read("out.flac")[0]
    assert written.shape == (RATE_HZ, 8)
    assert [bool(np.abs(channel).max() > 0.1) for channel in written.T] == [index == 5 for index in range(8)]


def test_more_channels_than_flac_holds(folder: Path) -> None:
    noise(folder / "a.wav", channels=9)
    refused(render("a.wav", "-o", "out.flac"), "which FLAC cannot hold", ".wav", out="out.flac")
    assert render("a.wav", "-o", "out.wav").status == 0


def test_below_the_crossover(folder: Path) -> None:
    # At 4 kHz sampling rate the file ends at 2 kHz: with the crossover at 3 kHz next to nothing is left of it.
    (folder / "rig.toml").write_text(RIG.replace("frequency_hz = 1800.0", "frequency_hz = 5000.0"))
    t = np.arange(8_000) / 8_000
    write(folder / "a.wav", 0.1 * np.sin(2 * np.pi * 100.0 * t)[:, None], sample_rate_hz=8_000)
    result = render("a.wav", "-o", "out.wav")
    assert result.status == 0
    assert "next to nothing of it reaches the driver" in result.err
    assert soundfile.info("out.wav").samplerate == 8_000


def test_broken_off(folder: Path) -> None:
    path = tone(folder / "a.wav", seconds=2.0)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    result = render("a.wav", "-o", "out.wav", "--part", "after")
    assert result.status == 2
    assert "breaks off after 1.0 s" in result.err
    assert soundfile.info("out.wav").duration == pytest.approx(1.0, abs=0.01)


def test_no_protection(folder: Path) -> None:
    (folder / "rig.toml").write_text(RIG.replace('kind = "lamp"\npart = "1156"', 'kind = "none"'))
    tone(folder / "a.wav")
    result = render("a.wav", "-o", "out.wav")
    assert "before and after are the same" in " ".join(result.out.split())
    samples = soundfile.read("out.wav")[0]
    assert (samples[:RATE_HZ] == samples[-RATE_HZ:]).all()


def test_names_from_outside_are_shown_as_text(folder: Path) -> None:
    name = "a [red]b \x1b[31m\u202e.wav"
    tone(folder / name)
    result = render(name, "-o", "out.wav")
    assert result.status == 0
    assert "a [red]b" in result.out
    assert "\x1b" not in result.out + result.err
    assert "\u202e" not in result.out


@pytest.mark.parametrize("columns", [80, 120])
def test_fits_the_screen(folder: Path, columns: int) -> None:
    tone(folder / "a.wav")
    result = run("render", "a.wav", "--rig", "rig.toml", "-o", "out.wav", env={"COLUMNS": str(columns)})
    assert max(map(len, result.out.splitlines())) <= columns


def test_disk_full(folder: Path) -> None:
    # A limit on the size of files stands for a full disk.
    tone(folder / "a.wav", seconds=10.0)
    code = (
        "import resource, signal, runpy, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000)); sys.argv[0] = 'auditor'; "
        "runpy.run_module('auditor', run_name='__main__')"
    )
    arguments = ["render", "a.wav", "--rig", "rig.toml", "-o", "out.wav"]
    root = str(Path(demo.__file__).parents[2])
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env={**os.environ, "PYTHONPATH": root},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2
    assert done.stderr == "error: out.wav: cannot be written: the disk is full, or has gone\n"
    assert not list(folder.glob("out*"))


@pytest.mark.parametrize(("sign", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_interrupted(folder: Path, sign: signal.Signals, status: int) -> None:
    write(folder / "a.wav", np.random.default_rng(1).standard_normal((RATE_HZ * 240, 2)) * 0.05)
    process = spawn("render", "a.wav", "--rig", "rig.toml", "-o", "out.wav", cwd=folder)
    until = time.monotonic() + 60.0
    while not list(folder.glob("out*")) and time.monotonic() < until:
        time.sleep(0.01)
    process.send_signal(sign)
    result = finish(process)
    assert result.status == status
    assert "Traceback" not in result.err
    assert not list(folder.glob("out*"))


def test_an_old_file_survives_a_failure(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tone(folder / "a.wav")
    (folder / "out.wav").write_text("mine")

    def broken(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(decode, "blocks", broken)
    result = render("a.wav", "-o", "out.wav", "--force")
    assert result.status == 130
    assert "interrupted: nothing was written" in result.err
    assert (folder / "out.wav").read_text() == "mine"


@pytest.mark.parametrize("arguments", [["render", "--help"], ["render", "a.wav"], ["render", "a.wav", "--part", "x"]])
def test_help_is_quick(tmp_path: Path, arguments: list[str]) -> None:
    _, packages = imported(*arguments, folder=tmp_path)
    assert not packages & (NUMERICAL | {"pydantic", "rich", "matplotlib"})


def test_refusals_are_quick(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    for output in ("none/out.wav", "out.mp3"):
        status, packages = imported("render", "a.wav", "--rig", "rig.toml", "-o", output, folder=tmp_path)
        assert status == 2
        assert not packages & NUMERICAL


def test_silence_behind_a_relay_is_told(folder: Path) -> None:
    text = demo.demo_rig_path().read_text(encoding="utf-8")
    head, tail = text.split("[protection]")
    relay = '[protection]\nkind = "relay"\nthreshold_v = 25.0\nhold_s = 0.1\n\n'
    (folder / "rig.toml").write_text(head + relay + tail[tail.index("[driver]") :])
    clip = next(path for path in demo.demo_paths() if path.name.startswith("06"))
    result = render(clip, "-o", "out.wav")
    assert result.status == 0
    assert "the relay lets nothing through for 2 s in all, first at 0:10.1 of the programme" in (
        " ".join(result.out.split())
    )
