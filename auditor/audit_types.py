"""What an audit says: frozen records, from the worst passage to the whole set.

Every stage's result ends up here and every report reads only this module. Names and units are those of the JSON
document (`docs/user-guide.md`), so that a value is called the same everywhere.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from auditor.night_types import Night
    from auditor.programme.entry import Entry, Source
    from auditor.rig import Rig

    Trace = NDArray[np.float32]

Verdict = Literal["clear", "engaged", "risk"]
SEVERITY: dict[Verdict, int] = {"clear": 0, "engaged": 1, "risk": 2}

# Why a passage is flagged, and what limits the margin. The first six are risks, the last an engagement.
Cause = Literal[
    "driver_power_1s",  # 1 s mean of terminal V^2/Z over program_power_w
    "driver_power_60s",  # 60 s mean over continuous_power_w
    "driver_power_peak",  # instantaneous over peak_power_w
    "coil_temp",  # coil over coil_temp_limit_c
    "excursion",  # displacement of the dome over excursion_limit_mm
    "protection_failed",  # the protective part is destroyed
    "protection_engaged",  # the protective part is working
]


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """What the driver is put through. Power is terminal voltage squared over rated impedance.

    `displacement_peak_mm` is None where the rig file does not say what moves.
    """

    driver_power_mean_w: float
    driver_power_max_1s_w: float
    driver_power_max_60s_w: float
    driver_power_peak_w: float
    coil_temp_max_c: float
    body_temp_max_c: float
    displacement_peak_mm: float | None = None


@dataclass(frozen=True, kw_only=True)
class LampWork:
    """What the lamp goes through."""

    filament_temp_max_k: float
    resistance_max_ohm: float
    power_max_w: float
    glow_s: float
    life_used_ratio: float


# The part that acts earliest, or latest, of those its tolerance allows.
End = Literal["earliest", "latest"]


@dataclass(frozen=True, kw_only=True)
class Opening:
    """When a part first opens, by the earliest and by the latest that its tolerance allows [s]; None where it holds."""

    earliest: float | None = None
    latest: float | None = None


@dataclass(frozen=True, kw_only=True)
class AtEnd:
    """What would come of it with a part at one end of its tolerance."""

    verdict: Verdict
    coil_temp_max_c: float
    driver_power_max_1s_w: float
    driver_power_max_60s_w: float
    failed_at_s: float | None


@dataclass(frozen=True, kw_only=True)
class Tolerance:
    """What would come of it with the part that acts earliest and with the one that acts latest."""

    earliest: AtEnd
    latest: AtEnd


@dataclass(frozen=True, kw_only=True)
class ProtectionWork:
    """What the protective part does. Attenuation is a positive loss in dB against the cold part.

    attenuation_median_db : float
        Over the time in which there is HF: frames within 40 dB of the loudest.
    trips, chatter : int
        How often it opened, and how often it did so again within a second.
    muted_s : float
        How long nothing reached the driver, because the part was open or destroyed [s].
    opens_at_s : Opening
    replace : tuple of str
        What must be replaced afterwards, in words.
    tolerance : Tolerance or None
        For a lamp; of the other parts with a tolerance every figure already is the careful one (see
        `auditor.protection.contract.Run`).
    """

    kind: str
    part: str | None
    engaged_s: float
    attenuation_max_db: float
    attenuation_mean_db: float
    failed_at_s: float | None
    attenuation_median_db: float = 0.0
    trips: int = 0
    chatter: int = 0
    muted_s: float = 0.0
    opens_at_s: Opening = Opening()
    replace: tuple[str, ...] = ()
    tolerance: Tolerance | None = None
    lamp: LampWork | None = None


@dataclass(frozen=True, kw_only=True)
class LimiterWork:
    """What the limiter in front of the amplifier does: share of the time it works, and most gain it takes away [dB]."""

    active_ratio: float
    reduction_max_db: float


@dataclass(frozen=True, kw_only=True)
class Traces:
    """Time series of one channel, one value per bin of `step_s`; bin i covers [i, i+1) * step_s.

    All arrays have shape=(bins,), dtype float32. A short track keeps every splitter frame; a long one is gathered
    into at most `MAX_BINS` bins that keep the largest value in each, so no peak is hidden and memory stays flat.
    """

    step_s: float
    hf_voltage_rms_v: Trace  # HF branch into the cold driver, unprotected: largest frame rms in the bin [V]
    hf_voltage_peak_v: Trace  # same, instantaneous peak [V]
    driver_power_w: Trace  # protected: largest frame mean of V^2/Z_rated [W]
    driver_power_1s_w: Trace  # protected, mean over the trailing second, largest in the bin [W]
    driver_power_60s_w: Trace  # protected, mean over the trailing minute [W]
    driver_power_peak_w: Trace  # protected, instantaneous [W]
    coil_temp_c: Trace
    body_temp_c: Trace
    attenuation_db: Trace  # loss against the cold part, largest in the bin [dB]
    protection_resistance_ohm: Trace  # series resistance of the protective part
    filament_temp_k: Trace | None  # lamps only
    unprotected_power_1s_w: Trace
    unprotected_coil_temp_c: Trace
    clipped_ratio: Trace  # share of samples that the amplifier clips, in the worst frame of the bin


@dataclass(frozen=True, kw_only=True)
class ChannelAudit:
    """One channel of one track through the rig."""

    index: int
    clipped_ratio: float
    hf_energy_ratio: float
    hf_voltage_rms_v: float
    hf_voltage_peak_v: float
    hf_crest_db: float | None  # None when the HF branch is silent
    protected: Exposure
    unprotected: Exposure
    protection: ProtectionWork
    traces: Traces = field(repr=False, compare=False)
    limiter: LimiterWork | None = None  # only where the rig has one


@dataclass(frozen=True, kw_only=True)
class Passage:
    """A stretch of time that is flagged, with the worst value in it and the limit it is held against.

    part_at : {"earliest", "latest"} or None
        The end of the part's tolerance at which it is so; None with a part as rated.
    """

    start_s: float
    end_s: float
    channel: int
    verdict: Verdict
    cause: Cause
    value: float
    limit: float
    unit: str
    part_at: End | None = None


@dataclass(frozen=True, kw_only=True)
class QuieterRisk:
    """Levels below the present one at which the protective part stays closed and the driver is at risk.

    From `from_db` down to `to_db` [dB, changes of gain, negative], as far as was looked: in steps of a decibel or two.
    """

    from_db: float
    to_db: float
    cause: Cause


@dataclass(frozen=True, kw_only=True)
class Narrowing:
    """By how much the margin's range would narrow if one assumed value were known [dB], and how to find it."""

    key: str
    by_db: float
    how: str


