"""The driver's impedance: files as measuring tools write them, what is refused of them, and the model."""

# ruff: noqa: E501 - expected messages stand whole, each on its line, so that they read as the user sees them

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from auditor.driver.impedance import MeasuredImpedance, ModelledImpedance, impedance_ohm
from auditor.driver.impedance_file import ImpedanceFileError, read_impedance
from auditor.errors import GRAVE, RigError
from auditor.rig import load_rig, rig_as_dict
from tests.published.models import rig

BASE = """
[level]
full_scale_dbu = 18
[amplifier]
gain_db = 32
rated_power_w = 300
rated_load_ohm = 8
[crossover]
alignment = "linkwitz-riley"
order = 4
frequency_hz = 1800
[protection]
kind = "lamp"
part = "1156"
[driver]
rated_impedance_ohm = 8
continuous_power_w = 60
"""
PARTS = """
[[crossover.parts]]
kind = "series_capacitor"
capacitance_f = 6.8e-6
[[crossover.parts]]
kind = "shunt_inductor"
inductance_h = 0.5e-3
"""
ALIGNMENT = 'alignment = "linkwitz-riley"\norder = 4\nfrequency_hz = 1800\n'
ROWS = [(100.0, 6.5, 12.25), (1000.0, 9.5, -20.5), (2000.0, 7.25, 0.0), (20000.0, 12.75, 41.5)]


def text(apart: str, *, comma: bool = False, first: str = "", line_end: str = "\n") -> str:
    rows = [apart.join(f"{value:g}" for value in row) for row in ROWS]
    written = line_end.join([*([first] if first else []), *rows]) + line_end
    return written.replace(".", ",") if comma else written


# --- files ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "content",
    [
        text(" "),
        text("\t"),
        text("   "),
        text(";"),
        text("; "),
        text(","),
        text(", "),
        text("\t", comma=True),
        text(";", comma=True),
        text("  ", comma=True),
        text("\t", line_end="\r\n"),
        text("\t", line_end="\r"),
        text(" ", first="* Frequency Impedance Phase"),
        text(" ", first="# 1000 9 9"),
        text(" ", first="; exported"),
        text(";", first='"Hz";"ohm";"degrees"'),
        text(" ", first="! Hz Z P"),
        text(",", first="Frequency [Hz],Impedance [ohm],Phase [deg]"),
        text("\t", first="Freq(Hz)\tZ(Ohms)\tPhase(Deg)"),
        text(" ") + "* end\n\n",
        "\ufeff" + text("\t"),
        text(";").replace("\n", ";\n"),
        text(" ").replace("100 6.5", "1e2 6.5E0"),
        "\n".join(text("\t").splitlines()[::-1]),
        text("\t").replace("\n", "\t0.0\t1\n"),
    ],
    ids=lambda content: repr(content[:32]),
)
def test_files_as_tools_write_them(tmp_path: Path, content: str) -> None:
    (tmp_path / "z.txt").write_bytes(content.encode())
    measured = read_impedance(tmp_path / "z.txt", name="z.txt").measured
    assert list(zip(measured.frequency_hz, measured.magnitude_ohm, measured.phase_deg, strict=True)) == ROWS


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    (tmp_path / "z.txt").write_bytes(text("\t", first="Hz\tohm\t\u00b0").encode(encoding))
    assert read_impedance(tmp_path / "z.txt", name="z.txt").measured.frequency_hz[0] == 100.0


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "holds no impedance"),
        ("# nothing\nHz ohm deg\n", "holds no impedance"),
        ("100 8 0\n", "holds a single row"),
        ("100 8 0\n200 8 0\n200 9 0\n", "line 3: the frequency of line 2 again"),
        ("100 8 0\n300 8 0\n200 9 0\n", "line 3: a lower frequency than in line 2, 300 Hz"),
        ("# h\n100 8 0\nend of file\n", "line 3: not a number"),
        ("100 8 0\n200 nan 0\n", "line 2: not a number"),
        ("100 8 0\n200 1,234.5 0\n", "line 2: not a number"),
        ("100;8;0\n200;;0\n", "line 2: a value is missing"),
        ("100 8 0\n200 8\n", "line 2: 2 columns, and 3 in the rows before"),
        ("100\n200\n", "line 1: a single number"),
        ("0 8 0\n200 8 0\n", "line 1: a frequency is above zero"),
        ("100 -3 0\n200 8 0\n", "line 1: no driver's impedance: allowed 0.1 to 10000 ohm"),
        ("100 0 0\n200 8 0\n", "line 1: no driver's impedance: allowed 0.1 to 10000 ohm"),
        ("100 8 0\n200 8 135\n", "line 2: a driver takes power, so its phase is from -90 to 90 degrees"),
        ("100,5,8,25,1,0\n200,5,8,25,1,0\n", "line 1: commas both between columns and for decimals cannot be told apart"),
    ],
)  # fmt: skip
def test_what_is_refused_names_line_and_reason(tmp_path: Path, content: str, message: str) -> None:
    (tmp_path / "z.txt").write_text(content, encoding="utf-8")
    with pytest.raises(ImpedanceFileError) as caught:
        read_impedance(tmp_path / "z.txt", name="z.txt")
    assert caught.value.what == message


