"""Tungsten: resistivity, specific heat, emissivity."""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np

from auditor import published
from auditor.protection import tungsten

from .oracle import Check, about

_subject = {"subject": "Tungsten"}


def _microohm_cm(temp_k: float) -> float:
    return float(tungsten.resistivity_ohm_m(temp_k)) * 1e8


def _ratio(temp_k: float) -> float:
    return _microohm_cm(temp_k) / _microohm_cm(300.0)


def _slope() -> float:
    temp_k = np.array([row[0] for row in published.TUNGSTEN_RESISTIVITY.value], dtype=float)
    return float(np.polyfit(np.log(temp_k), np.log(tungsten.resistivity_ohm_m(temp_k)), 1)[0])


def _at(quantity: str, record: Any, value: float | str, unit: str, compute: Any, **fields: Any) -> Check:
    return about(value, quantity=quantity, record=record, unit=unit, compute=compute, **_subject, **fields)


def _modern_ratio(temp_k: float) -> float:
    """The modern fit, evaluated as printed."""
    coefficients = published.TUNGSTEN_RESISTIVITY_MODERN_COEFFICIENTS.value
    here, cold = (math.fsum(c * t**n for n, c in enumerate(coefficients)) for t in (temp_k, 300.0))
    return here / cold


CHECKS = (
    *(
        _at(
            f"resistivity at {temp_k} K",
            published.TUNGSTEN_RESISTIVITY,
            value,
            "microohm cm",
            functools.partial(_microohm_cm, temp_k),
            tolerance=0.05 if temp_k >= 3300 else 0.005,
        )
        for temp_k, value in published.TUNGSTEN_RESISTIVITY.value
    ),
    *(
        _at(
            f"resistivity at {temp_k} K over that at 300 K",
            published.TUNGSTEN_RESISTIVITY_RATIOS,
            value,
            "",
            functools.partial(_ratio, temp_k),
        )
        for temp_k, value in published.TUNGSTEN_RESISTIVITY_RATIOS.value
    ),
    _at(
        "slope of log resistivity over log temperature",
        published.TUNGSTEN_RESISTIVITY_EXPONENT,
        "1.20",
        "",
        _slope,
        tolerance=0.01,
        why="a unit of the last digit: the slope depends on how the table's rows are weighted",
    ),
    *(
        _at(
            f"resistivity at {temp_k} K over that at 300 K, modern fit",
            published.TUNGSTEN_RESISTIVITY_MODERN_COEFFICIENTS,
            f"{_modern_ratio(temp_k):.2f}",
            "",
            functools.partial(_ratio, temp_k),
            relative=published.TUNGSTEN_RESISTIVITY_SPREAD.value,
            faults=(0.0, 1.2),
            why="the spread of 6 % that stands between the fit and the table of 1925, which the program uses",
        )
        for temp_k in (600, 1000, 2000, 3000)
    ),
    *(
        _at(
            f"specific heat at {temp_k} K",
            published.TUNGSTEN_SPECIFIC_HEAT,
            value,
            "J/(kg K)",
            functools.partial(lambda t: float(tungsten.specific_heat_j_per_kg_k(t)), temp_k),
        )
        for temp_k, value in published.TUNGSTEN_SPECIFIC_HEAT.value
    ),
    *(
        _at(
            f"total emissivity at {temp_k} K",
            published.TUNGSTEN_EMISSIVITY,
            f"{value:.3f}",
            "",
            functools.partial(lambda t: float(tungsten.emissivity(t)), temp_k),
        )
        for temp_k, value in published.TUNGSTEN_EMISSIVITY.value
    ),
    *(
        _at(
            f"total emissivity at {temp_k} K, column of 1925",
            published.TUNGSTEN_EMISSIVITY_1925,
            f"{value:.3f}",
            "",
            functools.partial(lambda t: float(tungsten.emissivity(t)), temp_k),
            relative=published.TUNGSTEN_EMISSIVITY_SPREAD.value[-1][1],
            faults=(0.0, 1.2),
            why="the smaller of the two spreads between the sources, 8 %",
        )
        for temp_k, value in published.TUNGSTEN_EMISSIVITY_1925.value
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
