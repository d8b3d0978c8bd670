"""A valid rig on the terminal: its resolved values, where full scale stands against clipping, and what is assumed.

A value the rig file left out carries the letter A, one from the list of parts the letter L; colour only repeats it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from rich.text import Text

from auditor import protection
from auditor.parts import LAMP_RATINGS, find_lamp
from auditor.parts.protective import BreakerPart, FusePart, breakers, fuses
from auditor.parts.resettables import ResettablePart, find_resettable
from auditor.protection.breaker import Breaker
from auditor.protection.fuse import Fuse
from auditor.protection.lamp import Lamp
from auditor.protection.resettable import Resettable
from auditor.report import layout, palette, wiring_words, words
from auditor.report.circuit_lines import farads, henries
from auditor.report.figures import as_given, watts
from auditor.rig import describe_assumptions, rig_as_dict
from auditor.rig_assumptions import shown_value
from auditor.rig_effects import effect
from auditor.rig_faults import PARTS
from auditor.rig_processor import limiter_notes
from auditor.rig_tables import TABLE_NAMES, TABLES
from auditor.rig_value_faults import unit_of

if TYPE_CHECKING:
    from collections.abc import Set as AbstractSet

    from rich.console import Console

    from auditor.rig import Rig

ASSUMED, LISTED, GIVEN = "A", "L", ""
_PRINTED = {"F": farads, "H": henries}
# How most rigs are wired: not worth a row.
_PLAIN = (
    ("band", "full"),
    ("bridged", False),
    ("boxes", 1),
    ("channels", "each"),
    ("series_count", 1),
    ("parallel_count", 1),
)


def show_rig(rig: Rig, *, given: AbstractSet[str], console: Console) -> None:
    """Write the whole sheet.

    Parameters
    ----------
    rig : Rig
    given : set of str
        Keys of the rig file's ``[protection]`` table, by which a value of its own differs from a listed one like it.
    console : rich.console.Console
        From `auditor.report.terminal.make_console`.
    """
    sheet = layout.Sheet(console=console, glyphs=palette.ASCII, width=console.width)
    sheet.line()
    sheet.paragraph("valid", label=f"{sheet.safe(rig.path)}: ")
    sheet.line()
    for line in layout.table([[*row[:-1], _mark(row[-1])] for row in _rows(rig, given)], right=(2,)):
        sheet.line(line)
    sheet.line()
    sheet.paragraph(
        "A assumed, because the rig file leaves it out; L listed, from `auditor parts`; no letter: from the rig file.",
        style=palette.QUIET,
    )
    sheet.line()
    for label, text in _sentences(rig, given):
        sheet.paragraph(text, label=f"{label:<12}")
    if rig.assumed:
        sheet.line()
        count = len(rig.assumed)
        sheet.paragraph(f"{count} value{'s are' if count > 1 else ' is'} assumed:", style=palette.STRONG)
        for key, text in zip(rig.assumed, describe_assumptions(rig), strict=True):
            sheet.paragraph(text, label=f"{ASSUMED}  ", label_style=f"bold {palette.AMBER}")
            sheet.paragraph(f"knowing it changes: {effect(key)}.", label="   ", style=palette.QUIET)
    sheet.line()


def _mark(mark: str) -> Text:
    signs = {ASSUMED: ("A assumed", f"bold {palette.AMBER}"), LISTED: ("L listed", palette.BLUE)}
    return Text(*signs[mark]) if mark in signs else Text("")


def _rows(rig: Rig, given: AbstractSet[str]) -> list[tuple[str, str, str, str, str]]:
    """Table name (on its first row), key, value, unit and mark."""
    rows = []
    for dotted, values in _tables(rig):
        table = dotted.rstrip("0123456789").rstrip(".")
        model = protection.method(rig.protection.kind).Table if table == "protection" else TABLES[table]
        first = True
        for key, value in values.items():
            if value is None or _idle(rig, table, values, key) or key not in model.model_fields:
                continue
            mark = _origin(rig, dotted, key, given)
            rows.append((dotted if first else "", key, *_shown(value, unit_of(model, key), mark), mark))
            first = False
    return rows


def _tables(rig: Rig) -> list[tuple[str, dict[str, Any]]]:
    """The tables in the order of the signal, those that stand several times one by one with their number."""
    values = rig_as_dict(rig)
    parts = values["crossover"].pop("parts", None)
    tables = [(name, values[name]) for name in TABLE_NAMES if name in values]
    if parts is not None:
        tables.insert([name for name, _ in tables].index("protection"), (PARTS, parts))
        values["crossover"].clear()
    return [
        (f"{name}.{number}" if isinstance(found, list) else name, each)
        for name, found in tables
        for number, each in enumerate(found if isinstance(found, list) else [found], start=1)
    ]


def _idle(rig: Rig, table: str, values: dict[str, Any], key: str) -> bool:
    if table == "amplifier":
        return (key, values[key]) in _PLAIN
    if table == "limiter":
        return key == "averaging_s" and values["detector"] == "peak"
    if table in ("level", "driver"):
        unchanged = key == "gain_db" and not values[key] and rig.level.calibration != "line_up"
        return unchanged or (key, values[key]) in _PLAIN
    if table == "equaliser":
        return False
    return table == "crossover" and rig.crossover.alignment == "none" and key in ("order", "frequency_hz")


def _origin(rig: Rig, dotted: str, key: str, given: AbstractSet[str]) -> str:
    if f"{dotted}.{key}" in rig.assumed:
        return ASSUMED
    # A part's values come from nowhere else: given, assumed or listed.
    return LISTED if dotted == "protection" and key not in given else GIVEN


def _shown(value: Any, unit: str, mark: str) -> tuple[str, str]:
    """A value and its unit, capacitors and inductors in those that are printed on them."""
    if unit in _PRINTED:
        number, _, printed = _PRINTED[unit](value).partition(" ")
        return number, printed
    if isinstance(value, bool):
        return "true" if value else "false", unit
    if isinstance(value, str):
        return value, unit
    return shown_value(value, "") if mark == ASSUMED else as_given(value), unit


def _sentences(rig: Rig, given: AbstractSet[str]) -> list[tuple[str, str]]:
    full_scale_v, rail_v = rig.full_scale_v, rig.amplifier.rail_v
    sentences = [
        ("Full scale", f"a 0 dBFS sine would be {full_scale_v:.4g} V rms, {full_scale_v * math.sqrt(2):.4g} V peak."),
        ("Known by", f"{wiring_words.calibration(rig)}."),
        ("Rail", f"the amplifier clips at {rail_v:.4g} V peak, a sine of {rail_v / math.sqrt(2):.4g} V rms."),
        ("Headroom", _headroom(rig.headroom_db)),
        ("HF driver", _largest_sine(rig)),
    ]
    if rig.crossover.network is not None:
        sentences.append(("Network", _network(rig)))
    wiring = {
        "Fader": wiring_words.ridden,
        "Mono": wiring_words.mixing,
        "Load": wiring_words.load,
        "HF drivers": wiring_words.drivers,
    }
    sentences += [(label, told) for label, tell in wiring.items() if (told := tell(rig))]
    sentences += [("Limiter", note) for note in limiter_notes(rig)]
    sentences += [("Note", words.sentence(note)) for note in rig.notes]
    listed = [key for table, key, _, _, mark in _rows(rig, given) if mark == LISTED]
    if listed:
        sentences.append(("Part", _part(rig, listed)))
    return sentences


def _network(rig: Rig) -> str:
    crossover = rig.crossover
    loss_db = crossover.pad_db
    part = "" if rig.protection.kind == "none" else words.device(rig)
    without, behind = (f"without the {part} and ", f", with the {part} in it") if part else ("", "")
    most = f"takes {loss_db:.1f} dB" if loss_db >= 0.0 else f"adds {-loss_db:.1f} dB"
    if crossover.alignment == "none":
        return f"it {most} where it passes most, and has no corner: it keeps no bass from the driver."
    return (
        f"{without}into the cold driver it {most} where it passes most, and is 3 dB further down at "
        f"{crossover.frequency_hz:.0f} Hz. `auditor rig show` draws it{behind}."
    )


def _part(rig: Rig, listed: list[str]) -> str:
    """Which part of the list it is, where the list has it from, and what was read there."""
    part = rig.protection
    if isinstance(part, Lamp):
        lamp = find_lamp(part.part or "")
        if lamp is None:
            return ""
        remembered = ", ".join(name for name in LAMP_RATINGS if name not in lamp.read)
        read = f"read: {', '.join(lamp.read)}; " if lamp.read else ""
        return f"{lamp.part}, {lamp.source}; {read}from memory: {remembered or 'nothing'}."
    row: FusePart | BreakerPart | ResettablePart | None = None
    if isinstance(part, Fuse):
        stamp = (part.characteristic, part.body, part.rating_a)
        row = next((each for each in fuses() if (each.characteristic, each.body, each.rating_a) == stamp), None)
    elif isinstance(part, Breaker):
        row = next((each for each in breakers() if each.rating_a == part.rating_a), None)
    elif isinstance(part, Resettable):
        row = find_resettable(part.hold_a)
    if row is None:
        return ""
    name = row.part if isinstance(row, ResettablePart) else part.part
    return f"{name}, {row.source}; {row.status}: {', '.join(listed)}."


def _headroom(headroom_db: float) -> str:
    if headroom_db < -0.05:
        return (
            f"a 0 dBFS sine would be {-headroom_db:.1f} dB past clipping: "
            f"the amplifier clips whatever peaks above {headroom_db:.1f} dBFS."
        )
    if headroom_db < 0.05:
        return "a 0 dBFS sine stands right at clipping."
    return f"a 0 dBFS sine stays {headroom_db:.1f} dB below clipping: nothing within full scale is clipped."


def _largest_sine(rig: Rig) -> str:
    one = "each" if rig.driver.series_count * rig.driver.parallel_count > 1 else "it"
    return (
        f"the largest unclipped sine puts {watts(wiring_words.largest_sine_w(rig))} on {one} without protection, "
        f"against a continuous rating of {as_given(rig.driver.continuous_power_w)} W."
    )
