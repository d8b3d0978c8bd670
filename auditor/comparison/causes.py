"""Where the difference in HF power between two programmes comes from: level, density, brightness, clipping.

Of each programme, the channel that puts most into its driver, and there the 60 s with most HF power:

    level       = T + (U - B)    its true peak, less what the rig's limiters take
    density     = M - T          how near the mean level of those 60 s comes to the peak
    brightness  = B - M          HF power for that mean level
    clipping    = P - U          what the amplifier's rails add (or take)

with T the channel's true peak [dBTP], M its mean level in the 60 s in which B is reached [dBFS], and in dB re 1 W the
largest 60 s means into the driver without protection: B without limiters and rails, U with the limiters, P with both.
The four add up to P, so the differences add up to the difference in power, whatever the programmes are. The channel
counts by itself, because it has an amplifier and a driver of its own: a mono file and the same in two channels are no
different here, though their loudness is. The mean level is not weighted as loudness is: that weighting rises towards
HF, so that a treble control would pass for density.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from auditor.judgement.ratings import LONG_WINDOW_S
from auditor.units import power_to_db

if TYPE_CHECKING:
    from auditor.chain.splitter import HfFrames

Name = Literal["brightness", "density", "clipping", "level"]
NAMES: tuple[Name, ...] = ("density", "brightness", "clipping", "level")
ALIKE_DB = 0.5  # less than this is no difference worth a word: own choice, half of what is heard as louder at all


@dataclass(frozen=True, kw_only=True)
class Minute:
    """The 60 s in which a channel puts most into its driver: the mean power, and where they lie."""

    power_w: float
    start_s: float
    end_s: float


@dataclass(frozen=True, kw_only=True)
class Terms:
    """What the HF power of a programme is made of; letters as above.

    channel : int
    true_peak_dbtp, mean_level_dbfs : float
        T and M.
    bare_w, unclipped_w, clipped_w : float
        B, U and P, as powers.
    """

    channel: int
    true_peak_dbtp: float
    mean_level_dbfs: float
    bare_w: float
    unclipped_w: float
    clipped_w: float

    @property
    def parts_db(self) -> dict[Name, float]:
        """The four terms, which add up to the power [dB re 1 W]."""
        bare_db, unclipped_db, clipped_db = map(power_to_db, (self.bare_w, self.unclipped_w, self.clipped_w))
        return {
            "level": self.true_peak_dbtp + unclipped_db - bare_db,
            "density": self.mean_level_dbfs - self.true_peak_dbtp,
            "brightness": bare_db - self.mean_level_dbfs,
            "clipping": clipped_db - unclipped_db,
        }

    @property
    def split(self) -> Split:
        """The power by what brings it."""
        return Split(programme_w=self.unclipped_w, clipping_w=self.clipped_w - self.unclipped_w)


@dataclass(frozen=True, kw_only=True)
class Split:
    """HF power that the programme itself brings, and what clipping adds to it, negative where it takes away [W]."""

    programme_w: float
    clipping_w: float

    @property
    def total_w(self) -> float:
        """What the driver gets."""
        return self.programme_w + self.clipping_w


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One cause, and how much of the difference it makes [dB]; negative where it makes it smaller."""

    cause: Name
    contribution_db: float


def between(louder: Terms, softer: Terms) -> tuple[Cause, ...]:
    """Causes of the difference in HF power between two programmes, largest first; they add up to it.

    Parameters
    ----------
    louder, softer : Terms
        `louder` is the one whose power is larger.
    """
    more_db, less_db = louder.parts_db, softer.parts_db
    found = [Cause(cause=name, contribution_db=more_db[name] - less_db[name]) for name in NAMES]
    return tuple(sorted(found, key=lambda each: -each.contribution_db))


def largest_minute(frames: HfFrames, *, v2_per_w: float) -> Minute:
    """The 60 s with most power; of a shorter track the whole of it, over its true duration.

    Parameters
    ----------
    frames : HfFrames
        One channel, into the cold driver without protection.
    v2_per_w : float
        Square of the branch's voltage for each watt in one driver [V2/W]: of a single one its rated impedance.
    """
    energy = np.concatenate([[0.0], np.cumsum(np.square(frames.rms_v, dtype=np.float64))])
    window = max(1, round(LONG_WINDOW_S / frames.frame_s))
    if window >= len(frames.rms_v):
        mean_square = float(energy[-1]) * frames.frame_s / frames.duration_s
        return Minute(power_w=mean_square / v2_per_w, start_s=0.0, end_s=frames.duration_s)
    sums = energy[window:] - energy[:-window]
    first = int(np.argmax(sums))
    return Minute(
        power_w=float(sums[first]) / window / v2_per_w,
        start_s=first * frames.frame_s,
        end_s=(first + window) * frames.frame_s,
    )
