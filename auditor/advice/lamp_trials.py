"""Two hundred banks of lamps put in order by one rule.

1. A bank must protect: on this programme, and on ten minutes of noise at the amplifier's clip point (`worst_case`), the
   driver must stay within its power over 1 s, over 60 s and its coil's limit, and the lamps must not burn out. Makers
   hold lamp currents to a tenth: the driver is judged behind the lamp of most current, and both ends must last. Peaks
   do not count: no lamp can act on one.
2. Of those, the least attenuation on normal passages (the median over the time in which there is HF). A quarter of a
   decibel more or less is not heard and counts as equal.
3. Then the longest life. A hundredth of it for the programme and once the worst case counts as nothing, above that
   every decade: one howl must not cost the lamp.
4. Then the fewest lamps, and only then what is left of the life.

Each lamp stands in the list once with its best bank, its other banks come behind. All are tried on longer frames of the
busiest channel; the first are put through again on every frame of every channel, and ranked by that.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.advice import lamp_banks
from auditor.advice.lamp_strain import Strain, at_worst_case, strain
from auditor.advice.trial import Outcome, put_through
from auditor.judgement.passages import ENGAGED_FROM_DB
from auditor.threads import thread_count

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from auditor.advice.lamp_banks import Bank
    from auditor.advice.lamp_strain import Programme
    from auditor.advice.material import Material
    from auditor.audit_types import Verdict
    from auditor.rig import Rig

SAME_LOSS_DB = 0.25  # not heard on programme; own definition
NO_LIFE_RATIO = 1e-2  # own definition
VERIFIED = 6  # how many are put through frame by frame


@dataclass(frozen=True, kw_only=True)
class Tried:
    """A bank with all that is known of it so far."""

    bank: Bank
    noise: Strain
    programme: Strain
    outcome: Outcome | None = None

    @property
    def protects(self) -> bool:
        """On both, peaks aside."""
        return self.noise.is_safe and self.programme.is_safe

    @property
    def attenuation_db(self) -> float:
        """On normal passages [dB]."""
        return self.programme.attenuation_median_db

    def loss_steps(self, least_db: float) -> int:
        """How many audible steps it takes off more than the bank that takes off least [dB]."""
        return math.floor((self.attenuation_db - least_db) / SAME_LOSS_DB + 1e-9)

    @property
    def life_steps(self) -> int:
        """Decades above the life that counts as nothing."""
        return max(math.floor(math.log10(max(self.life_used_ratio / NO_LIFE_RATIO, 1e-9))) + 1, 0)

    @property
    def life_used_ratio(self) -> float:
        """By the programme and once the worst case."""
        return self.programme.life_used_ratio + self.noise.life_used_ratio

    @property
    def verdict(self) -> Verdict:
        """On the programme, as `auditor check` has it: peaks count."""
        if self.outcome is not None:
            return self.outcome.verdict
        if not self.programme.is_safe or self.programme.peak_excess_db > 0.0:
            return "risk"
        return "engaged" if self.programme.attenuation_max_db > ENGAGED_FROM_DB else "clear"


def screen(rig: Rig, programme: Programme, tell: Callable[[float], None]) -> list[Tried]:
    banks = lamp_banks.every_bank()

    def one(bank: Bank) -> Tried:
        fitted = replace(rig, protection=bank.settings)
        return Tried(bank=bank, noise=at_worst_case(fitted), programme=strain(programme, fitted))

    tried = []
    with ThreadPoolExecutor(max_workers=thread_count()) as pool:
        for each in pool.map(one, banks):
            tried.append(each)
            tell(0.5 * len(tried) / len(banks))
    return tried


def in_order(tried: Sequence[Tried]) -> list[Tried]:
    """By the rule: each lamp's best bank, its other banks, then those that do not protect, the nearest to it first."""
    safe = [each for each in tried if each.protects]
    least_db = least_loss_db(tried)

    def key(each: Tried) -> tuple[float, ...]:
        return each.loss_steps(least_db), each.life_steps, each.bank.lamps, each.life_used_ratio

    unsafe = sorted((each for each in tried if not each.protects), key=_shortfall)
    return _one_of_each_first(sorted(safe, key=key)) + _one_of_each_first(unsafe)


def least_loss_db(tried: Sequence[Tried]) -> float:
    """The least that any bank takes off on normal passages of those that protect [dB]."""
    return min((each.attenuation_db for each in tried if each.protects), default=0.0)


def _shortfall(each: Tried) -> tuple[bool, float]:
    """Banks that last before those that burn out, then by how far the driver is over."""
    failed = any(case.failed_at_s is not None for case in (each.noise, each.programme))
    return failed, max(each.noise.worst[0], each.programme.worst[0])


def _one_of_each_first(ranked: Sequence[Tried]) -> list[Tried]:
    first: dict[str | None, Tried] = {}
    for each in ranked:
        first.setdefault(each.bank.settings.part, each)
    leading = list(first.values())
    return leading + [each for each in ranked if first[each.bank.settings.part] is not each]


def verify(tried: Sequence[Tried], material: Material, tell: Callable[[float], None]) -> list[Tried]:
    """In order, the first ones put through frame by frame; where one then falls back, the next, until enough have."""
    while True:
        ranked = in_order(tried)
        pending = [each for each in ranked[:VERIFIED] if each.outcome is None]
        if not pending:
            return ranked
        tell(1.0 - 0.5 * len(pending) / VERIFIED)
        outcome = put_through(material, replace(material.rig, protection=pending[0].bank.settings))
        seen = replace(pending[0], outcome=outcome, programme=_as_verified(pending[0].programme, outcome))
        tried = [seen if each is pending[0] else each for each in ranked]


def _as_verified(programme: Strain, outcome: Outcome) -> Strain:
    excesses_db = dict(outcome.excesses_db)
    peak_excess_db = excesses_db.pop("driver_power_peak")
    burns_out = excesses_db["protection_failed"] >= 0.0  # with lamps as rated, or at an end of their tolerance
    return replace(
        programme,
        excesses_db=excesses_db,
        peak_excess_db=peak_excess_db,
        failed_at_s=(outcome.failed_at_s or outcome.first_risk_s) if burns_out else None,
        coil_temp_max_c=outcome.coil_temp_max_c,
        attenuation_median_db=outcome.attenuation_median_db,
        attenuation_max_db=outcome.attenuation_max_db,
        life_used_ratio=outcome.life_used_ratio,
        part_power_mean_w=outcome.part_power_mean_w,
        part_power_max_w=outcome.part_power_max_w,
    )
