"""`auditor rig show`: the circuit in text, the curves, and the same as JSON and as pictures."""

from __future__ import annotations

import json
import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from auditor.branch_view import view
from auditor.report import words
from auditor.rig import load_rig
from tests.cli.harness import RIG, run

PARTS = """\
[[crossover.parts]]
kind = "series_capacitor"
capacitance_f = 8.2e-6
[[crossover.parts]]
kind = "shunt_inductor"
inductance_h = 0.6e-3
resistance_ohm = 0.3
[[crossover.parts]]
kind = "zobel"
resistance_ohm = 10
capacitance_f = 1e-6
[[crossover.parts]]
kind = "l_pad"
pad_db = 4
"""
CIRCUIT = r"""
        8.2 uF                           2.95 ohm                lamp 1156
 amp o---| |-----+------------+-----------/\/\/-----+---------------(X)------+
                 (   0.6 mH  []   10 ohm           []   13.7 ohm            [|]/ HF driver
                 (   0.3 ohm ===  1 uF             []   4 dB pad            [|]\ rated 8 ohm
                 |            |                     |                        |
 amp o-----------+------------+---------------------+------------------------+
"""


@pytest.fixture
def network_rig(tmp_path: Path) -> Path:
    head, _, rest = RIG.partition("[crossover]")
    path = tmp_path / "network.toml"
    path.write_text(head + PARTS + rest[rest.index("[protection]") :], encoding="utf-8")
    return path


@pytest.fixture
def plain_rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG, encoding="utf-8")
    return path


@pytest.mark.parametrize("columns", [80, 100, 120])
def test_the_circuit_and_the_curves_fit_the_width(network_rig: Path, columns: int) -> None:
    result = run("rig", "show", str(network_rig), env={"COLUMNS": str(columns)})
    assert result.status == 0
    assert result.err == ""
    assert max(map(len, result.out.splitlines())) <= columns
    for piece in ("8.2 uF", "0.6 mH", "0.3 ohm", "10 ohm", "1 uF", "2.95 ohm", "13.7 ohm", "4 dB pad", "lamp 1156"):
        assert piece in result.out, piece
    drawn = result.out.splitlines()[:16]
    wires = [line for line in drawn if line.startswith((" amp o-", "     >-"))]
    # Both wires of each row are of one length, and every part across stands on both.
    for upper, lower in zip(wires[::2], wires[1::2], strict=True):
        assert len(upper) == len(lower)
        assert [at for at, sign in enumerate(upper) if sign == "+"] == [
            at for at, sign in enumerate(lower) if sign == "+"
        ]


def test_the_circuit_as_it_stands(network_rig: Path) -> None:
    assert CIRCUIT in run("rig", "show", str(network_rig), env={"COLUMNS": "120"}).out


def test_a_crossover_by_its_alignment_is_a_box(plain_rig: Path) -> None:
    result = run("rig", "show", str(plain_rig))
    assert result.status == 0
    for piece in ("linkwitz-riley", "order 4", "1800 Hz", "pad", "6 dB", "lamp 1156"):
        assert piece in result.out
    assert "what the crossover adds is not known" in result.out


def test_an_active_crossover_is_not_drawn_behind_the_amplifier(plain_rig: Path) -> None:
    text = plain_rig.read_text(encoding="utf-8").replace("rated_load_ohm = 8.0", 'rated_load_ohm = 8.0\nband = "hf"')
    plain_rig.write_text(text, encoding="utf-8")
    result = run("rig", "show", str(plain_rig), env={"COLUMNS": "80"})
    assert "linkwitz-riley" not in result.out
    assert "over that at the crossover's input" in result.out
    assert max(map(len, result.out.splitlines())) <= 80


@pytest.mark.parametrize("columns", [60, 80])
def test_no_line_is_too_long_for_a_rig_by_alignment(plain_rig: Path, columns: int) -> None:
    result = run("rig", "show", str(plain_rig), env={"COLUMNS": str(columns)})
    assert max(map(len, result.out.splitlines())) <= columns


def test_the_numbers_are_in_the_json(network_rig: Path) -> None:
    result = run("rig", "show", str(network_rig), "--format", "json")
    document = json.loads(result.out)
    assert [state["name"] for state in document["states"]] == ["cold", "engaged", "hot"]
    cold, engaged, hot = document["states"]
    assert hot["resistance_ohm"] == pytest.approx(12.8 / 2.1, rel=1e-3)
    assert cold["resistance_ohm"] < engaged["resistance_ohm"] < hot["resistance_ohm"]
    for state in document["states"]:
        assert len(state["response_db"]) == len(document["frequency_hz"])
    # A lamp that grows takes level far above the corner, and damps less below it.
    top = [state["response_db"][-1] for state in document["states"]]
    assert top[0] > top[1] > top[2]
    assert cold["corner_hz"] != hot["corner_hz"]


