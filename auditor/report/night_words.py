"""A set played through, in plain words: the hottest moment, and whether another order or a pause would help."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from auditor.report import figures

if TYPE_CHECKING:
    from auditor.audit_types import Audit, SetAudit
    from auditor.night_types import Night, NightTrack, OrderEffect

    Named = Callable[[str], str]  # a track's name as it is shown

MODE = (
    "Played through: every track is judged in its place, as warm as those before it and the silence leave part and "
    "driver; means over 1 s and 60 s reach back over the silence. A track's margin is its own, what is before it left "
    "as it is; the set's is that of all tracks together."
)
LEFT_OUT = "What could not be read is left out of the night: its heat is not counted."
_OPEN = {"margin": "the margin of the whole set", "order": "what another order would do"}
_MOST_NAMED = 4
_MOST_LISTED = 12


def title(night: Night) -> str:
    """What it is, and how long."""
    return f"The night: {figures.length(night.duration_s)} with {silence(night.gap_s)} between tracks"


def silence(gap_s: float) -> str:
    """A length of silence: `no silence`, `0.5 s`, `2 s`, `4:10`."""
    if gap_s <= 0.0:
        return "no silence"
    return f"{gap_s:.3g} s of silence" if gap_s < 60.0 else f"{figures.length(gap_s)} of silence"


def lost(track: Audit, part: str, gone: str) -> str:
    """The advice of a track that starts without its protective part."""
    where = ", ".join(str(index + 1) for index in track.lost_channels)
    channels = f" (channel {where})" if track.channel_count > 1 else ""
    return f"The {part}{channels} is {gone} by what is played before: turn that down, and replace the {part}."


def hottest(night: Night, named: Named) -> tuple[str, str]:
    """When the coil is hottest: which track; and how far into it and into the night."""
    moment = night.hottest
    return (
        named(moment.track),
        f"{figures.clock(moment.track_at_s)} into it, {figures.clock(moment.at_s)} into the night",
    )


def is_left_out(set_audit: SetAudit) -> bool:
    """Whether something could not be read, and so is missing from the night."""
    return bool(set_audit.errors)


def unanswered(night: Night) -> str:
    """What Ctrl-C left open, as a list in words."""
    return " and ".join(_OPEN[each] for each in night.unanswered)


def effect(night: Night, named: Named, degree: str) -> list[str]:
    """What the order does, and what another one or a pause would do: sentences."""
    found = night.effect
    left_open = [f"Stopped by hand before it was found: {unanswered(night)}."] if night.unanswered else []
    if found is None:
        return [_carried(night, named, degree), *left_open]
    sentences = [_alone(found, named)] if found.at_risk_alone else []
    if found.at_risk_in_place:
        sentences += [_in_place(found, night, named, degree), *_remedies(found, night, named, degree)]
    elif not found.at_risk_alone:
        sentences.append(f"{_carried(night, named, degree)} No track is at risk in this order.")
    else:
        sentences.append(_carried(night, named, degree))
    return [*sentences, *left_open]


def risen_k(place: NightTrack) -> int:
    """By how much hotter the coil becomes in its place than from cold [K], as both are shown: in whole degrees."""
    return round(place.coil_temp_max_c) - round(place.coil_temp_alone_c)


def _carried(night: Night, named: Named, degree: str) -> str:
    """How much hotter the order makes the hottest track."""
    place = max(night.timeline, key=lambda each: each.coil_temp_max_c)
    rise_k = risen_k(place)
    if rise_k < 1:
        return f"What is played before does not make the hottest track, {named(place.track)}, noticeably hotter."
    alone, there = (figures.degrees(each, degree) for each in (place.coil_temp_alone_c, place.coil_temp_max_c))
    return (
        f"What is played before makes the hottest track, {named(place.track)}, {rise_k} K hotter: "
        f"{alone} from cold, {there} in its place."
    )


def _alone(found: OrderEffect, named: Named) -> str:
    how = "are at risk by themselves" if len(found.at_risk_alone) > 1 else "is at risk by itself"
    return f"{_names(found.at_risk_alone, named)} {how}, from cold: neither another order nor a pause helps there."


def _in_place(found: OrderEffect, night: Night, named: Named, degree: str) -> str:
    places = {each.track: each for each in night.timeline}
    name = max(found.at_risk_in_place, key=lambda each: places[each].coil_temp_max_c)
    alone, there = (
        figures.degrees(each, degree) for each in (places[name].coil_temp_alone_c, places[name].coil_temp_max_c)
    )
    several = len(found.at_risk_in_place) > 1
    which = f"{named(name)} reaches" if several else "it reaches"
    return (
        f"{_names(found.at_risk_in_place, named)} {'are' if several else 'is'} at risk only because of what is played "
        f"before: {which} {alone} from cold and {there} in its place."
    )


def _remedies(found: OrderEffect, night: Night, named: Named, degree: str) -> list[str]:
    if found.order is None and found.pauses is None:
        return [f"Neither another order nor a pause helps: {_no_order(found)}, {_no_pause(found)}."]
    rest = " The tracks at risk by themselves stay so." if found.at_risk_alone else ""
    if found.order is None:
        order = f"Another order does not help: {_no_order(found)}."
    else:
        hottest_coil = figures.degrees(found.order_coil_temp_max_c or 0.0, degree)
        order = f"Another order helps: {_change(night, found.order, named)}; hottest coil then {hottest_coil}.{rest}"
    if found.pauses is None:
        return [order, f"A pause does not help: {_no_pause(found)}."]
    each = [f"{silence(pause.pause_s)} before {named(pause.track)}" for pause in found.pauses[:_MOST_NAMED]]
    more = len(found.pauses) - len(each)
    pauses = ", ".join(each) + (f" and {more} more" if more else "")
    also = " also" if found.order is not None else ""
    helps = f"A pause{also} helps" if len(found.pauses) == 1 else f"Pauses{also} help"
    instead = f", in place of {silence(night.gap_s)}" if night.gap_s > 0.0 else ""
    return [order, f"{helps}: {pauses}{instead}.{rest}"]


def _no_order(found: OrderEffect) -> str:
    if found.order_count == 0:
        return "there is no other"
    if found.every_order:
        return f"all {found.order_count} others were played" if found.order_count > 1 else "the only other was played"
    return f"none of the likeliest of {found.order_count} others does, though there may be one"


def _no_pause(found: OrderEffect) -> str:
    return f"not even {figures.length(found.longest_pause_s)} is enough"


def _change(night: Night, order: Sequence[str], named: Named) -> str:
    """Another order as the one change that makes it, where it is one; else as a list."""
    given = [each.track for each in night.timeline]
    changed = [number for number, (one, other) in enumerate(zip(given, order, strict=True)) if one != other]
    if len(changed) == 2:
        return f"{named(given[changed[0]])} and {named(given[changed[1]])} change places"
    for track in (order[changed[0]], order[changed[-1]]):
        if [each for each in given if each != track] == [each for each in order if each != track]:
            at = list(order).index(track)
            return f"{named(track)} {f'right after {named(order[at - 1])}' if at else 'first of all'}"
    numbers = [str(given.index(track) + 1) for track in order]
    more = ", ..." if len(numbers) > _MOST_LISTED else ""
    return f"{', '.join(numbers[:_MOST_LISTED])}{more} (numbers of the tracks as they are now)"


def _names(tracks: Sequence[str], named: Named) -> str:
    shown = [named(each) for each in tracks[:_MOST_NAMED]]
    if len(tracks) > _MOST_NAMED:
        return f"{', '.join(shown)} and {len(tracks) - _MOST_NAMED} more"
    return f"{', '.join(shown[:-1])} and {shown[-1]}" if len(shown) > 1 else shown[0]
