"""Which fuse: the rating that survives this programme and still opens before the driver passes its limit.

Two questions, by the two curves the standard allows a fuse. Would it blow during the show? The earliest curve answers,
on the programme at its intended level. Would it save the driver? The latest answers, on the programme and, since that
is meant to be harmless, on the worst the amplifier can do (`worst_case`). The driver's limits are those of its heat:
the mean power over 1 s and 60 s and the coil's temperature; to a peak no fuse can answer.

Often no fuse does both.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from auditor.advice.worst_case import HEATING, worst_case, worst_case_v
from auditor.audit_types import Cause, Opening, Verdict
from auditor.judgement.before import Before
from auditor.judgement.ratings import stretches
from auditor.judgement.worst import Worst
from auditor.parts.protective import Body, Characteristic, FusePart, fuses
from auditor.protection import of_keys
from auditor.protection.fuse import GATES
from auditor.units import SILENCE_DB

if TYPE_CHECKING:
    from auditor.advice.material import Material
    from auditor.chain.splitter import HfFrames
    from auditor.protection.contract import ThermalState
    from auditor.rig import Rig


@dataclass(frozen=True, kw_only=True)
class OnSignal:
    """One candidate on one signal.

    Parameters
    ----------
    opens_at_s : Opening
        First opening by either curve [s]; of a programme, in `track`.
    driver_over_limit_at_s : float or None
        When the driver, without a fuse, first passes a limit of its heat [s].
    passed : tuple of Cause
        The limits it passes in spite of the fuse.
    track : str or None
        The file in which the earliest curve opens it, or else the driver passes its limit.
    """

    opens_at_s: Opening
    driver_over_limit_at_s: float | None
    passed: tuple[Cause, ...]
    track: str | None = None


@dataclass(frozen=True, kw_only=True)
class FuseCandidate:
    """One fuse.

    Parameters
    ----------
    programme, overload : OnSignal
        On this programme, and on the worst case.
    peak_over_db : float
        By how much peaks of the programme pass the peak rating behind it [dB]; nought or less if they do not.
    """

    rating_a: float
    characteristic: Characteristic
    body: Body
    programme: OnSignal
    overload: OnSignal
    peak_over_db: float
    reason: str

    @property
    def verdict(self) -> Verdict:
        """As `auditor check` would have it, and at the worst case."""
        return "clear" if self.does_both and self.peak_over_db <= 0.0 else "risk"

    @property
    def does_both(self) -> bool:
        """Whether it carries the programme and saves the driver, peaks aside."""
        return self.survives and self.protects

    @property
    def name(self) -> str:
        """As it is ordered."""
        return f"{self.characteristic} {self.rating_a:g} A, {self.body}"

    @property
    def survives(self) -> bool:
        """Whether even the earliest fuse of that rating carries the programme."""
        return self.programme.opens_at_s.earliest is None

    @property
    def protects(self) -> bool:
        """Whether even the latest one opens in time."""
        return not self.programme.passed and not self.overload.passed


@dataclass(frozen=True, kw_only=True)
class FuseChoice:
    """Every fuse that was tried, the best first.

    Parameters
    ----------
    overload_v, overload_w : float
        The worst case: voltage of the HF branch [V rms], and power in the driver without a fuse [W].
    is_needed : bool
        Whether programme or worst case take a driver without a fuse past a limit of its heat.
    """

    rig: Rig
    candidates: tuple[FuseCandidate, ...]
    conclusion: str
    overload_v: float
    overload_w: float
    is_needed: bool

    @property
    def best(self) -> FuseCandidate | None:
        """The fuse to fit; None where none does both, peaks aside."""
        first = self.candidates[0]
        return first if first.does_both else None

    @property
    def peak_over_db(self) -> float:
        """By how much the programme's peaks are over the peak rating behind the first candidate [dB]."""
        return self.candidates[0].peak_over_db


def find(material: Material) -> FuseChoice:
    """Try every fuse of the list that has a published curve.

    Parameters
    ----------
    material : Material
        Must hold at least one track.
    """
    rig = material.rig
    noise = worst_case(rig)
    programme_over_s = _programme_over(material)
    noise_over_s = _over_limit_s(noise, rig)
    candidates = [
        _candidate(part, material, noise, programme_over_s, noise_over_s) for part in fuses() if _has_curve(part)
    ]
    candidates.sort(key=_rank)
    overload_v = worst_case_v(rig)
    is_needed = programme_over_s[0] is not None or noise_over_s is not None
    return FuseChoice(
        rig=rig,
        candidates=tuple(candidates),
        conclusion=_conclusion(candidates, is_needed=is_needed),
        overload_v=overload_v,
        overload_w=overload_v**2 / rig.driver.rated_impedance_ohm,
        is_needed=is_needed,
    )


