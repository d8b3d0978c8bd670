"""Heat carried from track to track, and how far down keeps the row of them safe."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from auditor.chain.splitter import HfFrames
from auditor.judgement.examine import examine
from auditor.judgement.heat import CarriedHeat, heat_from_cold
from auditor.judgement.worst import worst_of
from auditor.rig import Rig
from tests.stages.made_material import made_frames, made_rig, made_track

LIMIT: dict[str, Any] = {"coil_temp_limit_c": 150.0, "continuous_power_w": 60.0}
KINDS: dict[str, dict[str, Any]] = {"none": {"kind": "none"}, "lamp": {"kind": "lamp", "part": "1156"}}


def played(rig: Rig, frames: HfFrames, *, times: int, gain_db: float = 0.0) -> CarriedHeat:
    ratio = np.float32(10.0 ** (gain_db / 20.0))
    heat = CarriedHeat(rig)
    for _ in range(times):
        heat.carry_through([replace(frames, rms_v=frames.rms_v * ratio, peak_v=frames.peak_v * ratio)])
    return heat


@pytest.mark.parametrize("kind", KINDS)
def test_turned_down_by_that_much_the_set_is_just_safe(kind: str) -> None:
    rig = made_rig(protection=KINDS[kind], driver=LIMIT)
    frames = made_frames((28.0 if kind == "none" else 45.0, 40.0))
    heat = played(rig, frames, times=5)
    assert heat.excess_db > 0.1
    down_db = heat.turn_down_db(0.0)
    assert played(rig, frames, times=5, gain_db=-down_db).excess_db <= 0.0
    assert played(rig, frames, times=5, gain_db=-down_db + 0.06).excess_db > 0.0
    # Power compression and the lamp hold the heat up: the excess itself would not be enough.
    assert down_db > heat.excess_db


def test_what_the_tracks_ask_for_is_the_answer_where_it_is_enough() -> None:
    rig = made_rig(driver=LIMIT)
    heat = played(rig, made_frames((26.0, 40.0)), times=2)
    enough_db = heat.turn_down_db(0.0) + 1.0
    assert heat.turn_down_db(enough_db) == enough_db


@pytest.mark.parametrize("kind", KINDS)
def test_the_first_track_from_cold_is_taken_from_its_examination(kind: str) -> None:
    rig = made_rig(protection=KINDS[kind], driver=LIMIT)
    channels = [made_frames((45.0, 40.0)), made_frames((30.0, 40.0))]
    track = made_track(rig, *channels)
    examined = [examine(feed, rig, index, track.duration_s) for index, feed in enumerate(track.feeds)]
    taken, played_anew = CarriedHeat(rig), CarriedHeat(rig)
    for _ in range(2):  # only of the first track is it taken
        taken.carry_through(channels, from_cold=[heat_from_cold(each) for each in examined])
        played_anew.carry_through(channels)
        assert taken.coil_temp_max_c == played_anew.coil_temp_max_c
        assert taken.excess_db == played_anew.excess_db


def test_a_lamp_of_ten_percent_more_current_is_what_counts() -> None:
    rig = made_rig(protection=KINDS["lamp"], driver=LIMIT)
    frames = made_frames((30.0, 60.0))
    heat = played(rig, frames, times=1)
    rated = worst_of(frames, rig)
    assert heat.coil_temp_max_c == pytest.approx(rated.coil_temp_c)
    assert heat.excess_db > rated.excesses(rig)["coil_temp"] + 0.1
