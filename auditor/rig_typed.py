"""What somebody types as the value that a rig file would hold: strictly for `--set`, as people write it at a prompt."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

_YES, _NO = ("yes", "y", "true"), ("no", "n", "false")
_UNIT_SPELLINGS = {"ohm": "ohms?|\u03a9|\u2126", "C": "\u00b0?C", "V": r"V(?:\s*rms)?"}
_WITH_KILO = ("Hz", "ohm", "V", "W")
_SLOPE = re.compile(r"(\d+)\s*dB(?:\s*(?:/|per)\s*oct(?:ave)?)?", re.IGNORECASE)
# A comma and three digits: thousands to some, decimals to others.
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}(?!\d)")
_DB_OF_AN_ORDER = 6
_HIGHEST_ORDER = 8


def parsed(typed: str, wanted: set[type]) -> Any:
    """What was typed, as TOML would have it but that text needs no quotes; text where it is no number."""
    if bool in wanted:
        folded = typed.casefold()
        return True if folded in _YES else False if folded in _NO else typed
    if str in wanted and not wanted & {int, float}:
        return typed.strip("\"'")
    for number in (int, float):
        try:
            return number(typed)
        except ValueError:
            continue
    return typed


def answered(typed: str, *, key: str, wanted: set[type], words: list[str], unit: str) -> Any:
    """What was typed at a prompt: with a comma for the decimals, the unit behind it, a word cut short.

    Parameters
    ----------
    typed : str
    key : str
        Dotted.
    wanted : set of type
        What the key takes.
    words : list of str
        Those of which the key takes one, if any.
    unit : str
        That of the question, the only one that may stand behind the number.
    """
    value = parsed(typed, wanted)
    if not isinstance(value, str):
        return value
    if words:
        return _meant(value, words)
    if not wanted & {int, float}:
        return value
    slope = _SLOPE.fullmatch(value) if key == "crossover.order" else None
    if slope and int(slope[1]) % _DB_OF_AN_ORDER == 0:
        return int(slope[1]) // _DB_OF_AN_ORDER
    return _number(value, unit)


def hint_at_prompt(typed: str, *, key: str, is_number: bool, unit: str) -> str | None:
    """What to type instead, where the hint for a file would not do at a prompt; None where it would."""
    digits = re.search(r"\d+", typed)
    if key == "crossover.alignment" and digits:
        return "the kind alone; its slope is asked next"
    if key == "crossover.order" and digits:
        slope_db = int(digits[0][:4])
        if slope_db > _HIGHEST_ORDER and slope_db % _DB_OF_AN_ORDER == 0:
            return f"{slope_db} dB/oct is order {slope_db // _DB_OF_AN_ORDER}"
    if not is_number:
        return None
    if _EITHER.match(typed):
        return "thousands or decimals? Write it without the comma, or with a point"
    return f"a number{f' in {unit}' if unit else ''}"


def _number(typed: str, unit: str) -> Any:
    kilo = "(k?)" if unit in _WITH_KILO else "()"
    behind = rf"\s*{kilo}\s*(?:{_UNIT_SPELLINGS.get(unit, re.escape(unit))})?"
    match = re.fullmatch(rf"([+-]?\d*[.,]?\d+){behind}", typed, re.IGNORECASE | re.ASCII)
    if match is None or _EITHER.match(typed):
        return typed
    number = Decimal(match[1].replace(",", ".")) * (1000 if match[2] else 1)
    return int(number) if number == int(number) else float(number)


def _meant(typed: str, words: list[str]) -> str:
    """One of a few words may be typed short, by its initials, in another case, or with spaces for hyphens."""
    folded = "-".join(typed.casefold().replace("-", " ").split())
    if typed in words or not folded:
        return typed
    initials = [word for word in words if "-" in word and "".join(part[0] for part in word.split("-")) == folded]
    near = initials or [word for word in words if word.casefold().startswith(folded)]
    return near[0] if len(near) == 1 else typed
