"""What every protection method answers: the same question, `run`, with the same record.

A method is given the HF branch's source voltage frame by frame and the driver's thermal network, and says what reached
the driver and what became of the protective part. Part and coil share one current, so they are solved together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.division import Division
    from auditor.driver.coil import CoilNetwork

    Trace = NDArray[np.float32]

OPEN_ATTENUATION_DB = 60.0  # what an open branch counts as in traces of attenuation; our own definition


@dataclass(frozen=True, kw_only=True)
class ThermalState:
    """Heat and damage carried from one stretch of programme to the next.

    part : tuple of float
        The method's own state: what makes two halves of a programme equal to one run over all of it. For a lamp,
        filament temperature [K] and the share of its life used.
    """

    coil_temp_c: float
    body_temp_c: float
    part: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Failure:
    """What destroyed the part: when, and by which quantity over which limit.

    at_s : float
        From the start of the stretch [s]; nought if it was destroyed before.
    value, limit : float
        In `unit`: filament temperature in ``"K"``, share of a lamp's life in ``"life"``, a fuse's current in ``"A"``,
        voltage across a tripped part in ``"V"``.
    """

    at_s: float
    value: float
    limit: float
    unit: str


@dataclass(frozen=True, kw_only=True)
class Run:
    """One stretch of programme through protection and driver; arrays have shape=(frames,), dtype float32.

    Voltages and powers are means over the frame; temperatures and resistance are those at its end.

    A part that opens does so somewhere between an earliest and a latest time, by its tolerance. Whether the show is
    interrupted is answered by the earliest (`muted`, `trips`, `failure`), what the driver went through by the
    latest (voltage, temperatures, power): each is the careful reading of its question. Between the two times a frame
    may hence be muted and hot. For a part without tolerance both are the same.

    Parameters
    ----------
    failure : Failure or None
        What destroyed the part. A part that trips and can be closed again has not failed.
    muted : ndarray of bool [shape=(frames,)] or None
        Whether the branch is open at the end of the frame; None for a part that never opens but by failing.
    trips : int
        How often it opened or switched in this stretch.
    chatter : int
        How often it did so again within a second.
    replace : tuple of str
        What must be replaced afterwards, in words.
    division : Division or None
        How part and driver divided each frame; None where one impedance held for all frequencies.
    opens_at_s : tuple of (float or None)
        When it first opened in this stretch by the earliest and by the latest that its tolerance allows [s]; nought
        if it was open already, None where it stays closed.
    """

    frame_s: float
    driver_voltage_rms_v: Trace
    coil_temp_c: Trace
    body_temp_c: Trace
    protection_resistance_ohm: Trace
    protection_power_w: Trace
    filament_temp_k: Trace | None
    life_used_ratio: float
    end: ThermalState
    cold_resistance_ohm: float
    network: CoilNetwork
    division: Division | None = None
    failure: Failure | None = None
    muted: NDArray[np.bool_] | None = None
    trips: int = 0
    chatter: int = 0
    replace: tuple[str, ...] = ()
    opens_at_s: tuple[float | None, float | None] = (None, None)

    @property
    def failed_at_s(self) -> float | None:
        """When the part was destroyed, from the start of the stretch [s]; None if it is whole."""
        return None if self.failure is None else self.failure.at_s

    @cached_property
    def silent(self) -> NDArray[np.bool_]:
        """Whether nothing reaches the driver at the end of each frame: the branch is open, or the part destroyed."""
        if self.muted is not None:
            return self.muted
        silent = np.zeros(len(self.driver_voltage_rms_v), dtype=np.bool_)
        if self.failure is not None:
            silent[round(self.failure.at_s / self.frame_s) :] = True
        return silent

    @cached_property  # tally, passages and traces all ask for it
    def attenuation_db(self) -> Trace:
        """Loss against the cold part, with the coil as warm as it is [dB].

        `OPEN_ATTENUATION_DB` where the branch is muted; nought once a part has failed that says nothing of muting.
        """
        loss = self._loss_db()
        if self.muted is not None:
            loss[self.muted] = OPEN_ATTENUATION_DB
        elif self.failure is not None:
            loss[self.silent] = 0.0
        return loss

    def _loss_db(self) -> Trace:
        network = self.network
        added_ohm = network.added_ohm(self.coil_temp_c)
        if self.division is not None:
            one_v = np.ones(len(added_ohm))  # both ways from the same source: also for a frame of silence
            cold_part_ohm = np.full(len(added_ohm), self.cold_resistance_ohm)
            _, cold_v = self.division.divide(one_v, cold_part_ohm, added_ohm)
            _, now_v = self.division.divide(one_v, self.protection_resistance_ohm, added_ohm)
            return np.asarray(20 * np.log10(cold_v / now_v), dtype=np.float32)
        impedance_ohm = np.float32(network.rated_impedance_ohm) + added_ohm.astype(np.float32)
        cold_ohm = impedance_ohm + np.float32(self.cold_resistance_ohm)
        loss: Trace = 20 * np.log10((self.protection_resistance_ohm + impedance_ohm) / cold_ohm)
        return loss
