"""What the trade knows of a lamp in series with an HF driver. Common practice: there is no source to cite."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING

import numpy as np

from auditor import published
from auditor.protection.none import NoProtection

from .models import drive, lamp, network, part_1156, rig
from .oracle import Check, about, within

if TYPE_CHECKING:
    from auditor.protection.contract import Run

_subject = {"subject": "Facts of the trade"}
DRIVER_OHM = 8.0
FRAME_S = 0.001


def _divided_v(source_v: float, series_ohm: float) -> float:
    """Voltage left to a driver of 8 ohm by a lamp that settles at `series_ohm`."""
    load = network(impedance_ohm=DRIVER_OHM)
    if series_ohm == 0.0:
        return float(drive(NoProtection(), load, source_v, 1.0, FRAME_S).driver_voltage_rms_v[-1])
    current_a = source_v / (DRIVER_OHM + series_ohm)
    settings = lamp(series_ohm * current_a, current_a, temp_k=2500.0, gas_loss=0.1)
    return float(drive(settings, load, source_v, 20.0, FRAME_S).driver_voltage_rms_v[-1])


def _driver_power_w(rated_w: float, times: float) -> float:
    """Settled power of a driver behind a 1156, on a source that would put `times` its rating into it."""
    return _driver_power_behind_lamp_w(rated_w, math.sqrt(times * rated_w * DRIVER_OHM))


def _driver_power_behind_lamp_w(rated_w: float, source_v: float) -> float:
    from auditor.simulation import simulate

    system = rig(protection={"kind": "lamp", "part": "1156"}, driver={"continuous_power_w": rated_w})
    source = np.full(round(10.0 / FRAME_S), source_v, dtype=np.float32)
    voltage_v = simulate(source, FRAME_S, system).driver_voltage_rms_v
    return float(voltage_v[-1]) ** 2 / DRIVER_OHM


@functools.cache
def _behind_1156(seconds: float) -> Run:
    """A driver of 60 W on a step to twice its rating."""
    return drive(part_1156(), network(impedance_ohm=DRIVER_OHM), math.sqrt(2.0 * 60.0 * DRIVER_OHM), seconds, FRAME_S)


def _loss_share_percent(seconds: float) -> float:
    """Loss that the lamp has built up after so long, over the loss it settles at."""
    return float(100.0 * _behind_1156(seconds).attenuation_db[-1] / _behind_1156(20.0).attenuation_db[-1])


def _passed_percent() -> float:
    """Energy of a 5 ms burst that reaches the driver, over that with the lamp held cold."""
    run = _behind_1156(0.005)
    cold_v = 10.0 ** (run.attenuation_db.astype(float) / 20.0) * run.driver_voltage_rms_v
    return float(100.0 * np.sum(run.driver_voltage_rms_v.astype(float) ** 2) / np.sum(cold_v**2))


CHECKS = (
    *(
        about(
            text,
            quantity=f"{source_v:g} V across an 8 ohm driver and a lamp of {series_ohm:g} ohm, driver's share",
            record=published.SERIES_DIVIDER,
            unit="V",
            tolerance=0.05 if driver_v > 1.0 else None,
            compute=functools.partial(_divided_v, source_v, series_ohm),
            **_subject,
        )
        for (source_v, series_ohm, driver_v), text in zip(
            published.SERIES_DIVIDER.value, ("5.0", "10.0", "0.91"), strict=True
        )
    ),
    *(
        within(
            1.0,
            rated_w,
            printed=f"at most {rated_w:g}",
            quantity=f"1156 and an 8 ohm driver of {rated_w:g} W on a source of twice that, settled driver power",
            record=published.LAMP_1156_SUITS_W,
            unit="W",
            why="at or under the rating, and not muted: at least 1 W",
            faults=(0.0, 2.0),
            compute=functools.partial(_driver_power_w, rated_w, 2.0),
            **_subject,
        )
        for rated_w in (50.0, 60.0, 80.0)
    ),
    within(
        90.0,
        100.0,
        printed="most of it",
        quantity="1156, loss one second after a step to twice a 60 W rating, over the settled loss",
        record=published.LAMP_ANSWERS_AVERAGE,
        unit="%",
        why="the lamp answers the average: our reading, nine tenths within a second",
        faults=(0.0, 0.8, 1.2),
        compute=functools.partial(_loss_share_percent, 1.0),
        **_subject,
    ),
    within(
        95.0,
        100.0,
        printed="nearly all",
        quantity="1156, energy of a 5 ms burst at twice a 60 W rating that passes, against a lamp that stays cold",
        record=published.LAMP_ANSWERS_AVERAGE,
        unit="%",
        why="the lamp is too slow for a quick transient: our reading, at most a twentieth is lost",
        compute=_passed_percent,
        **_subject,
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
