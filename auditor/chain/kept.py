"""What is kept of a programme between two runs: all that came out of the crossover's filter, as a record of the store.

The pad is not in it: it is one factor, in single precision, on the voltages of every frame, and `Passed.behind` puts it
on whether the record was read or made just now. So both ways give the same numbers to the last bit.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from auditor.audit_types import LimiterWork
from auditor.chain.overdrive import OverdriveLadder
from auditor.chain.processor import after_amplifier
from auditor.chain.splitter import HfFrames
from auditor.division import Division
from auditor.programme.decode import Finding
from auditor.programme.loudness import Loudness
from auditor.store.vault import Record
from auditor.units import db_to_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from auditor.programme.decode import Programme
    from auditor.rig import Crossover, Rig

_LADDER_ARRAYS = ("gain_db", "level_db", "peak_db", "onset_db")
_LADDER_VALUES = ("lead", "frame_length", "sample_rate_hz", "rail_v")
_INDEX_ARRAYS = ("positions", "stamps", "checks")


@dataclass(frozen=True, kw_only=True)
class Passed:
    """What one channel sends through the crossover's filter, before the pad.

    Parameters
    ----------
    frames : HfFrames
    ladder : OverdriveLadder or None
        None where it was played without.
    clipped_ratio : ndarray [shape=(bins,)] float32
        Of the worst frame in each bin of a trace.
    rms_v : float
        Over the whole programme [V].
    true_peak : float
        Of the file, full scale 1.0.
    """

    frames: HfFrames
    ladder: OverdriveLadder | None
    clipped_ratio: NDArray[np.float32]
    overall_clipped_ratio: float
    hf_energy_ratio: float
    rms_v: float
    limiter: LimiterWork | None
    true_peak: float


@dataclass(frozen=True, kw_only=True)
class Passage:
    """A whole programme that has been through the crossover's filter: what of a playing does not depend on its name."""

    finding: Finding
    sample_peak: float
    loudness: Loudness
    channels: tuple[Passed, ...]


def before_pad(rig: Rig) -> Crossover:
    """What stands behind the amplifier, but for the pad."""
    return replace(after_amplifier(rig), pad_db=0.0)


def pad_ratio(rig: Rig) -> float:
    """What the pad leaves of a voltage; all of it for a network by its parts, in whose response every loss is."""
    return 1.0 if rig.crossover.network is not None else db_to_amplitude(-rig.crossover.pad_db)


def padded(frames: HfFrames, rig: Rig) -> HfFrames:
    """The same behind the pad, in the same arrays: those of a long file are not to be held twice."""
    ratio = np.float32(pad_ratio(rig))
    for each in (frames.rms_v, frames.peak_v, frames.peak_mm):
        if each is not None:
            each *= ratio
    return frames


def frames_record(frames: HfFrames) -> Record:
    """Frames alone.

    Raises
    ------
    TypeError
        If there is something in them that cannot be kept.
    """
    values, arrays = {}, {}
    for each in fields(frames):
        value = getattr(frames, each.name)
        if isinstance(value, np.ndarray):
            arrays[each.name] = value
        elif isinstance(value, Division):
            arrays["division"], values["division_ohm"] = value.ratio, value.rated_impedance_ohm
        elif isinstance(value, float):
            values[each.name] = value
        elif value is not None:
            raise TypeError(f"frames with {each.name} cannot be kept")
    return Record(values={"frames": values}, arrays=arrays)


def frames_of(record: Record) -> HfFrames:
    """The frames of `frames_record`."""
    return _frames_of(record.values["frames"], record.arrays)


def passage_record(passage: Passage, programme: Programme) -> Record:
    """A passage as plain values and arrays; with it, where the frames of a file lie that PyAV reads."""
    arrays: dict[str, NDArray[Any]] = {}
    values: dict[str, Any] = {
        "finding": asdict(passage.finding),
        "sample_peak": passage.sample_peak,
        "loudness": asdict(passage.loudness),
        "channels": [_values_of(each) for each in passage.channels],
    }
    index = programme.index
    if index is not None and index.stamps is not None:
        arrays |= {name: getattr(index, name) for name in _INDEX_ARRAYS}
    for number, channel in enumerate(passage.channels):
        found = {**frames_record(channel.frames).arrays, "clipped_ratio": channel.clipped_ratio}
        if channel.ladder is not None:
            found |= {name: getattr(channel.ladder, name) for name in _LADDER_ARRAYS}
        arrays |= {f"{number}.{name}": array for name, array in found.items()}
    return Record(values=values, arrays=arrays)


def passage_of(record: Record, programme: Programme, rig: Rig, *, with_ladder: bool) -> Passage:
    """The passage of `passage_record`.

    Parameters
    ----------
    record : Record
    programme : Programme
        Its index is filled in, where it has one.
    rig : Rig
    with_ladder : bool
        False leaves the ladder out, as if it had been played without.
    """
    values = record.values
    if programme.index is not None and "stamps" in record.arrays:
        for name in _INDEX_ARRAYS:
            setattr(programme.index, name, record.arrays[name])
    channels = [
        _passed_of(each, _arrays_of(number, record), rig, with_ladder=with_ladder)
        for number, each in enumerate(values["channels"])
    ]
    return Passage(
        finding=Finding(**values["finding"]),
        sample_peak=values["sample_peak"],
        loudness=Loudness(**values["loudness"]),
        channels=tuple(channels),
    )


def has_ladder(record: Record) -> bool:
    """Whether the record of a passage has what the margin needs."""
    return all(each["ladder"] is not None for each in record.values["channels"])


def _frames_of(values: dict[str, Any], arrays: dict[str, Any]) -> HfFrames:
    division = None
    if "division" in arrays:
        division = Division(ratio=arrays["division"], rated_impedance_ohm=values["division_ohm"])
    plain = {name: value for name, value in {**values, **arrays}.items() if not name.startswith("division")}
    return HfFrames(**plain, division=division)


def _values_of(channel: Passed) -> dict[str, Any]:
    ladder = channel.ladder
    return {
        **frames_record(channel.frames).values,
        "ladder": None if ladder is None else {name: getattr(ladder, name) for name in _LADDER_VALUES},
        "overall_clipped_ratio": channel.overall_clipped_ratio,
        "hf_energy_ratio": channel.hf_energy_ratio,
        "rms_v": channel.rms_v,
        "limiter": None if channel.limiter is None else asdict(channel.limiter),
        "true_peak": channel.true_peak,
    }


def _arrays_of(number: int, record: Record) -> dict[str, NDArray[Any]]:
    start = f"{number}."
    return {name.removeprefix(start): array for name, array in record.arrays.items() if name.startswith(start)}


def _passed_of(values: dict[str, Any], arrays: dict[str, NDArray[Any]], rig: Rig, *, with_ladder: bool) -> Passed:
    found: dict[str, Any] = {name: arrays.pop(name) for name in _LADDER_ARRAYS if name in arrays}
    clipped_ratio = arrays.pop("clipped_ratio")
    ladder = None
    if with_ladder and values["ladder"] is not None:
        ladder = OverdriveLadder(**values["ladder"], **found, crossover=before_pad(rig))
    limiter = values["limiter"]
    return Passed(
        frames=_frames_of(values["frames"], arrays),
        ladder=ladder,
        clipped_ratio=clipped_ratio,
        limiter=None if limiter is None else LimiterWork(**limiter),
        **{name: values[name] for name in ("overall_clipped_ratio", "hf_energy_ratio", "rms_v", "true_peak")},
    )
