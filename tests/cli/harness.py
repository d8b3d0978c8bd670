"""Runs the command line: in this process for speed, or as a process of its own where signals and pipes are at stake."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest
import soundfile

from auditor import cli

# What the person who runs the tests has set must not show in the screens.
_SETTINGS = ("COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "TERM", "COLORTERM")

RIG = """\
[level]
full_scale_dbu = 18.0
[amplifier]
gain_db = 32.0
rated_power_w = 300.0
rated_load_ohm = 8.0
[crossover]
alignment = "linkwitz-riley"
order = 4
frequency_hz = 1800.0
pad_db = 6.0
[protection]
kind = "lamp"
part = "1156"
[driver]
rated_impedance_ohm = 8.0
dc_resistance_ohm = 5.8
continuous_power_w = 60.0
coil_material = "copper"
coil_diameter_mm = 44.0
coil_temp_limit_c = 180.0
"""


# Sends itself a signal the `count`-th time a function is called, before or after what it does.
_STAGED = """
import importlib, os, signal, sys
module, name, count, sign, after = sys.argv[1:6]
owner = importlib.import_module(module)
*path, last = name.split(".")
for part in path:
    owner = getattr(owner, part)
real, calls = getattr(owner, last), 0
def staged(*arguments, **options):
    global calls
    calls += 1
    if calls == int(count) and after == "before":
        os.kill(os.getpid(), int(sign))
    result = real(*arguments, **options)
    if calls == int(count) and after == "after":
        os.kill(os.getpid(), int(sign))
    return result
setattr(owner, last, staged)
sys.argv = ["auditor", *sys.argv[6:]]
from auditor.cli import main
main()
"""


@dataclass(frozen=True)
class Result:
    """What a run left behind."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """Standard output as the one JSON document it must be; no such thing as NaN is let through."""
        loaded: dict[str, Any] = json.loads(self.out, parse_constant=_refuse)
        return loaded

    @property
    def complaints(self) -> list[str]:
        """The lines of standard error."""
        return self.err.splitlines()


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is not JSON")


def run(
    *arguments: str | Path, env: Mapping[str, str] | None = None, encoding: str = "utf-8", stdout: Any = None
) -> Result:
    """Run `auditor` with these arguments in this process.

    Parameters
    ----------
    *arguments : str or Path
    env : mapping, optional
        Set on top of an environment that says nothing about terminals.
    encoding : str
        Of standard output and error.
    stdout : binary file, optional
        Instead of the one that is captured.
    """
    out, err = io.BytesIO(), io.BytesIO()
    streams = {
        "stdout": io.TextIOWrapper(stdout or out, encoding=encoding, write_through=True),
        "stderr": io.TextIOWrapper(err, encoding=encoding, write_through=True, errors="backslashreplace"),
    }
    on_terminate = signal.getsignal(signal.SIGTERM)
    with contextlib.ExitStack() as stack:
        stack.callback(signal.signal, signal.SIGTERM, on_terminate)
        stack.enter_context(mock.patch.dict(os.environ, dict(env or {})))
        for name in _SETTINGS:
            if name not in (env or {}):
                os.environ.pop(name, None)
        stack.enter_context(mock.patch.multiple(sys, argv=["auditor", *map(str, arguments)], **streams))
        try:
            cli.main()
        except SystemExit as stop:
            status = int(stop.code or 0)
        for stream in streams.values():
            stream.flush()
    return Result(status, out.getvalue().decode(encoding), err.getvalue().decode(encoding))


def command(*arguments: str | Path) -> list[str]:
    """The command line of a process that runs `auditor` with these arguments; a warning is an error there too."""
    return [sys.executable, "-W", "error", "-m", "auditor", *map(str, arguments)]


def spawn(*arguments: str | Path, **options: Any) -> subprocess.Popen[bytes]:
    """Start `auditor` as a process of its own, standard output and error in pipes unless told otherwise."""
    environ = {key: value for key, value in os.environ.items() if key not in _SETTINGS}
    environ.update(options.pop("env", {}))
    options = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    root = Path(cli.__file__).parents[1]
    environ["PYTHONPATH"] = os.pathsep.join([str(root), environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    # Whoever started the tests may have Ctrl-C ignored, as a shell does for what it runs in the background.
    return subprocess.Popen(command(*arguments), env=environ, preexec_fn=hear_ctrl_c, **options)


def run_staged(module: str, name: str, *arguments: str, count: int, sign: signal.Signals, moment: str) -> Result:
    """`auditor` in a process of its own that gets a signal the `count`-th time that `name` of `module` is called.

    `moment` is `before` or `after`: what it does.
    """
    command = [sys.executable, "-c", _STAGED, module, name, str(count), str(int(sign)), moment, *arguments]
    environ = {**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])}
    done = subprocess.run(command, env=environ, preexec_fn=hear_ctrl_c, capture_output=True, text=True, timeout=120)
    return Result(done.returncode, done.stdout, done.stderr)


def hear_ctrl_c() -> None:
    """In a process that is about to start: Ctrl-C ends it, whatever it inherited."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def wait_until_open(process: subprocess.Popen[bytes], name: str) -> None:
    """Wait for a process to have a file open; looks into /proc."""
    deadline_s = time.monotonic() + 60.0
    while time.monotonic() < deadline_s and process.poll() is None:
        for descriptor in Path(f"/proc/{process.pid}/fd").glob("*"):
            with contextlib.suppress(OSError):
                if os.readlink(descriptor).endswith(name):
                    return
        time.sleep(0.01)
    raise AssertionError(f"{name} was never opened")


def finish(process: subprocess.Popen[bytes], *, timeout_s: float = 60.0) -> Result:
    """Wait for a process of `spawn`; one that hangs is ended and fails the test."""
    try:
        out, err = process.communicate(timeout=timeout_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise
    return Result(process.returncode, (out or b"").decode(), (err or b"").decode())


def noise(
    path: Path,
    *,
    duration_s: float = 0.25,
    sample_rate_hz: int = 48_000,
    channels: int = 1,
    level: float = 0.05,
    subtype: str | None = None,
    container: str | None = None,
) -> Path:
    """Write a file of steady noise that no rig minds."""
    count = round(duration_s * sample_rate_hz)
    samples = level * np.random.default_rng(7).standard_normal((count, channels))
    return write(path, samples, sample_rate_hz=sample_rate_hz, subtype=subtype, container=container)


def write(
    path: Path,
    samples: np.ndarray,
    *,
    sample_rate_hz: int = 48_000,
    subtype: str | None = None,
    container: str | None = None,
) -> Path:
    """Write samples, shape=(n, channels), full scale 1.0."""
    soundfile.write(path, samples, sample_rate_hz, subtype=subtype, format=container)
    return path


def settle(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a folder the working directory, with a `rig.toml` in it that has no fault."""
    monkeypatch.chdir(folder)
    (folder / "rig.toml").write_text(RIG, encoding="utf-8")
    return folder
