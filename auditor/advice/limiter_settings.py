"""A limiter of the search: at a threshold in dBu, in dBu and volts, and as it would be set."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.chain.level import dbu, volts
from auditor.chain.limiter import limiter_threshold_dbu
from auditor.rig import Limiter
from auditor.units import amplitude_to_db

if TYPE_CHECKING:
    from typing import Literal

    from auditor.rig import Rig

# Where the amplifier's gain is not known: any usual one will do for the search, and what is found is told in volts.
_SEARCH_GAIN_DB = 32.0
_SHORTEST_RELEASE_S = 0.001


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One limiter, as it would be set.

    Parameters
    ----------
    threshold_dbu, threshold_v : float
        At the amplifier's input, and at its output as rms of a sine; None for that at the input where the amplifier's
        gain is not known.
    threshold_dbfs : float
        Level of a sine in the file that just reaches it, where no equaliser changes it.
    textbook_dbu, textbook_v : float
        What the rating alone would give: for a sine in the HF band, without regard to the programme.
    needed : bool
        Whether the programme is over a limit that it is for; otherwise it just begins to work on the loudest passage.
    """

    detector: str
    threshold_dbu: float | None
    threshold_v: float
    threshold_dbfs: float
    attack_s: float
    hold_s: float
    release_s: float
    averaging_s: float
    band: str
    textbook_dbu: float | None
    textbook_v: float
    needed: bool


def textbook_dbu(rig: Rig, detector: Literal["rms", "peak"]) -> float:
    """Level at the amplifier's input of a sine far above the corner that just reaches the rating [dBu].

    The rms limiter's is that of the continuous rating; the peak limiter's has its crests at the peak rating.
    """
    driver = rig.driver
    power_w = driver.continuous_power_w if detector == "rms" else driver.peak_power_w / 2.0
    return limiter_threshold_dbu(power_w, driver.branch_v2_per_w, search_gain_db(rig)) + rig.crossover.pad_db


def search_gain_db(rig: Rig) -> float:
    """Gain by which thresholds in dBu are searched [dB]: the amplifier's, where it is known."""
    gain_db = rig.amplifier.whole_gain_db
    return _SEARCH_GAIN_DB if gain_db is None else gain_db


def level_dbu(limiter: Limiter, rig: Rig) -> float:
    """A limiter's threshold as the search has it [dBu]."""
    return dbu(limiter.threshold_v) - search_gain_db(rig) if limiter.threshold_dbu is None else limiter.threshold_dbu


def level_text(threshold_dbu: float, rig: Rig, *, decimals: int = 1) -> str:
    """A threshold as it is set: in dBu, or where the amplifier's gain is not known in volts behind it."""
    if rig.amplifier.gain_db is None:
        return f"{volts(threshold_dbu + search_gain_db(rig)):.3g} V"
    return f"{threshold_dbu:.{decimals}f} dBu"


def make_limiter(
    rig: Rig,
    detector: Literal["rms", "peak"],
    threshold_dbu: float,
    *,
    averaging_s: float,
    attack_s: float,
    release_s: float,
    hold_s: float = 0.0,
) -> Limiter:
    """A limiter in front of the amplifier, with times as they would be printed."""
    return Limiter(
        detector=detector,
        threshold_dbu=None if rig.amplifier.gain_db is None else threshold_dbu,
        threshold_v=volts(threshold_dbu + search_gain_db(rig)),
        attack_s=float(f"{attack_s:.2g}"),
        hold_s=hold_s,
        release_s=float(f"{max(release_s, _SHORTEST_RELEASE_S):.2g}"),
        ratio=None,
        averaging_s=averaging_s,
        band=rig.amplifier.band,
    )


def at_threshold(limiter: Limiter, threshold_dbu: float, rig: Rig) -> Limiter:
    """The same limiter at another threshold."""
    told_dbu = None if rig.amplifier.gain_db is None else threshold_dbu
    return replace(limiter, threshold_dbu=told_dbu, threshold_v=volts(threshold_dbu + search_gain_db(rig)))


def setting_of(limiter: Limiter, rig: Rig, *, needed: bool) -> Setting:
    """A limiter of the search as it would be set."""
    textbook = textbook_dbu(rig, limiter.detector)
    return Setting(
        detector=limiter.detector,
        threshold_dbu=limiter.threshold_dbu,
        threshold_v=limiter.threshold_v,
        threshold_dbfs=amplitude_to_db(limiter.threshold_v / rig.full_scale_v),
        attack_s=limiter.attack_s,
        hold_s=limiter.hold_s,
        release_s=limiter.release_s,
        averaging_s=limiter.averaging_s,
        band=limiter.band,
        textbook_dbu=None if rig.amplifier.gain_db is None else textbook,
        textbook_v=volts(textbook + search_gain_db(rig)),
        needed=needed,
    )
