"""The two limiters, one after the other: an rms limiter against heat, and behind it a peak limiter for the peak rating.

Common practice, no source: an rms limiter for a coil takes 1 to 5 s; a peak limiter attacks in about one period of the
crossover's corner and lets go in about 16 of them. Here the rms limiter is a slow one, unless the rating over a second
(or the protective part) makes it stand far lower than the minute and the coil call for and a quicker one need not. The
peak limiter keeps the usual times where it works little with them. Otherwise it is tried with a hold that bridges the
crests of the bass, since a gain that moves within a wave makes peaks of its own behind the crossover, and with shorter
attacks, which let less pass before they act; whatever lets its threshold stand at least 1 dB higher is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.advice.limiter_search import HEAT, LONG, PEAK, SHORT, STEP_DB, Trial, Trials, highest_threshold
from auditor.advice.limiter_settings import at_threshold, level_dbu, make_limiter, search_gain_db, textbook_dbu
from auditor.chain.level import dbu
from auditor.chain.listen import listen

if TYPE_CHECKING:
    from collections.abc import Iterable

    from auditor.audit_types import Cause
    from auditor.rig import Limiter, Rig

    Tell = Callable[[str], None]

# Averaging, attack and release of the rms limiter, slowest first; common practice, no source.
SPEEDS_S = ((0.3, 0.5, 2.0), (0.1, 0.1, 1.0), (0.03, 0.02, 0.5), (0.01, 0.003, 0.2))
FAR_LOWER_DB = 2.0  # by which a quicker limiter must be able to stand higher to be worth it
BELOW_TEXTBOOK_DB = 30.0
BELOW_RMS_DB = 20.0
_NO_CORNER_S = 0.001  # in place of a crossover's period where there is none
_RELEASE_PERIODS = 16.0
_HELD_S = 0.1  # five periods of 50 Hz: a hold and a release that bridge the crests of the bass; own choice
# Attack in periods of the corner, and whether it holds.
_PEAK_TIMES = ((1.0, False), (1.0, True), (0.25, False), (0.25, True), (0.0, False), (0.0, True))
_LITTLE_WORK = 0.1  # share of the time up to which the usual times are good enough
_LOWEST_DBU, _HIGHEST_DBU = -60.0, 40.0  # of the rig file
_LEAST_GAIN_DB = 1.0  # by which a shorter attack must raise the threshold to be worth it


@dataclass(frozen=True, kw_only=True)
class Stage:
    """One limiter of the proposal and how it was come by.

    Parameters
    ----------
    limiter : Limiter
    needed : bool
        Whether anything is over the limits that it is for; otherwise it just begins to work on the loudest passage.
    left_db : float
        What is over all the same [dB]; nought where the limiter holds.
    left_cause : Cause or None
    slower : tuple of Limiter
        Settings that hold too, tried before it, whose threshold would have to stand far lower.
    unheld : tuple of Limiter
        Slower settings that hold at no threshold.
    binding : str or None
        The track that sets the threshold.
    at_rails : bool
        Whether the loudest passage is past clipping, so that the threshold is that of a sine that just clips.
    """

    limiter: Limiter
    needed: bool
    left_db: float = 0.0
    left_cause: Cause | None = None
    slower: tuple[Limiter, ...] = ()
    unheld: tuple[Limiter, ...] = ()
    binding: str | None = None
    at_rails: bool = False


def rms_stage(trials: Trials, paths: Sequence[str], tell: Tell) -> Stage:
    """The rms limiter for the coil's temperature and the powers over 1 s and 60 s (and for the protective part)."""
    over = _over(trials, paths, (), HEAT)
    if not over:
        return _resting(trials, paths, (), _rms(trials.rig, textbook_dbu(trials.rig, "rms"), SPEEDS_S[0]), tell)
    found: list[tuple[Limiter, str]] = []
    unheld: list[Limiter] = []
    rig = trials.rig
    start_dbu = textbook_dbu(rig, "rms")
    for speed in SPEEDS_S:
        limiter = _rms(rig, start_dbu, speed)
        tell(f"trying an rms limiter, attack {limiter.attack_s:g} s")
        lowest_dbu = start_dbu if found else start_dbu - BELOW_TEXTBOOK_DB
        threshold_dbu, binding = _threshold(trials, over, (), limiter, HEAT, start_dbu=start_dbu, lowest_dbu=lowest_dbu)
        if threshold_dbu is None:
            unheld += [] if found else [limiter]
            continue
        found.append((at_threshold(limiter, threshold_dbu, rig), binding))
        start_dbu = threshold_dbu + FAR_LOWER_DB
        if not _short_binds(trials.at(binding, (found[-1][0],))):
            break
    if not found:
        return _best_effort(trials, over, (), unheld[-1], HEAT, unheld=tuple(unheld[:-1]))
    limiter, binding = found[-1]
    slower = tuple(each for each, _ in found[:-1])
    return Stage(limiter=limiter, needed=True, slower=slower, unheld=tuple(unheld), binding=binding)


