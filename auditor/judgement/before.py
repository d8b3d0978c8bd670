"""What was played before a track: the heat and damage it left, and the powers that a window of its ratings still sees.

A track on its own has nothing before it. In a set played through, `Before` is what stands at a track's first sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.simulation import simulate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.protection.contract import ThermalState
    from auditor.rig import Rig

    Trace = NDArray[np.float32]

_NONE: Trace = np.zeros(0, dtype=np.float32)
# Steps of the simulation through silence, where the source does not change; within one the solver takes its own.
_SILENT_STEP_S = 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Before:
    """What one channel's part and driver went through before a track.

    Parameters
    ----------
    state : ThermalState or None
        Heat and damage carried over; None for everything at ambient and new.
    power_w : ndarray [shape=(frames,)]
        Power of the last frames that were played, the newest last [W].
    frame_s : float
        Length of those frames [s].
    silence_s : float
        Silence since then [s].
    whole_s : float or None
        Length of all that is played in a row [s]: a window of the ratings longer than that takes its mean. None where
        the track stands for itself.
    """

    state: ThermalState | None = None
    power_w: Trace = field(default_factory=lambda: _NONE)
    frame_s: float = 1.0
    silence_s: float = 0.0
    whole_s: float | None = None

    @property
    def coil_temp_c(self) -> float:
        """How hot the coil is [C]; less than any temperature where nothing was played."""
        return -math.inf if self.state is None else self.state.coil_temp_c

    def powers_w(self, frames: int, frame_s: float) -> Trace:
        """Mean powers in the last frames before now, in frames of another length; nought before the first [W]."""
        if not len(self.power_w):
            return np.zeros(frames, dtype=np.float32)
        energy_j = np.concatenate([[0.0], np.cumsum(self.power_w, dtype=np.float64)]) * self.frame_s
        at_s = (np.arange(len(energy_j)) - len(self.power_w)) * self.frame_s - self.silence_s
        wanted_s = (np.arange(frames + 1) - frames) * frame_s
        mean_w: Trace = (np.diff(np.interp(wanted_s, at_s, energy_j)) / frame_s).astype(np.float32)
        return mean_w

    def after_silence(self, silence_s: float, rig: Rig, *, protected: bool = True) -> tuple[Before, Trace, float]:
        """The same after so much silence, in which part and driver cool.

        Parameters
        ----------
        silence_s : float
            Nought or less is none [s].
        rig : Rig
        protected : bool

        Returns
        -------
        before : Before
        coil_temp_c : ndarray [shape=(steps,)]
            At the end of each step [C].
        step_s : float
        """
        if silence_s <= 0.0 or self.state is None:
            return self, _NONE, _SILENT_STEP_S
        steps = math.ceil(silence_s / _SILENT_STEP_S)
        step_s = silence_s / steps
        run = simulate(np.zeros(steps, dtype=np.float32), step_s, rig, protected=protected, start=self.state)
        return replace(self, state=run.end, silence_s=self.silence_s + silence_s), run.coil_temp_c, step_s


NOTHING = Before()  # a track on its own
