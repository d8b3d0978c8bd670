"""The terminal report at several widths: every line fits, nothing needs colour, nothing from outside breaks it."""

from __future__ import annotations

import io
import itertools
import os
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from rich.cells import cell_len

from auditor import rig_assumptions
from auditor.audit_types import FileFault, Passage, SetAudit
from auditor.report import advice_words, figures, grid, layout, palette, passages, summary, words
from auditor.report.progress import ProgressBar
from auditor.report.terminal import make_console, render_text
from tests.cli.sample_audit import BROKEN_OFF, sample_rig, sample_set, sample_track

WIDTHS = (80, 100, 120, 200)


class Terminal(io.StringIO):
    """A text file that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def text_of(audit: SetAudit, width: int = 100, file: io.StringIO | None = None, **console: Any) -> str:
    file = file or io.StringIO()
    render_text(audit, console=make_console(file, width=width, **{"no_color": True, "environ": {}, **console}))
    return file.getvalue()


def one(name: str = "a.wav", power_w: Any = None, **changes: Any) -> SetAudit:
    track = sample_track(name, np.full(40, 5.0) if power_w is None else power_w, margin_db=9.0, limited_by="coil_temp")
    return sample_set(tracks=(replace(track, **changes),), errors=())


@pytest.mark.parametrize("width", WIDTHS)
def test_every_line_fits(width: int) -> None:
    lines = text_of(sample_set(), width).splitlines()
    assert max(map(cell_len, lines)) <= width
    assert not any(line != line.rstrip() for line in lines)


@pytest.mark.parametrize("width", [*range(60, 131), 219, 220])
def test_every_line_fits_at_every_width(width: int) -> None:
    speech, squeal = sample_set().tracks[1], sample_set().tracks[3]
    long = replace(speech, duration_s=3723.0, unjudged=(BROKEN_OFF,), channel_count=12)
    audit = sample_set(tracks=(long, squeal), interrupted=True)
    assert max(map(cell_len, text_of(audit, width).splitlines())) <= width


@pytest.mark.parametrize("width", WIDTHS)
def test_every_verdict_has_its_letter_shape_and_word_without_colour(width: int) -> None:
    text = text_of(sample_set(), width, Terminal())
    assert "\x1b" not in text
    for badge in ("C ○ CLEAR", "E ◐ ENGAGED", "R ▲ RISK"):
        assert badge in text
    verdicts = [line for line in text.splitlines() if line.startswith(" Verdict")]
    assert len(verdicts) == 4
    assert all(set(line[20:]) & set("CER") for line in verdicts)
    assert all(len(line) >= width - 1 for line in verdicts)


def test_a_pipe_gets_no_escapes_and_a_terminal_does() -> None:
    assert "\x1b" not in text_of(sample_set(), no_color=False)
    assert "\x1b" in text_of(sample_set(), 100, Terminal(), no_color=False, environ={"NO_COLOR": ""})
    assert "\x1b" not in text_of(sample_set(), 100, Terminal(), no_color=False, environ={"NO_COLOR": "1"})


def test_width_is_the_argument_then_columns_then_a_hundred() -> None:
    def width(**given: Any) -> int:
        return make_console(io.StringIO(), no_color=True, **given).width

    assert width(width=90, environ={"COLUMNS": "120"}) == 90
    assert width(environ={"COLUMNS": "120"}) == 120
    assert width(environ={"COLUMNS": "wide"}) == 100
    assert width(environ={}) == 100
    assert width(environ={"COLUMNS": "3"}) == 60


def test_the_picture_of_a_lamp_that_burns_out() -> None:
    text = text_of(sample_set(tracks=sample_set().tracks[3:], errors=()), 80)
    picture = text[text.index(" channel 2") : text.index("from")]
    assert "g glowing" in picture
    assert "x burnt out" in picture
    assert "░ held back by the lamp" in picture
    assert re.search(r"HF power +120 W _+░+╌▂", picture)
    assert re.search(r"Coil +180 °C _+░+▁↑+", picture)
    assert "↑ off the scale" in picture
    assert re.search(r"Over limit +·+PS T coil ▒+ X burnt out ▒+", picture)
    assert re.search(r"Verdict +C clear ─+E▒+ R risk █+", picture)


def test_the_passages_say_when_why_how_much_and_by_how_much() -> None:
    text = text_of(sample_set())
    assert re.search(r"R ▲ +2:32\.0 +3:45\.0 +2 +coil temperature +260 °C +180 °C +80 K", text)
    assert re.search(r"R ▲ +2:53\.7 +3:45\.0 +2 +power over 60 s +92\.0 W +60 W +1\.9 dB", text)
    assert "and 75 more (power over 1 s 74, lamp working 1); --format csv lists all" in text


def test_the_worst_of_each_cause_is_shown_in_order_of_time() -> None:
    risk = Passage(
        start_s=0.0, end_s=1.0, channel=0, verdict="risk", cause="coil_temp", value=190.0, limit=180.0, unit="C"
    )
    hot = [replace(risk, start_s=float(n), value=200.0 - n) for n in range(6)]
    peak = replace(risk, start_s=99.0, cause="driver_power_peak", value=300.0, limit=240.0, unit="W")
    assert passages.chosen([*hot, peak]) == [*hot[:3], peak]


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        (0, "About 5.2 dB of room before the power over 1 s reaches the programme rating of 120 W."),
        (1, "The lamp works for about 0:42 and keeps the driver within its limits, taking off up to 3.0 dB; about"
            " 1.3 dB of room before the coil reaches its limit of 180 °C."),
        (2, "Turn down about 3.5 dB (with a lamp 10 % over its rated current; one as rated is over by 80 K): the coil"
            " temperature binds, and the lamp is at work and still cannot save the driver here."),
        (3, "Turn down about 9.8 dB: the lamp burns out at 0:19 and the driver falls silent."),
    ],
)  # fmt: skip
def test_advice(number: int, sentence: str) -> None:
    assert advice_words.advice(sample_set().tracks[number], "°") == sentence


def test_advice_at_the_edges() -> None:
    track = one().tracks[0]
    assert advice_words.advice(replace(track, margin_db=0.03), "°").startswith("No room left before the coil")
    assert advice_words.advice(replace(track, margin_db=None, margin_limited_by=None), "°") == (
        "More than 20 dB of room, as far as the program looks."
    )
    assert advice_words.advice(replace(track, verdict="risk", margin_db=None, margin_limited_by=None), "°") == (
        "No gain within reach is safe."
    )
    assert advice_words.advice(replace(track, verdict="risk", margin_db=-0.02), "°").startswith(
        "Turn down about 0.1 dB: the"
    )
    bare = sample_track("a", np.full(8, 5.0), margin_db=1.0, limited_by="coil_temp", rig=sample_rig(lamp=False))
    assert "lamp" not in advice_words.advice(bare, "°")


def test_figures_claim_no_more_than_is_known() -> None:
    assert [figures.watts(w) for w in (0.0, 0.04, 0.43, 4.34, 9.96, 43.4, 99.6, 434.0, 1284.0)] == [
        "0 W", "<0.1 W", "0.43 W", "4.3 W", "10 W", "43 W", "100 W", "430 W", "1300 W"]  # fmt: skip
    assert [figures.degrees(t, "°") for t in (-0.4, 180.6, 688.0)] == ["0 °C", "181 °C", ">500 °C"]
    assert [figures.signed(g) for g in (-3.42, -3.5, 3.49, 0.04, -0.0)] == [
        "-3.5 dB", "-3.5 dB", "+3.4 dB", "0.0 dB", "0.0 dB"]  # fmt: skip
    assert figures.watts(float("nan")) == "? W"
    clocks = [figures.clock(t, decimals=d) for t, d in ((59.99, 0), (59.99, 1), (3723.0, 0), (0.3, 1))]
    assert clocks == ["0:59", "0:59.9", "1:02:03", "0:00.3"]
    assert not re.search(r"-0(\.0)?\b(?!\.)", text_of(sample_set(margin_db=-0.0, coil_temp_max_c=-0.2)))


def test_a_passage_just_over_is_not_over_by_nothing() -> None:
    base = Passage(
        start_s=0.0, end_s=1.0, channel=0, verdict="risk", cause="coil_temp", value=180.2, limit=180.0, unit="C"
    )
    assert figures.excess(base) == "<1 K"
    assert figures.excess(replace(base, cause="driver_power_1s", value=120.1, limit=120.0, unit="W")) == "<0.1 dB"
    assert figures.excess(replace(base, cause="protection_failed", value=1.1, limit=1.0, unit="life")) == "failed"
    assert figures.quantity(1.1, "life", "°") == "110 % life"


HOSTILE = ("[red]bold[/red].wav", "a\x1b[31mb\rc\nd.wav", "\u202egnp.wav", "x" * 400 + ".wav", "\u5927" * 90 + ".flac",
           "\udcff.wav", "שלום.wav", "a\u0301\u0301\u0301.wav", ":smile:.wav", "")  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("width", [60, 80, 120])
def test_hostile_names_are_shown_safely(name: str, width: int) -> None:
    audit = one(name, notes=(f"{name}: odd [bold]note",))
    fault = FileFault(path=f"music/{name}", message=f"music/{name}: no sound in it")
    text = text_of(replace(audit, errors=(fault,), worst_track=name), width)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ue000]", text)
    assert max(map(cell_len, text.splitlines())) <= width
    assert "[bold]note" in text.replace("\n", "")
    if name.startswith("["):
        assert name in text
    if name.startswith(":"):
        assert name in text


def test_a_long_name_keeps_its_start_and_its_end() -> None:
    assert layout.shorten("a" * 50 + "-live-edit.flac", 20, "…") == "aaaaaaaaaa…edit.flac"
    assert cell_len(layout.shorten("\u5927" * 50, 20, "…")) <= 20
    assert layout.shorten("short.wav", 20, "…") == "short.wav"


def test_names_lose_the_folders_they_share() -> None:
    assert words.track_names(["/a/b/c.wav", "/a/b/d/c.wav"]) == ["c.wav", "d/c.wav"]
    assert words.track_names(["/a/c.wav", "c.wav"]) == ["/a/c.wav", "c.wav"]
    assert words.track_names(["c.wav"]) == ["c.wav"]
    assert words.track_names([]) == []
    mixed = [os.path.abspath("music/set/a.wav"), "music/set/b/c.wav"]
    assert words.track_names(mixed) == ["a.wav", os.path.join("b", "c.wav")]


def test_nothing_analysed_is_not_called_clear() -> None:
    nothing: dict[str, Any] = {"tracks": (), "margin_db": None, "worst_track": None, "coil_temp_max_c": None}
    for errors in ((), sample_set().errors):
        text = text_of(sample_set(verdict="clear", errors=errors, **nothing))
        assert "Nothing was analysed" in text
        assert "CLEAR" not in text
        assert ("Not analysed, or not to the end: 1" in text) == bool(errors)
        assert "Estimates, not a guarantee." in text


def test_silence() -> None:
    track = sample_track("quiet.wav", np.zeros(40), margin_db=None, limited_by=None)
    text = text_of(sample_set(tracks=(track,), verdict="clear", margin_db=None, errors=()), 120)
    assert "silent" in text
    assert "Nothing reaches the driver." in text


@pytest.mark.parametrize("bins", [1, 2, 7])
@pytest.mark.parametrize("width", [60, 80, 200])
def test_fewer_bins_than_columns(bins: int, width: int) -> None:
    text = text_of(one(power_w=np.full(bins, 50.0)), width)
    graph = next(line for line in text.splitlines() if line.startswith(" 23 W"))
    assert set(graph[20:]) == {"█"}
    assert len(graph) == width - 1


def test_no_length_at_all() -> None:
    assert "│0:00" in text_of(one(power_w=np.full(1, 50.0), duration_s=0.0))


def test_a_trace_with_gaps_is_drawn() -> None:
    track = one().tracks[0]
    channel = replace(track.channels[1], traces=replace(track.channels[1].traces, coil_temp_c=np.full(40, np.nan)))
    text_of(sample_set(tracks=(replace(track, channels=(track.channels[0], channel)),)))


def test_the_largest_value_of_a_column_is_the_one_drawn() -> None:
    trace = np.zeros(1000)
    trace[777] = 5.0
    columns = grid.Grid(100.0, 60).largest(trace, 0.1)
    assert np.flatnonzero(columns).tolist() == [46]


def test_no_protection_no_lamp_row() -> None:
    rig = sample_rig(lamp=False)
    track = sample_track("a.wav", np.full(40, 5.0), margin_db=1.0, limited_by="coil_temp", rig=rig)
    text = text_of(sample_set(tracks=(track,), rig=rig, errors=()))
    assert "no protection" in " ".join(text.split())
    assert not re.search(r"^ (Lamp|None)", text, re.MULTILINE)


def test_summary_is_riskiest_first() -> None:
    order = [track.path[5:7] for track in summary.riskiest_first(sample_set().tracks)]
    assert order == ["04", "03", "01", "02"]


@pytest.mark.parametrize("finished", [0, 1, 4])
def test_an_interrupted_set_says_so(finished: int) -> None:
    text = " ".join(text_of(sample_set(tracks=sample_set().tracks[:finished], interrupted=True)).split())
    assert (
        f"Stopped by hand: {finished} finished and reported; the one under way and those after it were not judged."
        in text
    )


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_verdict_on_a_part_is_no_plain_verdict(width: int) -> None:
    tracks = (replace(sample_set().tracks[0], unjudged=(BROKEN_OFF,)), sample_set().tracks[1])
    text = text_of(sample_set(tracks=tracks, verdict="engaged", errors=()), width)
    assert text.count("C ○ CLEAR    ? IN PART") == 2  # head and summary
    assert not re.search(r"C ○ CLEAR +(?!\? IN PART)\S", text)
    shown = " ".join(text.split())
    assert re.search(r"E ◐ ENGAGED \? IN PART The (whole )?set", shown)
    assert "Judged in part (files: 1 only in part)." in shown
    assert (
        "→ Only part of this file could be judged: the file breaks off after 12.3 s, 14.0 s missing. In that part: "
        "about 5.2 dB of room" in shown
    )
    assert f"Not judged: {BROKEN_OFF}" in shown


def test_a_set_with_a_file_left_out_is_no_plain_verdict() -> None:
    assert "R ▲ RISK     ? IN PART   The whole set" in text_of(sample_set())
    assert "IN PART" not in text_of(sample_set(errors=()))


def test_no_limit_met_is_all_the_room_there_is() -> None:
    text = text_of(one(margin_db=None, margin_limited_by=None), 120)
    assert re.search(r"none met +│██████►", text)
    risk = text_of(one(verdict="risk", margin_db=None, margin_limited_by=None), 120)
    assert re.search(r"none safe +◄██████│", risk)


def test_a_peak_off_the_scale_says_so() -> None:
    track = one(power_w=np.full(40, 5.0)).tracks[0]
    peaks_w = np.where(np.arange(40) < 20, 4.0 * 240.0, 3.9 * 240.0)  # 6 dB over is the edge: 3.98
    channel = replace(track.channels[1], traces=replace(track.channels[1].traces, driver_power_peak_w=peaks_w))
    text = text_of(sample_set(tracks=(replace(track, channels=(track.channels[0], channel)),), errors=()))
    assert re.search(r"120 W ↑+╌+$", text, re.MULTILINE)
    assert "↑ off the scale" in text


def test_a_mean_is_marked_from_where_it_crosses_its_limit() -> None:
    track = sample_set().tracks[2]
    (passage,) = (each for each in track.passages if each.cause == "driver_power_60s")
    early = replace(passage, start_s=passage.start_s - 60.0)  # the window begins in quiet music
    for start_s, cause in ((passage.start_s, early), (early.start_s, replace(early, limit=1e9))):
        ((_, columns),) = grid.flagged_columns(replace(track, passages=(cause,)), grid.Grid(track.duration_s, 900))
        assert columns == range(round(start_s * 4.0), 900)  # without a crossing in the trace, the passage as it is
    text = text_of(sample_set(tracks=(track,), errors=()))
    assert "from-to of a mean: the whole window" in text


def test_of_two_passages_over_one_mean_the_second_is_marked_from_its_own_crossing() -> None:
    track = sample_track("a.wav", np.full(400, 5.0), margin_db=-1.0, limited_by="driver_power_60s")
    trace = np.zeros(400)
    trace[100:120] = trace[200:220] = 70.0  # one column for each bin of 0.25 s
    channel = replace(track.channels[1], traces=replace(track.channels[1].traces, driver_power_60s_w=trace))
    first = Passage(
        start_s=0.0, end_s=30.0, channel=1, verdict="risk", cause="driver_power_60s", value=70.0, limit=60.0, unit="W"
    )
    track = replace(track, channels=(track.channels[0], channel), passages=(first, replace(first, end_s=55.0)))
    marked = [columns for _, columns in grid.flagged_columns(track, grid.Grid(100.0, 400))]
    assert marked == [range(100, 120), range(200, 220)]


def test_a_track_without_a_loudness_is_silent_only_without_a_peak() -> None:
    text = text_of(one(loudness_lufs=None), 120)
    assert "silent" not in text
    assert "too quiet for a loudness  true peak -0.3 dBTP" in text


def test_times_lengths_and_ends() -> None:
    shown = [figures.length(t) for t in (0.0, 0.02, 0.3, 9.94, 9.97, 25.97, 59.6, 3599.5)]
    assert shown == ["0.0 s", "<0.1 s", "0.3 s", "9.9 s", "0:10", "0:26", "1:00", "1:00:00"]
    assert [figures.clock(t, decimals=1, up=True) for t in (14.01, 14.1, 59.99)] == ["0:14.1", "0:14.1", "1:00.0"]
    assert [figures.about(t) for t in (0.34, 4.03, 9.7, 41.6)] == ["0.3 s", "4 s", "9.7 s", "0:42"]


@pytest.mark.parametrize("value", [60.01, 61.49, 83.55, 999.6, 1078.0])
def test_value_limit_and_excess_agree(value: float) -> None:
    over = Passage(
        start_s=0.0, end_s=1.0, channel=0, verdict="risk", cause="driver_power_1s", value=value, limit=60.0, unit="W"
    )
    shown = figures.quantity(value, "W", "°", limit=60.0)
    exact_db = 10.0 * np.log10(float(shown.removesuffix(" W")) / 60.0)
    assert figures.excess(over) == (f"{exact_db:.1f} dB" if exact_db >= 0.05 else "<0.1 dB")


def test_assumptions_in_plain_words() -> None:
    assert words.assumptions(sample_rig()).startswith(
        "thermal data of the driver, thermal data of the lamp (6 values): not in the rig file"
    )


def test_every_value_that_can_be_assumed_has_plain_words() -> None:
    assert set(words._ASSUMED) == set(rig_assumptions._REASONS)


@pytest.mark.parametrize("width", WIDTHS)
def test_cautions_are_always_there(width: int) -> None:
    shown = " ".join(text_of(sample_set(), width).split())
    for caution in words.CAUTIONS:
        assert caution in shown


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252"])
def test_an_output_without_block_characters_gets_plain_ones(encoding: str) -> None:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding)
    render_text(one("gr\u00fc\u5927.wav"), console=make_console(file, no_color=True, environ={}))
    file.flush()
    text = raw.getvalue().decode(encoding)
    assert "C o CLEAR" in text
    assert "HF power" in text


def linear(colour: str) -> np.ndarray:
    """Linear light of a colour `#RRGGBB`."""
    value = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


@pytest.mark.parametrize("colour", [palette.BLUE, palette.AMBER, palette.CRIMSON, palette.GREY])
def test_ink_stands_out_from_black_and_from_white(colour: str) -> None:
    luminance = float(linear(colour) @ [0.2126, 0.7152, 0.0722])  # WCAG 2.1, relative luminance
    assert (luminance + 0.05) / 0.05 >= 3.0
    assert 1.05 / (luminance + 0.05) >= 3.0


# Machado, Oliveira and Fernandes (2009), severity 1.0; from memory.
CVD = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("kind", CVD)
def test_the_verdicts_stay_apart_for_colour_blind_eyes(kind: str) -> None:
    def lab(colour: str) -> np.ndarray:
        red, green, blue = np.clip(np.array(CVD[kind]) @ linear(colour), 0.0, 1.0)
        x = (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.9505
        y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
        z = (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.089
        fx, fy, fz = (t ** (1 / 3) if t > 0.008856 else 7.787 * t + 16 / 116 for t in (x, y, z))
        return np.array([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)])

    for one_colour, other in itertools.combinations((palette.BLUE, palette.AMBER, palette.CRIMSON), 2):
        assert np.linalg.norm(lab(one_colour) - lab(other)) > 40.0  # own bar; 2 is just noticeable


def test_progress_is_silent_unless_stderr_is_a_terminal() -> None:
    file = io.StringIO()
    with ProgressBar(["a.wav"], file=file, no_color=True) as bar:
        bar(0, 0.5)
        bar.of_track(0)(1.0)
    assert file.getvalue() == ""


def test_progress_names_the_track(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    file = Terminal()
    with ProgressBar(["a.wav", "[red]b\x1b.wav"], file=file, no_color=True) as bar:
        bar(1, 0.5)
        bar(1, 2.0)
    assert "track 2 of 2" in file.getvalue()
    assert "[red]b\N{REPLACEMENT CHARACTER}.wav" in file.getvalue()


@pytest.mark.parametrize("columns", [20, 40, 60, 200])
def test_progress_takes_one_line_however_narrow(monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", str(columns))
    file = Terminal()
    with ProgressBar(["a" * 90 + ".wav"] * 20, file=file, no_color=True) as bar:
        bar(11, 0.6)
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", file.getvalue())
    assert max(cell_len(line) for line in re.split(r"[\r\n]", plain)) <= columns
    assert "58 %" in plain or columns < 40


def test_peaks_are_marked_above_the_bars() -> None:
    text = text_of(one(power_w=np.full(40, 2.0)))  # peaks of 6 W against 240 W: 16 dB under the line
    assert re.search(r"2\.0 W +-18 dB ╌{50}", text)
    assert "╌ peak against 240 W" in text
