"""Crossover alignments: the high-pass's level at printed frequencies."""

from __future__ import annotations

import functools

import numpy as np

from auditor import published
from auditor.chain.crossover import response

from .models import crossover
from .oracle import Check, about

CORNER_HZ = 2000.0


def _level_db(alignment: str, order: int, ratio: float) -> float:
    voltage_ratio = response(crossover(alignment, order, CORNER_HZ), np.array([ratio * CORNER_HZ]))
    return float(20.0 * np.log10(np.abs(voltage_ratio[0])))


CHECKS = tuple(
    about(
        printed,
        subject="Crossover response",
        quantity=f"{alignment} order {order}, level at {ratio:g} of the corner",
        record=published.HIGH_PASS_DB,
        unit="dB",
        scale="db",
        compute=functools.partial(_level_db, alignment, order, ratio),
    )
    for alignment, order, row in published.HIGH_PASS_DB.value
    for ratio, printed in zip(published.HIGH_PASS_AT.value, row, strict=True)
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
