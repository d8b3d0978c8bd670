"""A lamp of 12.8 V 2.1 A in series with 6.5 ohm, against an independent integration of the same circuit.

The table's own row at 500 K, where hardly anything is radiated, shows what it assumed: a tenth of the rated power lost
through gas and leads, and air of 300 K. The rows are compared with those two put in, and the losses with the program's
own assumptions as well.
"""

from __future__ import annotations

import functools
from typing import Any

from auditor import published
from auditor.protection.filament import SteadyPoint, steady

from .models import filament, lamp
from .oracle import Check, about, within

_subject = {"subject": "Series lamp"}
TABLE_GAS_LOSS = 0.10
TABLE_AMBIENT_K = 300.0
# Radiation data differ by 8 to 20 % between sources, which moves the temperature by 3 %, and the rest with it.
TOLERANCES = {"temp_k": 0.03, "lamp_voltage_v": 0.04, "current_a": 0.015, "attenuation_db": 0.04}
LABELS = {
    "lamp_voltage_v": ("voltage across the lamp", "V", ("0.43", "1.33", "2.79", "4.24", "6.29", "12.8")),
    "current_a": ("current", "A", ("0.536", "0.708", "0.919", "1.125", "1.393", "2.100")),
    "temp_k": ("filament temperature", "K", ("500", "1000", "1500", "1800", "2100", "2700")),
    "attenuation_db": ("loss against the cold lamp", "dB", ("0.45", "1.65", "2.78", "3.42", "4.03", "5.20")),
}
WHY = "radiation data differ by 8 to 20 % between sources; that moves temperature by 3 %, the rest with it"
ASSUMED_MORE = (
    "the table assumed 10 % of gas and lead losses where the program assumes 12 %: the lamp runs cooler at low level"
)


@functools.cache
def _point(source_v: float, gas_loss: float, ambient_k: float) -> SteadyPoint:
    rated_v, rated_a = published.SERIES_LAMP_RATING.value
    settings = lamp(rated_v, rated_a, temp_k=published.SERIES_LAMP_DESIGN_TEMP_K.value, gas_loss=gas_loss)
    return steady(filament(settings, ambient_k=ambient_k), source_v, published.SERIES_LAMP_LOAD_OHM.value)


def _cold_ohm() -> float:
    rated_v, rated_a = published.SERIES_LAMP_RATING.value
    settings = lamp(rated_v, rated_a, temp_k=published.SERIES_LAMP_DESIGN_TEMP_K.value, gas_loss=TABLE_GAS_LOSS)
    return float(filament(settings, ambient_k=TABLE_AMBIENT_K).resistance_ohm(TABLE_AMBIENT_K))


def _over_law(share: float) -> float:
    """Current of the lamp alone over what the power law gives."""
    rated_v, rated_a = published.SERIES_LAMP_RATING.value
    settings = lamp(rated_v, rated_a, temp_k=published.SERIES_LAMP_DESIGN_TEMP_K.value, gas_loss=TABLE_GAS_LOSS)
    current_a = steady(filament(settings, ambient_k=TABLE_AMBIENT_K), share * rated_v, 0.0).current_a
    return current_a / (rated_a * share**published.LAMP_CURRENT_EXPONENT.value)


def _row_checks(attribute: str) -> list[Check]:
    name, unit, texts = LABELS[attribute]
    return [
        about(
            text,
            quantity=f"source {row[0]:g} V, {name}",
            record=published.SERIES_LAMP_TABLE,
            unit=unit,
            relative=TOLERANCES[attribute],
            why=WHY,
            compute=functools.partial(
                lambda v, a: getattr(_point(v, TABLE_GAS_LOSS, TABLE_AMBIENT_K), a), row[0], attribute
            ),
            **_subject,
        )
        for row, text in zip(published.SERIES_LAMP_TABLE.value, texts, strict=True)
    ]


def _assumed(source_v: float, text: str, not_met: str | None) -> Check:
    gas_loss = published.GAS_LOSS_RATIO_GAS.value
    return about(
        text,
        quantity=f"source {source_v:g} V, loss against the cold lamp, with the gas loss that the program assumes",
        record=published.SERIES_LAMP_TABLE,
        unit="dB",
        relative=TOLERANCES["attenuation_db"],
        why=WHY,
        compute=lambda: _point(source_v, gas_loss, TABLE_AMBIENT_K).attenuation_db,
        not_met=not_met,
        **_subject,
    )


def _law(share: float, **fields: Any) -> Check:
    return about(
        "1.00",
        quantity=f"current at {share:g} of rated voltage over the law V^0.55",
        record=published.LAMP_LAW_TOLERANCE,
        unit="",
        tolerance=published.LAMP_LAW_TOLERANCE.value,
        why="2 %, as the source says",
        compute=functools.partial(_over_law, share),
        **_subject,
        **fields,
    )


CHECKS = (
    about(
        "0.425",
        quantity="cold resistance",
        record=published.SERIES_LAMP_COLD_OHM,
        unit="ohm",
        compute=_cold_ohm,
        **_subject,
    ),
    *(check for attribute in LABELS for check in _row_checks(attribute)),
    *(
        _assumed(row[0], text, ASSUMED_MORE if row[3] <= 1800 else None)
        for row, text in zip(published.SERIES_LAMP_TABLE.value, LABELS["attenuation_db"][2], strict=True)
    ),
    _law(
        0.2,
        not_met="by this model's radiation data the law is 4 % off at a fifth; it holds within 2 % from a quarter up",
    ),
    *(_law(share) for share in (0.25, 0.3, 0.5, 0.7)),
    within(
        1.0 + published.LAMP_LAW_TOLERANCE.value,
        2.0,
        printed="fails",
        quantity="current at 0.05 of rated voltage over the law V^0.55",
        record=published.LAMP_LAW_TOLERANCE,
        unit="",
        why="the source says only that the law fails below a tenth: anything from 2 % to a factor of 2",
        faults=(0.0, 0.5, 2.0),
        compute=functools.partial(_over_law, 0.05),
        **_subject,
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
