"""What `auditor` returns, and that it never ends in a traceback: 0, 1, 2, and 130 after Ctrl-C."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import IO

import numpy as np
import pytest
import soundfile

import auditor
from tests.cli.harness import Result, command, finish, hear_ctrl_c, noise, run, settle, spawn, wait_until_open, write

RATE_HZ = 48_000

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and pipes as POSIX has them")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return settle(tmp_path, monkeypatch)


@pytest.fixture
def clear(folder: Path) -> str:
    return noise(folder / "clear.wav").name


@pytest.fixture
def engaged(folder: Path) -> str:
    """A steady tone under the driver's ratings, and enough to warm the lamp."""
    tone = np.sin(2.0 * np.pi * 6_000.0 * np.arange(2 * RATE_HZ) / RATE_HZ)
    return write(folder / "engaged.wav", 0.12 * tone[:, None]).name


@pytest.fixture
def risk(folder: Path) -> str:
    return noise(folder / "risk.wav", level=1.0, duration_s=1.0).name


def check(*arguments: str) -> Result:
    return run("check", *arguments, "--rig", "rig.toml", "--format", "json")


class TestVerdicts:
    """0 nothing at or above `--fail-on`, 1 something was."""

    @pytest.mark.parametrize(
        ("fail_on", "statuses"), [("engaged", (0, 1, 1)), ("risk", (0, 0, 1)), ("never", (0, 0, 0))]
    )
    def test_fail_on(self, clear: str, engaged: str, risk: str, fail_on: str, statuses: tuple[int, int, int]) -> None:
        results = [check(track, "--fail-on", fail_on) for track in (clear, engaged, risk)]
        assert [result.document["verdict"] for result in results] == ["clear", "engaged", "risk"]
        assert tuple(result.status for result in results) == statuses

    def test_risk_is_what_fails_by_default(self, engaged: str, risk: str) -> None:
        assert check(engaged).status == 0
        assert check(risk).status == 1

    def test_the_worst_track_decides(self, clear: str, risk: str) -> None:
        assert check(clear, risk, clear).status == 1

    def test_what_could_not_be_analysed_outranks_a_risk(self, risk: str) -> None:
        result = check(risk, "gone.wav")
        assert result.document["verdict"] == "risk"
        assert result.status == 2

    def test_never_does_not_cover_what_could_not_be_analysed(self, clear: str) -> None:
        assert check(clear, "gone.wav", "--fail-on", "never").status == 2

    def test_nothing_analysed_is_not_clear(self, folder: Path) -> None:
        result = check("gone.wav")
        assert result.status == 2
        assert result.document["verdict"] is None


