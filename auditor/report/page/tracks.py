"""One track on the page: what to do, its figures, the timeline, the flagged passages, the third octaves."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor.report import advice_words, fader_line, figures, part_lines, passages, summary, words
from auditor.report.page.band import band
from auditor.report.page.markup import DEGREE, badge, figure, mark, name, text
from auditor.report.page.plots import channel_shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.audit_types import Audit, ChannelAudit, Passage

_MOST_LISTED = 40


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a track stands: its number in the order of playing, counted from 0, of how many, and its shown name."""

    number: int
    count: int
    name: str

    @property
    def at(self) -> str:
        """Its place in the JSON document."""
        return f"/tracks/{self.number}"

    @property
    def key(self) -> str:
        """What its elements are called."""
        return f"t{self.number + 1}"


def section(track: Audit, place: Place, *, is_open: bool, no_picture: str) -> str:
    """The track as a section that opens.

    Parameters
    ----------
    track : Audit
    place : Place
    is_open : bool
        Whether it is open when the page opens.
    no_picture : str
        Why there are no third octaves; empty where there are.
    """
    body = "\n".join(
        (
            _advice(track),
            _facts(track, place),
            _timeline(track, place),
            _passages(track),
            _octaves(place, no_picture),
            _channels(track, place),
        )
    )
    shown = " open" if is_open else ""
    return (
        f'<details class="track" id="{place.key}" data-length="{track.duration_s:.3f}"{shown}>\n<summary>'
        f'<span class="head"><span class="count">{place.number + 1} of {place.count}</span> '
        f"{badge(track.verdict, in_part=bool(track.unjudged))} <h3>{name(place.name)}</h3></span>"
        f'<span class="line">{text(advice_words.verdict_line(track))}</span></summary>\n{body}\n</details>'
    )


def _advice(track: Audit) -> str:
    lines = [f'<p class="advice">{text(advice_words.advice(track, DEGREE))}</p>']
    warning = part_lines.quieter(track)
    if warning:
        lines.append(f'<p class="warn"><b>!</b> {text(warning)}</p>')
    device = words.device(track.rig).capitalize()
    lost = dict.fromkeys(each for channel in track.channels for each in channel.protection.replace)
    if track.band is not None:
        lines.append(band(track.band, track.verdict, track.rig))
    told = (
        (device, part_lines.work(track)),
        ("Replace afterwards", f"{'; '.join(lost)}." if lost else ""),
        ("Dome", words.displacement(track)),
        ("Limiter", words.limiter_work(track)),
        ("Fader", fader_line.told(track.entry)),
        ("File", track.name if track.entry is not None and track.entry.title is not None else ""),
        *(("Not judged", each) for each in track.unjudged),
        *(("Note", each) for each in track.notes),
    )
    lines += [f"<p><b>{text(label)}:</b> {name(words_)}</p>" for label, words_ in told if words_]
    return "\n".join(lines)


def _facts(track: Audit, place: Place) -> str:
    """The figures of the file."""
    at = place.at
    cells = [
        ("Length", figure(f"{at}/duration_s", "length", track.duration_s)),
        ("Sampling", f"{figures.as_given(track.sample_rate_hz / 1000.0)} kHz"),
        ("Loudness", _or_none(f"{at}/loudness_lufs", "lufs", track.loudness_lufs, "too quiet")),
        ("True peak", _or_none(f"{at}/true_peak_dbtp", "dbtp", track.true_peak_dbtp, "silent")),
        ("Margin", _or_none(f"{at}/margin_db", "signed", track.margin_db, summary.margin(track))),
    ]
    facts = "".join(f"<div><dt>{label}</dt><dd>{value}</dd></div>" for label, value in cells)
    return f'<dl class="facts">{facts}</dl>'


def _or_none(at: str, style: str, value: float | None, otherwise: str) -> str:
    return text(otherwise) if value is None else figure(at, style, value)


