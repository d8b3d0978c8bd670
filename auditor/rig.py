"""What the system is: the rig file, read, checked and with every value filled in.

Mixer level, amplifier, crossover, protection and HF driver, as `rig.toml` describes them. The checks live beside this
module (`rig_tables`, `rig_faults`, `rig_resolve`) and are imported only when a rig is loaded, so that help is quick.
"""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import asdict, dataclass
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from auditor import published
from auditor.errors import AuditorError, Fault, RigError

if TYPE_CHECKING:
    from auditor.driver.motion import Dome
    from auditor.protection import Settings

LARGEST_FILE_BYTES = 1_000_000  # a rig file has a few kilobytes; a programme named by mistake has more


@dataclass(frozen=True, kw_only=True)
class Level:
    """What leaves the mixer: `full_scale_dbu` for a 0 dBFS sine [dBu], then `gain_db` up to the amplifier [dB].

    With `match_loudness_lufs` the fader is ridden so that every track has that loudness [LUFS] before that.
    """

    full_scale_dbu: float
    gain_db: float
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
    attack_s, hold_s, release_s : float
    ratio : float or None
        Decibels over the threshold for one that comes out; None lets nothing more come out.
    averaging_s : float
        Time constant of the rms detector; nought for the peak detector.
    """

    detector: Literal["peak", "rms"]
    threshold_dbu: float
    threshold_v: float
    attack_s: float
    hold_s: float
    release_s: float
    ratio: float | None
    averaging_s: float
    band: Literal["full", "hf"]


@dataclass(frozen=True, kw_only=True)
class Amplifier:
    """Gain [dB], the sine power [W] at clipping into a load [ohm], and what it drives: the whole box or HF alone."""

    gain_db: float
    rated_power_w: float
    rated_load_ohm: float
    band: Literal["full", "hf"] = "full"

    @property
    def rail_v(self) -> float:
        """Voltage at which the amplifier clips [V peak]."""
        return math.sqrt(2.0 * self.rated_power_w * self.rated_load_ohm)


@dataclass(frozen=True, kw_only=True)
class Crossover:
    """High-pass of the HF branch and the pad behind it [dB]. Without an alignment, order and frequency are zero."""

    alignment: Literal["linkwitz-riley", "butterworth", "bessel", "none"]
    order: int
    frequency_hz: float
    pad_db: float


@dataclass(frozen=True, kw_only=True)
class Driver:
    """The HF driver: ratings, coil and thermal network. Resistance is that at 20 C.

    From `resonance_hz` on what its excursion follows from; None where the rig file does not say.
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
    resonance_hz: float | None = None
    mechanical_q: float | None = None
    electrical_q: float | None = None
    total_q: float | None = None
    moving_mass_g: float | None = None
    force_factor_t_m: float | None = None
    excursion_limit_mm: float | None = None

    @property
    def dome(self) -> Dome | None:
        """It as mass, spring and damping; None where not all of that is known."""
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

    @property
    def full_scale_v(self) -> float:
        """Voltage of a 0 dBFS sine at the output of an amplifier that does not clip [V rms]."""
        gain_db = self.level.full_scale_dbu + self.level.gain_db + self.amplifier.gain_db
        return published.ZERO_DBU_V.value * float(10.0 ** (gain_db / 20.0))

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
    document = _read_toml(Path(name), name)
    from auditor.rig_resolve import resolve_rig  # pydantic: 0.1 s to import

    rig, faults = resolve_rig(document, path=name)
    if rig is None:
        raise RigError(name, faults)
    return rig


def rig_as_dict(rig: Rig) -> dict[str, Any]:
    """Every resolved value in tables as in the rig file, and under ``assumed`` the dotted keys that were filled in.

    ``limiter`` and ``equaliser`` are there only where the rig has one; ``limiter`` is a table, or a list of several.
    """
    values = {key: value for key, value in asdict(rig).items() if key not in ("limiters", "equaliser")}
    values["driver"] = {key: value for key, value in values["driver"].items() if value is not None}
    if rig.equaliser:
        values["equaliser"] = [asdict(section) for section in rig.equaliser]
    if rig.limiters:
        tables = [asdict(limiter) for limiter in rig.limiters]
        values["limiter"] = tables[0] if len(tables) == 1 else tables
    values["assumed"] = list(rig.assumed)
    return values


def describe_assumptions(rig: Rig) -> list[str]:
    """One plain sentence for each assumed value: what, how much, why, and how far off it may be."""
    from auditor.rig_assumptions import describe

    return describe(rig)


def _read_toml(path: Path, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(_read_text(path, name))
    except tomllib.TOMLDecodeError as error:
        raise RigError(name, [_syntax_fault(str(error))]) from None
    except (RecursionError, ValueError):
        # Arrays nested a thousand deep, integers of thousands of digits.
        raise RigError(
            name, [Fault(key="", what="not readable as TOML", hint="nested too deep or a huge number")]
        ) from None


def _read_text(path: Path, name: str) -> str:
    try:
        if path.is_dir():
            raise AuditorError("is a folder, not a rig file", where=name)
        if path.exists() and not path.is_file():
            raise AuditorError("is a device or a pipe, not a rig file", where=name)  # a pipe may never answer
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise AuditorError(
            "no such rig file", where=name, hint="`auditor rig new` writes a commented example"
        ) from None
    except PermissionError:
        raise AuditorError("no permission to read it", where=name) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a usable file name"
        raise AuditorError(f"cannot be read: {reason.lower()}", where=name) from None
    return _decoded(content, name)


def _decoded(content: bytes, name: str) -> str:
    if len(content) > LARGEST_FILE_BYTES:
        raise AuditorError("too large for a rig file", where=name, allowed="at most 1 MB", hint="is it a programme?")
    try:
        # Some editors put a byte-order mark in front.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise AuditorError(
            f"not UTF-8 text, from line {line} on", where=name, hint="save it as UTF-8; is it a rig file at all?"
        ) from None


# Parts of the TOML reader's messages, and what the user most likely did.
_SYNTAX_HINTS = (
    (
        "Expected newline or end of document",
        "one key = value on each line, numbers without their unit and with a point",
    ),
    ("Expected '=' after", "write key = value; comments begin with #"),
    ("Expected ']' at the end of a table", "a table is written [level]"),
    ("Invalid value", 'text goes in quotes: kind = "lamp"; numbers are written 18.0'),
    ("Invalid statement", "each line is key = value, [table] or # comment"),
    ("Cannot declare", "a table may stand only once: put its keys together"),
    ("Cannot overwrite", "a key may stand only once"),
    ("Cannot mutate", "a key may stand only once"),
    ("Illegal character", "close the quotes on the same line"),
    ("Unterminated string", "close the quotes"),
    ('Expected "\'"', "close the quotes"),
    ("Unclosed array", "close the bracket ]"),
)


def _syntax_fault(message: str) -> Fault:
    place = re.search(r"\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    where = "not valid TOML"
    if place and place.group(1):
        where += f" at line {place.group(1)}, column {place.group(2)}"
    elif place:
        where += " at the end of the file"
    hint = next((hint for part, hint in _SYNTAX_HINTS if part in message), None)
    return Fault(key="", what=where, hint=hint or "each line is key = value, [table] or # comment")
