"""Programmes side by side as a page: the answer in words, causes as bars, figures, spectra, overdrive."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

from auditor.audit_types import SEVERITY, SetAudit
from auditor.report import figures, words
from auditor.report.compare_words import explanation
from auditor.report.page import comparison_plots, markup, notes
from auditor.report.page.markup import figure, name, text
from auditor.report.page.page import put_together

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from auditor.audit_types import FileFault
    from auditor.comparison.compare import Compared, Comparison, Difference
    from auditor.comparison.portrait import Standing
    from auditor.rig import Rig

QUESTION = "Which of these endangers the driver, and why?"
_BAR_PX, _HALF_PX = 220, 110
_LEVELS = (
    ("HF share", "hf_energy_ratio", "percent"),
    ("HF crest", "hf_crest_db", "db"),
    ("HF power, 60 s", "driver_power_max_60s_w", "watts"),
    ("coil bare", "coil_temp_max_c", "degrees"),
    ("HF power, protected", "protected_power_max_60s_w", "watts"),
    ("coil", "protected_coil_temp_max_c", "degrees"),
    ("margin", "margin_db", "signed"),
)


def render(comparison: Comparison, faults: Sequence[FileFault], document: Mapping[str, Any]) -> str:
    """The whole page.

    Parameters
    ----------
    comparison : Comparison
    faults : sequence of FileFault
    document : mapping
        The JSON document of the same run, which goes into the page.
    """
    as_set = _as_set(comparison, faults)
    plots = {"spectra": comparison_plots.spectra(comparison), "overdrive": comparison_plots.overdrive(comparison)}
    body = [
        _header(comparison),
        *(_why(comparison, number) for number in range(len(comparison.differences))),
        _levels(comparison),
        _plots(plots),
        _split(comparison),
        notes.faults(as_set),
        notes.assumptions(as_set),
        notes.sources(as_set),
        notes.cautions(),
        _data("plots-compare", plots),
        _data("report", document),
    ]
    title = f"Programmes compared: {os.path.basename(comparison.rig.path)}"
    return put_together("\n".join(each for each in body if each), title)


def nothing(rig: Rig, faults: Sequence[FileFault], document: Mapping[str, Any]) -> str:
    """The page where there was too little to compare."""
    errors = "".join(f"<li>{name(fault.message)}</li>" for fault in faults)
    body = (
        f'<header><h1>{QUESTION}</h1>\n<p class="advice">Fewer than two files could be read, so there is nothing to '
        f"compare.</p></header>\n<ul>{errors}</ul>\n{notes.cautions()}\n{_data('report', document)}"
    )
    return put_together(body, f"Programmes compared: {os.path.basename(rig.path)}")


def _as_set(comparison: Comparison, faults: Sequence[FileFault]) -> SetAudit:
    """What the notes of every page are made from."""
    audits = tuple(each.portrait.audit for each in comparison.programmes)
    return SetAudit(
        rig=comparison.rig,
        tracks=audits,
        verdict=max((each.verdict for each in audits), key=SEVERITY.__getitem__),
        margin_db=min((each.margin_db for each in audits if each.margin_db is not None), default=None),
        worst_track=comparison.worst.path,
        coil_temp_max_c=None,
        errors=tuple(faults),
    )


def _header(comparison: Comparison) -> str:
    first, *rest = explanation(comparison)
    sentences = f'<p class="advice">{name(first)}</p>' + "".join(f"<p>{name(each)}</p>" for each in rest)
    listed = "".join(
        f"<li><b>{each.letter}</b> {name(os.path.basename(each.path))} {markup.badge(each.portrait.audit.verdict)} "
        f'<span class="quiet">{text(_facts(each))}</span></li>'
        for each in comparison.programmes
    )
    rig = f"{os.path.basename(comparison.rig.path)}: {words.rig_sentence(comparison.rig)}"
    return (
        f'<header><h1>{QUESTION}</h1>\n{sentences}\n<p class="rig">{name(rig)}</p></header>\n'
        f'<ul class="passages">{listed}</ul>'
    )


def _facts(compared: Compared) -> str:
    audit = compared.portrait.audit
    channels = {1: "mono", 2: "stereo"}.get(audit.channel_count, f"{audit.channel_count} channels")
    return f"{figures.length(audit.duration_s)}, {channels}, {figures.as_given(audit.sample_rate_hz / 1000.0)} kHz"


def _why(comparison: Comparison, number: int) -> str:
    difference = comparison.differences[number]
    at = f"/differences/{number}"
    longest_db = max(abs(each.contribution_db) for each in difference.causes) or 1.0
    rows = "".join(
        f'<tr><th scope="row">{each.cause}</th><td>'
        f"{figure(f'{at}/causes/{place}/contribution_db', 'db', each.contribution_db)}</td>"
        f"<td>{_bar(each.contribution_db / longest_db)}</td></tr>"
        for place, each in enumerate(difference.causes)
    )
    return (
        f"<h2>{_heading(comparison, difference, at)}</h2>\n"
        f'<table class="figures compare"><tbody>{rows}</tbody></table>\n<p class="quiet">'
        "Right of the middle: makes it more; left: makes it less. They add up to the difference.</p>"
    )


def _heading(comparison: Comparison, difference: Difference, at: str) -> str:
    total = figure(f"{at}/difference_db", "db", difference.difference_db)
    return f"Why {comparison.worst.letter} puts {total} more into the HF driver than {difference.other.letter}"


def _bar(ratio: float) -> str:
    width = abs(ratio) * _HALF_PX
    left = _HALF_PX if ratio > 0.0 else _HALF_PX - width
    return (
        f'<svg class="bar {"down" if ratio > 0.0 else "room"}" '
        f'viewBox="0 0 {_BAR_PX} 12" aria-hidden="true"><rect x="{left:.1f}" y="1" width="{width:.1f}" height="10"/>'
        f'<path d="M{_HALF_PX} 0V12"/></svg>'
    )


def _levels(comparison: Comparison) -> str:
    programmes = comparison.programmes
    parts = [_table("As played", "", [each.portrait.standing for each in programmes], comparison)]
    if comparison.reference_lufs is not None:
        caption = f"At equal loudness, {figure('/reference_lufs', 'lufs', comparison.reference_lufs)}"
        parts.append(_table(caption, "/equal_loudness", [each.equal_loudness for each in programmes], comparison))
    if comparison.reference_dbtp is not None:
        caption = f"At equal peak, {figure('/reference_dbtp', 'dbtp', comparison.reference_dbtp)}"
        parts.append(_table(caption, "/equal_peak", [each.equal_peak for each in programmes], comparison))
    legend = (
        "HF share: of the amplifier's power. HF power: largest mean over 60 s, without protection and with what is "
        "fitted. Coil bare: without protection; coil and margin: with what is fitted."
    )
    return "<h2>Side by side</h2>\n" + "\n".join(parts) + f'\n<p class="quiet">{legend}</p>'


def _table(caption: str, key: str, standings: Sequence[Standing | None], comparison: Comparison) -> str:
    programmes = comparison.programmes
    heads = "".join(f'<th scope="col">{each.letter}</th>' for each in programmes)
    rows = []
    if key:
        rows.append(("gain", [_value(number, key, one, "gain_db", "db") for number, one in enumerate(standings)]))
    else:
        levels = (("loudness", "loudness_lufs", "lufs"), ("peak to loudness", "peak_to_loudness_db", "db"))
        for label, field, style in levels:
            values = [getattr(each.portrait.audit, field) for each in programmes]
            rows.append((label, [_shown(f"/programmes/{at}/{field}", style, each) for at, each in enumerate(values)]))
    for label, field, style in _LEVELS:
        rows.append((label, [_value(number, key, one, field, style) for number, one in enumerate(standings)]))
    body = "".join(
        f'<tr><th scope="row">{label}</th>{"".join(f"<td>{each}</td>" for each in cells)}</tr>' for label, cells in rows
    )
    return _wide(f"<caption>{caption}</caption>", heads, body)


def _wide(caption: str, heads: str, body: str) -> str:
    return (
        f'<div class="wide"><table class="figures compare">{caption}<thead><tr><td></td>{heads}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


def _value(number: int, key: str, standing: Standing | None, field: str, style: str) -> str:
    value = None if standing is None else getattr(standing, field)
    return _shown(f"/programmes/{number}{key}/{field}", style, value)


def _shown(at: str, style: str, value: float | None) -> str:
    return "-" if value is None else figure(at, style, value)


def _plots(plots: Mapping[str, dict[str, Any] | None]) -> str:
    said = {
        "spectra": "Third octaves of the files at equal loudness; 0 dB is a full-scale sine. The upright line is the "
        "crossover.",
        "overdrive": "HF power in the largest 60 s as the peaks go beyond the amplifier's rail: solid with the rails, "
        "dashed without.",
    }
    drawn = "".join(
        f'<figure><div class="plot" data-of="compare" data-plot="{key}" role="img" aria-label="{text(said[key])}">'
        f"</div><figcaption>{text(said[key])}</figcaption></figure>"
        for key, plot in plots.items()
        if plot is not None
    )
    if not drawn:
        return ""
    return (
        f'<h2>Spectra and overdrive</h2>\n<details class="track together" id="t1" data-length="1" open><summary>'
        f'<span class="head"><h3>Plots</h3></span></summary>{drawn}</details>'
    )


def _split(comparison: Comparison) -> str:
    """HF power by what brings it, as played and further and further into the rails."""
    spoken = [(at, each) for at, each in enumerate(comparison.programmes) if each.overdriven]
    if not spoken:
        return ""
    heads = '<th scope="col">as played</th>'
    heads += "".join(f'<th scope="col">{each.overdrive_db:g} dB over</th>' for each in spoken[0][1].overdriven)
    rows = []
    for at, compared in spoken:
        places = [(f"/programmes/{at}/hf_power_split", compared.split)]
        places += [(f"/programmes/{at}/overdriven/{n}/split", each.split) for n, each in enumerate(compared.overdriven)]
        for label, field in (("programme", "programme_w"), ("clipping adds", "clipping_w")):
            cells = "".join(f"<td>{_part(f'{place}/{field}', getattr(split, field))}</td>" for place, split in places)
            rows.append(f'<tr><th scope="row">{compared.letter} {label}</th>{cells}</tr>')
    return (
        "<h2>What the programme brings, and what clipping adds</h2>\n"
        f"{_wide('', heads, ''.join(rows))}\n"
        '<p class="quiet">Watts into the HF driver without protection, largest 60 s. Over: highest peak asked of the '
        "amplifier beyond its rail; the level is changed for that. Negative where the rails take more of the "
        "programme's own HF than they add.</p>"
    )


def _part(at: str, power_w: float) -> str:
    return figure(at, "signed_watts", power_w)


def _data(key: str, document: object) -> str:
    return f'<script type="application/json" id="{key}">{markup.data(document)}</script>'