class TestUsage:
    """Arguments and rig files that are wrong: 2, before any file is opened."""

    @pytest.mark.parametrize(
        ("arguments", "words"),
        [
            (["chek"], "Did you mean one of: 'cache', 'check'?"),
            (["check", "a.wav", "--rgi", "rig.toml"], "Did you mean one of: '--rig'"),
            (["check", "-r", "rig.toml"], "Missing argument 'PATH...'"),
            (["check", "a.wav"], "Missing option '-r' / '--rig'"),
            (["check", "a.wav", "-r", "rig.toml", "--format", "xml"], "'text', 'json', 'csv'"),
            (["check", "a.wav", "-r", "rig.toml", "--fail-on", "all"], "'engaged', 'risk', 'never'"),
            (["check", "a.wav", "-r", "none.toml"], "error: none.toml: no such rig file"),
            (["check", "a.wav", "-r", "."], "error: .: is a folder, not a rig file"),
            (["\x1b[31mred"], r"No such command '\x1b[31mred'"),
        ],
        ids=str,
    )
    def test_wrong_arguments(self, folder: Path, arguments: list[str], words: str) -> None:
        result = run(*arguments)
        assert (result.status, result.out) == (2, "")
        assert words in result.err
        assert "\x1b" not in result.err

    def test_five_faults_of_a_rig_are_five_lines(self, clear: str) -> None:
        rig = Path("rig.toml").read_text()
        for good, bad in {
            "rated_power_w = 300.0": "rated_power_w = -300.0",
            "pad_db = 6.0": "pad_db = -3.0",
            'coil_material = "copper"': 'coil_material = "tin"',
            "coil_temp_limit_c = 180.0": "coil_temp_limit_c = 10.0",
            "full_scale_dbu = 18.0": 'full_scale_dbu = "18"',
        }.items():
            assert good in rig
            rig = rig.replace(good, bad)
        Path("rig.toml").write_text(rig)
        result = check(clear)
        assert (result.status, result.out) == (2, "")
        keys = ["full_scale_dbu", "rated_power_w", "pad_db", "coil_material", "coil_temp_limit_c"]
        assert len(result.complaints) == len(keys)
        for key in keys:
            assert sum(f".{key}: " in line for line in result.complaints) == 1

    @pytest.mark.parametrize("arguments", [["--help"], ["-h"], ["check", "-h"], ["rig", "check", "--help"], ["-V"]])
    def test_help_is_no_fault(self, arguments: list[str]) -> None:
        result = run(*arguments)
        assert (result.status, result.err) == (0, "")

    def test_no_command_shows_the_help(self) -> None:
        result = run()
        assert (result.status, result.out) == (2, "")
        assert "Commands:" in result.err

    def test_as_a_module(self) -> None:
        result = finish(spawn("--version"))
        assert (result.status, result.out[:8]) == (0, "auditor ")


class TestStreams:
    """Outputs that are closed, full or gone."""

    @pytest.mark.parametrize(("track", "style", "status"), [("clear", "text", 0), ("risk", "json", 1)])
    def test_a_reader_that_goes_changes_no_verdict(
        self, request: pytest.FixtureRequest, track: str, status: int, style: str
    ) -> None:
        read, written = os.pipe()
        os.close(read)
        path = request.getfixturevalue(track)
        with os.fdopen(written, "wb") as pipe:
            result = finish(spawn("check", path, "-r", "rig.toml", "--format", style, stdout=pipe))
        assert (result.status, result.err) == (status, "")

    def test_nobody_listens_on_standard_error(self, clear: str) -> None:
        read, written = os.pipe()
        os.close(read)
        with os.fdopen(written, "wb") as pipe:
            result = finish(spawn("check", clear, "gone.wav", "-r", "rig.toml", "--format", "json", stderr=pipe))
        assert result.status == result.document["exit_status"] == 2

    @pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
    @pytest.mark.parametrize("arguments", [["check", "clear.wav", "-r", "rig.toml"], ["--help"]], ids=str)
    def test_full_disk(self, clear: str, arguments: list[str]) -> None:
        with open("/dev/full", "wb") as full:
            result = finish(spawn(*arguments, stdout=full))
        assert (result.status, result.err) == (
            2,
            "error: standard output: cannot be used: No space left on device\n",
        )

    @pytest.mark.parametrize("style", ["json", "text", "html", "ndjson"])
    def test_full_in_the_middle_of_what_is_written_unbuffered(self, clear: str, style: str) -> None:
        process = command("check", clear, "-r", "rig.toml", "--no-cache", "--format", style)
        root = str(Path(auditor.__file__).parents[1])
        with open("report", "wb") as file:
            done = subprocess.run(
                process,
                stdout=file,
                stderr=subprocess.PIPE,
                text=True,
                env={**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONPATH": root},
                preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (700, 700)),
            )
        assert (done.returncode, done.stderr) == (2, "error: standard output: cannot be used: File too large\n")

    @pytest.mark.parametrize("closed", [">&-", "<&- >&- 2>&-"])
    def test_closed_streams(self, clear: str, closed: str) -> None:
        line = " ".join([*command("check", clear, "-r", "rig.toml", "--format", "csv", "-o", "report.csv"), closed])
        root = str(Path(__file__).parents[2])
        done = subprocess.run(["sh", "-c", line], env={**os.environ, "PYTHONPATH": root}, capture_output=True)
        assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
        assert Path("report.csv").read_text().startswith("path,")

    def test_libraries_do_not_talk_over_the_report(self, folder: Path) -> None:
        # mpg123 prints its own remarks on a damaged MP3 to descriptor 2.
        path = noise(folder / "cut.mp3", duration_s=2.0)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
        result = finish(spawn("check", "cut.mp3", "-r", "rig.toml", "--format", "csv"))
        assert result.status == 2
        assert [line[:21] for line in result.complaints] == ["error: cut.mp3: the f"]


