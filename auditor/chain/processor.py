"""What stands between mixer and amplifier, as one stage for each channel: equaliser, limiters, active crossover.

samples -> volts wished for -> equaliser -> [limiters] -> [active crossover] -> [limiters] -> amplifier

Limiters for the whole band stand before an active crossover, those for the HF band behind it. Where the crossover is
passive the amplifier drives the whole box and the branch comes after it (`auditor.chain.splitter`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from auditor.arrays import drain
from auditor.chain.crossover import response
from auditor.chain.equaliser import EqualiserChannel, usable_sections
from auditor.chain.level import volts_per_unit
from auditor.chain.limiter import LimiterChain
from auditor.chain.splitter import BranchStream, branch_voltage
from auditor.units import amplitude_to_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.audit_types import LimiterWork
    from auditor.rig import Crossover, Rig

_SETTLE_PERIODS, _SETTLE_LEAST_S = 8.0, 0.020  # in which a crossover forgets what was before


def after_amplifier(rig: Rig) -> Crossover:
    """What stands behind the amplifier: the crossover, or only the pad where that is active; a network in any case."""
    if rig.amplifier.band == "full" or rig.crossover.network is not None:
        return rig.crossover
    return replace(rig.crossover, alignment="none", order=0, frequency_hz=0.0)


def before_amplifier(rig: Rig) -> Crossover | None:
    """The active crossover; None where it is passive or there is none."""
    if after_amplifier(rig) is rig.crossover or rig.crossover.alignment == "none":
        return None
    return replace(rig.crossover, pad_db=0.0)


class Processor:
    """Streams one channel from samples to what the amplifier is asked for.

    Parameters
    ----------
    rig : Rig
    sample_rate_hz : int
    where : str
        The file, for messages.
    gain_db : float
        A trial change of the mixer's level [dB].

    Raises
    ------
    ProgrammeError
        If the equaliser cannot run at that sampling rate.
    """

    def __init__(self, rig: Rig, sample_rate_hz: int, *, where: str = "the file", gain_db: float = 0.0) -> None:
        rate = sample_rate_hz
        sections = usable_sections(rig.equaliser, rate, where=where)
        crossover = before_amplifier(rig)
        self._rate = rate
        self._volts = volts_per_unit(rig, gain_db=gain_db)
        self._equaliser = EqualiserChannel(sections, rate) if sections else None
        self._branch = BranchStream(rate, crossover) if crossover is not None else None
        self._crossover = crossover
        ahead, behind = ([each for each in rig.limiters if (each.band == "hf") is hf] for hf in (False, True))
        self._ahead = LimiterChain(ahead, rate) if ahead else None
        self._behind = LimiterChain(behind, rate)
        # What those ahead took away, until the same samples have come through the crossover.
        self._taken_db: list[NDArray[np.float64]] = []
        self._limits = bool(rig.limiters)
        self._idle = self._equaliser is None and self._branch is None and not self._limits
        # Where there is nothing to do, samples pass as they are and the amplifier makes volts of them: quicker.
        self.unit_v = self._volts if self._idle else 1.0

    @property
    def headroom_db(self) -> float:
        """Most that equaliser and active crossover can add to a peak [dB]; limiters are not counted."""
        sum_db = self._equaliser.peak_gain_db if self._equaliser is not None else 0.0
        return sum_db + (_peak_gain_db(self._crossover, self._rate) if self._crossover is not None else 0.0)

    def push(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take the next samples, shape=(n,); return what there is for the amplifier, in units of `unit_v`."""
        if self._idle:
            return samples
        voltage_v = samples * np.float32(self._volts)
        if self._equaliser is not None:
            voltage_v = self._equaliser.push(voltage_v)
        if self._ahead is not None:
            taken_db = np.zeros(len(voltage_v))
            voltage_v = self._ahead.limit(voltage_v, taken_db)
            self._taken_db.append(taken_db)
        if self._branch is not None:
            self._branch.push(voltage_v)
            voltage_v = self._branch.take()
        return self._limited(voltage_v)

    def finish(self) -> NDArray[np.float32]:
        """What the active crossover still holds back at the end."""
        if self._branch is None:
            return np.empty(0, dtype=np.float32)
        self._branch.finish()
        return self._limited(self._branch.take())

    def _limited(self, voltage_v: NDArray[np.float32]) -> NDArray[np.float32]:
        if not self._limits:
            return voltage_v
        length = len(voltage_v)
        taken_db = drain(self._taken_db, np.empty(0)) if self._ahead is not None else np.zeros(length)
        if len(taken_db) > length:
            self._taken_db.append(taken_db[length:].copy())
            taken_db = taken_db[:length]
        voltage_v = self._behind.limit(voltage_v, taken_db)
        self._behind.count(taken_db)
        return voltage_v

    def limiter_work(self) -> LimiterWork | None:
        """What the limiters have done together; None without one."""
        return self._behind.work() if self._limits else None

    @property
    def lead(self) -> int:
        """Samples round a stretch that `excerpt` needs to be exact."""
        settling = self._equaliser.settling if self._equaliser is not None else 0
        if self._crossover is not None:
            settling += round(max(_SETTLE_LEAST_S, _SETTLE_PERIODS / self._crossover.frequency_hz) * self._rate)
        return settling

    def excerpt(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Volts wished for in a stretch with `lead` samples before it and behind it, which are cut off.

        For a new processor, and one without limiters: of those nothing is known but from the beginning.
        """
        voltage_v = samples * np.float32(self._volts)
        if self._equaliser is not None:
            voltage_v = self._equaliser.push(voltage_v)
        if self._crossover is not None:
            voltage_v = branch_voltage(voltage_v, self._rate, self._crossover).astype(np.float32)
        return voltage_v[self.lead : len(voltage_v) - self.lead]


def _peak_gain_db(crossover: Crossover, sample_rate_hz: int) -> float:
    length = 1 << (sample_rate_hz // 4).bit_length()
    impulse = np.fft.irfft(response(crossover, np.fft.rfftfreq(length, 1.0 / sample_rate_hz)), length)
    return max(amplitude_to_db(float(np.abs(impulse).sum())), 0.0)
