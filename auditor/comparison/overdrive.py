"""The same programme further and further into the amplifier's rails: what clipping adds to its HF power.

At each overdrive the level is such that the highest peak asked of the amplifier is so many dB beyond its rail. The
programme's own power goes up with the level dB for dB; what is played through the rails in excess of it is clipping's.
The rig's limiters are taken out, for they would hold the peaks back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.chain.listen import listen
from auditor.chain.play import play
from auditor.comparison.causes import Split
from auditor.comparison.portrait import louder_by, minutes
from auditor.units import amplitude_to_db

if TYPE_CHECKING:
    from auditor.comparison.portrait import Portrait
    from auditor.programme.entry import Source
    from auditor.rig import Rig
    from auditor.store.store import Store

OVERDRIVES_DB = (0.0, 3.0, 6.0, 10.0)
_AVERAGING_S = 1.0  # of the rms detector, whose reading is not used


@dataclass(frozen=True, kw_only=True)
class Overdriven:
    """A programme with its peaks so far beyond the rail.

    overdrive_db : float
    gain_db : float
        Change of the rig's level that this takes.
    clipped_ratio : float
        Share of samples clipped, in the channel with most.
    split : Split
    """

    overdrive_db: float
    gain_db: float
    clipped_ratio: float
    split: Split


def overdrive(portrait: Portrait, rig: Rig, *, store: Store | None = None) -> tuple[Overdriven, ...]:
    """Drive the programme's peaks 0, 3, 6 and 10 dB beyond the rails; empty for silence."""
    if portrait.terms is None:
        return ()
    free = replace(rig, limiters=())
    source = portrait.audit.source
    peak_v = math.sqrt(2.0) * listen(source, free, averaging_s=_AVERAGING_S).peak_v
    to_rail_db = amplitude_to_db(rig.amplifier.rail_v / peak_v)
    return tuple(_at(source, free, portrait, each, to_rail_db + each, store) for each in OVERDRIVES_DB)


def _at(
    source: Source, rig: Rig, portrait: Portrait, overdrive_db: float, gain_db: float, store: Store | None
) -> Overdriven:
    assert portrait.terms is not None
    programme_w = portrait.terms.bare_w * 10.0 ** (gain_db / 10.0)
    if overdrive_db <= 0.0:
        split = Split(programme_w=programme_w, clipping_w=0.0)
        return Overdriven(overdrive_db=overdrive_db, gain_db=gain_db, clipped_ratio=0.0, split=split)
    played = play(source, louder_by(rig, gain_db), with_ladder=False, store=store)
    # The channel that was the hottest as played: it is the same file, and its power is what is split.
    power_w = minutes((played.feeds[portrait.terms.channel].frames,), rig)[0].power_w
    return Overdriven(
        overdrive_db=overdrive_db,
        gain_db=gain_db,
        clipped_ratio=max(feed.overall_clipped_ratio for feed in played.feeds),
        split=Split(programme_w=programme_w, clipping_w=power_w - programme_w),
    )
