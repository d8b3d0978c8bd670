"""Voice coils: measured drivers, step response, rise at constant voltage, conductors, power compression."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING, Any

from auditor import published
from auditor.driver import coil, thermal
from auditor.protection.none import NoProtection

from .models import AMBIENT_C, drive, network
from .oracle import Check, about

if TYPE_CHECKING:
    from auditor.driver.coil import CoilNetwork

_subject = {"subject": "Voice coil"}
FIXED_J_PER_K = 1e12  # a body so large that it stays at the ambient
TWEETER = published.CHAPMAN_TWEETER.value
LARGE = published.CHAPMAN_LARGE_DRIVER.value
COIL_SHARE = published.COIL_SHARE_OF_THERMAL_RESISTANCE.value


def _rise_k(load: CoilNetwork, cold_power_w: float, seconds: float, frame_s: float) -> float:
    """Rise of the coil after `seconds` at a constant voltage that puts `cold_power_w` into the cold coil."""
    voltage_v = math.sqrt(cold_power_w * load.rated_impedance_ohm)
    return float(drive(NoProtection(), load, voltage_v, seconds, frame_s).coil_temp_c[-1]) - AMBIENT_C


def _measured(driver: published.MeasuredDriver, *, alpha: float) -> CoilNetwork:
    """A driver that Chapman measured, its resistance divided as the program assumes."""
    coil_k_per_w = COIL_SHARE * driver.thermal_resistance_k_per_w
    body_k_per_w = driver.thermal_resistance_k_per_w - coil_k_per_w
    return network(
        coil_k_per_w=coil_k_per_w,
        body_k_per_w=body_k_per_w,
        coil_j_per_k=driver.coil_time_constant_s / coil_k_per_w,
        body_j_per_k=60.0 * driver.magnet_time_constant_min / body_k_per_w,
        alpha=alpha,
    )


def _settled_k(driver: published.MeasuredDriver, cold_power_w: float, *, copper: bool) -> float:
    load = _measured(driver, alpha=coil.alpha_per_k("copper") if copper else 0.0)
    slow_s = 60.0 * driver.magnet_time_constant_min
    return _rise_k(load, cold_power_w, 15.0 * slow_s, driver.coil_time_constant_s / 4.0)


def _klippel() -> CoilNetwork:
    coil_k_per_w, coil_j_per_k = published.KLIPPEL_COIL.value
    body_k_per_w, body_j_per_k = published.KLIPPEL_MAGNET.value
    return network(
        coil_k_per_w=coil_k_per_w, coil_j_per_k=coil_j_per_k, body_k_per_w=body_k_per_w, body_j_per_k=body_j_per_k
    )


def _three_stages_percent(seconds: float) -> float:
    """Three stages that each run as a network of its own on a body that stays cold; their rises add up."""
    stages = published.STEP_STAGES.value
    rises_k = (
        _rise_k(network(coil_k_per_w=r, coil_j_per_k=tau / r, body_j_per_k=FIXED_J_PER_K), 1.0, seconds, 0.1)
        for r, tau in stages
    )
    return 100.0 * sum(rises_k) / sum(r for r, _ in stages)


def _two_stages_percent(seconds: float) -> float:
    """The two-stage network of one driver at constant power."""
    return 100.0 * _rise_k(_klippel(), 1.0, seconds, 0.1) / _rise_k(_klippel(), 1.0, 16_000.0, 1.0)


def _at(quantity: str, record: Any, printed: str | float, unit: str, compute: Any, **fields: Any) -> Check:
    return about(printed, quantity=quantity, record=record, unit=unit, compute=compute, **_subject, **fields)


def _time_constants(record: Any, where: str) -> list[Check]:
    driver = record.value
    names = ("coil", "body")
    printed = (driver.coil_time_constant_s, 60.0 * driver.magnet_time_constant_min)
    tolerances = (0.005 if driver is TWEETER else 0.05, 3.0 if driver is TWEETER else 30.0)
    return [
        _at(
            f"{where}, time constant of the {name}",
            record,
            f"{value:g}",
            "s",
            functools.partial(
                lambda i, mm: thermal.time_constants_s(coil_diameter_mm=mm)[i], i, driver.coil_diameter_mm
            ),
            tolerance=tolerance,
        )
        for i, (name, value, tolerance) in enumerate(zip(names, printed, tolerances, strict=True))
    ]


CHECKS = (
    *_time_constants(published.CHAPMAN_TWEETER, "19 mm tweeter"),
    *_time_constants(published.CHAPMAN_LARGE_DRIVER, "70 mm driver"),
    _at(
        "19 mm tweeter, settled rise at 1 W",
        published.CHAPMAN_TWEETER,
        "62",
        "K",
        functools.partial(_settled_k, TWEETER, 1.0, copper=False),
    ),
    _at(
        "70 mm driver, settled rise at 1 W",
        published.CHAPMAN_LARGE_DRIVER,
        "11.7",
        "K",
        functools.partial(_settled_k, LARGE, 1.0, copper=False),
    ),
    _at(
        "driver A, settled rise at 1 W",
        published.KLIPPEL_COIL,
        "10.0",
        "K",
        lambda: _rise_k(_klippel(), 1.0, 16_000.0, 1.0),
    ),
    *(
        _at(
            f"three stages, share of the final rise after {seconds:g} s",
            published.STEP_RESPONSE,
            percent,
            "%",
            functools.partial(_three_stages_percent, seconds),
        )
        for seconds, percent in published.STEP_RESPONSE.value
    ),
    *(
        _at(
            f"two stages of driver A against those three, after {seconds:g} s",
            published.STEP_RESPONSE,
            percent,
            "%",
            functools.partial(_two_stages_percent, seconds),
            tolerance=3.0,
            why="a third of the 9 % of the printed resistance that lies in the stage the model does not have",
        )
        for seconds, percent in published.STEP_RESPONSE.value
    ),
    *(
        _at(
            f"constant voltage, {resistance:g} K/W, {power_w:g} W cold: settled rise, closed form",
            record,
            text,
            "K",
            functools.partial(coil.constant_voltage_rise_k, power_w, resistance, "copper"),
        )
        for record, resistance, texts in (
            (published.CONSTANT_VOLTAGE_RISE_62, 62.0, ("51.6", "91.3", "181", "290")),
            (published.CONSTANT_VOLTAGE_RISE_11_7, 11.7, ("49.0", "87.2", "148")),
        )
        for (power_w, _), text in zip(record.value, texts, strict=True)
    ),
    *(
        _at(
            f"constant voltage, {driver.thermal_resistance_k_per_w:g} K/W, {power_w:g} W cold: settled rise, simulated",
            record,
            text,
            "K",
            functools.partial(_settled_k, driver, power_w, copper=True),
        )
        for record, driver, power_w, text in (
            (published.CONSTANT_VOLTAGE_RISE_62, TWEETER, 1.0, "51.6"),
            (published.CONSTANT_VOLTAGE_RISE_62, TWEETER, 10.0, "290"),
            (published.CONSTANT_VOLTAGE_RISE_11_7, LARGE, 20.0, "148"),
        )
    ),
    _at(
        "copper, temperature coefficient",
        published.COPPER_ALPHA_PER_K,
        "0.00393",
        "1/K",
        functools.partial(coil.alpha_per_k, "copper"),
    ),
    _at(
        "EC aluminium, temperature coefficient",
        published.ALUMINIUM_ALPHA_PER_K,
        "0.00403",
        "1/K",
        functools.partial(coil.alpha_per_k, "aluminium"),
    ),
    _at(
        "copper from 20 to 200 C, growth of resistance",
        published.COMPRESSION_GROWTH_PERCENT,
        "72",
        "%",
        lambda: 100.0 * (coil.resistance_ratio(200.0, "copper") - 1.0),
        not_met="IEC 60028's coefficient, 0.00393, gives 70.7 %; 72 % asks for 0.0040; the standard is used",
    ),
    _at(
        "copper from 20 to 200 C, loss of level as 20 log",
        published.COMPRESSION_LOSS_DB,
        "4.7",
        "dB",
        lambda: 20.0 * math.log10(coil.resistance_ratio(200.0, "copper")),
        not_met="IEC 60028's coefficient gives 4.647 dB, a hair under what rounds to 4.7; 0.0040 gives 4.71 dB",
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
