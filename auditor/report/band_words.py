"""What a report says of the band of a margin: its ends, what the careful end means, and what to measure first."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from auditor.report import figures, words

if TYPE_CHECKING:
    from auditor.audit_types import Band, Narrowing, Verdict
    from auditor.rig import Rig

LABEL = "Band: "
_MOST_NAMED = 3
_UNIT = re.compile(r"_(k_per_w|ohm|w|mm|c|s|k|h|db|v|ratio)$")
_NAMES = {
    "level.gain_db": "the gain between mixer and amplifier",
    "level.target_level_dbfs": "the mean level of the programme",
    "level.mono_gain_db": "the gain of the mono sum",
    "crossover.pad_db": "the pad",
    "site.ambient_temp_c": "the temperature of the air",
}


def sentence(band: Band, verdict: Verdict, rig: Rig) -> str:
    """The band in words.

    Parameters
    ----------
    band : Band
    verdict : Verdict
        With every value as assumed.
    rig : Rig
    """
    said = f"{_range(band)}, with every assumed value anywhere in its band."
    return " ".join(part for part in (said, _warning(band, verdict), _narrows(band, rig), _held(band, rig)) if part)


def at_risk(band: Band | None, verdict: Verdict) -> bool:
    """Whether only the careful end is a risk."""
    return band is not None and band.verdict_worst == "risk" and verdict != "risk"


def _range(band: Band) -> str:
    low_db, high_db = band.margin_low_db, band.margin_high_db
    if low_db is None:
        return "plenty of room at either end"
    high = "more than 20 dB of room" if high_db is None else figures.signed(high_db)
    return f"margin from {figures.signed(low_db)} to {high}"


def _warning(band: Band, verdict: Verdict) -> str:
    if not at_risk(band, verdict):
        return ""
    amount = figures.tenths(-figures.safe_side(band.margin_low_db or 0.0))
    return (
        f"At the careful end this is a RISK, {amount} dB too loud, though with the usual values it is not: measure, or "
        f"turn down by {amount} dB."
    )


def _narrows(band: Band, rig: Rig) -> str:
    if not band.narrows:
        return "" if band.margin_low_db is None else "No single measurement would narrow that."
    first, *others = band.narrows[:_MOST_NAMED]
    then = "; ".join(f"{name(each.key, rig)}, by {_by(each)}" for each in others)
    most = f"What would narrow it most is {name(first.key, rig)}, by about {_by(first)}: {first.how}."
    return f"{most} Then {then}." if then else most


def _held(band: Band, rig: Rig) -> str:
    if not band.held:
        return ""
    names = ", ".join(name(key, rig) for key in band.held)
    return f"Heat carried from track to track is taken with these as assumed: {names}."


def _by(narrowing: Narrowing) -> str:
    return f"{figures.tenths(narrowing.by_db)} dB"


def name(dotted: str, rig: Rig) -> str:
    """An assumed value in plain words, by its key."""
    table, *number, key = dotted.split(".")
    plain = _UNIT.sub("", key).replace("_temp", "_temperature").replace("_", " ")
    owner = words.device(rig) if table == "protection" else table
    if number and table == "crossover":
        return f"the {plain} of the network's part {number[-1]}"
    return _NAMES.get(dotted) or f"the {owner}'s {plain}"
