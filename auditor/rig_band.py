"""A rig with its assumed values elsewhere in their bands.

A position says where in its band a value stands: 0 as assumed, -1 at the low end, +1 at the high one. What is derived
from a varied value follows it: with another dc resistance, the thermal resistances that the rating implies are others.
The bands themselves are in `auditor/rig_assumptions.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from auditor.driver.impedance import ModelledImpedance
from auditor.driver.thermal import THERMAL_KEYS, complete_thermal, rated_thermal_resistance_k_per_w
from auditor.rig_assumptions import RATING_AMBIENT_C, SPREADS, Spread, assumed_value, plain_key, unit_of
from auditor.rig_impedance import rating_current_a_per_v
from auditor.rig_network import resolve_network
from auditor.units import amplitude_to_db, db_to_amplitude

if TYPE_CHECKING:
    from auditor.rig import Rig

# A derived resistance is never let fall below this share of itself, however little its neighbour leaves of the rating.
_LEAST_SHARE = 0.25
ENDS = (-1.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Banded:
    """An assumed value with its band, in `unit`, where that comes from and how to find the true value."""

    key: str
    value: float | str
    low: float | str
    high: float | str
    unit: str
    basis: str
    how: str


def bands(rig: Rig) -> tuple[Banded, ...]:
    """Every assumed value that has a band, in the order of `Rig.assumed`; the others are taken as they are."""
    found = []
    for key in rig.assumed:
        spread, value = SPREADS.get(plain_key(key)), assumed_value(rig, key)
        if spread is not None:
            low, high = spread.range_of(value) if not isinstance(value, str) else (value, spread.other)
            found.append(
                Banded(key=key, value=value, low=low, high=high, unit=unit_of(key), basis=spread.basis, how=spread.how)
            )
    return tuple(found)


def varied(rig: Rig, positions: Mapping[str, float]) -> Rig:
    """The rig with assumed values elsewhere in their bands, and with what is derived from them.

    Parameters
    ----------
    rig : Rig
    positions : mapping of str to float
        By dotted key, from -1 to 1; a key that is not there, or not assumed, stays.
    """
    at = {key: position for key, position in positions.items() if key in rig.assumed and plain_key(key) in SPREADS}
    limiters = tuple(
        replace(limiter, **_of_table(limiter, at, f"limiter.{number}.") | _of_table(limiter, at, "limiter."))
        for number, limiter in enumerate(rig.limiters, start=1)
    )
    driver = _rated(rig, at)
    crossover = _crossover(rig, at, driver)
    return replace(
        rig,
        level=_level(rig, at),
        crossover=crossover,
        limiters=limiters,
        protection=_protection(rig, at),
        driver=_cooled(rig, at, driver, crossover),
        site=replace(rig.site, **_of_table(rig.site, at, "site.")),
    )


def level_change_db(rig: Rig, moved: Rig) -> float:
    """By how much a varied rig plays louder, with the pad and all that is behind it as they are [dB]."""
    sum_db = (moved.level.mono_gain_db or 0.0) - (rig.level.mono_gain_db or 0.0)
    return amplitude_to_db(moved.full_scale_v / rig.full_scale_v) + sum_db


def played_parts(rig: Rig) -> tuple[Any, ...]:
    """What of a rig, behind the amplifier, decides what is played in more than one factor."""
    return rig.driver.impedance, rig.crossover.network


def keys_of_playing(rig: Rig) -> frozenset[str]:
    """The assumed values that change that: the file must be played anew for each."""
    usual = played_parts(rig)
    return frozenset(
        each.key for each in bands(rig) if any(played_parts(varied(rig, {each.key: end})) != usual for end in ENDS)
    )


def _level(rig: Rig, at: Mapping[str, float]) -> Any:
    values = _of_table(rig.level, at, "level.")
    assumed_dbfs = rig.level.target_level_dbfs
    if "target_level_dbfs" in values and assumed_dbfs is not None:
        # Programme of that level is to be as loud: the quieter it is, the more volts full scale has.
        values["unity_v"] = rig.level.unity_v * db_to_amplitude(assumed_dbfs - values["target_level_dbfs"])
    return replace(rig.level, **values)


def _crossover(rig: Rig, at: Mapping[str, float], driver: Any) -> Any:
    crossover = replace(rig.crossover, **_of_table(rig.crossover, at, "crossover."))
    network = crossover.network
    if network is None:
        return crossover
    parts = tuple(
        replace(part, **_of_table(part, at, f"crossover.parts.{number}."))
        for number, part in enumerate(network.parts, start=1)
    )
    if parts == network.parts and driver.impedance == network.impedance:
        return crossover
    found, _, _ = resolve_network(
        parts,
        rated_impedance_ohm=network.rated_impedance_ohm,
        impedance=driver.impedance,
        drivers_ratio=network.drivers_ratio,
        rated_load_ohm=rig.amplifier.rated_load_ohm,
        opens=rig.protection.kind != "none",
    )
    return found


def _of_table(table: Any, at: Mapping[str, float], prefix: str) -> dict[str, Any]:
    """The varied values of one table."""
    names = {key: key.removeprefix(prefix) for key in at if key.startswith(prefix)}
    return {
        name: _at(SPREADS[plain_key(key)], getattr(table, name), at[key])
        for key, name in names.items()
        if "." not in name
    }


def _at(spread: Spread, value: Any, position: float) -> Any:
    if isinstance(value, str):
        return spread.other if position > 0.0 else value
    return spread.at(value, position)


def _protection(rig: Rig, at: Mapping[str, float]) -> Any:
    settings: Any = rig.protection
    values = _of_table(settings, at, "protection.")
    most, least = "max_resistance_ohm", "resistance_ohm"
    if least in values and f"protection.{most}" in rig.assumed:
        # Assumed as the resistance itself, so it goes with it.
        values[most] = values[least] * values.get(most, getattr(settings, most)) / getattr(settings, least)
    return replace(settings, **values) if values else settings


def _rated(rig: Rig, at: Mapping[str, float]) -> Any:
    """The driver but for its thermal values."""
    driver, values = rig.driver, _of_table(rig.driver, at, "driver.")
    if "dc_resistance_ohm" in values and isinstance(driver.impedance, ModelledImpedance):
        values["impedance"] = replace(driver.impedance, dc_resistance_ohm=values["dc_resistance_ohm"])
    return replace(driver, **{key: value for key, value in values.items() if key not in THERMAL_KEYS})


def _cooled(rig: Rig, at: Mapping[str, float], driver: Any, crossover: Any) -> Any:
    """The driver with the thermal values that follow from it."""
    thermal = [key for key in THERMAL_KEYS if f"driver.{key}" in rig.assumed]
    is_same = driver == rig.driver and (driver.impedance is None or crossover == rig.crossover)
    if not thermal or (is_same and not any(f"driver.{key}" in at for key in thermal)):
        return driver
    rated_k_per_w = rated_thermal_resistance_k_per_w(
        rated_impedance_ohm=driver.rated_impedance_ohm,
        dc_resistance_ohm=driver.dc_resistance_ohm,
        continuous_power_w=driver.continuous_power_w,
        coil_material=driver.coil_material,
        coil_temp_limit_c=driver.coil_temp_limit_c,
        ambient_temp_c=RATING_AMBIENT_C,
        current_a_per_v=rating_current_a_per_v(driver.impedance, crossover, vars(driver)),
    )
    given = {key: getattr(driver, key) for key in THERMAL_KEYS if key not in thermal}
    resistances = [value for key, value in given.items() if key in THERMAL_KEYS[:2]]
    if len(resistances) == 1:
        # The one that is given leaves the rest of the rating to the other.
        (rest,) = (getattr(driver, key) for key in THERMAL_KEYS[:2] if key in thermal)
        rated_k_per_w = max(rated_k_per_w, resistances[0] + _LEAST_SHARE * rest)
    derived = complete_thermal(given, rated_resistance_k_per_w=rated_k_per_w, coil_diameter_mm=driver.coil_diameter_mm)
    values: dict[str, Any] = {
        key: SPREADS[f"driver.{key}"].at(getattr(derived, key), at.get(f"driver.{key}", 0.0)) for key in thermal
    }
    return replace(driver, **values)
