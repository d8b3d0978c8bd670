"""What a record is found by: the bytes of the sound file, what is played of it, and all of the rig that sound meets.

**File.** A digest of every byte of it (BLAKE2b). So that a file need not be read to its end each time, its digest is
remembered beside its place, size, dates and number on the disk; as long as none of them has changed it is taken to be
the same file. Only a change that leaves all of these as they were goes unseen: damage by the disk itself, or a program
that sets back the clock. A file that was changed less than two seconds before is not remembered.

**Rig.** Everything but what stands behind the crossover's filter: protection, driver, site, and the pad, which is one
factor on what comes out of it.

**Program.** Its own version, the text of every module that samples pass through, and the libraries that compute.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
import threading
import time
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

import auditor
from auditor.chain.divider import is_per_frequency
from auditor.programme.entry import as_entry
from auditor.programme.files import mark
from auditor.store.vault import SEEN_SUFFIX

if TYPE_CHECKING:
    from auditor.programme.entry import Entry
    from auditor.programme.sound_file import Programme
    from auditor.rig import Rig
    from auditor.store.vault import Vault

# Of the rig and of an entry: what does not change what is played. Whatever is added to them counts until named here.
BEHIND = ("protection", "site", "assumed", "path")
BEHIND_OF_DRIVER = (
    "rated_impedance_ohm",
    "dc_resistance_ohm",
    "continuous_power_w",
    "program_power_w",
    "peak_power_w",
    "coil_material",
    "coil_diameter_mm",
    "coil_temp_limit_c",
    "coil_thermal_resistance_k_per_w",
    "body_thermal_resistance_k_per_w",
    "coil_time_constant_s",
    "body_time_constant_s",
    "series_count",
    "parallel_count",
    "excursion_limit_mm",
)
BEFORE_A_DOME = ("dc_resistance_ohm", "series_count")  # by the coil's current it moves, and by its share of the voltage
_NAMES = ("path", "title", "turn", "notes")
_RACY_S = 2.0
_READ_BYTES = 1 << 20
_MODULES = (
    "chain",
    "driver",
    "programme",
    "published",
    "arrays.py",
    "division.py",
    "kernels.py",
    "network_parts.py",
    "rig.py",
    "units.py",
)


@dataclass(frozen=True, kw_only=True)
class Key:
    """What a record is found by.

    content : str
        Digest of the file, with its size before it.
    played : dict
        What was done with it, in tables; JSON.
    """

    content: str
    played: dict[str, Any]

    @property
    def name(self) -> str:
        """The record's own name, which begins with `content`."""
        text = json.dumps(self.played, sort_keys=True)
        return f"{self.content}-{hashlib.blake2b(text.encode(), digest_size=16).hexdigest()}"

    def of(self, **more: Any) -> Key:
        """The key of something derived from the same playing."""
        return Key(content=self.content, played={**self.played, **more})


def played_tables(programme: Programme, rig: Rig, *, frame_s: float | None) -> dict[str, Any]:
    """All that decides what comes out of the crossover's filter, but the file itself."""
    tables = {each.name: _plain(getattr(rig, each.name)) for each in fields(rig) if each.name not in BEHIND}
    del tables["crossover"]["pad_db"]
    if not is_per_frequency(rig):  # otherwise the frames tell how part and driver divide them
        for name in BEHIND_OF_DRIVER:
            if rig.driver.dome is None or name not in BEFORE_A_DOME:
                del tables["driver"][name]
    tables["entry"] = _entry_table(as_entry(programme.source))
    tables["frame_s"] = frame_s
    tables["program"] = _program()
    if programme.index is not None:
        import av  # has read it, so it is there already

        tables["program"] = {**_program(), "av": av.__version__, "codecs": str(av.library_versions)}
    return tables


def measured_tables(entry: Entry, quantity: str, **settings: Any) -> dict[str, Any]:
    """All that decides what is measured of a track before any gain, but the file itself."""
    table = _entry_table(entry)
    for name in ("gain_db", "matched"):
        del table[name]
    return {quantity: {**table, **settings}, "program": _program()}


