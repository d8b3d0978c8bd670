"""The ``[level]`` table resolved: four ways to know the volts of a full-scale sine, of which a rig file uses one.

line_up  `full_scale_dbu`, `gain_db`, `amplifier.gain_db`: by data sheets and the positions of knobs.
meter    `calibration_tone_dbfs`, `calibration_voltage_v`: a tone was played and a meter read at the amplifier's
         loudspeaker terminals. Everything in between is in the reading; only what equaliser and active crossover do at
         the tone's frequency is taken out again, because the chain does it once more.
clip     `full_scale_re_clip_db`: where the amplifier's clip light comes on against full scale.
spl      `target_spl_db`, `target_distance_m`, `box_sensitivity_db`: programme of a mean level of `target_level_dbfs`
         makes that continuous level, of one box alone in the open. Rooms, arrays and power compression are not in it.

With a mono sum the last three are measured with the same signal in every channel, so the sum's gain is in them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, get_args

from auditor.chain.level import (
    programme_by_spl_v,
    unity_by_clip_v,
    unity_by_line_up_v,
    unity_by_meter_v,
    unity_by_spl_v,
)
from auditor.errors import Fault
from auditor.rig import Amplifier, Calibration, Crossover, EqualiserSection, Level, Limiter
from auditor.rig_assumptions import ASSUMED_PROGRAMME_DBFS, ASSUMED_TONE_HZ
from auditor.rig_fields import shown
from auditor.rig_level_table import Level as LevelTable
from auditor.rig_value_faults import allowed_text

WAYS: dict[Calibration, tuple[str, ...]] = {
    "line_up": ("full_scale_dbu",),
    "meter": ("calibration_tone_dbfs", "calibration_voltage_v"),
    "clip": ("full_scale_re_clip_db",),
    "spl": ("target_spl_db", "target_distance_m", "box_sensitivity_db"),
}
OPTIONAL: dict[Calibration, tuple[str, ...]] = {
    "line_up": (),
    "meter": ("calibration_frequency_hz",),
    "clip": (),
    "spl": ("target_level_dbfs",),
}
_MOST_RE_CLIP_DB = 60.0  # as for full_scale_re_clip_db
_LEAST_ON_THE_WAY_DB = -20.0  # below it a small error in frequency or crossover becomes a large one in volts


def keys_of(way: Calibration) -> tuple[str, ...]:
    """All keys of one way, needed and optional."""
    return WAYS[way] + OPTIONAL[way]


def calibration_faults(document: Mapping[str, Any], values: Mapping[str, Mapping[str, Any]]) -> list[Fault]:
    """What the keys of ``[level]`` say together that cannot be.

    Parameters
    ----------
    document : mapping
        The whole TOML document.
    values : mapping
        Sound values by table.
    """
    raw = document.get("level")
    if not isinstance(raw, dict):
        return []
    given = {way: [key for key in keys_of(way) if key in raw] for way in get_args(Calibration)}
    used = [way for way in given if given[way]]
    faults = _mono_faults(raw, used)
    if not used:
        what = "nothing says how many volts full scale is"
        hint = "`auditor tone` writes the tone to measure with"
        return [*faults, Fault(key="level", what=what, allowed=f"one of {_all_ways()}", hint=hint)]
    first, *more = used
    for way in more:
        what = f"the level is set already by {' and '.join(given[first])}, and both cannot hold"
        keys = ", ".join(given[way])
        faults.append(Fault(key=f"level.{given[way][0]}", what=what, hint=f"keep one way: remove {keys}, or the other"))
    if more:
        return faults
    missing = [key for key in WAYS[first] if key not in raw]
    faults += [
        Fault(key=f"level.{key}", what=f"missing: {given[first][0]} needs it", allowed=allowed_text(LevelTable, key))
        for key in missing
    ]
    return faults + _amplifier_faults(document, values, first)


def _all_ways() -> str:
    return "; ".join(" with ".join(keys) for keys in WAYS.values())


def _mono_faults(raw: Mapping[str, Any], used: list[Calibration]) -> list[Fault]:
    if "mono_gain_db" not in raw:
        return []
    key, got = "level.mono_gain_db", shown(raw["mono_gain_db"], unit="dB")
    if raw.get("channels") != "mono":
        return [Fault(key=key, what="nothing is summed", got=got, hint='remove it, or channels = "mono"')]
    if used and "line_up" not in used:
        what = "what was measured through the sum, with the same in every channel, has its gain in it already"
        return [Fault(key=key, what=what, got=got, hint="remove it; it goes with full_scale_dbu only")]
    return []


def _amplifier_faults(
    document: Mapping[str, Any], values: Mapping[str, Mapping[str, Any]], way: Calibration
) -> list[Fault]:
    raw = document.get("amplifier")
    if way == "line_up" and isinstance(raw, dict) and "gain_db" not in raw:
        what = "missing: full_scale_dbu needs it"
        hint = "voltage gain; where it is not known measure instead: calibration_tone_dbfs, calibration_voltage_v"
        return [Fault(key="amplifier.gain_db", what=what, allowed="-20 to 80 dB", hint=hint)]
    level, amplifier = values["level"], values["amplifier"]
    if not {"rated_power_w", "rated_load_ohm"} <= amplifier.keys() or not set(WAYS[way]) <= level.keys():
        return []
    rail_v = Amplifier(**{"gain_db": None, **amplifier}).rail_v
    sine_v = rail_v / math.sqrt(2.0)
    if way == "meter" and level["calibration_voltage_v"] > sine_v:
        return [
            Fault(
                key="level.calibration_voltage_v",
                what="more than the amplifier gives before it clips, by its rated_power_w and rated_load_ohm",
                got=shown(level["calibration_voltage_v"], unit="V"),
                allowed=f"up to {sine_v:.4g} V",
                hint="measure with a quieter tone, or put the rating right",
            )
        ]
    if way == "spl":
        programme_v = _programme_v(level)
        if programme_v > sine_v:
            most_db = level["target_spl_db"] + 20.0 * math.log10(sine_v / programme_v)
            what = (
                f"wants {programme_v:.4g} V of programme at the box, and the amplifier clips a sine at {sine_v:.4g} V"
            )
            got = shown(level["target_spl_db"], unit="dB")
            return [Fault(key="level.target_spl_db", what=what, got=got, allowed=f"up to {most_db:.1f} dB")]
    return []


def _programme_v(level: Mapping[str, Any]) -> float:
    return programme_by_spl_v(
        target_spl_db=level["target_spl_db"],
        distance_m=level["target_distance_m"],
        sensitivity_db=level["box_sensitivity_db"],
    )


def resolve_level(
    values: Mapping[str, Mapping[str, Any]],
    amplifier: Amplifier,
    *,
    crossover: Crossover,
    sections: tuple[EqualiserSection, ...],
    limiters: tuple[Limiter, ...],
) -> tuple[Level, list[str], list[Fault]]:
    """The level of a rig whose keys stand together, the dotted keys that were filled in, and what cannot be.

    Parameters
    ----------
    values : mapping
        Sound values by table.
    amplifier, crossover, sections, limiters
        The rest of the chain, resolved.
    """
    table = dict(values["level"])
    way = next(way for way, keys in WAYS.items() if keys[0] in table)
    # A passive network by its parts stands behind the terminals, whatever the amplifier drives.
    is_active = amplifier.band == "hf" and crossover.network is None
    assumed = _fill(way, table, is_shaped=bool(sections) or is_active)
    on_the_way_db = _on_the_way_db(table, amplifier, crossover, sections) if way == "meter" else 0.0
    unity_v = _unity_v(way, table, amplifier, on_the_way_db)
    level = Level(calibration=way, unity_v=unity_v, **table)
    faults = _reading_faults(table, on_the_way_db, limiters) if way == "meter" else []
    return level, [f"level.{key}" for key in assumed], faults or _range_faults(level, amplifier)


def _fill(way: Calibration, table: dict[str, Any], *, is_shaped: bool) -> list[str]:
    """Put what is left out into the table; the keys of which another value is likely."""
    assumed = []
    if way == "line_up" and "gain_db" not in table:
        assumed.append("gain_db")
    table.setdefault("gain_db", 0.0)
    if table.get("channels") == "mono" and "mono_gain_db" not in table:
        table["mono_gain_db"] = 0.0
        assumed += ["mono_gain_db"] if way == "line_up" else []
    if way == "meter" and is_shaped and "calibration_frequency_hz" not in table:
        table["calibration_frequency_hz"] = ASSUMED_TONE_HZ
        assumed.append("calibration_frequency_hz")
    if way == "spl" and "target_level_dbfs" not in table:
        table["target_level_dbfs"] = ASSUMED_PROGRAMME_DBFS
        assumed.append("target_level_dbfs")
    return assumed


def _range_faults(level: Level, amplifier: Amplifier) -> list[Fault]:
    """A measurement from which follows what no rig is set to."""
    past_clip_db = 20.0 * math.log10(level.unity_v * math.sqrt(2.0) / amplifier.rail_v)
    if level.calibration not in ("meter", "spl") or abs(past_clip_db) <= _MOST_RE_CLIP_DB:
        return []
    key = WAYS[level.calibration][0]
    where = "past" if past_clip_db > 0.0 else "below"
    return [
        Fault(
            key=f"level.{key}",
            what=f"with it full scale would be {abs(past_clip_db):.0f} dB {where} the amplifier's clipping",
            got=shown(getattr(level, key), unit="dBFS" if level.calibration == "meter" else "dB"),
            allowed=f"{_MOST_RE_CLIP_DB:g} dB either way",
            hint="is the tone's level right, and the reading in volts?" if level.calibration == "meter" else None,
        )
    ]


def _unity_v(way: Calibration, table: Mapping[str, Any], amplifier: Amplifier, on_the_way_db: float) -> float:
    if way == "line_up":
        gain_db = amplifier.whole_gain_db
        assert gain_db is not None  # the faults have seen to that
        return unity_by_line_up_v(full_scale_dbu=table["full_scale_dbu"], amplifier_gain_db=gain_db)
    if way == "meter":
        return unity_by_meter_v(
            tone_dbfs=table["calibration_tone_dbfs"],
            reading_v=table["calibration_voltage_v"],
            on_the_way_db=on_the_way_db,
        )
    if way == "clip":
        return unity_by_clip_v(rail_v=amplifier.rail_v, full_scale_re_clip_db=table["full_scale_re_clip_db"])
    return unity_by_spl_v(programme_v=_programme_v(table), target_level_dbfs=table["target_level_dbfs"])


def _on_the_way_db(
    table: Mapping[str, Any], amplifier: Amplifier, crossover: Crossover, sections: tuple[EqualiserSection, ...]
) -> float:
    """What equaliser and active crossover do at the tone's frequency [dB]."""
    frequency_hz = table.get("calibration_frequency_hz")
    if frequency_hz is None or not (sections or amplifier.band == "hf"):
        return 0.0
    import numpy as np  # a sound rig may cost that

    from auditor.chain.crossover import response
    from auditor.chain.equaliser import analogue_response

    ratio = math.prod(abs(analogue_response(each, frequency_hz)) for each in sections)
    if amplifier.band == "hf" and crossover.network is None:  # a network by its parts stands behind the amplifier
        pad_ratio = 10.0 ** (-crossover.pad_db / 20.0)  # stands behind the amplifier
        ratio *= abs(complex(response(crossover, np.array([frequency_hz]))[0])) / pad_ratio
    return 20.0 * math.log10(max(ratio, 1e-12))


def _reading_faults(table: Mapping[str, Any], on_the_way_db: float, limiters: tuple[Limiter, ...]) -> list[Fault]:
    reading_v = table["calibration_voltage_v"]
    if on_the_way_db < _LEAST_ON_THE_WAY_DB:
        return [
            Fault(
                key="level.calibration_frequency_hz",
                what=f"equaliser and active crossover take {-on_the_way_db:.0f} dB off a tone of that frequency, so "
                "what the meter read says little about the rest of the band",
                got=shown(table["calibration_frequency_hz"], unit="Hz"),
                allowed=f"a frequency at which they take less than {-_LEAST_ON_THE_WAY_DB:g} dB",
                hint="`auditor tone --frequency-hz` writes one in the amplifier's band: disconnect the driver first",
            )
        ]
    lowest_v = min((each.threshold_v for each in limiters), default=math.inf)
    if reading_v > lowest_v:
        return [
            Fault(
                key="level.calibration_voltage_v",
                what="a limiter was at work when that was read",
                got=shown(reading_v, unit="V"),
                allowed=f"up to {lowest_v:.4g} V, the limiter's threshold",
                hint="measure with a quieter tone",
            )
        ]
    return []
