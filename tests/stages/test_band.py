"""The band of a margin: it holds whatever rig is drawn from the bands, and follows closed forms where there are any."""

from __future__ import annotations

import math
import random
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from auditor.audit_types import Audit, Band
from auditor.chain.play import Played, play
from auditor.demo import demo_paths, demo_rig_path
from auditor.judgement.band_set import band_of_set
from auditor.pipeline import audit_set, banded, judge
from auditor.rig import Rig
from auditor.rig_band import bands, varied
from auditor.rig_resolve import resolve_rig

DRAWS = 200
DRIVER = {"rated_impedance_ohm": 8.0, "continuous_power_w": 60.0}
DRUMS, SQUEAL, TONE = 4, 5, 6  # of the demonstration, counted from 0


def rig_of(**tables: dict[str, Any]) -> Rig:
    """The demonstration rig with these tables instead of its own."""
    document = tomllib.loads(Path(demo_rig_path()).read_text(encoding="utf-8")) | tables
    rig, faults = resolve_rig(document, path="band.toml")
    assert rig is not None, faults
    return rig


LEVEL = {"full_scale_dbu": 18.0, "gain_db": -8.0}
CROSSOVER = {"alignment": "linkwitz-riley", "order": 4, "frequency_hz": 1800.0}
RIGS: dict[str, dict[str, dict[str, Any]]] = {
    "as in the demonstration": {},
    "nothing but what must be given": {
        "driver": DRIVER,
        "crossover": CROSSOVER,
        "level": {"full_scale_dbu": 6.0},
    },
    "no protection": {"driver": DRIVER, "protection": {"kind": "none"}},
    "fuse": {"driver": DRIVER, "protection": {"kind": "fuse", "rating_a": 2.0, "characteristic": "T"}},
    "relay": {"driver": DRIVER, "protection": {"kind": "relay", "threshold_v": 25.0}},
}


@cache
def found(name: str, track: int) -> tuple[Played, Rig, Audit, Band]:
    rig = rig_of(**RIGS[name])
    played = play(demo_paths()[track], rig)
    audit = banded(judge(played, rig), played)
    assert audit.band is not None
    return played, rig, audit, audit.band


def margin_db(played: Played, rig: Rig, usual: Rig) -> float:
    """What the whole corridor says of a drawn rig; played anew where a drawn value changes what is played."""
    plays = ("level", "crossover", "limiters")
    if any(getattr(rig, table) != getattr(usual, table) for table in plays):
        played = play(played.programme.path, rig)
    margin = judge(played, rig).margin_db
    return math.inf if margin is None else margin


# --- the band holds ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "track"),
    [
        ("as in the demonstration", SQUEAL),
        ("as in the demonstration", TONE),
        ("nothing but what must be given", DRUMS),
        ("no protection", TONE),
        ("fuse", TONE),
        ("relay", SQUEAL),
    ],
)
def test_no_rig_drawn_from_the_bands_has_a_margin_outside(name: str, track: int) -> None:
    played, rig, _, band = found(name, track)
    low_db = math.inf if band.margin_low_db is None else band.margin_low_db
    high_db = math.inf if band.margin_high_db is None else band.margin_high_db
    dice = random.Random(name)
    keys = [each.key for each in bands(rig)]
    outside = []
    for number in range(DRAWS):
        # Every other one at a corner, which is further out than a draw from inside ever comes.
        drawn = {key: dice.choice((-1.0, 1.0)) if number % 2 else dice.uniform(-1.0, 1.0) for key in keys}
        margin = margin_db(played, varied(rig, drawn), rig)
        if not low_db <= margin <= high_db:
            outside.append((margin, drawn))
    assert not outside, (low_db, high_db, outside[:3])