def test_the_engage_point_is_a_decibel_of_pink_noise(network_rig: Path) -> None:
    branch = view(load_rig(network_rig))
    cold, engaged, _ = branch.states
    power = [sum(10.0 ** (state.response_db / 10.0)) for state in (cold, engaged)]
    assert 10.0 * math.log10(power[0] / power[1]) == pytest.approx(1.0, abs=0.01)


def test_pictures(network_rig: Path, plain_rig: Path, tmp_path: Path) -> None:
    target = tmp_path / "branch.png"
    assert run("rig", "show", str(network_rig), "--format", "png", "-o", str(target)).status == 0
    assert target.read_bytes().startswith(b"\x89PNG")
    for path in (network_rig, plain_rig):
        result = run("rig", "show", str(path), "--format", "svg")
        assert result.status == 0
        assert ET.fromstring(result.out).tag.endswith("svg")


@pytest.mark.parametrize(
    "protection",
    [
        'kind = "none"',
        'kind = "fuse"\nrating_a = 2.0\ncharacteristic = "F"',
        'kind = "breaker"\nrating_a = 2.0\nreset = "hand"',
        'kind = "resettable"\nhold_a = 0.9',
        'kind = "relay"\nthreshold_v = 20',
    ],
)
def test_every_kind_of_protection_can_be_drawn(network_rig: Path, tmp_path: Path, protection: str) -> None:
    text = network_rig.read_text(encoding="utf-8").replace('kind = "lamp"\npart = "1156"', protection)
    network_rig.write_text(text, encoding="utf-8")
    assert run("rig", "show", str(network_rig)).status == 0
    target = tmp_path / "branch.png"
    assert run("rig", "show", str(network_rig), "--format", "png", "-o", str(target)).status == 0
    document = json.loads(run("rig", "show", str(network_rig), "--format", "json").out)
    assert len(document["states"]) == 1


@pytest.mark.parametrize(
    ("series", "parallel", "label", "sentence"),
    [
        (2, 2, "rated 8 ohm together", "2 strings in parallel, each of 2 in series; rated 8 ohm each, 8 ohm together."),
        (2, 1, "rated 16 ohm together", "2 in series; rated 8 ohm each, 16 ohm together."),
        (1, 2, "rated 4 ohm together", "2 in parallel; rated 8 ohm each, 4 ohm together."),
    ],
)
def test_several_drivers_say_how_they_are_wired(
    plain_rig: Path, series: int, parallel: int, label: str, sentence: str
) -> None:
    text = plain_rig.read_text(encoding="utf-8")
    wiring = f"[driver]\nseries_count = {series}\nparallel_count = {parallel}"
    plain_rig.write_text(text.replace("[driver]", wiring), encoding="utf-8")
    shown = run("rig", "show", str(plain_rig), env={"COLUMNS": "80"}).out
    assert max(map(len, shown.splitlines())) <= 80
    assert label in shown
    assert f"HF drivers: {sentence}" in " ".join(shown.split())


def test_what_cannot_be_drawn(network_rig: Path, tmp_path: Path) -> None:
    assert run("rig", "show", str(network_rig), "--format", "png").status == 2
    missing = run("rig", "show", str(tmp_path / "none.toml"))
    assert (missing.status, missing.out) == (2, "")
    over = run("rig", "show", str(network_rig), "--format", "png", "-o", str(network_rig))
    assert over.status == 2
    assert "not written over" in over.err


def test_what_is_unwise_is_said(network_rig: Path) -> None:
    text = network_rig.read_text(encoding="utf-8")
    lossless = text.replace("resistance_ohm = 0.3\n", "").replace(
        text[text.index('[[crossover.parts]]\nkind = "zobel"') : text.index("[protection]")], ""
    )
    network_rig.write_text(lossless, encoding="utf-8")
    assert "less than 0.1 ohm" in " ".join(run("rig", "show", str(network_rig)).out.split())
    checked = run("rig", "check", str(network_rig))
    assert "Note" in checked.out


def test_check_names_the_parts_by_number_in_printed_units_and_says_what_the_corner_is_with(network_rig: Path) -> None:
    out = run("rig", "check", str(network_rig), env={"COLUMNS": "100"}).out
    assert re.search(r"crossover\.parts\.1 +kind +series_capacitor\n +capacitance_f +8\.2 +uF", out)
    assert re.search(r"crossover\.parts\.2 +kind +shunt_inductor\n.*\n? +inductance_h +0\.6 +mH", out)
    sentence = "without the lamp and into the cold driver it takes"
    assert sentence in " ".join(out.split())
    assert "draws it, with the lamp in it" in " ".join(out.split())


def test_a_note_that_asks_has_no_stop() -> None:
    assert words.sentence("is the file that of this driver?") == "is the file that of this driver?"
    assert words.sentence("one of the two is wrong") == "one of the two is wrong."