class TestSignals:
    """Ctrl-C and a polite request to end."""

    @pytest.fixture
    def long(self, folder: Path) -> str:
        """Ten minutes, which take some seconds."""
        minute = (0.05 * np.random.default_rng(2).standard_normal((60 * RATE_HZ, 2))).astype(np.float32)
        with soundfile.SoundFile("long.wav", "w", RATE_HZ, 2) as file:
            for _ in range(10):
                file.write(minute)
        return "long.wav"

    def start(self, *paths: str) -> subprocess.Popen[bytes]:
        return spawn("check", *paths, "-r", "rig.toml", "--format", "json")

    @pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="looks into /proc")
    def test_interrupted_in_the_middle_reports_what_is_finished(self, clear: str, long: str) -> None:
        process = self.start(clear, long, clear)
        wait_until_open(process, long)
        time.sleep(0.2)
        process.send_signal(signal.SIGINT)
        asked_s = time.monotonic()
        result = finish(process)
        assert time.monotonic() - asked_s < 10.0
        assert result.status == result.document["exit_status"] == 130
        assert [track["path"] for track in result.document["tracks"]] == [clear]
        assert result.err == "interrupted: 1 track(s) finished and reported, the rest not judged\n"

    @pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="looks into /proc")
    def test_terminated_in_the_middle(self, clear: str, long: str) -> None:
        process = self.start(clear, long)
        wait_until_open(process, long)
        process.terminate()
        result = finish(process)
        assert (result.status, result.out, result.err) == (143, "", "")

    @pytest.mark.parametrize("where", ["auditor.pipeline", "auditor.report.records"])
    def test_interrupted_while_a_library_is_imported(
        self, clear: str, where: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        class Interrupting:
            def find_spec(self, name: str, *_: object) -> None:
                if name == where:
                    raise KeyboardInterrupt

        for name in [name for name in sys.modules if name == where]:
            monkeypatch.delitem(sys.modules, name)
            package, _, last = name.rpartition(".")
            monkeypatch.delattr(sys.modules[package], last, raising=False)
        monkeypatch.setattr(sys, "meta_path", [Interrupting(), *sys.meta_path])
        result = check(clear)
        assert (result.status, result.out) == (130, "")
        assert result.err.strip() == "interrupted"

    def test_interrupted_before_anything_is_loaded(self, tmp_path: Path) -> None:
        (tmp_path / "click.py").write_text("import os, signal\nos.kill(os.getpid(), signal.SIGINT)\n")
        path = os.pathsep.join([str(tmp_path), str(Path(auditor.__file__).parents[1])])
        done = subprocess.run(
            [sys.executable, "-m", "auditor", "--help"],
            capture_output=True,
            env={**os.environ, "PYTHONPATH": path},
            preexec_fn=hear_ctrl_c,
        )
        assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGINT, b"", b"")

    def test_interrupted_while_the_report_is_written(self, clear: str, monkeypatch: pytest.MonkeyPatch) -> None:
        def interrupt(self: IO[str], *_: object) -> None:
            raise KeyboardInterrupt

        Path("report.csv").write_text("older")
        monkeypatch.setattr("auditor.report.records.to_csv", interrupt)
        result = run("check", clear, "-r", "rig.toml", "--format", "csv", "-o", "report.csv")
        assert (result.status, result.err.strip()) == (130, "interrupted")
        assert sorted(path.name for path in Path().iterdir()) == [clear, "report.csv", "rig.toml"]
        assert Path("report.csv").read_text() == "older"
