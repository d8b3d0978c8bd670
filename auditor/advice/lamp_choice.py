"""Which lamp, or bank of lamps: every lamp of the list, 1 or 2 in series by 1 to 4 in parallel.

The rule by which they are ranked is in `lamp_trials`; what they are tried on in `lamp_strain`; what to look for where
none fits in `lamp_wanted`.
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from auditor.advice import lamp_reasons
from auditor.advice.lamp_strain import (
    Strain,
    comes_through,
    programme_of,
    steady_curve,
)
from auditor.advice.lamp_trials import Tried, least_loss_db, screen, verify
from auditor.advice.lamp_wanted import VOLTAGES_V, Wanted, wanted
from auditor.advice.worst_case import HELD_S, worst_case_v
from auditor.protection import UNPROTECTED, ends
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.advice.lamp_strain import Programme
    from auditor.advice.material import Material
    from auditor.audit_types import Verdict
    from auditor.protection.steady import SteadyCurve
    from auditor.rig import Rig

_CURVES = 3


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """One bank of lamps.

    Parameters
    ----------
    rank : int
        From 1; those that protect come first.
    part : str
    also : tuple of str
        Other parts of the very same rating.
    protects : bool
        On the programme and at the worst case, peaks aside.
    verdict : Verdict
        On the programme, as `auditor check` has it: peaks count.
    verified : bool
        Whether it was put through frame by frame; otherwise the figures are those of longer frames.
    coil_temp_max_c, attenuation_normal_db, attenuation_max_db, life_used_ratio : float
        On the programme.
    ceiling_source_v : float
        Largest steady HF source that keeps the driver within its continuous rating and coil limit [V rms].
    worst_case : Strain
        What came of ten minutes at the clip point.
    reason : str
        Why it stands there.
    """

    rank: int
    part: str
    also: tuple[str, ...]
    series_count: int
    parallel_count: int
    protects: bool
    verdict: Verdict
    verified: bool
    coil_temp_max_c: float
    attenuation_normal_db: float
    attenuation_max_db: float
    life_used_ratio: float
    ceiling_source_v: float
    worst_case: Strain
    reason: str

    @property
    def lamps(self) -> int:
        """How many lamps it takes."""
        return self.series_count * self.parallel_count


@dataclass(frozen=True, kw_only=True)
class Line:
    """A curve of driver power [W] over source [V rms] to draw; `candidate` is None for the driver without lamp."""

    candidate: Candidate | None
    curve: SteadyCurve


@dataclass(frozen=True, kw_only=True)
class LampChoice:
    """The answer.

    Parameters
    ----------
    rig : Rig
    worst_case_v, worst_case_w : float
        Noise at the clip point: into lamp and driver [V rms], and into the unprotected driver [W].
    hold_s : float
        How long it is held [s].
    bare_ceiling_v : float
        Largest steady source that keeps the driver within its continuous rating without lamps [V rms].
    is_needed : bool
        Whether noise or programme take the unprotected driver over a limit of its heat.
    peak_excess_db : float
        By how much the programme's peaks pass the peak rating behind the first candidate [dB].
    candidates : tuple of Candidate
        Every bank tried, best first.
    tried : int
        How many banks were tried, each part for itself.
    fitted : Candidate or None
        The lamps that the rig has; None where it has others than those tried.
    ruled_out : dict of str to int
        How many of those tried fell out, by what ruled them out.
    wanted : tuple of Wanted
        What to look for, by voltage.
    part_power_mean_w, part_power_max_w : float
        Heat that the first candidate gives off on the programme [W].
    lines : tuple of Line
        The first candidates, each with the lamps of its tolerance that let most through, and the bare driver.
    """

    rig: Rig
    worst_case_v: float
    worst_case_w: float
    hold_s: float
    bare_ceiling_v: float
    is_needed: bool
    peak_excess_db: float
    candidates: tuple[Candidate, ...]
    tried: int
    fitted: Candidate | None
    ruled_out: dict[str, int]
    wanted: tuple[Wanted, ...]
    part_power_mean_w: float
    part_power_max_w: float
    lines: tuple[Line, ...]

    @property
    def protecting(self) -> tuple[Candidate, ...]:
        """Those that protect."""
        return tuple(each for each in self.candidates if each.protects)


def find(material: Material, *, progress: Callable[[float], None] | None = None) -> LampChoice:
    """Try every bank on the material.

    Parameters
    ----------
    material : Material
        Must hold at least one track.
    progress : callable, optional
        Told the share of the search that is done, 0 to 1.
    """
    programme = programme_of(material)
    tell = progress or (lambda _: None)
    tried = verify(screen(material.rig, programme, tell), material, tell)
    return _conclude(material, programme, tried)


def document(choice: LampChoice) -> dict[str, Any]:
    """The answer as plain values, with the keys that the user guide names."""
    return {
        "worst_case": {
            "source_v": choice.worst_case_v,
            "unprotected_power_w": choice.worst_case_w,
            "hold_s": choice.hold_s,
        },
        "is_needed": choice.is_needed,
        "peak_excess_db": choice.peak_excess_db,
        "candidates": [asdict(each) for each in choice.candidates],
        "tried": choice.tried,
        "ruled_out": choice.ruled_out,
        "wanted": [asdict(each) for each in choice.wanted],
        "part_power_mean_w": choice.part_power_mean_w,
        "part_power_max_w": choice.part_power_max_w,
    }


def _conclude(material: Material, programme: Programme, tried: list[Tried]) -> LampChoice:
    rig = material.rig
    least_db = least_loss_db(tried)
    reasons = [lamp_reasons.of(each, tried[0], least_db, rig) for each in tried]
    candidates = tuple(
        _candidate(rank, each, reason, rig) for rank, (each, reason) in enumerate(zip(tried, reasons, strict=True), 1)
    )
    leading = [each for each in candidates[:_CURVES] if each.protects] or list(candidates[:1])
    source_v = worst_case_v(rig)
    bare = replace(rig, protection=UNPROTECTED)
    return LampChoice(
        rig=rig,
        worst_case_v=source_v,
        worst_case_w=source_v**2 / rig.driver.branch_v2_per_w,
        hold_s=HELD_S,
        bare_ceiling_v=_ceiling_v(steady_curve(bare), rig),
        is_needed=not comes_through(programme, bare),
        peak_excess_db=tried[0].programme.peak_excess_db,
        candidates=candidates,
        tried=sum(each.bank.parts for each in tried),
        fitted=next((one for one, each in zip(candidates, tried, strict=True) if each.bank.is_fitted(rig)), None),
        ruled_out=_ruled_out(tried),
        wanted=_wanted(rig, programme),
        part_power_mean_w=tried[0].programme.part_power_mean_w,
        part_power_max_w=tried[0].programme.part_power_max_w,
        lines=(
            *(Line(candidate=each, curve=_latest_curve(tried[each.rank - 1], rig)) for each in leading),
            Line(candidate=None, curve=steady_curve(bare)),
        ),
    )


def _ruled_out(tried: Sequence[Tried]) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for each in tried:
        if not each.protects:
            counts[lamp_reasons.kind(each)] += each.bank.parts
    return dict(counts.most_common())


def _wanted(rig: Rig, programme: Programme) -> tuple[Wanted, ...]:
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        return tuple(pool.map(lambda voltage_v: wanted(voltage_v, rig, programme), VOLTAGES_V))


def _latest_curve(each: Tried, rig: Rig) -> SteadyCurve:
    """With the lamps of that rating that let most through."""
    _, latest = ends(each.bank.settings) or (each.bank.settings,) * 2
    return steady_curve(replace(rig, protection=latest))


def _candidate(rank: int, each: Tried, reason: str, rig: Rig) -> Candidate:
    settings = each.bank.settings
    assert settings.part is not None
    return Candidate(
        rank=rank,
        part=settings.part,
        also=each.bank.also,
        series_count=settings.series_count,
        parallel_count=settings.parallel_count,
        protects=each.protects,
        verdict=each.verdict,
        verified=each.outcome is not None,
        coil_temp_max_c=each.programme.coil_temp_max_c,
        attenuation_normal_db=each.attenuation_db,
        attenuation_max_db=each.programme.attenuation_max_db,
        life_used_ratio=each.programme.life_used_ratio,
        ceiling_source_v=_ceiling_v(_latest_curve(each, rig), rig),
        worst_case=each.noise,
        reason=reason,
    )


def _ceiling_v(curve: SteadyCurve, rig: Rig) -> float:
    return curve.ceiling_v(power_w=rig.driver.continuous_power_w, coil_temp_c=rig.driver.coil_temp_limit_c)
