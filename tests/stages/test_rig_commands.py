"""`auditor rig new`, `auditor rig check`, `auditor parts`: what they write, where, and their exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from auditor.parts import lamps
from auditor.rig_commands import parts_command, rig_group
from auditor.rig_template import TEMPLATE

WIDTHS = (80, 100, 120)


def run(*arguments: str, width: int = 100) -> Result:
    command, rest = (parts_command, arguments[1:]) if arguments[0] == "parts" else (rig_group, arguments[1:])
    return CliRunner(env={"COLUMNS": str(width), "NO_COLOR": ""}).invoke(command, list(rest))


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _text(result: Result) -> str:
    """The report as running words, wherever its lines break."""
    return " ".join(result.stdout.split())


# --- new --------------------------------------------------------------------------------------------------------------


def test_new_writes_an_example_that_checks(here: Path) -> None:
    made = run("rig", "new")
    assert (made.exit_code, made.stdout) == (0, "")
    assert made.stderr == "wrote rig.toml; fill it in, then: auditor rig check rig.toml\n"
    assert (here / "rig.toml").read_text(encoding="utf-8") == TEMPLATE
    assert run("rig", "check", "rig.toml").exit_code == 0


def test_new_does_not_overwrite_unless_forced(here: Path) -> None:
    (here / "rig.toml").write_text("mine")
    refused = run("rig", "new")
    assert refused.exit_code == 2
    assert refused.stderr == "error: rig.toml: is there already (--force replaces it, -o FILE writes another)\n"
    assert (here / "rig.toml").read_text() == "mine"
    assert run("rig", "new", "--force").exit_code == 0
    assert (here / "rig.toml").read_text(encoding="utf-8") == TEMPLATE


def test_new_to_stdout(here: Path) -> None:
    result = run("rig", "new", "-o", "-")
    assert (result.exit_code, result.stdout, result.stderr) == (0, TEMPLATE, "")
    assert not list(here.iterdir())


@pytest.mark.parametrize("output", ["missing/rig.toml", "."])
def test_new_where_it_cannot_be_written(here: Path, output: str) -> None:
    result = run("rig", "new", "--force", "-o", output)
    assert result.exit_code == 2
    assert result.stderr.startswith(f"error: {output}: cannot be written: ")
    assert result.stderr.count("\n") == 1


# --- check ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def example(here: Path) -> Path:
    (here / "rig.toml").write_text(TEMPLATE, encoding="utf-8")
    return here / "rig.toml"


@pytest.mark.parametrize("width", WIDTHS)
def test_check_shows_values_and_fits(example: Path, width: int) -> None:
    result = run("rig", "check", "rig.toml", width=width)
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(len, result.stdout.splitlines())) <= width
    text = _text(result)
    assert "rig.toml: valid" in text
    assert "coil_thermal_resistance_k_per_w 2.78 K/W A assumed" in text
    assert "design_voltage_v 12.8 V L listed" in text
    assert "a 0 dBFS sine would be 61.53 V rms, 87.01 V peak." in text
    assert "the amplifier clips at 69.28 V peak, a sine of 48.99 V rms." in text
    assert "2.0 dB past clipping: the amplifier clips whatever peaks above -2.0 dBFS." in text
    assert "the largest unclipped sine puts 75 W on it without protection" in text
    assert "read: watts, lumens; from memory: volts, amps, hours." in text
    assert "6 values are assumed:" in text


@pytest.mark.parametrize(
    ("gain_db", "sentence"),
    [
        ("-20.0", "a 0 dBFS sine stays 6.0 dB below clipping: nothing within full scale is clipped."),
        ("-13.98", "a 0 dBFS sine stands right at clipping."),
        ("0", "14.0 dB past clipping"),
    ],
)
def test_check_tells_the_headroom(example: Path, gain_db: str, sentence: str) -> None:
    example.write_text(TEMPLATE.replace("gain_db = -12.0", f"gain_db = {gain_db}"), encoding="utf-8")
    assert sentence in _text(run("rig", "check", "rig.toml"))


def test_check_leaves_out_what_is_not_there(example: Path) -> None:
    text = TEMPLATE.replace('"linkwitz-riley"', '"none"').replace('kind = "lamp"', 'kind = "none"')
    for key in ("order", "frequency_hz", "part", "series_count", "parallel_count"):
        text = text.replace(f"\n{key} =", f"\n# {key} =")
    example.write_text(text, encoding="utf-8")
    result = run("rig", "check", "rig.toml")
    assert result.exit_code == 0
    shown = _text(result)
    assert "order" not in shown
    assert "frequency_hz" not in shown
    assert "Part" not in shown
    assert " V L listed" not in shown


def test_check_prints_one_line_for_each_fault(example: Path) -> None:
    text = TEMPLATE.replace("pad_db = 6.0", "pad_db = -3.0").replace('"1156"', '"1157"')
    example.write_text(text.replace("rated_power_w", "rated_pwer_w"), encoding="utf-8")
    result = run("rig", "check", "rig.toml")
    assert (result.exit_code, result.stdout) == (2, "")
    lines = result.stderr.splitlines()
    assert len(lines) == 3
    assert all(line.startswith("error: rig.toml: ") for line in lines)
    assert "error: rig.toml: amplifier.rated_pwer_w: unknown key (did you mean rated_power_w [W]?)" in lines


def test_check_of_a_missing_file_is_one_line(here: Path) -> None:
    result = run("rig", "check", "none.toml")
    assert result.exit_code == 2
    assert result.stderr == "error: none.toml: no such rig file (`auditor rig new` writes a commented example)\n"


# --- parts ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", WIDTHS)
def test_parts_lists_every_lamp_with_status_and_source(width: int) -> None:
    result = run("parts", width=width)
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(len, result.stdout.splitlines())) <= width
    rows = {line.split()[0]: line for line in result.stdout.splitlines() if line.strip()}
    for part in lamps():
        assert rows[part if part in rows else f"{part}:"]
    assert "P W lm    [2]" in result.stdout
    assert "UN Regulation No. 37" in _text(result)
    assert "from memory, not verified" in _text(result)


def test_parts_as_json() -> None:
    document = json.loads(run("parts", "--format", "json").stdout)
    assert document["schema_version"] == 1
    rows = {row["part"]: row for row in document["lamps"]}
    assert list(rows) == list(lamps())
    assert rows["1156"]["status"] == "partly read"
    assert rows["1156"]["read"] == ["watts", "lumens"]
    assert rows["PY21/5W"]["light_lm"] is None
    assert all(row["source"] for row in rows.values())


# --- imports ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [["new", "--help"], ["check"], ["check", "bad.toml"]])
def test_help_usage_errors_and_bad_rigs_are_quick(here: Path, arguments: list[str]) -> None:
    (here / "bad.toml").write_text("[levle]\n")
    root = Path(__file__).parents[2]
    code = (
        f"import sys; sys.path.insert(0, {str(root)!r})\n"
        "from auditor.rig_commands import rig_group\n"
        f"try: rig_group({arguments!r})\n"
        "except SystemExit: pass\n"
        "print(sorted({'numpy', 'scipy', 'numba', 'librosa', 'rich'} & set(sys.modules)), file=sys.stderr)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=here)
    assert found.stderr.splitlines()[-1] == "[]"
