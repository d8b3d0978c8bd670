"""The sample set as if it had been played through; figures made up, no oracle."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from auditor.audit_types import SetAudit
from auditor.night_types import HottestMoment, Night, NightTrack, OrderEffect
from tests.cli.sample_audit import sample_set

GAP_S = 3.0


def sample_night(audit: SetAudit | None = None, *, gap_s: float = GAP_S, **effect: Any) -> SetAudit:
    """The set with its night; the keywords are fields of `OrderEffect`."""
    whole = sample_set() if audit is None else audit
    timeline, start_s = [], 0.0
    for number, track in enumerate(whole.tracks):
        temp_c = max(channel.protected.coil_temp_max_c for channel in track.channels)
        timeline.append(
            NightTrack(
                track=track.name,
                start_s=start_s,
                end_s=start_s + track.duration_s,
                coil_temp_start_c=25.0 + 10.0 * number,
                coil_temp_max_c=temp_c,
                coil_temp_alone_c=temp_c - 7.0 * number,
                at_risk=track.verdict == "risk",
                at_risk_alone=False,
            )
        )
        start_s += track.duration_s + gap_s
    hottest = max(timeline, key=lambda each: each.coil_temp_max_c)
    found: dict[str, Any] = {"at_risk_alone": (), "at_risk_in_place": (), "longest_pause_s": 3600.0, **effect}
    night = Night(
        gap_s=gap_s,
        duration_s=start_s - gap_s,
        hottest=HottestMoment(
            track=hottest.track,
            channel=0,
            track_at_s=12.5,
            at_s=hottest.start_s + 12.5,
            coil_temp_c=hottest.coil_temp_max_c,
        ),
        timeline=tuple(timeline),
        effect=OrderEffect(**found),
        margin_limited_by="coil_temp",
        step_s=(start_s - gap_s) / 200,
        coil_temp_c=np.linspace(25.0, hottest.coil_temp_max_c, 200, dtype=np.float32),
    )
    return replace(whole, night=night)
