"""plotly's figures for programmes side by side, as plain data: each programme by letter, colour, dash and mark."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from auditor.programme.spectrum import BANDS_HZ
from auditor.report.figures import as_given
from auditor.report.page import rows
from auditor.report.page.rows import Row
from auditor.report.page.third_octaves import band_at
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from auditor.comparison.compare import Compared, Comparison

_COLOURS = ("@blue", "@crimson", "@amber", "@quiet", "@ink", "@link")
_MARKS = ("circle", "square", "diamond", "triangle-up", "x", "star")
_LABELS = {
    31.5: "31", 63.0: "63", 125.0: "125", 250.0: "250", 500.0: "500", 1000.0: "1k", 2000.0: "2k", 4000.0: "4k",
    8000.0: "8k", 16000.0: "16k",
}  # fmt: skip
_DEPTH_DB = 60.0
_LEAST_W = 1e-3  # on a scale of decades


def spectra(comparison: Comparison) -> dict[str, Any] | None:
    """Third octaves at equal loudness laid over each other, with the crossover; None where all is silent."""
    drawn = [(each, each.equal_loudness) for each in comparison.programmes if each.equal_loudness is not None]
    if not drawn:
        return None
    traces = []
    top_db = SILENCE_DB
    for compared, standing in drawn:
        level_db = [float(each) + standing.gain_db for each in compared.portrait.band_level_dbfs]
        top_db = max(top_db, *level_db)
        values = [round(each, 1) if each > SILENCE_DB + standing.gain_db else None for each in level_db]
        traces.append(_line(compared, list(range(len(values))), values, dash="solid"))
    axis = {"range": [round(top_db) - _DEPTH_DB, round(top_db) + 3.0], "nticks": 8}
    title = "Third octaves at equal loudness, dB"
    figure = _figure(Row(title=title, height_px=300, traces=tuple(traces), axis=axis))
    figure["layout"]["xaxis"] |= {
        "range": [-0.6, len(BANDS_HZ) - 0.4],
        "tickvals": [band_at(hz) for hz in _LABELS],
        "ticktext": list(_LABELS.values()),
    }
    corner = comparison.rig.crossover
    if corner.alignment != "none":
        at = band_at(corner.frequency_hz)
        mark = {"type": "line", "xref": "x", "x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1}
        figure["layout"]["shapes"].append({**mark, "line": {"color": "@ink", "width": 1, "dash": "dot"}})
        figure["layout"]["annotations"].append(_named(at, f"crossover {as_given(corner.frequency_hz)} Hz"))
    return figure


def overdrive(comparison: Comparison) -> dict[str, Any] | None:
    """HF power with and without rails as the peaks go beyond them; None where all is silent."""
    spoken = [each for each in comparison.programmes if each.overdriven]
    if not spoken:
        return None
    traces = []
    for compared in spoken:
        over_db = [each.overdrive_db for each in compared.overdriven]
        with_rails = [max(each.split.total_w, _LEAST_W) for each in compared.overdriven]
        without = [max(each.split.programme_w, _LEAST_W) for each in compared.overdriven]
        traces.append(_line(compared, over_db, with_rails, dash="solid"))
        traces.append({**_line(compared, over_db, without, dash="dash"), "showlegend": False})
    axis = {"type": "log", "dtick": 1}
    figure = _figure(
        Row(title="HF power in W, by dB of the peaks over the rail", height_px=260, traces=tuple(traces), axis=axis)
    )
    figure["layout"]["xaxis"] |= {
        "range": [-0.4, 10.4],
        "tickvals": [0, 3, 6, 10],
        "ticktext": ["0", "3", "6", "10"],
    }
    return figure


def _line(compared: Compared, x: list[Any], y: list[Any], *, dash: str) -> dict[str, Any]:
    number = "ABCDEF".index(compared.letter)
    return {
        "type": "scatter",
        "mode": "lines+markers",
        "name": compared.letter,
        "showlegend": True,
        "x": x,
        "y": y,
        "line": {"color": _COLOURS[number], "width": 2, "dash": dash},
        "marker": {"symbol": _MARKS[number], "size": 7, "color": _COLOURS[number]},
        "connectgaps": False,
        "hoverinfo": "skip",
    }


def _figure(row: Row) -> dict[str, Any]:
    """A graph of one row whose axis is not time."""
    figure = rows.figure([row], duration_s=1.0, shades=[])
    figure["layout"]["hovermode"] = False
    figure["layout"]["margin"] |= {"l": 50, "r": 20, "b": 36}
    figure["layout"]["xaxis"] = {
        "fixedrange": True,
        "tickangle": 0,
        "gridcolor": "@grid",
        "linecolor": "@quiet",
        "zeroline": False,
        "tickfont": {"size": 11},
    }
    return figure


def _named(at: float, words: str) -> dict[str, Any]:
    return {
        "text": words,
        "showarrow": False,
        "xref": "x",
        "x": at,
        "xanchor": "left",
        "yref": "paper",
        "y": 0,
        "yanchor": "bottom",
        "xshift": 4,
        "bgcolor": "@ground/0.75",
        "font": {"size": 11, "color": "@ink"},
    }
