"""A rig file from values: every key with what it is and its unit, and what is assumed in place of those left out."""

from __future__ import annotations

import textwrap
from typing import Any

from auditor.rig import Rig, rig_as_dict
from auditor.rig_assumptions import describe
from auditor.rig_faults import model_of
from auditor.rig_fields import RigTable
from auditor.rig_schema import SCHEMA_PATH
from auditor.rig_tables import TABLE_NAMES
from auditor.rig_value_faults import unit_of

_WIDTH = 110
HEAD = """\
# A rig for the auditor: everything between the mixer and the high-frequency (HF) driver.
#
# A line that begins with # is not read: put your own value there and take the # away once you know it.
# Check it with:  auditor rig check FILE
#
# CAUTION  The results are estimates, not a guarantee. Loud sound damages hearing. Amplifier outputs can be lethal.
#          Lamps run hot enough to char. Disconnect before opening a box. Replace fuses and lamps like for like.
#          The maker's data, local codes and licensed practice come first.
"""


def schema_line() -> str:
    """What tells many editors which JSON Schema a TOML file follows; to all else it is a comment."""
    return f"#:schema {SCHEMA_PATH.resolve().as_uri()}\n"


def rig_text(document: dict[str, dict[str, Any]], rig: Rig) -> str:
    """The file.

    Parameters
    ----------
    document : dict of dict
        Values by table, without faults.
    rig : Rig
        What they resolve to.
    """
    parts = [HEAD]
    reasons = dict(zip(rig.assumed, describe(rig), strict=True))
    for table in TABLE_NAMES:
        given = document.get(table, {})
        model = model_of(table, given)
        assumed = [key for key in rig.assumed if key.startswith(f"{table}.")]
        if model is None or not (given or assumed):
            continue
        entries = [[f"[{table}]"]]
        for key in model.model_fields:
            dotted = f"{table}.{key}"
            if key in given:
                entries.append([*_comment(_about(model, key)), f"{key} = {toml(given[key])}"])
            elif dotted in reasons:
                value = rig_as_dict(rig)[table][key]
                why = reasons[dotted].partition(": ")[2]
                comment = _comment(f"{_about(model, key)} {why[0].upper()}{why[1:]}")
                entries.append([*comment, f"# {key} = {_short(value)}"])
        parts.append("\n\n".join("\n".join(each) for each in entries) + "\n")
    return "\n\n".join(parts)


def _about(model: type[RigTable], key: str) -> str:
    unit = unit_of(model, key)
    return f"{model.model_fields[key].description}{f' [{unit}]' if unit else ''}"


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ")


def _short(value: Any) -> str:
    # Four figures, for no table has more: what is taken from one stands in the file as `rig check` shows it.
    return toml(float(f"{value:.4g}") if isinstance(value, float) else value)


def toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        import json

        return json.dumps(value, ensure_ascii=True)  # TOML's basic strings have JSON's escapes
    return repr(value)