def document(choice: FuseChoice) -> dict[str, Any]:
    """The answer as plain values; the keys of a candidate's test on the programme stand beside its own."""
    return {
        "overload_v": choice.overload_v,
        "overload_w": choice.overload_w,
        "is_needed": choice.is_needed,
        "conclusion": choice.conclusion,
        "candidates": [
            {
                "rating_a": each.rating_a,
                "characteristic": each.characteristic,
                "body": each.body,
                **_on_signal(each.programme),
                "overload": _on_signal(each.overload),
                "survives": each.survives,
                "protects": each.protects,
                "peak_over_db": each.peak_over_db,
                "verdict": each.verdict,
                "reason": each.reason,
            }
            for each in choice.candidates
        ],
    }


def _on_signal(test: OnSignal) -> dict[str, Any]:
    return {**asdict(test), "passed": list(test.passed)}


def _has_curve(part: FusePart) -> bool:
    low_a, high_a = GATES[part.characteristic, part.body].value.rating_a
    return low_a <= part.rating_a <= high_a


def _candidate(
    part: FusePart,
    material: Material,
    noise: HfFrames,
    programme_over: tuple[float | None, str | None],
    noise_over_s: float | None,
) -> FuseCandidate:
    settings = of_keys("fuse", rating_a=part.rating_a, characteristic=part.characteristic, body=part.body)
    rig = replace(material.rig, protection=settings)
    opening, passed, track, peak_over_db = _on_programme(material, rig)
    over_s, over_track = programme_over
    programme = OnSignal(opens_at_s=opening, driver_over_limit_at_s=over_s, passed=passed, track=track or over_track)
    single = _Single()
    single.play(noise, rig, start=None)
    overload = OnSignal(
        opens_at_s=Opening(earliest=single.earliest_s, latest=single.latest_s),
        driver_over_limit_at_s=noise_over_s,
        passed=single.passed(rig),
    )
    return FuseCandidate(
        rating_a=part.rating_a,
        characteristic=part.characteristic,
        body=part.body,
        programme=programme,
        overload=overload,
        peak_over_db=peak_over_db,
        reason=_reason(programme, overload),
    )


class _Single:
    """One fuse on one signal: when it opens by either curve, and the worst the driver goes through."""

    def __init__(self) -> None:
        self.worst = Worst()
        self.earliest_s: float | None = None
        self.latest_s: float | None = None

    def play(self, frames: HfFrames, rig: Rig, *, start: ThermalState | None) -> ThermalState | None:
        for stretch in stretches(frames, rig, protected=True, before=Before(state=start)):
            self.worst.take(stretch)
            start = stretch.run.end
            offset_s = stretch.first_frame * frames.frame_s
            earliest_s, latest_s = stretch.run.opens_at_s
            if self.earliest_s is None and earliest_s is not None:
                self.earliest_s = offset_s + earliest_s
            if self.latest_s is None and latest_s is not None:
                self.latest_s = offset_s + latest_s
        return start

    def passed(self, rig: Rig) -> tuple[Cause, ...]:
        excesses_db = self.worst.excesses(rig)
        return tuple(cause for cause in HEATING if excesses_db[cause] > 0.0)


def _on_programme(material: Material, rig: Rig) -> tuple[Opening, tuple[Cause, ...], str | None, float]:
    """The tracks one after the other through the same fuse.

    Returns time of its first opening by either curve, limits passed, file of the opening, and excess of the peaks [dB].
    """
    peak_over_db = SILENCE_DB
    states: dict[int, ThermalState | None] = {}
    passed: dict[Cause, None] = {}
    first: dict[Literal["earliest", "latest"], tuple[float, str]] = {}
    for played in material.tracks:
        for index, feed in enumerate(played.feeds):
            single = _Single()
            states[index] = single.play(feed.frames, rig, start=states.get(index))
            passed.update(dict.fromkeys(single.passed(rig)))
            peak_over_db = max(peak_over_db, single.worst.excesses(rig)["driver_power_peak"])
            if single.earliest_s is not None:
                first.setdefault("earliest", (single.earliest_s, played.programme.name))
            if single.latest_s is not None:
                first.setdefault("latest", (single.latest_s, played.programme.name))
    earliest_s, track = first.get("earliest", (None, None))
    latest_s, _ = first.get("latest", (None, None))
    return Opening(earliest=earliest_s, latest=latest_s), tuple(passed), track, peak_over_db


