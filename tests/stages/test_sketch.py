"""The margin that is first sought on an eighth of the frames, against the one sought on all of them from the start."""

from __future__ import annotations

import functools
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from auditor import audit_set, demo, load_rig
from auditor.chain.overdrive import WishedRow
from auditor.chain.play import Played, play
from auditor.chain.splitter import split
from auditor.division import Division
from auditor.judgement import margin as margin_module
from auditor.judgement.look import look_at
from auditor.judgement.margin import TrialChannel, trial_channel
from auditor.judgement.sketch import merged
from auditor.protection import UNPROTECTED, within_tolerance
from auditor.rig import Rig
from tests.stages.lines import excess_db, lines_of, louder, margin_of
from tests.stages.signals import DEMO, demo_path
from tests.stages.test_division import RATE_HZ, dance, made
from tests.stages.test_overdrive import climb, wished

AGREES_DB = 0.04  # each lies up to 0.02 dB of excess under the limit, and a lamp makes more of it in gain


@functools.cache
def demo_rig(gain_db: float) -> Rig:
    system = load_rig(demo.demo_rig_path())
    return replace(system, level=replace(system.level, gain_db=system.level.gain_db + gain_db))


@functools.cache
def played(start: str, gain_db: float) -> Played:
    return play(str(demo_path(start)), demo_rig(gain_db))


