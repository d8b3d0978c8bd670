"""Help, usage errors and bad rig files answer at once: nothing numerical is imported on their way."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.harness import RIG

DRAWING = {"plotly", "matplotlib"}
NUMERICAL = {"numpy", "scipy", "numba", "llvmlite", "pyloudnorm", "soundfile", "av"}

# Runs the command line and says which packages and modules came in on the way.
_PROBE = """
import json, sys
from auditor import cli
sys.argv[0] = "auditor"
try:
    cli.main()
except SystemExit as stop:
    print(json.dumps([stop.code or 0, sorted(sys.modules)]), file=sys.stderr)
"""


def imported(*arguments: str, folder: Path) -> tuple[int, set[str]]:
    """Exit status of a run, and the packages and modules it imported."""
    environ = {"PYTHONPATH": str(Path(__file__).parents[2]), "PATH": "/usr/bin:/bin"}
    done = subprocess.run(
        [sys.executable, "-c", _PROBE, *arguments], cwd=folder, env=environ, capture_output=True, text=True
    )
    status, packages = json.loads(done.stderr.splitlines()[-1])
    return status, set(packages)


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["check", "--help"],
        ["demo", "-h"],
        ["rig", "new", "--help"],
        ["--version"],
        ["rig", "new", "-o", "-"],
    ],
    ids=" ".join,
)
def test_help(tmp_path: Path, arguments: list[str]) -> None:
    status, packages = imported(*arguments, folder=tmp_path)
    assert status == 0
    assert not packages & (NUMERICAL | DRAWING | {"pydantic", "rich"})


@pytest.mark.parametrize("arguments", [["chek"], ["check"], ["check", "a.wav"], ["check", "--rgi", "x"]], ids=" ".join)
def test_usage_errors(tmp_path: Path, arguments: list[str]) -> None:
    status, packages = imported(*arguments, folder=tmp_path)
    assert status == 2
    assert not packages & (NUMERICAL | DRAWING | {"pydantic", "rich"})


@pytest.mark.parametrize("content", [None, "", "not toml", RIG.replace("6.0", "-3.0")], ids=["none", "", "text", "pad"])
@pytest.mark.parametrize("command", [["check", "a.wav", "--rig"], ["rig", "check"]], ids=" ".join)
def test_bad_rig(tmp_path: Path, command: list[str], content: str | None) -> None:
    if content is not None:
        (tmp_path / "rig.toml").write_text(content)
    status, packages = imported(*command, "rig.toml", folder=tmp_path)
    assert status == 2
    assert not packages & (NUMERICAL | DRAWING)


def test_place_for_the_report_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    status, packages = imported("check", "a.wav", "--rig", "rig.toml", "-o", "none/x.txt", folder=tmp_path)
    assert status == 2
    assert not packages & (NUMERICAL | DRAWING)


def test_the_probe_would_see_them(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    status, packages = imported("check", "a.wav", "--rig", "rig.toml", folder=tmp_path)
    assert status == 2
    assert packages >= NUMERICAL - {"pyloudnorm", "av"}  # which come with a file that can be read


def test_a_check_needs_no_filter_design(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    clip = str(Path(__file__).parents[2] / "demo_audio" / "05-drummers-turn.flac")
    status, packages = imported("check", clip, "--rig", "rig.toml", "--no-cache", folder=tmp_path)
    assert status in {0, 1}
    assert packages >= {"scipy.fft", "auditor.chain.climb", "auditor.programme.loudness"}
    assert not packages & {"scipy.signal", "pyloudnorm"}


def test_compiled_loops_are_run_without_what_compiling_takes(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    clip = str(Path(__file__).parents[2] / "demo_audio" / "05-drummers-turn.flac")
    for _ in range(2):  # the first may have to compile
        _, packages = imported("check", clip, "--rig", "rig.toml", "--no-cache", folder=tmp_path)
    assert "numba.core.runtime" in packages
    assert not packages & {"scipy.linalg", "numba.np.linalg", "numba.typed.dictimpl"}


def test_workers_are_forked_from_a_single_thread() -> None:
    probe = "import auditor.preloaded, gc, os; print(len(os.listdir('/proc/self/task')), gc.isenabled())"
    environ = {"PYTHONPATH": str(Path(__file__).parents[2]), "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run([sys.executable, "-c", probe], env=environ, capture_output=True, text=True, check=True)
    assert done.stdout == "1 True\n"
