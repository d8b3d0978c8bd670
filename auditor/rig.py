"""What the system is: the rig file, read, checked and with every value filled in.

Mixer level, amplifier, crossover, protection and HF driver, as `rig.toml` describes them. The checks live beside this
module (`rig_tables`, `rig_faults`, `rig_resolve`) and are imported only when a rig is loaded, so that help is quick.
"""

from __future__ import annotations

import math
import os
from dataclasses import asdict, dataclass
from os import PathLike, fspath
from typing import TYPE_CHECKING, Any, Literal

from auditor.errors import RigError
from auditor.rig_file import read_toml, with_lines

if TYPE_CHECKING:
    from auditor.driver.impedance import Impedance
    from auditor.driver.motion import Dome
    from auditor.network_parts import Network
    from auditor.protection import Settings


Calibration = Literal["line_up", "meter", "clip", "spl"]


@dataclass(frozen=True, kw_only=True)
class Level:
    """What the file's full scale is in volts, and how that is known; see `auditor.rig_calibration`.

    Parameters
    ----------
    calibration : {"line_up", "meter", "clip", "spl"}
        Which of the groups of keys below is given; those of the others are None.
    unity_v : float
        Volts that a full-scale sine would have at the output of an amplifier that never clips, without `gain_db`.
    gain_db : float
        From mixer to amplifier [dB]; with a calibration by measurement what was changed since then.
    mono_gain_db : float or None
        Gain of the mono sum against the mean of the channels [dB]; None where each channel has its own amplifier.
    match_loudness_lufs : float or None
        The fader is ridden so that every track has that loudness [LUFS] before all that.
    """

    calibration: Calibration
    unity_v: float
    gain_db: float
    full_scale_dbu: float | None = None
    calibration_tone_dbfs: float | None = None
    calibration_voltage_v: float | None = None
    calibration_frequency_hz: float | None = None
    full_scale_re_clip_db: float | None = None
    target_spl_db: float | None = None
    target_distance_m: float | None = None
    target_level_dbfs: float | None = None
    box_sensitivity_db: float | None = None
    channels: Literal["each", "mono"] = "each"
    mono_gain_db: float | None = None
    match_loudness_lufs: float | None = None


@dataclass(frozen=True, kw_only=True)
class EqualiserSection:
    """One section of the equaliser: kind, frequency [Hz], gain [dB] (nought for a low or high pass) and quality."""

    kind: Literal["peaking", "low_shelf", "high_shelf", "low_pass", "high_pass"]
    frequency_hz: float
    gain_db: float
    q: float


@dataclass(frozen=True, kw_only=True)
class Limiter:
    """A limiter in front of the amplifier; see `auditor.chain.limiter`.

    Parameters
    ----------
    detector, band : str
        What it answers to, and whether it stands before an active crossover ("full") or behind it ("hf").
    threshold_dbu, threshold_v : float
        The same threshold at the amplifier's input [dBu] and at its output [V]: rms of a sine that just reaches it.
        None for that at the input where the amplifier's gain is not known.
    attack_s, hold_s, release_s : float
    ratio : float or None
        Decibels over the threshold for one that comes out; None lets nothing more come out.
    averaging_s : float
        Time constant of the rms detector; nought for the peak detector.
    """

    detector: Literal["peak", "rms"]
    threshold_dbu: float | None
    threshold_v: float
    attack_s: float
    hold_s: float
    release_s: float
    ratio: float | None
    averaging_s: float
    band: Literal["full", "hf"]


