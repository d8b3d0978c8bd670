"""`auditor compare --format html`: its figures, its safety, and a real browser that opens it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor.report import figures
from tests.cli import browser
from tests.cli.harness import RIG, noise, run, write
from tests.cli.sample_page import HOSTILE, Reader, read

# What a value of the document is on the page; written down here a second time on purpose.
SHOWN = {
    "watts": figures.watts,
    "signed_watts": lambda value: "-" * (value < 0.0) + figures.watts(abs(value)),
    "degrees": lambda value: f"{value:.0f} °C",
    "signed": figures.signed,
    "db": lambda value: f"{round(value, 1) + 0.0:.1f} dB",
    "lufs": lambda value: f"{value:.1f} LUFS",
    "dbtp": lambda value: f"{value:.1f} dBTP",
    "percent": lambda value: "<0.01 %" if 0.0 < value < 1e-4 else f"{100.0 * value:.2g} %",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig, three programmes of which one is silent, and the page of them."""
    made = tmp_path_factory.mktemp("compare")
    (made / "rig.toml").write_text(RIG)
    files = [
        noise(made / "soft.wav", duration_s=1.0, level=0.02),
        noise(made / "loud.wav", duration_s=2.0, channels=2, level=0.3),
        write(made / "silent.wav", np.zeros((48_000, 1))),
    ]
    result = run("compare", *files, "--rig", made / "rig.toml", "--format", "html", "-o", made / "page.html")
    assert (result.status, result.out, result.err) == (0, "", "")
    return made


@pytest.fixture(scope="module")
def page(folder: Path) -> Reader:
    return read((folder / "page.html").read_text(encoding="ascii"))


def at(document: Any, pointer: str) -> Any:
    for key in pointer.split("/")[1:]:
        document = document[int(key)] if isinstance(document, list) else document[key]
    return document


def test_figures_are_those_of_the_json(folder: Path, page: Reader) -> None:
    files = [folder / f"{name}.wav" for name in ("soft", "loud", "silent")]
    as_json = run("compare", *files, "--rig", folder / "rig.toml", "--format", "json").document
    assert page.json("report") == as_json
    shown = [each for each in page.elements if "data-at" in each.attributes]
    assert len(shown) > 60
    for each in shown:
        expected = SHOWN[each.attributes["data-as"] or ""](at(as_json, each.attributes["data-at"] or ""))
        assert each.text == expected, each.attributes["data-at"]


def test_page_says_what_the_terminal_says(page: Reader) -> None:
    (body,) = page.of("body")
    words = " ".join(body.text.split())
    for sentence in page.json("report")["explanation"]:
        assert sentence in words
    for phrase in ("At equal loudness", "At equal peak", "what clipping adds", "Estimates, not a guarantee."):
        assert phrase in words
    assert page.unclosed == []


def test_nothing_is_let_in(folder: Path) -> None:
    text = (folder / "page.html").read_text(encoding="ascii")
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "http" not in re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL).replace("http-equiv", "")


def test_names_appear_as_text(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    names = [name.replace("/", "_").replace("\x00", "") for name in HOSTILE if "\udcff" not in name]
    source = noise(tmp_path / "plain.wav").read_bytes()
    files = []
    for name in names:
        files.append(tmp_path / name)
        files[-1].write_bytes(source)
    result = run("compare", *files, "--rig", tmp_path / "rig.toml", "--format", "html", "-o", tmp_path / "page.html")
    assert result.status == 0
    reader = read((tmp_path / "page.html").read_text(encoding="ascii"))
    tags = {each.tag for each in reader.elements}
    assert not tags & {"img"}
    assert len(reader.of("script")) == 4  # two sets of data, plotly, and the page's own
    assert not any(key.startswith("on") for each in reader.elements for key in each.attributes)
    assert any("<script>alert(1)<_script>.wav" in each.text for each in reader.of("bdi"))
    (body,) = reader.of("main")
    assert not set("\x1b\x07\u202e\u2066\u200f\u2028") & set(body.text)


@pytest.mark.skipif(browser.find() is None, reason="no Chromium here (Debian: apt-get install chromium)")
@pytest.mark.parametrize("width", [360, 1280])
def test_in_a_browser(folder: Path, width: int) -> None:
    with browser.Browser() as chromium:
        page = chromium.open(folder / "page.html", width=width)
        for key in ("spectra", "overdrive"):
            page.evaluate(f"document.querySelector('[data-plot={key}]').scrollIntoView()")
            page.wait(f"!!document.querySelector('[data-plot={key}] .scatterlayer .trace .js-line')")
        # Two that are not silent; with rails and without.
        assert page.evaluate("document.querySelectorAll('[data-plot=spectra] .scatterlayer .js-line').length") == 2
        assert page.evaluate("document.querySelectorAll('[data-plot=overdrive] .scatterlayer .js-line').length") == 4
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.complaints == []
        assert [each for each in page.requests if not each.startswith(("file:", "data:"))] == []
