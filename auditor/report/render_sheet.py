"""What `auditor render` says of the sound file it wrote: where each part is in it, how loud, and what to listen for."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from auditor.render import FAINT_V, PEAK_DBFS, level_dbfs
from auditor.render_file import GAP_S
from auditor.report import answer, fader_line, figures, palette, words

if TYPE_CHECKING:
    from auditor.render import Dulling, Rendering
    from auditor.render_file import Piece
    from auditor.report.layout import Sheet
    from auditor.rig import Rig

CAUTIONS = (
    "An estimate, not a recording: the driver itself is not in it.",
    "It was turned up or down to fit a file, so it says nothing of how loud the driver is.",
    "Loud sound damages hearing, treble most of all: start with everything turned down.",
    "Do not play it into an HF driver on its own: without a crossover that suits, nothing holds the level.",
)
_LABEL = 12


def show(rendering: Rendering, rig: Rig, output: str, sheet: Sheet) -> None:
    """The whole answer.

    Parameters
    ----------
    rendering : Rendering
    rig : Rig
    output : str
        Name of the file written.
    sheet : Sheet
    """
    programme = rendering.programme
    sheet.line()
    answer.heading("What the HF driver gets to hear", sheet)
    sheet.line()
    _row("Written", f"{output}: {figures.length(rendering.duration_s)}, {_form(rendering)}, 24 bits", sheet)
    extent = f"{_clock(rendering.from_s)} to {_clock(rendering.to_s)}"
    file, label = os.path.basename(programme.name), programme.entry.label if programme.entry else None
    _row("Programme", f"{file if label is None else f'{label} ({file})'}, {extent}", sheet)
    if fader := fader_line.told(programme.entry):
        _row("Fader", fader, sheet)
    _row("Rig", f"{os.path.basename(rig.path)}: {words.rig_sentence(rig)}", sheet)
    for number, piece in enumerate(rendering.pieces):
        if number:
            _row(_clock(piece.start_s - GAP_S), f"{GAP_S:g} s of silence", sheet)
        _row(_clock(piece.start_s), _piece(piece, rendering, rig), sheet)
    _row("Level", _level(rendering), sheet)
    _row("Listen for", _dulling(rendering, rig), sheet)
    sheet.line()
    if rig.assumed:
        sheet.paragraph(words.assumptions(rig), label="Assumed: ")
    sheet.paragraph(" ".join(CAUTIONS), label="Cautions: ")
    sheet.line()


def _row(label: str, text: str, sheet: Sheet) -> None:
    sheet.paragraph(sheet.safe(text), label=f"{label:<{_LABEL}}", label_style=palette.STRONG)


def _form(rendering: Rendering) -> str:
    count = rendering.programme.channel_count
    channels = "1 channel" if count == 1 else f"{count} channels"
    return f"{channels}, {rendering.programme.sample_rate_hz} Hz"


def _piece(piece: Piece, rendering: Rendering, rig: Rig) -> str:
    which = "before: with no protection fitted" if piece.part == "before" else f"after: behind the {_part(rig)}"
    if piece.peak_v == 0.0:
        return f"{which}, silence"
    rms, peak = (_volts_and_level(each, rendering.full_scale_v) for each in (piece.rms_v, piece.peak_v))
    busiest = " in the loudest channel" if rendering.programme.channel_count > 1 else ""
    return f"{which}, {rms} rms{busiest}, peak {peak}"


def _part(rig: Rig) -> str:
    if rig.protection.kind == "none":
        return "protection, of which there is none"
    return words.protection(rig)


def _volts_and_level(voltage_v: float, full_scale_v: float) -> str:
    return f"{voltage_v:.3g} V ({figures.tenths(level_dbfs(voltage_v, full_scale_v))} dBFS)"


def _level(rendering: Rendering) -> str:
    scale = f"0 dBFS = {rendering.full_scale_v:.4g} V at the driver's terminals"
    if rendering.dulling is None:
        return f"not normalised: nothing reaches the driver; {scale}"
    text = f"normalised: {scale}"
    text += f", one gain for before and after, so that neither passes {PEAK_DBFS:g} dBFS; it stands in the comment tag"
    if rendering.peak_v < FAINT_V:
        text += f". Next to nothing reaches the driver: what you hear is under {1000.0 * FAINT_V:g} mV, turned up"
    return text


def _dulling(rendering: Rendering, rig: Rig) -> str:
    most = rendering.dulling
    if most is None:
        return "nothing: it is silent"
    if rig.protection.kind == "none":
        return "the rig has no protection, so before and after are the same"
    part = words.device(rig)
    if most.loss_db < 0.05:
        return f"no difference: the {part} takes nothing off here"
    where = _where(most, rendering)
    if most.silent_s > 0.0:
        return f"the {part} lets nothing through for {figures.about(most.silent_s)} in all, first {where}"
    return f"the {part} dulls most {where}: {figures.tenths(most.loss_db)} dB less than with no protection"


def _where(most: Dulling, rendering: Rendering) -> str:
    channel = f" in channel {most.channel + 1}" if rendering.programme.channel_count > 1 else ""
    inside_s = max(most.at_s - rendering.from_s, 0.0)
    heard = [
        f"{_clock(piece.start_s + inside_s)} ({piece.part})" if len(rendering.pieces) > 1 else _clock(inside_s)
        for piece in rendering.pieces
    ]
    return f"at {_clock(most.at_s)} of the programme{channel}, here at {' and '.join(heard)}"


def _clock(time_s: float) -> str:
    return figures.clock(time_s, decimals=1)
