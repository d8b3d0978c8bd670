"""The wheel: what must be in it is, and the demonstration runs from it. Builds and installs; about half a minute."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

import auditor
from auditor.demo import demo_dir

ROOT = Path(__file__).parents[2]
_OFFLINE = ("Could not find a version", "No matching distribution", "ConnectionError", "Max retries exceeded")


def pip(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, "-m", "pip", "--disable-pip-version-check", *map(str, arguments)]
    return subprocess.run(line, capture_output=True, text=True)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    done = pip("wheel", "--no-deps", "--quiet", "--wheel-dir", folder, ROOT)
    if done.returncode and any(sign in done.stderr for sign in _OFFLINE):
        pytest.skip("hatchling, which builds the wheel, cannot be fetched from here")
    assert done.returncode == 0, done.stderr
    (path,) = folder.glob("*.whl")
    return path


def test_what_is_in_it(wheel: Path) -> None:
    held = set(zipfile.ZipFile(wheel).namelist())
    package = ROOT / "auditor"
    wanted = {
        f"auditor/{path.relative_to(package)}"
        for pattern in ("*.py", "*.toml", "*.schema.json", "*.css", "*.js", "py.typed")
        for path in package.rglob(pattern)
    }
    wanted |= {f"auditor/demo_audio/{path.name}" for path in demo_dir().iterdir()}
    assert wanted - held == set()
    assert any(name.startswith("auditor/parts/") and name.endswith(".toml") for name in wanted)
    assert sum(name.endswith(".schema.json") for name in wanted) == 3
    assert any(name.endswith("/LICENSE") for name in held)


def test_what_is_not_in_it(wheel: Path) -> None:
    held = zipfile.ZipFile(wheel).namelist()
    assert [name for name in held if "__pycache__" in name or name.endswith((".pyc", ".nbi", ".nbc"))] == []
    assert {name.split("/")[0] for name in held} == {"auditor", f"tweeter_auditor-{auditor.__version__}.dist-info"}
    assert sum(info.file_size for info in zipfile.ZipFile(wheel).infolist()) < 16_000_000


def test_the_demonstration_runs_from_it(wheel: Path, tmp_path: Path) -> None:
    home = tmp_path / "venv"
    venv.create(home, symlinks=os.name == "posix")
    (site,) = (home / "lib").glob("python*/site-packages")
    # The libraries are those that run these tests; the program itself is the wheel's alone.
    libraries = [path for path in sys.path if path.endswith("site-packages")]
    (site / "libraries.pth").write_text("\n".join(libraries))
    done = pip("--python", home / "bin/python", "install", "--no-deps", "--no-index", "--quiet", wheel)
    assert done.returncode == 0, done.stderr
    environ = {"PATH": os.environ.get("PATH", ""), "HOME": str(tmp_path)}
    line = [str(home / "bin/auditor"), "demo", "--format", "json"]
    shown = subprocess.run(line, cwd=tmp_path, env=environ, capture_output=True, text=True)
    assert (shown.returncode, shown.stderr) == (1, "")
    document = json.loads(shown.stdout)
    assert document["verdict"] == "risk"
    assert all(track["path"].startswith(str(site)) for track in document["tracks"])
