"""What the margin may be, given that what the rig file leaves out is known only to lie within a band.

Nothing is decoded again that need not be: the frames are those already played, at other gains through the ladder
(`auditor.judgement.margin`). A pad only scales them, the coil's resistance scales how far they move a dome, and a level
before the amplifier only shifts the margin. What lies in a network's parts, or in an impedance modelled from the coil's
resistance, changes every frame: for each end of it the file is played anew. Behind a limiter it is played
again for every gain, at whole decibels, and what lies between is interpolated. How a channel's ends are found is in
`auditor.judgement.band_channel`.

Range: every value alone within its band, none of them tied to another, but what is derived from one follows it
(`auditor.rig_band`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from auditor.audit_types import Band, Narrowing
from auditor.judgement.band_channel import OUT_OF_REACH_DB, ChannelBand
from auditor.judgement.band_takes import Takes
from auditor.rig_band import bands
from auditor.threads import thread_count

if TYPE_CHECKING:
    from auditor.audit_types import Verdict
    from auditor.chain.play import Played
    from auditor.rig import Rig

    Tell = Callable[[float], None]

_LEAST_NARROWING_DB = 0.05


def band_of(played: Played, rig: Rig, *, margin_db: float | None, verdict: Verdict, tell: Tell | None = None) -> Band:
    """Between what the margin of a track lies, and what would narrow that most.

    Parameters
    ----------
    played : Played
        With its ladder.
    rig : Rig
    margin_db : float or None
        With every value as assumed; anchors the band, so that what the ladder is off counts once.
    verdict : Verdict
        With every value as assumed.
    tell : callable, optional
        Told the share that is done, 0 to 1.
    """
    takes = Takes(played)
    channels = [ChannelBand(feed, rig, takes) for feed in played.feeds]
    done = [0.0] * len(channels)

    def told(index: int, share: float) -> None:
        done[index] = share
        if tell is not None:
            tell(sum(done) / len(done))

    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        found = list(pool.map(lambda item: item[1].ends(lambda share: told(item[0], share)), enumerate(channels)))
    tightest = min(found, key=lambda each: each.nominal_db)
    anchor_db = 0.0
    if margin_db is not None and math.isfinite(tightest.nominal_db):
        anchor_db = margin_db - tightest.nominal_db
    low_db, high_db = (min(getattr(each, end) for each in found) + anchor_db for end in ("low_db", "high_db"))
    pinned = {
        key: (
            min(each.pinned_db.get(key, (each.low_db, each.high_db))[0] for each in found) + anchor_db,
            min(each.pinned_db.get(key, (each.low_db, each.high_db))[1] for each in found) + anchor_db,
        )
        for key in dict.fromkeys(key for each in found for key in each.pinned_db)
    }
    engaged = any(each.engages for each in found)
    return stated(rig, low_db, high_db, pinned, verdict="engaged" if engaged and verdict == "clear" else verdict)


def stated(
    rig: Rig, low_db: float, high_db: float, pinned: Mapping[str, tuple[float, float]], *, verdict: Verdict
) -> Band:
    """The record of a band: its ends, the worst verdict in it, and what would narrow it, most first.

    Parameters
    ----------
    rig : Rig
    low_db, high_db : float
        Infinite where no limit is reached.
    pinned : mapping
        Both ends with one value known [dB].
    verdict : Verdict
        The worst that was found at the present level, risks apart.
    """
    how = {each.key: each.how for each in bands(rig)}
    width_db = _width_db(low_db, high_db)
    narrows = [
        Narrowing(key=key, by_db=width_db - _width_db(*ends), how=how[key])
        for key, ends in pinned.items()
        if width_db - _width_db(*ends) >= _LEAST_NARROWING_DB
    ]
    return Band(
        margin_low_db=low_db if math.isfinite(low_db) else None,
        margin_high_db=high_db if math.isfinite(high_db) else None,
        verdict_worst="risk" if low_db < 0.0 else verdict,
        narrows=tuple(sorted(narrows, key=lambda each: -each.by_db)),
        pinned_db=pinned,
    )


def _width_db(low_db: float, high_db: float) -> float:
    return min(high_db, OUT_OF_REACH_DB) - min(low_db, OUT_OF_REACH_DB)
