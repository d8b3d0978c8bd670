"""What `auditor tone` says: what was written, what to beware of, how to measure, and what to put into the rig file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditor.report import palette
from auditor.report.figures import as_given
from auditor.rig_assumptions import ASSUMED_TONE_HZ
from auditor.tone import CHANNELS, FADE_S

if TYPE_CHECKING:
    from auditor.report.layout import Sheet
    from auditor.tone import Tone, Written

_LIKELY_HF_HZ = 500.0  # from here on a tone may reach an HF driver


def show(tone: Tone, written: Written, output: str, sheet: Sheet) -> None:
    """Write the whole sheet."""
    sheet.line()
    sheet.paragraph(f"{sheet.safe(output)}: {_written(tone, written)}")
    sheet.line()
    for caution in _cautions(tone):
        sheet.paragraph(caution, label="CAUTION  ", label_style=f"bold {palette.AMBER}")
    sheet.line()
    for number, step in enumerate(_steps(tone), start=1):
        sheet.paragraph(step, label=f"{number}. ")
    sheet.line()
    for line in rig_lines(tone):
        sheet.line(f"  {line}")
    sheet.line()


def _written(tone: Tone, written: Written) -> str:
    what = (
        f"sine of {as_given(tone.frequency_hz)} Hz"
        if tone.kind == "sine"
        else f"pink noise from {as_given(tone.low_hz)} to {as_given(tone.high_hz)} Hz"
    )
    return (
        f"{what}, {written.level_dbfs:.2f} dBFS rms (a full-scale sine is 0), highest peak {written.peak_dbfs:.2f} "
        f"dBFS, {written.duration_s:.1f} s between fades of {FADE_S:g} s, the same in {CHANNELS} channels, "
        f"{tone.sample_rate_hz} Hz, 24 bits."
    )


def _cautions(tone: Tone) -> list[str]:
    reaches_hf = tone.kind == "pink" or tone.frequency_hz >= _LIKELY_HF_HZ
    first = "Disconnect the HF driver first, or turn everything down and come up slowly."
    if reaches_hf:
        first += " This signal reaches an HF driver, and a steady one heats it more than music of the same level."
    return [first, "Amplifier outputs can be lethal; loud sound damages hearing. An estimate, not a guarantee."]


def _steps(tone: Tone) -> list[str]:
    if tone.kind == "sine":
        return [
            "Set mixer, processor and amplifier as they are for the show. Limiters must not work on the tone.",
            "Play both channels through the same path as the programme.",
            "Read AC volts (true rms if there is a choice) across the amplifier's loudspeaker terminals, with the load "
            "on.",
            "Put the reading into the rig file under [level], in place of any other calibration:",
        ]
    return [
        "Set mixer, processor and amplifier as they are for the show. Play it to one box alone; mute the others.",
        "Read the sound level on axis, C-weighted and slow or Leq, near enough to drown the room, and the distance.",
        "Put it into the rig file under [level], in place of any other calibration, with the box's sensitivity:",
    ]


def rig_lines(tone: Tone) -> list[str]:
    """What goes into the rig file, with the readings left open."""
    level = as_given(tone.level_dbfs)
    if tone.kind == "sine":
        lines = [f"calibration_tone_dbfs = {level}", "calibration_voltage_v =    # V, what the meter read"]
        at_other = tone.frequency_hz != ASSUMED_TONE_HZ
        return [*lines, f"calibration_frequency_hz = {as_given(tone.frequency_hz)}"] if at_other else lines
    return [
        f"target_level_dbfs = {level}",
        "target_spl_db =            # dB, what the meter read",
        "target_distance_m =        # m, from the box to the meter",
        "box_sensitivity_db =       # dB at 1 m and 2.83 V, from the data sheet",
    ]