def test_files_that_are_none(tmp_path: Path) -> None:
    for name, message in (("", "is a folder"), ("none.txt", "no such file")):
        with pytest.raises(ImpedanceFileError, match=message):
            read_impedance(tmp_path / name, name="z.txt")
    (tmp_path / "big.txt").write_bytes(b"1 8 0\n" * 2_000_000)
    with pytest.raises(ImpedanceFileError, match="too large"):
        read_impedance(tmp_path / "big.txt", name="big.txt")


def test_rows_from_high_to_low_are_told(tmp_path: Path) -> None:
    (tmp_path / "z.txt").write_text("\n".join(text("\t").splitlines()[::-1]), encoding="utf-8")
    assert "from high to low" in read_impedance(tmp_path / "z.txt", name="z.txt").notes[0]


@pytest.mark.parametrize("electrical_q", [0.5, 1.2, 3.0])
def test_phase_follows_from_magnitude(tmp_path: Path, electrical_q: float) -> None:
    model = ModelledImpedance(
        dc_resistance_ohm=5.8, inductance_h=5e-5, resonance_hz=900.0, mechanical_q=4.0, electrical_q=electrical_q
    )
    at_hz = np.geomspace(20.0, 20_000.0, 200)
    exact = model.at(at_hz)
    rows = "\n".join(f"{hz:.2f} {abs(z):.4f}" for hz, z in zip(at_hz, exact, strict=True))
    (tmp_path / "z.txt").write_text(rows, encoding="utf-8")
    reading = read_impedance(tmp_path / "z.txt", name="z.txt")
    assert not reading.measured.has_phase
    assert "no phases" in reading.notes[0]
    inside = (at_hz > 100.0) & (at_hz < 15_000.0)
    off_deg = np.array(reading.measured.phase_deg) - np.degrees(np.angle(exact))
    assert np.abs(off_deg[inside]).max() < 1.5
    # What it is for: the current through 6 ohm more, which no phase at all would get wrong by more.
    total = [np.abs(6.0 + each) for each in (exact, reading.measured.at(at_hz), np.abs(exact))]
    assert (
        np.abs(total[1] / total[0] - 1.0)[inside].max() < 0.005 < 0.02 < np.abs(total[2] / total[0] - 1.0)[inside].max()
    )


# --- models -----------------------------------------------------------------------------------------------------------


def test_the_model_by_closed_forms() -> None:
    model = ModelledImpedance(
        dc_resistance_ohm=6.0, inductance_h=1e-4, resonance_hz=800.0, mechanical_q=5.0, electrical_q=2.0
    )
    at_resonance = model.at(np.array([800.0]))[0]
    assert at_resonance.real == pytest.approx(6.0 * (1.0 + 5.0 / 2.0))
    assert at_resonance.imag == pytest.approx(2 * math.pi * 800.0 * 1e-4)
    far = model.at(np.array([20_000.0]))[0]
    assert far.real == pytest.approx(6.0, rel=0.01)
    assert model.at(np.array([0.0]))[0] == pytest.approx(6.0, abs=1e-3)
    # Half the height's power at the two frequencies whose product is the square of the resonance.
    low_hz, high_hz = (800.0 * (math.sqrt(1 + 1 / 100) + sign / 10) for sign in (-1, 1))
    for hz in (low_hz, high_hz):
        motional = model.at(np.array([hz]))[0] - 6.0 - 2j * math.pi * hz * 1e-4
        assert abs(motional) == pytest.approx(15.0 / math.sqrt(2.0))


