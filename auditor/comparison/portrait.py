"""One programme as it is compared: played with and without rails and limiters, at this level and at others."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from auditor.chain.play import play
from auditor.chain.recall import recalled_spectrum
from auditor.comparison.causes import Minute, Terms, largest_minute
from auditor.judgement.worst import worst_of
from auditor.pipeline import judge
from auditor.programme.power import powers
from auditor.protection import UNPROTECTED
from auditor.units import amplitude_to_db, db_to_amplitude

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from auditor.audit_types import Audit, FileFault
    from auditor.chain.play import Played
    from auditor.chain.splitter import HfFrames
    from auditor.programme.entry import Source
    from auditor.rig import Rig
    from auditor.store.store import Store

    Progress = Callable[[float], None]

_NO_RAILS_W = 1e15  # rated power of an amplifier that never clips; its volts stay well within single precision
_LEAST_W = 1e-12
_READINGS = 4  # of a file for its portrait, at most


@dataclass(frozen=True, kw_only=True)
class Standing:
    """A programme at one level.

    Parameters
    ----------
    gain_db : float
        Against the level as played.
    hf_energy_ratio, hf_crest_db
        Of the channel that puts most into its driver.
    driver_power_max_60s_w, coil_temp_max_c : float
        Without protection.
    protected_power_max_60s_w, protected_coil_temp_max_c : float
        With the protection that is fitted.
    margin_db : float or None
        As `auditor check` has it, from this level.
    """

    gain_db: float
    hf_energy_ratio: float
    hf_crest_db: float | None
    driver_power_max_60s_w: float
    coil_temp_max_c: float
    protected_power_max_60s_w: float
    protected_coil_temp_max_c: float
    margin_db: float | None


@dataclass(frozen=True, kw_only=True)
class Portrait:
    """A programme by itself.

    Parameters
    ----------
    audit : Audit
        As it is played.
    terms : Terms or None
        What its HF power is made of; None for silence.
    frames : tuple of HfFrames
        Of every channel, as it is played.
    band_level_dbfs : ndarray [shape=(bands,)] float32
        Third octaves of the file.
    faults : tuple of FileFault
        What of the file could not be analysed.
    """

    audit: Audit
    terms: Terms | None
    standing: Standing
    frames: tuple[HfFrames, ...]
    band_level_dbfs: NDArray[np.float32]
    faults: tuple[FileFault, ...]

    @property
    def clips(self) -> bool:
        """Whether the amplifier clips it anywhere."""
        return any(channel.clipped_ratio > 0.0 for channel in self.audit.channels)


def without_rails(rig: Rig) -> Rig:
    """The same with an amplifier that never clips."""
    return replace(rig, amplifier=replace(rig.amplifier, rated_power_w=_NO_RAILS_W))


def louder_by(rig: Rig, gain_db: float) -> Rig:
    """The same with the level at the mixer changed."""
    return replace(rig, level=replace(rig.level, gain_db=rig.level.gain_db + gain_db))


def portray(source: Source, rig: Rig, *, progress: Progress | None = None, store: Store | None = None) -> Portrait:
    """Play a programme as often as it takes to know what its HF power is made of.

    What was played is kept in the store, if there is one.

    Raises
    ------
    ProgrammeError
        If it cannot be read.
    """
    step = _steps(progress)
    played = play(source, rig, progress=step(1), store=store)
    store = None if store is None else store.for_trials()
    source = played.programme.source  # with the fader where it stood
    bands = recalled_spectrum(store, source, mono_gain_db=rig.level.mono_gain_db).band_level_dbfs
    audit = judge(played, rig)
    unclipped = bare = played
    if any(feed.overall_clipped_ratio > 0.0 for feed in played.feeds):
        unclipped = bare = play(source, without_rails(rig), with_ladder=False, progress=step(2), store=store)
    if rig.limiters:
        free = replace(without_rails(rig), limiters=())
        bare = play(source, free, with_ladder=False, progress=step(3), store=store)
    frames = tuple(feed.frames for feed in played.feeds)
    present = _standing(frames, rig, [feed.hf_energy_ratio for feed in played.feeds], gain_db=0.0)
    return Portrait(
        audit=audit,
        terms=_terms(played, unclipped, bare, rig),
        standing=replace(present, margin_db=audit.margin_db),
        frames=frames,
        band_level_dbfs=bands,
        faults=tuple(played.faults),
    )


def at_gain(portrait: Portrait, rig: Rig, gain_db: float, *, store: Store | None = None) -> Standing:
    """The programme at another level; played again only where rails or limiters make it another wave."""
    if gain_db == 0.0:
        return portrait.standing
    if rig.limiters or portrait.clips or gain_db > 0.0:
        played = play(portrait.audit.source, louder_by(rig, gain_db), with_ladder=False, store=store)
        frames = tuple(feed.frames for feed in played.feeds)
        ratios = [feed.hf_energy_ratio for feed in played.feeds]
    else:
        frames = tuple(scaled(each, gain_db) for each in portrait.frames)
        ratios = [channel.hf_energy_ratio for channel in portrait.audit.channels]
    found = _standing(frames, rig, ratios, gain_db=gain_db)
    margin_db = portrait.audit.margin_db
    return replace(found, margin_db=None if margin_db is None else margin_db - gain_db)


def scaled(frames: HfFrames, gain_db: float) -> HfFrames:
    """The same frames at another gain, where nothing clips."""
    ratio = db_to_amplitude(gain_db)
    return replace(frames, rms_v=frames.rms_v * ratio, peak_v=frames.peak_v * ratio)


def minutes(frames: tuple[HfFrames, ...], rig: Rig) -> list[Minute]:
    """The 60 s with most power, of every channel."""
    return [largest_minute(each, v2_per_w=rig.driver.branch_v2_per_w) for each in frames]


def loudest(found: list[Minute]) -> int:
    """The channel that puts most into its driver."""
    return max(range(len(found)), key=lambda index: found[index].power_w)


def _steps(progress: Progress | None) -> Callable[[int], Progress | None]:
    """Progress of the n-th reading of a file as progress of all of them."""
    if progress is None:
        return lambda number: None
    tell = progress
    return lambda number: lambda done_ratio: tell((number + done_ratio) / _READINGS)


def _standing(frames: tuple[HfFrames, ...], rig: Rig, energy_ratios: list[float], *, gain_db: float) -> Standing:
    found = minutes(frames, rig)
    channel = loudest(found)
    hottest = frames[channel]
    mean_square = float((hottest.rms_v.astype(float) ** 2).sum()) * hottest.frame_s / hottest.duration_s
    peak_v = float(hottest.peak_v.max(initial=0.0))
    bare = [worst_of(each, replace(rig, protection=UNPROTECTED)) for each in frames]
    fitted = [worst_of(each, rig) for each in frames]
    return Standing(
        gain_db=gain_db,
        hf_energy_ratio=energy_ratios[channel],
        hf_crest_db=amplitude_to_db(peak_v / mean_square**0.5) if mean_square > 0.0 else None,
        driver_power_max_60s_w=found[channel].power_w,
        coil_temp_max_c=max(each.coil_temp_c for each in bare),
        protected_power_max_60s_w=max(each.power_60s_w for each in fitted),
        protected_coil_temp_max_c=max(each.coil_temp_c for each in fitted),
        margin_db=None,
    )


def _terms(played: Played, unclipped: Played, bare: Played, rig: Rig) -> Terms | None:
    clipped = minutes(tuple(feed.frames for feed in played.feeds), rig)
    channel = loudest(clipped)
    feed = played.feeds[channel]
    with_limiter, without = (minutes((each.feeds[channel].frames,), rig)[0] for each in (unclipped, bare))
    found = powers(played.programme.source, mono_gain_db=rig.level.mono_gain_db)
    level_dbfs = found.level_dbfs(channel, start_s=without.start_s, end_s=without.end_s)
    powers_w = clipped[channel].power_w, with_limiter.power_w, without.power_w
    if level_dbfs is None or min(powers_w) < _LEAST_W or feed.true_peak <= 0.0:
        return None
    return Terms(
        channel=channel,
        true_peak_dbtp=amplitude_to_db(feed.true_peak),
        mean_level_dbfs=level_dbfs,
        bare_w=without.power_w,
        unclipped_w=with_limiter.power_w,
        clipped_w=clipped[channel].power_w,
    )
