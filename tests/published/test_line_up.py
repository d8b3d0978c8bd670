"""Line-up: what a full-scale sine is in volts at the amplifier's output; gain and power at the edge of clipping."""

from __future__ import annotations

import functools
import math

from auditor import published
from auditor.chain import level
from auditor.units import amplitude_to_db

from .models import rig
from .oracle import Check, about

_subject = {"subject": "Line-up"}


def _full_scale_v(full_scale_dbu: float, gain_db: float) -> float:
    system = rig(level={"full_scale_dbu": full_scale_dbu}, amplifier={"gain_db": gain_db})
    return level.volts_per_unit(system) / math.sqrt(2.0)


def _edge_percent(crest_db: float) -> float:
    """Mean power of a signal of that crest factor whose peaks touch the rails, over the rated power."""
    amplifier = rig().amplifier
    rms_v = amplifier.rail_v / 10.0 ** (crest_db / 20.0)
    return 100.0 * rms_v**2 / amplifier.rated_load_ohm / amplifier.rated_power_w


CHECKS = (
    *(
        about(
            volts,
            quantity=f"full-scale sine, {dbu:g} dBu at 0 dBFS and {gain_db:g} dB of gain",
            record=published.LINE_UP_VOLTS,
            unit="V rms",
            compute=functools.partial(_full_scale_v, dbu, gain_db),
            **_subject,
        )
        for dbu, gain_db, volts in published.LINE_UP_VOLTS.value
    ),
    *(
        about(
            gain_db,
            quantity=f"gain of a factor of {factor:g}",
            record=published.GAIN_FACTORS_DB,
            unit="dB",
            scale="db",
            compute=functools.partial(amplitude_to_db, factor),
            **_subject,
        )
        for factor, gain_db in published.GAIN_FACTORS_DB.value
    ),
    *(
        about(
            printed,
            quantity=f"mean power at the edge of clipping, crest factor {crest_db:g} dB",
            record=published.EDGE_OF_CLIPPING_PERCENT,
            unit="% of rated",
            compute=functools.partial(_edge_percent, crest_db),
            **_subject,
        )
        for crest_db, printed in published.EDGE_OF_CLIPPING_PERCENT.value
    ),
)


def test_meets_the_published_value(check: Check) -> None:
    check.verify()


def test_a_wrong_model_would_be_caught(check: Check) -> None:
    check.verify_power()
