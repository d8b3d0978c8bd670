"""Checks each table of a rig file by itself and words every fault: key, unit, what was found, what is allowed.

pydantic finds the faults, all at once; none of its wording is shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from pydantic import ValidationError

from auditor import protection
from auditor.errors import Fault
from auditor.rig_fields import (
    LIKELY,
    SURE,
    RigTable,
    nearest,
    safe_key,
    shown,
)
from auditor.rig_tables import (
    EITHER_TABLES,
    LEAST_KEYS,
    LIST_TABLES,
    REQUIRED_TABLES,
    TABLE_NAMES,
    TABLES,
)
from auditor.rig_value_faults import allowed_text, kinds, meaning, unit_of, wrong_value

PARTS = "crossover.parts"


def checked_tables(document: Mapping[str, Any]) -> tuple[dict[str, dict[str, Any]], list[Fault]]:
    """Every table's sound values, and the faults of the rest.

    Parameters
    ----------
    document : mapping
        The whole TOML document.

    Returns
    -------
    sound : dict of dict
        By table, the values that are right by themselves; always holds every name in `TABLE_NAMES`. A table that may
        stand several times holds one such dict for each, under its number from "1" on.
    faults : list of Fault
    """
    document, faults = _respelt_tables(document)
    document, parts, found = _without_parts(document)
    faults += found
    sound: dict[str, dict[str, Any]] = {name: {} for name in TABLE_NAMES}
    for name in TABLE_NAMES:
        raw = document.get(name)
        if raw is None:
            faults += [_missing_table(name)] if name in REQUIRED_TABLES else []
        elif name in LIST_TABLES or (name in EITHER_TABLES and isinstance(raw, list)):
            sound[name], found = _check_list(name, raw)
            faults += found
        elif not isinstance(raw, dict):
            many = isinstance(raw, list)
            hint = f"in single brackets: [{name}] stands once" if many else f"its keys go under [{name}]"
            faults.append(Fault(key=name, what=f"must be a table, [{name}]", got=shown(raw), hint=hint))
        else:
            sound[name], found = _check_table(name, raw, has_parts=name == "crossover" and parts is not None)
            faults += found
    if parts is not None:
        sound[PARTS], found = _check_list(PARTS, parts)
        faults += found
    return sound, faults


def _without_parts(document: dict[str, Any]) -> tuple[dict[str, Any], object, list[Fault]]:
    """The document without ``[[crossover.parts]]``, those (None where there are none), and a fault if misspelt."""
    crossover = document.get("crossover")
    if not isinstance(crossover, dict):
        return document, None, []
    listed = [key for key, value in crossover.items() if key == "parts" or isinstance(value, list)]
    listed = [key for key in listed if key == "parts" or key not in TABLES["crossover"].model_fields]
    if not listed:
        return document, None, []
    rest = {key: value for key, value in crossover.items() if key not in listed}
    faults = [
        Fault(key=f"crossover.{safe_key(key)}", what="unknown key", hint=f"did you mean {_headed(PARTS)}?")
        for key in listed
        if key != "parts"
    ]
    return {**document, "crossover": rest}, crossover[listed[0]], faults


def _check_list(name: str, raw: object) -> tuple[dict[str, Any], list[Fault]]:
    """Sound values and faults of a table that may stand several times, by its number."""
    if not isinstance(raw, list) or not all(isinstance(each, dict) for each in raw):
        hint = f"in double brackets, once for each {'part' if name == PARTS else 'section'}"
        return {}, [Fault(key=name, what=f"must be tables, each headed [[{name}]]", got=shown(raw), hint=hint)]
    sound, faults = {}, []
    for number, each in enumerate(raw, start=1):
        sound[str(number)], found = _check_table(name, each)
        faults += [prefixed(fault, name, number=number) for fault in found]
    return sound, faults


def _respelt_tables(document: Mapping[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """The known tables, misspelt ones under the name that was meant, and a fault for each that is not known.

    A slip of the pen is then one fault, not two, and what stands in the table is checked all the same.
    """
    known = {name: value for name, value in document.items() if name in TABLE_NAMES}
    faults = []
    for name, value in document.items():
        if name in TABLE_NAMES:
            continue
        faults.append(_stray(name, value))
        near = nearest(name, TABLE_NAMES, cutoff=SURE) if isinstance(value, dict | list) else None
        near = near if near in EITHER_TABLES or (near in LIST_TABLES) == isinstance(value, list) else None
        if near is not None:
            known.setdefault(near, value)
    return known, faults


def model_of(table: str, raw: Mapping[str, Any]) -> type[RigTable] | None:
    """The model of a table; None for a protection method that is not known."""
    if table != "protection":
        return TABLES[table]
    kind = raw.get("kind")
    if isinstance(kind, str) and kind in protection.METHODS:
        return protection.method(kind).Table
    return None


def value_fault(table: str, key: str, value: Any, *, kind: str | None = None) -> Fault | None:
    """What is wrong with one value by itself; None where nothing is.

    Parameters
    ----------
    table, key : str
    value : object
        As TOML would give it.
    kind : str, optional
        The protection method, for its keys.
    """
    raw = {"kind": kind, key: value} if table == "protection" and key != "kind" else {key: value}
    _, faults = _check_table(table, raw)
    return next((fault for fault in faults if fault.key == f"{table}.{key}" and fault.what != "missing"), None)


def _check_table(table: str, raw: dict[str, Any], *, has_parts: bool = False) -> tuple[dict[str, Any], list[Fault]]:
    model = model_of(table, raw)
    if model is None:
        return {}, [_kind_fault(raw)]
    wanted, faults = _respelt_keys(model, table, raw)
    try:
        model.model_validate(wanted)
    except ValidationError as error:
        found = {str(entry["loc"][0]): entry["type"] for entry in error.errors(include_url=False)}
    else:
        found = {}
    for key, kind in found.items():
        if kind != "missing":
            faults.append(wrong_value(model, table, key, wanted[key]))
        elif not has_parts:  # the parts of a passive network stand instead of an alignment
            faults.append(_missing(model, table, key))
    if table == "protection":
        faults += [prefixed(fault, table) for fault in protection.method(raw["kind"]).key_faults(wanted.keys())]
    return {key: _as_float(model, key, value) for key, value in wanted.items() if key not in found}, faults


def _respelt_keys(model: type[RigTable], table: str, raw: dict[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """The known keys, misspelt ones under the name that was meant, and a fault for each that is not known."""
    known = {key: value for key, value in raw.items() if key in model.model_fields}
    faults = []
    for key, value in raw.items():
        if key not in model.model_fields:
            faults.append(_unknown(model, table, key))
            near = None if _homes(key) else nearest(key, model.model_fields, cutoff=SURE)
            if near is not None:
                known.setdefault(near, value)
    return known, faults


def _as_float(model: type[RigTable], key: str, value: Any) -> Any:
    """A whole number as a float where the key wants one."""
    return float(value) if float in kinds(model.model_fields[key].annotation) else value


def prefixed(fault: Fault, table: str, *, number: int | None = None) -> Fault:
    """The same fault with its key dotted; of a numbered table, whose name it has already, with the number."""
    key = f"{table}.{fault.key}" if number is None else f"{table}.{number}.{fault.key.removeprefix(f'{table}.')}"
    return Fault(key=key, what=fault.what, got=fault.got, allowed=fault.allowed, hint=fault.hint)


def _missing_table(table: str) -> Fault:
    keys = ["kind"] if table == "protection" else [k for k, f in TABLES[table].model_fields.items() if f.is_required()]
    return Fault(
        key=table, what=f"missing table [{table}]", hint=f"it needs at least: {', '.join(keys) or LEAST_KEYS[table]}"
    )


def _missing(model: type[RigTable], table: str, key: str) -> Fault:
    return Fault(key=f"{table}.{key}", what="missing", allowed=allowed_text(model, key), hint=meaning(model, key))


def _kind_fault(raw: Mapping[str, Any]) -> Fault:
    key, kind, allowed = "protection.kind", raw.get("kind"), ", ".join(protection.METHODS)
    means = "what stands in series with the HF driver; none where nothing does"
    if kind is None:
        return Fault(key=key, what="missing", allowed=allowed, hint=means)
    near = nearest(kind, list(protection.METHODS)) if isinstance(kind, str) else None
    hint = f'did you mean "{near}"?' if near else means
    return Fault(key=key, what="not one of the words allowed", got=shown(kind), allowed=allowed, hint=hint)


def _stray(name: str, value: object) -> Fault:
    if isinstance(value, dict | list):
        near = nearest(name, [each for each in TABLE_NAMES if each not in LIST_TABLES])
        near = nearest(name, LIST_TABLES, cutoff=SURE) or near
        hint = f"did you mean {_headed(near)}?" if near else f"tables: {', '.join(TABLE_NAMES)}"
        return Fault(key=safe_key(name), what="unknown table", hint=hint)
    keys = [key for _, model in _all_models() for key in model.model_fields]
    homes, near = _homes(name), nearest(name, keys)
    if homes:
        hint = f"belongs in {' or '.join(homes)}"
    else:
        hint = f"did you mean {near} in {' or '.join(_homes(near))}?" if near else f"tables: {', '.join(TABLE_NAMES)}"
    return Fault(key=safe_key(name), what="unknown key outside any table", hint=hint)


def _unknown(model: type[RigTable], table: str, key: str) -> Fault:
    homes, what = _homes(key), "unknown key"
    # What is right elsewhere is a slip of the pen here only if it looks very much like a key of this table.
    near = nearest(key, model.model_fields, cutoff=SURE if homes else LIKELY)
    meant = f"did you mean {near}{f' [{unit_of(model, near)}]' if unit_of(model, near) else ''}?" if near else None
    keys = f"keys here: {', '.join(model.model_fields)}"
    if f"[{table}]" in homes:
        what = f'kind = "{get_args(model.model_fields["kind"].annotation)[0]}" has no such key'
        hint = meant or f"remove it; {keys}"
    elif homes:
        elsewhere = f"belongs in {' or '.join(homes)}"
        hint = f"{meant} {safe_key(key)} {elsewhere}" if meant else elsewhere
    elif key in TABLE_NAMES:
        hint = f"a table of its own, headed {_headed(key)}"
    else:
        hint = meant or keys
    return Fault(key=f"{table}.{safe_key(key)}", what=what, hint=hint)


def _homes(key: str) -> list[str]:
    """The tables that have such a key, as the user writes them."""
    homes = (_headed(table) for table, model in _all_models() if key in model.model_fields)
    return list(dict.fromkeys(homes))


def _headed(table: str) -> str:
    return f"[[{table}]]" if table in LIST_TABLES else f"[{table}]"


def _all_models() -> list[tuple[str, type[RigTable]]]:
    methods = [("protection", protection.method(kind).Table) for kind in protection.METHODS]
    return [*TABLES.items(), *methods]
