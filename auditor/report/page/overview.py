"""The top of the page: the verdict, how much room there is, what binds, what to do, and all tracks riskiest first."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from auditor.report import advice_words, figures, night_words, summary, words
from auditor.report.page.band import band
from auditor.report.page.markup import DEGREE, badge, figure, name, text
from auditor.report.wiring_words import full_scale, load, mixing, ridden, warnings

if TYPE_CHECKING:
    from auditor.audit_types import Audit, SetAudit
    from auditor.report.page.tracks import Place

_ARM_DB = 6.0  # of the margin bar on each side
_COLUMNS = ("", "Track", "Length", "Margin", "Turn down | room", "What binds", "Coil", "1 s", "60 s", "Loudness")


def answer(set_audit: SetAudit, places: dict[int, Place]) -> str:
    """Verdict, margin, what binds, one sentence of advice."""
    rig = set_audit.rig
    level = " ".join(
        each for each in (f"{full_scale(rig)}.", ridden(rig), mixing(rig), load(rig), *warnings(rig)) if each
    )
    system = (
        f'<p class="rig">{name(os.path.basename(rig.path))}: {name(words.rig_sentence(rig))}. '
        f"{text(level[0].upper() + level[1:])}</p>"
    )
    if not set_audit.tracks:
        return f'<p class="nothing">Nothing was analysed, so nothing was found safe.</p>{system}'
    worst = _worst(set_audit)
    missing = summary.missing(set_audit)
    several = len(set_audit.tracks) > 1
    of_worst = f"{name(places[id(worst)].name)}: " if several else ""
    lines = [
        f'<p class="verdict">{badge(set_audit.verdict, in_part=bool(missing))} '
        f"<span>{_margin(set_audit, worst)}</span></p>",
        f'<p class="advice">{of_worst}{text(advice_words.advice(worst, DEGREE))}</p>',
    ]
    sentences = [f"{each[0].upper()}{each[1:]}." for each in missing]
    if several or set_audit.interrupted:
        sentences.append(_set_sentence(set_audit))
    lines += [f"<p>{each}</p>" for each in sentences if each]
    if set_audit.band is not None and several:
        lines.append(band(set_audit.band, set_audit.verdict, set_audit.rig))
    quieter = [name(places[id(each)].name) for each in set_audit.tracks if each.quieter_risk is not None]
    if quieter:
        lines.append(f'<p class="warn"><b>!</b> Quieter is not always safer, see there: {", ".join(quieter)}.</p>')
    return "\n".join([*lines, system])


def _worst(set_audit: SetAudit) -> Audit:
    """The track that decides: the one the set names, or the riskiest."""
    named = [each for each in set_audit.tracks if each.name == set_audit.worst_track]
    return named[0] if named else summary.riskiest_first(set_audit.tracks)[0]


def _margin(set_audit: SetAudit, worst: Audit) -> str:
    if set_audit.night is not None and "margin" in set_audit.night.unanswered:
        return "margin of the whole set not found: stopped by hand"
    if set_audit.margin_db is None:
        return text(advice_words.verdict_line(worst))
    night = set_audit.night
    limited_by = worst.margin_limited_by if night is None else night.margin_limited_by
    binds = f", {text(words.binds(limited_by, set_audit.rig))}" if limited_by else ""
    return f"margin about {figure('/set/margin_db', 'signed', set_audit.margin_db)}{binds}"


def _set_sentence(set_audit: SetAudit) -> str:
    count = len(set_audit.tracks)
    if set_audit.coil_temp_max_c is None:
        return ""
    limit = figure("/rig/driver/coil_temp_limit_c", "degrees", set_audit.rig.driver.coil_temp_limit_c)
    hottest = figure("/set/coil_temp_max_c", "degrees", set_audit.coil_temp_max_c)
    played, pauses = figures.length(sum(each.duration_s for each in set_audit.tracks)), ""
    if set_audit.night is not None:
        pauses = f" with {night_words.silence(set_audit.night.gap_s)} between them"
    return (
        f"The whole set, {count} {'track' if count == 1 else 'tracks'} in {played}, played in the order "
        f"given{pauses}: hottest coil {hottest} (limit {limit}) with the heat carried from track to track"
        f"{text(summary.off_rating(set_audit))}."
    )


def table(set_audit: SetAudit, places: dict[int, Place]) -> str:
    """All tracks, riskiest first; each leads to its section."""
    tracks = summary.riskiest_first(set_audit.tracks)
    if not tracks:
        return ""
    title = summary.ranking(len(tracks)) if len(tracks) > 1 else "The track"
    heads = "".join(f'<th role="columnheader" scope="col">{text(each)}</th>' for each in _COLUMNS)
    rows = "\n".join(_row(track, places[id(track)]) for track in tracks)
    return (
        f'<h2>{title}</h2>\n<table class="tracks" role="table" aria-label="{title}"><thead role="rowgroup">'
        f'<tr role="row">{heads}</tr></thead>\n<tbody role="rowgroup">{rows}</tbody></table>'
    )


def _row(track: Audit, place: Place) -> str:
    binds = track.margin_limited_by
    cells = [
        badge(track.verdict, in_part=bool(track.unjudged)),
        f'<a href="#{place.key}">{name(place.name)}</a>',
        figure(f"{place.at}/duration_s", "length", track.duration_s),
        text(summary.margin(track))
        if track.margin_db is None
        else figure(f"{place.at}/margin_db", "signed", track.margin_db),
        _bar(track),
        "" if binds is None else text(words.cause(binds, track.rig)),
        _largest(track, place, "coil_temp_max_c", "degrees", ""),
        _largest(track, place, "driver_power_max_1s_w", "watts", "program_power_w"),
        _largest(track, place, "driver_power_max_60s_w", "watts", "continuous_power_w"),
        text(summary.loudness(track))
        if track.loudness_lufs is None
        else figure(f"{place.at}/loudness_lufs", "lufs", track.loudness_lufs),
    ]
    row = "".join(
        f'<td role="cell" data-head="{text(head)}">{cell}</td>' for head, cell in zip(_COLUMNS, cells, strict=True)
    )
    return f'<tr role="row">{row}</tr>'


def _largest(track: Audit, place: Place, key: str, style: str, limit_key: str) -> str:
    """The largest of all channels, where the document has it."""
    values = [float(getattr(channel.protected, key)) for channel in track.channels]
    value = max(values)
    limit_w = float(getattr(track.rig.driver, limit_key)) if limit_key else None
    return figure(
        f"{place.at}/channels/{values.index(value)}/{key}",
        style,
        value,
        limit=f"/rig/driver/{limit_key}" if limit_key else "",
        limit_w=limit_w,
    )


def _bar(track: Audit) -> str:
    """The margin as a bar to the left (turn down) or right (room) of a mark; no limit met is all the room."""
    margin_db = -2.0 * _ARM_DB if track.verdict == "risk" else 2.0 * _ARM_DB
    if track.margin_db is not None:
        margin_db = figures.safe_side(track.margin_db)
    share = min(abs(margin_db) / _ARM_DB, 1.0) * 50.0
    side = "down" if margin_db < 0.0 else "room"
    left = 50.0 - share if margin_db < 0.0 else 50.0
    beyond = " beyond" if abs(margin_db) > _ARM_DB else ""
    return (
        f'<svg class="bar {side}{beyond}" viewBox="0 0 100 12" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect x="{left:.1f}" y="2" width="{share:.1f}" height="8"/><path d="M50 0V12"/></svg>'
    )
