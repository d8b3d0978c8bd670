"""Audits made up by hand for the parts that open, and for a lamp off its rating: for the reports alone, no oracle."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from auditor.audit_types import Audit, Cause, End, Opening, Passage, ProtectionWork, QuieterRisk, SetAudit
from auditor.protection.breaker import Breaker
from auditor.protection.fuse import Fuse
from auditor.protection.relay import Relay
from auditor.protection.resettable import Resettable
from auditor.rig import Rig
from tests.cli.sample_audit import STEP_S, sample_rig, sample_set, sample_track

SETTINGS = {
    "relay": Relay(threshold_v=15.0, release_v=10.5, attack_s=0.01, hold_s=1.0, switch_s=0.01),
    "fuse": Fuse(part="F2A", rating_a=2.0, characteristic="F", body="glass", cold_resistance_ohm=0.044),
    "breaker": Breaker(part="1 A", rating_a=1.0, reset="self", reset_s=3.0, resistance_ohm=0.89),
    "resettable": Resettable(
        part="0.50 A 60 V",
        hold_a=0.5,
        trip_a=1.0,
        resistance_ohm=0.5,
        max_resistance_ohm=1.17,
        time_to_trip_s=4.0,
        tripped_power_w=0.77,
        max_voltage_v=60.0,
    ),
}
SECONDS = 40
OPEN_S = (8.0, 20.0)  # when the branch is open
WHOLE = Opening(earliest=OPEN_S[0], latest=OPEN_S[0])
QUIETER = QuieterRisk(from_db=-1.0, to_db=-6.0, cause="driver_power_60s")


def opening_rig(kind: str) -> Rig:
    """The sample rig with another part."""
    return replace(sample_rig(), protection=SETTINGS[kind], assumed=("site.ambient_temp_c",))


def opening_track(kind: str, *, failure: tuple[float, float, str] | None = None, **work: Any) -> Audit:
    """A mono track whose part is open for twelve of forty seconds.

    Parameters
    ----------
    kind : {"relay", "fuse", "breaker", "resettable"}
    failure : (float, float, str), optional
        Value, limit and unit of what destroys the part as it opens.
    work : Any
        Of what the part does, what is to be otherwise.
    """
    bins = round(SECONDS / STEP_S)
    track = sample_track("relay.wav", np.full(bins, 30.0), margin_db=2.0, limited_by="driver_power_peak")
    channel = replace(track.channels[1], index=0)
    time_s = np.arange(bins) * STEP_S
    is_open = (time_s >= OPEN_S[0]) & (time_s < OPEN_S[1])
    loss_db = np.where(is_open, 60.0, 0.0).astype(np.float32)
    base: dict[str, Any] = {
        "kind": kind,
        "part": SETTINGS[kind].part,
        "engaged_s": OPEN_S[1] - OPEN_S[0],
        "attenuation_max_db": 60.0,
        "attenuation_mean_db": 18.0,
        "failed_at_s": OPEN_S[0] if failure else None,
        "trips": 1,
        "muted_s": OPEN_S[1] - OPEN_S[0],
        "opens_at_s": WHOLE,
    }
    passages = [_passage(*OPEN_S, "protection_engaged", 60.0, 1.0, "dB")]
    if failure:
        passages.append(_passage(OPEN_S[0], OPEN_S[0] + 0.006, "protection_failed", *failure))
    return replace(
        track,
        channel_count=1,
        worst_channel=0,
        channels=(
            replace(
                channel,
                protection=ProtectionWork(**base | work),
                traces=replace(channel.traces, attenuation_db=loss_db, filament_temp_k=None),
            ),
        ),
        passages=tuple(passages),
        verdict="risk" if failure else "engaged",
        margin_limited_by="protection_failed" if failure else "driver_power_peak",
        margin_db=-4.0 if failure else 2.0,
        rig=opening_rig(kind),
    )


def off_rating_track(part_at: End, cause: Cause = "coil_temp") -> Audit:
    """A track that only a lamp off its rating puts at risk."""
    track = sample_track("lamp.wav", np.full(160, 30.0), margin_db=-0.3, limited_by=cause)
    value, limit, unit = {
        "coil_temp": (186.0, 180.0, "C"),
        "driver_power_60s": (66.0, 60.0, "W"),
        "protection_failed": (3695.0, 3695.0, "K"),
    }[cause]
    risk = replace(_passage(10.0, 30.0, cause, value, limit, unit), channel=1, part_at=part_at)
    work = [each for each in track.passages if each.verdict == "engaged"]
    return replace(track, passages=(*work, risk), verdict="risk")


def set_of(*tracks: Audit, **changes: Any) -> SetAudit:
    """A set of just these."""
    worst = max(tracks, key=lambda each: each.verdict == "risk")
    return sample_set(
        **{
            "tracks": tracks,
            "rig": tracks[0].rig,
            "errors": (),
            "verdict": worst.verdict,
            "margin_db": worst.margin_db,
            "worst_track": worst.path,
            "coil_temp_max_c": 100.0,
        }
        | changes
    )


def _passage(start_s: float, end_s: float, cause: Cause, value: float, limit: float, unit: str) -> Passage:
    return Passage(
        start_s=start_s,
        end_s=end_s,
        channel=0,
        verdict="engaged" if cause == "protection_engaged" else "risk",
        cause=cause,
        value=value,
        limit=limit,
        unit=unit,
    )
