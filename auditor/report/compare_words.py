"""Why one programme endangers the driver and another does not, in two to five sentences made from the figures."""

from __future__ import annotations

import math
import os
from typing import TYPE_CHECKING

from auditor.comparison.causes import ALIKE_DB
from auditor.comparison.overdrive import OVERDRIVES_DB
from auditor.report import figures, words
from auditor.units import power_to_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.audit_types import Cause as Limit
    from auditor.comparison.causes import Cause, Name
    from auditor.comparison.compare import Compared, Comparison, Difference
    from auditor.rig import Rig

_FAR_DB = 90.0  # apart: then the other has next to no HF, and decibels say nothing


def explanation(comparison: Comparison) -> list[str]:
    """Which programme endangers the driver most, by how much and why, and what to do about it.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    list of str
        Sentences; names of files in them are as they are, not made safe to show.
    """
    worst, differences = comparison.worst, comparison.differences
    silent = [each for each in comparison.programmes if each.portrait.terms is None]
    if not differences:
        return [*_silence(silent), "That leaves nothing to compare.", *_at_risk(comparison)]
    main = differences[0]
    if main.difference_db < ALIKE_DB:
        return [_alike(comparison), *_silence(silent), _advice(comparison, main), *_at_risk(comparison)]
    return [
        _which(comparison, main),
        _why(worst, main),
        *([_others(differences[1:])] if len(differences) > 1 else []),
        *_silence(silent),
        *_equal(worst, main.other),
        _advice(comparison, main),
        *_at_risk(comparison),
        *_nearer(comparison),
    ]


def _named(compared: Compared) -> str:
    return f"{compared.letter} ({os.path.basename(compared.path)})"


def _db(value_db: float) -> str:
    return f"{figures.tenths(value_db)} dB"


def _margin_db(compared: Compared) -> float:
    """Margin on the rig as it stands [dB]; infinite where no level in reach is a risk."""
    audit = compared.portrait.audit
    if audit.margin_db is not None:
        return audit.margin_db
    return -math.inf if audit.verdict == "risk" else math.inf


def _power(compared: Compared) -> str:
    return _watts(compared.portrait.standing.driver_power_max_60s_w)


def _watts(power_w: float) -> str:
    """Also of what is next to nothing: here two of that are told apart."""
    return figures.watts(power_w) if power_w >= 0.1 else f"{1000.0 * power_w:.2g} mW"


def _silence(silent: Sequence[Compared]) -> list[str]:
    if not silent:
        return []
    names = " and ".join(_named(each) for each in silent)
    return [f"{names} {'bring' if len(silent) > 1 else 'brings'} nothing to the HF driver."]


def _alike(comparison: Comparison) -> str:
    letters = [comparison.worst.letter, *(each.other.letter for each in comparison.differences)]
    return (
        f"{', '.join(sorted(letters)[:-1])} and {sorted(letters)[-1]} put the same into the HF driver, about "
        f"{_power(comparison.worst)} in their worst 60 s without protection: they are less than {ALIKE_DB:g} dB apart."
    )


def _which(comparison: Comparison, main: Difference) -> str:
    worst = comparison.worst
    riskiest_db = min(_margin_db(each) for each in comparison.programmes)
    does = "endangers" if _margin_db(worst) < 0.0 and _margin_db(worst) <= riskiest_db else "loads"
    apart = "far more than" if main.difference_db > _FAR_DB else f"{_db(main.difference_db)} more than"
    return (
        f"{_named(worst)} {does} the driver most: {_power(worst)} in its worst 60 s without protection, {apart} "
        f"{_named(main.other)} with {_power(main.other)}."
    )


def _why(worst: Compared, main: Difference) -> str:
    felt = [each for each in main.causes if abs(each.contribution_db) >= ALIKE_DB]
    more = [each for each in felt if each.contribution_db > 0.0]
    less = [each for each in felt if each.contribution_db < 0.0]
    first = more[0] if more else main.causes[0]
    text = f"The cause is {_share(first)}: {_ground(first, worst, main.other)}"
    if len(more) > 1:
        text += f"; then {_and([f'{_share(each)} ({_ground(each, worst, main.other)})' for each in more[1:]])}"
    if less:
        against = _and([f"{each.cause} ({_db(-each.contribution_db)})" for each in reversed(less)])
        text += f". Against it {'works' if len(less) == 1 else 'work'} {against}"
    return f"{text}."


def _share(cause: Cause) -> str:
    return f"{cause.cause}, {_db(cause.contribution_db)}"


