"""JSON Schema of the rig file, so that an editor can offer keys and underline faults.

`auditor/rig.schema.json` is shipped and must equal `rig_json_schema_text()`; write it anew with
``python -m auditor.rig_schema``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from auditor import protection
from auditor.rig import Calibration
from auditor.rig_calibration import WAYS, keys_of
from auditor.rig_faults import PARTS
from auditor.rig_fields import RigTable
from auditor.rig_network import KEYS
from auditor.rig_tables import EITHER_TABLES, LIST_TABLES, REQUIRED_TABLES, TABLES, CrossoverPart

SCHEMA_PATH = Path(__file__).with_name("rig.schema.json")


def _keys_of_others(way: Calibration) -> list[str]:
    return [key for other in WAYS if other != way for key in keys_of(other)]


# What two keys say together, as far as the schema language can tell.
_RULES: dict[str, dict[str, Any]] = {
    "level": {
        "oneOf": [
            {"required": list(keys), "properties": dict.fromkeys(_keys_of_others(way), False)}
            for way, keys in WAYS.items()
        ],
        "dependentSchemas": {
            "mono_gain_db": {
                "required": ["channels", "full_scale_dbu"],
                "properties": {"channels": {"const": "mono"}},
            }
        },
    },
    "crossover": {
        "if": {"required": ["parts"]},
        "then": {"properties": dict.fromkeys(("alignment", "order", "frequency_hz", "pad_db"), False)},
        "else": {
            "required": ["alignment"],
            "if": {"properties": {"alignment": {"const": "none"}}},
            "then": {"properties": {"order": False, "frequency_hz": False}},
            "else": {"required": ["order", "frequency_hz"]},
        },
    },
    PARTS: {
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": kind}}},
                "then": {
                    "required": list(needed),
                    "properties": {
                        key: False
                        for key in CrossoverPart.model_fields
                        if key != "kind" and key not in (*needed, *optional)
                    },
                },
            }
            for kind, (needed, optional) in KEYS.items()
        ]
    },
    "driver": {"not": {"required": ["impedance_file", "voice_coil_inductance_h"]}},
    "limiter": {"oneOf": [{"required": ["threshold_dbu"]}, {"required": ["threshold_v"]}]},
    "equaliser": {
        "if": {"properties": {"kind": {"enum": ["low_pass", "high_pass"]}}},
        "then": {"properties": {"gain_db": False}},
        "else": {"required": ["gain_db"]},
    },
    "lamp": {"oneOf": [{"required": ["part"]}, {"required": ["design_voltage_v", "design_current_a"]}]},
    "breaker": {
        "if": {"properties": {"reset": {"const": "self"}}},
        "then": {"required": ["reset_s"]},
        "else": {"properties": {"reset_s": False}},
    },
}


# What tables say together.
_ACROSS: dict[str, Any] = {
    "if": {"properties": {"level": {"required": ["full_scale_dbu"]}}},
    "then": {"properties": {"amplifier": {"required": ["gain_db"]}}},
}


def rig_json_schema() -> dict[str, Any]:
    """The schema, made from the models that check the file."""
    properties = {name: _table_schema(model, rules=name) for name, model in TABLES.items()}
    properties |= {name: {"type": "array", "items": properties[name]} for name in LIST_TABLES}
    properties |= {
        name: {"oneOf": [properties[name], {"type": "array", "items": properties[name]}]} for name in EITHER_TABLES
    }
    crossover = properties["crossover"]
    crossover["properties"]["parts"] = properties.pop(PARTS)
    crossover["required"] = []  # an alignment, or parts: see the rules
    methods = [_table_schema(protection.method(kind).Table, rules=kind) for kind in protection.METHODS]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Rig file",
        "type": "object",
        "additionalProperties": False,
        "required": list(REQUIRED_TABLES),
        "properties": {**properties, "protection": {"oneOf": methods}},
        **_ACROSS,
    }


def rig_json_schema_text() -> str:
    """The schema as the text of the shipped file."""
    return json.dumps(rig_json_schema(), indent=2, ensure_ascii=False) + "\n"


def _table_schema(model: type[RigTable], *, rules: str) -> dict[str, Any]:
    schema = model.model_json_schema()
    return {
        "type": "object",
        "additionalProperties": False,
        "required": schema.get("required", []),
        "properties": {key: _key_schema(entry) for key, entry in schema["properties"].items()},
        **_RULES.get(rules, {}),
    }


def _key_schema(entry: dict[str, Any]) -> dict[str, Any]:
    # A TOML file has no null: a key that may be left out is simply not there.
    kinds = [kind for kind in entry.get("anyOf", []) if kind.get("type") != "null"]
    bare = {key: entry[key] for key in ("type", "enum", "const", "minimum", "maximum") if key in entry}
    unit = entry.get("unit")
    return {"description": entry["description"] + (f" [{unit}]" if unit else ""), **(kinds[0] if kinds else bare)}


if __name__ == "__main__":
    SCHEMA_PATH.write_text(rig_json_schema_text(), encoding="utf-8")
