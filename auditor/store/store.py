"""The folder in which what was played is kept for the next run: where it is, how large it may become, and its use."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from auditor.errors import AuditorError
from auditor.store.identity import Content, Key, measured_tables, played_tables
from auditor.store.vault import Record, Vault
from auditor.store.words import why_played

if TYPE_CHECKING:
    from auditor.programme.entry import Entry
    from auditor.programme.sound_file import Programme
    from auditor.rig import Rig

FOLDER_VARIABLE = "AUDITOR_CACHE_DIR"
LIMIT_VARIABLE = "AUDITOR_CACHE_MB"
REREAD_VARIABLE = "AUDITOR_CACHE_REREAD"
DEFAULT_LIMIT_MB = 2000
_MOST_EARLIER = 32


class Unsaid:
    """In place of telling: sentences kept for another process, which has the terminal."""

    def __init__(self) -> None:
        self._lines: list[str] = []

    def __call__(self, line: str) -> None:
        self._lines.append(line)

    def take(self) -> tuple[str, ...]:
        """All since the last time."""
        taken, self._lines = tuple(self._lines), []
        return taken


@dataclass(frozen=True, kw_only=True)
class Store:
    """What `auditor.chain.play` asks before it plays a file.

    Parameters
    ----------
    vault : Vault
    trusts_dates : bool
        Whether a file whose size, dates and number on the disk are as before is taken to be the same.
    tell : callable
        Told in a sentence why a file that is known has to be played again.
    explains : bool
        False where rigs of the program's own are tried, which nobody asked about.
    wants_spectra : bool
        Whether the third octaves of what is played are to be kept beside it, in the same pass over the samples.
    """

    vault: Vault
    trusts_dates: bool
    tell: Callable[[str], None]
    explains: bool = True
    wants_spectra: bool = False
    _said: set[str] = field(default_factory=set, init=False, repr=False)

    @staticmethod
    def at_default(*, tell: Callable[[str], None], wants_spectra: bool = False) -> Store | None:
        """The store that the environment names, or the platform's folder for caches; None where it is to keep nothing.

        Raises
        ------
        AuditorError
            If the environment asks for a size that is none.
        """
        vault = default_vault(tell=tell)
        if vault.limit_bytes == 0:
            return None
        trusts_dates = not os.environ.get(REREAD_VARIABLE)
        return Store(vault=vault, trusts_dates=trusts_dates, tell=tell, wants_spectra=wants_spectra)

    def for_workers(self) -> Store:
        """The same for another process: what is to be told is kept there, in an `Unsaid`."""
        unsaid = Unsaid()
        return replace(self, tell=unsaid, vault=replace(self.vault, tell=unsaid))

    def unsaid(self) -> tuple[str, ...]:
        """What is to be told elsewhere, since the last time."""
        return self.tell.take() if isinstance(self.tell, Unsaid) else ()

    def for_trials(self) -> Store:
        """The same for rigs that nobody asked about: nothing is explained, nor measured beside."""
        return replace(self, explains=False, wants_spectra=False)

    def ask(self, programme: Programme, rig: Rig, *, frame_s: float | None) -> Question | None:
        """Whether there is something of this track through this rig; None if the file cannot be looked at."""
        try:
            content = Content(programme.path, self.vault, trusts_dates=self.trusts_dates)
        except OSError:
            return None
        tables = played_tables(programme, rig, frame_s=frame_s)
        return Question(store=self, content=content, tables=tables)

    def ask_measured(self, entry: Entry, quantity: str, **settings: Any) -> Question | None:
        """Whether that of the track has been measured so; None if the file cannot be looked at."""
        try:
            content = Content(entry.path, self.vault, trusts_dates=self.trusts_dates)
        except OSError:
            return None
        return Question(store=self, content=content, tables=measured_tables(entry, quantity, **settings))

    def get(self, key: Key) -> Record | None:
        """A record; None where there is none that is whole."""
        return self.vault.get(key.name)

    def put(self, key: Key, record: Record) -> None:
        """Keep a record, and beside it what it was found by, which may be named some day if somebody asked for it."""
        beside = {"played": key.played, "was_asked": self.explains}
        self.vault.put(key.name, replace(record, values={**record.values, **beside}))

    def say_once(self, sentence: str) -> None:
        """Tell something that is not to be told for every channel, or for every track."""
        if sentence not in self._said:
            self._said.add(sentence)
            self.tell(sentence)


@dataclass(kw_only=True)
class Question:
    """One track through one rig.

    Parameters
    ----------
    store : Store
    content : Content
    tables : dict
        All that decides what is played of it.
    """

    store: Store
    content: Content
    tables: dict[str, Any]

    def found(self, is_enough: Callable[[Record], bool]) -> tuple[Key, Record] | None:
        """What was kept, if that is enough; otherwise it is said why the file has to be played again."""
        if not self.content.may_be_known:
            return None
        key = self.key()
        if key is None:
            return None
        record = self.store.vault.get(key.name)
        if record is not None and is_enough(record):
            return key, record
        if record is None:
            self._say_why(key)
        return None

    def key(self) -> Key | None:
        """What a record of it is found by; None if the file is no longer what it was."""
        content = self.content.name()
        return None if content is None else Key(content=content, played=self.tables)

    def close(self) -> None:
        """End what is under way."""
        self.content.close()

    def _say_why(self, key: Key) -> None:
        if not self.store.explains:
            return
        vault = self.store.vault
        earlier = [vault.values(name) or {} for name in vault.names(f"{key.content}-")[:_MOST_EARLIER]]
        asked = [values.get("played", {}) for values in earlier if values.get("was_asked")]
        why = why_played(asked, key.played)
        if why is not None:
            self.store.say_once(why)


def default_folder() -> Path:
    """Where records are kept."""
    from platformdirs import user_cache_path

    given = os.environ.get(FOLDER_VARIABLE)
    return Path(given) if given else user_cache_path("auditor", appauthor=False) / "played"


def default_vault(*, tell: Callable[[str], None]) -> Vault:
    """The folder of that store, whatever may be kept in it.

    Raises
    ------
    AuditorError
        As `Store.at_default`.
    """
    return Vault(folder=default_folder(), limit_bytes=_limit_bytes(), tell=tell)


def _limit_bytes() -> int:
    given = os.environ.get(LIMIT_VARIABLE, "").strip()
    if not given:
        return DEFAULT_LIMIT_MB * 1_000_000
    if not given.isdecimal():
        raise AuditorError("is no size", where=LIMIT_VARIABLE, got=given, allowed="whole megabytes, 0 to keep nothing")
    return int(given) * 1_000_000
