"""How many decibels of room are left, and what binds first.

The margin is the largest gain change for which nothing is at risk: positive is room, negative is how far to turn down.
Each trial gain runs protection and driver again; where the amplifier clips, the frames come from the ladder of gains
that was climbed while the file was decoded (`auditor.chain.overdrive`). Gains up to 20 dB above the present are tried.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from auditor import published
from auditor.chain.overdrive import HIGHEST_GAIN_DB
from auditor.judgement.ratings import stretches
from auditor.units import SILENCE_DB, power_to_db

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.audit_types import Cause
    from auditor.chain.play import ChannelFeed
    from auditor.chain.splitter import HfFrames
    from auditor.rig import Rig

    Excess = tuple[float, Cause]

_LOWEST_GAIN_DB = -120.0
_TOLERANCE_DB = 0.01
_MOST_TRIALS = 40


def worst_excess(frames: HfFrames, rig: Rig) -> Excess:
    """By how much the worst quantity is over its limit [dB], and which it is.

    Powers, and rises of temperature above ambient, count as 10 log10 of their ratio to the limit; a filament's
    temperature as 40 log10, for its power goes with the fourth power of it. Negative is under the limit.
    """
    most = dict.fromkeys(("power_1s", "power_60s", "peak", "coil_c", "filament_k", "life"), 0.0)
    failed = False
    for stretch in stretches(frames, rig, protected=True):
        run = stretch.run
        here = {
            "power_1s": stretch.power_1s_w.max(),
            "power_60s": stretch.power_60s_w.max(),
            "peak": stretch.power_peak_w.max(),
            "coil_c": run.coil_temp_c.max(),
            "filament_k": 0.0 if run.filament_temp_k is None else run.filament_temp_k.max(),
            "life": run.life_used_ratio,
        }
        most = {key: max(most[key], float(value)) for key, value in here.items()}
        failed = failed or run.failed_at_s is not None
    driver, ambient_c = rig.driver, rig.site.ambient_temp_c
    part_db = max(
        40.0 * math.log10(max(most["filament_k"], 1.0) / published.TUNGSTEN_MELTING_K.value), power_to_db(most["life"])
    )
    excesses: list[Excess] = [
        (power_to_db(most["power_1s"] / driver.program_power_w), "driver_power_1s"),
        (power_to_db(most["power_60s"] / driver.continuous_power_w), "driver_power_60s"),
        (power_to_db(most["peak"] / driver.peak_power_w), "driver_power_peak"),
        (power_to_db((most["coil_c"] - ambient_c) / (driver.coil_temp_limit_c - ambient_c)), "coil_temp"),
        (max(part_db, 0.0) if failed else part_db, "protection_failed"),
    ]
    return max(excesses)


def margin(feeds: Sequence[ChannelFeed], rig: Rig, present: Sequence[Excess]) -> tuple[float | None, Cause | None]:
    """Margin of a programme: that of its tightest channel.

    Parameters
    ----------
    feeds : sequence of ChannelFeed
    rig : Rig
    present : sequence of (float, Cause)
        `worst_excess` of each channel at the present gain.

    Returns
    -------
    margin_db : float or None
        None where even the highest gain tried reaches no limit.
    limited_by : Cause or None
    """
    found: tuple[float, Cause] | None = None
    # The channel that is worst now is tried first: the others then mostly need one look, to see that they do not bind.
    for channel in sorted(range(len(feeds)), key=lambda index: present[index], reverse=True):
        feed = feeds[channel]

        def trial(gain_db: float, feed: ChannelFeed = feed) -> Excess:
            return worst_excess(feed.ladder.frames_at(feed.frames, gain_db), rig)

        if found is not None and trial(found[0])[0] <= _TOLERANCE_DB:
            continue
        here = _solve(trial, present[channel])
        if here is not None and (found is None or here[0] < found[0]):
            found = here
    return found if found is not None else (None, None)


def _solve(trial: Callable[[float], Excess], present: Excess) -> tuple[float, Cause] | None:
    """Gain change at which the worst excess is nought, from the safe side, and what binds there; None if out of range.

    False position, which needs few trials because excess goes nearly straight with gain: one dB for one on a plain
    driver, about half that once a lamp works. A part that fails makes a step, which halving closes in on.
    """
    if present[0] <= SILENCE_DB:
        return None
    safe, over = _bracket(trial, present)
    if over is None:
        return None
    if safe is None:
        return _LOWEST_GAIN_DB, over[1][1]
    for count in range(_MOST_TRIALS):
        if over[0] - safe[0] < _TOLERANCE_DB / 2.0 or -safe[1][0] < _TOLERANCE_DB:
            break
        slope = (over[1][0] - safe[1][0]) / (over[0] - safe[0])
        # Aim a little to the safe side; every third time halve, so that a step or a bend cannot stall the search.
        gain_db = (safe[0] + over[0]) / 2.0 if count % 3 == 2 else safe[0] - (safe[1][0] + _TOLERANCE_DB / 3.0) / slope
        excess = trial(gain_db)
        if excess[0] <= 0.0:
            safe = (gain_db, excess)
        else:
            over = (gain_db, excess)
    return safe[0], over[1][1]


def _bracket(
    trial: Callable[[float], Excess], present: Excess
) -> tuple[tuple[float, Excess] | None, tuple[float, Excess] | None]:
    """A gain that is safe and one that is over the limit, each with its excess; None where there is none in range."""
    points = [(0.0, present)]
    gain_db, step_db = 0.0, -present[0]
    while True:
        gain_db = min(max(gain_db + step_db * 1.02, _LOWEST_GAIN_DB), HIGHEST_GAIN_DB)
        excess = trial(gain_db)
        points.append((gain_db, excess))
        if (excess[0] <= 0.0) != (present[0] <= 0.0) or gain_db in (_LOWEST_GAIN_DB, HIGHEST_GAIN_DB):
            break
        # The steepest credible lamp needs three decibels of level for one of power.
        step_db = -math.copysign(max(2.0 * abs(excess[0]), 0.2), excess[0])
    points.sort()
    safe = [point for point in points if point[1][0] <= 0.0]
    over = [point for point in points if point[1][0] > 0.0]
    return (safe[-1] if safe else None), (over[0] if over else None)
