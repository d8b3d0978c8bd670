"""The limiters in front of the amplifier, sample by sample.

Source and range
----------------
D. Giannoulis, M. Massberg and J. D. Reiss, "Digital dynamic range compressor design: a tutorial and analysis", J. Audio
Eng. Soc. 60 (2012) 399: feed-forward; the level is taken in decibels, a gain computer with a hard knee says by how much
it is over, and a smooth branching peak detector turns that into the gain reduction, with the attack time while more is
called for and the release time while less is. A time is that in which 63 % of a step is done, in decibels of gain
reduction. To it comes `hold_s`: after the last sample that called for more, the reduction stays as it is that long.

What is this program's own choice:

- *Threshold.* The rms value of a sine that just reaches it, for either detector. So the peak detector answers to
  samples above sqrt(2) times `threshold_v`.
- *Peak* answers to each sample's magnitude. Without hold it lets go between the crests of a wave and settles a little
  under what they call for; with a hold longer than half a period it does not.
- *rms* answers to the mean square, averaged with a time constant of `averaging_s` before it is put in decibels; attack
  and release come on top of it.
- No look-ahead: what comes before the attack is over passes, and the amplifier clips it or not.
- Several stand one behind the other, as an rms and a peak limiter in a processor do. Together they work while their
  gain reductions add up to 0.1 dB or more.
- Each channel is limited on its own; processors that link a pair turn both down as far as the louder one.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from auditor.audit_types import LimiterWork
from auditor.chain.level import dbu
from auditor.kernels import compiled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from auditor.rig import Limiter

ACTIVE_FROM_DB = 0.1  # of gain reduction, from which the limiter counts as working: own definition


def limiter_threshold_dbu(power_w: float, load_ohm: float, amplifier_gain_db: float) -> float:
    """Level of a sine at the amplifier's input that puts a power into a load [dBu].

    Parameters
    ----------
    power_w : float
        Mean power [W].
    load_ohm : float
    amplifier_gain_db : float
    """
    return dbu(math.sqrt(power_w * load_ohm)) - amplifier_gain_db


class LimiterChannel:
    """Streams one channel of wished-for amplifier output through one limiter.

    Parameters
    ----------
    settings : Limiter
    sample_rate_hz : int
    """

    def __init__(self, settings: Limiter, sample_rate_hz: int) -> None:
        rms = settings.detector == "rms"
        # Over this square a level is over the threshold.
        self._threshold = settings.threshold_v**2 * (1.0 if rms else 2.0)
        self._averaging = _kept(settings.averaging_s if rms else 0.0, sample_rate_hz)
        self._share = 1.0 if settings.ratio is None else 1.0 - 1.0 / settings.ratio
        self._attack = _kept(settings.attack_s, sample_rate_hz)
        self._release = _kept(settings.release_s, sample_rate_hz)
        self._hold = round(settings.hold_s * sample_rate_hz)
        self._state = np.zeros(3)  # mean square [V^2], gain reduction [dB], samples still to hold

    def push(
        self, voltage_v: NDArray[np.float32], reduction_db: NDArray[np.float64] | None = None
    ) -> NDArray[np.float32]:
        """Take the next samples, shape=(n,); return them limited.

        Parameters
        ----------
        voltage_v : ndarray [shape=(n,)] float32
        reduction_db : ndarray [shape=(n,)] float64, optional
            To which the gain taken away from each sample is added [dB].
        """
        limited_v = np.empty(len(voltage_v), dtype=np.float32)
        _limit(
            voltage_v,
            self._threshold,
            self._averaging,
            self._share,
            self._attack,
            self._release,
            self._hold,
            self._state,
            limited_v,
            np.zeros(len(voltage_v)) if reduction_db is None else reduction_db,
        )
        return limited_v


class LimiterChain:
    """Streams one channel through limiters in a row.

    Parameters
    ----------
    limiters : sequence of Limiter
        In the order of the signal.
    sample_rate_hz : int
    """

    def __init__(self, limiters: Sequence[Limiter], sample_rate_hz: int) -> None:
        self._channels = [LimiterChannel(each, sample_rate_hz) for each in limiters]
        self._length = 0
        self._active = 0
        self._most_db = 0.0

    def push(self, voltage_v: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take the next samples, shape=(n,); return them limited by all, and count it."""
        reduction_db = np.zeros(len(voltage_v))
        limited_v = self.limit(voltage_v, reduction_db)
        self.count(reduction_db)
        return limited_v

    def limit(self, voltage_v: NDArray[np.float32], reduction_db: NDArray[np.float64]) -> NDArray[np.float32]:
        """Limit the next samples, shape=(n,), and add what each loses to `reduction_db` [dB]; not counted yet."""
        for channel in self._channels:
            voltage_v = channel.push(voltage_v, reduction_db)
        return voltage_v

    def count(self, reduction_db: NDArray[np.float64]) -> None:
        """Count gain taken away by all limiters together [dB], sample by sample."""
        active, most_db = _counted(reduction_db, ACTIVE_FROM_DB)
        self._length += len(reduction_db)
        self._active += active
        self._most_db = max(self._most_db, most_db)

    def work(self) -> LimiterWork:
        """What they have done so far."""
        return LimiterWork(active_ratio=self._active / max(self._length, 1), reduction_max_db=self._most_db)


def _kept(time_s: float, sample_rate_hz: int) -> float:
    """Share that a smoother keeps from one sample to the next."""
    return math.exp(-1.0 / (time_s * sample_rate_hz)) if time_s > 0.0 else 0.0


@compiled()
def _limit(voltage_v, threshold, averaging, share, attack, release, hold, state, limited_v, taken_db):  # type: ignore[no-untyped-def]
    square, reduction_db, left = state[0], state[1], state[2]
    # Natural logarithm and exponential: half as long as those of base ten. A gain that stays is not worked out again.
    level_db, gain_per_db = share * 10.0 / math.log(10.0), -math.log(10.0) / 20.0
    per_threshold = 1.0 / threshold
    shown_db, gain = 0.0, 1.0
    for i in range(len(voltage_v)):
        v = np.float64(voltage_v[i])
        square = averaging * square + (1.0 - averaging) * v * v
        square = square if square > 1e-30 else 0.0
        wanted_db = level_db * math.log(square * per_threshold) if square > threshold else 0.0
        if wanted_db >= reduction_db:
            reduction_db = wanted_db + attack * (reduction_db - wanted_db)
            left = hold
        elif left > 0:
            left -= 1
        else:
            reduction_db = wanted_db + release * (reduction_db - wanted_db)
        if reduction_db > 1e-9:
            if reduction_db != shown_db:
                shown_db, gain = reduction_db, math.exp(gain_per_db * reduction_db)
            limited_v[i] = v * gain
            taken_db[i] += reduction_db
        else:
            reduction_db = 0.0
            limited_v[i] = v
    state[0], state[1], state[2] = square, reduction_db, left


@compiled()
def _counted(reduction_db, active_from_db):  # type: ignore[no-untyped-def]
    active = 0
    most_db = 0.0
    for i in range(len(reduction_db)):
        active += 1 if reduction_db[i] >= active_from_db else 0
        most_db = max(most_db, reduction_db[i])
    return active, most_db