def test_between_and_beyond_the_points() -> None:
    measured = MeasuredImpedance(
        path="z", frequency_hz=(100.0, 10_000.0), magnitude_ohm=(4.0, 16.0), phase_deg=(0.0, 60.0)
    )
    found = measured.at(np.array([10.0, 1000.0, 40_000.0]))
    assert np.abs(found) == pytest.approx([4.0, 8.0, 16.0])
    assert np.degrees(np.angle(found)) == pytest.approx([0.0, 30.0, 60.0])


def test_nothing_given_is_the_rated_impedance() -> None:
    assert (impedance_ohm(rig().driver, np.array([10.0, 1e4])) == 8.0).all()


# --- in the rig file --------------------------------------------------------------------------------------------------


def notes_of(tmp_path: Path, content: str, base: str = BASE) -> list[str]:
    (tmp_path / "z.txt").write_text(content, encoding="utf-8")
    (tmp_path / "rig.toml").write_text(base + 'impedance_file = "z.txt"\n', encoding="utf-8")
    return list(load_rig(tmp_path / "rig.toml").notes)


FINE = "".join(f"{hz:.1f} {8 + hz / 4000:.2f} {hz / 1000:.2f}\n" for hz in np.geomspace(20, 20_000, 40))


def test_a_good_file_raises_no_note_and_stands_in_the_record(tmp_path: Path) -> None:
    assert notes_of(tmp_path, FINE) == []
    record = rig_as_dict(load_rig(tmp_path / "rig.toml"))
    assert record["driver"]["impedance_file"] == "z.txt"
    assert "impedance" not in record["driver"]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("1500 8 0\n3000 8 0\n6000 8 0\n12000 8 0\n20000 9 0\n", "begins at 1500 Hz, and the crossover is at 1800 Hz"),
        ("500 8 0\n1000 8 0\n2000 8 0\n4000 8 0\n", "ends at 4000 Hz: above it the impedance is taken to stay at 8 ohm"),
        ("500 8 0\n1000 8 0\n8000 8 0\n20000 8 0\n", "no point between 1000 and 8000 Hz (behind line 2)"),
        ("500 8 0\n1000 8 0\n2000 5 0\n4000 8 0\n8000 8 0\n16000 8 0\n", "falls to 5"),
        ("500 8 0\n1000 8 0\n2000 8 70\n4000 8 0\n8000 8 0\n16000 8 0\n", "less than the coil's 5.76 ohm alone"),
    ],
)  # fmt: skip
def test_what_is_unsure_is_told(tmp_path: Path, content: str, told: str) -> None:
    found = notes_of(tmp_path, content)
    assert any(told in note for note in found), found


def test_a_gap_of_more_than_two_octaves_is_a_warning(tmp_path: Path) -> None:
    def is_grave(to_hz: int) -> bool:
        found = notes_of(tmp_path, f"500 8 0\n1000 8 0\n{to_hz} 8 0\n8000 8 0\n16000 8 0\n")
        return any(note.startswith(GRAVE) for note in found if "no point" in note)

    assert is_grave(4001)
    assert not is_grave(4000)


def refused(tmp_path: Path, base: str) -> list[str]:
    (tmp_path / "rig.toml").write_text(base, encoding="utf-8")
    with pytest.raises(RigError) as caught:
        load_rig(tmp_path / "rig.toml")
    return [str(fault) for fault in caught.value.faults]


def with_parts(parts: str = PARTS) -> str:
    return BASE.replace(f"[crossover]\n{ALIGNMENT}", parts)


