"""From sound values to a whole rig: fills in what was left out, and checks what values say together.

Source and range
----------------
Every default is an assumption and its key ends up in `Rig.assumed`; where each comes from is in
`auditor/rig_assumptions.py`. Thermal values are derived in `auditor/driver/thermal.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from auditor import protection, published
from auditor.driver.thermal import THERMAL_KEYS, complete_thermal, rated_thermal_resistance_k_per_w
from auditor.errors import Fault
from auditor.rig import Amplifier, Driver, Rig, Site
from auditor.rig_assumptions import (
    ASSUMED_AMBIENT_TEMP_C,
    ASSUMED_BOX_OHM,
    ASSUMED_COIL_DIAMETER_MM,
    ASSUMED_COIL_MATERIAL,
    ASSUMED_DC_RATIO,
    RATING_AMBIENT_C,
)
from auditor.rig_branch import Branch, resolve_branch
from auditor.rig_calibration import calibration_faults, resolve_level
from auditor.rig_faults import PARTS, checked_tables, model_of, prefixed
from auditor.rig_fields import shown
from auditor.rig_impedance import rating_current_a_per_v
from auditor.rig_motion import motion_faults
from auditor.rig_processor import resolve_equaliser, resolve_limiters
from auditor.rig_tables import TABLE_NAMES

Values = dict[str, dict[str, Any]]
ORDERS: dict[str, tuple[int, ...]] = {
    "linkwitz-riley": (2, 4, 6, 8),
    "butterworth": tuple(range(1, 9)),
    "bessel": tuple(range(1, 9)),
}


def resolve_rig(document: Mapping[str, Any], *, path: str) -> tuple[Rig | None, list[Fault]]:
    """The rig a TOML document describes, or every fault in it.

    Parameters
    ----------
    document : mapping
        The whole TOML document.
    path : str
        The file it came from.

    Returns
    -------
    rig : Rig or None
        None where there are faults.
    faults : list of Fault
    """
    values, faults = checked_tables(document)
    faults += calibration_faults(document, values)
    faults += _crossover_faults(document, values["crossover"])
    settings, assumed_protection, found = _resolve_protection(document, values["protection"], faults)
    faults += found
    sections, found = resolve_equaliser(values["equaliser"])
    faults += found
    limiters, assumed_limiter, found = resolve_limiters(document, values)
    faults += found
    assumed = _fill_fixed(values) + _fill_driver(values["driver"]) + _fill_box(values)
    faults += _driver_faults(values) + motion_faults(values["driver"], given=_given(document, "driver"))
    branch = resolve_branch(values, path=path, opens=settings is not None and settings.kind != "none")
    faults += branch.faults
    derived, found = _fill_thermal(values, branch)
    faults += found
    if faults or settings is None or branch.crossover is None:
        return None, _first_of_each_key(faults)
    amplifier = Amplifier(**{"gain_db": None, **values["amplifier"]})
    level, assumed_level, faults = resolve_level(
        values, amplifier, crossover=branch.crossover, sections=sections, limiters=limiters
    )
    if faults:
        return None, faults
    assumed += assumed_level
    rig = Rig(
        level=level,
        amplifier=amplifier,
        equaliser=sections,
        limiters=limiters,
        crossover=branch.crossover,
        protection=settings,
        driver=Driver(**values["driver"], impedance=branch.impedance),
        site=Site(**values["site"]),
        assumed=_in_file_order(assumed + assumed_limiter + branch.assumed + assumed_protection + derived),
        path=path,
        notes=tuple(branch.notes),
    )
    return rig, []


def _first_of_each_key(faults: list[Fault]) -> list[Fault]:
    """A value that is wrong by itself is not sound, so what needs it would call it missing as well."""
    first: dict[str, Fault] = {}
    for fault in faults:
        first.setdefault(fault.key, fault)
    return list(first.values())


def _given(document: Mapping[str, Any], table: str) -> set[str]:
    """The keys that stand in a table, sound or not."""
    raw = document.get(table)
    return set(raw) if isinstance(raw, dict) else set()


def _in_file_order(keys: list[str]) -> tuple[str, ...]:
    return tuple(sorted(keys, key=lambda key: TABLE_NAMES.index(key.split(".")[0])))


def _resolve_protection(
    document: Mapping[str, Any], sound: dict[str, Any], earlier: list[Fault]
) -> tuple[protection.Settings | None, list[str], list[Fault]]:
    """Settings and filled keys; where the table has faults already, only what the sound values still tell."""
    raw = document.get("protection")
    model = model_of("protection", raw) if isinstance(raw, dict) else None
    # Beside other faults an unknown part is still told; a rating that lacks a key has been told already.
    faulty = any(fault.key == "protection" or fault.key.startswith("protection.") for fault in earlier)
    if model is None or "kind" not in sound or (faulty and "part" not in sound):
        return None, [], []
    method = protection.method(sound["kind"])
    settings, assumed, found = method.resolve(model.model_validate(sound))
    return settings, [f"protection.{key}" for key in assumed], [prefixed(fault, "protection") for fault in found]


def _fill(table: dict[str, Any], name: str, defaults: Mapping[str, Any]) -> list[str]:
    """Put each default where the key is missing; the dotted keys that were filled."""
    filled = [key for key in defaults if key not in table]
    table.update({key: defaults[key] for key in filled})
    return [f"{name}.{key}" for key in filled]


def _fill_fixed(values: Values) -> list[str]:
    driver = {
        "coil_material": ASSUMED_COIL_MATERIAL,
        "coil_diameter_mm": ASSUMED_COIL_DIAMETER_MM,
        "coil_temp_limit_c": float(published.COIL_LIMIT_C.value),
    }
    return [
        *_fill(values["crossover"], "crossover", {} if PARTS in values else {"pad_db": 0.0}),
        *_fill(values["driver"], "driver", driver),
        *_fill(values["site"], "site", {"ambient_temp_c": ASSUMED_AMBIENT_TEMP_C}),
    ]


def _fill_box(values: Values) -> list[str]:
    """What one box loads the amplifier with, where something depends on it."""
    amplifier, driver = values["amplifier"], values["driver"]
    if "box_impedance_ohm" in amplifier or not ("boxes" in amplifier or amplifier.get("bridged")):
        return []
    impedance_ohm = ASSUMED_BOX_OHM
    if amplifier.get("band") == "hf" and "rated_impedance_ohm" in driver:
        impedance_ohm = driver["rated_impedance_ohm"] * driver.get("series_count", 1) / driver.get("parallel_count", 1)
    return _fill(amplifier, "amplifier", {"box_impedance_ohm": impedance_ohm})


def _fill_driver(driver: dict[str, Any]) -> list[str]:
    defaults: dict[str, float] = {}
    if "rated_impedance_ohm" in driver:
        defaults["dc_resistance_ohm"] = ASSUMED_DC_RATIO * driver["rated_impedance_ohm"]
    if "continuous_power_w" in driver:
        # An assumed rating gives way to a given one, so that the three stay in order.
        continuous_w = driver["continuous_power_w"]
        program_w = published.PROGRAM_POWER_RATIO.value * continuous_w
        peak_w = published.PEAK_POWER_RATIO.value * continuous_w
        defaults["program_power_w"] = min(program_w, driver.get("peak_power_w", program_w))
        defaults["peak_power_w"] = max(peak_w, driver.get("program_power_w", peak_w))
    return _fill(driver, "driver", defaults)


def _crossover_faults(document: Mapping[str, Any], crossover: dict[str, Any]) -> list[Fault]:
    raw, alignment = document.get("crossover", {}), crossover.get("alignment")
    if alignment is None:
        return []
    if alignment == "none":
        return [
            Fault(key=f"crossover.{key}", what='alignment "none" has no such thing', hint="remove it")
            for key in ("order", "frequency_hz")
            if key in raw
        ]
    allowed = ", ".join(map(str, ORDERS[alignment]))
    missing = {"order": allowed, "frequency_hz": "20 to 20000 Hz"}
    faults = [
        Fault(key=f"crossover.{key}", what=f"missing: a {alignment} crossover needs it", allowed=text)
        for key, text in missing.items()
        if key not in raw.keys() | crossover.keys() | ({key} if "parts" in raw else set())
    ]
    order = crossover.get("order")
    if order is not None and order not in ORDERS[alignment]:
        what = f"a {alignment} crossover is made of two equal halves, so its order is even"
        faults.append(Fault(key="crossover.order", what=what, got=shown(order), allowed=allowed))
    return faults


def _driver_faults(values: Values) -> list[Fault]:
    driver = values["driver"]
    faults = []
    for key, floor_key in (("program_power_w", "continuous_power_w"), ("peak_power_w", "program_power_w")):
        if {key, floor_key} <= driver.keys() and driver[key] < driver[floor_key]:
            what = f"less than {floor_key}, which no driver is rated for"
            limit = f"at least {shown(driver[floor_key], unit='W')}"
            faults.append(Fault(key=f"driver.{key}", what=what, got=shown(driver[key], unit="W"), allowed=limit))
    rated_ohm, dc_ohm = driver.get("rated_impedance_ohm"), driver.get("dc_resistance_ohm")
    if rated_ohm is not None and dc_ohm is not None and dc_ohm > rated_ohm:
        what = "the wire alone cannot have more than the rated impedance"
        limit = f"at most {shown(rated_ohm, unit='ohm')} (rated_impedance_ohm)"
        faults.append(Fault(key="driver.dc_resistance_ohm", what=what, got=shown(dc_ohm, unit="ohm"), allowed=limit))
    limit_c, ambient_c = driver["coil_temp_limit_c"], values["site"]["ambient_temp_c"]
    if limit_c <= ambient_c:
        what = "the coil's limit is no hotter than the air round it, so the driver could never be used"
        above = f"above {shown(ambient_c, unit='C')} (site.ambient_temp_c)"
        faults.append(Fault(key="driver.coil_temp_limit_c", what=what, got=shown(limit_c, unit="C"), allowed=above))
    return faults


def _fill_thermal(values: Values, branch: Branch) -> tuple[list[str], list[Fault]]:
    driver, ambient_c = values["driver"], values["site"]["ambient_temp_c"]
    keys = ("rated_impedance_ohm", "dc_resistance_ohm", "continuous_power_w", "coil_material", "coil_temp_limit_c")
    if any(key not in driver for key in keys) or driver["coil_temp_limit_c"] <= ambient_c:
        return [], []
    a_per_v = None
    if branch.crossover is not None:
        a_per_v = rating_current_a_per_v(branch.impedance, branch.crossover, driver)
    # A rating is stated for a laboratory's air, whatever the site is like tonight: hot air must not lower the figure.
    rated_k_per_w = rated_thermal_resistance_k_per_w(
        **{key: driver[key] for key in keys}, ambient_temp_c=RATING_AMBIENT_C, current_a_per_v=a_per_v
    )
    given = {key: driver[key] for key in THERMAL_KEYS if key in driver}
    try:
        thermal = complete_thermal(
            given, rated_resistance_k_per_w=rated_k_per_w, coil_diameter_mm=driver["coil_diameter_mm"]
        )
    except ValueError:
        return [], [_thermal_fault(given, rated_k_per_w)]
    return _fill(driver, "driver", {key: getattr(thermal, key) for key in THERMAL_KEYS}), []


def _thermal_fault(given: dict[str, float], rated_k_per_w: float) -> Fault:
    key = next(key for key in THERMAL_KEYS if key in given)
    other = next(name for name in THERMAL_KEYS[:2] if name != key)
    return Fault(
        key=f"driver.{key}",
        what="more than the rating implies from coil to ambient in all",
        got=shown(given[key], unit="K/W"),
        allowed=f"below {rated_k_per_w:.3g} K/W",
        hint=f"or give {other} as well, and the rating is not asked",
    )
