"""The audit as a Parquet table: a flat row for each track, with the figures of its worst channel.

A file that could not be analysed has a row with `error` and little else. The columns are those of docs/scale.md; what
the whole set came to stands in the file's metadata under the key `auditor`, as the last line of the ndjson report.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import pyarrow
import pyarrow.parquet

from auditor.report import lines, records

if TYPE_CHECKING:
    from auditor.audit_types import FileFault
    from auditor.judged import Judged, Tally
    from auditor.rig import Rig

ROWS_IN_GROUP = 1000

_TEXTS = pyarrow.list_(pyarrow.string())
_COLUMNS = {
    # The track. What is in the JSON report has its name there.
    "index": pyarrow.int64(),
    "path": pyarrow.string(),
    "name": pyarrow.string(),
    "title": pyarrow.string(),
    "start_s": pyarrow.float64(),
    "end_s": pyarrow.float64(),
    "gain_db": pyarrow.float64(),
    "error": pyarrow.string(),
    "duration_s": pyarrow.float64(),
    "sample_rate_hz": pyarrow.int32(),
    "channel_count": pyarrow.int32(),
    "loudness_lufs": pyarrow.float64(),
    "true_peak_dbtp": pyarrow.float64(),
    "peak_to_loudness_db": pyarrow.float64(),
    "verdict": pyarrow.string(),
    "margin_db": pyarrow.float64(),
    "margin_limited_by": pyarrow.string(),
    "passage_count": pyarrow.int32(),
    "risk_passage_count": pyarrow.int32(),
    "first_risk_s": pyarrow.float64(),
    "notes": _TEXTS,
    "unjudged": _TEXTS,
    "worst_channel": pyarrow.int32(),
    # Its worst channel, protected as the rig has it.
    **dict.fromkeys(
        [
            "clipped_ratio",
            "hf_energy_ratio",
            "hf_voltage_rms_v",
            "hf_voltage_peak_v",
            "hf_crest_db",
            "driver_power_mean_w",
            "driver_power_max_1s_w",
            "driver_power_max_60s_w",
            "driver_power_peak_w",
            "coil_temp_max_c",
            "body_temp_max_c",
            # The same without protection.
            "unprotected_power_max_1s_w",
            "unprotected_power_max_60s_w",
            "unprotected_coil_temp_max_c",
            # The protective part.
            "engaged_s",
            "attenuation_max_db",
            "attenuation_mean_db",
            "failed_at_s",
            "muted_s",
            "filament_temp_max_k",
            "life_used_ratio",
        ],
        pyarrow.float64(),
    ),
    "trips": pyarrow.int32(),
}
SCHEMA = pyarrow.schema(list(_COLUMNS.items()))


class Table:
    """A Parquet file under way: rows are written in groups, and the file is whole once `finish` has been called.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._writer = pyarrow.parquet.ParquetWriter(path, SCHEMA, compression="zstd")
        self._rows: list[dict[str, Any]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._writer.close()

    def add(self, judged: Judged) -> None:
        """One more track; a fault of a part of it stands in `unjudged`."""
        if judged.audit is not None:
            self._add({"index": judged.index, **row(records.track_record(judged.audit))})
        else:
            for fault in judged.faults:
                self.add_fault(fault, judged.index)

    def add_fault(self, fault: FileFault, index: int | None = None) -> None:
        """A file that could not be analysed."""
        self._add(records.plain({"index": index, "path": fault.path, "error": fault.message}))

    def _add(self, one: dict[str, Any]) -> None:
        self._rows.append(one)
        if len(self._rows) == ROWS_IN_GROUP:
            self._write()

    def _write(self) -> None:
        if self._rows:
            self._writer.write_table(pyarrow.Table.from_pylist(self._rows, schema=SCHEMA))
            self._rows = []

    def finish(self, tally: Tally, rig: Rig, *, exit_status: int, is_interrupted: bool) -> None:
        """Write what is left, and what the whole set came to."""
        self._write()
        whole = lines.summary(tally, rig, exit_status=exit_status, is_interrupted=is_interrupted)
        self._writer.add_key_value_metadata({"auditor": json.dumps(records.plain(whole), allow_nan=False)})


def row(track: dict[str, Any]) -> dict[str, Any]:
    """A track of the JSON report, laid flat."""
    channel = track["channels"][track["worst_channel"]]
    unprotected, protection = channel["unprotected"], channel["protection"]
    risks = [passage for passage in track["passages"] if passage["verdict"] == "risk"]
    own = {
        "passage_count": len(track["passages"]),
        "risk_passage_count": len(risks),
        "first_risk_s": min((passage["start_s"] for passage in risks), default=None),
        "unprotected_power_max_1s_w": unprotected["driver_power_max_1s_w"],
        "unprotected_power_max_60s_w": unprotected["driver_power_max_60s_w"],
        "unprotected_coil_temp_max_c": unprotected["coil_temp_max_c"],
        "name": track.get("name", track["path"]),
    }
    flat = {**protection, **channel, **track, **own}
    return {name: flat.get(name) for name in SCHEMA.names if name not in ("index", "error")}
