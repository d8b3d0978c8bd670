"""Rows of graphs above each other on one axis of time, as a plotly figure in plain data.

Colours are names ("@blue", "@crimson/0.15" with its opacity) which the page's script looks up, so that one figure
serves light, dark and print. Traces that travel packed are unpacked by the script. No text from outside gets in here:
plotly reads some markup in what it is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

_TITLE_PX, _LEGEND_PX = 26, 18  # above a row
_TOP_PX = 6
_BOTTOM_PX = 30
_PRINT_PX = 730  # what a sheet has room for under a track's head
_LEAST_PRINT_RATIO, _MOST_PRINT_RATIO = 0.4, 0.8


@dataclass(frozen=True, kw_only=True)
class Row:
    """One graph: its title, height, traces, axis, and limits as (value, words, dash)."""

    title: str
    height_px: int
    traces: tuple[dict[str, Any], ...]
    axis: dict[str, Any]
    limits: tuple[tuple[float, str, str], ...] = ()
    line: str = "@limit"
    ground: str = "@ground/0.75"  # behind the words of a limit

    @property
    def has_legend(self) -> bool:
        """Whether its lines need names: one alone is named by the title."""
        return sum("name" in trace for trace in self.traces) > 1 or any(t.get("showlegend") for t in self.traces)

    @property
    def head_px(self) -> int:
        """Room for title and legend above it."""
        return _TITLE_PX + (_LEGEND_PX if self.has_legend else 0)


def figure(rows: list[Row], *, duration_s: float, shades: list[dict[str, Any]]) -> dict[str, Any]:
    """All rows as one figure: its `data`, its `layout`, its `shades`, and where the rows lie on screen and paper.

    Parameters
    ----------
    rows : list of Row
        From the top to the bottom.
    duration_s : float
        End of the axis of time.
    shades : list of dict
        Stretches of time over all rows: their `spans` [ms], `fill` and `edge`.
    """
    margin = {"l": 46, "r": 12, "t": _TOP_PX + rows[0].head_px, "b": _BOTTOM_PX}
    layout: dict[str, Any] = {"shapes": [], "annotations": [], "margin": margin, **_ground()}
    traces: list[dict[str, Any]] = []
    for number, row in enumerate(rows, start=1):
        suffix = "" if number == 1 else str(number)
        place = {"yaxis": f"y{suffix}", "legend": f"legend{suffix}"}
        traces += [{"showlegend": row.has_legend and "name" in trace, **trace, **place} for trace in row.traces]
        layout[f"yaxis{suffix}"] = {**_axis(), **row.axis}
        layout[f"legend{suffix}"] = _legend()
        layout["annotations"].append(_title(row.title, suffix, _LEGEND_PX if row.has_legend else 1))
    for number, row in enumerate(rows, start=1):
        axis = f"y{'' if number == 1 else number}"
        layout["shapes"] += [_limit(value, dash, axis=axis, line=row.line) for value, _, dash in row.limits]
        layout["annotations"] += [_limit_words(value, words, axis=axis, row=row) for value, words, _ in row.limits]
    layout["xaxis"] = {**_time(duration_s), "anchor": f"y{len(rows) if len(rows) > 1 else ''}"}
    heads = sum(row.head_px for row in rows) + _BOTTOM_PX + _TOP_PX
    ratio = (_PRINT_PX - heads) / sum(row.height_px for row in rows)
    ratio = min(max(ratio, _LEAST_PRINT_RATIO), _MOST_PRINT_RATIO)
    places = [_places(rows, each) for each in (1.0, ratio)]
    return {"data": traces, "layout": layout, "shades": shades, "places": places}


def _places(rows: list[Row], ratio: float) -> dict[str, Any]:
    """Height of the figure, and each row's share of it, with heights times a ratio, the words between as they are."""
    drawn = sum(row.height_px * ratio + row.head_px for row in rows) - rows[0].head_px
    domains, top = [], drawn
    for number, row in enumerate(rows, start=1):
        bottom = top - row.height_px * ratio
        domains.append([round(max(bottom / drawn, 0.0), 4), round(min(top / drawn, 1.0), 4)])
        top = bottom - (rows[number].head_px if number < len(rows) else 0)
    return {"height": round(drawn + _TOP_PX + rows[0].head_px + _BOTTOM_PX), "domains": domains}


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
    # plotly tells time of the day; the script hands it the track's as such, and sets the ends.
    clock = "%-H:%M:%S" if duration_s >= 3600.0 else "%-M:%S"
    return {
        "type": "date",
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


def _title(words: str, suffix: str, above: int) -> dict[str, Any]:
    return {
        "text": f"<b>{words}</b>",
        "showarrow": False,
        "xref": "paper",
        "x": 0,
        "xanchor": "left",
        "yref": f"y{suffix} domain",
        "y": 1,
        "yanchor": "bottom",
        "yshift": above,
        "font": {"size": 12},
    }


def _limit(value: float, dash: str, *, axis: str, line: str) -> dict[str, Any]:
    return {
        "type": "line",
        "xref": "x domain",
        "x0": 0,
        "x1": 1,
        "yref": axis,
        "y0": value,
        "y1": value,
        "line": {"color": line, "width": 1.5, "dash": dash},
    }


def _limit_words(value: float, words: str, *, axis: str, row: Row) -> dict[str, Any]:
    return {
        "text": words,
        "showarrow": False,
        "xref": "x domain",
        "x": 1,
        "xanchor": "right",
        "yref": axis,
        "y": value,
        "yanchor": "bottom",
        "yshift": 1,
        "borderpad": 0,
        "bgcolor": row.ground,
        "font": {"size": 11, "color": row.line},
    }
