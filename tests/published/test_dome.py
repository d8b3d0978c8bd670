"""How far a dome moves: against the closed box's displacement function."""

from __future__ import annotations

import functools

import numpy as np

from auditor import published
from auditor.driver.motion import Dome, implied_electrical_q

from .oracle import Check, about

_subject = {"subject": "Dome, displacement"}
_HZ, _MASS_G, _BL, _OHM, _Q = published.ELECTRICAL_Q.value


def _ratio(total_q: float, over_resonance: float) -> float:
    dome = Dome(resonance_hz=_HZ, total_q=total_q, moving_mass_g=_MASS_G, force_factor_t_m=_BL, dc_resistance_ohm=_OHM)
    low, there = np.abs(dome.displacement_mm_per_v(np.array([1e-3, over_resonance * _HZ])))
    return float(there / low)


CHECKS = (
    *(
        about(
            f"{printed:.4g}" if printed < 0.1 else f"{printed:.4f}",
            quantity=f"total Q {total_q:g}, at {over_resonance:g} times the resonance, over that at the lowest tones",
            record=published.DISPLACEMENT_RATIOS,
            unit="ratio",
            compute=functools.partial(_ratio, total_q, over_resonance),
            **_subject,
        )
        for total_q, over_resonance, printed in published.DISPLACEMENT_RATIOS.value
    ),
    about(
        f"{_Q:.3f}",
        quantity=f"electrical Q of {_MASS_G:g} g and {_BL:g} T m on {_OHM:g} ohm at {_HZ:g} Hz",
        record=published.ELECTRICAL_Q,
        unit="Q",
        compute=functools.partial(
            implied_electrical_q,
            resonance_hz=_HZ,
            moving_mass_g=_MASS_G,
            force_factor_t_m=_BL,
            dc_resistance_ohm=_OHM,
        ),
        **_subject,
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
