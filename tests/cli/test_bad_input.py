"""Sound files that are wrong in every way we could think of: one line says what, and the rest of the batch is done."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from auditor.programme import header
from tests.cli.harness import RIG, Result, finish, noise, run, settle, spawn, write

RATE_HZ = 48_000


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return settle(tmp_path, monkeypatch)


def check(*paths: str | Path, rig: str = "rig.toml") -> Result:
    """Audit with JSON out; whatever happens, nothing but one line for each complaint reaches standard error."""
    result = run("check", *paths, "--rig", rig, "--format", "json")
    assert all(line.startswith(("error: ", "warning: ")) for line in result.complaints), result.err
    assert result.document["exit_status"] == result.status
    return result


def refused(path: Path, *words: str) -> None:
    """The file is refused with these words, in one line with a hint, and the file beside it is still audited."""
    good = noise(path.with_name("good.wav"))
    result = check(path, good)
    assert result.status == 2
    (line,) = result.complaints
    assert line.startswith(f"error: {path}: ")
    assert line.endswith(")"), "no hint"
    for word in words:
        assert word in line
    assert [track["path"] for track in result.document["tracks"]] == [str(good)]
    assert [error["path"] for error in result.document["errors"]] == [str(path)]


def partly_judged(path: Path, *words: str) -> dict[str, object]:
    """The file is audited as far as it can be, says so, and the whole counts as not analysed."""
    result = check(path)
    assert result.status == 2
    (line,) = result.complaints
    assert line.startswith(f"error: {path}: ")
    for word in (*words, "cannot be judged"):
        assert word in line
    assert [error["message"] for error in result.document["errors"]] == [line.removeprefix("error: ")]
    (track,) = result.document["tracks"]
    assert any("cannot be judged" in note for note in track["unjudged"])
    return dict(track)


def warned(path: Path, *words: str) -> dict[str, object]:
    """The file is audited whole, with one warning."""
    result = check(path)
    assert result.status == 0
    (line,) = result.complaints
    assert line.startswith(f"warning: {path}: ")
    for word in words:
        assert word in line
    (track,) = result.document["tracks"]
    return dict(track)


def cut(path: Path, share: float = 0.5) -> Path:
    """Cut a file off."""
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    return path


def test_missing(folder: Path) -> None:
    refused(folder / "gone.wav", "no such file", "spelling")


def test_empty(folder: Path) -> None:
    path = folder / "empty.wav"
    path.touch()
    refused(path, "is empty (0 bytes)", "copy it again")


@pytest.mark.parametrize("name", ["a.wav", "a.mp3", "a.ogg", "a.flac", "a.sd2", "a.voc", "a.txt", "noname"])
@pytest.mark.parametrize("content", ["text", "random", "picture"])
def test_no_sound(folder: Path, name: str, content: str) -> None:
    path = folder / name
    random = np.random.default_rng(3).bytes(20_000)
    path.write_bytes(
        {"text": b"Dear all,\n" * 500, "random": random, "picture": b"\x89PNG\r\n\x1a\n" + random}[content]
    )
    refused(path, "is not a sound file that can be read", "convert")


@pytest.mark.parametrize("name", ["a.snd", "a.au", "a.vox", "a.gsm", "a.raw"])
def test_headerless_bytes_are_not_taken_for_telephone_sound(folder: Path, name: str) -> None:
    # libsndfile would play any bytes under these names, and the auditor would pass a verdict on them.
    path = folder / name
    path.write_bytes(np.random.default_rng(3).bytes(20_000))
    refused(path, "is not a sound file that can be read")


def test_no_samples(folder: Path) -> None:
    refused(write(folder / "zero.wav", np.zeros((0, 2))), "holds no samples")


@pytest.mark.parametrize("length", [20, 40])
def test_cut_in_the_header(folder: Path, length: int) -> None:
    path = noise(folder / "header.wav")
    path.write_bytes(path.read_bytes()[:length])
    refused(path, "is damaged or cut off", "copy or export it again")


def test_cut_right_after_the_header(folder: Path) -> None:
    path = noise(folder / "header.wav")
    path.write_bytes(path.read_bytes()[:44])
    refused(path, "holds no samples")


def test_header_with_nonsense(folder: Path) -> None:
    for offset, form, value in [(22, "<H", 0), (22, "<H", 60_000), (24, "<I", 0), (24, "<I", 2**31 - 1)]:
        path = noise(folder / "nonsense.wav")
        content = bytearray(path.read_bytes())
        struct.pack_into(form, content, offset, value)
        path.write_bytes(content)
        refused(path)


@pytest.mark.parametrize(
    ("name", "container", "subtype"),
    [
        ("a.wav", "WAV", "PCM_16"),
        ("a.wav", "WAVEX", "PCM_24"),
        ("a.wav", "WAV", "FLOAT"),
        ("a.wav", "WAV", "IMA_ADPCM"),
        ("a.rf64", "RF64", "PCM_16"),
        ("a.w64", "W64", "PCM_16"),
        ("a.aiff", "AIFF", "PCM_16"),
        ("a.au", "AU", "PCM_16"),
        ("a.flac", "FLAC", "PCM_16"),
        ("a.mp3", "MP3", "MPEG_LAYER_III"),
    ],
)
def test_cut_in_half(folder: Path, name: str, container: str, subtype: str) -> None:
    path = noise(folder / name, duration_s=3.0, container=container, subtype=subtype, channels=2)
    track = partly_judged(cut(path), "breaks off after 1.", " s missing", "copy it again")
    assert 1.3 < float(str(track["duration_s"])) < 1.7


def test_ogg_cut_in_half(folder: Path) -> None:
    # It does not tell how much is missing, only that the end is.
    path = noise(folder / "a.ogg", duration_s=6.0, subtype="VORBIS", channels=2)
    partly_judged(cut(path), "breaks off after ", "copy it again")


def test_short_flac_cut_in_half_keeps_what_was_decoded(folder: Path) -> None:
    # All of it lies in the one block in which the decoder fails.
    path = noise(folder / "a.flac", duration_s=1.0)
    track = partly_judged(cut(path), "breaks off after 0.")
    assert 0.3 < float(str(track["duration_s"])) < 0.6


@pytest.mark.parametrize(
    ("name", "told"), [("a.flac", "the file is damaged after 1."), ("a.mp3", "the file breaks off after 1.")]
)
def test_damaged_in_the_middle(folder: Path, name: str, told: str) -> None:
    path = noise(folder / name, duration_s=3.0)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 4000] = bytes(4000)
    path.write_bytes(content)
    partly_judged(path, told)


@pytest.mark.parametrize("length", [0xFFFF_FFFF, 0xFFFF_FFD8, 0x7FFF_FFFF, 0x7FFF_F000])
def test_length_left_open_by_a_program_that_wrote_into_a_pipe_is_no_fault(folder: Path, length: int) -> None:
    path = noise(folder / "piped.wav")
    content = bytearray(path.read_bytes())
    struct.pack_into("<I", content, 40, length)
    path.write_bytes(content)
    assert check(path).status == 0


def test_flac_without_a_length_is_no_fault(folder: Path) -> None:
    path = noise(folder / "piped.flac", duration_s=2.0)
    content = bytearray(path.read_bytes())
    # STREAMINFO follows the marker and its own header; 36 bits of it count the samples, 0 for unknown.
    content[8 + 13] &= 0xF0
    content[8 + 14 : 8 + 18] = bytes(4)
    path.write_bytes(content)
    result = check(path)
    assert (result.status, result.err) == (0, "")
    assert result.document["tracks"][0]["duration_s"] == 2.0
    partly_judged(cut(path), "breaks off after ")


def test_header_a_few_bytes_out_is_no_fault(folder: Path) -> None:
    path = noise(folder / "sloppy.wav")
    content = bytearray(path.read_bytes())
    struct.pack_into("<I", content, 40, struct.unpack_from("<I", content, 40)[0] + 36)
    path.write_bytes(content)
    result = check(path)
    assert (result.status, result.err) == (0, "")


def test_one_sample(folder: Path) -> None:
    result = check(write(folder / "one.wav", np.full((1, 1), 0.1)))
    assert (result.status, result.err) == (0, "")


def test_silence(folder: Path) -> None:
    track = warned(write(folder / "silent.wav", np.zeros((RATE_HZ, 2))), "silent from end to end")
    assert (track["loudness_lufs"], track["verdict"]) == (None, "clear")


def test_some_samples_that_are_no_numbers(folder: Path) -> None:
    samples = 0.05 * np.random.default_rng(1).standard_normal((RATE_HZ, 2))
    samples[100:200, 0], samples[300, 1] = np.nan, -np.inf
    track = partly_judged(write(folder / "nan.wav", samples, subtype="FLOAT"), "101 of 96000 samples are no numbers")
    assert track["duration_s"] == 1.0


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 3e38, -1e300])
def test_nothing_but_samples_that_are_no_numbers(folder: Path, value: float) -> None:
    path = write(folder / "nan.wav", np.full((RATE_HZ, 1), value), subtype="DOUBLE")
    refused(path, "holds nothing but samples that are no numbers")


def test_float_samples_beyond_full_scale(folder: Path) -> None:
    samples = 0.05 * np.random.default_rng(1).standard_normal((RATE_HZ, 1))
    samples[5000] = 2.0
    track = warned(write(folder / "hot.wav", samples, subtype="FLOAT"), "samples reach +6.0 dBFS")
    assert float(str(track["true_peak_dbtp"])) >= 6.0


def test_unscaled_integers_as_float_are_audited_with_a_warning(folder: Path) -> None:
    path = write(folder / "hot.wav", np.random.default_rng(1).normal(0, 9000, (RATE_HZ, 1)), subtype="FLOAT")
    result = check(path)
    assert result.status == 1
    assert "taken at their value" in result.err


@pytest.mark.parametrize("channels", [*range(1, 9), 16])
def test_any_number_of_channels(folder: Path, channels: int) -> None:
    result = check(noise(folder / "many.wav", channels=channels))
    assert (result.status, result.err) == (0, "")
    (track,) = result.document["tracks"]
    assert [channel["index"] for channel in track["channels"]] == list(range(channels))


def test_rate_at_which_the_crossover_lies_above_everything(folder: Path) -> None:
    high = folder / "high.toml"
    high.write_text(RIG.replace("1800.0", "5000.0"))
    path = noise(folder / "slow.wav", sample_rate_hz=8_000)
    result = check(path, rig=str(high))
    assert result.status == 0
    assert "ends at 4000 Hz, below the crossover at 5000 Hz" in result.err


def test_rate_that_holds_little_hf(folder: Path) -> None:
    warned(noise(folder / "slow.wav", sample_rate_hz=8_000), "nothing above 4000 Hz")


@pytest.mark.parametrize("rate_hz", [44_100, 88_200, 96_000, 192_000, 384_000])
def test_high_rates(folder: Path, rate_hz: int) -> None:
    result = check(noise(folder / "fast.wav", sample_rate_hz=rate_hz))
    assert (result.status, result.err) == (0, "")


@pytest.mark.parametrize("rate_hz", [1, 100, 3_999, 768_001])
def test_absurd_rates(folder: Path, rate_hz: int) -> None:
    refused(write(folder / "odd.wav", np.full((50, 1), 0.1), sample_rate_hz=rate_hz), f"{rate_hz} Hz", "4000 to 768000")


def test_lowest_rate_still_has_a_loudness(folder: Path) -> None:
    result = check(noise(folder / "slow.wav", sample_rate_hz=header.LOWEST_RATE_HZ, level=0.1, duration_s=1.0))
    assert -30.0 < result.document["tracks"][0]["loudness_lufs"] < -15.0


def test_pipes_and_devices_are_refused_not_waited_for(folder: Path) -> None:
    os.mkfifo(folder / "pipe.wav")
    result = finish(spawn("check", "pipe.wav", "/dev/zero", "-r", "rig.toml", "--format", "csv"), timeout_s=20.0)
    assert result.status == 2
    assert result.complaints == [
        f"error: {path}: is a device or a pipe, not a file (write the sound to a file first)"
        for path in ("pipe.wav", "/dev/zero")
    ]


def test_may_not_be_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = noise(folder / "locked.wav")
    real = open

    def closed(file: object, *arguments: object, **options: object) -> object:
        if file == str(path):
            raise PermissionError(13, "Permission denied", file)
        return real(file, *arguments, **options)  # type: ignore[call-overload]

    monkeypatch.setattr("builtins.open", closed)
    refused(path, "may not be read", "permissions")


_AS_NOBODY = """
import os, sys
from tests.cli.harness import run
run("check", "good.wav", "--rig", "rig.toml")  # everything that is imported late is imported now
os.seteuid(65534)
result = run("check", *sys.argv[1:], "--rig", "rig.toml", "--format", "csv")
print(result.err, end="")
sys.exit(result.status)
"""


@pytest.mark.skipif(not hasattr(os, "seteuid") or os.geteuid() != 0, reason="gives up the rights of root")
def test_may_not_be_read_by_this_user(folder: Path) -> None:
    noise(folder / "good.wav")
    for name in ("locked.wav", "set/first.wav", "set/locked/second.wav"):
        (folder / name).parent.mkdir(exist_ok=True)
        noise(folder / name)
    (folder / "locked.wav").chmod(0)
    (folder / "set/locked").chmod(0)
    folder.chmod(0o755)  # where it is, and by relative paths, it can be used whatever the folders above it allow
    child = subprocess.run(
        [sys.executable, "-W", "error", "-c", _AS_NOBODY, "locked.wav", "set", "good.wav"],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "AUDITOR_CACHE_MB": "0"},
        capture_output=True,
        text=True,
    )
    assert child.stdout.splitlines() == [
        "error: set/locked: cannot be searched: Permission denied",
        "error: locked.wav: may not be read (change its permissions or copy it)",
    ], child.stderr
    assert child.returncode == 2


def test_folder_with_no_sound(folder: Path) -> None:
    (folder / "set").mkdir()
    (folder / "set/notes.txt").write_text("none here")
    (folder / "set/.hidden.wav").touch()
    (folder / "set/.trash").mkdir()
    noise(folder / "set/.trash/thrown-away.wav")
    refused(folder / "set", "no sound file in this folder", "point at the folder")


def test_link_that_leads_nowhere(folder: Path) -> None:
    (folder / "set").mkdir()
    (folder / "set/a.wav").symlink_to("nowhere.wav")
    refused(folder / "set/a.wav", "no such file")


def test_every_fault_of_a_batch_is_listed_and_the_rest_done(folder: Path) -> None:
    noise(folder / "1.wav")
    (folder / "2.wav").touch()
    cut(noise(folder / "3.wav", duration_s=1.0))
    noise(folder / "4.wav")
    result = check("gone.wav", ".", "nowhere/")
    assert result.status == 2
    assert [Path(track["path"]).name for track in result.document["tracks"]] == ["1.wav", "3.wav", "4.wav"]
    assert [Path(error["path"]).name for error in result.document["errors"]] == [
        "gone.wav",
        "2.wav",
        "3.wav",
        "nowhere",
    ]
