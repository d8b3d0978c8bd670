"""The audit by machine: one JSON document, or the flagged passages as CSV.

The keys are those of the user guide and of `report.schema.json`, which ships beside this module and forbids any other.
Numbers are plain and carry six significant digits, and never fewer than three decimals; what is absent or not finite is
null, or an empty field in CSV.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from importlib import resources
from typing import TYPE_CHECKING, Any

from auditor import __version__

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Band, ChannelAudit, Exposure, Passage, ProtectionWork, SetAudit
    from auditor.night_types import Night

SCHEMA_VERSION = 1

CSV_COLUMNS = ("path", "start_s", "end_s", "channel", "verdict", "cause", "value", "limit", "unit", "part_at")

_SIGNIFICANT_DIGITS = 6
_LEAST_DECIMALS = 3  # so that a time keeps its milliseconds however long the track
_LEAST_LIFE_RATIO = 1e-12  # below it a lamp's life is not used at all


def to_json(set_audit: SetAudit, *, exit_status: int) -> str:
    """The whole audit as one JSON document, ending in a newline.

    Parameters
    ----------
    set_audit : SetAudit
    exit_status : int
        What the command is about to return, so that the document can be kept on its own.

    Notes
    -----
    The text is pure ASCII: it survives any output encoding, whatever the file names hold. A verdict is null when no
    track could be analysed: nothing was found clear.
    """
    return json.dumps(document(set_audit, exit_status=exit_status), indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def document(set_audit: SetAudit, *, exit_status: int) -> dict[str, Any]:
    """The same document as plain dictionaries, lists, numbers and strings."""
    from auditor.rig import rig_as_dict

    verdict = set_audit.verdict if set_audit.tracks else None
    whole = {
        "schema_version": SCHEMA_VERSION,
        "auditor_version": __version__,
        "verdict": verdict,
        "exit_status": exit_status,
        "rig": rig_as_dict(set_audit.rig),
        "tracks": [_track(track) for track in set_audit.tracks],
        "set": {
            "verdict": verdict,
            "margin_db": set_audit.margin_db,
            "worst_track": set_audit.worst_track,
            "coil_temp_max_c": set_audit.coil_temp_max_c,
            **_band(set_audit.band),
        },
        **({} if set_audit.night is None else {"night": _night(set_audit.night)}),
        "errors": [{"path": fault.path, "message": fault.message} for fault in set_audit.errors],
    }
    return plain(whole)


def track_record(track: Audit) -> dict[str, Any]:
    """One track as it stands in the document."""
    return plain(_track(track))


def to_csv(set_audit: SetAudit) -> str:
    """Every flagged passage of every track, one a line under a header line, times in seconds."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for track in set_audit.tracks:
        for passage in track.passages:
            fields = plain({"path": track.name, **_passage(passage)})
            writer.writerow(["" if fields[column] is None else fields[column] for column in CSV_COLUMNS])
    return text.getvalue()


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every document from `to_json` satisfies."""
    loaded: dict[str, Any] = json.loads(
        resources.files("auditor.report").joinpath("report.schema.json").read_text(encoding="utf-8")
    )
    return loaded


def _track(track: Audit) -> dict[str, Any]:
    return {
        "path": track.path,
        "title": track.title,
        **_entry(track),
        "duration_s": track.duration_s,
        "sample_rate_hz": track.sample_rate_hz,
        "channel_count": track.channel_count,
        "loudness_lufs": track.loudness_lufs,
        "true_peak_dbtp": track.true_peak_dbtp,
        "peak_to_loudness_db": track.peak_to_loudness_db,
        "verdict": track.verdict,
        "margin_db": track.margin_db,
        "margin_limited_by": track.margin_limited_by,
        "quieter_risk": None if track.quieter_risk is None else asdict(track.quieter_risk),
        "worst_channel": track.worst_channel,
        **_band(track.band),
        "notes": list(track.notes),
        "unjudged": list(track.unjudged),
        "channels": [_channel(channel) for channel in track.channels],
        "passages": [_passage(passage) for passage in track.passages],
    }


def _band(band: Band | None) -> dict[str, Any]:
    """What --band found; nothing where it was not asked for."""
    if band is None:
        return {}
    fields = asdict(band)
    del fields["pinned_db"]
    fields["held"] = list(band.held)
    return {"band": fields}


def _entry(track: Audit) -> dict[str, Any]:
    """What a playlist makes of the file; nothing for a file played as it is."""
    entry = track.entry
    if entry is None:
        return {}
    given = {
        "name": entry.name if entry.name != entry.path else None,
        "start_s": entry.start_s if entry.is_cut else None,
        "end_s": entry.end_s,
        "gain_db": entry.gain_db,
        "match_gain_db": entry.matched.gain_db if entry.matched else None,
    }
    return {key: value for key, value in given.items() if value is not None}


def _night(night: Night) -> dict[str, Any]:
    fields = {name: value for name, value in vars(night).items() if name not in ("coil_temp_c", "step_s")}
    nested = {name: asdict(fields[name]) for name in ("hottest", "effect") if fields[name] is not None}
    return {**fields, **nested, "timeline": [asdict(place) for place in night.timeline]}


def _channel(channel: ChannelAudit) -> dict[str, Any]:
    return {
        "index": channel.index,
        "clipped_ratio": channel.clipped_ratio,
        "hf_energy_ratio": channel.hf_energy_ratio,
        "hf_voltage_rms_v": channel.hf_voltage_rms_v,
        "hf_voltage_peak_v": channel.hf_voltage_peak_v,
        "hf_crest_db": channel.hf_crest_db,
        **_exposure(channel.protected),
        "unprotected": _exposure(channel.unprotected),
        "protection": _protection(channel.protection),
        **({"limiter": asdict(channel.limiter)} if channel.limiter is not None else {}),
    }


def _exposure(exposure: Exposure) -> dict[str, Any]:
    return asdict(exposure)


def _protection(work: ProtectionWork) -> dict[str, Any]:
    # What a lamp alone goes through stands beside what every method has, not below it.
    fields = asdict(work)
    lamp = fields.pop("lamp")
    if lamp is None:
        return fields
    life_used_ratio = lamp["life_used_ratio"]
    return {**fields, **lamp, "life_used_ratio": 0.0 if life_used_ratio < _LEAST_LIFE_RATIO else life_used_ratio}


def _passage(passage: Passage) -> dict[str, Any]:
    return asdict(passage)


def plain(values: Mapping[str, Any]) -> dict[str, Any]:
    """The same mapping with every number plain and finite and every string valid Unicode."""
    return {str(key): _plain(each) for key, each in values.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return plain(value)
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    if isinstance(value, str):
        # A file name that is not valid UTF-8 arrives with lone surrogates, which no other program accepts.
        return value.encode("utf-8", "replace").decode("utf-8") if _has_surrogate(value) else value
    if value is None or isinstance(value, (bool, int)):
        return value
    return _plain_number(value)


def _plain_number(value: Any) -> float | int | None:
    if hasattr(value, "item"):  # a numpy scalar
        value = value.item()
        if isinstance(value, (bool, int)):
            return value
    number = float(value)
    if not math.isfinite(number):
        return None
    decimals = _SIGNIFICANT_DIGITS - 1 - math.floor(math.log10(abs(number))) if number else 0
    return round(number, max(decimals, _LEAST_DECIMALS)) + 0.0  # + 0.0 turns -0.0 into 0.0


def _has_surrogate(text: str) -> bool:
    return any("\ud800" <= character <= "\udfff" for character in text)
