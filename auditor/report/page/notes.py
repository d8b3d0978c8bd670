"""The end of the page: what was assumed, every value of the rig, where the models come from, and the cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from auditor import published
from auditor.parts import find_lamp
from auditor.protection.lamp import Lamp
from auditor.report import figures, words
from auditor.report.page.markup import name, text
from auditor.rig import describe_assumptions, rig_as_dict

if TYPE_CHECKING:
    from auditor.audit_types import SetAudit
    from auditor.published import Published
    from auditor.rig import Rig

_ALWAYS: dict[str, tuple[Published[Any], ...]] = {
    "Level": (published.ZERO_DBU_V,),
    "Voice coil": (
        published.COPPER_ALPHA_PER_K,
        published.ALUMINIUM_ALPHA_PER_K,
        published.CHAPMAN_TWEETER,
        published.COIL_SHARE_OF_THERMAL_RESISTANCE,
        published.COIL_LIMIT_C,
    ),
    "Ratings": (published.PROGRAM_POWER_RATIO, published.PEAK_POWER_RATIO),
}
_OF_A_KIND: dict[str, tuple[Published[Any], ...]] = {
    "lamp": (
        published.TUNGSTEN_RESISTIVITY,
        published.TUNGSTEN_EMISSIVITY_COEFFICIENTS,
        published.TUNGSTEN_SPECIFIC_HEAT_COEFFICIENTS,
        published.TUNGSTEN_MELTING_K,
        published.DRAPER_POINT_K,
        published.LAMP_LIFE_EXPONENT,
        published.COIL_RADIATING_RATIO,
    ),
    "fuse": (published.FUSE_F_GLASS, published.FUSE_T_GLASS),
    "breaker": (published.BREAKER_SMALL, published.BREAKER_LARGE),
    "resettable": (published.RESETTABLE_HOLD_AT, published.RESETTABLE_TIME_AT_RATIO, published.RESETTABLE_SURFACE_C),
}


def assumptions(set_audit: SetAudit) -> str:
    """What the rig file leaves out, in a sentence and one by one."""
    rig = set_audit.rig
    summary = words.assumptions(rig)
    each = "".join(f"<li>{name(sentence)}</li>" for sentence in describe_assumptions(rig))
    listed = f'<ul class="fine">{each}</ul>' if each else ""
    nothing = "Nothing: the rig file gives every value."
    warned = "".join(f"<li>{name(words.sentence(note))}</li>" for note in rig.notes)
    warned = f'<h2>About the rig</h2>\n<ul class="fine">{warned}</ul>\n' if warned else ""
    return f"{warned}<h2>Assumed</h2>\n<p>{text(summary or nothing)}</p>{listed}\n{_values(rig)}"


def _values(rig: Rig) -> str:
    values = rig_as_dict(rig)
    parts = values["crossover"].pop("parts", None)
    if parts is not None:
        values["crossover.parts"] = parts
    items = []
    for table, found in values.items():
        tables = found if isinstance(found, list) else [found]
        for number, each in enumerate(tables, start=1):
            if isinstance(each, dict):
                shown = f"{table} {number}" if isinstance(found, list) else table
                items += [
                    _value(rig, shown, f"{table}.{key}", value) for key, value in each.items() if value is not None
                ]
    return f'<details class="values"><summary>Every value of the rig</summary><table>{"".join(items)}</table></details>'


def _value(rig: Rig, table: str, dotted: str, value: Any) -> str:
    if isinstance(value, bool):
        shown = "true" if value else "false"
    else:
        shown = value if isinstance(value, str) else figures.as_given(float(value))
    mark = "A assumed" if dotted in rig.assumed else ""
    key = dotted.partition(".")[2]
    return f'<tr><td>{text(table)}</td><th scope="row">{text(key)}</th><td>{name(str(shown))}</td><td>{mark}</td></tr>'


def sources(set_audit: SetAudit) -> str:
    """Where the models' figures were read, and how they reached the program."""
    rig = set_audit.rig
    subjects = {**_ALWAYS, words.device(rig).capitalize(): _OF_A_KIND.get(rig.protection.kind, ())}
    lines = [
        f"<li><b>{text(subject)}:</b> {text('; '.join(dict.fromkeys(each.cite() for each in records)))}.</li>"
        for subject, records in subjects.items()
        if records
    ]
    part = rig.protection
    lamp = find_lamp(part.part or "") if isinstance(part, Lamp) else None
    if lamp is not None:
        lines.append(f"<li><b>Part {name(lamp.part)}:</b> {text(lamp.source)}.</li>")
    return (
        f'<h2>Sources</h2>\n<ul class="fine">{"".join(lines)}</ul>\n<p class="quiet">In brackets how a figure reached '
        "the program. The models with their equations, and what they were checked against, are in the program's "
        "documents.</p>"
    )


def cautions() -> str:
    """What every report says."""
    lines = "".join(f"<li>{text(each)}</li>" for each in words.CAUTIONS)
    return f'<h2>Cautions</h2>\n<ul class="cautions">{lines}</ul>'


def faults(set_audit: SetAudit) -> str:
    """Files that were left out or judged in part; empty where there are none."""
    if not set_audit.errors:
        return ""
    lines = "".join(f"<li>{name(fault.message)}</li>" for fault in set_audit.errors)
    return f"<h2>Not analysed, or not to the end: {len(set_audit.errors)}</h2>\n<ul>{lines}</ul>"
