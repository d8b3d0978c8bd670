"""Heat carried from track to track: coil, body and part as warm as what was played so far has left them."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.judgement.before import Before
from auditor.judgement.ratings import together
from auditor.protection import ends
from auditor.threads import thread_count
from auditor.units import db_to_amplitude, power_to_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.chain.splitter import HfFrames
    from auditor.judgement.examine import Examined
    from auditor.protection import Settings
    from auditor.protection.contract import ThermalState
    from auditor.rig import Rig

_NEAR_DB = 0.05
_MOST_DB = 60.0

# What a track leaves of one channel behind each part that counts, and the hottest coil in it [C].
ChannelHeat = tuple[tuple["ThermalState | None", float], ...]


@dataclass
class CarriedHeat:
    """A set of tracks played one after the other, channel by channel.

    Parameters
    ----------
    rig : Rig
        Its part as rated gives `coil_temp_max_c`; the one of those within its tolerance that lets most through gives
        `excess_db`.
    """

    rig: Rig
    coil_temp_max_c: float | None = None
    _tracks: list[Sequence[HfFrames]] = field(default_factory=list)
    _most_c: float = -math.inf
    _parts: tuple[Settings, ...] = field(init=False, default=())
    _states: tuple[tuple[ThermalState, ...], ...] = ()

    def __post_init__(self) -> None:
        two = ends(self.rig.protection)
        self._parts = (self.rig.protection,) if two is None else (self.rig.protection, two[1])
        self._states = ((),) * len(self._parts)

    def carry_through(self, channels: Sequence[HfFrames], *, from_cold: Sequence[ChannelHeat] = ()) -> None:
        """Play the next track, all its channels, on top of the heat of those before.

        Parameters
        ----------
        channels : sequence of HfFrames
        from_cold : sequence of ChannelHeat, optional
            What comes of each channel from cold, where that is known: of the first track nothing else is asked.
        """
        is_first = not self._tracks
        self._tracks.append(channels)
        found = from_cold if is_first and from_cold else _played(channels, self.rig, self._parts, self._states)
        played = [_of_channels(each) for each in zip(*found, strict=True)]
        self._states = tuple(states for states, _ in played)
        hottest_c = [hot_c for _, hot_c in played]
        self.coil_temp_max_c = max(hottest_c[0], -math.inf if self.coil_temp_max_c is None else self.coil_temp_max_c)
        self._most_c = max(self._most_c, hottest_c[-1])

    @property
    def excess_db(self) -> float:
        """By how much the hottest coil is over its limit [dB]: heat goes with power."""
        ambient_c = self.rig.site.ambient_temp_c
        return power_to_db((self._most_c - ambient_c) / (self.rig.driver.coil_temp_limit_c - ambient_c))

    def turn_down_db(self, at_least_db: float) -> float:
        """How far the HF branch must be turned down for the carried heat to keep every coil within its limit [dB].

        The branch is scaled: what an amplifier clips, and a limiter takes away, is left as it is.

        Parameters
        ----------
        at_least_db : float
            What the tracks ask for by themselves [dB]; often enough, and then the answer.
        """
        over_db, safe_db = 0.0, max(at_least_db, 0.0)
        while safe_db < _MOST_DB and self._at(-safe_db).excess_db > 0.0:
            # Further than a plain driver would need: power compression and lamps hold the heat up.
            over_db, safe_db = safe_db, safe_db + max(2.0 * self.excess_db, 1.0)
        if over_db == 0.0 and at_least_db > 0.0:
            return safe_db
        while safe_db - over_db > _NEAR_DB:
            middle_db = (safe_db + over_db) / 2.0
            if self._at(-middle_db).excess_db > 0.0:
                over_db = middle_db
            else:
                safe_db = middle_db
        return safe_db

    def _at(self, gain_db: float) -> CarriedHeat:
        quieter = CarriedHeat(self.rig)
        ratio = np.float32(db_to_amplitude(gain_db))
        for channels in self._tracks:
            quieter.carry_through(
                [replace(each, rms_v=each.rms_v * ratio, peak_v=each.peak_v * ratio) for each in channels]
            )
        return quieter


def heat_from_cold(one: Examined) -> ChannelHeat:
    """What a channel leaves that was examined with everything cold at its start."""
    found = [(one.worst, one.carried.rated)]
    if one.ends:
        found.append((one.ends[1].worst, one.ends[1].after))
    return tuple((after.state, worst.coil_temp_c) for worst, after in found)


def _played(
    channels: Sequence[HfFrames], rig: Rig, parts: Sequence[Settings], states: Sequence[tuple[ThermalState, ...]]
) -> list[ChannelHeat]:
    """What a track leaves of every channel, with each part from its states before."""

    def one(index: int) -> ChannelHeat:
        before = [Before(state=_start(of_part, index, len(channels))) for of_part in states]
        hottest_c = [-math.inf] * len(parts)
        for found in together(channels[index], rig, parts, before=before):
            before = [stretch.after for stretch in found]
            hottest_c = [
                max(so_far_c, float(stretch.run.coil_temp_c.max()))
                for so_far_c, stretch in zip(hottest_c, found, strict=True)
            ]
        return tuple((each.state, hot_c) for each, hot_c in zip(before, hottest_c, strict=True))

    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        return list(pool.map(one, range(len(channels))))


def _of_channels(each: Sequence[tuple[ThermalState | None, float]]) -> tuple[tuple[ThermalState, ...], float]:
    """Of one part: the states of every channel, and the hottest coil [C]."""
    return tuple(state for state, _ in each if state is not None), max(hot_c for _, hot_c in each)


def _start(states: tuple[ThermalState, ...], index: int, channels: int) -> ThermalState | None:
    # A mono track after a stereo one warms one driver; the careful reading starts from the warmest.
    warmest = max(states, key=lambda state: state.coil_temp_c, default=None)
    return states[index] if len(states) == channels else warmest