def _short_binds(held: Trial) -> bool:
    """Whether the threshold is far lower, for the sake of a second or of the part, than what lasts would call for."""
    return held.worst(LONG)[0] < held.worst(SHORT)[0] - FAR_LOWER_DB


def peak_stage(trials: Trials, paths: Sequence[str], rms: Limiter, tell: Tell) -> Stage:
    """The peak limiter for the peak rating, behind the rms limiter."""
    rig = trials.rig
    usual = _peak_times(rig)[0]
    over = _over(trials, _over(trials, paths, (), PEAK), (rms,), PEAK)
    if not over:
        return _resting(trials, paths, (rms,), usual, tell)
    found: list[tuple[Limiter, str]] = []
    unheld: list[Limiter] = []
    start_dbu = textbook_dbu(rig, "peak")
    for limiter in _peak_times(rig):
        tell(f"trying a peak limiter, attack {1000.0 * limiter.attack_s:g} ms, hold {1000.0 * limiter.hold_s:g} ms")
        threshold_dbu, binding = _threshold(
            trials,
            over,
            (rms,),
            limiter,
            PEAK,
            start_dbu=start_dbu,
            # One trial tells whether it is worth it.
            lowest_dbu=start_dbu if found else level_dbu(rms, rig) - BELOW_RMS_DB,
        )
        if threshold_dbu is None:
            unheld += [] if found else [limiter]
            continue
        found.append((at_threshold(limiter, threshold_dbu, rig), binding))
        start_dbu = threshold_dbu + _LEAST_GAIN_DB
        if threshold_dbu >= level_dbu(rms, rig) and _works(trials, binding, (rms, found[-1][0])) <= _LITTLE_WORK:
            break
    if not found:
        return _best_effort(trials, over, (rms,), unheld[-1], PEAK, unheld=tuple(unheld[:-1]))
    limiter, binding = found[-1]
    slower = tuple(each for each, _ in found[:-1])
    return Stage(limiter=limiter, needed=True, slower=slower, unheld=tuple(unheld), binding=binding)


def _rms(rig: Rig, threshold_dbu: float, speed_s: tuple[float, float, float]) -> Limiter:
    averaging_s, attack_s, release_s = speed_s
    return make_limiter(rig, "rms", threshold_dbu, averaging_s=averaging_s, attack_s=attack_s, release_s=release_s)


def _peak_times(rig: Rig) -> list[Limiter]:
    """Peak limiters to try, the usual one first; at the textbook threshold."""
    period_s = 1.0 / rig.crossover.frequency_hz if rig.crossover.alignment != "none" else _NO_CORNER_S
    return [
        make_limiter(
            rig,
            "peak",
            textbook_dbu(rig, "peak"),
            averaging_s=0.0,
            attack_s=share * period_s,
            release_s=_HELD_S if holds else _RELEASE_PERIODS * period_s,
            hold_s=_HELD_S if holds else 0.0,
        )
        for share, holds in _PEAK_TIMES
    ]


def _over(trials: Trials, paths: Iterable[str], limiters: tuple[Limiter, ...], causes: Sequence[Cause]) -> list[str]:
    """Tracks that are over one of these limits behind those limiters, worst first."""
    found = [(trials.at(path, limiters).worst(causes)[0], path) for path in paths]
    return [path for excess_db, path in sorted(found, reverse=True) if excess_db > 0.0]


