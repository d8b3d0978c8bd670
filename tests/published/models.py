"""Short ways to the program's models for the oracles: rigs, lamps and networks built from printed figures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from auditor import protection
from auditor.driver.coil import CoilNetwork
from auditor.protection.filament import Filament
from auditor.protection.lamp import Lamp
from auditor.rig import Crossover, Rig
from auditor.rig_resolve import resolve_rig

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.protection.contract import Run

AMBIENT_C = 20.0
AMBIENT_K = 293.15


def rig(**changes: Any) -> Rig:
    """A rig resolved as from a file; `changes` are keys of its tables on top of a plain one, or a list."""
    document: dict[str, Any] = {
        "level": {"full_scale_dbu": 18.0, "gain_db": 0.0},
        "amplifier": {"gain_db": 32.0, "rated_power_w": 300.0, "rated_load_ohm": 8.0},
        "crossover": {"alignment": "linkwitz-riley", "order": 4, "frequency_hz": 1800.0, "pad_db": 0.0},
        "protection": {"kind": "none"},
        "driver": {
            "rated_impedance_ohm": 8.0,
            "dc_resistance_ohm": 5.8,
            "continuous_power_w": 60.0,
            "coil_material": "copper",
            "coil_diameter_mm": 44.0,
            "coil_temp_limit_c": 180.0,
        },
    }
    for table, keys in changes.items():
        document[table] = document.get(table, {}) | keys if isinstance(keys, dict) else keys
    resolved, faults = resolve_rig(document, path="oracle")
    assert resolved is not None, faults
    return resolved


def crossover(alignment: str, order: int, frequency_hz: float) -> Crossover:
    """A high-pass without pad."""
    return Crossover(alignment=alignment, order=order, frequency_hz=frequency_hz, pad_db=0.0)  # type: ignore[arg-type]


def lamp(voltage_v: float, current_a: float, *, temp_k: float, gas_loss: float, life_h: float = 1000.0) -> Lamp:
    """One lamp by its rating."""
    return Lamp(
        design_voltage_v=voltage_v,
        design_current_a=current_a,
        design_temp_k=temp_k,
        gas_loss_ratio=gas_loss,
        rated_life_h=life_h,
    )


def part_1156() -> Lamp:
    """The lamp of trade number 1156, with the class values that the program assumes."""
    return rig(protection={"kind": "lamp", "part": "1156"}).protection  # type: ignore[return-value]


def class_lamp(voltage_v: float, current_a: float) -> Lamp:
    """A lamp by its rating alone, the rest as the program assumes for its class."""
    return rig(  # type: ignore[return-value]
        protection={"kind": "lamp", "design_voltage_v": voltage_v, "design_current_a": current_a}
    ).protection


def filament(settings: Lamp, *, ambient_k: float = AMBIENT_K) -> Filament:
    """The filament of a lamp."""
    return Filament.from_lamp(settings, ambient_k)


def network(
    *,
    coil_k_per_w: float = 1.0,
    body_k_per_w: float = 1.0,
    coil_j_per_k: float = 1.0,
    body_j_per_k: float = 100.0,
    impedance_ohm: float = 8.0,
    alpha: float = 0.0,
) -> CoilNetwork:
    """A purely resistive coil with a thermal network by its elements; without `alpha` it draws constant power."""
    return CoilNetwork(
        rated_impedance_ohm=impedance_ohm,
        dc_resistance_ohm=impedance_ohm,
        alpha_per_k=alpha,
        coil_to_body_k_per_w=coil_k_per_w,
        body_to_air_k_per_w=body_k_per_w,
        coil_heat_capacity_j_per_k=coil_j_per_k,
        body_heat_capacity_j_per_k=body_j_per_k,
        ambient_temp_c=AMBIENT_C,
    )


def drive(
    settings: Any, load: CoilNetwork, source_v: float | NDArray[np.float64], seconds: float, frame_s: float
) -> Run:
    """Protection and driver on a source; a single voltage is held for all of `seconds`."""
    source = np.broadcast_to(np.asarray(source_v, dtype=np.float64), (round(seconds / frame_s),))
    return protection.method(settings.kind).run(settings, load, source.astype(np.float32), frame_s, start=None)
