"""Heat carried from track to track: coil, body and part as warm as what was played so far has left them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.judgement.before import Before
from auditor.judgement.ratings import stretches
from auditor.protection import ends
from auditor.units import db_to_amplitude, power_to_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from auditor.chain.splitter import HfFrames
    from auditor.protection.contract import ThermalState
    from auditor.rig import Rig

_NEAR_DB = 0.05
_MOST_DB = 60.0


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
    _rated: tuple[ThermalState, ...] = ()
    _latest: tuple[ThermalState, ...] = ()
    _latest_rig: Rig | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        two = ends(self.rig.protection)
        self._latest_rig = None if two is None else replace(self.rig, protection=two[1])

    def carry_through(self, channels: Sequence[HfFrames]) -> None:
        """Play the next track, all its channels, on top of the heat of those before."""
        self._tracks.append(channels)
        self._rated, hottest_c = _played(channels, self.rig, self._rated)
        self.coil_temp_max_c = max(hottest_c, -math.inf if self.coil_temp_max_c is None else self.coil_temp_max_c)
        if self._latest_rig is not None:
            self._latest, hottest_c = _played(channels, self._latest_rig, self._latest)
        self._most_c = max(self._most_c, hottest_c)

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


def _played(
    channels: Sequence[HfFrames], rig: Rig, states: tuple[ThermalState, ...]
) -> tuple[tuple[ThermalState, ...], float]:
    """State of every channel after a track, and the hottest coil in it [C]."""
    finals, hottest_c = [], -math.inf
    for index, frames in enumerate(channels):
        # A mono track after a stereo one warms one driver; the careful reading starts from the warmest.
        warmest = max(states, key=lambda state: state.coil_temp_c, default=None)
        start = states[index] if len(states) == len(channels) else warmest
        for stretch in stretches(frames, rig, protected=True, before=Before(state=start)):
            start = stretch.run.end
            hottest_c = max(hottest_c, float(stretch.run.coil_temp_c.max()))
        if start is not None:
            finals.append(start)
    return tuple(finals), hottest_c