def _channels(track: Audit, place: Place) -> str:
    protected = track.rig.protection.kind != "none"
    columns = [_column(track, place, number, protected=protected) for number in range(len(track.channels))]
    heads = "".join(
        f'<th scope="col">channel {channel.index + 1}{" (drawn)" if channel is channel_shown(track) else ""}</th>'
        for channel in track.channels
    )
    rows = "".join(
        f'<tr><th scope="row">{text(label)}</th>{"".join(f"<td>{column[label]}</td>" for column in columns)}</tr>'
        for label in columns[0]
    )
    return (
        f'<div class="wide"><table class="figures"><caption>What reaches the driver</caption>'
        f"<thead><tr><td></td>{heads}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _column(track: Audit, place: Place, number: int, *, protected: bool) -> dict[str, str]:
    channel, driver = track.channels[number], track.rig.driver
    at = f"{place.at}/channels/{number}"

    def watts(key: str, value: float, limit_key: str = "") -> str:
        limit_w = float(getattr(driver, limit_key)) if limit_key else None
        return figure(
            f"{at}/{key}", "watts", value, limit=f"/rig/driver/{limit_key}" if limit_w else "", limit_w=limit_w
        )

    found = channel.protected
    program, continuous, peak = (
        f" (of {figures.as_given(limit_w)} W)"
        for limit_w in (driver.program_power_w, driver.continuous_power_w, driver.peak_power_w)
    )
    limit_c = f" (limit {figures.as_given(driver.coil_temp_limit_c)} {DEGREE}C)"
    column = {
        f"Power, largest 1 s mean{program}": watts(
            "driver_power_max_1s_w", found.driver_power_max_1s_w, "program_power_w"
        ),
        f"Power, largest 60 s mean{continuous}": watts(
            "driver_power_max_60s_w", found.driver_power_max_60s_w, "continuous_power_w"
        ),
        f"Power, peak{peak}": watts("driver_power_peak_w", found.driver_power_peak_w, "peak_power_w"),
        "Power, mean": watts("driver_power_mean_w", found.driver_power_mean_w),
        f"Voice coil, hottest{limit_c}": figure(f"{at}/coil_temp_max_c", "degrees", found.coil_temp_max_c),
        **_displacement(track, channel, at),
        "Body, hottest": figure(f"{at}/body_temp_max_c", "degrees", found.body_temp_max_c),
    }
    if protected:
        column |= _part(track, channel, at)
    return column | {
        "HF share of the programme's energy": figure(f"{at}/hf_energy_ratio", "percent", channel.hf_energy_ratio),
        "HF crest factor": _or_none(f"{at}/hf_crest_db", "db", channel.hf_crest_db, "silent"),
        "Samples clipped by the amplifier": figure(f"{at}/clipped_ratio", "percent", channel.clipped_ratio),
    }


def _displacement(track: Audit, channel: ChannelAudit, at: str) -> dict[str, str]:
    """How far the dome moves; nothing where that is not known."""
    found_mm, limit_mm = channel.protected.displacement_peak_mm, track.rig.driver.excursion_limit_mm
    if found_mm is None:
        return {}
    limit = f" (limit {figures.as_given(limit_mm)} mm)" if limit_mm is not None else ""
    return {f"Displacement of the dome, peak{limit}": figure(f"{at}/displacement_peak_mm", "millimetres", found_mm)}


def _part(track: Audit, channel: ChannelAudit, at: str) -> dict[str, str]:
    """What the protective part does, and what the driver would go through without it."""
    device, work = words.device(track.rig), channel.protection
    limit_w = track.rig.driver.program_power_w
    rows = {
        f"Without the {device}: largest 1 s mean": figure(
            f"{at}/unprotected/driver_power_max_1s_w",
            "watts",
            channel.unprotected.driver_power_max_1s_w,
            limit="/rig/driver/program_power_w",
            limit_w=limit_w,
        ),
        f"Without the {device}: voice coil": figure(
            f"{at}/unprotected/coil_temp_max_c", "degrees", channel.unprotected.coil_temp_max_c
        ),
        f"Taken off by the {device} at most": figure(
            f"{at}/protection/attenuation_max_db", "db", work.attenuation_max_db
        ),
    }
    if work.lamp is not None:
        rows |= {
            "Filament, hottest": figure(
                f"{at}/protection/filament_temp_max_k", "kelvin", work.lamp.filament_temp_max_k
            ),
            "Lamp, most resistance": figure(
                f"{at}/protection/resistance_max_ohm", "ohms", work.lamp.resistance_max_ohm
            ),
            "Lamp glows for": figure(f"{at}/protection/glow_s", "about", work.lamp.glow_s),
        }
    return rows


def zoom_buttons(whole: str) -> str:
    """Buttons that move the axis of time; `whole` is what the first one shows: `the whole track`."""
    buttons = "".join(
        f'<button type="button" data-zoom="{what}" aria-label="{label}">{sign}</button>'
        for what, sign, label in (
            ("all", whole.removeprefix("the ").capitalize(), f"Show {whole}"),
            ("in", "+", "Zoom in"),
            ("out", "&minus;", "Zoom out"),
            ("back", "&larr;", "Earlier"),
            ("on", "&rarr;", "Later"),
        )
    )
    return (
        f'<div class="tools" role="group" aria-label="Time shown">{buttons}'
        '<span class="shown" role="status" aria-live="polite"></span></div>'
    )


def _timeline(track: Audit, place: Place) -> str:
    summary = text(_in_words(track))
    return (
        f"{zoom_buttons('the whole track')}\n"
        f'<figure><div class="plot timeline" tabindex="0" role="group" aria-label="Timeline. {summary}" '
        f'data-of="{place.key}" data-plot="timeline"></div><figcaption>{summary}</figcaption></figure>'
    )


def _in_words(track: Audit) -> str:
    """What the timeline shows, for those who do not see it."""
    channel, driver = channel_shown(track), track.rig.driver
    found = channel.protected
    which = f"Channel {channel.index + 1} of {track.channel_count}" if track.channel_count > 1 else "One channel"
    second = figures.watts(found.driver_power_max_1s_w, limit_w=driver.program_power_w)
    minute = figures.watts(found.driver_power_max_60s_w, limit_w=driver.continuous_power_w)
    without = ""
    if track.rig.protection.kind != "none":
        bare = channel.unprotected
        alone = figures.watts(bare.driver_power_max_1s_w, limit_w=driver.program_power_w)
        without = (
            f"; without the {words.device(track.rig)} up to {alone} over 1 s and "
            f"{figures.degrees(bare.coil_temp_max_c, DEGREE)}"
        )
    count = len(track.passages)
    flagged = {0: "nothing flagged", 1: "one flagged passage"}.get(count, f"{count} flagged passages")
    return (
        f"{which}, {figures.length(track.duration_s)}: power over 1 s up to {second} of "
        f"{figures.as_given(driver.program_power_w)} W, over 60 s up to {minute} of "
        f"{figures.as_given(driver.continuous_power_w)} W; coil up to {figures.degrees(found.coil_temp_max_c, DEGREE)} "
        f"of {figures.as_given(driver.coil_temp_limit_c)} {DEGREE}C{without}; {flagged}."
    )


def _passages(track: Audit) -> str:
    if not track.passages:
        return '<p class="quiet">No passage is flagged.</p>'
    listed = _listed(track.passages)
    items = "\n".join(f"<li>{_passage(each, track)}</li>" for each in listed)
    notes = []
    if any(each.cause in passages.OF_A_MEAN for each in listed):
        notes.append(passages.WHOLE_WINDOW)
    if any(each.part_at is not None for each in listed):
        notes.append(words.OFF_RATING)
    left = Counter(each.cause for each in track.passages)
    left.subtract(each.cause for each in listed)
    if left.total():
        split = ", ".join(f"{words.cause(cause, track.rig)} {number}" for cause, number in left.items() if number)
        notes.append(f"and {left.total()} more ({split}): in the timeline, and in --format csv")
    told = "".join(f'<p class="quiet">{text(each)}</p>' for each in notes)
    return (
        f'<h4>Flagged passages</h4><p class="quiet screen">Each one, and each shaded stretch of the timeline, zooms to '
        f'its time.</p>\n<ol class="passages">{items}</ol>{told}'
    )


def _listed(found: Sequence[Passage]) -> list[Passage]:
    if len(found) <= _MOST_LISTED:
        return list(found)
    kept = passages.chosen(found)
    ids = {id(each) for each in kept}
    others = sorted((each for each in found if id(each) not in ids), key=lambda each: each.verdict != "risk")
    kept += others[: _MOST_LISTED - len(kept)]
    return sorted(kept, key=lambda each: (each.start_s, each.channel))


def _passage(passage: Passage, track: Audit) -> str:
    failed = passage.cause == "protection_failed"
    ends_s = track.duration_s if failed else passage.end_s
    end = "end" if failed else figures.clock(passage.end_s, decimals=1, up=True)
    value = figures.quantity(passage.value, passage.unit, DEGREE, limit=passage.limit)
    excess = figures.excess(passage)
    channel = f'<span class="ch">ch {passage.channel + 1}</span>' if track.channel_count > 1 else ""
    return (
        f'<button type="button" class="passage" data-from="{passage.start_s:.3f}" data-to="{ends_s:.3f}">'
        f'{mark(passage.verdict)}<span class="when">{figures.clock(passage.start_s, decimals=1)}&ndash;{end}</span>'
        f'{channel}<span class="what">{text(words.cause(passage.cause, track.rig, passage.part_at))}</span>'
        f'<span class="much">{text(value)}, limit {text(figures.limit(passage.limit, passage.unit, DEGREE))}'
        f"{f', over by {text(excess)}' if excess and excess[0] in '<>0123456789' else ''}"
        f"</span></button>"
    )


def _octaves(place: Place, no_picture: str) -> str:
    if no_picture:
        return f'<p class="quiet">No third octaves: {name(no_picture)}</p>'
    words_ = (
        "Mean third-octave levels of the file, all channels together, and what of them the crossover and the pad let "
        "through to the HF branch; before amplifier, equaliser and limiter."
    )
    return (
        f'<h4>Third octaves and the crossover</h4><figure><div class="plot octaves" role="img" aria-label="{words_}" '
        f'data-of="{place.key}" data-plot="octaves"></div><figcaption>{words_} Vertical axes: dB against a full-scale '
        "sine at the left, loss in dB at the right; along: Hz.</figcaption></figure>"
    )
