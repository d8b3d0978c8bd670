"""Where the fader stands for a track, where the rig rides it to one loudness."""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.report import figures

if TYPE_CHECKING:
    from auditor.programme.entry import Entry


def stands(entry: Entry | None) -> str:
    """The gain alone: `+3.2 dB`; empty where none is ridden."""
    if entry is None or entry.matched is None:
        return ""
    return f"{entry.matched.gain_db:+.1f} dB" if entry.matched.gain_db else "0.0 dB"


def told(entry: Entry | None) -> str:
    """The gain with what it is from; empty where none is ridden."""
    if entry is None or entry.matched is None:
        return ""
    matched = entry.matched
    if matched.file_lufs is None:
        text = "left where it was, for there is no loudness to go by"
    else:
        before, after = figures.tenths(matched.file_lufs), figures.tenths(matched.target_lufs)
        text = f"{stands(entry)}, from {before} to {after} LUFS"
    return f"{text}; a trim of {entry.gain_db:+.1f} dB on top" if entry.gain_db else text
