"""The driver's impedance in the rig file: reads the file or makes the model, and says what cannot be or is unsure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from auditor.driver.coil import REFERENCE_C, alpha_per_k
from auditor.errors import GRAVE, Fault
from auditor.rig_fields import safe_key, shown

if TYPE_CHECKING:
    from auditor.driver.impedance import Impedance
    from auditor.driver.impedance_file import Gap
    from auditor.rig import Crossover

RESONANCE_KEYS = ("resonance_hz", "mechanical_q", "electrical_q")
_LEAST_RATIO = 0.8  # of the rated impedance, which is the lowest a driver may have: IEC 60268-7 8.2.1, read
_TOP_HZ = 16_000.0  # where a file should reach up to
_GRAVE_GAP_RATIO = 4.0  # two octaves: a whole resonance may be missing
_BELOW_CORNER = 2.0  # an octave below the corner a branch still passes something


@dataclass(frozen=True, kw_only=True)
class Found:
    """The impedance, or the faults of the keys for it; what a reader should know, and where the file has no points."""

    impedance: Impedance | None = None
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()
    gaps: tuple[Gap, ...] = ()


def resolve_impedance(driver: Mapping[str, Any], *, rig_path: str) -> Found:
    """The impedance of the driver; none where the rated one is all that is known.

    Parameters
    ----------
    driver : mapping
        Sound values of ``[driver]``, filled in.
    rig_path : str
        The rig file, from whose folder an impedance file's path is taken.
    """
    faults = _key_faults(driver)
    if faults:
        return Found(faults=tuple(faults))
    if "impedance_file" in driver:
        return _measured(driver["impedance_file"], rig_path)
    if "voice_coil_inductance_h" not in driver or "dc_resistance_ohm" not in driver:
        return Found()
    from auditor.driver.impedance import ModelledImpedance

    resonance = {key: driver[key] for key in RESONANCE_KEYS} if set(RESONANCE_KEYS) <= driver.keys() else {}
    model = ModelledImpedance(
        dc_resistance_ohm=driver["dc_resistance_ohm"], inductance_h=driver["voice_coil_inductance_h"], **resonance
    )
    return Found(impedance=model)


def _key_faults(driver: Mapping[str, Any]) -> list[Fault]:
    faults = []
    if {"impedance_file", "voice_coil_inductance_h"} <= driver.keys():
        what, hint = "impedance_file already gives the impedance", "remove one of the two"
        got = shown(driver["voice_coil_inductance_h"], unit="H")
        faults.append(Fault(key="driver.voice_coil_inductance_h", what=what, got=got, hint=hint))
    given = [key for key in RESONANCE_KEYS if key in driver]
    if given and "voice_coil_inductance_h" in driver:
        what = "missing: the resonance of a modelled impedance needs it"
        faults += [
            Fault(key=f"driver.{key}", what=what, hint=_instead(driver, given))
            for key in RESONANCE_KEYS
            if key not in driver
        ]
    return faults


def _instead(driver: Mapping[str, Any], given: list[str]) -> str:
    if "total_q" in driver:
        return "give mechanical_q and electrical_q instead of total_q"
    return f"or leave out {' and '.join(given)}"


def _measured(name: str, rig_path: str) -> Found:
    from auditor.driver.impedance_file import ImpedanceFileError, read_impedance

    try:
        reading = read_impedance(Path(rig_path).parent / name, name=safe_key(name))
    except ImpedanceFileError as error:
        fault = Fault(
            key="driver.impedance_file", what=f"{safe_key(name)}: {error.what}", got=error.got, hint=error.hint
        )
        return Found(faults=(fault,))
    notes = tuple(f"driver.impedance_file: {note}" for note in reading.notes)
    return Found(impedance=reading.measured, notes=notes, gaps=reading.gaps)


def impedance_notes(given: Found, crossover: Crossover, driver: Mapping[str, Any]) -> tuple[list[Fault], list[str]]:
    """Where an impedance does not fit the rest of the rig: faults, and what a reader should know."""
    impedance = given.impedance
    if impedance is None:
        return [], []
    import numpy as np

    from auditor.chain.network import audible_hz
    from auditor.driver.impedance import MeasuredImpedance

    faults: list[Fault] = []
    notes: list[str] = []
    if isinstance(impedance, MeasuredImpedance):
        faults, notes = _range(impedance, crossover.frequency_hz)
        notes += _gaps(impedance.path, given.gaps, crossover.frequency_hz)
    frequency_hz = audible_hz()
    frequency_hz = frequency_hz[frequency_hz >= crossover.frequency_hz]
    found = impedance.at(frequency_hz)
    rated_ohm, dc_ohm = driver["rated_impedance_ohm"], driver["dc_resistance_ohm"]
    at = int(np.argmin(np.abs(found)))
    least_ohm = abs(found[at])
    if least_ohm < _LEAST_RATIO * rated_ohm and isinstance(impedance, MeasuredImpedance):
        notes.append(
            f"driver: its impedance falls to {least_ohm:.3g} ohm at {frequency_hz[at]:.0f} Hz, less than 80 % of the "
            f"rated {rated_ohm:g} ohm: is the file that of this driver?"
        )
    low = int(np.argmin(found.real))
    if found.real[low] < 0.9 * dc_ohm:
        notes.append(
            f"driver: at {frequency_hz[low]:.0f} Hz the resistive part of the impedance is {found.real[low]:.3g} ohm, "
            f"less than the coil's {dc_ohm:g} ohm alone (dc_resistance_ohm): one of the two is wrong"
        )
    return faults, notes


def _range(measured: Any, corner_hz: float) -> tuple[list[Fault], list[str]]:
    name, low_hz, high_hz = measured.path, measured.frequency_hz[0], measured.frequency_hz[-1]
    if high_hz <= corner_hz:
        return [
            Fault(
                key="driver.impedance_file",
                what=f"{name} ends at {high_hz:g} Hz, below the crossover at {corner_hz:.0f} Hz",
                hint="measure up to 20 kHz",
            )
        ], []
    notes = []
    if corner_hz and low_hz > corner_hz / _BELOW_CORNER:
        notes.append(
            f"driver.impedance_file: {name} begins at {low_hz:g} Hz, and the crossover is at {corner_hz:.0f} Hz: below "
            f"it the impedance is taken to stay at {measured.magnitude_ohm[0]:.3g} ohm; measure from "
            f"{corner_hz / _BELOW_CORNER:.0f} Hz on"
        )
    if high_hz < _TOP_HZ:
        notes.append(
            f"driver.impedance_file: {name} ends at {high_hz:g} Hz: above it the impedance is taken to stay at "
            f"{measured.magnitude_ohm[-1]:.3g} ohm; measure up to 20 kHz"
        )
    return [], notes


def _gaps(name: str, gaps: tuple[Gap, ...], corner_hz: float) -> list[str]:
    """Those that reach into what the crossover passes, in one sentence."""
    felt = [gap for gap in gaps if gap.to_hz > corner_hz / _BELOW_CORNER]
    if not felt:
        return []
    places = ", ".join(f"between {gap.from_hz:g} and {gap.to_hz:g} Hz (behind line {gap.line})" for gap in felt)
    grave = GRAVE if any(gap.to_hz > _GRAVE_GAP_RATIO * gap.from_hz for gap in felt) else ""
    return [
        f"{grave}driver.impedance_file: {name} has no point {places}: the impedance is taken as straight there; "
        "measure with three points to the octave or more"
    ]


def rating_current_a_per_v(
    impedance: Impedance | None, crossover: Crossover, driver: Mapping[str, Any]
) -> float | None:
    """Current for a volt of rating noise with the coil at its limit [A/V]; None for the rated impedance throughout.

    Parameters
    ----------
    impedance : Impedance or None
    crossover : Crossover
    driver : mapping
        At least coil_temp_limit_c, coil_material and dc_resistance_ohm.
    """
    if impedance is None:
        return None
    heated_k = driver["coil_temp_limit_c"] - REFERENCE_C
    added_ohm = driver["dc_resistance_ohm"] * alpha_per_k(driver["coil_material"]) * heated_k
    return noise_current_a_per_v(impedance, crossover, added_ohm=added_ohm)


def noise_current_a_per_v(impedance: Impedance, crossover: Crossover, *, added_ohm: float) -> float:
    """Current for a volt of rating noise at the driver's terminals [A/V], both rms.

    Parameters
    ----------
    impedance : Impedance
    crossover : Crossover
        Which part of the noise reaches the driver.
    added_ohm : float
        What heat adds to the coil's resistance [ohm].
    """
    import numpy as np

    from auditor.chain.crossover import response
    from auditor.chain.network import audible_hz

    frequency_hz = audible_hz()  # pink: evenly spaced in logarithms
    power = np.square(np.abs(response(crossover, frequency_hz)))
    square = np.square(np.abs(1.0 / (impedance.at(frequency_hz) + added_ohm)))
    return math.sqrt(float(np.sum(power * square) / np.sum(power)))