def _and(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def _ground(cause: Cause, worst: Compared, other: Compared) -> str:
    """The figures behind a cause."""
    most, least = worst.portrait.terms, other.portrait.terms
    assert most is not None
    assert least is not None
    mine, theirs = most.parts_db, least.parts_db
    name = cause.cause
    if name == "density":
        return (
            f"its mean level over that time lies {_db(-mine[name])} under its own peak, that of {other.letter} "
            f"{_db(-theirs[name])}"
        )
    if name == "brightness":
        return f"at the same mean level it has {_db(cause.contribution_db)} more above the crossover"
    if name == "level":
        higher_db = most.true_peak_dbtp - least.true_peak_dbtp
        held_db = cause.contribution_db - higher_db
        peaks = f"its peaks are {_db(abs(higher_db))} {'higher' if higher_db >= 0.0 else 'lower'}"
        limited = f", and limiters take {_db(abs(held_db))} {'less' if held_db > 0.0 else 'more'} from it"
        return peaks + (limited if abs(held_db) >= 0.05 else "")
    split = most.split
    if split.clipping_w <= 0.0:
        return f"the amplifier's rails take less from it than from {other.letter}"
    brought, added = _watts(split.programme_w), _watts(split.clipping_w)
    return f"the amplifier's rails add {added} to the {brought} that it brings itself"


def _others(differences: Sequence[Difference]) -> str:
    parts = [
        f"{each.other.letter} {_db(each.difference_db)} (mainly {each.causes[0].cause}, "
        f"{_db(each.causes[0].contribution_db)})"
        if each.difference_db >= ALIKE_DB
        else f"{each.other.letter} less than {ALIKE_DB:g} dB"
        for each in differences
    ]
    return f"Below it too: {_and(parts)}."


def _equal(worst: Compared, other: Compared) -> list[str]:
    """What remains once both are equally loud."""
    mine, theirs = worst.equal_loudness, other.equal_loudness
    if mine is None or theirs is None or min(mine.driver_power_max_60s_w, theirs.driver_power_max_60s_w) <= 0.0:
        return []
    left_db = power_to_db(mine.driver_power_max_60s_w / theirs.driver_power_max_60s_w)
    moved_db = theirs.gain_db - mine.gain_db
    if moved_db < 0.05:
        turned = (
            "Equally loud as they stand" if moved_db > -0.05 else f"With {other.letter} turned down to its loudness"
        )
    else:
        turned = f"Turned down {_db(moved_db)} to the loudness of {other.letter}"
    if abs(left_db) < ALIKE_DB:
        return [f"{turned}, it puts no more into the driver than {other.letter} does."]
    more = "more" if left_db > 0.0 else "less"
    return [f"{turned}, it still puts {_db(abs(left_db))} {more} into the driver."]


def _advice(comparison: Comparison, main: Difference) -> str:
    worst, other = comparison.worst, main.other
    audit = worst.portrait.audit
    alike = main.difference_db < ALIKE_DB
    if audit.margin_db is None or audit.margin_limited_by is None:
        return f"No level in reach takes {worst.letter} to a limit of this rig."
    room_db = figures.safe_side(audit.margin_db)
    if room_db >= 0.0:
        event = words.reaches(audit.margin_limited_by, comparison.rig, "")
        return f"On this rig {worst.letter} still has {_db(room_db)} of room before {event}."
    down = f"On this rig {_over(audit.margin_limited_by, comparison.rig)}: turn {worst.letter} down by {_db(-room_db)}"
    return f"{down}." if alike else f"{down}, or {_cure(main.causes[0].cause, worst, other)}."


def _over(why: Limit, rig: Rig) -> str:
    what = words.cause(why, rig)
    return f"the {what}" if why.startswith("protection") else f"{what} is over its limit"


def _at_risk(comparison: Comparison) -> list[str]:
    """The other programmes that are over a limit, the riskiest first: what is less loud is not yet safe."""
    worst = comparison.worst if comparison.differences else None
    over = [each for each in comparison.programmes if each is not worst and _margin_db(each) < 0.0]
    sentences = []
    for each in sorted(over, key=_margin_db):
        audit = each.portrait.audit
        riskier = worst is not None and _margin_db(each) < _margin_db(worst) - ALIKE_DB
        start = f"{each.letter}, with less HF power, is the riskier" if riskier else f"{each.letter} is at risk"
        if audit.margin_db is None or audit.margin_limited_by is None:
            sentences.append(f"{start}: no gain within reach is safe.")
            continue
        down = _db(-figures.safe_side(audit.margin_db))
        why = words.cause(audit.margin_limited_by, comparison.rig)
        besides = " all the same" if riskier else " too" if worst is not None else ""
        sentences.append(f"{start}{besides}: turn it down by {down} ({why}).")
    return sentences


def _nearer(comparison: Comparison) -> list[str]:
    """Who comes nearer to a limit than the one with most power: peaks are a matter of their own."""
    reached = [each for each in comparison.programmes if each.portrait.audit.margin_db is not None]
    nearest = min(reached, key=lambda each: each.portrait.audit.margin_db or 0.0, default=comparison.worst)
    audit, worst = nearest.portrait.audit, comparison.worst.portrait.audit
    if nearest is comparison.worst or _margin_db(nearest) < 0.0:  # that one is at risk, and said to be
        return []
    if audit.margin_db is None or audit.margin_limited_by is None:
        return []
    if worst.margin_db is not None and worst.margin_db - audit.margin_db < ALIKE_DB:
        return []
    room = figures.signed(audit.margin_db)
    binds = words.cause(audit.margin_limited_by, comparison.rig)
    return [f"{nearest.letter}, with less HF power, is nearer to a limit all the same: margin {room} ({binds})."]


def _cure(cause: Name, worst: Compared, other: Compared) -> str:
    instead = f"play {other.letter} in its place if it is another master of the same"
    if _margin_db(other) < 0.0:
        instead = "play another master of it"
    if cause == "density":
        held = "its average, not only its peaks"
        if worst.portrait.audit.margin_limited_by == "driver_power_peak":
            held = "its average and its peaks"
        return f"{instead}; a limiter would have to hold {held} (`auditor limiter` finds the settings)"
    if cause == "brightness":
        return f"take its treble down, or {instead}"
    if cause == "clipping":
        first = worst.overdriven[OVERDRIVES_DB.index(0.0)] if worst.overdriven else None
        amount = "" if first is None or first.gain_db >= 0.0 else f", which takes {_db(-first.gain_db)} less"
        return f"keep it out of the amplifier's rails{amount}"
    if _margin_db(other) < 0.0:
        return "limit it by as much"
    return f"limit it to the level of {other.letter}"
