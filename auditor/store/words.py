"""Why a file that was played before has to be played again, in a sentence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

_REASONS = {
    "level": "the amplifier may clip differently at the new level",
    "amplifier": "the amplifier clips differently",
    "equaliser": "behind another equaliser the amplifier may clip differently",
    "limiters": "a limiter answers to every sample",
    "crossover": "another crossover lets other parts of the wave through",
    "driver": "by its impedance and its moving parts every frame is worked out",
}
_DERIVED = ("unity_v",)  # follows from what is named beside it
_CUT = ("entry", "frame_s", "program")
_MOST_TOLD = 3  # of one table


def why_played(earlier: Sequence[Mapping[str, Any]], now: Mapping[str, Any]) -> str | None:
    """What of the rig is another than when the file was played before, and why that takes the samples.

    Parameters
    ----------
    earlier : sequence of mapping
        How it was played before, as `auditor.store.identity.played_tables` has it; the nearest of them is named.
    now : mapping

    Returns
    -------
    str or None
        None where it is not the rig, but the cut or the program.
    """
    found = [
        list(_changes(before, now))
        for before in earlier
        if "replayed" not in before and all(before.get(table) == now.get(table) for table in _CUT)
    ]
    nearest = min((changes for changes in found if changes), key=len, default=None)
    if nearest is None:
        return None
    what = ", ".join(change for _, change in nearest)
    reasons = "; ".join(dict.fromkeys(_REASONS[table] for table, _ in nearest))
    return f"{what}: {reasons}, so what was played before is read from its samples again"


def _changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Table and words of everything that is another."""
    for table in _REASONS:
        old, new = before.get(table), now.get(table)
        if old == new:
            continue
        if not (isinstance(old, Mapping) and isinstance(new, Mapping)):
            yield table, f"another {table.removesuffix('s')}"
            continue
        keys = [key for key, value in new.items() if old.get(key) != value]
        keys = [key for key in keys if key not in _DERIVED] or keys
        if len(keys) > _MOST_TOLD:
            yield table, f"another {table}"
            continue
        for key in keys:
            yield table, _change(f"{table}.{key}", old.get(key), new[key])


def _change(name: str, old: Any, new: Any) -> str:
    """In words; the values themselves only where both are a number or a word."""
    plain = all(isinstance(value, str | int | float) and not isinstance(value, bool) for value in (old, new))
    return f"{name} {_shown(new)} instead of {_shown(old)}" if plain else f"another {name}"


def _shown(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:g}"
