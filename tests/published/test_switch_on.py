"""A lamp switched on: how heavy its filament is, and how soon it shines."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor import published

from .models import AMBIENT_K, class_lamp, drive, filament, lamp, network, part_1156
from .oracle import Check, about, within

if TYPE_CHECKING:
    from auditor.protection.lamp import Lamp

_subject = {"subject": "Lamp, switched on"}
NO_LOAD_OHM = 1e-6
LIGHT_EXPONENT = sum(published.LAMP_LIGHT_EXPONENT_RANGE.value) / 2.0 / published.LAMP_COLOUR_TEMP_EXPONENT.value


def _cold_ohm(settings: Lamp) -> float:
    return float(filament(settings).resistance_ohm(AMBIENT_K))


@functools.cache
def _switch_on_s(settings: Lamp) -> float:
    """Time from switch-on at rated voltage to nine tenths of the light."""
    frame_s = 0.001
    run = drive(settings, network(impedance_ohm=NO_LOAD_OHM), settings.design_voltage_v, 2.0, frame_s)
    assert run.filament_temp_k is not None
    temp_k = run.filament_temp_k.astype(float)
    bright_k = 0.9 ** (1.0 / LIGHT_EXPONENT) * settings.design_temp_k
    return float(np.interp(bright_k, temp_k, frame_s * np.arange(1, len(temp_k) + 1)))


def _time_exponent() -> float:
    one, two = (_switch_on_s(lamp(12.8, amps, temp_k=2725.0, gas_loss=0.12)) for amps in (1.0, 2.0))
    return math.log2(two / one)


def _inrush_ratio(settings: Lamp) -> float:
    return settings.design_voltage_v / settings.design_current_a / _cold_ohm(settings)


def _mains_lamp() -> Lamp:
    return class_lamp(120.0, 100.0 / 120.0)


def _mass_mg() -> float:
    return 1e6 * filament(part_1156()).mass_kg


def _heat_capacity_mj_per_k() -> float:
    settings = part_1156()
    return 1e3 * float(filament(settings).heat_capacity_j_per_k(settings.design_temp_k))


def _at(quantity: str, record: Any, printed: str | float, unit: str, compute: Any, **fields: Any) -> Check:
    return about(printed, quantity=quantity, record=record, unit=unit, compute=compute, **_subject, **fields)


def _in(quantity: str, record: Any, unit: str, compute: Any, **fields: Any) -> Check:
    return within(*record.value, quantity=quantity, record=record, unit=unit, compute=compute, **_subject, **fields)


CHECKS = (
    _at(
        "1156, time to 90 % of its light",
        published.BRAKE_LAMP_90_PERCENT_LIGHT_S,
        "0.25",
        "s",
        lambda: _switch_on_s(part_1156()),
        relative=0.16,
        why="16 %, as the filament masses that the source's time selects spread",
        faults=(0.0, 1.3),
    ),
    _in(
        "1156, mass of the filament",
        published.FILAMENT_12V_21W_MASS_MG,
        "mg",
        _mass_mg,
        faults=(0.0, 1.5),
        why="the printed range",
    ),
    _in(
        "1156, heat capacity of the filament, hot",
        published.FILAMENT_12V_21W_HEAT_CAPACITY_MJ_PER_K,
        "mJ/K",
        _heat_capacity_mj_per_k,
        faults=(0.0, 1.4),
        why="the printed range",
    ),
    _at(
        "120 V 100 W lamp, time to 90 % of its light",
        published.MAINS_LAMP_90_PERCENT_LIGHT_S,
        "0.13",
        "s",
        lambda: _switch_on_s(_mains_lamp()),
        relative=0.16,
        why="as for the brake lamp",
        faults=(0.0, 1.3),
    ),
    _at(
        "120 V 100 W lamp, cold resistance",
        published.MAINS_LAMP_HOT_COLD_OHM,
        "9.5",
        "ohm",
        lambda: _cold_ohm(_mains_lamp()),
        relative=0.02,
        why="2 %: the class temperature, 2725 K, is a range of 50 K",
    ),
    _in("1156, inrush over rated current", published.INRUSH_RATIO_RANGE, "", lambda: _inrush_ratio(part_1156())),
    _at(
        "switch-on time against rated current, exponent",
        published.LAMP_TIME_CURRENT_EXPONENT,
        "0.667",
        "",
        _time_exponent,
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