def _threshold(
    trials: Trials,
    over: Sequence[str],
    before: tuple[Limiter, ...],
    limiter: Limiter,
    causes: Sequence[Cause],
    *,
    start_dbu: float,
    lowest_dbu: float,
) -> tuple[float | None, str]:
    """Highest threshold that keeps every track within these limits, and the track that sets it.

    The worst track first; the others can only lower what it leaves, so each is searched only where it is still over.
    """
    highest_dbu, binding = _HIGHEST_DBU, over[0]
    for path in over:

        def excess_db(threshold_dbu: float, path: str = path) -> float:
            behind = (*before, at_threshold(limiter, threshold_dbu, trials.rig))
            return trials.at(path, behind).worst(causes)[0]

        if path != over[0] and excess_db(highest_dbu) <= 0.0:
            continue
        found_dbu = highest_threshold(
            excess_db,
            start_dbu=start_dbu if path == over[0] else highest_dbu - STEP_DB,
            lowest_dbu=max(lowest_dbu, _LOWEST_DBU),
            highest_dbu=highest_dbu,
        )
        if found_dbu is None:
            return None, path
        highest_dbu, binding = found_dbu, path
    return highest_dbu, binding


def _works(trials: Trials, path: str, limiters: tuple[Limiter, ...]) -> float:
    """Share of the time in which they work, in the busiest channel."""
    return max(work.active_ratio for work in trials.at(path, limiters).works)


def _best_effort(
    trials: Trials,
    over: Sequence[str],
    before: tuple[Limiter, ...],
    limiter: Limiter,
    causes: Sequence[Cause],
    *,
    unheld: tuple[Limiter, ...],
) -> Stage:
    """Where nothing holds: the quickest settings at the textbook threshold or under it, and what they leave over."""
    kept = at_threshold(limiter, _down(textbook_dbu(trials.rig, limiter.detector)), trials.rig)
    left = [(*trials.at(path, (*before, kept)).worst(causes), path) for path in over]
    left_db, cause, path = max(left)
    return Stage(limiter=kept, needed=True, left_db=left_db, left_cause=cause, unheld=(*unheld, limiter), binding=path)


def _resting(trials: Trials, paths: Sequence[str], before: tuple[Limiter, ...], limiter: Limiter, tell: Tell) -> Stage:
    """The limiter where it just begins to work on the loudest passage of all; never past the amplifier's rails."""
    rig = replace(trials.rig, limiters=before)
    is_rms = limiter.detector == "rms"
    tell(f"listening for the loudest passage, for the {limiter.detector} limiter")
    heard = [
        listen(trials.sources.get(path, path), rig, averaging_s=limiter.averaging_s or SPEEDS_S[0][0]) for path in paths
    ]
    trials.decodes += len(heard)
    loudest_v = max((each.rms_v if is_rms else each.peak_v for each in heard), default=0.0)
    rail_dbu = dbu(rig.amplifier.rail_v / math.sqrt(2.0)) - search_gain_db(rig)
    loudest_dbu = dbu(loudest_v) - search_gain_db(rig) if loudest_v > 0.0 else _LOWEST_DBU
    if loudest_dbu <= _LOWEST_DBU:  # silence, or as good as that
        return Stage(limiter=at_threshold(limiter, _down(textbook_dbu(rig, limiter.detector)), rig), needed=False)
    at_rails = loudest_dbu > rail_dbu
    threshold_dbu = _down(rail_dbu) if at_rails else _up(loudest_dbu)
    return Stage(limiter=at_threshold(limiter, threshold_dbu, rig), needed=False, at_rails=at_rails)


def _up(level_dbu: float) -> float:
    return round(min(math.ceil(level_dbu / STEP_DB - 1e-6) * STEP_DB, _HIGHEST_DBU), 1)


def _down(level_dbu: float) -> float:
    return round(math.floor(level_dbu / STEP_DB + 1e-6) * STEP_DB, 1)