@dataclass(frozen=True, kw_only=True)
class Amplifier:
    """One channel of the amplifier, or two bridged, and what it drives.

    Parameters
    ----------
    gain_db : float or None
        Voltage gain of one channel [dB]; None where it is not known.
    rated_power_w, rated_load_ohm : float
        Sine power [W] at clipping of one channel into a load [ohm].
    band : {"full", "hf"}
        The whole box through a passive crossover, or the HF drivers alone.
    bridged : bool
        Two channels in push-pull on one load: twice the volts of one.
    boxes : int
        Equal boxes in parallel on this output.
    box_impedance_ohm : float or None
        Rated impedance of one box; None where nothing depends on it.
    """

    gain_db: float | None
    rated_power_w: float
    rated_load_ohm: float
    band: Literal["full", "hf"] = "full"
    bridged: bool = False
    boxes: int = 1
    box_impedance_ohm: float | None = None

    @property
    def channels_in_series(self) -> int:
        """2 where bridged, else 1: by it the rail and the gain are multiplied."""
        return 2 if self.bridged else 1

    @property
    def rail_v(self) -> float:
        """Voltage at which it clips [V peak]."""
        return self.channels_in_series * math.sqrt(2.0 * self.rated_power_w * self.rated_load_ohm)

    @property
    def whole_gain_db(self) -> float | None:
        """Voltage gain from input to loudspeaker [dB], bridging counted; None where it is not known."""
        return None if self.gain_db is None else self.gain_db + 20.0 * math.log10(self.channels_in_series)


@dataclass(frozen=True, kw_only=True)
class Crossover:
    """High-pass of the HF branch and the pad behind it [dB]. Without an alignment, order and frequency are zero.

    With a network by its parts the alignment is "parts", the order nought, `frequency_hz` where the branch is 3 dB down
    and `pad_db` its loss where it passes most; where it has no corner the alignment is "none".
    """

    alignment: Literal["linkwitz-riley", "butterworth", "bessel", "parts", "none"]
    order: int
    frequency_hz: float
    pad_db: float
    network: Network | None = None


@dataclass(frozen=True, kw_only=True)
class Driver:
    """The HF driver: ratings, coil and thermal network. Resistance is that at 20 C.

    Every figure is that of one driver; `series_count` equal ones in a string and `parallel_count` strings side by side
    hang on one HF branch. From `resonance_hz` to `excursion_limit_mm` it is what impedance and excursion follow from;
    None where the rig file does not say.
    """

    rated_impedance_ohm: float
    dc_resistance_ohm: float
    continuous_power_w: float
    program_power_w: float
    peak_power_w: float
    coil_material: Literal["copper", "aluminium"]
    coil_diameter_mm: float
    coil_temp_limit_c: float
    coil_thermal_resistance_k_per_w: float
    body_thermal_resistance_k_per_w: float
    coil_time_constant_s: float
    body_time_constant_s: float
    series_count: int = 1
    parallel_count: int = 1
    impedance_file: str | None = None
    voice_coil_inductance_h: float | None = None
    resonance_hz: float | None = None
    mechanical_q: float | None = None
    electrical_q: float | None = None
    total_q: float | None = None
    moving_mass_g: float | None = None
    force_factor_t_m: float | None = None
    excursion_limit_mm: float | None = None
    impedance: Impedance | None = None  # what file or coil make of it over frequency; None for the rated one throughout

    @property
    def branch_impedance_ohm(self) -> float:
        """Rated impedance of all of them together, which the HF branch works into [ohm]."""
        return self.rated_impedance_ohm * self.series_count / self.parallel_count

    @property
    def branch_v2_per_w(self) -> float:
        """Square of the branch's voltage for each watt in one driver [V2/W]: each has its share of the string's."""
        return self.rated_impedance_ohm * self.series_count**2

    @property
    def dome(self) -> Dome | None:
        """One of them as mass, spring and damping; None where not all of that is known."""
        if self.resonance_hz is None or self.moving_mass_g is None or self.force_factor_t_m is None:
            return None
        from auditor.driver.motion import Dome, joint_q

        q = self.total_q
        if q is None and self.mechanical_q is not None and self.electrical_q is not None:
            q = joint_q(self.mechanical_q, self.electrical_q)
        if q is None:
            return None
        return Dome(
            resonance_hz=self.resonance_hz,
            total_q=q,
            moving_mass_g=self.moving_mass_g,
            force_factor_t_m=self.force_factor_t_m,
            dc_resistance_ohm=self.dc_resistance_ohm,
        )


