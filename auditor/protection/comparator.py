"""A level comparator and its relay: what the contact does while a level goes up and down.

    tau dy/dt = v - y                    the smoothed level
    closed    y >= threshold             the relay is told to open, and has opened after the contact's time
    open      for the hold time, and until y <= release; closed again after the contact's time

The level is steady within a frame, so the filter's course and the moment it crosses are closed forms, and the events
of a frame are taken one after the other, however many contact times it holds or however many frames one of those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditor.kernels import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.protection.relay import Relay

CHATTER_S = 1.0  # a trip so soon after closing is chatter; our own definition
_CLOSED, _OPENING, _HELD, _WAITING, _CLOSING = 0.0, 1.0, 2.0, 3.0, 4.0
_NEW = (_CLOSED, 0.0, 0.0, CHATTER_S)  # phase, smoothed level, timer, time since it last closed


@dataclass(frozen=True, kw_only=True)
class Contact:
    """What the contact did.

    closed_ratio : ndarray [shape=(frames,)]
        Share of each frame in which it was closed.
    muted : ndarray of bool [shape=(frames,)]
        Whether it was open at the end of each frame.
    trips, chatter : int
        How often it opened, and how often within a second of closing.
    opens_at_s : float or None
        When it first was open; nought if it was from the start.
    end : tuple of float
        State for the next stretch.
    """

    closed_ratio: NDArray[np.float32]
    muted: NDArray[np.bool_]
    trips: int
    chatter: int
    opens_at_s: float | None
    end: tuple[float, ...]


def follow(relay: Relay, level_v: NDArray[np.float32], frame_s: float, *, start: tuple[float, ...]) -> Contact:
    """Let the comparator follow a level.

    Parameters
    ----------
    relay : Relay
    level_v : ndarray [shape=(frames,)]
        Rms voltage of each frame.
    frame_s : float
    start : tuple of float
        `Contact.end` of the stretch before; empty for silence before.
    """
    state = np.array(start or _NEW)
    closed_s = np.empty(len(level_v))
    muted = np.empty(len(level_v), dtype=np.bool_)
    settings = (relay.threshold_v, relay.release_v, relay.attack_s, relay.hold_s, relay.switch_s)
    trips, chatter, opens_at_s = _frames(level_v, frame_s, settings, state, closed_s, muted)
    return Contact(
        closed_ratio=np.clip(closed_s / frame_s, 0.0, 1.0).astype(np.float32),
        muted=muted,
        trips=trips,
        chatter=chatter,
        opens_at_s=opens_at_s if opens_at_s >= 0.0 else None,
        end=tuple(state.tolist()),
    )


@compiled(error_model="numpy")
def _until_above(y, v, threshold, tau):  # type: ignore[no-untyped-def]
    """Time until the smoothed level reaches the threshold from below."""
    if y >= threshold:
        return 0.0
    return tau * math.log((v - y) / (v - threshold)) if v > threshold else math.inf


@compiled(error_model="numpy")
def _until_below(y, v, release, tau):  # type: ignore[no-untyped-def]
    """Time until the smoothed level falls to the release level."""
    if y <= release:
        return 0.0
    return tau * math.log((y - v) / (release - v)) if v < release else math.inf


@compiled(error_model="numpy")
def _until_next(phase, y, v, timer, settings):  # type: ignore[no-untyped-def]
    """Time until the present phase ends, at a steady level."""
    threshold, release, tau, _, _ = settings
    if phase == _CLOSED:
        return _until_above(y, v, threshold, tau)
    if phase == _WAITING:
        return _until_below(y, v, release, tau)
    return timer


@compiled(error_model="numpy")
def _next(phase, y, settings):  # type: ignore[no-untyped-def]
    """The phase that follows, the smoothed level (just on the threshold that ended the phase), and the timer."""
    threshold, release, _, hold_s, switch_s = settings
    if phase == _CLOSED:
        return _OPENING, max(y, threshold), switch_s
    if phase == _OPENING:
        return _HELD, y, hold_s
    if phase == _HELD:
        return _WAITING, y, 0.0
    if phase == _WAITING:
        return _CLOSING, min(y, release), switch_s
    return _CLOSED, y, 0.0


@compiled(error_model="numpy")
def _frames(level, frame_s, settings, state, closed_s, muted):  # type: ignore[no-untyped-def]
    phase, y, timer, since_closed = state
    trips = 0
    chatter = 0
    opens_at = 0.0 if phase >= _HELD else -1.0
    for frame in range(len(level)):
        v = np.float64(level[frame])
        left = frame_s
        closed_s[frame] = 0.0
        while True:
            wait = _until_next(phase, y, v, timer, settings)
            dt = min(wait, left)
            y = v + (y - v) * math.exp(-dt / settings[2])
            timer -= dt
            left -= dt
            if phase <= _OPENING:
                closed_s[frame] += dt
                since_closed += dt
            if wait > dt:
                break
            phase, y, timer = _next(phase, y, settings)
            if phase == _HELD:
                trips += 1
                chatter += 1 if since_closed < CHATTER_S else 0
                opens_at = (frame + 1) * frame_s - left if opens_at < 0.0 else opens_at
            elif phase == _CLOSED:
                since_closed = 0.0
        muted[frame] = phase >= _HELD
    state[0], state[1], state[2], state[3] = phase, y, timer, since_closed
    return trips, chatter, opens_at
