"""Makes a rig file from answers or from `--set`: the values checked as a whole, and the text that says so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from auditor.errors import Fault
from auditor.rig_faults import PARTS, model_of, value_fault
from auditor.rig_fields import safe_key
from auditor.rig_interview import Ask, Document, Say, interview
from auditor.rig_resolve import resolve_rig
from auditor.rig_tables import LIST_TABLES, TABLE_NAMES
from auditor.rig_typed import parsed
from auditor.rig_value_faults import kinds
from auditor.rig_writing import rig_text


@dataclass(frozen=True, kw_only=True)
class Made:
    """The text of a rig file and how many values it leaves to assumption; or what is wrong with the values."""

    text: str = ""
    assumed: int = 0
    faults: tuple[Fault, ...] = ()


def asked(ask: Ask, say: Say, *, width: int) -> Made:
    """From an interview; see `auditor.rig_interview`."""
    return _made(interview(ask, say, width=width))


def of_settings(settings: Sequence[str]) -> Made:
    """From settings as typed, ``table.key=value``; text needs no quotes."""
    typed: dict[tuple[str, str], str] = {}
    faults = []
    for setting in settings:
        dotted, equals, value = (part.strip() for part in setting.partition("="))
        table, _, key = dotted.partition(".")
        if not (equals and table in TABLE_NAMES and table not in LIST_TABLES and key) or dotted.startswith(PARTS):
            what = "not a value of a rig file"
            by_hand = "the parts of a network" if dotted.startswith(PARTS) else "equalisers"
            hint = f"write --set table.key=value, as amplifier.gain_db=32; {by_hand} go into the file by hand"
            faults.append(Fault(key=f"--set {safe_key(setting)}", what=what, hint=hint))
        elif (table, key) in typed:
            faults.append(Fault(key=f"--set {dotted}", what="set twice", hint="keep one"))
        else:
            typed[table, key] = value
    document = _document(typed)
    if not faults:
        return _made(document)
    # What was not understood might be what another value wants, so the others are looked at each by itself.
    kind = typed.get(("protection", "kind"))
    found = [value_fault(table, key, document[table][key], kind=kind) for table, key in typed]
    return Made(faults=(*faults, *(fault for fault in found if fault is not None)))


def _document(typed: dict[tuple[str, str], str]) -> Document:
    document: Document = {}
    for (table, key), value in typed.items():
        model = model_of(table, {"kind": typed.get(("protection", "kind"))})
        field = None if model is None else model.model_fields.get(key)
        document.setdefault(table, {})[key] = parsed(value, kinds(field.annotation) if field else {float})
    return document


def _made(document: Document) -> Made:
    rig, faults = resolve_rig(document, path="the values given")
    if rig is None:
        return Made(faults=tuple(faults))
    return Made(text=rig_text(document, rig), assumed=len(rig.assumed))
