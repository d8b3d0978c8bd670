"""Rows of graphs above each other on one axis of time, as a plotly figure in plain data.

Colours are names ("@blue", "@crimson/0.15" with its opacity) which the page's script looks up, so that one figure
serves light, dark and print. Traces that travel packed are unpacked by the script. No text from outside gets in here:
plotly reads some markup in what it is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

_GAP_PX = 46  # between two rows: a title and a legend stand in it
_TOP_PX = 44
_BOTTOM_PX = 30
_PRINT_RATIO = 0.74  # of the heights on the screen: a whole track's rows fit on a sheet


@dataclass(frozen=True, kw_only=True)
class Row:
    """One graph: its title, height, traces, axis, and limits as (value, words, dash)."""

    title: str
    height_px: int
    traces: tuple[dict[str, Any], ...]
    axis: dict[str, Any]
    limits: tuple[tuple[float, str, str], ...] = ()
    line: str = "@limit"


def figure(rows: list[Row], *, duration_s: float, shades: list[dict[str, Any]]) -> dict[str, Any]:
    """All rows as one figure: `data`, `layout`, and the `heights` on screen and paper.

    Parameters
    ----------
    rows : list of Row
        From the top to the bottom.
    duration_s : float
        End of the axis of time.
    shades : list of dict
        Rectangles over all rows.
    """
    drawn = sum(row.height_px for row in rows) + _GAP_PX * (len(rows) - 1)
    layout: dict[str, Any] = {"shapes": list(shades), "annotations": [], "margin": _margin(), **_ground()}
    traces: list[dict[str, Any]] = []
    top = float(drawn)
    for number, row in enumerate(rows, start=1):
        bottom = top - row.height_px
        suffix = "" if number == 1 else str(number)
        domain = [max(bottom / drawn, 0.0), min(top / drawn, 1.0)]
        layout[f"yaxis{suffix}"] = {**_axis(), **row.axis, "domain": domain}
        layout[f"legend{suffix}"] = {**_legend(), "y": domain[1]}
        layout["annotations"].append(_title(row.title, domain[1]))
        layout["shapes"] += [_limit(*each, axis=f"y{suffix}", line=row.line) for each in row.limits]
        several = sum("name" in trace for trace in row.traces) > 1
        traces += [
            {"showlegend": several and "name" in trace, **trace, "yaxis": f"y{suffix}", "legend": f"legend{suffix}"}
            for trace in row.traces
        ]
        top = bottom - _GAP_PX
    layout["xaxis"] = {**_time(duration_s), "anchor": f"y{len(rows) if len(rows) > 1 else ''}"}
    height = drawn + _TOP_PX + _BOTTOM_PX
    return {"data": traces, "layout": layout, "heights": [height, min(round(height * _PRINT_RATIO), 930)]}


def line(name: str, trace: dict[str, Any], colour: str, *, dash: str = "solid", width: float = 1.5) -> dict[str, Any]:
    """A trace as a line; `trace` comes from `envelope.packed`."""
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "packed": trace,
        "line": {"color": colour, "dash": dash, "width": width},
        "connectgaps": False,
    }


def area(name: str, trace: dict[str, Any], colour: str) -> dict[str, Any]:
    """A trace as a filled area."""
    return {**line(name, trace, colour, width=1.0), "fill": "tozeroy", "fillcolor": f"{colour}/0.35"}


def _ground() -> dict[str, Any]:
    return {
        "paper_bgcolor": "@ground",
        "plot_bgcolor": "@ground",
        "font": {"color": "@ink", "size": 12, "family": "system-ui, sans-serif"},
        "hovermode": "x unified",
        "hoverlabel": {"bgcolor": "@ground", "bordercolor": "@quiet", "font": {"color": "@ink", "size": 12}},
        "barmode": "overlay",
        "bargap": 0,
    }


def _margin() -> dict[str, Any]:
    return {"l": 46, "r": 12, "t": _TOP_PX, "b": _BOTTOM_PX}


def _axis() -> dict[str, Any]:
    return {
        "fixedrange": True,
        "gridcolor": "@grid",
        "linecolor": "@quiet",
        "zeroline": False,
        "nticks": 5,
        "automargin": False,
        "tickfont": {"size": 11},
    }


def _time(duration_s: float) -> dict[str, Any]:
    # plotly tells time of the day; milliseconds from midnight on serve for time in the track.
    clock = "%-H:%M:%S" if duration_s >= 3600.0 else "%-M:%S"
    return {
        "type": "date",
        "range": [0, 1000.0 * duration_s],
        "minallowed": 0,
        "maxallowed": 1000.0 * duration_s,
        "tickformat": clock,
        "tickformatstops": [{"dtickrange": [None, 999], "value": f"{clock}.%L"}],
        "hoverformat": f"{clock}.%L",
        "gridcolor": "@grid",
        "linecolor": "@quiet",
        "nticks": 7,
        "tickfont": {"size": 11},
        "ticks": "outside",
    }


def _legend() -> dict[str, Any]:
    return {
        "orientation": "h",
        "x": 0,
        "xanchor": "left",
        "yanchor": "bottom",
        "bgcolor": "rgba(0,0,0,0)",
        "font": {"size": 11},
        "itemclick": False,
        "itemdoubleclick": False,
        "tracegroupgap": 0,
    }


def _title(words: str, top: float) -> dict[str, Any]:
    return {
        "text": f"<b>{words}</b>",
        "showarrow": False,
        "xref": "paper",
        "x": 0,
        "xanchor": "left",
        "yref": "paper",
        "y": top,
        "yanchor": "bottom",
        "yshift": 18,
        "font": {"size": 12},
    }


def _limit(value: float, words: str, dash: str, *, axis: str, line: str) -> dict[str, Any]:
    return {
        "type": "line",
        "xref": "x domain",
        "x0": 0,
        "x1": 1,
        "yref": axis,
        "y0": value,
        "y1": value,
        "line": {"color": line, "width": 1.5, "dash": dash},
        "label": {
            "text": words,
            "textposition": "end",
            "yanchor": "bottom",
            "font": {"size": 11, "color": line},
        },
    }
