"""Colours, letters and shapes of the terminal report.

Every colour used for text or bars stands at least 3 : 1 from pure black and from pure white, so one palette serves dark
and light terminals. Clear, engaged and risk lie apart on the blue-yellow axis and in lightness, which colour-blind eyes
keep (`tests/cli/test_report_terminal.py` holds both).
Colour only repeats what a letter, a word and a shape say already.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from auditor.audit_types import Verdict

BLUE = "#2F78C8"
AMBER = "#C08A1E"
CRIMSON = "#B3134A"
GREY = "#7B7F86"

# Text on a coloured badge brings its own ground, so it does not depend on the terminal's.
BADGE: dict[Verdict, str] = {
    "clear": f"bold #FFFFFF on {BLUE}",
    "engaged": f"bold #000000 on {AMBER}",
    "risk": f"bold #FFFFFF on {CRIMSON}",
}
INK: dict[Verdict, str] = {"clear": BLUE, "engaged": AMBER, "risk": CRIMSON}
LETTER: dict[Verdict, str] = {"clear": "C", "engaged": "E", "risk": "R"}
WORD: dict[Verdict, str] = {"clear": "CLEAR", "engaged": "ENGAGED", "risk": "RISK"}

# Beside the verdict of what could be judged only in part.
IN_PART = " ? IN PART "
IN_PART_BADGE = f"bold #000000 on {GREY}"

QUIET = GREY
STRONG = "bold"


@dataclass(frozen=True, kw_only=True)
class Glyphs:
    """The signs drawn with; one set for terminals that know block characters, one for those that know only ASCII."""

    shape: dict[Verdict, str]
    fill: dict[Verdict, str]
    bars: str  # from empty to full
    held_back: str
    limit: str
    off_scale: str
    peak: str
    tick: str
    rule: str
    nothing: str
    light: str
    medium: str
    heavy: str
    centre: str
    beyond_left: str
    beyond_right: str
    dot: str
    dash: str
    arrow: str
    degree: str
    unknown: str
    gap: str  # stands for the middle of a name that is too long


BLOCKS = Glyphs(
    shape={"clear": "○", "engaged": "◐", "risk": "▲"},
    fill={"clear": "─", "engaged": "▒", "risk": "█"},
    bars=" ▁▂▃▄▅▆▇█",
    held_back="░",
    limit="_",
    off_scale="↑",
    peak="╌",
    tick="│",
    rule="━",
    nothing="·",
    light="░",
    medium="▒",
    heavy="█",
    centre="│",
    beyond_left="◄",
    beyond_right="►",
    dot="·",
    dash="–",
    arrow="→",
    degree="°",
    unknown="\N{REPLACEMENT CHARACTER}",
    gap="…",
)

ASCII = Glyphs(
    shape={"clear": "o", "engaged": "*", "risk": "!"},
    fill={"clear": "-", "engaged": "=", "risk": "#"},
    bars=" ..::||##",
    held_back="'",
    limit="_",
    off_scale="^",
    peak="-",
    tick="|",
    rule="=",
    nothing=".",
    light="-",
    medium="=",
    heavy="#",
    centre="|",
    beyond_left="<",
    beyond_right=">",
    dot=",",
    dash="-",
    arrow=">",
    degree="",
    unknown="?",
    gap="~",
)
