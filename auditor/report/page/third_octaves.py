"""The file's third octaves with the crossover drawn in: over time, and as their mean."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.chain.crossover import response
from auditor.programme.spectrum import BANDS_HZ, midbands_hz
from auditor.report import palette
from auditor.report.figures import as_given
from auditor.report.page import rows
from auditor.report.page.envelope import packed_picture
from auditor.report.page.rows import Row

if TYPE_CHECKING:
    from auditor.programme.spectrum import Spectrum
    from auditor.rig import Crossover

_PICTURE_DB = 70.0  # depth of the picture under its loudest cell
_SPECTRUM_DB = 60.0
_PICTURE_GROUND = "rgba(11,18,32,0.7)"
_PLACES = [{"height": height, "domains": [[0, 1]]} for height in (300, 230)]  # on screen and paper
_KILOHERTZ = BANDS_HZ.index(1000.0)
# From quiet to loud, ever lighter, blue to yellow: told apart by colour-blind eyes and on grey paper.
_PICTURE_COLOURS = [
    [0.0, "#0B1220"],
    [0.3, "#173F73"],
    [0.55, palette.BLUE],
    [0.75, "#B99C5A"],
    [0.9, "#E9C46A"],
    [1.0, "#FFF6D6"],
]


def picture(crossover: Crossover, spectrum: Spectrum) -> Row:
    """A file's third octaves over time, with the corner of the crossover."""
    picture_db = np.asarray(spectrum.picture_dbfs, dtype=np.float64).T
    high_db = math.ceil(float(picture_db.max()))
    trace = {
        "type": "heatmap",
        "picture": packed_picture(picture_db, low_db=high_db - _PICTURE_DB, high_db=float(high_db)),
        "step_s": spectrum.step_s,
        "zmin": high_db - _PICTURE_DB,
        "zmax": high_db,
        "colorscale": _PICTURE_COLOURS,
        "showscale": False,
        "hoverinfo": "skip",
    }
    wanted = {63.0: "63", 250.0: "250", 1000.0: "1k", 4000.0: "4k", 16000.0: "16k"}
    axis = {
        "range": [-0.5, len(BANDS_HZ) - 0.5],
        "tickvals": [band_at(hz) for hz in wanted],
        "ticktext": list(wanted.values()),
        "showgrid": False,
    }
    limits: tuple[tuple[float, str, str], ...] = ()
    if crossover.alignment != "none":
        limits = ((band_at(crossover.frequency_hz), f"crossover {as_given(crossover.frequency_hz)} Hz", "dash"),)
    title = "Third octaves, Hz (lighter is louder)"
    return Row(
        title=title, height_px=160, traces=(trace,), axis=axis, limits=limits, line="#FFFFFF", ground=_PICTURE_GROUND
    )


def mean(spectrum: Spectrum, crossover: Crossover) -> dict[str, Any]:
    """The file's mean third octaves, what of them passes to the HF branch, and the crossover's response over both."""
    level_db = np.asarray(spectrum.band_level_dbfs, dtype=np.float64)
    top_db = 10.0 * math.ceil(float(level_db.max()) / 10.0)
    floor_db = top_db - _SPECTRUM_DB
    passed_db = level_db + _response_db(crossover, midbands_hz())
    fine = np.linspace(-0.5, len(BANDS_HZ) - 0.5, 161)
    curve_db = _response_db(crossover, _frequency_hz(fine))
    bars = [
        _bars("programme", level_db, floor_db, "@quiet/0.45", ""),
        _bars("what reaches the HF branch", passed_db, floor_db, "@blue", "/"),
    ]
    curve = {
        "type": "scatter",
        "mode": "lines",
        "name": "crossover and pad (right)" if crossover.pad_db else "crossover (right)",
        "x": [round(float(each), 3) for each in fine],
        "y": [round(float(each), 2) for each in np.maximum(curve_db, -2.0 * _SPECTRUM_DB)],
        "yaxis": "y2",
        "line": {"color": "@ink", "width": 2, "dash": "dash"},
        "hoverinfo": "skip",
    }
    return {"data": [*bars, curve], "layout": _layout(floor_db, top_db, crossover), "shades": [], "places": _PLACES}


def _response_db(crossover: Crossover, frequency_hz: Any) -> Any:
    return 20.0 * np.log10(np.maximum(np.abs(response(crossover, frequency_hz)), 1e-9))


def _bars(name: str, level_db: Any, floor_db: float, colour: str, pattern: str) -> dict[str, Any]:
    return {
        "type": "bar",
        "name": name,
        "x": list(range(len(level_db))),
        "base": floor_db,
        "y": [round(float(each), 1) for each in np.maximum(level_db - floor_db, 0.0)],
        "marker": {
            "color": colour,
            "pattern": {"shape": pattern, "fillmode": "overlay", "fgcolor": "@ground", "size": 6, "solidity": 0.15},
        },
        "hoverinfo": "skip",
    }


def _layout(floor_db: float, top_db: float, crossover: Crossover) -> dict[str, Any]:
    base = rows.figure([Row(title="", height_px=200, traces=(), axis={})], duration_s=1.0, shades=[])["layout"]
    wanted = {31.5: "31", 63.0: "63", 125.0: "125", 250.0: "250", 500.0: "500", 1000.0: "1k", 2000.0: "2k"}
    wanted |= {4000.0: "4k", 8000.0: "8k", 16000.0: "16k"}
    axis = base["yaxis"]
    layout = {
        **base,
        "annotations": [],
        "shapes": [],
        "margin": {"l": 46, "r": 40, "t": 50, "b": 36},
        "hovermode": False,
        "bargap": 0.15,
        "legend": {**base["legend"], "y": 1.0},
        "yaxis": {**axis, "range": [floor_db, top_db], "nticks": 7},
        "yaxis2": {**axis, "range": [-_SPECTRUM_DB, 0.0], "overlaying": "y", "side": "right", "showgrid": False},
        "xaxis": {
            "range": [-0.6, len(BANDS_HZ) - 0.4],
            "tickvals": [band_at(hz) for hz in wanted],
            "ticktext": list(wanted.values()),
            "fixedrange": True,
            "tickangle": 0,
            "linecolor": "@quiet",
            "tickfont": {"size": 10},
            "showgrid": False,
        },
    }
    if crossover.alignment != "none":
        at = band_at(crossover.frequency_hz)
        layout["shapes"] = [
            {
                "type": "line",
                "xref": "x",
                "x0": at,
                "x1": at,
                "yref": "paper",
                "y0": 0,
                "y1": 1,
                "line": {"color": "@ink", "width": 1, "dash": "dot"},
            }
        ]
    return layout


def band_at(frequency_hz: float) -> float:
    """Where a frequency lies on an axis that counts the bands, ten to the decade."""
    return 10.0 * math.log10(frequency_hz / 1000.0) + _KILOHERTZ


def _frequency_hz(band: Any) -> Any:
    return 1000.0 * 10.0 ** ((band - _KILOHERTZ) / 10.0)
