"""What is wrong with one value of a rig file, in words: its key, unit, what was found and what is allowed."""

from __future__ import annotations

import math
from typing import Any, get_args

from auditor.errors import Fault
from auditor.rig_fields import (
    NEVER_NEGATIVE,
    TOO_LARGE,
    TOO_SMALL,
    RigTable,
    nearest_word,
    number_hint,
    shown,
)


def unit_of(model: type[RigTable], key: str) -> str:
    """Unit of a key, empty for a bare number or text."""
    return str(_extra(model, key).get("unit", ""))


def _extra(model: type[RigTable], key: str) -> dict[str, Any]:
    extra = model.model_fields[key].json_schema_extra
    return extra if isinstance(extra, dict) else {}


def meaning(model: type[RigTable], key: str) -> str:
    """What a key is, as a hint: its description without capital and stop."""
    text = (model.model_fields[key].description or "").rstrip(".")
    return text[:1].lower() + text[1:]


def _range(model: type[RigTable], key: str) -> tuple[float, float]:
    limits = model.model_fields[key].metadata
    low = next(float(limit.ge) for limit in limits if hasattr(limit, "ge"))
    return low, next(float(limit.le) for limit in limits if hasattr(limit, "le"))


def words_of(model: type[RigTable], key: str) -> list[str]:
    """The words of which a key takes one; none where it is a number or any text."""
    return _words(model.model_fields[key].annotation)


def _words(annotation: Any) -> list[str]:
    """The words of a Literal, inside an Optional or not."""
    words: list[str] = []
    for arg in get_args(annotation):
        words += [arg] if isinstance(arg, str) else _words(arg)
    return words


def kinds(annotation: Any) -> set[type]:
    return (
        {annotation} if isinstance(annotation, type) else {kind for arg in get_args(annotation) for kind in kinds(arg)}
    )


def allowed_text(model: type[RigTable], key: str) -> str:
    annotation = model.model_fields[key].annotation
    words = _words(annotation)
    if words:
        return ", ".join(words)
    if bool in kinds(annotation):
        return "true or false"
    if str in kinds(annotation):
        return "text in quotes"
    low, high = _range(model, key)
    sort = "a whole number from " if int in kinds(annotation) else ""
    return f"{sort}{low:.12g} to {high:.12g} {unit_of(model, key)}".rstrip()


def wrong_value(model: type[RigTable], table: str, key: str, value: object) -> Fault:
    annotation = model.model_fields[key].annotation
    dotted, allowed, means = f"{table}.{key}", allowed_text(model, key), meaning(model, key)
    words = _words(annotation)
    if words:
        near = nearest_word(value, words) if isinstance(value, str) else None
        hint = f'did you mean "{near}"?' if near else means
        return Fault(key=dotted, what="not one of the words allowed", got=shown(value), allowed=allowed, hint=hint)
    if bool in kinds(annotation):
        return Fault(key=dotted, what="must be true or false", got=shown(value), allowed=allowed, hint="without quotes")
    if str in kinds(annotation):
        number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e15
        hint = f'put it in quotes: {key} = "{value:.12g}"' if number else means
        return Fault(key=dotted, what="must be text", got=shown(value), allowed=allowed, hint=hint)
    if isinstance(value, bool) or not isinstance(value, int | float):
        hint = number_hint(value) or means
        got = f"the text {shown(value)}" if isinstance(value, str) else shown(value)
        return Fault(key=dotted, what="must be a number", got=got, allowed=allowed, hint=hint)
    if isinstance(value, float) and not math.isfinite(value):
        return Fault(key=dotted, what="must be a finite number", got=shown(value), allowed=allowed, hint=means)
    low, high = _range(model, key)
    if low <= value <= high:
        hint = f"write {value:.12g}, without the point" if float(value).is_integer() else means
        return Fault(key=dotted, what="must be a whole number", got=repr(value), allowed=allowed, hint=hint)
    return _out_of_range(model, dotted, key, value)


def _out_of_range(model: type[RigTable], dotted: str, key: str, value: float) -> Fault:
    unit, (low, _) = unit_of(model, key), _range(model, key)
    reason = _extra(model, key)["below" if value < low else "above"]
    # A reason that only says "too small" leaves it to the hint what the key is.
    hint = meaning(model, key) if reason in (TOO_SMALL, TOO_LARGE) else None
    noun = NEVER_NEGATIVE.get(unit)
    if value < 0.0 <= low and noun is not None and (reason == TOO_SMALL or noun == "a time"):
        reason = f"{noun} is not negative"
    return Fault(key=dotted, what=reason, got=shown(value, unit=unit), allowed=allowed_text(model, key), hint=hint)
