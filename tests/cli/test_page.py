"""The page without a browser: its figures, its safety, its size. `test_page_browser.py` opens it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor.audit_types import SetAudit
from auditor.report import figures, page, palette, records
from auditor.report.page import envelope
from tests.cli.harness import noise, run, settle
from tests.cli.sample_audit import acoustic_w, dance_w, sample_rig, sample_set, sample_track, squeal_w
from tests.cli.sample_page import HOSTILE, Reader, hostile_set, read, sample_page, sample_spectrum
from tests.cli.sample_parts import SETTINGS, opening_track, set_of

# What a value of the document is on the page; written down here a second time on purpose.
SHOWN = {
    "watts": lambda value, limit: figures.watts(value, limit_w=limit),
    "degrees": lambda value, _: f">{500} °C" if value > 500.0 else f"{value:.0f} °C",
    "signed": lambda value, _: figures.signed(value),
    "db": lambda value, _: f"{value:.1f} dB",
    "lufs": lambda value, _: f"{value:.1f} LUFS",
    "dbtp": lambda value, _: f"{value:.1f} dBTP",
    "length": lambda value, _: figures.length(value),
    "about": lambda value, _: figures.about(value),
    "clock": lambda value, _: figures.clock(value),
    "ohms": lambda value, _: f"{float(f'{value:.2g}'):g} ohm",
    "kelvin": lambda value, _: f"{value:.0f} K",
    "percent": lambda value, _: "<0.01 %" if 0.0 < value < 1e-4 else f"{100.0 * value:.2g} %",
}


@pytest.fixture(scope="module")
def sample() -> Reader:
    return read(sample_page())


def at(document: Any, pointer: str) -> Any:
    for key in pointer.split("/")[1:]:
        document = document[int(key)] if isinstance(document, list) else document[key]
    return document


def differing(reader: Reader) -> tuple[int, list[str]]:
    """How many figures the page shows, and which of them the document does not have like that."""
    document, wrong, count = reader.json("report"), [], 0
    for element in reader.elements:
        pointer = element.attributes.get("data-at")
        if pointer is None:
            continue
        count += 1
        limit = element.attributes.get("data-limit")
        limit_value = at(document, limit) if limit else float("inf")
        expected = SHOWN[element.attributes["data-as"] or ""](at(document, pointer), limit_value)
        if element.text != expected:
            wrong.append(f"{pointer}: {element.text}, not {expected}")
    return count, wrong


def test_figures_are_those_of_the_document(sample: Reader) -> None:
    count, wrong = differing(sample)
    assert wrong == []
    assert count > 4 * 2 * 12


def test_a_figure_that_is_not_would_be_found() -> None:
    text = re.sub(r'(data-at="/tracks/2/margin_db"[^>]*>)[^<]*<', r"\1-9.9 dB<", sample_page())
    assert len(differing(read(text))[1]) == 2


def test_document_in_it_is_that_of_the_same_run(sample: Reader) -> None:
    assert sample.json("report") == records.document(sample_set(), exit_status=1)


def test_command_writes_the_same_figures_as_json(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settle(tmp_path, monkeypatch)
    noise(tmp_path / "a.wav", duration_s=1.0, channels=2, level=0.3)
    noise(tmp_path / "b & <c>.wav", duration_s=0.5)
    (tmp_path / "broken.wav").write_bytes(b"RIFF")
    as_json = run("check", ".", "--rig", "rig.toml", "--format", "json")
    as_html = run("check", ".", "--rig", "rig.toml", "--format", "html", "-o", "report.html")
    assert (as_html.status, as_html.out) == (as_json.status, "")
    reader = read((tmp_path / "report.html").read_text(encoding="ascii"))
    assert reader.json("report") == as_json.document
    count, wrong = differing(reader)
    assert wrong == []
    assert count > 40
    assert [each.text for each in reader.of("script") if (each.attributes.get("id") or "").startswith("plots")] != []
    assert "octaves" in reader.json("plots-t1")


def test_standard_output_in_any_encoding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settle(tmp_path, monkeypatch)
    noise(tmp_path / "grün.wav")
    shown = run("check", ".", "--rig", "rig.toml", "--format", "html", encoding="ascii")
    assert shown.status == 0
    assert any(each.text.endswith("grün.wav") for each in read(shown.out).of("bdi"))


def test_text_of_the_terminal_report_is_on_it(sample: Reader) -> None:
    (body,) = sample.of("body")
    words = " ".join(body.text.split())
    for phrase in (
        "Turn down about 9.8 dB: the lamp burns out at 0:19 and the driver falls silent.",
        "The whole set, 4 tracks in 9:25, played in the order given: hottest coil 232 °C (limit 180 °C)",
        "not an audio file",
        "Estimates, not a guarantee.",
        "2 channels play the same signal.",
        "IEC 60028",
        "driver.coil_time_constant_s 2.7 s: assumed",
    ):
        assert phrase in words


def test_riskiest_first(sample: Reader) -> None:
    sections = [each.attributes["id"] for each in sample.of("details", class_="track")]
    assert sections == ["t4", "t3", "t2", "t1"]
    assert [each.attributes["id"] for each in sample.of("details", class_="track") if "open" in each.attributes] == [
        "t4"
    ]
    links = [each.attributes["href"] for each in sample.of("a")]
    assert links == ["#tracks", "#t4", "#t3", "#t2", "#t1"]


@pytest.mark.parametrize("kind", sorted(SETTINGS))
def test_every_part_has_its_symbol(kind: str) -> None:
    failure = (2.4, 2.0, "A") if kind == "fuse" else None
    reader = read(sample_page(set_of(opening_track(kind, failure=failure, replace=("the <part>",)))))
    assert differing(reader)[1] == []
    (body,) = reader.of("body")
    assert "Replace afterwards: the <part>." in body.text
    assert len(reader.of("div", class_="cell")) == 6


def test_without_protection_and_without_crossover() -> None:
    rig = sample_rig(lamp=False)
    rig = replace(
        rig, assumed=(), crossover=replace(rig.crossover, alignment="none", order=0, frequency_hz=0.0, pad_db=0.0)
    )
    track = sample_track("x.wav", acoustic_w(), margin_db=None, limited_by=None, rig=rig)
    reader = read(sample_page(set_of(track, margin_db=None)))
    assert differing(reader)[1] == []
    titles = [each["text"] for each in reader.json("plots-t1")["timeline"]["layout"]["annotations"]]
    assert not any("none" in title or "lamp" in title for title in titles)


def test_nothing_analysed() -> None:
    reader = read(sample_page(sample_set(tracks=(), worst_track=None, margin_db=None, coil_temp_max_c=None)))
    (body,) = reader.of("body")
    assert "Nothing was analysed, so nothing was found safe." in body.text
    assert not reader.of("span", class_="badge")
    assert reader.json("report")["verdict"] is None


def test_a_file_that_has_gone_has_no_third_octaves() -> None:
    found = sample_set()
    spectra = ["gone <b>away</b>", *(sample_spectrum(each.duration_s) for each in found.tracks[1:])]
    reader = read(page.render(found, spectra, exit_status=1))
    assert any(each.text == "No third octaves: gone <b>away</b>" for each in reader.of("p"))
    assert "octaves" not in reader.json("plots-t1")
    assert len(reader.of("div", class_="octaves")) == 3


# Safety.


@pytest.fixture(scope="module")
def hostile() -> Reader:
    return read(sample_page(hostile_set()))


def test_names_are_text(hostile: Reader) -> None:
    shown = {each.text for each in hostile.of("bdi")}
    for name in HOSTILE:
        assert figures.safe(name, "\N{REPLACEMENT CHARACTER}") in shown


def test_names_bring_no_elements(hostile: Reader, sample: Reader) -> None:
    assert {each.tag for each in hostile.elements} == {each.tag for each in sample.elements}
    names = {name for each in hostile.elements for name in each.attributes}
    assert names == {name for each in sample.elements for name in each.attributes}
    assert not any(name.startswith("on") for name in names)
    assert hostile.unclosed == []


def test_names_bring_no_control_and_no_direction() -> None:
    text = sample_page(hostile_set())
    assert text.isascii()
    assert not set(map(chr, [*range(9), *range(11, 32), 127])) & set(text)
    shown = {each for element in read(text).elements if element.tag != "script" for each in str(element.attributes)}
    (body,) = read(re.sub(r"(?s)<script.*?</script>", "", text)).of("body")
    for code in (0x202E, 0x2066, 0x200F, 0x2028, 0xDCFF):
        assert chr(code) not in body.text
        assert chr(code) not in shown


def test_no_name_is_inside_a_plot(hostile: Reader) -> None:
    for number in range(1, len(HOSTILE) + 1):
        plots = json.dumps(hostile.json(f"plots-t{number}"))
        assert not any(word in plots for word in ("alert", "script", "img", "svg", "bell", "exe", "7*7"))


def test_only_our_scripts_run(hostile: Reader) -> None:
    (policy,) = [
        each.attributes["content"] or ""
        for each in hostile.of("meta")
        if each.attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    scripts = [each.text for each in hostile.of("script") if each.attributes.get("type") is None]
    hashes = {f"'sha256-{base64.b64encode(hashlib.sha256(each.encode()).digest()).decode()}'" for each in scripts}
    rules = dict(each.strip().split(" ", 1) for each in policy.split(";"))
    assert len(scripts) == 2
    assert set(rules.pop("script-src").split()) == hashes
    assert rules == {
        "default-src": "'none'",
        "style-src": "'unsafe-inline'",
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_nothing_is_fetched(sample: Reader) -> None:
    for element in sample.elements:
        assert not {"src", "srcset", "action", "data", "poster", "background"} & set(element.attributes)
        assert (element.attributes.get("href") or "#").startswith("#")
    (style,) = sample.of("style")
    assert "url(" not in style.text
    assert "@import" not in style.text


# Traces.


def series(count: int) -> np.ndarray:
    random = np.random.default_rng(3)
    values = random.random(count).astype(np.float32)
    values[random.integers(0, count, 5)] += 40.0
    return values


@pytest.mark.parametrize("count", [1, 2, 1499, 1500, 1501, 4001, 65536])
@pytest.mark.parametrize("most", [1500, 4000])
def test_no_peak_is_hidden(count: int, most: int) -> None:
    values = series(count)
    trace = envelope.packed(values, step_s=0.006, most=most)
    points = envelope.unpacked(trace)
    assert len(points) == trace["n"] <= most
    assert points.max() == pytest.approx(values.max(), rel=1e-9)
    assert points.min() == pytest.approx(values.min(), rel=1e-9, abs=1e-9)
    if count <= most:
        assert points == pytest.approx(values, abs=1e-3)
        return
    # Every value lies between the two points of its stretch, so the line drawn passes outside it.
    size = round(2.0 * trace["dx_s"] / 0.006)
    for stretch, pair in zip(range(0, count, size), points.reshape(-1, 2), strict=True):
        inside = values[stretch : stretch + size]
        assert pair.min() <= inside.min() + 1e-6
        assert pair.max() >= inside.max() - 1e-6


def test_picking_every_nth_value_would_hide_one() -> None:
    values = np.zeros(65536, dtype=np.float32)
    values[30001] = 1.0
    assert values[:: 65536 // 1500].max() == 0.0
    assert envelope.unpacked(envelope.packed(values, step_s=0.006, most=1500)).max() == 1.0


def test_peak_stands_where_it_was() -> None:
    values = np.zeros(65536, dtype=np.float32)
    values[30001] = 1.0
    trace = envelope.packed(values, step_s=0.006, most=1500)
    at_s = (np.argmax(envelope.unpacked(trace)) + 0.5) * trace["dx_s"]
    assert at_s == pytest.approx(30001.5 * 0.006, abs=2.0 * trace["dx_s"])


def test_what_is_not_finite_is_a_gap() -> None:
    values = np.array([1.0, np.inf, 2.0, np.nan], dtype=np.float32)
    assert np.isnan(envelope.unpacked(envelope.packed(values, step_s=1.0, most=10))).tolist() == [False, True] * 2
    long = np.concatenate([np.ones(3000), np.full(3000, np.inf)]).astype(np.float32)
    points = envelope.unpacked(envelope.packed(long, step_s=1.0, most=1500))
    assert np.isnan(points).mean() == pytest.approx(0.5, abs=0.01)
    assert np.nanmax(points) == 1.0


def test_drawn_maxima_are_the_figures(sample: Reader) -> None:
    document = sample.json("report")
    for number, track in enumerate(document["tracks"], start=1):
        channel = track["channels"][track["worst_channel"]]
        traces = {each.get("name"): each for each in sample.json(f"plots-t{number}")["timeline"]["data"]}
        for name, key in (("1 s", "driver_power_max_1s_w"), ("coil", "coil_temp_max_c")):
            assert envelope.unpacked(traces[name]["packed"]).max() == pytest.approx(min(channel[key], 500.0), rel=1e-5)


def four_hours() -> SetAudit:
    """Sixty tracks of four minutes, with as many values to a trace as a real track has."""
    random = np.random.default_rng(5)
    tracks = []
    for number in range(60):
        slow_w = np.interp(np.arange(39_950), np.linspace(0, 39_950, 960), np.tile(dance_w()[:960], 2)[:960])
        made = sample_track(f"set/{number:02d}.flac", squeal_w(), margin_db=-2.0, limited_by="coil_temp")
        noisy = (slow_w * (0.5 + random.random(39_950))).astype(np.float32)
        channels = tuple(
            replace(
                channel,
                traces=replace(
                    channel.traces,
                    step_s=0.006008,
                    **{
                        key: noisy
                        for key, value in vars(channel.traces).items()
                        if key != "step_s" and value is not None
                    },
                ),
            )
            for channel in made.channels
        )
        passages = made.passages + tuple(
            replace(made.passages[0], start_s=2.0 * i, end_s=2.0 * i + 0.7, channel=i % 2) for i in range(100)
        )
        tracks.append(replace(made, channels=channels, duration_s=240.0, passages=passages))
    return sample_set(tracks=tuple(tracks), worst_track=tracks[0].path)


def test_four_hours_stay_under_fifteen_megabytes() -> None:
    assert len(sample_page(four_hours())) < 15_000_000


# Looks.


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_colours_stand_out(sample: Reader) -> None:
    """WCAG 2.1: 4.5 : 1 for text (1.4.3), 3 : 1 for what is drawn (1.4.11)."""
    (style,) = sample.of("style")
    themes = [dict(re.findall(r"--(\w+): (#\w{6})", block)) for block in style.text.split("@media")[:2]]
    assert len(themes[0]) == len(themes[1]) == 11
    for theme in themes:
        for name in ("ink", "quiet", "crimson", "limit", "link"):
            assert contrast(theme[name], theme["ground"]) >= 4.5, name
        for name in ("blue", "amber"):
            assert contrast(theme[name], theme["ground"]) >= 3.0, name


def test_badges_are_those_of_the_terminal(sample: Reader) -> None:
    (style,) = sample.of("style")
    for verdict, badge in palette.BADGE.items():
        ink, ground = re.fullmatch(r"bold (#\w+) on (#\w+)", badge).groups()  # type: ignore[union-attr]
        rule = re.search(rf"\.badge\.{verdict} {{ background: (#\w+); color: (#\w+); }}", style.text)
        assert rule is not None
        assert rule.group(1).upper() == ground.upper()
        assert rule.group(2).upper() in (ink, ink[:4])


def test_no_line_is_told_by_colour_alone(sample: Reader) -> None:
    for number in range(1, 5):
        for axis in {each["yaxis"] for each in sample.json(f"plots-t{number}")["timeline"]["data"]}:
            lines = [
                each
                for each in sample.json(f"plots-t{number}")["timeline"]["data"]
                if each["yaxis"] == axis and each["type"] == "scatter"
            ]
            assert len({each["line"]["dash"] for each in lines}) == len(lines)


def test_only_what_varies_is_drawn() -> None:
    """A contact has one resistance; a lamp has not."""
    track = opening_track("relay")
    traces = replace(track.channels[0].traces, protection_resistance_ohm=np.zeros(160, dtype=np.float32))
    track = replace(track, channels=(replace(track.channels[0], traces=traces),))
    for found, wanted in ((track, False), (sample_set().tracks[2], True)):
        layout = read(sample_page(set_of(found))).json("plots-t1")["timeline"]["layout"]
        titles = [each["text"] for each in layout["annotations"]]
        assert any("Resistance" in title for title in titles) is wanted
        assert ("open" in titles) is not wanted


def test_many_passages_are_joined_and_listed_in_part() -> None:
    found = four_hours().tracks[0]
    many = tuple(replace(found.passages[0], start_s=0.05 * i, end_s=0.05 * i + 0.02) for i in range(4000))
    reader = read(sample_page(set_of(replace(found, passages=many))))
    figure = reader.json("plots-t1")["timeline"]
    spans = [span for shade in figure["shades"] for span in shade["spans"]]
    bars = [each for each in figure["data"] if each["type"] == "bar"]
    assert 0 < len(spans) <= 150
    assert 0 < len(bars[0]["base"]) <= 600
    # Joined, none left out: the first and the last are still under a shade.
    assert spans[0][0] == 0
    assert spans[-1][1] == pytest.approx(1000.0 * (0.05 * 3999 + 0.02), abs=1.0)
    assert len(reader.of("button", class_="passage")) == 40
    assert any("and 3960 more (lamp working 3960)" in each.text for each in reader.of("p"))