@pytest.mark.parametrize(
    ("base", "line"),
    [
        (BASE + 'impedance_file = "none.txt"\n', "driver.impedance_file: none.txt: no such file (the path is taken from the rig file's folder)"),
        (BASE + 'impedance_file = "low.txt"\n', "driver.impedance_file: low.txt ends at 1500 Hz, below the crossover at 1800 Hz (measure up to 20 kHz)"),
        (BASE + 'impedance_file = "bad.txt"\n', 'driver.impedance_file: bad.txt: line 2: not a number, got "x"'),
        (BASE + 'impedance_file = "low.txt"\nvoice_coil_inductance_h = 1e-4\n', "driver.voice_coil_inductance_h: impedance_file already gives the impedance, got 0.0001 H (remove one of the two)"),
        (BASE + "voice_coil_inductance_h = 0.05\nresonance_hz = 900\nmechanical_q = 3\n", "driver.electrical_q: missing: the resonance of a modelled impedance needs it (or leave out resonance_hz and mechanical_q)"),
        (BASE + "voice_coil_inductance_h = 50\n", "driver.voice_coil_inductance_h: no voice coil has so much: 0.05 mH is written 0.05e-3, got 50 H; allowed: 0 to 0.1 H"),
        (BASE.replace(ALIGNMENT, ALIGNMENT + PARTS), "crossover.alignment: the parts of the network already say this (remove it, or the parts)"),
        (with_parts().replace("6.8e-6", "6.8"), "crossover.parts.1.capacitance_f: no crossover has so large a capacitor: 4.7 uF is written 4.7e-6, got 6.8 F; allowed: 1e-09 to 0.01 F"),
        (with_parts().replace("6.8e-6", "0"), "crossover.parts.1.capacitance_f: no crossover has so small a capacitor, got 0 F; allowed: 1e-09 to 0.01 F"),
        (with_parts().replace("0.5e-3", "-1e-3"), "crossover.parts.2.inductance_h: no crossover has so small an inductor, got -0.001 H; allowed: 1e-06 to 0.2 H"),
        (with_parts().replace("capacitance_f = 6.8e-6\n", ""), "crossover.parts.1.capacitance_f: missing: a series_capacitor needs it; allowed: 1e-9 to 0.01 F"),
        (with_parts().replace("6.8e-6", "6.8e-6\npad_db = 3"), "crossover.parts.1.pad_db: a series_capacitor has no such thing, got 3 dB (it has capacitance_f)"),
        (with_parts().replace("series_capacitor", "serie_capacitor"), 'crossover.parts.1.kind: not one of the words allowed, got "serie_capacitor"; allowed: series_capacitor, series_inductor, series_resistor, shunt_capacitor, shunt_inductor, shunt_resistor, zobel, l_pad (did you mean "series_capacitor"?)'),
        (with_parts('[[crossover.parts]]\nkind = "shunt_resistor"\nresistance_ohm = 0\n'), "crossover.parts.1.resistance_ohm: a shunt_resistor of nought shorts the branch, got 0 ohm"),
        (with_parts('[[crossover.parts]]\nkind = "shunt_inductor"\ninductance_h = 0.5e-3\n'), "crossover.parts: shorts the amplifier: the amplifier sees less than 0.1 ohm at 20 Hz; allowed: 0.5 ohm and more (is a part in series where it should be across, or a value wrong by a thousand?)"),
        (with_parts().replace("crossover.parts", "crossover.part"), "crossover.part: unknown key (did you mean [[crossover.parts]]?)"),
        (BASE.replace(ALIGNMENT, "parts = []\n"), "crossover.parts: no part at all (or give alignment, order and frequency_hz)"),
        (BASE.replace(ALIGNMENT, "parts = 3\n"), "crossover.parts: must be tables, each headed [[crossover.parts]], got 3 (in double brackets, once for each part)"),
    ],
)  # fmt: skip
def test_what_is_refused_in_the_rig_file(tmp_path: Path, base: str, line: str) -> None:
    (tmp_path / "low.txt").write_text("500 8 0\n1500 8 0\n", encoding="utf-8")
    (tmp_path / "bad.txt").write_text("500 8 0\n1500 x 0\n", encoding="utf-8")
    assert line in refused(tmp_path, base)


def test_a_network_is_resolved_to_corner_and_loss(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(with_parts(), encoding="utf-8")
    found = load_rig(tmp_path / "rig.toml")
    assert found.crossover.alignment == "parts"
    # A Butterworth of second order needs 0.1125/(R f) and 0.2251 R/f; these two are near one at 2.7 kHz.
    assert 2000.0 < found.crossover.frequency_hz < 3000.0
    assert rig_as_dict(found)["crossover"]["parts"][1] == {"kind": "shunt_inductor", "inductance_h": 0.5e-3}
    assert "crossover.parts.2.resistance_ohm" in found.assumed
    assert any("less than 0.1 ohm" in note and "open" in note for note in found.notes)


def test_a_network_without_corner_is_no_crossover(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(
        with_parts('[[crossover.parts]]\nkind = "l_pad"\npad_db = 6\n'), encoding="utf-8"
    )
    found = load_rig(tmp_path / "rig.toml").crossover
    assert (found.alignment, found.frequency_hz) == ("none", 0.0)
    assert found.pad_db == pytest.approx(6.0, abs=0.01)