@dataclass(frozen=True, kw_only=True)
class Band:
    """Between what the margin lies if every assumed value may be anywhere in its own band.

    Parameters
    ----------
    margin_low_db, margin_high_db : float or None
        None where no limit is reached within the range of gains searched.
    verdict_worst : Verdict
    narrows : tuple of Narrowing
        Most first.
    pinned_db : mapping
        Both ends with one value known, by its key [dB]; for the band of a set.
    held : tuple of str
        Keys that stay as assumed in the heat carried from track to track; of a set only.
    """

    margin_low_db: float | None
    margin_high_db: float | None
    verdict_worst: Verdict
    narrows: tuple[Narrowing, ...]
    pinned_db: Mapping[str, tuple[float, float]] = field(default_factory=dict, repr=False)
    held: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Audit:
    """One track through the rig, with every intermediate result.

    `margin_db` is the largest gain change for which nothing is at risk (positive: room; negative: turn down); None
    when no gain in the searched range reaches a limit, or, at risk, none of them is safe. With a part anywhere within
    its tolerance. In a set that is played through it is that of this track alone, what was before it left as it is.

    `quieter_risk` is there for parts that open: a lower level may leave the part closed and burn the driver.
    """

    path: str
    duration_s: float
    sample_rate_hz: int
    channel_count: int
    loudness_lufs: float | None  # None for silence
    true_peak_dbtp: float | None
    peak_to_loudness_db: float | None
    verdict: Verdict
    margin_db: float | None
    margin_limited_by: Cause | None
    worst_channel: int
    channels: tuple[ChannelAudit, ...]
    passages: tuple[Passage, ...]
    notes: tuple[str, ...]  # warnings about this file, one sentence each
    unjudged: tuple[str, ...]  # parts of the file that could not be analysed, one sentence each
    rig: Rig
    quieter_risk: QuieterRisk | None = None
    entry: Entry | None = None  # how it came into the set: title, the stretch of the file, trim
    band: Band | None = None  # only where it was asked for
    lost_channels: tuple[int, ...] = ()  # in a set played through: whose part was destroyed before the track starts

    @property
    def room_db(self) -> float:
        """The margin, for comparing tracks [dB]: without end where no limit is met, the least where no gain is safe.

        Where the part is lost already the track is not to blame, whatever its level.
        """
        if self.margin_db is None:
            return -math.inf if self.verdict == "risk" and not self.lost_channels else math.inf
        return self.margin_db

    @property
    def source(self) -> Source:
        """What to read it by again."""
        return self.entry or self.path

    @property
    def title(self) -> str:
        """What a person calls it: as the playlist does, as its tags do, else by the name of the file."""
        return (self.entry.title if self.entry else None) or os.path.basename(self.path)

    @property
    def name(self) -> str:
        """What no other track of a set is called: the path, and behind it what tells cuts and repeats apart."""
        return self.entry.name if self.entry else self.path


@dataclass(frozen=True, kw_only=True)
class FileFault:
    """A file that could not be analysed, or not to the end."""

    path: str
    message: str


@dataclass(frozen=True, kw_only=True)
class SetAudit:
    """All tracks, in the order given, with heat carried from each to the next for `coil_temp_max_c`.

    Without `night` each track is judged from cold; with it every one in its place, and the margin is that of all of
    them turned up or down together.
    """

    rig: Rig
    tracks: tuple[Audit, ...]
    verdict: Verdict
    margin_db: float | None
    worst_track: str | None
    coil_temp_max_c: float | None
    errors: tuple[FileFault, ...]
    interrupted: bool = False
    band: Band | None = None  # only where it was asked for
    night: Night | None = None