@dataclass(frozen=True, kw_only=True)
class Site:
    """Where it plays: the air round the driver [C]."""

    ambient_temp_c: float


@dataclass(frozen=True, kw_only=True)
class Rig:
    """The whole system, every value resolved.

    Parameters
    ----------
    level, amplifier, crossover, driver, site
        Tables of the rig file.
    protection : Settings
        Settings of the protection method; see `auditor.protection`.
    assumed : tuple of str
        Dotted keys of the values that the rig file left out.
    path : str
        The rig file.
    equaliser : tuple of EqualiserSection
        Between mixer and amplifier, in the order of the signal; may be empty.
    limiters : tuple of Limiter
        Between equaliser and amplifier, in the order of the signal; may be empty.
    notes : tuple of str
        What is unsure or unwise about it though it can be worked out, one sentence each.
    """

    level: Level
    amplifier: Amplifier
    crossover: Crossover
    protection: Settings
    driver: Driver
    site: Site
    assumed: tuple[str, ...]
    path: str
    equaliser: tuple[EqualiserSection, ...] = ()
    limiters: tuple[Limiter, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def files(self) -> list[str]:
        """What it was read from: the rig file, and that of a measured impedance."""
        measured = self.driver.impedance_file
        return [self.path] if measured is None else [self.path, os.path.join(os.path.dirname(self.path), measured)]

    @property
    def full_scale_v(self) -> float:
        """Voltage of a 0 dBFS sine at the output of an amplifier that does not clip [V rms]."""
        return self.level.unity_v * float(10.0 ** (self.level.gain_db / 20.0))

    @property
    def headroom_db(self) -> float:
        """Level at which the amplifier clips, against a 0 dBFS sine [dB]; negative where full scale clips."""
        return 20.0 * math.log10(self.amplifier.rail_v / (math.sqrt(2.0) * self.full_scale_v))


def load_rig(path: str | PathLike[str]) -> Rig:
    """Read, check and complete a rig file.

    Parameters
    ----------
    path : str or path-like
        The rig file, TOML in UTF-8.

    Returns
    -------
    Rig

    Raises
    ------
    RigError
        With every fault found, when the file is no usable rig.
    """
    name = fspath(path)
    document, text = read_toml(name)
    from auditor.rig_resolve import resolve_rig  # pydantic: 0.1 s to import

    rig, faults = resolve_rig(document, path=name)
    if rig is None:
        raise RigError(name, with_lines(faults, text))
    return rig


def rig_as_dict(rig: Rig) -> dict[str, Any]:
    """Every resolved value in tables as in the rig file, and under ``assumed`` the dotted keys that were filled in.

    ``level`` has in ``full_scale_v`` what the calibration comes to, whichever way it was given.

    ``limiter`` and ``equaliser`` are there only where the rig has one; ``limiter`` is a table, or a list of several.
    ``crossover.parts`` and the driver's optional keys likewise; an impedance stands there by its file or its model.
    """
    values = {key: value for key, value in asdict(rig).items() if key not in ("limiters", "equaliser", "notes")}
    del values["level"]["unity_v"]
    values["level"]["full_scale_v"] = rig.full_scale_v
    values["driver"] = {
        key: value for key, value in values["driver"].items() if key != "impedance" and value is not None
    }
    network = rig.crossover.network
    del values["crossover"]["network"]
    if network is not None:
        values["crossover"]["parts"] = [
            {key: value for key, value in asdict(part).items() if key == "kind" or value} for part in network.parts
        ]
    if rig.equaliser:
        values["equaliser"] = [asdict(section) for section in rig.equaliser]
    if rig.limiters:
        tables = [asdict(limiter) for limiter in rig.limiters]
        values["limiter"] = tables[0] if len(tables) == 1 else tables
    if rig.notes:
        values["notes"] = list(rig.notes)
    values["assumed"] = list(rig.assumed)
    return values


def describe_assumptions(rig: Rig) -> list[str]:
    """One plain sentence for each assumed value: what, how much, why, and how far off it may be."""
    from auditor.rig_assumptions import describe

    return describe(rig)
