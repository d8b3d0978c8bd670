"""What a playing has to do with the store: ask it before, hand over to it afterwards, also for whole replays."""

from __future__ import annotations

from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Self

from auditor.chain.kept import Passage, frames_of, frames_record, has_ladder, passage_of, passage_record
from auditor.programme.entry import as_entry
from auditor.programme.spectrum import Spectrum, SpectrumMeter, spectrum
from auditor.store.identity import measured_tables
from auditor.store.vault import Record

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from auditor.chain.splitter import HfFrames
    from auditor.programme.entry import Entry, Source
    from auditor.programme.sound_file import Programme
    from auditor.rig import Rig
    from auditor.store.identity import Key
    from auditor.store.store import Store

_SPECTRUM = "spectrum"


@dataclass(frozen=True, kw_only=True)
class Replays:
    """Whole channels at other gains, kept beside what was played.

    Parameters
    ----------
    store : Store
    key : Key
        Of what was played.
    name : str
        The track, for messages.
    tells : bool
        Whether it is worth a word that the samples are read after all.
    """

    store: Store
    key: Key
    name: str
    tells: bool

    def frames(self, channel: int, gain_db: float, replay: Callable[[], HfFrames]) -> HfFrames:
        """Frames before the pad, kept or replayed just now."""
        key = self.key.of(replayed={"channel": channel, "gain_db": gain_db})
        record = self.store.get(key)
        if record is None:
            if self.tells:
                self.store.say_once(
                    f"{self.name}: at the margin the amplifier or a limiter works differently than at this level, so "
                    "its samples are read again"
                )
            record = frames_record(replay())
            self.store.put(key, record)
        return frames_of(record)


class Recall:
    """One track through one rig, and what the store has of it.

    Parameters
    ----------
    store : Store or None
        None asks and keeps nothing.
    programme : Programme
    rig : Rig
    frame_s : float or None
        As `auditor.chain.play.play`.
    """

    def __init__(self, store: Store | None, programme: Programme, rig: Rig, *, frame_s: float | None) -> None:
        self._store, self._programme, self._rig = store, programme, rig
        self._entry = as_entry(programme.source)
        self._question = None if store is None else store.ask(programme, rig, frame_s=frame_s)
        self._key: Key | None = None
        self._was_kept = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._question is not None:
            self._question.close()

    def passage(self, *, with_ladder: bool) -> Passage | None:
        """What the store has; None if that is nothing, or too little."""
        needs_ladder = with_ladder and not self._rig.limiters
        found = None
        if self._question is not None:
            found = self._question.found(lambda record: has_ladder(record) or not needs_ladder)
        if found is None:
            return None
        self._key, record = found
        self._was_kept = True
        return passage_of(record, self._programme, self._rig, with_ladder=with_ladder)

    @contextmanager
    def spectrum_meter(self) -> Iterator[SpectrumMeter | None]:
        """For all that is played, so that the file need not be read once more; None where nobody will ask for it.

        A track with a gain of its own is measured by itself: its spectrum is kept as it is without.
        """
        if self._store is None or not self._store.wants_spectra or self._entry.change_db != 0.0:
            yield None
            return
        with SpectrumMeter(self._programme.sample_rate_hz, self._programme.feed_count) as meter:
            yield meter

    def keep(self, passage: Passage, meter: SpectrumMeter | None) -> None:
        """Hand over what was played, and what was measured of it meanwhile."""
        if self._store is None or self._question is None:
            return
        self._key = self._question.key()
        if self._key is None:
            return
        self._store.put(self._key, passage_record(passage, self._programme))
        if meter is not None:
            tables = measured_tables(self._entry, _SPECTRUM, mono_gain_db=self._rig.level.mono_gain_db)
            self._store.put(replace(self._key, played=tables), _spectrum_record(meter.finish()))

    @property
    def replays(self) -> Replays | None:
        """Where whole replays are kept; None where nothing is."""
        if self._store is None or self._key is None:
            return None
        # Behind a limiter every margin is found by replays, with the store and without.
        tells = self._was_kept and not self._rig.limiters
        return Replays(store=self._store, key=self._key, name=self._programme.name, tells=tells)


def recalled_loudness(store: Store | None, entry: Entry, measure: Callable[[], float | None]) -> float | None:
    """Loudness of a track before any gain [LUFS], kept or measured just now.

    Raises
    ------
    ProgrammeError
        If the file cannot be read.
    """
    record = _recalled(store, entry, "loudness", lambda: Record(values={"file_lufs": measure()}, arrays={}))
    file_lufs: float | None = record.values["file_lufs"]
    return file_lufs


def recalled_spectrum(store: Store | None, source: Source, *, mono_gain_db: float | None) -> Spectrum:
    """Third-octave spectrum of a track as it is played, kept or measured just now.

    Raises
    ------
    ProgrammeError
        If the file cannot be read.
    """
    entry = as_entry(source)

    def measured() -> Record:
        return _spectrum_record(spectrum(replace(entry, gain_db=0.0, matched=None), mono_gain_db=mono_gain_db))

    record = _recalled(store, entry, _SPECTRUM, measured, mono_gain_db=mono_gain_db)
    return Spectrum(step_s=record.values["step_s"], **record.arrays).louder_by(entry.change_db)


def _spectrum_record(found: Spectrum) -> Record:
    arrays = {"band_level_dbfs": found.band_level_dbfs, "picture_dbfs": found.picture_dbfs}
    return Record(values={"step_s": found.step_s}, arrays=arrays)


def _recalled(
    store: Store | None, entry: Entry, quantity: str, measure: Callable[[], Record], **settings: Any
) -> Record:
    """What was measured of a track, kept or measured just now."""
    question = None if store is None else store.ask_measured(entry, quantity, **settings)
    if store is None or question is None:
        return measure()
    with closing(question):
        found = question.found(lambda record: True)
        if found is not None:
            return found[1]
        record = measure()
        key = question.key()
        if key is not None:
            store.put(key, record)
        return record
