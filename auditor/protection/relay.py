"""A relay in series with the HF driver, opened by a level comparator.

A rectifier and a smoothing filter follow the level; over the threshold the relay opens, stays open for its hold time
at least, and closes again when the level has fallen below the release level. Fast enough for a transient that leaves a
lamp cold, and all or nothing: there is no HF while it is open.

Source and range
----------------
The circuit senses the voltage of the HF branch ahead of the contact (after crossover and pad), which while the contact
is closed is the driver's own, and goes on sensing while it is open. It is read as rms of each frame, smoothed by one
pole of `attack_s`: a steady signal of `threshold_v` volts rms is just at the threshold. A rectifier that answers the
mean instead, and was set with a sine, reads noise 1 dB lower. Frames are taken as steady; within them filter, timers
and contact are exact. Contact bounce and welding are not modelled.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from auditor.errors import Fault
from auditor.rig_fields import RigTable, choice, quantity, shown

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork
    from auditor.protection.contract import Run, ThermalState

# All common practice, no source.
ASSUMED_RELEASE_RATIO = 0.7  # of the threshold: 3 dB of hysteresis
ASSUMED_ATTACK_S = 0.01
ASSUMED_HOLD_S = 1.0
ASSUMED_SWITCH_S = 0.01  # a small relay's time to move its contact


@dataclass(frozen=True, kw_only=True)
class Relay:
    """A relay with its level comparator.

    Parameters
    ----------
    threshold_v : float
        Steady level at which it opens [V rms, HF branch ahead of the contact].
    release_v : float
        Level under which it closes again [V rms].
    attack_s : float
        Time constant of the smoothing, up and down [s].
    hold_s : float
        Shortest time it stays open [s].
    switch_s : float
        Time from the comparator's decision to the contact's moving, either way [s].
    """

    kind: Literal["relay"] = "relay"
    part: None = None
    threshold_v: float
    release_v: float
    attack_s: float
    hold_s: float
    switch_s: float


class Table(RigTable):
    """The ``[protection]`` table for `kind = "relay"`."""

    kind: Literal["relay"] = choice("Protection method.")
    threshold_v: float = quantity(
        "Steady rms voltage of the HF branch, ahead of the contact, at which the relay opens.",
        unit="V",
        low=0.05,
        high=1000.0,
    )
    release_v: float | None = quantity(
        "Rms voltage under which it closes again.",
        unit="V",
        low=0.01,
        high=1000.0,
        optional=True,
    )
    attack_s: float | None = quantity(
        "Time constant of the smoothing behind the rectifier.",
        unit="s",
        low=0.0001,
        high=10.0,
        below="shorter than one wave of the highest tone",
        above="slower than the voice coil itself",
        optional=True,
    )
    hold_s: float | None = quantity(
        "Shortest time it stays open.", unit="s", low=0.0, high=600.0, below="a time is not negative", optional=True
    )
    switch_s: float | None = quantity(
        "Time its contact takes to open or to close.",
        unit="s",
        low=0.0,
        high=1.0,
        below="a time is not negative",
        above="no relay is that slow",
        optional=True,
    )


def key_faults(given: AbstractSet[str]) -> list[Fault]:
    """No two keys depend on each other, whatever their values."""
    return []


def resolve(table: Table) -> tuple[Relay | None, list[str], list[Fault]]:
    """Fill in what a plain fast circuit has.

    Parameters
    ----------
    table : Table

    Returns
    -------
    settings : Relay or None
        None where there are faults.
    assumed : list of str
        Keys filled in, without the table's name.
    faults : list of Fault
        A release level that is not below the threshold.
    """
    defaults = {
        "release_v": ASSUMED_RELEASE_RATIO * table.threshold_v,
        "attack_s": ASSUMED_ATTACK_S,
        "hold_s": ASSUMED_HOLD_S,
        "switch_s": ASSUMED_SWITCH_S,
    }
    given = {key: getattr(table, key) for key in defaults if getattr(table, key) is not None}
    values = defaults | given
    if values["release_v"] >= table.threshold_v:
        what = "no lower than threshold_v, so the relay would never settle"
        allowed = f"below {shown(table.threshold_v, unit='V')}"
        got = shown(values["release_v"], unit="V")
        hint = f"left out, it is 3 dB under the threshold, {shown(defaults['release_v'], unit='V')}"
        return None, [], [Fault(key="release_v", what=what, got=got, allowed=allowed, hint=hint)]
    relay = Relay(threshold_v=table.threshold_v, **values)
    return relay, [key for key in defaults if key not in given], []


def run(
    settings: Relay,
    network: CoilNetwork,
    source_rms_v: NDArray[np.floating],
    frame_s: float,
    *,
    start: ThermalState | None = None,
    division: Division | None = None,
) -> Run:
    """Drive the driver through the contact; see `auditor.simulation.simulate`.

    Notes
    -----
    A contact has no resistance, so the driver gets the source while it is closed and nothing while it is open; in a
    frame in which it moves, as much of the power as the share of the frame in which it was closed.
    """
    import numpy as np

    from auditor.protection import none
    from auditor.protection.comparator import follow
    from auditor.protection.contract import ThermalState

    source = np.ascontiguousarray(source_rms_v, dtype=np.float32)
    contact = follow(settings, source, frame_s, start=start.part if start is not None else ())
    bare_start = None
    if start is not None:
        bare_start = ThermalState(coil_temp_c=start.coil_temp_c, body_temp_c=start.body_temp_c)
    driver_v = source * np.sqrt(contact.closed_ratio)
    driven = none.run(none.NoProtection(), network, driver_v, frame_s, start=bare_start, division=division)
    return replace(
        driven,
        end=replace(driven.end, part=contact.end),
        muted=contact.muted,
        trips=contact.trips,
        chatter=contact.chatter,
        opens_at_s=(contact.opens_at_s, contact.opens_at_s),
    )
