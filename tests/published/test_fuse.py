"""Fuses: both curves cross the printed gates, and fast pulses melt by their I2 t."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from auditor import published
from auditor.protection.fuse import GATES, Fuse

from .models import drive, network
from .oracle import Check, about, within

if TYPE_CHECKING:
    from auditor.parts.protective import Body, Characteristic

RATING_A = 2.0
IMPEDANCE_OHM, FUSE_OHM = 8.0, 0.05
PULSE_RATIO = 1000.0  # so far above the gates that all but the feet of a wave melt at constant I2 t
PULSE_STEPS = 2000
_subject = {"subject": "Fuse"}
_EXACT = "rounding in single precision"
_WIDE = "the printed bound; the curve passes between the gates on either side"


def fuse(characteristic: Characteristic, body: Body) -> Fuse:
    """A fuse of 2 A, which every sheet has."""
    return Fuse(part="fuse", rating_a=RATING_A, characteristic=characteristic, body=body, cold_resistance_ohm=FUSE_OHM)


def _volts(ratio: float) -> float:
    return ratio * RATING_A * (IMPEDANCE_OHM + FUSE_OHM)


def _opens_s(settings: Fuse, ratio: float, seconds: float, curve: Literal[0, 1]) -> float:
    """When it opens at a steady current, played for twice as long as it is said to take."""
    run = drive(settings, network(impedance_ohm=IMPEDANCE_OHM), _volts(ratio), 2.0 * seconds, seconds / 500.0)
    opens_s = run.opens_at_s[curve]
    return math.inf if opens_s is None else opens_s


def _wave(name: str, share: np.ndarray) -> np.ndarray:
    """A pulse of peak 1 over its time, 0 to 1; the exponential falls by its time constant in a tenth of it."""
    shapes = {
        "rectangle": np.ones_like(share),
        "half-sine": np.sin(math.pi * share),
        "triangle": 1.0 - share,
        "exponential": np.exp(-10.0 * share),
    }
    return shapes[name]


def _pulse_i2t(name: str) -> float:
    """Damage of a pulse of that shape over the damage of a rectangle of its peak."""
    settings = fuse("F", "glass")
    share = (np.arange(PULSE_STEPS) + 0.5) / PULSE_STEPS
    seconds = 4e-8

    def damage(shape: np.ndarray) -> float:
        source = _volts(PULSE_RATIO) * shape
        run = drive(settings, network(impedance_ohm=IMPEDANCE_OHM), source, seconds, seconds / PULSE_STEPS)
        return run.life_used_ratio

    scale = 10.0 if name == "exponential" else 1.0  # against the time constant, not the length
    return scale * damage(_wave(name, share)) / damage(np.ones_like(share))


def _gate_checks(characteristic: Characteristic, body: Body) -> list[Check]:
    record = GATES[characteristic, body]
    settings = fuse(characteristic, body)
    checks = []
    for ratio, least_s, most_s in record.value.gates:
        for curve, word, printed_s in ((0, "earliest", least_s), (1, "latest", most_s)):
            common = {
                "quantity": f"{characteristic} {body}, {word} at {ratio:g} x rating",
                "record": record,
                "unit": "s",
                **_subject,
            }
            if printed_s is not None:
                compute = functools.partial(_opens_s, settings, ratio, printed_s, curve)
                checks.append(about(printed_s, relative=1e-4, why=_EXACT, compute=compute, **common))
            elif curve == 0 and most_s is not None:  # not later than the latest, where no least time is printed
                compute = functools.partial(_opens_s, settings, ratio, most_s, curve)
                text = f"at most {most_s:g}"
                checks.append(
                    within(1e-6 * most_s, most_s, printed=text, why=_WIDE, faults=(0.0, 1e5), compute=compute, **common)
                )
    return checks


CHECKS = (
    *(check for characteristic, body in GATES for check in _gate_checks(characteristic, body)),
    *(
        about(
            share,
            relative=0.002,
            why="a pulse in 2000 steps, whose feet melt more slowly",
            quantity=f"melting integral of a pulse, {name}",
            record=published.I2T_BY_WAVE,
            unit="of I2 t",
            compute=functools.partial(_pulse_i2t, name),
            **_subject,
        )
        for name, share in published.I2T_BY_WAVE.value
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
