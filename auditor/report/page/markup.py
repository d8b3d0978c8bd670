"""Text as HTML. What comes from outside is made harmless here and nowhere else.

Every figure carries where the JSON document has it and how it is rounded, so that page and document can be held against
each other (`tests/cli/test_page.py`).
"""

from __future__ import annotations

import html
import json
from typing import TYPE_CHECKING, Any

from auditor.report import figures, palette

if TYPE_CHECKING:
    from collections.abc import Callable

    from auditor.audit_types import Verdict

DEGREE = "°"
UNKNOWN = "\N{REPLACEMENT CHARACTER}"

# How a value of the JSON document becomes the text on the page.
FORMATS: dict[str, Callable[[float], str]] = {
    "watts": figures.watts,
    "signed_watts": lambda power_w: f"-{figures.watts(-power_w)}" if power_w < 0.0 else figures.watts(power_w),
    "millimetres": figures.millimetres,
    "degrees": lambda temp_c: figures.degrees(temp_c, DEGREE),
    "signed": figures.signed,
    "db": lambda gain_db: f"{figures.tenths(gain_db)} dB",
    "lufs": lambda loudness_lufs: f"{figures.tenths(loudness_lufs)} LUFS",
    "dbtp": lambda peak_dbtp: f"{figures.tenths(peak_dbtp)} dBTP",
    "length": figures.length,
    "about": figures.about,
    "clock": figures.clock,
    "ohms": lambda resistance_ohm: f"{float(f'{resistance_ohm:.2g}'):g} ohm",
    "kelvin": lambda temp_k: f"{figures.whole(temp_k)} K",
    "percent": lambda ratio: _percent(ratio),
}


def _percent(ratio: float) -> str:
    percent = 100.0 * ratio
    if 0.0 < percent < 0.01:
        return "<0.01 %"
    return f"{percent:.2g} %" if percent < 99.5 else f"{percent:.0f} %"


def text(raw: str) -> str:
    """Text as text: no markup, no control or direction characters."""
    return html.escape(figures.safe(raw, UNKNOWN), quote=True)


def name(raw: str) -> str:
    """A name from outside, which keeps its direction of writing to itself."""
    return f"<bdi>{text(raw)}</bdi>"


def figure(at: str, style: str, value: float, *, limit: str = "", limit_w: float | None = None) -> str:
    """A figure as text, with its place in the JSON document.

    Parameters
    ----------
    at : str
        Where the document has it, as a JSON pointer.
    style : str
        Key of `FORMATS`.
    value : float
    limit : str
        Where the document has the limit by which a power is rounded, where there is one.
    limit_w : float, optional
        That limit [W].
    """
    shown = FORMATS[style](value) if limit_w is None else figures.watts(value, limit_w=limit_w)
    of_limit = f' data-limit="{limit}"' if limit else ""
    return f'<span class="f" data-at="{at}" data-as="{style}"{of_limit}>{text(shown)}</span>'


def badge(verdict: Verdict, *, in_part: bool = False) -> str:
    """Letter, shape and word of a verdict; beside it, where only a part was judged, that."""
    shape, word = palette.BLOCKS.shape[verdict], palette.WORD[verdict]
    found = f'<span class="badge {verdict}">{palette.LETTER[verdict]} <i aria-hidden="true">{shape}</i> {word}</span>'
    return f'{found}<span class="badge part">{text(palette.IN_PART.strip())}</span>' if in_part else found


def mark(verdict: Verdict) -> str:
    """Letter and shape alone, where a word stands beside them."""
    shape = palette.BLOCKS.shape[verdict]
    return f'<span class="badge {verdict}">{palette.LETTER[verdict]} <i aria-hidden="true">{shape}</i></span>'


def data(document: Any) -> str:
    """JSON that may stand in a script element: no character in it can end or open one."""
    plain = json.dumps(document, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return plain.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
