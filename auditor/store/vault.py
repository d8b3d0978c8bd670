"""Arrays kept on disk from one run of the program to the next, and found again by a key.

Each record is one file that appears only when it is whole: written under another name in the same folder and moved to
its own. It begins with a checksum of all that follows, so a damaged one counts as none. It holds numbers and JSON and
nothing that could be executed. No record depends on another and none is ever changed, so processes need no lock; where
two write the same record, the later one stands.

Once the folder holds more than its cap, the records that were not used for longest are removed.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_OURS = re.compile(r"([0-9a-f]+-[0-9a-f]{32}-[0-9a-f]{32}\.played|[0-9a-f]{32}\.seen)(\.[0-9a-f]{16}\.partial)?")
SUFFIX = ".played"
SEEN_SUFFIX = ".seen"
_PARTIAL_SUFFIX = ".partial"
_MAGIC = b"auditor record 1\n"
_DIGEST_BYTES = 32
_ALIGNED_BYTES = 64
_LONGEST_HEADER_BYTES = 1 << 24
_DTYPES = ("float16", "float32", "float64", "int64", "uint32")
_LEFT_RATIO = 0.9  # of the cap, once it was passed: so that not every write has to remove something
_ABANDONED_S = 3600.0  # after which a file that is not whole was left behind by a process that is no more
_LEAST_FILE_BYTES = 4096  # what even the smallest file takes of a disk


@dataclass(frozen=True, kw_only=True)
class Record:
    """Plain values, as JSON has them, and arrays."""

    values: dict[str, Any]
    arrays: dict[str, NDArray[Any]]


@dataclass(frozen=True, kw_only=True)
class Holding:
    """What the folder holds: records, and bytes in all."""

    records: int
    bytes: int


@dataclass(kw_only=True)
class Vault:
    """A folder of records.

    Parameters
    ----------
    folder : Path
        Made when the first record is written.
    limit_bytes : int
    tell : callable
        Told in a sentence, once, if nothing can be written.
    """

    folder: Path
    limit_bytes: int
    tell: Callable[[str], None]
    _is_silent: bool = field(default=False, init=False)

    def get(self, name: str) -> Record | None:
        """A record; None where there is none that is whole."""
        path = self.folder / f"{name}{SUFFIX}"
        try:
            content = bytearray(path.stat().st_size)
            with path.open("rb") as file:
                if file.readinto(content) != len(content):
                    return None
            record = _unpacked(content)
            os.utime(path)  # was used just now
        except (OSError, ValueError, KeyError, TypeError, MemoryError):
            return None
        return record

    def put(self, name: str, record: Record) -> None:
        """Keep a record, if it can be kept."""
        header, arrays = _packed(record)
        digest = hashlib.blake2b(header, digest_size=_DIGEST_BYTES)
        for array in arrays:
            digest.update(array)
        size = len(_MAGIC) + _DIGEST_BYTES + len(header) + sum(len(array) for array in arrays)
        if size <= self.limit_bytes:
            self.write(f"{name}{SUFFIX}", [_MAGIC, digest.digest(), header, *arrays])
            self._make_room()

    def write(self, name: str, parts: list[Any]) -> None:
        """Write a file so that it is there as a whole or not at all."""
        partial = self.folder / f"{name}.{secrets.token_hex(8)}{_PARTIAL_SUFFIX}"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            try:
                with partial.open("xb") as file:
                    for part in parts:
                        file.write(part)
                os.replace(partial, self.folder / name)
            finally:
                partial.unlink(missing_ok=True)
        except OSError as error:
            if not self._is_silent:
                self._is_silent = True
                self.tell(f"{self.folder}: nothing can be kept there for the next run: {error.strerror or error}")

    def names(self, start: str) -> list[str]:
        """Names of the records that begin with `start`, the latest used first."""
        found = [each for each in self._files() if each.name.startswith(start) and each.name.endswith(SUFFIX)]
        return [each.name.removesuffix(SUFFIX) for each in sorted(found, key=lambda each: -each.used_s)]

    def values(self, name: str) -> dict[str, Any] | None:
        """The plain values of a record alone, unchecked: for words, not for figures."""
        try:
            with (self.folder / f"{name}{SUFFIX}").open("rb") as file:
                file.seek(len(_MAGIC) + _DIGEST_BYTES)
                length = min(int.from_bytes(file.read(8), "little"), _LONGEST_HEADER_BYTES)
                values: dict[str, Any] = json.loads(file.read(length))["values"]
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return values

    def holding(self) -> Holding:
        """What there is in the folder."""
        files = list(self._files())
        return Holding(
            records=sum(each.name.endswith(SUFFIX) for each in files), bytes=sum(each.size_bytes for each in files)
        )

    def clear(self) -> None:
        """Remove every file of ours; what else is in the folder stays."""
        for each in self._files():
            (self.folder / each.name).unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self.folder.rmdir()  # stays if anything is left in it

    def _make_room(self) -> None:
        files = sorted(self._files(), key=lambda each: each.used_s)
        total = sum(each.size_bytes for each in files)
        target = self.limit_bytes if total <= self.limit_bytes else _LEFT_RATIO * self.limit_bytes
        for each in files:
            is_abandoned = each.name.endswith(_PARTIAL_SUFFIX) and time.time() - each.used_s > _ABANDONED_S
            is_under_way = each.name.endswith(_PARTIAL_SUFFIX) and not is_abandoned
            if is_abandoned or (total > target and not is_under_way):
                # Another process may have been quicker, or be reading it where open files cannot be removed.
                with contextlib.suppress(OSError):
                    (self.folder / each.name).unlink()
                total -= each.size_bytes

    def _files(self) -> Iterator[_File]:
        try:
            with os.scandir(self.folder) as entries:
                for entry in entries:
                    if _OURS.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                        with contextlib.suppress(OSError):
                            found = entry.stat()
                            yield _File(
                                name=entry.name,
                                size_bytes=max(found.st_size, _LEAST_FILE_BYTES),
                                used_s=found.st_mtime,
                            )
        except OSError:
            return


@dataclass(frozen=True, kw_only=True)
class _File:
    name: str
    size_bytes: int
    used_s: float


def _packed(record: Record) -> tuple[bytes, list[Any]]:
    """Header and arrays as they stand in the file; the header says where each array is."""
    fields, arrays, position = [], [], 0
    for name, array in record.arrays.items():
        whole = np.ascontiguousarray(array)
        fields.append({"name": name, "dtype": str(whole.dtype), "shape": whole.shape, "position": position})
        padding = -whole.nbytes % _ALIGNED_BYTES
        arrays += [whole.reshape(-1).view(np.uint8).data, bytes(padding)]
        position += whole.nbytes + padding
    text = json.dumps({"values": record.values, "arrays": fields}).encode()
    text += b" " * (-(len(_MAGIC) + _DIGEST_BYTES + 8 + len(text)) % _ALIGNED_BYTES)
    return len(text).to_bytes(8, "little") + text, arrays


def _unpacked(content: bytearray) -> Record:
    """The record in a file.

    Raises
    ------
    ValueError, KeyError, TypeError
        If it is damaged.
    """
    start = len(_MAGIC) + _DIGEST_BYTES
    if content[: len(_MAGIC)] != _MAGIC:
        raise ValueError("not a record")
    view = memoryview(content)
    if hashlib.blake2b(view[start:], digest_size=_DIGEST_BYTES).digest() != content[len(_MAGIC) : start]:
        raise ValueError("damaged")
    header_end = start + 8 + int.from_bytes(content[start : start + 8], "little")
    header = json.loads(bytes(content[start + 8 : header_end]))
    arrays = {}
    for each in header["arrays"]:
        if each["dtype"] not in _DTYPES:
            raise ValueError("not an array of numbers")
        count = int(np.prod(each["shape"], dtype=np.int64))
        array = np.frombuffer(content, dtype=each["dtype"], count=count, offset=header_end + each["position"])
        arrays[each["name"]] = array.reshape(each["shape"])
    return Record(values=header["values"], arrays=arrays)
