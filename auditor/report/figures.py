"""Every figure's rounding in the terminal report, and text from outside made safe to show.

Figures carry no more digits than the models can know: power two, a temperature whole degrees, a margin tenths of a dB,
rounded to the safe side. A power over its limit has three, so that value, limit and excess agree. What the user typed
into the rig file is repeated as typed.
"""

from __future__ import annotations

import math
import unicodedata
from typing import TYPE_CHECKING

from auditor.protection.contract import OPEN_ATTENUATION_DB
from auditor.units import power_to_db

if TYPE_CHECKING:
    from auditor.audit_types import Passage

_TEMPERATURE_UNITS = ("C", "°C", "degC", "K")
_OF_A_PART = ("A", "V")  # what blows a fuse, and what stands across a tripped part
_UNPRINTABLE = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
MEANINGLESS_C = 500.0  # bonds char and wire lets go far below; the thermal network does not know it
_SLACK_DB = 1e-6  # so that -3.5000000001 is not rounded to -3.6


def watts(power_w: float, *, limit_w: float = math.inf) -> str:
    """A power to two significant digits, or three over its limit: `4.3 W`, `126 W`; next to nothing is `<0.1 W`."""
    if not math.isfinite(power_w):
        return "? W"
    if power_w < 0.1:
        return "0 W" if power_w <= 0.0 else "<0.1 W"
    digits = 3 if power_w > limit_w else 2
    rounded = _significant(power_w, digits)
    # 9.96 rounds up to 10, which has one digit fewer behind the point.
    return f"{rounded:.{max(digits - 1 - math.floor(math.log10(rounded)), 0)}f} W"


def _significant(value: float, digits: int) -> float:
    return round(value, digits - 1 - math.floor(math.log10(value)))


def degrees(temp_c: float, degree: str) -> str:
    """A temperature to whole degrees, `degree` being the sign for them; beyond any coil there is it says only that."""
    return f"{whole(temp_c)} {degree}C" if not temp_c > MEANINGLESS_C else f">{MEANINGLESS_C:.0f} {degree}C"


def whole(value: float) -> str:
    """A whole number, never -0."""
    return f"{round(value) + 0:d}" if math.isfinite(value) else "?"


def millimetres(value: float) -> str:
    """A displacement to two figures, never less than a micrometre."""
    return f"{as_given(_significant(value, 2))} mm" if value >= 0.001 else "<0.001 mm"


def as_given(value: float) -> str:
    """A value from the rig file without trailing zeros."""
    return f"{value:.6g}"


def tenths(value: float) -> str:
    """One decimal, never -0.0."""
    return f"{round(value, 1) + 0.0:.1f}" if math.isfinite(value) else "?"


def safe_side(margin_db: float) -> float:
    """The margin in tenths of a dB, rounded so that following it is never too loud."""
    return math.floor((margin_db + _SLACK_DB) * 10.0) / 10.0 + 0.0


def signed(gain_db: float) -> str:
    """A margin in tenths of a dB with its sign; nought has none."""
    rounded = safe_side(gain_db)
    return f"{rounded:+.1f} dB" if rounded else "0.0 dB"


def clock(time_s: float, *, decimals: int = 0, up: bool = False) -> str:
    """Minutes and seconds, with hours where there are any: `3:07`, `1:02:03`, `0:01.5`.

    Rounded down, as every clock shows it, or up where something ends.
    """
    scale = 10**decimals
    exact = max(time_s, 0.0) * scale
    ticks = math.ceil(exact - 1e-6) if up else math.floor(exact + 1e-6)
    seconds, fraction = divmod(ticks, scale)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    text = f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
    return f"{text}.{fraction:0{decimals}d}" if decimals else text


def length(duration_s: float) -> str:
    """How long something lasts, to the nearest second: `3:07`; under ten seconds with tenths: `0.3 s`."""
    if round(duration_s, 1) >= 10.0:
        return clock(math.floor(duration_s + 0.5))
    return f"{duration_s:.1f} s" if duration_s >= 0.05 or duration_s <= 0.0 else "<0.1 s"


def about(duration_s: float) -> str:
    """A sum of short times, which gaps and frames make uncertain: whole seconds from one second on."""
    return f"{duration_s:.0f} s" if 0.95 <= duration_s < 9.5 else length(duration_s)


def safe(text: str, unknown: str) -> str:
    """Text from outside with every control, direction and unassigned character replaced, on one line."""
    return "".join(unknown if unicodedata.category(each) in _UNPRINTABLE else each for each in text)


def quantity(value: float, unit: str, degree: str, *, limit: float = math.inf) -> str:
    """A passage's value, rounded as its unit deserves."""
    if unit == "W":
        return watts(value, limit_w=limit)
    if unit in _TEMPERATURE_UNITS:
        return degrees(value, degree) if unit != "K" else f"{whole(value)} K"
    if unit == "life":
        return f"{whole(value * 100.0)} % life"
    if unit == "mm":
        return millimetres(value)
    if unit in _OF_A_PART:
        return f"{as_given(_significant(value, 3))} {unit}"
    if unit == "dB" and value >= OPEN_ATTENUATION_DB:
        return "open"
    return f"{tenths(value)} {unit}"


def limit(value: float, unit: str, degree: str) -> str:
    """A passage's limit, as given."""
    if unit == "life":
        return f"{as_given(value * 100.0)} % life"
    return f"{as_given(value)} {f'{degree}C' if unit in _TEMPERATURE_UNITS and unit != 'K' else unit}"


def excess(passage: Passage) -> str:
    """By how much a passage is over: a ratio of powers in dB, a temperature in K; empty for mere engagement."""
    if passage.unit == "V":
        return _by(_significant(passage.value, 3) - passage.limit, decimals=1, unit="V")
    if passage.cause == "protection_failed":
        return "blown" if passage.unit == "A" else "failed"
    if passage.verdict != "risk" or not math.isfinite(passage.value):
        return ""
    if passage.unit == "W" and passage.limit > 0.0:
        # Of the value as it is shown, so that a reader who works it out finds the same.
        return _by(power_to_db(_significant(passage.value, 3) / passage.limit), decimals=1, unit="dB")
    if passage.unit == "mm":
        return _by(2.0 * power_to_db(_significant(passage.value, 2) / passage.limit), decimals=1, unit="dB")
    if passage.unit in _TEMPERATURE_UNITS:
        more = ">" if passage.value > MEANINGLESS_C else ""
        return more + _by(min(passage.value, MEANINGLESS_C) - passage.limit, decimals=0, unit="K")
    return ""


def _by(over: float, *, decimals: int, unit: str) -> str:
    # A passage is flagged because it is over: "by 0" would contradict it.
    text = f"{over:.{decimals}f}"
    return f"{text} {unit}" if float(text) > 0.0 else f"<{10.0**-decimals:g} {unit}"
