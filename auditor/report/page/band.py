"""The band of a margin on the page: a sentence, and in full what would narrow it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.report import band_words, figures
from auditor.report.page.markup import text

if TYPE_CHECKING:
    from auditor.audit_types import Band, Verdict
    from auditor.rig import Rig


def band(found: Band, verdict: Verdict, rig: Rig) -> str:
    """One paragraph, and a list that opens where there is more than one thing to measure."""
    told = f"<b>{text(band_words.LABEL)}</b>{text(band_words.sentence(found, verdict, rig))}"
    warns = band_words.at_risk(found, verdict)
    paragraph = f'<p class="warn"><b>!</b> {told}</p>' if warns else f"<p>{told}</p>"
    if len(found.narrows) < 2:
        return paragraph
    items = "".join(
        f"<li>{text(band_words.name(each.key, rig))} ({text(each.key)}), by {figures.tenths(each.by_db)} dB: "
        f"{text(each.how)}</li>"
        for each in found.narrows
    )
    listed = f'<ul class="fine">{items}</ul>'
    return f'{paragraph}<details class="values"><summary>What would narrow the band</summary>{listed}</details>'
