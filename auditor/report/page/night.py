"""A set played through, on the page: the night on one axis of time, every track in its place, what the order does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.report import figures, night_words, summary
from auditor.report.figures import MEANINGLESS_C, as_given
from auditor.report.page import rows
from auditor.report.page.envelope import packed
from auditor.report.page.markup import DEGREE, figure, mark, name, text
from auditor.report.page.rows import Row, line
from auditor.report.page.tracks import zoom_buttons

if TYPE_CHECKING:
    from auditor.audit_types import SetAudit, Verdict
    from auditor.night_types import Night
    from auditor.report.page.tracks import Place

KEY = "night"
_COLOURS: dict[Verdict, str] = {"clear": "@blue", "engaged": "@amber", "risk": "@crimson"}
_SHADES: dict[Verdict, str] = {"clear": "", "engaged": ".", "risk": "/"}


def section(set_audit: SetAudit, places: dict[int, Place]) -> str:
    """The whole night; nothing where each track is judged from cold."""
    night = set_audit.night
    if night is None:
        return ""
    shown = {track.name: places[id(track)].name for track in set_audit.tracks}
    temp = figure("/night/hottest/coil_temp_c", "degrees", night.hottest.coil_temp_c)
    limit = figure("/rig/driver/coil_temp_limit_c", "degrees", set_audit.rig.driver.coil_temp_limit_c)
    track, when = night_words.hottest(night, shown.__getitem__)
    said = [
        f"<p><b>Hottest:</b> {temp} (limit {limit}) in {name(track)}, {text(when)}"
        f"{text(summary.off_rating(set_audit))}.</p>",
        *(f'<p class="advice">{name(each)}</p>' for each in night_words.effect(night, shown.__getitem__, DEGREE)),
    ]
    if night_words.is_left_out(set_audit):
        said.append(f'<p class="warn"><b>!</b> {text(night_words.LEFT_OUT)}</p>')
    in_words = text(f"The hottest coil over the night, {figures.length(night.duration_s)}; below it the tracks.")
    return (
        f"<h2>The night</h2>\n<p>{text(night_words.MODE)}</p>\n" + "\n".join(said) + "\n"
        f'<details class="track together" id="{KEY}" data-length="{night.duration_s:.3f}" data-whole="the whole night" '
        f'open><summary><span class="head"><h3>{text(night_words.title(night))}</h3></span></summary>\n'
        f'{zoom_buttons("the whole night")}\n<figure><div class="plot timeline" tabindex="0" role="group" '
        f'aria-label="Timeline. {in_words}" data-of="{KEY}" data-plot="timeline"></div>'
        f"<figcaption>{in_words}</figcaption></figure>\n{_table(set_audit, night, places)}</details>"
    )


def _table(set_audit: SetAudit, night: Night, places: dict[int, Place]) -> str:
    heads = "".join(
        f'<th scope="col">{each}</th>' for each in ("Verdict", "Starts", "Coil then", "From cold", "In its place")
    )
    lines = []
    for number, (track, place) in enumerate(zip(set_audit.tracks, night.timeline, strict=True)):
        at = f"/night/timeline/{number}"
        cells = [
            mark(track.verdict),
            figure(f"{at}/start_s", "clock", place.start_s),
            figure(f"{at}/coil_temp_start_c", "degrees", place.coil_temp_start_c),
            figure(f"{at}/coil_temp_alone_c", "degrees", place.coil_temp_alone_c),
            figure(f"{at}/coil_temp_max_c", "degrees", place.coil_temp_max_c),
        ]
        where = places[id(track)]
        link = f'<a href="#{where.key}">{name(where.name)}</a>'
        row = "".join(f"<td>{cell}</td>" for cell in cells)
        lines.append(f'<tr><th scope="row">{number + 1} {link}</th>{row}</tr>')
    return (
        '<div class="wide"><table class="figures night"><caption>The coil when each track starts, and what it reaches '
        f"had everything been cold then, and in its place</caption><thead><tr><td></td>{heads}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table></div>"
    )


def plots(set_audit: SetAudit, *, most: int) -> dict[str, Any] | None:
    """The figure of the section; None where there is none.

    Parameters
    ----------
    set_audit : SetAudit
    most : int
        Points that a trace may have.
    """
    night = set_audit.night
    if night is None:
        return None
    return {
        "timeline": rows.figure(
            [_coil(set_audit, night, most), _tracks(set_audit, night)], duration_s=night.duration_s, shades=[]
        )
    }


def _coil(set_audit: SetAudit, night: Night, most: int) -> Row:
    limit_c = set_audit.rig.driver.coil_temp_limit_c
    temp_c = np.minimum(night.coil_temp_c, MEANINGLESS_C)
    drawn = line("coil", packed(temp_c, step_s=night.step_s, most=most), "@blue", f"coil | .0f | {DEGREE}C", width=2.0)
    top_c = max(1.18 * limit_c, 1.08 * float(temp_c.max()))
    return Row(
        title=f"Hottest voice coil, {DEGREE}C",
        height_px=190,
        traces=(drawn,),
        axis={"range": [min(0.0, set_audit.rig.site.ambient_temp_c - 5.0), top_c]},
        limits=((limit_c, f"limit {as_given(limit_c)} {DEGREE}C", "solid"),),
    )


def _tracks(set_audit: SetAudit, night: Night) -> Row:
    """A lane of bars, a track each, with its number."""
    traces = []
    for verdict, colour in _COLOURS.items():
        found = [
            (number, place)
            for number, (track, place) in enumerate(zip(set_audit.tracks, night.timeline, strict=True), start=1)
            if track.verdict == verdict
        ]
        if not found:
            continue
        traces.append(
            {
                "type": "bar",
                "orientation": "h",
                "name": verdict,
                "showlegend": True,
                "base": [round(1000.0 * place.start_s) for _, place in found],
                "x": [max(round(1000.0 * (place.end_s - place.start_s)), 1) for _, place in found],
                "y": [0] * len(found),
                "width": 0.8,
                "text": [str(number) for number, _ in found],
                "textposition": "inside",
                "insidetextanchor": "start",
                "textangle": 0,
                "textfont": {"color": "@ink", "size": 12},
                "marker": {
                    "color": f"{colour}/0.35",
                    "line": {"color": colour, "width": 2},
                    "pattern": {
                        "shape": _SHADES[verdict],
                        "fillmode": "overlay",
                        "fgcolor": "@ground",
                        "size": 6,
                        "solidity": 0.2,
                    },
                },
                "hoverinfo": "skip",
            }
        )
    axis = {"range": [-0.6, 0.6], "tickvals": [], "showgrid": False}
    return Row(title="Tracks by number", height_px=44, traces=tuple(traces), axis=axis)