def without_guess(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(TrialChannel, "rough", None)


@pytest.mark.parametrize("gain_db", [-12.0, 8.0])
@pytest.mark.parametrize("start", DEMO)
def test_the_guess_changes_no_margin(start: str, gain_db: float, monkeypatch: pytest.MonkeyPatch) -> None:
    guessed = margin_of(played(start, gain_db), demo_rig(gain_db))
    without_guess(monkeypatch)
    sought = margin_of(played(start, gain_db), demo_rig(gain_db))
    assert guessed[1] == sought[1]
    assert guessed[0] == pytest.approx(sought[0], abs=AGREES_DB)


def test_nor_that_of_a_set_played_through(monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [demo_path(start) for start in ("04", "03", "01")]
    guessed = audit_set(paths, demo_rig(-6.0), gap_s=2.0)
    without_guess(monkeypatch)
    sought = audit_set(paths, demo_rig(-6.0), gap_s=2.0)
    assert guessed.margin_db == pytest.approx(sought.margin_db, abs=AGREES_DB)


@pytest.mark.parametrize("gain_db", [0.0, -12.0, -34.0])
def test_nor_that_of_a_passive_network(gain_db: float, monkeypatch: pytest.MonkeyPatch) -> None:
    system = louder(made(parts=True), gain_db)
    track = play(str(demo_path("04")), system)
    assert track.feeds[0].frames.division is not None
    guessed = margin_of(track, system)
    without_guess(monkeypatch)
    assert guessed[0] == pytest.approx(margin_of(track, system)[0], abs=AGREES_DB)


@pytest.mark.parametrize("start", ["03", "04"])
@pytest.mark.parametrize("gain_db", [0.0, -12.0, -18.0, -34.0])
def test_far_into_clipping_a_network_divides_otherwise_and_the_margin_still_holds(start: str, gain_db: float) -> None:
    """The division is known at the present gain only: at another one, clipped otherwise, the samples are read again."""
    system = louder(made(parts=True), gain_db)
    margin_db, _ = margin_of(play(str(demo_path(start)), system), system)
    assert margin_db is not None
    assert -0.1 <= excess_db(demo_path(start), louder(system, margin_db)) <= 0.0


def test_all_frames_are_simulated_hardly_more_than_once_each(monkeypatch: pytest.MonkeyPatch) -> None:
    track, system = played("03", -12.0), demo_rig(-12.0)
    looks: Counter[int] = Counter()

    def counted(frames, *given, **named):  # type: ignore[no-untyped-def]
        looks[len(frames.rms_v)] += 1
        return look_at(frames, *given, **named)

    monkeypatch.setattr(margin_module, "look_at", counted)
    lines = lines_of(track, system)
    margin_module.margin(lines)
    assert looks[len(track.feeds[0].frames.rms_v)] <= 2 * len(lines)


@pytest.mark.parametrize("gain_db", [3.0, 8.0])
@pytest.mark.parametrize("start", ["03", "04"])
def test_rows_put_into_a_run_give_what_another_run_would(start: str, gain_db: float) -> None:
    system, feed = demo_rig(8.0), played(start, 8.0).feeds[0]
    channel = trial_channel(feed, system, within_tolerance(system.protection))
    before = channel.looked(gain_db)
    assert channel.read_rows(before.loudest_rows, gain_db)
    again, anew = channel.looked_again(before, gain_db), channel.looked(gain_db)
    assert again.excess == anew.excess
    assert again.loudest_rows == anew.loudest_rows
    assert again.loudest_rows != before.loudest_rows


@pytest.mark.parametrize("most", [12, 20])
def test_where_more_rows_are_high_than_are_kept_there_is_another_run(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("auditor.judgement.peaks._MOST_ROWS", most)
    monkeypatch.setattr("auditor.judgement.ratings.STRETCH_FRAMES", 1 << 8)
    system, feed = demo_rig(8.0), played("04", 8.0).feeds[0]
    channel = trial_channel(feed, system, [UNPROTECTED])
    look, runs = channel.looked(8.0), 0
    while channel.read_rows(look.loudest_rows, 8.0):
        runs += look.again(channel.by_part(8.0)) is None
        look, anew = channel.looked_again(look, 8.0), channel.looked(8.0)
        assert (look.excess, look.loudest_rows) == (anew.excess, anew.loudest_rows)
    assert runs > 0


@pytest.mark.parametrize("gain_db", [-12.0, 0.0, 8.0])
def test_both_ends_at_once_are_the_worse_of_each(gain_db: float) -> None:
    system, feed = demo_rig(8.0), played("04", 8.0).feeds[0]
    parts = within_tolerance(system.protection)
    alone = [trial_channel(feed, system, [part]).excess(gain_db) for part in parts]
    assert alone[0] != alone[1]
    assert trial_channel(feed, system, parts).excess(gain_db) == max(alone)


@pytest.mark.parametrize("gain_db", [-6.0, 2.5, 11.0])
def test_rows_through_the_ladder_are_its_frames_merged(gain_db: float) -> None:
    volts, rate_hz = wished("dance", 3.0)
    frames, ladder = climb(volts, rate_hz, ("linkwitz-riley", 4))
    row = int(np.argmax(frames.peak_v)) // ladder.frames_per_row
    lead, length = ladder.lead, ladder.row_length
    padded_v = np.pad(volts, lead + length)
    first = lead + length + row * length - lead
    exact = [WishedRow(row=row, wished_v=padded_v[first : first + length + 2 * lead])]
    fine = merged(ladder.frames_at(frames, gain_db, exact), count=ladder.frames_per_row)
    coarse = ladder.by_rows.frames_at(merged(frames, count=ladder.frames_per_row), gain_db, exact)
    assert ladder.by_rows.row_length == ladder.row_length
    np.testing.assert_allclose(coarse.rms_v, fine.rms_v, rtol=1e-5)
    np.testing.assert_allclose(coarse.peak_v, fine.peak_v, rtol=1e-5)


def test_a_division_is_merged_in_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    system = made(parts=True)
    division = split(dance(), RATE_HZ, system.crossover, rig=system).division
    rms_v = split(dance(), RATE_HZ, system.crossover, rig=system).rms_v
    assert isinstance(division, Division)
    whole = division.merged(rms_v, count=8)
    monkeypatch.setattr("auditor.division._MERGED_AT_ONCE", 3)
    np.testing.assert_array_equal(division.merged(rms_v, count=8).ratio, whole.ratio)
