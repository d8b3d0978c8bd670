"""The limiter: worked thresholds, its static curve, and how long it takes."""

from __future__ import annotations

import functools
import math

import numpy as np

from auditor import published
from auditor.chain.limiter import LimiterChannel, limiter_threshold_dbu
from auditor.rig import Limiter

from .models import rig
from .oracle import Check, about

_subject = {"subject": "Limiter"}
RATE_HZ = 48_000
THRESHOLD_V = 10.0
LONG_AGO_S = 4.0


def settings(detector: str = "peak", **changes: float | None) -> Limiter:
    """A limiter on its own, at 10 V rms."""
    keys = {"attack_s": 0.005, "hold_s": 0.0, "release_s": 0.1, "ratio": None, "averaging_s": 0.0} | changes
    if detector == "rms" and not keys["averaging_s"]:
        keys["averaging_s"] = 0.02
    return Limiter(  # type: ignore[arg-type]
        detector=detector,  # type: ignore[arg-type]
        threshold_dbu=limiter_threshold_dbu(THRESHOLD_V**2, 1.0, 32.0),
        threshold_v=THRESHOLD_V,
        band="full",
        **keys,
    )


def sine(over_db: float, seconds: float, frequency_hz: float = 1000.0) -> np.ndarray:
    """A sine by its level over the threshold."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    peak_v = THRESHOLD_V * math.sqrt(2.0) * 10.0 ** (over_db / 20.0)
    return (peak_v * np.sin(2.0 * np.pi * frequency_hz * t)).astype(np.float32)


def square(over_db: float, seconds: float) -> np.ndarray:
    """As large a magnitude at every sample as that sine has at its crests; alternating in sign."""
    signs = 1 - 2 * (np.arange(round(seconds * RATE_HZ)) % 2)
    return (THRESHOLD_V * math.sqrt(2.0) * 10.0 ** (over_db / 20.0) * signs).astype(np.float32)


def _static_db(detector: str, over_db: float, ratio: float) -> float:
    """Level of what comes out over the threshold, for a sine."""
    keys = {"hold_s": 0.002} if detector == "peak" else {}
    limited = LimiterChannel(settings(detector, ratio=ratio, **keys), RATE_HZ).push(sine(over_db, LONG_AGO_S))
    end_v = math.sqrt(float(np.mean(limited[-RATE_HZ // 2 :].astype(float) ** 2)))
    return 20.0 * math.log10(end_v / THRESHOLD_V)


def _reduction_db(wave: np.ndarray, detector: str, **keys: float) -> np.ndarray:
    limited = LimiterChannel(settings(detector, **keys), RATE_HZ).push(wave)
    return 20.0 * np.log10(np.abs(wave / limited).astype(float))


def _time_s(step: str, set_s: float) -> float:
    """Time from a step until 63.2 % of the way to the new gain reduction is gone."""
    share = published.LIMITER_STEP_PERCENT.value / 100.0
    if step == "attack":
        reduction_db = _reduction_db(square(12.0, 8.0 * set_s), "peak", attack_s=set_s, release_s=10.0 * set_s)
        return float(np.argmax(reduction_db >= share * 12.0)) / RATE_HZ
    loud, quiet = square(12.0, 0.2), square(-20.0, 8.0 * set_s)
    reduction_db = _reduction_db(np.concatenate([loud, quiet]), "peak", attack_s=0.001, release_s=set_s)
    return float(np.argmax(reduction_db[len(loud) :] <= (1.0 - share) * 12.0)) / RATE_HZ


CHECKS = (
    *(
        about(
            f"{printed:.2f}",
            quantity=f"threshold for {power_w:g} W into {load_ohm:g} ohm behind {gain_db:g} dB",
            record=published.LIMITER_THRESHOLDS_DBU,
            unit="dBu",
            scale="db",
            compute=functools.partial(limiter_threshold_dbu, power_w, load_ohm, gain_db),
            **_subject,
        )
        for power_w, load_ohm, gain_db, printed in published.LIMITER_THRESHOLDS_DBU.value
    ),
    *(
        about(
            printed,
            quantity=f"{detector}, ratio {ratio:g}, sine {over_db:g} dB over the threshold",
            record=published.LIMITER_STATIC_CURVE,
            unit="dB over it",
            scale="db",
            tolerance=0.1,
            why="0.1 dB, what the static curve must reach",
            compute=functools.partial(_static_db, detector, over_db, ratio),
            **_subject,
        )
        for detector in ("peak", "rms")
        for over_db, ratio, printed in published.LIMITER_STATIC_CURVE.value
    ),
    *(
        about(
            set_s,
            quantity=f"{step} of {set_s:g} s, time to {published.LIMITER_STEP_PERCENT.value:g} % of the way",
            record=published.LIMITER_STEP_PERCENT,
            unit="s",
            relative=0.05,
            why="5 %, what attack and release must reach",
            compute=functools.partial(_time_s, step, set_s),
            **_subject,
        )
        for step, times in (("attack", (0.002, 0.02, 0.5)), ("release", (0.02, 0.1, 1.0)))
        for set_s in times
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()


def test_a_threshold_in_dbu_is_that_in_volts_less_the_gain() -> None:
    table = {"detector": "rms", "attack_s": 0.01, "release_s": 0.1}
    for power_w, load_ohm, gain_db, printed in published.LIMITER_THRESHOLDS_DBU.value:
        system = rig(limiter=table | {"threshold_v": math.sqrt(power_w * load_ohm)}, amplifier={"gain_db": gain_db})
        assert round(system.limiters[0].threshold_dbu, 2) == printed
        back = rig(limiter=table | {"threshold_dbu": printed}, amplifier={"gain_db": gain_db})
        assert abs(20.0 * math.log10(back.limiters[0].threshold_v / math.sqrt(power_w * load_ohm))) <= 0.005


def test_rms_attack_is_the_set_time_where_averaging_is_short() -> None:
    wave = sine(12.0, 2.0, 5000.0)
    limited = LimiterChannel(settings("rms", attack_s=0.5, release_s=5.0, averaging_s=0.005), RATE_HZ).push(wave)
    crests = np.flatnonzero(np.abs(wave) > 0.5 * np.abs(wave).max())  # between them there is nothing to compare
    reduction_db = 20.0 * np.log10(np.abs(wave[crests] / limited[crests]).astype(float))
    reached_s = crests[np.argmax(reduction_db >= published.LIMITER_STEP_PERCENT.value / 100.0 * 12.0)] / RATE_HZ
    assert abs(reached_s / 0.5 - 1.0) <= 0.05
