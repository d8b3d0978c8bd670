"""The list of parts, for a person and for a machine: each row with its source and whether it was read there.

One section for each kind of part, with a table of its own; the sources are numbered over the whole sheet.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from rich.text import Text

from auditor.parts import KINDS, LAMP_RATINGS, LampPart, PartKind, lamps
from auditor.parts.protective import breakers, fuses
from auditor.parts.resettables import resettables
from auditor.protection import breaker, fuse
from auditor.report import layout, palette
from auditor.report.figures import as_given

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console

    from auditor.published import OpeningGates, Published

SCHEMA_VERSION = 1


def parts_record(kind: PartKind | None = None) -> dict[str, Any]:
    """The list as one JSON document, or what it holds of one kind of part; absent is null.

    Parameters
    ----------
    kind : {"lamp", "fuse", "breaker", "resettable"} or None
        None for every kind.
    """
    rows: dict[str, Callable[[], list[dict[str, Any]]]] = {
        "lamp": lambda: [
            {**asdict(lamp), "design_power_w": round(lamp.design_power_w, 4), "status": lamp.status}
            for lamp in lamps().values()
        ],
        "fuse": lambda: [asdict(each) for each in fuses()],
        "breaker": lambda: [asdict(each) for each in breakers()],
        "resettable": lambda: [asdict(each) for each in resettables()],
    }
    return {"schema_version": SCHEMA_VERSION} | {f"{name}s": rows[name]() for name in _wanted(kind)}


def show_parts(kind: PartKind | None = None, *, console: Console) -> None:
    """Write a table for each kind of part with what to know about it, then the sources.

    Parameters
    ----------
    kind : {"lamp", "fuse", "breaker", "resettable"} or None
        None for every kind.
    console : rich.console.Console
        From `auditor.report.terminal.make_console`.
    """
    sheet = layout.Sheet(console=console, glyphs=palette.ASCII, width=console.width)
    sections = {"lamp": _show_lamps, "fuse": _show_fuses, "breaker": _show_breakers, "resettable": _show_resettables}
    sources = _Sources()
    for name in _wanted(kind):
        sheet.line()
        sections[name](sheet, sources)
    sheet.line()
    for number, source in enumerate(sources.known, start=1):
        sheet.paragraph(f"{source}.", label=f"[{number}] ")
    sheet.paragraph(_STATUS)
    sheet.line()


_STATUS = (
    "Status: R read in the source; P only the values named; M from memory, not verified. A dash: not known or not "
    "printed."
)


def _short(status: str) -> Text:
    known = {"read": ("R read", palette.BLUE), "from memory": ("M memory", palette.AMBER)}
    return Text(*known.get(status, (status, palette.AMBER)))


def _wanted(kind: PartKind | None) -> Sequence[PartKind]:
    return KINDS if kind is None else (kind,)


class _Sources:
    """Numbers the sources in the order in which the sheet first cites them."""

    def __init__(self) -> None:
        self.known: list[str] = []

    def cite(self, source: str) -> str:
        if source not in self.known:
            self.known.append(source)
        return f"[{self.known.index(source) + 1}]"


def _show_table(sheet: layout.Sheet, head: Sequence[str], rows: Sequence[Sequence[Text | str]], numbers: range) -> None:
    sheet.line()
    for line in layout.table([[Text(text, style=palette.STRONG) for text in head], *rows], right=numbers):
        sheet.line(line)
    sheet.line()


def _show_lamps(sheet: layout.Sheet, sources: _Sources) -> None:
    known = list(lamps().values())
    sheet.paragraph(f"{len(known)} lamps, ratings at the design voltage", label="Lamps  ")
    head = ("part", "V", "A", "W", "lm", "life h", "T_d K", "loss", "status", "source")
    _show_table(sheet, head, [_lamp_row(lamp, sources) for lamp in known], range(1, 8))
    sheet.paragraph("Makers hold rated currents to 10 %.")
    sheet.paragraph(
        "T_d (filament temperature at the design voltage) and loss (share of power lost to gas and leads) follow the "
        "lamp's class and are assumed throughout."
    )
    for lamp in known:
        if lamp.note:
            sheet.paragraph(f"{lamp.note}.", label=f"{lamp.part}: ")


def _lamp_row(lamp: LampPart, sources: _Sources) -> list[Text | str]:
    optional = ["-" if value is None else as_given(value) for value in (lamp.light_lm, lamp.rated_life_h)]
    return [
        lamp.part,
        as_given(lamp.design_voltage_v),
        f"{lamp.design_current_a:.2f}",
        f"{lamp.design_power_w:.1f}",
        *optional,
        as_given(lamp.design_temp_k),
        as_given(lamp.gas_loss_ratio),
        _lamp_status(lamp),
        sources.cite(lamp.source),
    ]


def _lamp_status(lamp: LampPart) -> Text:
    if lamp.status != "partly read":
        return _short(lamp.status)
    units = dict(zip(LAMP_RATINGS, ("W", "V", "A", "lm", "h"), strict=True))
    return Text(f"P {' '.join(units[name] for name in lamp.read)}", style=palette.BLUE)


def _show_fuses(sheet: layout.Sheet, sources: _Sources) -> None:
    sheet.paragraph(f"{len(fuses())} fuses of 5x20 mm, quick (F) and time-lag (T)", label="Fuses  ")
    rows: list[list[Text | str]] = [
        [
            f"{each.characteristic}{each.rating_a:g}A",
            each.body,
            as_given(each.rating_a),
            as_given(each.cold_resistance_ohm),
            as_given(each.melting_i2t_a2s),
            _short(each.status),
            sources.cite(each.source),
        ]
        for each in fuses()
    ]
    _show_table(sheet, ("part", "body", "A", "ohm cold", "I2t A2s", "status", "source"), rows, range(2, 5))
    sheet.paragraph(
        "The time a fuse takes to open follows the gates of the standard: it opens between the earliest time and the "
        "latest, by current over rating. Outside the range of ratings none is printed, and the fuse is refused:"
    )
    gates = {f"{name} {body}": record for (name, body), record in fuse.GATES.items()}
    _show_gates(sheet, gates, sources)
    sheet.paragraph(_INTERPOLATED)


_INTERPOLATED = "ohm is one maker's. Between two listed ratings it is interpolated, and counts as assumed."


def _show_breakers(sheet: layout.Sheet, sources: _Sources) -> None:
    sheet.paragraph(
        f"{len(breakers())} ratings of thermal breakers, closed again by hand or by themselves", label="Breakers  "
    )
    rows: list[list[Text | str]] = [
        [as_given(each.rating_a), as_given(each.resistance_ohm), _short(each.status), sources.cite(each.source)]
        for each in breakers()
    ]
    _show_table(sheet, ("A", "ohm", "status", "source"), rows, range(2))
    sheet.paragraph(
        "The time a breaker takes to trip follows its maker's windows at 25 C; it trips between the earliest time and "
        "the latest, by current over rating:"
    )
    _show_gates(sheet, dict(zip(("small", "large"), breaker.GATES, strict=True)), sources)
    sheet.paragraph(_INTERPOLATED)


def _show_gates(sheet: layout.Sheet, columns: dict[str, Published[OpeningGates]], sources: _Sources) -> None:
    """Times to open: a row for each current over rating, a column for each part."""
    records = list(columns.values())
    times = [{ratio: (least_s, most_s) for ratio, least_s, most_s in record.value.gates} for record in records]
    rows: list[list[Text | str]] = [["rating", *(_ratings(record.value) for record in records)]]
    rows += [
        [f"{ratio:g} x", *(_gate(*column.get(ratio, (None, None))) for column in times)]
        for ratio in sorted(set().union(*times))
    ]
    rows.append(["status", *(_short(record.status) for record in records)])
    rows.append(["source", *(f"{sources.cite(record.source)} {_place(record)}".rstrip() for record in records)])
    _show_table(sheet, ("", *columns), rows, range(0))


def _place(record: Published[OpeningGates]) -> str:
    return record.where if record.where.startswith("sheet") else ""


def _ratings(gates: OpeningGates) -> str:
    low_a, high_a = gates.rating_a
    return f"{low_a:g} to {high_a:g} A"


def _gate(least_s: float | None, most_s: float | None) -> str:
    if least_s is not None and most_s is not None:
        same = _unit(least_s) == _unit(most_s)
        return f"{_time(least_s).split()[0] if same else _time(least_s)} to {_time(most_s)}"
    if least_s is not None:
        return f"{_time(least_s)} or more"
    return "-" if most_s is None else f"{_time(most_s)} or less"


def _time(time_s: float) -> str:
    unit_s, unit = _unit(time_s)
    return f"{time_s / unit_s:.4g} {unit}"


def _unit(time_s: float) -> tuple[float, str]:
    """The unit a time is shown in: the largest of which it is a whole number."""
    units = ((3600.0, "h"), (60.0, "min"))
    return next((each for each in units if time_s >= each[0] and time_s % each[0] == 0.0), (1.0, "s"))


def _show_resettables(sheet: layout.Sheet, sources: _Sources) -> None:
    sheet.paragraph(
        f"{len(resettables())} self-resetting polymer parts, at 23 C in still air", label="Resettable parts  "
    )
    rows: list[list[Text | str]] = [
        [
            as_given(each.hold_a),
            as_given(each.trip_a),
            as_given(each.resistance_ohm),
            as_given(each.max_resistance_ohm),
            as_given(each.time_to_trip_s),
            as_given(each.tripped_power_w),
            as_given(each.max_voltage_v),
            _short(each.status),
            sources.cite(each.source),
        ]
        for each in resettables()
    ]
    head = ("hold A", "trip A", "ohm", "to ohm", "trip s", "W", "V max", "status", "source")
    _show_table(sheet, head, rows, range(7))
    sheet.paragraph(
        "ohm to ohm: lowest and highest cold resistance as delivered. trip s: longest time to trip at five times the "
        "hold current. W: burnt while tripped. V max: highest voltage it may stand tripped."
    )
