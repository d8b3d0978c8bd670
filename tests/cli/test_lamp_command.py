"""`auditor lamp`: its answer for a person and for a machine, and the curves it draws."""

from __future__ import annotations

import functools
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor.report import curve_plot, palette
from tests.cli.harness import RIG, Result, noise, run, settle

RIGS = {
    "demo": RIG.replace("pad_db = 6.0", "pad_db = 0.0"),
    "small": RIG.replace("rated_power_w = 300.0", "rated_power_w = 40.0"),
    "huge": RIG.replace("rated_power_w = 300.0", "rated_power_w = 9000.0"),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("lamp")
    with pytest.MonkeyPatch.context() as patch:
        settle(place, patch)
    for name, text in RIGS.items():
        (place / f"{name}.toml").write_text(text, encoding="utf-8")
    noise(place / "set.wav", duration_s=3.0, channels=2, level=0.1)
    return place


@functools.cache
def answer(folder: Path, rig: str, *options: str, columns: int = 100, encoding: str = "utf-8") -> Result:
    env = {"COLUMNS": str(columns)}
    return run("lamp", folder / "set.wav", "--rig", folder / f"{rig}.toml", *options, env=env, encoding=encoding)


class TestForAPerson:
    @pytest.mark.parametrize("columns", [80, 120])
    @pytest.mark.parametrize("rig", RIGS)
    def test_fits_the_width(self, folder: Path, rig: str, columns: int) -> None:
        lines = answer(folder, rig, columns=columns).out.splitlines()
        assert max(map(len, lines)) <= columns
        assert not any(line != line.rstrip() for line in lines)

    @pytest.mark.parametrize("rig", RIGS)
    def test_plain_ascii_where_there_is_nothing_else(self, folder: Path, rig: str) -> None:
        assert answer(folder, rig, encoding="ascii").out.isascii()
        assert "?" not in answer(folder, rig, encoding="ascii").out.replace("Which lamp?", "")

    def test_says_what_to_fit_and_against_what(self, folder: Path) -> None:
        text = " ".join(answer(folder, "demo").out.split())
        assert "34.6 V, 150 W into the unprotected driver of 60 W" in text  # 300 W in 8 ohm: rail 69.3 V
        assert re.search(r"→ Fit (one lamp|\d lamps) \S+", text)
        assert "216 banks" in text
        assert "What to look for" in text
        assert re.search(r"Heat in the box: .* W on average and .* at most on this programme", text)
        assert "ceramic or metal holder" in text
        assert "Estimates, not a guarantee." in text

    def test_without_need_it_says_so(self, folder: Path) -> None:
        result = answer(folder, "small")
        assert "No lamp is needed on this ground" in result.out
        assert result.status == 0

    def test_where_none_fits_it_says_what_would(self, folder: Path) -> None:
        result = answer(folder, "huge")
        text = " ".join(result.out.split())
        assert "No lamp of the list protects this driver" in text
        assert "What to look for" in text
        assert result.status == 1

    def test_every_state_has_its_letter(self, folder: Path) -> None:
        rows = [line for line in answer(folder, "demo").out.splitlines() if re.match(r" [1-8] +[CER] ", line)]
        assert len(rows) == 8

    def test_each_curve_is_told_by_its_letter(self, folder: Path) -> None:
        text = answer(folder, "demo").out
        plot = [line for line in text.splitlines() if re.match(r" .{9}│", line)]
        drawn = "".join(line.partition("│")[2] for line in plot)
        assert {"A", "B", "C", "n"} <= set(drawn)
        assert all(re.search(rf"\b{letter} \S+", text) for letter in "ABC")
        assert "n no lamp" in text
        assert "^ worst case 34.6 V" in text or "worst case 34.6 V ^" in text
        assert "\x1b" not in text


class TestForAMachine:
    def test_document(self, folder: Path) -> None:
        document = answer(folder, "demo", "--format", "json").document
        # The first lamp does all that a lamp can, and the programme's peaks pass the peak rating all the same.
        assert document["candidates"][0]["protects"]
        assert document["candidates"][0]["verdict"] == "risk"
        assert (document["command"], document["exit_status"], document["errors"]) == ("lamp", 1, [])
        ranks = [each["rank"] for each in document["candidates"]]
        assert ranks == list(range(1, len(ranks) + 1))
        assert document["worst_case"]["source_v"] == pytest.approx(math.sqrt(2 * 300 * 8) / 2, rel=1e-4)
        assert {each["design_voltage_v"] for each in document["wanted"]} == {6.0, 12.0, 24.0, 28.0}

    def test_says_the_same_as_the_text(self, folder: Path) -> None:
        document = answer(folder, "demo", "--format", "json").document
        text = answer(folder, "demo", columns=160).out
        for each in document["candidates"][:8]:
            row = next(line for line in text.splitlines() if re.match(rf" {each['rank']} +[CER] ", line))
            assert each["part"] in row
            assert f"{each['ceiling_source_v']:.0f} V" in row
            assert each["reason"] in row

    def test_a_file_that_cannot_be_read_outranks_the_answer(self, folder: Path) -> None:
        (folder / "broken.wav").write_bytes(b"no sound")
        paths = (folder / "set.wav", folder / "broken.wav")
        result = run("lamp", *paths, "--rig", folder / "demo.toml", "--format", "json")
        assert result.status == 2
        document: dict[str, Any] = json.loads(result.out)
        assert document["candidates"]
        assert len(document["errors"]) == 1


class TestThePlot:
    MARKS = curve_plot.Marks(rating_w=50.0, mark_v=30.0, mark_name="here", span_v=40.0)

    def draw(self, *letters: str, width: int = 92) -> list[str]:
        curves = [
            curve_plot.Curve(letter=letter, style="", power_at_w=lambda v: np.asarray(v, dtype=np.float64) ** 2 / 8.0)
            for letter in letters
        ]
        return [line.plain for line in curve_plot.draw(curves, self.MARKS, palette.ASCII, width)]

    def test_the_curve_passes_where_it_should(self) -> None:
        """P = V^2 / 8 reaches 50 W at 20 V: half of the 40 V axis of 81 columns, eight lines up of twelve."""
        lines = self.draw("A")
        rating = lines[12 - 8]
        assert rating.startswith("     50 W |")
        assert "A" in rating[11 + 38 : 11 + 43]
        assert not re.search("A", rating[:40])
        assert "A" in lines[12 - 2][11 + 18 : 11 + 23]  # 12.5 W at 10 V

    def test_the_first_letter_stands_where_curves_meet(self) -> None:
        text = "".join(self.draw("A", "B"))
        assert "A" in text
        assert "B" not in text

    def test_it_is_drawn_without_gaps(self) -> None:
        lines = self.draw("A", width=40)
        assert all("A" in line for line in lines[:13])

    def test_axis_and_mark(self) -> None:
        lines = self.draw("A")
        axis, mark = lines[-2:]
        assert axis.index("|20") == 11 + 40
        assert mark.index("^") == 11 + 60
        assert mark.endswith("here 30 V") or "here 30 V ^" in mark
        assert all(line[11 + 60] in "|A" for line in lines[:13])

    def test_a_curve_that_ends_is_not_drawn_on(self) -> None:
        ends = curve_plot.Curve(letter="A", style="", power_at_w=lambda v: np.where(np.asarray(v) < 10.0, 5.0, np.nan))
        lines = [line.plain for line in curve_plot.draw([ends], self.MARKS, palette.ASCII, 92)]
        assert not any("A" in line[11 + 21 :] for line in lines)
        assert any("A" in line for line in lines)
