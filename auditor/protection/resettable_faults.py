"""What a self-resetting part cannot be: values left out, in the wrong order, or of no part that could exist."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from auditor import published
from auditor.errors import Fault
from auditor.parts.resettables import nearest_resettables, resettables
from auditor.rig_fields import shown

if TYPE_CHECKING:
    from auditor.protection.resettable import Resettable, Table

# By so much may what holding the hold current takes exceed the power stated for a tripped part; in the list 1.19.
MOST_POWER_RATIO = 1.25
STATED = ("trip_a", "resistance_ohm", "time_to_trip_s", "tripped_power_w")


def missing_faults(table: Table) -> list[Fault]:
    """What a part that the list does not have lacks; where nothing but its hold current is given, that one is told."""
    near = " and ".join(f"{each.hold_a:g} A" for each in nearest_resettables(table.hold_a))
    if all(getattr(table, key) is None for key in STATED):
        return [
            Fault(
                key="hold_a",
                what="the list has no part that holds it",
                got=shown(table.hold_a, unit="A"),
                allowed=f"{', '.join(f'{each.hold_a:g}' for each in resettables())} A",
                hint=f"nearest: {near}; or give {', '.join(STATED)}",
            )
        ]
    units = {"trip_a": "A", "resistance_ohm": "ohm", "time_to_trip_s": "s", "tripped_power_w": "W"}
    return [
        Fault(
            key=key,
            what=f"missing [{units[key]}]: the list has no part that holds {shown(table.hold_a, unit='A')}",
            hint=f"nearest: {near}; or give {', '.join(STATED)}",
        )
        for key in STATED
        if getattr(table, key) is None
    ]


def order_faults(settings: Resettable) -> list[Fault]:
    """What must be larger than what."""
    faults = []
    hold, trip, test_ratio = settings.hold_a, settings.trip_a, published.RESETTABLE_TIME_AT_RATIO.value
    if hold >= trip:
        what = "no less than the trip current (trip_a), so it would trip on what it is to hold"
        allowed = f"below {shown(trip, unit='A')}"
        hint = "the trip current is the larger of the two, as a rule twice the hold current"
        faults.append(Fault(key="hold_a", what=what, got=shown(hold, unit="A"), allowed=allowed, hint=hint))
    elif trip >= test_ratio * hold:
        what = "no less than the current that the time to trip is stated for, five times hold_a"
        allowed = f"below {shown(test_ratio * hold, unit='A')}"
        hint = "as a rule it is twice the hold current"
        faults.append(Fault(key="trip_a", what=what, got=shown(trip, unit="A"), allowed=allowed, hint=hint))
    least_ohm, most_ohm = settings.resistance_ohm, settings.max_resistance_ohm
    if most_ohm < least_ohm:
        what = "less than the lowest resistance (resistance_ohm)"
        allowed = f"at least {shown(least_ohm, unit='ohm')}"
        got, hint = shown(most_ohm, unit="ohm"), "the datasheet prints both; if it prints one, leave this out"
        faults.append(Fault(key="max_resistance_ohm", what=what, got=got, allowed=allowed, hint=hint))
    return faults


def thermal_faults(settings: Resettable) -> list[Fault]:
    """Whether one part can hold the hold current, trip at the trip current and burn the power stated."""
    power_w, least_w, most_w = settings.tripped_power_w, settings.holding_power_w, settings.most_power_w
    if least_w > most_w:
        ratio = settings.trip_a / settings.hold_a
        what = f"the trip current is only {ratio:.3g} times the hold current, too near for such a spread of resistance"
        allowed = f"at most {settings.resistance_ohm * ratio**2:.3g} ohm"
        got = shown(settings.max_resistance_ohm, unit="ohm")
        hint = "or trip_a is wrong; as a rule it is twice the hold current"
        return [Fault(key="max_resistance_ohm", what=what, got=got, allowed=allowed, hint=hint)]
    if power_w * MOST_POWER_RATIO < least_w:
        what = "too little: a part that burns no more would trip on its hold current (hold_a)"
    elif power_w > most_w:
        what = "too much: a part that gives off so much heat would hold its trip current (trip_a)"
    else:
        return []
    allowed = f"{_two_digits_up(least_w / MOST_POWER_RATIO)} to {_two_digits_down(most_w)} W"
    hint = "or resistance_ohm is wrong"
    return [Fault(key="tripped_power_w", what=what, got=shown(power_w, unit="W"), allowed=allowed, hint=hint)]


def _two_digits_up(power_w: float) -> str:
    """Rounded so that the value shown is itself allowed."""
    unit = 10.0 ** (math.floor(math.log10(power_w)) - 1)
    return f"{math.ceil(power_w / unit) * unit:.3g}"


def _two_digits_down(power_w: float) -> str:
    unit = 10.0 ** (math.floor(math.log10(power_w)) - 1)
    return f"{math.floor(power_w / unit) * unit:.3g}"
