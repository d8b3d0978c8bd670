"""The rig as a small circuit: one cell of drawing for each stage, so that it wraps where the page is narrow.

Both wires run through every cell behind the amplifier; the driver closes the loop. Beside the protective part and the
driver stand their resistance cold, and as hot as this audit saw it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from auditor.driver.coil import resistance_ratio
from auditor.report import figures, words
from auditor.report.page.markup import DEGREE, figure, name, text

if TYPE_CHECKING:
    from auditor.audit_types import SetAudit
    from auditor.rig import Limiter, Rig

_WIRES = '<path d="M0 30H{a}M{b} 30H120M0 90H120"/>'  # the upper wire is broken by what stands in it
_LINE = '<path d="M0 30H{a}M{b} 30H120"/>'  # before the amplifier one line stands for the signal


def circuit(set_audit: SetAudit) -> str:
    """The drawing, from the mixer to the driver."""
    rig = set_audit.rig
    cells = [_cell("Mixer", _mixer(), _mixer_lines(rig))]
    if rig.equaliser:
        sections = f"{len(rig.equaliser)} {'section' if len(rig.equaliser) == 1 else 'sections'}"
        cells.append(_cell("Equaliser", _box("M38 42C50 42 52 22 60 22S70 42 82 42"), [sections]))
    limiters = [_limiter(each) for each in rig.limiters if each.band == "full" or rig.amplifier.band == "full"]
    behind = [_limiter(each) for each in rig.limiters if each.band == "hf" and rig.amplifier.band == "hf"]
    active = rig.amplifier.band == "hf"
    crossover = [_crossover(rig, is_line=active)] if rig.crossover.alignment != "none" else []
    cells += [*limiters, *(crossover if active else []), *behind, _amplifier(rig), *([] if active else crossover)]
    if rig.crossover.pad_db:
        cells.append(_cell("Pad", _pad(), [f"{figures.as_given(rig.crossover.pad_db)} dB"]))
    cells += [_part(set_audit), _driver(set_audit)]
    return f'<div class="circuit" role="group" aria-label="{text(words.rig_sentence(rig))}">{"".join(cells)}</div>'


def _cell(title: str, drawing: str, lines: list[str], *, raw: str = "") -> str:
    told = "".join(f"<span>{text(each)}</span>" for each in lines if each) + raw
    return (
        f'<div class="cell"><svg viewBox="0 0 120 120" aria-hidden="true">{drawing}</svg>'
        f"<b>{text(title)}</b>{told}</div>"
    )


def _mixer_lines(rig: Rig) -> list[str]:
    level = rig.level
    ridden = level.match_loudness_lufs
    return [
        "" if ridden is None else f"every track at {figures.as_given(ridden)} LUFS",
        f"{figures.as_given(level.full_scale_dbu)} dBu at full scale",
        f"then {level.gain_db:+.6g} dB" if level.gain_db else "",
    ]


def _mixer() -> str:
    faders = "".join(
        f'<path d="M{x} 14V46"/><rect class="fill" x="{x - 5}" y="{y}" width="10" height="6"/>'
        for x, y in ((40, 32), (60, 20), (80, 27))
    )
    return f'<rect x="26" y="6" width="68" height="48" rx="4"/>{faders}<path d="M94 30H120"/>'


def _box(curve: str) -> str:
    return (
        f'{_LINE.format(a=30, b=90)}<rect x="30" y="10" width="60" height="40" rx="3"/><path class="bold" d="{curve}"/>'
    )


def _limiter(limiter: Limiter) -> str:
    lines = [
        f"{limiter.detector}, {figures.as_given(round(limiter.threshold_dbu, 2))} dBu",
        f"attack {figures.as_given(limiter.attack_s)} s, release {figures.as_given(limiter.release_s)} s",
    ]
    return _cell("Limiter", _box("M36 46L58 24H84"), lines)


def _amplifier(rig: Rig) -> str:
    amplifier = rig.amplifier
    drawing = (
        '<path d="M0 30H34M34 4V56L90 30ZM90 30H120M62 43V90H120M54 90H70"/><path class="bold" d="M62 90V98M52 98H72"/>'
    )
    lines = [
        f"{figures.as_given(amplifier.gain_db)} dB",
        f"{figures.as_given(amplifier.rated_power_w)} W into {figures.as_given(amplifier.rated_load_ohm)} ohm",
        f"clips at {amplifier.rail_v:.3g} V peak",
    ]
    return _cell("Amplifier" if amplifier.band == "full" else "HF amplifier", drawing, lines)


def _crossover(rig: Rig, *, is_line: bool) -> str:
    network = rig.crossover
    curve = '<path class="bold" d="M36 {low}C52 {low} 50 {high} 64 {high}H84"/>'
    if is_line:
        drawing = f'{_LINE.format(a=30, b=90)}<rect x="30" y="10" width="60" height="40" rx="3"/>'
        drawing += curve.format(low=44, high=20)
    else:
        drawing = '<path d="M0 30H30M90 30H120M0 90H30M90 90H120"/><rect x="30" y="14" width="60" height="92" rx="3"/>'
        drawing += curve.format(low=80, high=44)
    lines = [network.alignment, f"order {network.order}, {figures.as_given(network.frequency_hz)} Hz"]
    return _cell("Crossover, HF branch", drawing, lines)


def _pad() -> str:
    return (
        '<path d="M0 30H20M60 30H120M0 90H120M84 30V42M84 78V90"/><rect x="20" y="22" width="40" height="16"/>'
        '<rect x="76" y="42" width="16" height="36"/>'
    )


_SYMBOLS = {
    "lamp": _WIRES.format(a=38, b=82)
    + '<circle cx="60" cy="30" r="22"/><path d="M44.5 14.5L75.5 45.5M75.5 14.5L44.5 45.5"/>',
    "fuse": _WIRES.format(a=34, b=86) + '<rect x="34" y="20" width="52" height="20"/><path d="M34 30H86"/>',
    "resettable": _WIRES.format(a=34, b=86) + '<rect x="34" y="20" width="52" height="20"/><path d="M28 48H40L80 12"/>',
    "breaker": _WIRES.format(a=40, b=80)
    + '<path d="M40 30L78 14M40 30m-3 0a3 3 0 1 0 6 0a3 3 0 1 0 -6 0M59 22V8H66"/>',
    "relay": _WIRES.format(a=40, b=80)
    + '<path d="M40 30L78 14M59 22V50"/><rect x="44" y="50" width="30" height="18"/><path d="M44 68L74 50"/>',
    "none": '<path d="M0 30H120M0 90H120"/>',
}


def _part(set_audit: SetAudit) -> str:
    rig = set_audit.rig
    title = words.device(rig).capitalize() if rig.protection.kind != "none" else "No protection"
    if rig.protection.kind == "none":
        return _cell(title, _SYMBOLS["none"], [])
    told = f"<span>{name(words.protection(rig))}</span>{_part_ohms(set_audit)}"
    return _cell(title, _SYMBOLS.get(rig.protection.kind, _SYMBOLS["fuse"]), [], raw=told)


def _part_ohms(set_audit: SetAudit) -> str:
    """Least and largest resistance of all channels; the largest of a lamp is in the document."""
    channels = [
        (f"/tracks/{number}/channels/{place}/protection/resistance_max_ohm", channel)
        for number, track in enumerate(set_audit.tracks)
        for place, channel in enumerate(track.channels)
    ]
    seen = [channel.traces.protection_resistance_ohm for _, channel in channels]
    finite = [each[np.isfinite(each)] for each in seen]
    cold = min((float(each.min()) for each in finite if len(each)), default=None)
    if cold is None:
        return ""
    lines = f"<span>{'closed' if set_audit.rig.protection.kind == 'relay' else 'cold'} {text(_ohms(cold))} ohm</span>"
    lamps = [(channel.protection.lamp.resistance_max_ohm, at) for at, channel in channels if channel.protection.lamp]
    if lamps:
        hot_ohm, at = max(lamps)
        return f'{lines}<span class="hot">hot {figure(at, "ohms", hot_ohm)}</span>'
    opened = any(channel.protection.muted_s > 0.0 or channel.protection.trips for _, channel in channels)
    hot_ohm = max(float(each.max()) for each in finite if len(each))
    hot = f"at most {_ohms(hot_ohm)} ohm"
    if opened and set_audit.rig.protection.kind != "resettable":
        hot = "opens"
    return f'{lines}<span class="hot">{hot}</span>'


def _ohms(resistance_ohm: float) -> str:
    return f"{float(f'{resistance_ohm:.2g}'):g}"  # 3200, not 3.2e+03


def _driver(set_audit: SetAudit) -> str:
    driver = set_audit.rig.driver
    drawing = (
        '<path d="M0 30H46V42M0 90H46V78"/><rect x="38" y="42" width="16" height="36"/>'
        '<path d="M54 46H62V74H54M62 46L86 28V92L62 74"/>'
    )
    lines = [
        f"rated {figures.as_given(driver.rated_impedance_ohm)} ohm, {figures.as_given(driver.continuous_power_w)} W",
        f"coil cold {figures.as_given(round(driver.dc_resistance_ohm, 2))} ohm",
    ]
    hottest_c = [channel.protected.coil_temp_max_c for track in set_audit.tracks for channel in track.channels]
    hot = ""
    if hottest_c and math.isfinite(max(hottest_c)):
        temp_c = max(hottest_c)
        # Beyond what a coil survives its resistance would be a figure without meaning.
        hot_ohm = driver.dc_resistance_ohm * resistance_ratio(temp_c, driver.coil_material)
        ohms = f"{_ohms(hot_ohm)} ohm at " if temp_c < figures.MEANINGLESS_C else ""
        hot = f'<span class="hot">hot {ohms}{text(figures.degrees(temp_c, DEGREE))}</span>'
    return _cell("HF driver", drawing, lines, raw=hot)
