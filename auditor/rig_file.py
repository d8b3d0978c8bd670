"""A rig file as text: reads it, says what is not TOML in it, and knows on which line a key stands."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from auditor.errors import AuditorError, Fault, RigError

LARGEST_FILE_BYTES = 1_000_000  # a rig file has a few kilobytes; a programme named by mistake has more
_HEADER = re.compile(r"\s*(\[\[?)\s*([\w.\-]+)\s*\]")
_KEY = re.compile(r"""\s*["']?([\w.\-]+)["']?\s*=""")


def read_toml(name: str) -> tuple[dict[str, Any], str]:
    """The document of a rig file and its text.

    Raises
    ------
    AuditorError
        If the file cannot be read, or is not TOML.
    """
    text = _read_text(Path(name), name)
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        raise RigError(name, [_syntax_fault(str(error))]) from None
    except (RecursionError, ValueError):
        # Arrays nested a thousand deep, integers of thousands of digits.
        raise RigError(
            name, [Fault(key="", what="not readable as TOML", hint="nested too deep or a huge number")]
        ) from None


def with_lines(faults: list[Fault], text: str) -> list[Fault]:
    """The faults in the order of the file, each with the line of its key, or of its table where that is not there."""
    lines = key_lines(text)
    found = [replace(each, line=lines.get(each.key, lines.get(each.key.rpartition(".")[0]))) for each in faults]
    return sorted(found, key=lambda each: each.line or 0)


def key_lines(text: str) -> dict[str, int]:
    """Line number of each table and dotted key; tables in double brackets by their number, as faults name them.

    Goes by the beginnings of lines, as people write rig files: a key within an inline table is not found.
    """
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    table = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            brackets, table = header.groups()
            if brackets == "[[":
                counts[table] = counts.get(table, 0) + 1
                lines.setdefault(table, number)
                table = f"{table}.{counts[table]}"
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault(f"{table}.{key.group(1)}" if table else key.group(1), number)
    return lines


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
