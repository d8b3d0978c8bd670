"""What a technician should be told about a file, besides its verdict: one plain sentence each."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from auditor.chain import equaliser
from auditor.programme.entry import clock

if TYPE_CHECKING:
    from auditor.programme.sound_file import Finding, Programme
    from auditor.rig import Rig

_LITTLE_HF_BELOW_HZ = 32_000
_LITTLE_TREBLE_BELOW_KBPS = 40.0  # for each channel: from there on copies of one piece differ by decibels
_ROUNDING = 1e-6  # of a gain and back


def unjudged(programme: Programme, finding: Finding) -> tuple[str, ...]:
    """Parts of a file that could not be analysed.

    Parameters
    ----------
    programme : Programme
    finding : Finding
        What turned up while it was read.
    """
    sentences = []
    rate = programme.sample_rate_hz
    entry = programme.entry
    if finding.changed:
        sentences.append(f"{finding.changed}; the rest cannot be judged: convert it to one format first")
    elif finding.short_by and entry is not None and entry.end_s is not None:
        sentences.append(
            f"the track is to end at {clock(entry.end_s)}, and the file ends {finding.short_by / rate:.1f} s before; "
            "what is there was analysed: is it the CUE sheet of another file?"
        )
    elif finding.damaged_at is not None:
        lost_s = (finding.short_by + finding.unusable / programme.channel_count) / rate
        lost = f"{lost_s:.1f} s" if lost_s >= 0.1 else "some 0.1 s"
        return (
            f"the file is damaged after {finding.damaged_at / rate:.1f} s; {lost} could not be decoded, is left out or "
            "taken as silence, and what should be there cannot be judged: copy it again",
        )
    elif finding.broken_off:
        missing = f", {finding.short_by / rate:.1f} s missing" if finding.short_by else ""
        sentences.append(
            f"the file breaks off after {finding.length / rate:.1f} s{missing}; what is there was analysed, "
            "the rest cannot be judged: copy it again"
        )
    if finding.unusable and programme.index is not None:
        sentences.append(
            f"{finding.unusable / programme.channel_count / rate:.2f} s in all are damaged and were taken as silence; "
            "what should be there cannot be judged: copy it again"
        )
    elif finding.unusable:
        sentences.append(
            f"{finding.unusable} of {finding.length * programme.channel_count} samples are no numbers, or absurdly "
            "large, and were taken as silence; what should be there cannot be judged: export it again"
        )
    return tuple(sentences)


def of(programme: Programme, rig: Rig, finding: Finding, sample_peak: float) -> tuple[str, ...]:
    """Warnings about what was analysed of a file.

    Parameters
    ----------
    programme : Programme
    rig : Rig
    finding : Finding
        What turned up while it was read.
    sample_peak : float
        Its largest sample as it is played, full scale 1.0.
    """
    sentences = list(programme.remarks)
    rate = programme.sample_rate_hz
    if rig.crossover.alignment != "none" and rig.crossover.frequency_hz >= rate / 2.0:
        sentences.append(
            f"sampled at {rate} Hz, the file ends at {rate / 2:g} Hz, below the crossover at "
            f"{rig.crossover.frequency_hz:g} Hz: next to nothing of it reaches the driver"
        )
    elif rate < _LITTLE_HF_BELOW_HZ:
        sentences.append(
            f"sampled at {rate} Hz, the file holds nothing above {rate / 2:g} Hz, so little HF can be judged"
        )
    kbps = programme.lossy_kbps if not finding.broken_off else None  # of half a file it would be half
    if kbps is not None and kbps < _LITTLE_TREBLE_BELOW_KBPS * programme.channel_count:
        sentences.append(
            f"coded at {kbps:.0f} kbit/s, it has lost treble: another copy of the same music may leave some decibels "
            "less room, so audit the very file that will be played"
        )
    sentences += equaliser.notes(rig.equaliser, rate) if rig.equaliser else []
    if programme.mono_gain_db is not None and programme.channel_count > 1:
        gain = f" at {programme.mono_gain_db:+.1f} dB" if programme.mono_gain_db else ""
        sentences.append(
            f"its {programme.channel_count} channels are played as one, their mean{gain}, as the rig file says; "
            "loudness and true peak are those of the sum"
        )
    file_peak = sample_peak / programme.gain_ratio
    if file_peak > 1.0 + _ROUNDING:
        sentences.append(
            f"samples reach {20.0 * math.log10(file_peak):+.1f} dBFS: taken at their value, not clipped at full scale"
        )
    if programme.entry is not None and programme.entry.gain_db:
        sentences.append(f"trimmed by {programme.entry.gain_db:+.1f} dB; every figure is with that")
    if sample_peak == 0.0:
        sentences.append("the file is silent from end to end")
    if programme.entry is not None and programme.entry.matched and programme.entry.matched.file_lufs is None:
        sentences.append("it is too quiet for a loudness, so the fader was left where it was (match_loudness_lufs)")
    return tuple(sentences)
