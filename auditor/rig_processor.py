"""What stands between mixer and amplifier: resolves ``[[equaliser]]`` and ``[limiter]`` or
``[[limiter]]``, and says what cannot work.

No signal passes here; the stages themselves are `auditor.chain.equaliser` and `auditor.chain.limiter`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from auditor.chain.level import dbu, volts
from auditor.errors import Fault
from auditor.rig import Amplifier, EqualiserSection, Limiter
from auditor.rig_assumptions import ASSUMED_AVERAGING_S
from auditor.rig_faults import prefixed
from auditor.rig_fields import shown

if TYPE_CHECKING:
    from auditor.rig import Rig

_ANY_RATE_HZ = 96_000  # a common rate at which every section can run
_PASSES = ("low_pass", "high_pass")


def resolve_equaliser(tables: Mapping[str, Mapping[str, Any]]) -> tuple[tuple[EqualiserSection, ...], list[Fault]]:
    """The sections in the order of the file, or what their values say together that cannot be.

    Parameters
    ----------
    tables : mapping
        Each section's sound values, by its number.
    """
    sections, faults = [], []
    for number, table in tables.items():
        key, kind = f"equaliser.{number}.gain_db", table.get("kind")
        if kind in _PASSES and "gain_db" in table:
            what = f"a {kind} has no gain of its own"
            faults.append(Fault(key=key, what=what, got=shown(table["gain_db"], unit="dB"), hint="remove it"))
        elif kind is not None and kind not in _PASSES and "gain_db" not in table:
            faults.append(Fault(key=key, what=f"missing: a {kind} section needs it", allowed="-30 to 30 dB"))
        elif {"kind", "frequency_hz", "q"} <= table.keys():
            sections.append(EqualiserSection(**{"gain_db": 0.0, **table}))
    return tuple(sections), faults


def resolve_limiters(
    document: Mapping[str, Any], values: Mapping[str, Mapping[str, Any]]
) -> tuple[tuple[Limiter, ...], list[str], list[Fault]]:
    """The limiters in the order of the file with everything filled in; none where their values are not all sound.

    Parameters
    ----------
    document : mapping
        The whole TOML document.
    values : mapping
        Sound values by table.

    Returns
    -------
    limiters : tuple of Limiter
    assumed : list of str
        Dotted keys that were filled in; of several limiters each has its number.
    faults : list of Fault
    """
    raw, sound, amplifier = document.get("limiter"), values["limiter"], dict(values["amplifier"])
    given = document.get("amplifier")
    if isinstance(given, dict) and "gain_db" in given:
        amplifier.setdefault("gain_db", 0.0)  # a faulty one has been told, and is not missing
    if isinstance(raw, dict):
        limiter, assumed, faults = _resolve_limiter(raw, sound, amplifier)
        found = [(limiter, assumed, faults, "limiter")]
    elif isinstance(raw, list) and len(raw) == len(sound):
        found = [
            (*_resolve_limiter(each, sound[number], amplifier), f"limiter.{number}")
            for number, each in zip(sound, raw, strict=True)
        ]
    else:
        return (), [], []
    return (
        tuple(limiter for limiter, _, _, _ in found if limiter is not None),
        [f"{where}.{key}" for _, assumed, _, where in found for key in assumed],
        [prefixed(fault, where) for _, _, faults, where in found for fault in faults],
    )


def _resolve_limiter(
    raw: Mapping[str, Any], sound: Mapping[str, Any], amplifier: Mapping[str, Any]
) -> tuple[Limiter | None, list[str], list[Fault]]:
    """One limiter, what was filled in and its faults, by bare keys."""
    table = dict(sound)
    faults = _limiter_faults(raw, table, amplifier)
    needed = {"detector", "attack_s", "release_s"}
    if faults or not needed <= table.keys() or not _thresholds(table):
        return None, [], faults
    defaults: dict[str, Any] = {"hold_s": 0.0}
    if table["detector"] == "rms":
        defaults["averaging_s"] = ASSUMED_AVERAGING_S
    assumed = [key for key in defaults if key not in table]
    gain_db = _whole_gain_db(amplifier)
    if "threshold_v" not in table:
        table["threshold_v"] = volts(table["threshold_dbu"] + (gain_db or 0.0))
    elif gain_db is not None:
        table["threshold_dbu"] = dbu(table["threshold_v"]) - gain_db
    # Where the amplifier drives HF alone, what stands in front of it is taken to do so too.
    fixed = {"threshold_dbu": None, "ratio": None, "averaging_s": 0.0, "band": amplifier.get("band", "full")}
    return Limiter(**{**fixed, **defaults, **table}), assumed, []


def _whole_gain_db(amplifier: Mapping[str, Any]) -> float | None:
    """As `Amplifier.whole_gain_db`, of a table whose other values may be faulty."""
    rating = {"rated_power_w": 1.0, "rated_load_ohm": 1.0}
    return Amplifier(**{"gain_db": None, **rating, **amplifier}).whole_gain_db


def _thresholds(table: Mapping[str, Any]) -> list[str]:
    return [key for key in ("threshold_dbu", "threshold_v") if key in table]


def _limiter_faults(raw: Mapping[str, Any], table: Mapping[str, Any], amplifier: Mapping[str, Any]) -> list[Fault]:
    faults = []
    either = "threshold_dbu [dBu] at the amplifier's input, or threshold_v [V] at its output"
    if len(_thresholds(raw)) == 2:
        hint = "remove one: the other follows from the amplifier's gain"
        faults.append(Fault(key="threshold_v", what="threshold_dbu already sets this", hint=hint))
    if _thresholds(raw) == ["threshold_dbu"] and "gain_db" not in amplifier:
        what = "a level at the amplifier's input is volts at its output only by the amplifier's gain, which is missing"
        hint = "give amplifier.gain_db, or threshold_v instead"
        faults.append(Fault(key="threshold_dbu", what=what, got=shown(raw["threshold_dbu"], unit="dBu"), hint=hint))
    if not _thresholds(raw):
        faults.append(Fault(key="threshold_dbu", what="missing", allowed=either))
    if table.get("detector") == "peak" and "averaging_s" in table:
        what = "a peak detector does not average"
        got = shown(table["averaging_s"], unit="s")
        faults.append(Fault(key="averaging_s", what=what, got=got, hint='remove it, or detector = "rms"'))
    if table.get("band") == "hf" and amplifier.get("band", "full") == "full":
        faults.append(
            Fault(
                key="band",
                what="in a passive rig the amplifier carries the whole band, so nothing before it can limit HF alone",
                got=shown("hf"),
                allowed="full",
                hint='where the HF driver has an amplifier of its own, say so: amplifier.band = "hf"',
            )
        )
    return faults


def limiter_notes(rig: Rig) -> list[str]:
    """What a limiter cannot do where it stands, one sentence each; none for one that can reach its threshold."""
    if not rig.limiters:
        return []
    from auditor.chain.processor import Processor  # numpy, which a sound rig may cost

    headroom_db = Processor(rig, _ANY_RATE_HZ).headroom_db
    several = len(rig.limiters) > 1
    found = [(number, _limiter_note(each, rig, headroom_db)) for number, each in enumerate(rig.limiters, start=1)]
    return [f"number {number}: {note}" if several else note for number, note in found if note]


def _limiter_note(limiter: Limiter, rig: Rig, headroom_db: float) -> str:
    rail_v = rig.amplifier.rail_v
    # The most for the rms detector is a square wave, whose rms is its peak.
    square_db = 10.0 * math.log10(2.0) if limiter.detector == "rms" else 0.0
    most_v = rig.full_scale_v * 10.0 ** ((square_db + headroom_db + max(rig.level.mono_gain_db or 0.0, 0.0)) / 20.0)
    text = f"its threshold of {limiter.threshold_v:.4g} V at the amplifier's output"
    if limiter.threshold_dbu is not None:
        text = (
            f"its threshold of {limiter.threshold_dbu:.2f} dBu ({limiter.threshold_v:.4g} V at the amplifier's output)"
        )
    if limiter.threshold_v > most_v:
        over_db = 20.0 * math.log10(limiter.threshold_v / most_v)
        return (
            f"it can never work: {text} is {over_db:.1f} dB above anything that a file within full scale sends there; "
            "lower the threshold"
        )
    sine_v = rail_v / math.sqrt(2.0)
    if limiter.threshold_v > sine_v:
        over_db = 20.0 * math.log10(limiter.threshold_v / sine_v)
        return (
            f"it comes too late: {text} is {over_db:.1f} dB above the sine at which the amplifier clips, so it does "
            "not keep the amplifier from clipping and holds nothing back that fits within the rails"
        )
    return ""
