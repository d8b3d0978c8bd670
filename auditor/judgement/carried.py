"""Heat and damage on their way from one track to the next: through a silence, onto as many channels as it has."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np

from auditor.judgement.before import Before
from auditor.judgement.examine import Carried, as_ends
from auditor.judgement.worst import each_worst_and_after
from auditor.protection import ends
from auditor.simulation import simulate
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.chain.splitter import HfFrames
    from auditor.judgement.worst import Excess
    from auditor.rig import Rig


_A_MOMENT_S = 0.001


class _Warm(Protocol):
    @property
    def coil_temp_c(self) -> float: ...


Warm = TypeVar("Warm", bound=_Warm)


def of_channels(channels: Sequence[Warm], count: int) -> tuple[Warm, ...]:
    """What each of so many channels starts from.

    A mono track after a stereo one warms one driver, and a stereo track after a mono one two: the careful reading
    starts every channel from the warmest.
    """
    if len(channels) == count:
        return tuple(channels)
    return (max(channels, key=lambda each: each.coil_temp_c),) * count


def cold(whole_s: float) -> tuple[Carried, ...]:
    """The start of a set of that length [s]."""
    nothing = Before(whole_s=whole_s)
    return (Carried(bare=nothing, rated=nothing, ends=(nothing, nothing)),)


def rested(channels: Sequence[Carried], rig: Rig, silence_s: float) -> tuple[Carried, ...]:
    """The same after so much silence."""
    settings = ends(rig.protection) or ()
    rigs = [replace(rig, protection=each) for each in settings]

    def after(one: Carried) -> Carried:
        return Carried(
            bare=one.bare.after_silence(silence_s, rig, protected=False)[0],
            rated=one.rated.after_silence(silence_s, rig)[0],
            ends=tuple(
                before.after_silence(silence_s, end_rig)[0]
                for before, end_rig in zip(one.ends, rigs, strict=bool(rigs))
            ),
        )

    return tuple(after(one) for one in channels)


def is_lost(one: Carried, rig: Rig) -> bool:
    """Whether the part, as rated or at an end of its tolerance, is destroyed: silence destroys nothing by itself."""
    settings = (rig.protection, *(ends(rig.protection) or ()))
    states = (one.rated.state, *(each.state for each in one.ends))
    silence = np.zeros(1, dtype=np.float32)
    return any(
        state is not None
        and simulate(silence, _A_MOMENT_S, replace(rig, protection=each), start=state).failure is not None
        for each, state in zip(settings, states, strict=False)
    )


def silence_after(frames: HfFrames, gap_s: float) -> float:
    """Silence to be simulated after a track [s]: its last frame is filled up with some of it."""
    return gap_s - (len(frames.rms_v) * frames.frame_s - frames.duration_s)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What comes of a track in some place.

    excess : Excess
        The worst of all channels and, where the part has a tolerance, of both its ends.
    coil_temp_c : float
        Hottest coil, with the part as rated [C].
    """

    excess: Excess
    coil_temp_c: float

    @property
    def at_risk(self) -> bool:
        """Whether a limit is passed, or the part destroyed."""
        return self.excess[0] >= 0.0


def put_through(
    channels: Sequence[HfFrames], rig: Rig, before: Sequence[Carried]
) -> tuple[Outcome, tuple[Carried, ...]]:
    """Play a track on top of what was before; its outcome, and what it leaves. Nothing is kept of the bare driver.

    Parameters
    ----------
    channels : sequence of HfFrames
    rig : Rig
    before : sequence of Carried
    """

    def one(frames: HfFrames, start: Carried) -> tuple[Outcome, Carried]:
        parts = [rig.protection, *(ends(rig.protection) or ())]
        starts = [start.rated, *start.ends][: len(parts)]
        (worst, after), *at_ends = each_worst_and_after(frames, rig, parts, before=starts)
        found = as_ends(rig, at_ends, before=start.ends)
        excess = max((end.excess for end in found), default=worst.excess(rig))
        outcome = Outcome(excess=excess, coil_temp_c=worst.coil_temp_c)
        return outcome, Carried(bare=start.bare, rated=after, ends=tuple(end.after for end in found))

    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        found = list(pool.map(one, channels, of_channels(before, len(channels))))
    outcome = Outcome(
        excess=max(each.excess for each, _ in found), coil_temp_c=max(each.coil_temp_c for each, _ in found)
    )
    return outcome, tuple(after for _, after in found)
