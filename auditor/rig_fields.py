"""Building blocks of the rig file's tables: a quantity with its unit, its range and the reason for the range.

Imports pydantic (0.1 s), so only the modules that check a rig file import it.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

TOO_SMALL = "smaller than anything in the trade"
TOO_LARGE = "larger than anything in the trade"
LONGEST_SHOWN = 40  # of text from the file in a message
LIKELY, SURE = 0.5, 0.75  # how alike two words are: worth a hint, and surely a slip of the pen
# By unit; a level or a gain may be.
NEVER_NEGATIVE = {
    "s": "a time",
    "h": "a time",
    "A": "a current",
    "V": "a voltage",
    "W": "a power",
    "ohm": "a resistance",
    "mm": "a diameter",
}


class RigTable(BaseModel):
    """A table of the rig file: no unknown keys, nothing coerced, no infinities."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


def quantity(
    doc: str,
    *,
    unit: str,
    low: float,
    high: float,
    below: str = TOO_SMALL,
    above: str = TOO_LARGE,
    optional: bool = False,
) -> Any:
    """A field for a number from `low` to `high`, both allowed.

    Parameters
    ----------
    doc : str
        What the quantity is, for the JSON Schema and the messages.
    unit : str
        Its unit, empty for a bare number.
    low, high : float
        Smallest and largest value allowed, in that unit.
    below, above : str
        Why a smaller or a larger value is refused.
    optional : bool
        Whether the key may be left out.
    """
    extra: dict[str, Any] = {"unit": unit, "below": below, "above": above}
    if optional:
        return Field(default=None, ge=low, le=high, description=doc, json_schema_extra=extra)
    return Field(ge=low, le=high, description=doc, json_schema_extra=extra)


def choice(doc: str, *, optional: bool = False) -> Any:
    """A field for text, one of a few words or a name."""
    return Field(default=None, description=doc) if optional else Field(description=doc)


def shown(value: object, *, unit: str = "") -> str:
    """A value as the user would write it in TOML, shortened and safe for a terminal."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = "".join(char if char.isprintable() else "?" for char in value)
        return f'"{text if len(text) <= LONGEST_SHOWN else text[:LONGEST_SHOWN] + "..."}"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an array"
    if isinstance(value, int | float):
        if isinstance(value, int) and abs(value) >= 10**15:
            return "a whole number of more than 15 digits"
        return f"{value:.12g} {unit}".rstrip()
    return "a date or time"


def safe_key(key: str) -> str:
    """A key as it may be shown on a terminal."""
    text = "".join(char if char.isprintable() else "?" for char in key)
    return text if len(text) <= LONGEST_SHOWN else text[:LONGEST_SHOWN] + "..."


def nearest_word(value: str, words: Iterable[str]) -> str | None:
    """The word that was meant; of words of one or two letters only another case is near, for each letter counts."""
    words = list(words)
    short = [word for word in words if max(len(word), len(value)) <= 2]
    same = [word for word in short if word.casefold() == value.casefold()]
    return same[0] if same else nearest(value, [word for word in words if word not in short])


def nearest(word: str, words: Iterable[str], *, cutoff: float = LIKELY) -> str | None:
    """The one of these words that looks most like it; None where none does."""
    by_folded = {name.casefold(): name for name in words}
    wanted = word.casefold()
    spellings = (wanted, wanted.replace("-", "_"), wanted.replace("_", "-"))
    near = [name for text in spellings for name in difflib.get_close_matches(text, by_folded, n=1, cutoff=cutoff)]
    best = max(near, key=lambda name: difflib.SequenceMatcher(None, wanted, name).ratio(), default=None)
    return None if best is None else by_folded[best]


def number_hint(value: object) -> str | None:
    """What to do about a text where a number belongs; None where it is no text."""
    if not isinstance(value, str):
        return None
    ratio = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*:\s*1\s*", value)
    if ratio:
        return f"write {ratio.group(1)}"
    try:
        float(value)
    except ValueError:
        return "a number without quotes, with a point for the decimals and without its unit"
    return "take the quotes away"
