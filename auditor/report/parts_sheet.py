"""The list of parts, for a person and for a machine: each row with its source and whether it was read there."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rich.text import Text

from auditor.parts import LAMP_RATINGS, LampPart, lamps
from auditor.report import layout, palette
from auditor.report.figures import as_given

if TYPE_CHECKING:
    from rich.console import Console

SCHEMA_VERSION = 1
_HEAD = ("part", "V", "A", "W", "lm", "life h", "T_d K", "loss", "status", "source")
_NUMBERS = tuple(range(1, 8))


def parts_record() -> dict[str, Any]:
    """The list as one JSON document; absent is null."""
    rows = [
        {**asdict(lamp), "design_power_w": round(lamp.design_power_w, 4), "status": lamp.status}
        for lamp in lamps().values()
    ]
    return {"schema_version": SCHEMA_VERSION, "lamps": rows}


def show_parts(*, console: Console) -> None:
    """Write the list as a table, then its sources and what to know about it.

    Parameters
    ----------
    console : rich.console.Console
        From `auditor.report.terminal.make_console`.
    """
    sheet = layout.Sheet(console=console, glyphs=palette.ASCII, width=console.width)
    known = list(lamps().values())
    sources = list(dict.fromkeys(lamp.source for lamp in known))
    head = [Text(text, style=palette.STRONG) for text in _HEAD]
    sheet.line()
    sheet.paragraph(f"{len(known)} lamps, ratings at the design voltage", label="Lamps  ")
    sheet.line()
    rows = [_row(lamp, sources.index(lamp.source) + 1) for lamp in known]
    for line in layout.table([head, *rows], right=_NUMBERS):
        sheet.line(line)
    sheet.line()
    for number, source in enumerate(sources, start=1):
        sheet.paragraph(f"{source}.", label=f"[{number}] ")
    for text in _REMARKS:
        sheet.paragraph(text)
    for lamp in known:
        if lamp.note:
            sheet.paragraph(f"{lamp.note}.", label=f"{lamp.part}: ")
    sheet.line()


_REMARKS = (
    "Status: R read in the source; P only the values named; M from memory, not verified. Makers hold rated currents to "
    "10 %. A dash: not known.",
    "T_d (filament temperature at the design voltage) and loss (share of power lost to gas and leads) follow the "
    "lamp's class and are assumed throughout.",
)


def _row(lamp: LampPart, source: int) -> list[Text | str]:
    optional = ["-" if value is None else as_given(value) for value in (lamp.light_lm, lamp.rated_life_h)]
    return [
        lamp.part,
        as_given(lamp.design_voltage_v),
        f"{lamp.design_current_a:.2f}",
        f"{lamp.design_power_w:.1f}",
        *optional,
        as_given(lamp.design_temp_k),
        as_given(lamp.gas_loss_ratio),
        _status(lamp),
        f"[{source}]",
    ]


def _status(lamp: LampPart) -> Text:
    if lamp.status == "from memory":
        return Text("M memory", style=palette.AMBER)
    if lamp.status == "read":
        return Text("R read", style=palette.BLUE)
    units = dict(zip(LAMP_RATINGS, ("W", "V", "A", "lm", "h"), strict=True))
    return Text(f"P {' '.join(units[name] for name in lamp.read)}", style=palette.BLUE)
