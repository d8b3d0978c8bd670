"""Why the limiters are set as they are, in sentences with figures."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from auditor.advice.limiter_search import HEAT, PEAK
from auditor.advice.limiter_settings import level_dbu, level_text, textbook_dbu
from auditor.advice.limiter_stages import BELOW_RMS_DB, BELOW_TEXTBOOK_DB

if TYPE_CHECKING:
    from collections.abc import Mapping

    from auditor.advice.limiter_search import Trial
    from auditor.advice.limiter_stages import Stage
    from auditor.advice.limiter_verify import Verified
    from auditor.audit_types import Cause
    from auditor.rig import Limiter, Rig

_SILENT_DB = -100.0  # of the peak power, as far below its rating: nothing

_CAUSES: dict[Cause, str] = {
    "driver_power_1s": "the power over 1 s",
    "driver_power_60s": "the power over 60 s",
    "driver_power_peak": "the peak power",
    "coil_temp": "the coil's heat",
    "excursion": "the excursion",
    "protection_failed": "the wear of the protective part",
    "protection_engaged": "the protective part",
}


@dataclass(frozen=True, kw_only=True)
class Found:
    """What the search came to.

    Parameters
    ----------
    without : dict of str to Trial
        Every track without limiters.
    heat_db : float
        By how much the coil is over its limit without limiters, with the heat carried from track to track [dB].
    """

    rig: Rig
    without: Mapping[str, Trial]
    heat_db: float
    rms: Stage
    peak: Stage
    verified: Verified
    rms_only_db: float
    peak_only_db: float


def reason(found: Found) -> str:
    """Why these settings, and what they come to."""
    sentences = [_need(found), *_rms(found), *_peak(found), *_both(found), *_left(found), *_cost(found)]
    return " ".join(sentence for sentence in sentences if sentence)


def notes(given: Rig, found: Found) -> tuple[str, ...]:
    """What was left out or taken for granted."""
    sentences = []
    if given.limiters:
        what = "The limiter" if len(given.limiters) == 1 else "The limiters"
        sentences.append(f"{what} of the rig file {'is' if len(given.limiters) == 1 else 'are'} left out here.")
    if given.protection.kind != "none":
        sentences.append(
            f"The {given.protection.kind} of the rig file stays fitted; for limiters that are to do without it, ask "
            'with kind = "none" there.'
        )
    sentences.append(_textbook(found))
    sentences.append(
        "Found for this programme at the level of the rig file. For settings that hold with the mixer further up, "
        "raise level.gain_db by that much and ask again."
    )
    if given.equaliser:
        sentences.append("The level in dBFS is that of a sine at a frequency that the equaliser leaves as it is.")
    sentences.append(
        "Each channel is limited on its own. Times are common practice, without a source, tried on this programme."
    )
    return tuple(sentences)


def _need(found: Found) -> str:
    worst_db, cause, path = max((*trial.worst(trial.excesses_db), path) for path, trial in found.without.items())
    if worst_db > 0.0:
        return f"Without a limiter {_CAUSES[cause]} is {worst_db:.1f} dB over its limit in {_name(path)}."
    if found.heat_db > 0.0:
        return (
            "No track alone is over a limit, but the heat carried from one to the next brings the coil "
            f"{found.heat_db:.1f} dB over its own."
        )
    if max(trial.excesses_db["driver_power_peak"] for trial in found.without.values()) < _SILENT_DB:
        return "Nothing reaches the driver, so there is nothing to set a limiter by: these are the textbook thresholds."
    if found.rms.at_rails or found.peak.at_rails:
        these = (
            "These thresholds are no higher than the amplifier's clip point, which the programme passes: so they would "
            f"work {share(found.verified.active_ratio)} of the time, against the clipping and not for the driver."
        )
    else:
        these = "With these thresholds the limiters come just short of working on the loudest passage."
    return (
        f"No limiter is needed for this programme: {_CAUSES[cause]} comes nearest to its limit, {-worst_db:.1f} dB "
        f"below it, in {_name(path)}. {these}"
    )


def _rms(found: Found) -> list[str]:
    stage = found.rms
    rested = (
        ""
        if not found.peak.needed
        else "Nothing that heats is over a limit, so the rms limiter only just begins to work."
    )
    if not stage.needed:
        return [rested, _rails(stage, "rms")]
    sentences = []
    if stage.unheld and stage.left_db <= 0.0:
        lowest = level_text(textbook_dbu(found.rig, "rms") - BELOW_TEXTBOOK_DB, found.rig, decimals=0)
        attack_s = stage.unheld[-1].attack_s
        sentences.append(
            f"With an attack of {attack_s:g} s no threshold down to {lowest} holds: too much passes before it is over."
        )
    if stage.slower:
        slow = stage.slower[0]
        slow_dbu = level_dbu(slow, found.rig)
        lower_db = level_dbu(stage.limiter, found.rig) - slow_dbu
        sentences.append(
            f"A slower rms limiter (attack {slow.attack_s:g} s) would have to stand at "
            f"{level_text(slow_dbu, found.rig)}, {lower_db:.1f} dB lower, for the sake of the power over 1 s."
        )
    return sentences


def _peak(found: Found) -> list[str]:
    stage = found.peak
    if not stage.needed:
        held = "Behind the rms limiter no peak is over the rating: the peak limiter only just begins to work."
        return [held if found.rms.needed else "", _rails(stage, "peak")]
    sentences = []
    if stage.unheld and stage.left_db <= 0.0:
        sentences.append(
            f"A peak limiter with {_times(stage.unheld[0])} does not hold the peaks at any threshold down to "
            f"{BELOW_RMS_DB:.0f} dB below the rms limiter's."
        )
    if stage.slower and not stage.unheld:
        usual = stage.slower[0]
        lower_db = level_dbu(stage.limiter, found.rig) - level_dbu(usual, found.rig)
        shorter = stage.limiter.attack_s < usual.attack_s
        why = "too much passes before it acts" if shorter else "it lets go between one crest and the next"
        sentences.append(
            f"With the usual times ({_times(usual)}) the peak limiter would have to stand {lower_db:.1f} dB lower, "
            f"because {why}."
        )
    return sentences


def _over(excess_db: float) -> str:
    return f"{excess_db:.1f} dB" if excess_db >= 0.05 else "less than 0.1 dB"


def _times(limiter: Limiter) -> str:
    attack = f"an attack of {_ms(limiter.attack_s)}" if limiter.attack_s else "no attack"
    hold = f"a hold of {_ms(limiter.hold_s)}" if limiter.hold_s else "no hold"
    return f"{attack}, {hold} and a release of {_ms(limiter.release_s)}"


def _rails(stage: Stage, detector: str) -> str:
    if not stage.at_rails:
        return ""
    return f"The loudest passage is past clipping: the {detector} threshold is that of a sine that just clips."


def _both(found: Found) -> list[str]:
    rms_db, peak_db = found.rms_only_db, found.peak_only_db
    if not (found.rms.needed or found.peak.needed) or max(found.verified.outcome.excesses_db.values()) > 0.0:
        return []
    if rms_db > 0.0 and peak_db > 0.0:
        return [
            f"One threshold cannot do both: the rms limiter alone would leave {_over(rms_db)} over a limit, the peak "
            f"limiter alone {_over(peak_db)}."
        ]
    sentences = []
    if rms_db <= 0.0:
        sentences.append("The rms limiter alone would hold everything on this programme.")
    if peak_db <= 0.0:
        sentences.append("The peak limiter alone would hold everything on this programme.")
    return sentences


def _left(found: Found) -> list[str]:
    excesses_db = found.verified.outcome.excesses_db
    left_db, cause = max((excess_db, cause) for cause, excess_db in excesses_db.items())
    if left_db <= 0.0:
        return []
    worst = max(found.verified.tracks, key=lambda each: each.excess_db)
    why = ""
    if cause in PEAK:
        why = " What passes before any attack is over is too much already, or the crossover makes it of a limited wave."
    elif cause in HEAT:
        why = " What passes before the attack is over is too much already."
    return [
        f"Out of reach: behind these limiters {_CAUSES[cause]} is still {left_db:.1f} dB over its limit in "
        f"{_name(worst.path)}.{why}"
    ]


def _cost(found: Found) -> list[str]:
    if len(found.verified.tracks) < 2 or found.verified.active_ratio == 0.0:
        return []
    most = max(found.verified.tracks, key=lambda each: each.active_ratio * each.reduction_max_db)
    return [
        f"The price is paid most in {_name(most.path)}: they work {share(most.active_ratio)} of the time there and "
        f"take {most.reduction_max_db:.1f} dB off at most."
    ]


def _textbook(found: Found) -> str:
    rig = found.rig
    if rig.amplifier.band == "hf":
        return "The textbook threshold is that of a steady sine at the rating; a programme's crests and pauses move it."
    return (
        "The textbook threshold is that of a steady sine in the HF band at the rating; in a passive rig the limiter "
        "hears the bass as well, which would keep it at work, and music is no sine."
    )


def share(ratio: float) -> str:
    """A share of the time: `43 %`, `0.2 %`."""
    if ratio <= 0.0:
        return "none"
    return "<0.1 %" if ratio < 0.001 else f"{100.0 * ratio:.2g} %" if ratio < 0.0995 else f"{100.0 * ratio:.0f} %"


def _ms(time_s: float) -> str:
    return f"{float(f'{1000.0 * time_s:.2g}'):g} ms"


def _name(path: str) -> str:
    return os.path.basename(path)
