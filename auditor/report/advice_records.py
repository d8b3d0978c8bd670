"""The answers of the advice commands by machine: one JSON document each, with the keys of the user guide."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from auditor import __version__
from auditor.report.records import SCHEMA_VERSION, plain
from auditor.rig import rig_as_dict

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from auditor.audit_types import FileFault
    from auditor.rig import Rig


def to_json(
    command: str, answer: Mapping[str, Any] | None, rig: Rig, *, faults: Sequence[FileFault], exit_status: int
) -> str:
    """The whole answer as one JSON document of pure ASCII, ending in a newline.

    Parameters
    ----------
    command : str
        Which was run.
    answer : mapping or None
        Its own keys; None where there was nothing to answer from.
    rig : Rig
    faults : sequence of FileFault
    exit_status : int
    """
    document = plain(
        {
            "schema_version": SCHEMA_VERSION,
            "auditor_version": __version__,
            "command": command,
            "exit_status": exit_status,
            "rig": rig_as_dict(rig),
            **(answer or {}),
            "errors": [{"path": fault.path, "message": fault.message} for fault in faults],
        }
    )
    return json.dumps(document, indent=2, ensure_ascii=True, allow_nan=False) + "\n"
