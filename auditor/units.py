"""Conversions between the units the trade speaks and SI. Nothing here knows about audio."""

from __future__ import annotations

import math

ZERO_CELSIUS_K = 273.15
SILENCE_DB = -200.0


def db_to_amplitude(gain_db: float) -> float:
    """Ratio of voltages for a gain [dB]."""
    return float(10.0 ** (gain_db / 20.0))


def amplitude_to_db(ratio: float) -> float:
    """Gain [dB] for a ratio of voltages; `SILENCE_DB` for nought or less."""
    return max(20.0 * math.log10(ratio), SILENCE_DB) if ratio > 0.0 else SILENCE_DB


def power_to_db(ratio: float) -> float:
    """Gain [dB] for a ratio of powers; `SILENCE_DB` for nought or less."""
    return max(10.0 * math.log10(ratio), SILENCE_DB) if ratio > 0.0 else SILENCE_DB


def celsius_to_kelvin(temp_c: float) -> float:
    """Absolute temperature [K] of a temperature [C]."""
    return temp_c + ZERO_CELSIUS_K
