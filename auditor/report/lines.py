"""The audit as newline-delimited JSON: an object for each track as it is finished, for each fault, and one at the end.

    {"kind": "track", "index": 0, "track": {...}}    a track as the JSON report has it
    {"kind": "error", "index": 1, "error": {...}}    a file that could not be analysed, or not to the end
    {"kind": "set", ...}                             what came of all of them: the last line, so that it is complete

Tracks come in the order in which they are finished; `index` is their place in the order given. Each is judged from
cold: no heat is carried from one to the next. The keys are those of `line.schema.json`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib import resources
from typing import TYPE_CHECKING, Any

from auditor import __version__
from auditor.report import records

if TYPE_CHECKING:
    from auditor.audit_types import FileFault
    from auditor.judged import Judged, Tally
    from auditor.rig import Rig


def of_judged(judged: Judged) -> Iterator[str]:
    """The lines of one track: itself, if it could be analysed, and what could not."""
    if judged.audit is not None:
        yield _line({"kind": "track", "index": judged.index, "track": records.track_record(judged.audit)})
    yield from map(of_fault, judged.faults, [judged.index] * len(judged.faults))


def of_fault(fault: FileFault, index: int | None = None) -> str:
    """The line of a fault; without an index of what was not even looked into."""
    return _line({"kind": "error", "index": index, "error": {"path": fault.path, "message": fault.message}})


def of_set(tally: Tally, rig: Rig, *, exit_status: int, is_interrupted: bool) -> str:
    """The last line."""
    return _line({"kind": "set", **summary(tally, rig, exit_status=exit_status, is_interrupted=is_interrupted)})


def summary(tally: Tally, rig: Rig, *, exit_status: int, is_interrupted: bool) -> dict[str, Any]:
    """What came of all tracks, as a dictionary."""
    from auditor.rig import rig_as_dict

    return {
        "schema_version": records.SCHEMA_VERSION,
        "auditor_version": __version__,
        "exit_status": exit_status,
        "is_interrupted": is_interrupted,
        "verdict": tally.verdict,
        "margin_db": tally.margin_db,
        "worst_track": tally.worst_track,
        "coil_temp_max_c": tally.coil_temp_max_c,
        "heat_carried": False,
        "track_count": tally.track_count,
        "verdict_counts": tally.tracks,
        "error_count": tally.fault_count,
        "rig": rig_as_dict(rig),
    }


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a line; it refers to that of the JSON report, `records.schema()`."""
    text = resources.files("auditor.report").joinpath("line.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def _line(values: dict[str, Any]) -> str:
    return json.dumps(records.plain(values), ensure_ascii=True, allow_nan=False) + "\n"
