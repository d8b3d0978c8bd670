"""`auditor rig new`, `auditor rig check`, `auditor parts`: what they write, where, and their exit codes."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from auditor.parts import KINDS, lamps
from auditor.parts.protective import breakers, fuses
from auditor.parts.resettables import resettables
from auditor.protection import breaker, fuse
from auditor.rig_commands import PART_KINDS, parts_command, rig_group
from auditor.rig_template import TEMPLATE
from auditor.rig_writing import schema_line

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
    assert made.stderr == "wrote rig.toml; fill it in, then:\n  auditor rig check rig.toml\n"
    assert (here / "rig.toml").read_text(encoding="utf-8") == schema_line() + TEMPLATE
    assert run("rig", "check", "rig.toml").exit_code == 0


def test_new_does_not_overwrite_unless_forced(here: Path) -> None:
    (here / "rig.toml").write_text("mine")
    refused = run("rig", "new")
    assert refused.exit_code == 2
    assert refused.stderr == "error: rig.toml: is there already (--force replaces it, -o FILE writes another)\n"
    assert (here / "rig.toml").read_text() == "mine"
    assert run("rig", "new", "--force").exit_code == 0
    assert (here / "rig.toml").read_text(encoding="utf-8") == schema_line() + TEMPLATE


def test_new_to_stdout(here: Path) -> None:
    result = run("rig", "new", "-o", "-")
    assert (result.exit_code, result.stdout, result.stderr) == (0, TEMPLATE, "")
    assert not list(here.iterdir())


@pytest.mark.parametrize(
    ("output", "told"), [("missing/rig.toml", "no such folder: missing"), (".", "cannot be written: ")]
)
def test_new_where_it_cannot_be_written(here: Path, output: str, told: str) -> None:
    result = run("rig", "new", "--force", "-o", output)
    assert result.exit_code == 2
    assert result.stderr.startswith(f"error: {output}: {told}")
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


# Its keys, and what is to be marked as listed and as assumed.
MARKS = {
    "lamp": (
        'kind = "lamp"\npart = "1156"',
        {"design_voltage_v", "design_current_a", "rated_life_h"},
        {"series_count", "parallel_count", "design_temp_k", "gas_loss_ratio"},
    ),
    "lamp of a given life, as listed": (
        'kind = "lamp"\npart = "1156"\nrated_life_h = 1200',
        {"design_voltage_v", "design_current_a"},
        {"series_count", "parallel_count", "design_temp_k", "gas_loss_ratio"},
    ),
    "fuse": ('kind = "fuse"\nrating_a = 2.0\ncharacteristic = "F"', {"cold_resistance_ohm"}, {"body"}),
    "fuse of a given resistance, as listed": (
        'kind = "fuse"\nrating_a = 2.0\ncharacteristic = "F"\ncold_resistance_ohm = 0.044',
        set(),
        {"body"},
    ),
    "fuse between two ratings": (
        'kind = "fuse"\nrating_a = 2.2\ncharacteristic = "F"\nbody = "glass"',
        set(),
        {"cold_resistance_ohm"},
    ),
    "fuse of another body": (
        'kind = "fuse"\nrating_a = 2.0\ncharacteristic = "T"\nbody = "glass"',
        set(),
        {"cold_resistance_ohm"},
    ),
    "breaker": ('kind = "breaker"\nrating_a = 1.0\nreset = "hand"', {"resistance_ohm"}, set()),
    "breaker between two ratings": (
        'kind = "breaker"\nrating_a = 1.5\nreset = "self"\nreset_s = 20.0',
        set(),
        {"resistance_ohm"},
    ),
    "resettable": (
        'kind = "resettable"\nhold_a = 0.5',
        {"trip_a", "resistance_ohm", "max_resistance_ohm", "time_to_trip_s", "tripped_power_w", "max_voltage_v"},
        set(),
    ),
    "resettable of a given resistance": (
        'kind = "resettable"\nhold_a = 0.5\nresistance_ohm = 0.5',
        {"trip_a", "time_to_trip_s", "tripped_power_w", "max_voltage_v"},
        {"max_resistance_ohm"},
    ),
    "resettable of a maker of its own": (
        'kind = "resettable"\nhold_a = 0.6\ntrip_a = 1.2\nresistance_ohm = 0.3\ntime_to_trip_s = 5.0\n'
        "tripped_power_w = 0.9",
        set(),
        {"max_resistance_ohm", "max_voltage_v"},
    ),
    "relay": ('kind = "relay"\nthreshold_v = 20.0', set(), {"release_v", "attack_s", "hold_s", "switch_s"}),
}
PARTS = {
    "lamp": "Part 1156, ",
    "fuse": "Part F2A, maker's sheet of 5x20 mm F glass fuses (title not kept); read: cold_resistance_ohm.",
    "breaker": "Part 1 A, a maker's datasheet of thermal breakers (title not kept); read: resistance_ohm.",
    "resettable": "Part 0.50 A 60 V, maker's datasheet of radial polymer parts (title not kept); read: trip_a, ",
}


@pytest.fixture
def protected(here: Path) -> Callable[[str], Result]:
    """Checks the example with other keys in its ``[protection]`` table."""
    before, _, after = TEMPLATE.partition("[protection]")
    rest = after[after.index("[driver]") :]

    def check(keys: str, width: int = 80) -> Result:
        (here / "rig.toml").write_text(f"{before}[protection]\n{keys}\n{rest}", encoding="utf-8")
        return run("rig", "check", "rig.toml", width=width)

    return check


@pytest.mark.parametrize("name", MARKS)
def test_check_marks_what_the_list_of_parts_brings(protected: Callable[[str], Result], name: str) -> None:
    keys, listed, assumed = MARKS[name]
    result = protected(keys)
    assert (result.exit_code, result.stderr) == (0, "")
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    start = next(number for number, line in enumerate(lines) if line.startswith(" protection "))
    end = next(number for number, line in enumerate(lines) if line.startswith(" driver "))
    rows = [line.removeprefix(" protection").split() for line in lines[start:end]]
    assert {row[0] for row in rows if row[-1] == "listed"} == listed
    assert {row[0] for row in rows if row[-1] == "assumed"} == assumed
    assert (" Part " in result.stdout) == bool(listed)
    assert PARTS.get(name, "") in _text(result)


def test_check_prints_one_line_for_each_fault(example: Path) -> None:
    text = TEMPLATE.replace("pad_db = 6.0", "pad_db = -3.0").replace('"1156"', '"1157"')
    example.write_text(text.replace("rated_power_w", "rated_pwer_w"), encoding="utf-8")
    result = run("rig", "check", "rig.toml")
    assert (result.exit_code, result.stdout) == (2, "")
    lines = result.stderr.splitlines()
    assert len(lines) == 3
    assert all(re.match(r"error: rig\.toml, line \d+: ", line) for line in lines)
    row = 1 + next(n for n, each in enumerate(text.splitlines()) if each.startswith("rated_power_w"))
    told = f"error: rig.toml, line {row}: amplifier.rated_pwer_w: unknown key (did you mean rated_power_w [W]?)"
    assert told in lines


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


@pytest.mark.parametrize("width", WIDTHS)
def test_parts_lists_every_kind_with_status_and_source(width: int) -> None:
    lines = [line.split() for line in run("parts", width=width).stdout.splitlines()]
    for each in fuses():
        name = f"{each.characteristic}{each.rating_a:g}A"
        values = [f"{value:g}" for value in (each.rating_a, each.cold_resistance_ohm, each.melting_i2t_a2s)]
        (row,) = [words for words in lines if words[:2] == [name, each.body]]
        assert row[2:7] == [*values, "R", "read"]
    for part in breakers():
        assert [f"{part.rating_a:g}", f"{part.resistance_ohm:g}", "R", "read"] in [words[:4] for words in lines]
    for resettable in resettables():
        (row,) = [w for w in lines if w[:2] == [f"{resettable.hold_a:g}", f"{resettable.trip_a:g}"] and len(w) == 10]
        assert row[2:7] == [
            f"{resettable.resistance_ohm:g}",
            f"{resettable.max_resistance_ohm:g}",
            f"{resettable.time_to_trip_s:g}",
            f"{resettable.tripped_power_w:g}",
            f"{resettable.max_voltage_v:g}",
        ]
        assert row[7:9] == ["R", "read"]


def test_parts_numbers_each_source_once() -> None:
    text = _text(run("parts"))
    sources = [part.source for part in (*lamps().values(), *fuses(), *breakers(), *resettables())]
    records = [*fuse.GATES.values(), *breaker.GATES]
    count = len({*sources, *(record.source for record in records)})
    for number in range(1, count + 1):
        assert text.count(f"[{number}]") >= 2, "cited in a table and named below"
    assert f"[{count + 1}]" not in text
    for source in sources:
        assert text.count(f"] {source}.") == 1


def test_parts_says_when_a_fuse_and_a_breaker_open() -> None:
    text = _text(run("parts"))
    assert "The time a fuse takes to open follows the gates of the standard" in text
    assert "between the earliest time and the latest" in text
    assert "1.5 x 1 h or more 1 h or more 1 h or more 1 h or more" in text
    assert "2.75 x 0.05 to 2 s 0.01 to 2 s 0.6 to 10 s 0.75 to 80 s" in text
    assert "2.1 x 30 min or less 30 min or less 2 min or less 30 min or less" in text
    assert "status R read R read M memory R read" in text
    assert "The time a breaker takes to trip follows its maker's windows" in text
    assert "1.35 x - 1 h or less 1.75 x 1 h or less - 2 x 4.5 to 28 s 2.2 to 15 s" in text


HEADS = {"lamp": " Lamps  ", "fuse": " Fuses  ", "breaker": " Breakers  ", "resettable": " Resettable parts  "}


def test_the_kinds_are_those_of_the_list() -> None:
    assert PART_KINDS == KINDS


@pytest.mark.parametrize("kind", HEADS)
@pytest.mark.parametrize("width", WIDTHS)
def test_parts_of_one_kind(kind: str, width: int) -> None:
    result = run("parts", kind, width=width)
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(len, result.stdout.splitlines())) <= width
    shown = {name for name, head in HEADS.items() if f"\n{head}" in result.stdout}
    assert shown == {kind}
    assert "\n [1] " in result.stdout
    assert "\n\n\n" not in result.stdout


def test_parts_of_no_known_kind() -> None:
    result = run("parts", "fuze")
    assert (result.exit_code, result.stdout) == (2, "")
    for word in ("'fuze'", *PART_KINDS):
        assert word in result.stderr


@pytest.mark.parametrize("kind", PART_KINDS)
def test_parts_of_one_kind_as_json(kind: str) -> None:
    whole = json.loads(run("parts", "--format", "json").stdout)
    assert list(whole) == ["schema_version", "lamps", "fuses", "breakers", "resettables"]
    one = json.loads(run("parts", kind, "--format", "json").stdout)
    assert one == {"schema_version": 1, f"{kind}s": whole[f"{kind}s"]}
    assert all(row["source"] and row["status"] for row in one[f"{kind}s"])


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