def _programme_over(material: Material) -> tuple[float | None, str | None]:
    """When and where the driver without a fuse first passes a limit of its heat."""
    for played in material.tracks:
        times_s = [_over_limit_s(feed.frames, material.rig) for feed in played.feeds]
        first_s = min((each for each in times_s if each is not None), default=None)
        if first_s is not None:
            return first_s, played.programme.name
    return None, None


def _over_limit_s(frames: HfFrames, rig: Rig) -> float | None:
    """When a driver without protection first passes a limit of its heat [s]; None where it does not."""
    driver = rig.driver
    for stretch in stretches(frames, rig, protected=False):
        over = (
            (stretch.power_1s_w > driver.program_power_w)
            | (stretch.power_60s_w > driver.continuous_power_w)
            | (stretch.run.coil_temp_c > driver.coil_temp_limit_c)
        )
        if over.any():
            return (stretch.first_frame + int(np.argmax(over)) + 1) * frames.frame_s
    return None


def _rank(candidate: FuseCandidate) -> tuple[bool, str, float]:
    """Those that do both first, the largest rating first, as it blows least for nothing; the others in their series."""
    good = candidate.does_both
    return not good, "" if good else candidate.characteristic, -candidate.rating_a if good else candidate.rating_a


def _reason(programme: OnSignal, overload: OnSignal) -> str:
    faults = list(_faults(programme, overload))
    if faults:
        return "; ".join(faults)
    if overload.driver_over_limit_at_s is None:
        return "carries this programme, and this amplifier cannot overheat the driver"
    return "carries this programme, and opens in time at the clip point"


def _faults(programme: OnSignal, overload: OnSignal) -> Iterator[str]:
    if programme.opens_at_s.earliest is not None:
        yield f"may blow on this programme, {_clock(programme.opens_at_s.earliest)} into {_name(programme.track)}"
    if programme.passed:
        yield f"lets this programme past the driver's limit ({_causes(programme.passed)})"
    if overload.passed:
        latest_s = overload.opens_at_s.latest
        when = "may never open" if latest_s is None else f"may take {_seconds(latest_s)} to open"
        over_s = overload.driver_over_limit_at_s
        limit = "" if over_s is None else f", and the driver is over its limit after {_seconds(over_s)}"
        yield f"at the clip point it {when}{limit} ({_causes(overload.passed)})"


def _conclusion(candidates: Sequence[FuseCandidate], *, is_needed: bool) -> str:
    good = [each for each in candidates if each.does_both]
    if not is_needed:
        return (
            "This amplifier cannot heat the driver past its limits, so on that ground no fuse is needed; "
            "one is of use against a fault only."
        )
    if good:
        return f"Fit {good[0].name}: it carries this programme and opens in time at the amplifier's clip point."
    surviving = [each.rating_a for each in candidates if each.survives]
    protecting = [each.rating_a for each in candidates if each.protects]
    carry = f"those of {min(surviving):g} A and more carry it" if surviving else "none is sure to carry it"
    save = f"only those up to {max(protecting):g} A are quick enough" if protecting else "none is quick enough"
    return (
        f"No fuse does both on this programme: {carry}, and {save} to save the driver. A fuse here guards against a "
        "fault, not against loud music; use a lamp, a relay or a limiter for that."
    )


_CAUSE_WORDS: dict[Cause, str] = {
    "driver_power_1s": "power over 1 s",
    "driver_power_60s": "power over 60 s",
    "coil_temp": "coil temperature",
}


def _causes(causes: Sequence[Cause]) -> str:
    return ", ".join(_CAUSE_WORDS[cause] for cause in causes)


def _clock(time_s: float) -> str:
    return f"{int(time_s // 60)}:{int(time_s % 60):02d}"


def _seconds(time_s: float) -> str:
    return f"{time_s:.2g} s" if time_s < 100.0 else f"{time_s / 60.0:.0f} min"


def _name(path: str | None) -> str:
    return (path or "").rpartition("/")[2]
