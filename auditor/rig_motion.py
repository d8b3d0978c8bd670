"""The keys of ``[driver]`` from which its excursion follows: which of them stand together, and which cannot be true."""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from typing import Any

from auditor.driver.motion import implied_electrical_q
from auditor.errors import Fault
from auditor.rig_fields import shown
from auditor.rig_impedance import RESONANCE_KEYS

NEEDED = ("resonance_hz", "moving_mass_g", "force_factor_t_m")
_QS = RESONANCE_KEYS[1:]
_ONLY_FOR_MOTION = ("moving_mass_g", "force_factor_t_m", "excursion_limit_mm", "total_q")
_MOST_OFF = 2.0  # data sheets round, and dc resistance may be assumed; own estimate


def motion_faults(driver: Mapping[str, Any], *, given: AbstractSet[str]) -> list[Fault]:
    """What the sound values of ``[driver]`` say together that cannot be.

    Parameters
    ----------
    driver : mapping
        Sound values, filled in.
    given : set of str
        Keys that the rig file has there, sound or not: what is wrong by itself has been told.
    """
    if not set(_ONLY_FOR_MOTION) & given:
        return []
    wanted = "excursion_limit_mm" if "excursion_limit_mm" in given else "the displacement of the dome"
    faults = [
        Fault(key=f"driver.{key}", what=f"missing: {wanted} cannot be used without it", hint="see the data sheet")
        for key in NEEDED
        if key not in given
    ]
    beside = [key for key in _QS if key in given]
    if "total_q" in given and beside:
        what = f"given beside {' and '.join(beside)}, which say the same"
        hint = "keep total_q, or mechanical_q with electrical_q"
        faults.append(Fault(key="driver.total_q", what=what, hint=hint))
    elif "total_q" not in given:
        what, hint = f"missing: {wanted} cannot be used without it", "or total_q instead of both"
        faults += [Fault(key=f"driver.{key}", what=what, hint=hint) for key in _QS if key not in given]
    return faults or _disagreement(driver)


def _disagreement(driver: Mapping[str, Any]) -> list[Fault]:
    """A coil damps by its force factor and resistance: a Q that says otherwise belongs to another driver."""
    whole = {*NEEDED, "dc_resistance_ohm"} <= driver.keys() and ("total_q" in driver or set(_QS) <= driver.keys())
    if not whole:
        return []
    implied = implied_electrical_q(
        **{key: driver[key] for key in NEEDED}, dc_resistance_ohm=driver["dc_resistance_ohm"]
    )
    source = "resonance_hz, moving_mass_g, force_factor_t_m and dc_resistance_ohm"
    hint = f"{source} imply {implied:.2g}: is the mass in grams, the force factor in tesla metres?"
    if "total_q" in driver:
        if driver["total_q"] <= _MOST_OFF * implied:
            return []
        what, allowed = "more than the coil's own damping leaves", f"at most {_MOST_OFF * implied:.2g}"
        return [Fault(key="driver.total_q", what=what, got=shown(driver["total_q"]), allowed=allowed, hint=hint)]
    found = driver["electrical_q"]
    if implied / _MOST_OFF <= found <= _MOST_OFF * implied:
        return []
    allowed = f"{implied / _MOST_OFF:.2g} to {_MOST_OFF * implied:.2g}"
    what = "does not fit the other values of the driver"
    return [Fault(key="driver.electrical_q", what=what, got=shown(found), allowed=allowed, hint=hint)]
