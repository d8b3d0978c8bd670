"""The band of a whole set: the tightest of its tracks' bands, and the heat carried through it in the hottest rig."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.audit_types import SEVERITY
from auditor.judgement.band import stated
from auditor.judgement.heat import CarriedHeat
from auditor.rig_band import ENDS, bands, keys_of_playing, level_change_db, varied
from auditor.units import db_to_amplitude

if TYPE_CHECKING:
    from auditor.audit_types import Audit, Band
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig


def band_of_set(
    rig: Rig, tracks: Sequence[Audit], played: Sequence[Sequence[HfFrames]], *, limited_db: float
) -> Band | None:
    """Between what the margin of a set lies; None where no track has a band.

    For the heat carried from track to track, what takes playing the files anew stays as assumed: the band's `held`.

    Parameters
    ----------
    rig : Rig
    tracks : sequence of Audit
        With their bands.
    played : sequence of sequence of HfFrames
        Every track's channels.
    limited_db : float
        The most that a limiter takes away in any of them [dB].
    """
    found = [track.band for track in tracks if track.band is not None]
    if not found:
        return None
    keys = dict.fromkeys(key for band in found for key in band.pinned_db)
    pinned = {key: _tightest([band.pinned_db.get(key, _ends_of(band)) for band in found]) for key in keys}
    low_db, high_db = _tightest([_ends_of(band) for band in found])
    verdict = max((band.verdict_worst for band in found), key=SEVERITY.__getitem__)
    for careful in (True, False):
        over = _carried(rig, played, careful=careful)
        if over.excess_db <= 0.0:
            continue
        margin_db = -limited_db - over.turn_down_db(0.0)
        low_db, high_db = min(low_db, margin_db), high_db if careful else min(high_db, margin_db)
        pinned = {
            key: (min(low, margin_db), high if careful else min(high, margin_db)) for key, (low, high) in pinned.items()
        }
    held = tuple(sorted(keys_of_playing(rig))) if len(tracks) > 1 else ()
    return replace(stated(rig, low_db, high_db, pinned, verdict=verdict), held=held)


def _ends_of(band: Band) -> tuple[float, float]:
    low_db, high_db = band.margin_low_db, band.margin_high_db
    return math.inf if low_db is None else low_db, math.inf if high_db is None else high_db


def _tightest(ends: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return min(low for low, _ in ends), min(high for _, high in ends)


def _carried(rig: Rig, played: Sequence[Sequence[HfFrames]], *, careful: bool) -> CarriedHeat:
    """The set in the rig in which its coils end hottest, or coolest, of those at the corners of the bands."""
    usual_db = _heat(rig, {}, played).excess_db
    corner = {}
    held = keys_of_playing(rig)
    for each in bands(rig):
        if each.key in held:
            continue
        pushes = {end: _heat(rig, {each.key: end}, played).excess_db - usual_db for end in ENDS}
        end = max(pushes, key=pushes.__getitem__) if careful else min(pushes, key=pushes.__getitem__)
        if pushes[end] > 0.0 if careful else pushes[end] < 0.0:
            corner[each.key] = end
    return _heat(rig, corner, played)


def _heat(rig: Rig, positions: dict[str, float], played: Sequence[Sequence[HfFrames]]) -> CarriedHeat:
    moved = varied(rig, positions)
    gain_db = level_change_db(rig, moved) + rig.crossover.pad_db - moved.crossover.pad_db
    ratio = np.float32(db_to_amplitude(gain_db))
    heat = CarriedHeat(moved)
    for channels in played:
        heat.carry_through([frames.scaled(ratio) for frames in channels])
    return heat
