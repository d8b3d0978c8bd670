"""The same programme through every way of protecting the driver, each with a part that suits the rig.

The part that the rig file names stands for its kind; the others are chosen by the driver's ratings, as a technician
would for a first try: see `suitable`. A limiter is no part, so it is tried by playing the files again through the
settings that `limiter_choice` finds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.advice import fuse_choice, limiter_choice
from auditor.advice.lamp_banks import of_part
from auditor.advice.lamp_choice import find as find_lamp
from auditor.advice.limiter_settings import level_dbu, level_text
from auditor.advice.trial import Outcome, put_through
from auditor.advice.worst_case import worst_case_v
from auditor.audit_types import SEVERITY, Cause
from auditor.chain.divider import is_per_frequency, steady_division
from auditor.parts.protective import breakers, fuses
from auditor.parts.resettables import resettables
from auditor.protection import of_keys
from auditor.protection.breaker import Breaker
from auditor.protection.fuse import Fuse
from auditor.protection.none import NoProtection
from auditor.protection.relay import Relay

if TYPE_CHECKING:
    from auditor.advice.material import Material, Progress
    from auditor.programme.entry import Source
    from auditor.protection import Settings
    from auditor.rig import Rig
    from auditor.store.store import Store

QUICK: tuple[Cause, ...] = ("driver_power_peak", "driver_power_1s")
SUSTAINED: tuple[Cause, ...] = ("driver_power_60s", "coil_temp")


@dataclass(frozen=True, kw_only=True)
class Method:
    """One way of protecting, tried.

    Parameters
    ----------
    kind : str
        A key of `auditor.protection.METHODS`, or ``"limiter"``.
    part : str or None
        What was tried, in words.
    is_fitted : bool
        Whether it is what the rig file names.
    outcome : Outcome
    """

    kind: str
    part: str | None
    is_fitted: bool
    outcome: Outcome

    @property
    def quick(self) -> tuple[Cause, ...]:
        """Limits passed by a quick transient."""
        return self._passed(QUICK)

    @property
    def sustained(self) -> tuple[Cause, ...]:
        """Limits passed by sustained level."""
        return self._passed(SUSTAINED)

    @property
    def driver_survives(self) -> bool:
        """Whether no limit of the driver is passed, whatever becomes of the part."""
        return not self.quick and not self.sustained

    def _passed(self, causes: Sequence[Cause]) -> tuple[Cause, ...]:
        return tuple(cause for cause in causes if self.outcome.excesses_db[cause] > 0.0)


@dataclass(frozen=True, kw_only=True)
class Overview:
    """Every method that was tried, in a fixed order."""

    rig: Rig
    methods: tuple[Method, ...]

    @property
    def any_clears(self) -> bool:
        """Whether there is one with nothing at risk."""
        return any(SEVERITY[each.outcome.verdict] < SEVERITY["risk"] for each in self.methods)


def compare(material: Material, *, limited: Material | None = None) -> Overview:
    """Put the material through every method.

    Parameters
    ----------
    material : Material
        Without a limiter; must hold at least one track.
    limited : Material, optional
        The same files behind a limiter.
    """
    rig = material.rig
    methods = []
    for kind, choose in _CHOICES.items():
        is_fitted = rig.protection.kind == kind
        settings = rig.protection if is_fitted else choose(material)
        outcome = put_through(material, replace(rig, protection=settings))
        methods.append(Method(kind=kind, part=in_words(settings), is_fitted=is_fitted, outcome=outcome))
    if limited is not None:
        outcome = put_through(limited, replace(limited.rig, protection=NoProtection()))
        part = ", ".join(
            f"{each.detector} {level_text(level_dbu(each, limited.rig), limited.rig)}" for each in limited.rig.limiters
        )
        methods.append(Method(kind="limiter", part=part, is_fitted=False, outcome=outcome))
    return Overview(rig=rig, methods=tuple(methods))


def limited_rig(
    files: Sequence[Source],
    rig: Rig,
    *,
    progress: Callable[[int], Progress] | None = None,
    tell: Callable[[str], None] | None = None,
    store: Store | None = None,
) -> Rig | None:
    """The rig with a limiter and nothing else: its own, or what `limiter_choice` finds; None where no file is read."""
    bare = replace(rig, protection=NoProtection())
    if rig.limiters:
        return bare
    found = limiter_choice.find(files, bare, progress=progress, tell=tell, with_margin=False, store=store)
    return None if isinstance(found, limiter_choice.NoChoice) else replace(bare, limiters=found.limiters)


def document(overview: Overview) -> dict[str, Any]:
    """The overview as plain values."""
    return {
        "protections": [
            {
                "kind": method.kind,
                "part": method.part,
                "fitted": method.is_fitted,
                "verdict": method.outcome.verdict,
                "driver_survives": method.driver_survives,
                "failed_on_quick": list(method.quick),
                "failed_on_sustained": list(method.sustained),
                "coil_temp_max_c": method.outcome.coil_temp_max_c,
                "driver_power_max_1s_w": method.outcome.driver_power_max_1s_w,
                "driver_power_max_60s_w": method.outcome.driver_power_max_60s_w,
                "attenuation_max_db": method.outcome.attenuation_max_db,
                "attenuation_median_db": method.outcome.attenuation_median_db,
                "muted_s": method.outcome.muted_s,
                "failed_at_s": method.outcome.failed_at_s,
                "trips": method.outcome.trips,
                "chatter": method.outcome.chatter,
                "replace": list(method.outcome.replace),
                "advice": RIGHT_WHEN[method.kind],
            }
            for method in overview.methods
        ]
    }


# When each is the right choice; common practice, no source.
RIGHT_WHEN = {
    "none": "Right only where the amplifier cannot bring the driver to its ratings.",
    "lamp": (
        "Right where the music must go on: it dulls what is too much for seconds on end and resets by itself, but "
        "lets the first tenth of a second through."
    ),
    "fuse": (
        "Right against a fault that somebody must look into, not against loud music: it is cheap and final, and its "
        "time is uncertain forty to one."
    ),
    "breaker": (
        "Right where somebody is at hand to reset it and a slow overload is the danger: it can be used again, and is "
        "as uncertain in time as a fuse."
    ),
    "resettable": (
        "Right where nobody can get at the box: it comes back by itself once the level is gone; slow, earlier in a hot "
        "box, and made for a limited voltage."
    ),
    "relay": (
        "Right where a quick overload is the danger and a muted moment is better than a burnt driver: it answers in "
        "milliseconds at a level you set, all or nothing."
    ),
    "limiter": (
        "Right where the processor is yours and locked: nothing in the box, no HF lost but what is too much; it "
        "protects only as long as nobody changes it and all signal goes through it."
    ),
}


def in_words(settings: Settings) -> str | None:
    """What is tried, as it is ordered or set."""
    if isinstance(settings, Relay):
        return f"opens at {settings.threshold_v:.3g} V, holds {settings.hold_s:g} s"
    if isinstance(settings, Fuse):
        return f"{settings.characteristic} {settings.rating_a:g} A, {settings.body}"
    if isinstance(settings, Breaker):
        return f"{settings.part}, reset by {'hand' if settings.reset == 'hand' else 'itself'}"
    series, parallel = getattr(settings, "series_count", 1), getattr(settings, "parallel_count", 1)
    bank = "" if series * parallel == 1 else f", {series} in series by {parallel}"
    return None if settings.part is None else f"{settings.part}{bank}"


def _continuous_a(rig: Rig) -> float:
    """Current of the HF branch at the continuous rating [A]; that of noise, where impedance goes with frequency."""
    driver = rig.driver
    rated_v = math.sqrt(driver.continuous_power_w * driver.branch_v2_per_w)
    if not is_per_frequency(rig):
        return rated_v / driver.branch_impedance_ohm
    nothing = np.zeros(1)
    current_a, _ = steady_division(rig).divide(np.array([rated_v]), nothing, nothing)
    return float(current_a[0])


def _lamp(material: Material) -> Settings:
    best = find_lamp(material).candidates[0]
    return replace(of_part(best.part), series_count=best.series_count, parallel_count=best.parallel_count)


def _fuse(material: Material) -> Settings:
    """The one that does both, or else the largest quick one that the continuous current would not open."""
    best = fuse_choice.find(material).best
    known = [part for part in fuses() if (part.characteristic, part.body) == ("F", "glass")]
    part = max(
        (part for part in known if part.rating_a <= _continuous_a(material.rig)),
        key=lambda part: part.rating_a,
        default=known[0],
    )
    chosen = part if best is None else best
    return of_keys("fuse", rating_a=chosen.rating_a, characteristic=chosen.characteristic, body=chosen.body)


def _breaker(material: Material) -> Settings:
    """The largest that is rated no more than the continuous current."""
    known = breakers()
    part = max(
        (part for part in known if part.rating_a <= _continuous_a(material.rig)),
        key=lambda part: part.rating_a,
        default=known[0],
    )
    return of_keys("breaker", rating_a=part.rating_a, reset="hand")


def _resettable(material: Material) -> Settings:
    """The largest that the continuous current would trip in the end, of those that stand the voltage if any does."""
    known = resettables()
    continuous_a = _continuous_a(material.rig)
    strong = [part for part in known if part.max_voltage_v >= worst_case_v(material.rig)] or list(known)
    part = max(
        (part for part in strong if part.trip_a <= continuous_a), key=lambda part: part.hold_a, default=strong[0]
    )
    return of_keys("resettable", hold_a=part.hold_a)


def _relay(material: Material) -> Settings:
    """Opens at the programme rating: a sine of it just reaches the usual peak rating."""
    driver = material.rig.driver
    return of_keys("relay", threshold_v=math.sqrt(driver.program_power_w * driver.branch_v2_per_w))


_CHOICES: dict[str, Callable[[Material], Settings]] = {
    "none": lambda _: NoProtection(),
    "lamp": _lamp,
    "fuse": _fuse,
    "breaker": _breaker,
    "resettable": _resettable,
    "relay": _relay,
}
