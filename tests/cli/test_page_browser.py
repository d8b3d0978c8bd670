"""The page in a real browser: headless Chromium opens it, clicks, presses keys, prints.

Skipped where there is no Chromium; with AUDITOR_NEEDS_BROWSER=1, as in `.ci/run`, its absence is a failure.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.cli.browser import Browser, Page, find
from tests.cli.sample_audit import sample_track
from tests.cli.sample_night import sample_night
from tests.cli.sample_page import HOSTILE, hostile_set, sample_page
from tests.cli.sample_parts import set_of

NEEDED = os.environ.get("AUDITOR_NEEDS_BROWSER") == "1"
pytestmark = pytest.mark.skipif(
    find() is None and not NEEDED, reason="no Chromium here (Debian: apt-get install chromium)"
)
PLOT = "#t4 .timeline"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with Browser() as running:
        yield running


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(sample_page(), encoding="ascii")
    return path


@pytest.fixture
def page(browser: Browser, sample: Path) -> Iterator[Page]:
    opened = browser.open(sample)
    yield opened
    check_quiet(opened, sample)
    opened.close()


def check_quiet(page: Page, path: Path) -> None:
    """Nothing went to the console, and nothing was asked for but the file itself."""
    assert page.complaints == []
    assert [each for each in page.requests if not each.startswith("data:image/png;base64,")] == [path.as_uri()]


def drawn(page: Page, selector: str = PLOT) -> None:
    page.evaluate(f"document.querySelector('{selector}').scrollIntoView({{block: 'start'}})")
    page.wait(f"document.querySelector('{selector} .main-svg') !== null")


def shown_s(page: Page) -> tuple[float, float]:
    """From when to when the axis of time goes."""
    start, end = page.evaluate(
        f"(() => {{ const a = document.querySelector('{PLOT}')._fullLayout.xaxis;"
        "return a.range.map(each => a.r2l(each) / 1000); })()"
    )
    return start, end


def test_plots_are_drawn(page: Page) -> None:
    drawn(page)
    drawn(page, "#t4 .octaves")
    page.wait("document.querySelector('#t4 .heatmaplayer image') !== null")
    lines = page.evaluate(
        f"[...document.querySelectorAll('{PLOT} .scatterlayer path.js-line')].map(e => e.getAttribute('d').length)"
    )
    assert len(lines) == 11
    assert min(lines) > 20
    assert page.evaluate(f"document.querySelectorAll('{PLOT} .bars .point').length") >= 4
    assert page.evaluate("document.querySelectorAll('#t4 .octaves .bars .point').length") == 62
    assert page.evaluate("document.querySelectorAll('#t1 .main-svg').length") == 0  # closed, so not drawn


def test_the_night_is_drawn_and_zooms(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "night.html"
    path.write_text(sample_page(sample_night()), encoding="ascii")
    page = browser.open(path)
    drawn(page, "#night .timeline")
    assert page.evaluate("document.querySelectorAll('#night .bars .point').length") == 4
    assert page.evaluate("document.querySelectorAll('#night .scatterlayer path.js-line').length") == 1
    page.evaluate("document.querySelector('#night [data-zoom=in]').click()")
    page.wait("document.querySelector('#night .shown').textContent.includes(' to ')")
    page.evaluate("document.querySelector('#night [data-zoom=all]').click()")
    page.wait("document.querySelector('#night .shown').textContent === 'Shown: the whole night'")
    check_quiet(page, path)
    page.close()


def test_everything_stands_at_its_time(page: Page) -> None:
    """plotly may take a number for a year: nothing may lie outside the track."""
    drawn(page)
    ends_ms = page.evaluate(
        f"(() => {{ const p = document.querySelector('{PLOT}'), ms = each => new Date(each + 'Z').getTime();"
        "const lines = p.calcdata.filter(c => c[0].trace.type === 'scatter').map(c => [c[0].x, c[c.length - 1].x]);"
        "const bars = p.calcdata.filter(c => c[0].trace.type === 'bar').map(c => [c[0].b, c[c.length - 1].s1]);"
        "const map = p.calcdata.filter(c => c[0].trace.type === 'heatmap').map(c => [c[0].x[0], c[0].x[600]]);"
        "const shapes = p.layout.shapes.filter(s => s.xref === 'x').map(s => [ms(s.x0), ms(s.x1)]);"
        "return [...lines, ...bars, ...map, ...shapes]; })()"
    )
    assert len(ends_ms) >= 11 + 4 + 1 + 2
    assert all(0.0 <= start < end <= 30_000.0 for start, end in ends_ms)
    assert min(start for start, _ in ends_ms[:11]) == 125.0  # half a bin of a quarter of a second
    assert max(end for _, end in ends_ms[:11]) == 29_875.0


def test_drawn_values_are_those_of_the_document(page: Page) -> None:
    drawn(page)
    largest = page.evaluate(
        f"document.querySelector('{PLOT}').data.map(each => [each.name, Math.max(...(each.y || []))])"
    )
    channel = page.evaluate("JSON.parse(document.getElementById('report').textContent).tracks[3].channels[1]")
    assert dict(largest)["1 s"] == pytest.approx(channel["driver_power_max_1s_w"], rel=1e-5)
    assert dict(largest)["coil"] == pytest.approx(min(channel["coil_temp_max_c"], 500.0), rel=1e-5)
    assert dict(largest)["filament"] == pytest.approx(channel["protection"]["filament_temp_max_k"], rel=1e-5)


def test_a_passage_zooms_the_plot(page: Page) -> None:
    drawn(page)
    assert shown_s(page) == (0.0, 30.0)
    buttons = page.evaluate("[...document.querySelectorAll('#t4 .passage')].map(e => [+e.dataset.from, +e.dataset.to])")
    start_s, end_s = buttons[1]
    page.click_on("#t4 .passages li:nth-child(2) .passage")
    page.wait(f"document.querySelector('{PLOT}')._fullLayout.xaxis.range[0] !== '1970-01-01'")
    low_s, high_s = shown_s(page)
    assert 0.0 <= low_s <= start_s < end_s <= high_s <= 30.0
    assert high_s - low_s < 0.8 * 30.0
    assert page.evaluate("document.querySelectorAll('#t4 .passage[aria-pressed=true]').length") == 1
    assert page.evaluate("document.querySelector('#t4 .shown').textContent").startswith("Shown: 0:")
    page.click_on("#t4 button[data-zoom=all]")
    assert shown_s(page) == (0.0, 30.0)


def test_a_shaded_stretch_zooms_the_plot(page: Page) -> None:
    drawn(page)
    x, y = page.evaluate(
        f"(() => {{ const p = document.querySelector('{PLOT}'), a = p._fullLayout.xaxis, b = p.getBoundingClientRect();"
        "return [b.left + a._offset + a.l2p(22000), b.top + p._fullLayout.yaxis._offset + 60]; })()"
    )
    page.click(x, y)
    low_s, high_s = shown_s(page)
    assert low_s <= 22.0 <= high_s
    assert high_s - low_s < 0.8 * 30.0


def test_a_stretch_that_is_not_listed_zooms_it_too(browser: Browser, tmp_path: Path) -> None:
    track = sample_track("x.wav", np.full(1200, 30.0), margin_db=1.0, limited_by="coil_temp")
    first = replace(track.passages[0], start_s=0.0, end_s=0.5)
    many = tuple(replace(first, start_s=5.0 * i, end_s=5.0 * i + 0.5 + 0.01 * i) for i in range(60))
    path = tmp_path / "many.html"
    path.write_text(sample_page(set_of(replace(track, passages=many))), encoding="ascii")
    page = browser.open(path)
    drawn(page, "#t1 .timeline")
    last = page.evaluate("Math.max(...[...document.querySelectorAll('.passage')].map(e => +e.dataset.to))")
    assert last < 290.0
    x, y = page.evaluate(
        "(() => { const p = document.querySelector('#t1 .timeline'), a = p._fullLayout.xaxis;"
        "const b = p.getBoundingClientRect();"
        "return [b.left + a._offset + a.l2p(295500), b.top + p._fullLayout.yaxis._offset + 60]; })()"
    )
    page.click(x, y)
    assert page.evaluate("document.querySelector('#t1 .shown').textContent") == "Shown: 4:54.6 to 4:56.5"
    check_quiet(page, path)
    page.close()


def test_dragging_over_the_plot_zooms_it(page: Page) -> None:
    drawn(page)
    left, top, width = page.evaluate(
        f"(() => {{ const p = document.querySelector('{PLOT}'), b = p.getBoundingClientRect(), a = p._fullLayout.xaxis;"
        "return [b.left + a._offset, b.top + p._fullLayout.yaxis._offset + 60, a._length]; })()"
    )
    page.drag(left + 0.25 * width, left + 0.5 * width, top)
    low_s, high_s = shown_s(page)
    assert low_s == pytest.approx(7.5, abs=0.2)
    assert high_s == pytest.approx(15.0, abs=0.2)


def test_by_keyboard_alone(page: Page) -> None:
    page.press("Tab", code=9)
    assert page.evaluate("document.activeElement.className") == "skip"
    page.press("Enter", code=13, text="\r")
    assert page.evaluate("location.hash") == "#tracks"
    drawn(page)
    seen = []
    for _ in range(40):
        page.press("Tab", code=9)
        seen.append(page.evaluate("document.activeElement.className || document.activeElement.id"))
        if "timeline" in seen[-1]:
            break
    assert "print" in seen
    assert "timeline" in seen[-1]
    page.press("+", code=187, text="+")
    assert shown_s(page) == pytest.approx((7.5, 22.5))
    page.press("ArrowRight", code=39)
    assert shown_s(page) == pytest.approx((15.0, 30.0))
    page.press("Escape", code=27)
    assert shown_s(page) == (0.0, 30.0)
    page.press("Tab", code=9)
    assert "passage" in page.evaluate("document.activeElement.className")
    page.press("Enter", code=13, text="\r")
    assert shown_s(page) != (0.0, 30.0)
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_a_track_of_the_table_opens(page: Page) -> None:
    page.click_on("a[href='#t2']")
    assert page.evaluate("document.querySelector('#t2').open") is True
    drawn(page, "#t2 .timeline")
    page.evaluate("document.querySelector('#t2').open = false")
    page.wait("document.querySelectorAll('#t2 .main-svg').length === 0")


def test_plots_follow_light_and_dark(page: Page) -> None:
    drawn(page)
    grounds = []
    for dark in (False, True):
        page.theme(dark=dark)
        page.wait(f"document.querySelector('{PLOT}').layout.paper_bgcolor === '{'#14171c' if dark else '#ffffff'}'")
        grounds.append(page.evaluate("getComputedStyle(document.body).backgroundColor"))
    assert grounds == ["rgb(255, 255, 255)", "rgb(20, 23, 28)"]


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_nothing_is_wider_than_the_window(browser: Browser, sample: Path, width: int) -> None:
    page = browser.open(sample, width=width, height=780)
    drawn(page)
    drawn(page, "#t4 .octaves")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(f"document.querySelector('{PLOT} .main-svg').getBoundingClientRect().right") <= width
    low = page.evaluate(
        "Math.min(...[...document.querySelectorAll('button')].filter(e => e.offsetParent)"
        ".map(e => e.getBoundingClientRect().height))"
    )
    assert low >= 38.0  # for a finger
    check_quiet(page, sample)
    page.close()


def test_prints_on_a4(browser: Browser, sample: Path, tmp_path: Path) -> None:
    page = browser.open(sample, dark=True)
    drawn(page)
    page.click_on("#t4 .passages li:nth-child(2) .passage")
    page.pdf(tmp_path / "report.pdf")
    printed = (tmp_path / "report.pdf").read_bytes()
    assert {tuple(map(float, each)) for each in re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)} <= {
        (594.95996, 841.91998),
        (595.0, 842.0),
        (594.96, 841.92),
    }
    assert page.evaluate("'print' in document.documentElement.dataset") is False
    assert page.evaluate(f"document.querySelector('{PLOT}').layout.paper_bgcolor") == "#14171c"
    check_quiet(page, sample)
    page.close()


def test_plots_fit_the_sheet(page: Page) -> None:
    drawn(page)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    sizes = page.evaluate(
        "[...document.querySelectorAll('#t4 .plot')].map(e => [e._fullLayout.width, e._fullLayout.height,"
        " e.layout.paper_bgcolor])"
    )
    # A4 less 12 mm on each side, at 96 to the inch.
    assert len(sizes) == 2
    assert all(width <= 703 and height <= 1031 and ground == "#ffffff" for width, height, ground in sizes)
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")


def test_names_do_nothing(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "hostile.html"
    path.write_text(sample_page(hostile_set()), encoding="ascii")
    page = browser.open(path)
    page.evaluate("document.querySelector('#open-all').click()")
    for number in range(1, len(HOSTILE) + 1):
        drawn(page, f"#t{number} .timeline")
    shown = page.evaluate("document.body.innerText")
    for words in ("<script>alert(1)</script>.wav", "\"><img src=x onerror=alert(2)>'.flac", "{{7*7}}${7*7}%s"):
        assert words in shown
    assert (
        page.evaluate("document.querySelectorAll('main img, main script:not([type]), [onload], [onerror]').length") == 0
    )
    check_quiet(page, path)
    page.close()


def test_a_script_that_is_not_ours_is_refused(browser: Browser, tmp_path: Path) -> None:
    """The tests above would notice one: the policy stops it, and the console says so."""
    path = tmp_path / "tampered.html"
    more = (
        "<script>document.title = 'run'; fetch('http://192.0.2.1/')</script><img src='http://192.0.2.1/x.png'></body>"
    )
    path.write_text(sample_page().replace("</body>", more), encoding="ascii")
    page = browser.open(path)
    assert page.evaluate("document.title") != "run"
    with pytest.raises(AssertionError):
        check_quiet(page, path)
    page.close()


def test_a_request_would_be_noticed(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "asking.html"
    path.write_text("<!DOCTYPE html><title>x</title><img src='http://192.0.2.1/x.png'><script>oops()</script>")
    page = browser.open(path)
    assert "http://192.0.2.1/x.png" in page.requests
    assert any("oops is not defined" in each for each in page.complaints)
    page.close()
