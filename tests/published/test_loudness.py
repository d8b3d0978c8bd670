"""Loudness and true peak: the compliance signals of EBU Tech 3341 and the weighting of ITU-R BS.1770."""

from __future__ import annotations

import functools
import math

import numpy as np

from auditor import published
from auditor.programme.loudness import Loudness, measure

from .oracle import Check, about

RATE_HZ = 48_000
EBU = published.EBU_LOUDNESS_TOLERANCE_LU.value
BELOW_DB, ABOVE_DB = published.EBU_TRUE_PEAK_TOLERANCE_DB.value
_loud = {"subject": "Loudness", "unit": "LUFS", "scale": "db"}
_as_printed = {"tolerance": EBU, "why": "as EBU Tech 3341 allows"}


def _tone(seconds: float, frequency_hz: float, peak_dbfs: float) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return 10.0 ** (peak_dbfs / 20.0) * np.sin(2.0 * np.pi * frequency_hz * time_s)


def _lufs(loudness: Loudness) -> float:
    assert loudness.integrated_lufs is not None
    return loudness.integrated_lufs


def _stereo_case(segments: tuple[tuple[float, float], ...]) -> float:
    tone = np.concatenate([_tone(seconds, 1000.0, peak_dbfs) for seconds, peak_dbfs in segments])
    return _lufs(measure(np.stack([tone, tone], axis=1), RATE_HZ))


def _surround_case() -> float:
    peaks_dbfs, _ = published.EBU_SURROUND_CASE.value
    return _lufs(measure(np.stack([_tone(20.0, 1000.0, peak) for peak in peaks_dbfs], axis=1), RATE_HZ))


def _one_channel(frequency_hz: float) -> float:
    return _lufs(measure(_tone(10.0, frequency_hz, 0.0)[:, None], RATE_HZ))


def _weighted_lufs(frequency_hz: float) -> float:
    """A full-scale sine through the printed coefficients, evaluated at its frequency."""
    z = np.exp(2j * np.pi * frequency_hz / RATE_HZ)
    gain = 1.0
    for b, a in (published.BS1770_STAGE_1.value, published.BS1770_STAGE_2.value):
        gain *= abs(np.polyval(b, z) / np.polyval(a, z))
    return published.BS1770_OFFSET_LUFS.value + 10.0 * math.log10(0.5 * gain**2)


def _true_peak(per_period: int, amplitude: float, phase_degree: float) -> float:
    turns = np.arange(RATE_HZ) / per_period
    tone = amplitude * np.sin(2.0 * np.pi * turns + math.radians(phase_degree))
    # Faded in and out, so that the peak is the tone's own and not that of its sudden start.
    fade = np.minimum(1.0, np.minimum(np.arange(RATE_HZ), np.arange(RATE_HZ)[::-1]) / 1000.0)
    loudness = measure(np.stack([tone * fade] * 2, axis=1), RATE_HZ)
    assert loudness.true_peak_dbtp is not None
    return loudness.true_peak_dbtp


def _peak_check(case: int, per_period: int, amplitude: float, phase: float, printed: float) -> Check:
    return Check(
        subject="True peak",
        quantity=f"EBU Tech 3341 case {case}",
        record=published.EBU_TRUE_PEAK_CASES,
        printed=f"{printed:.1f}",
        nominal=printed,
        low=printed + BELOW_DB,
        high=printed + ABOVE_DB,
        unit="dBTP",
        why="as EBU Tech 3341 allows, +0.2 and -0.4 dB",
        scale="db",
        compute=functools.partial(_true_peak, per_period, amplitude, phase),
    )


CHECKS = (
    *(
        about(
            lufs,
            quantity=f"EBU Tech 3341 case {case}",
            record=published.EBU_LOUDNESS_CASES,
            compute=functools.partial(_stereo_case, segments),
            **_as_printed,
            **_loud,
        )
        for case, segments, lufs in published.EBU_LOUDNESS_CASES.value
    ),
    about(
        published.EBU_SURROUND_CASE.value[1],
        quantity="EBU Tech 3341 case 6, five channels",
        record=published.EBU_SURROUND_CASE,
        compute=_surround_case,
        **_as_printed,
        **_loud,
    ),
    about(
        published.BS1770_FULL_SCALE_TONE_LUFS.value,
        quantity="997 Hz at 0 dBFS in one channel",
        record=published.BS1770_FULL_SCALE_TONE_LUFS,
        compute=functools.partial(_one_channel, 997.0),
        **_loud,
    ),
    *(
        about(
            f"{_weighted_lufs(frequency_hz):.3f}",
            quantity=f"{frequency_hz} Hz at 0 dBFS in one channel, by the printed filter coefficients",
            record=published.BS1770_STAGE_1,
            compute=functools.partial(_one_channel, frequency_hz),
            tolerance=EBU / 10.0,
            why="a tenth of what EBU Tech 3341 allows",
            **_loud,
        )
        for frequency_hz in (40, 100, 500, 2000, 4000, 10000)
    ),
    *(_peak_check(*case) for case in published.EBU_TRUE_PEAK_CASES.value),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
