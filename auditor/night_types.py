"""What is said of a set that is played through, beside the audits of its tracks (`auditor.audit_types`)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from auditor.audit_types import Cause, Trace

DEFAULT_GAP_S = 2.0  # silence between two tracks, as players leave it; our own choice
LONGEST_GAP_S = 86_400.0


@dataclass(frozen=True, kw_only=True)
class NightTrack:
    """One track in its place in a set that is played through; times from the start of the set.

    coil_temp_start_c, coil_temp_max_c, coil_temp_alone_c : float
        Hottest channel when it starts, at most, and at most had everything been cold when it starts [C].
    at_risk, at_risk_alone : bool
        In its place, and had everything been cold.
    lost_channels : tuple of int
        Channels whose protective part was destroyed before the track starts.
    """

    track: str
    start_s: float
    end_s: float
    coil_temp_start_c: float
    coil_temp_max_c: float
    coil_temp_alone_c: float
    at_risk: bool
    at_risk_alone: bool
    lost_channels: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class HottestMoment:
    """When the coil is hottest: in which track, how far into it, and into the set [s]."""

    track: str
    channel: int
    track_at_s: float
    at_s: float
    coil_temp_c: float


@dataclass(frozen=True, kw_only=True)
class Pause:
    """Silence before a track that lets the part and the driver cool enough [s]."""

    track: str
    pause_s: float


@dataclass(frozen=True, kw_only=True)
class OrderEffect:
    """Whether another order or a pause would save a set; each answer was found by playing the set so.

    at_risk_in_place : tuple of str
        Tracks at risk for no other reason than what was played before them. Without any, nothing was looked for.
    order : tuple of str or None
        An order in which none of these is at risk, by one change of places where that is enough; None where none was
        found.
    order_coil_temp_max_c : float or None
    order_count : int
        How many other orders were looked at.
    every_order : bool
        Whether these were all there are.
    pauses : tuple of Pause or None
        The shortest pauses, whole seconds, with which none of these is at risk; None where even `longest_pause_s` each
        do not help.
    """

    at_risk_alone: tuple[str, ...]
    at_risk_in_place: tuple[str, ...]
    order: tuple[str, ...] | None = None
    order_coil_temp_max_c: float | None = None
    order_count: int = 0
    every_order: bool = False
    pauses: tuple[Pause, ...] | None = None
    longest_pause_s: float


@dataclass(frozen=True, kw_only=True)
class Night:
    """A set played through as one timeline, with so much silence between the tracks.

    coil_temp_c : ndarray [shape=(bins,)]
        Hottest coil in each bin of `step_s`, silences included [C].
    margin_limited_by : Cause or None
        What binds when the whole set is turned up.
    effect : OrderEffect or None
        None where Ctrl-C came first.
    unanswered : tuple of str
        What Ctrl-C left open: "margin", of the whole set, and "order".
    """

    gap_s: float
    duration_s: float
    hottest: HottestMoment
    timeline: tuple[NightTrack, ...]
    effect: OrderEffect | None
    margin_limited_by: Cause | None
    step_s: float
    coil_temp_c: Trace = field(repr=False, compare=False)
    unanswered: tuple[Literal["margin", "order"], ...] = ()