def _entry_table(entry: Entry) -> dict[str, Any]:
    table = {each.name: _plain(getattr(entry, each.name)) for each in fields(entry) if each.name not in _NAMES}
    table["suffix"] = Path(entry.path).suffix.lower()  # by which headerless sound is told
    return table


def _plain(value: Any) -> Any:
    """Tables, lists and values as JSON has them; of an array its digest."""
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, np.ndarray):
        return hashlib.blake2b(np.ascontiguousarray(value).tobytes(), digest_size=16).hexdigest()
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    return value


@functools.cache
def _program() -> dict[str, str]:
    """Version, libraries, and a digest of the modules that samples pass through."""
    import numba
    import scipy
    import soundfile

    here = Path(__file__).parents[1]
    digest = hashlib.blake2b(digest_size=16)
    for name in _MODULES:
        for path in sorted((here / name).rglob("*.py")) if (here / name).is_dir() else [here / name]:
            digest.update(path.read_bytes())
    return {
        "version": auditor.__version__,
        "modules": digest.hexdigest(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "numba": numba.__version__,
        "libsndfile": soundfile.__libsndfile_version__,
    }


class Content:
    """The bytes of a file: remembered, read now, or being read beside the work where nothing can be found anyway.

    Parameters
    ----------
    path : str
    vault : Vault
    trusts_dates : bool
        Whether a file whose size, dates and number are as before is taken to be the same.
    """

    def __init__(self, path: str, vault: Vault, *, trusts_dates: bool) -> None:
        self._path, self._vault = path, vault
        self._stat = os.stat(path)
        self._looked_s = time.time()
        self._remembered = self._recall() if trusts_dates else None
        self._reading: _Reading | None = None
        self.may_be_known = True
        if self._remembered is None:
            self.may_be_known = bool(vault.names(f"{self._stat.st_size:x}-"))
            self._reading = _Reading(path)
            self._reading.start()

    def name(self) -> str | None:
        """Size and digest; None if the file was changed meanwhile, or cannot be read."""
        try:
            digest = self._remembered if self._reading is None else self._reading.digest()
            if digest is None or mark(os.stat(self._path)) != mark(self._stat):
                return None
        except OSError:
            return None
        finally:
            self.close()
        if self._remembered is None and self._looked_s - max(self._stat.st_mtime, self._stat.st_ctime) > _RACY_S:
            note = {"mark": mark(self._stat), "digest": digest}
            self._vault.write(self._seen_name, [json.dumps(note).encode()])
            self._remembered = digest
        return f"{self._stat.st_size:x}-{digest}"

    def close(self) -> None:
        """Let go of a file that is still being read."""
        if self._reading is not None:
            self._reading.stop.set()

    @property
    def _seen_name(self) -> str:
        place = hashlib.blake2b(os.fsencode(os.path.abspath(self._path)), digest_size=16).hexdigest()
        return f"{place}{SEEN_SUFFIX}"

    def _recall(self) -> str | None:
        place = self._vault.folder / self._seen_name
        try:
            note = json.loads(place.read_bytes())
            os.utime(place)  # was used just now
            return str(note["digest"]) if tuple(note["mark"]) == mark(self._stat) else None
        except (OSError, ValueError, KeyError, TypeError):
            return None


class _Reading(threading.Thread):
    """Reads a file through for its digest.

    A daemon, for which the program does not wait when it ends: a pool's thread can be left waiting for ever by a signal
    that comes while it is being started.
    """

    def __init__(self, path: str) -> None:
        super().__init__(name="digest", daemon=True)
        self._path = path
        self._found: str | OSError | None = None
        self.stop = threading.Event()

    def run(self) -> None:
        digest = hashlib.blake2b(digest_size=16)
        try:
            with open(self._path, "rb") as file:
                while (part := file.read(_READ_BYTES)) and not self.stop.is_set():
                    digest.update(part)
        except OSError as error:
            self._found = error
        else:
            self._found = None if self.stop.is_set() else digest.hexdigest()

    def digest(self) -> str | None:
        """The digest once all is read; None where the reading was stopped.

        Raises
        ------
        OSError
            If the file cannot be read.
        """
        self.join()
        if isinstance(self._found, OSError):
            raise self._found
        return self._found
