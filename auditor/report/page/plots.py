"""The timeline of a track: one row for each thing that happens to the driver, drawn of the worst channel."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.published import DRAPER_POINT_K
from auditor.report import words
from auditor.report.figures import MEANINGLESS_C, as_given
from auditor.report.page import rows, third_octaves
from auditor.report.page.envelope import packed
from auditor.report.page.markup import DEGREE
from auditor.report.page.rows import Row, area, line

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Cause, ChannelAudit, Passage, Trace, Verdict
    from auditor.programme.spectrum import Spectrum

_MOST_SHADES = 150
_MOST_BARS = 600
_LANES: dict[Cause, tuple[str, str]] = {
    "protection_engaged": ("E", "part working"),
    "driver_power_peak": ("P", "peak power"),
    "driver_power_1s": ("S", "1 s power"),
    "driver_power_60s": ("M", "60 s power"),
    "coil_temp": ("T", "coil"),
    "excursion": ("D", "excursion"),
    "protection_failed": ("X", "part fails"),
}
_GROUNDS: tuple[tuple[Verdict, float], ...] = (("engaged", 0.09), ("risk", 0.10))
_PATTERN = {"fgcolor": "@ground", "size": 6, "solidity": 0.2}
_COLOURS: dict[Verdict, str] = {"clear": "@blue", "engaged": "@amber", "risk": "@crimson"}


def channel_shown(track: Audit) -> ChannelAudit:
    """The channel that is drawn: the worst."""
    return next(each for each in track.channels if each.index == track.worst_channel)


def timeline(track: Audit, spectrum: Spectrum | None, *, most: int) -> dict[str, Any]:
    """The rows of a track on one axis of time.

    Parameters
    ----------
    track : Audit
    spectrum : Spectrum or None
        None where there is no picture.
    most : int
        Points that a trace may have.
    """
    draw = _Draw(track, most)
    drawn = [_power(draw), _peaks(draw), _temperature(draw)]
    if track.rig.protection.kind != "none":
        drawn.append(_attenuation(draw))
    if _varies(draw.channel.traces.protection_resistance_ohm):
        drawn.append(_resistance(draw))
    if draw.channel.traces.filament_temp_k is not None:
        drawn.append(_filament(draw))
    drawn.append(_clipping(draw))
    if track.passages:
        drawn.append(_flags(track))
    if spectrum is not None:
        drawn.append(third_octaves.picture(track.rig.crossover, spectrum))
    return rows.figure(drawn, duration_s=track.duration_s, shades=_shades(track))


class _Draw:
    """What every row needs: the track, its channel, and how a trace is packed."""

    def __init__(self, track: Audit, most: int) -> None:
        self.track, self.rig, self.most = track, track.rig, most
        self.channel = channel_shown(track)
        self.without = f"without {words.device(track.rig)}" if track.rig.protection.kind != "none" else ""

    def pack(self, trace: Trace, *, unit_ratio: float = 1.0) -> dict[str, Any]:
        return packed(trace * unit_ratio, step_s=self.channel.traces.step_s, most=self.most)


def _power(draw: _Draw) -> Row:
    driver, traces = draw.rig.driver, draw.channel.traces
    lines = [
        line("1 s", draw.pack(traces.driver_power_1s_w), "@blue", "1 s mean | .3~r | W", width=2.0),
        line("60 s", draw.pack(traces.driver_power_60s_w), "@amber", "60 s mean | .3~r | W", dash="dash", width=2.5),
    ]
    if draw.without:
        ghost = line(
            draw.without,
            draw.pack(traces.unprotected_power_1s_w),
            "@quiet",
            f"1 s mean {draw.without} | .3~r | W",
            dash="dot",
        )
        lines.insert(0, ghost)
    top_w = max(
        1.22 * driver.program_power_w,
        1.1 * _largest(traces.driver_power_1s_w),
        min(1.05 * _largest(traces.unprotected_power_1s_w), 2.5 * driver.program_power_w),
    )
    limits = (
        (driver.program_power_w, f"{as_given(driver.program_power_w)} W over 1 s", "solid"),
        (driver.continuous_power_w, f"{as_given(driver.continuous_power_w)} W over 60 s", "dash"),
    )
    axis = {"range": [0.0, top_w]}
    return Row(
        title="HF power, mean over 1 s and 60 s, W", height_px=190, traces=tuple(lines), axis=axis, limits=limits
    )


def _peaks(draw: _Draw) -> Row:
    rating_w, trace = draw.rig.driver.peak_power_w, draw.channel.traces.driver_power_peak_w
    axis = {"range": [0.0, max(1.3 * rating_w, 1.1 * _largest(trace))], "nticks": 3}
    limits = ((rating_w, f"{as_given(rating_w)} W", "solid"),)
    drawn = (line("peak", draw.pack(trace), "@blue", "peak | .3~r | W", width=1.0),)
    return Row(title="Peak HF power, W", height_px=80, traces=drawn, axis=axis, limits=limits)


def _temperature(draw: _Draw) -> Row:
    limit_c, traces = draw.rig.driver.coil_temp_limit_c, draw.channel.traces

    def pack(temp_c: Trace) -> dict[str, Any]:
        return draw.pack(np.minimum(temp_c, MEANINGLESS_C))

    told = f"coil {draw.without} | .0f | {DEGREE}C"
    lines = [
        line("coil", pack(traces.coil_temp_c), "@blue", f"coil | .0f | {DEGREE}C", width=2.0),
        line("body", pack(traces.body_temp_c), "@amber", f"body | .0f | {DEGREE}C", dash="dash", width=2.0),
    ]
    if draw.without:
        ghost = line(draw.without, pack(traces.unprotected_coil_temp_c), "@quiet", told, dash="dot")
        lines.insert(0, ghost)
    hottest_c = max(_largest(traces.coil_temp_c), min(_largest(traces.unprotected_coil_temp_c), 1.8 * limit_c))
    top_c = max(1.18 * limit_c, min(1.08 * hottest_c, 1.02 * MEANINGLESS_C))
    axis = {"range": [min(0.0, draw.rig.site.ambient_temp_c - 5.0), top_c]}
    limits = ((limit_c, f"limit {as_given(limit_c)} {DEGREE}C", "solid"),)
    beyond = f" (drawn up to {MEANINGLESS_C:.0f})" if hottest_c > MEANINGLESS_C else ""
    return Row(
        title=f"Voice coil and body, {DEGREE}C{beyond}", height_px=150, traces=tuple(lines), axis=axis, limits=limits
    )


def _attenuation(draw: _Draw) -> Row:
    trace = draw.channel.traces.attenuation_db
    axis = {"range": [0.0, max(3.0, 1.25 * _largest(trace))], "nticks": 3}
    title = f"Taken off by the {words.device(draw.rig)}, dB"
    limits = ((OPEN_ATTENUATION_DB, "open", "dot"),) if _largest(trace) >= OPEN_ATTENUATION_DB else ()
    return Row(
        title=title,
        height_px=80,
        traces=(area("taken off", draw.pack(trace), "@amber", "taken off | .1f | dB"),),
        axis=axis,
        limits=limits,
        line="@ink",
    )


def _resistance(draw: _Draw) -> Row:
    trace = draw.channel.traces.protection_resistance_ohm
    axis = {"range": [0.0, max(1.15 * _largest(trace), 0.1)], "nticks": 3}
    title = f"Resistance of the {words.device(draw.rig)}, ohm"
    drawn = (line("resistance", draw.pack(trace), "@blue", "resistance | .2~f | ohm", width=1.8),)
    return Row(title=title, height_px=80, traces=drawn, axis=axis)


def _filament(draw: _Draw) -> Row:
    trace, glow_k = draw.channel.traces.filament_temp_k, DRAPER_POINT_K.value
    assert trace is not None
    axis = {"range": [0.0, max(1.3 * glow_k, 1.12 * _largest(trace))], "nticks": 3}
    drawn = (line("filament", draw.pack(trace), "@amber", "filament | .0f | K", width=1.8),)
    limits = ((glow_k, "glows above this", "dot"),)
    return Row(title="Filament, K", height_px=80, traces=drawn, axis=axis, limits=limits, line="@ink")


def _clipping(draw: _Draw) -> Row:
    trace = draw.channel.traces.clipped_ratio
    axis = {"range": [0.0, max(1.0, 110.0 * _largest(trace))], "nticks": 3}
    drawn = (area("clipped", draw.pack(trace, unit_ratio=100.0), "@crimson", "clipped | .2~f | %"),)
    return Row(title="Clipped by the amplifier, % of samples", height_px=56, traces=drawn, axis=axis)


def _flags(track: Audit) -> Row:
    """A lane for each cause; each passage is a bar in it."""
    lanes = [cause for cause in _LANES if any(each.cause == cause for each in track.passages)]
    traces = []
    for lane, cause in enumerate(lanes):
        found = [each for each in track.passages if each.cause == cause]
        colour = _COLOURS[found[0].verdict]
        spans = _joined([(each.start_s, _end_s(each, track)) for each in found], most=_MOST_BARS)
        traces.append(
            {
                "type": "bar",
                "orientation": "h",
                "name": f"{_LANES[cause][0]} {_LANES[cause][1]}",
                "showlegend": True,
                "base": [round(1000.0 * start_s) for start_s, _ in spans],
                "x": [max(round(1000.0 * (end_s - start_s)), 1) for start_s, end_s in spans],
                "y": [lane] * len(spans),
                "width": 0.8,
                "marker": {
                    "color": f"{colour}/0.85",
                    "line": {"color": colour, "width": 2},
                    "pattern": {"shape": "/" if found[0].verdict == "risk" else ".", "fillmode": "overlay", **_PATTERN},
                },
                "hoverinfo": "skip",
            }
        )
    axis = {
        "range": [-0.6, len(lanes) - 0.4],
        "tickvals": list(range(len(lanes))),
        "ticktext": [_LANES[cause][0] for cause in lanes],
        "showgrid": False,
    }
    return Row(title="Flagged passages", height_px=20 + 16 * len(lanes), traces=tuple(traces), axis=axis)


def _end_s(passage: Passage, track: Audit) -> float:
    return track.duration_s if passage.cause == "protection_failed" else passage.end_s


def _shades(track: Audit) -> list[dict[str, Any]]:
    """Flagged time as grounds behind all rows, risk over engaged."""
    shades = []
    for verdict, opacity in _GROUNDS:
        spans = [(each.start_s, _end_s(each, track)) for each in track.passages if each.verdict == verdict]
        joined = _joined(spans, most=_MOST_SHADES)
        # The edge keeps what is narrower than a pixel in sight.
        shades.append(
            {
                "fill": f"{_COLOURS[verdict]}/{opacity}",
                "edge": f"{_COLOURS[verdict]}/0.45",
                "spans": [[round(1000.0 * start_s), round(1000.0 * end_s)] for start_s, end_s in joined],
            }
        )
    return shades


def _joined(spans: list[tuple[float, float]], *, most: int) -> list[tuple[float, float]]:
    """Spans that touch as one; where there are more than `most`, those with the shortest gaps too."""
    joined: list[tuple[float, float]] = []
    for start_s, end_s in sorted(spans):
        if joined and start_s <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end_s, joined[-1][1]))
        else:
            joined.append((start_s, end_s))
    if len(joined) <= most:
        return joined
    gaps_s = sorted(after[0] - before[1] for before, after in itertools.pairwise(joined))
    least_s = gaps_s[len(joined) - most - 1]
    closed = [(start_s - least_s / 2.0, end_s + least_s / 2.0) for start_s, end_s in joined]
    merged = _joined(closed, most=len(closed))
    return [(start_s + least_s / 2.0, end_s - least_s / 2.0) for start_s, end_s in merged]


def _varies(trace: Trace) -> bool:
    """Whether there is anything to see: contacts and fuses have one resistance."""
    finite = trace[np.isfinite(trace)]
    return bool(len(finite)) and float(np.ptp(finite)) > 0.01 * float(finite.max())


def _largest(trace: Trace) -> float:
    finite = trace[np.isfinite(trace)]
    return float(finite.max()) if len(finite) else 0.0
