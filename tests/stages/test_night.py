"""A set played through: silences against closed forms, and what joined files and cold tracks must equal."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from auditor import pipeline, whole_set
from auditor.audit_types import Audit, SetAudit
from auditor.driver.coil import CoilNetwork
from auditor.judgement.before import Before
from auditor.judgement.carried import cold, of_channels, put_through, rested
from auditor.judgement.examine import Carried
from auditor.judgement.night_order import is_one_change, order_effect
from auditor.night_types import LONGEST_GAP_S, Night, NightTrack
from auditor.pipeline import audit, audit_set
from auditor.protection.contract import ThermalState
from auditor.protection.filament import Filament
from auditor.protection.lamp import Lamp
from auditor.rig import Rig
from tests.published.models import rig
from tests.stages.made_material import made_frames, made_rig
from tests.stages.signals import music, tone, write_wav

RATE_HZ = 48_000
FRAME = 288  # samples in a frame of 6 ms
KELVIN = 273.15
STRONG = {"continuous_power_w": 5e3, "program_power_w": 2e4, "peak_power_w": 4e4}
# Slow to cool, so that one track warms the next; only heat is ever the trouble.
HOT_COIL = STRONG | {
    "coil_thermal_resistance_k_per_w": 3.0,
    "body_thermal_resistance_k_per_w": 2.0,
    "coil_time_constant_s": 1.5,
    "body_time_constant_s": 30.0,
}
PARTS: dict[str, dict[str, Any]] = {
    "none": {"kind": "none"},
    "lamp": {"kind": "lamp", "part": "1156"},
    "fuse": {"kind": "fuse", "rating_a": 2.0, "characteristic": "F"},
    "breaker": {"kind": "breaker", "rating_a": 1.0, "reset": "self", "reset_s": 20.0},
    "resettable": {"kind": "resettable", "hold_a": 0.5},
    "relay": {"kind": "relay", "threshold_v": 12.0},
}
EVERY_PART = pytest.mark.parametrize("kind", PARTS)


def night_of(result: SetAudit) -> Night:
    assert result.night is not None
    return result.night


def steady(path: Path, level: float, seconds: float, *, rate_hz: int = RATE_HZ, channels: int = 1) -> Path:
    """A tone between two frames of silence, so that joined files meet where nothing sounds."""
    samples = tone(rate_hz, 5000.0, seconds, level)
    samples[:FRAME] = samples[-FRAME:] = 0.0
    return write_wav(path, np.stack([samples] * channels, axis=1), rate_hz)


# --- cooling ---------------------------------------------------------------------------------------------------------


@EVERY_PART
@pytest.mark.parametrize("silence_s", [0.3, 2.0, 37.5, 1234.5, 7200.0])
def test_coil_and_body_cool_by_two_exponentials(kind: str, silence_s: float) -> None:
    """Oracle: without power the network is linear, dx/dt = A x, and x(t) = expm(A t) x(0) above the ambient."""
    system = made_rig(protection=PARTS[kind])
    network = CoilNetwork.of(system.driver, system.site.ambient_temp_c)
    start = Before(state=ThermalState(coil_temp_c=170.0, body_temp_c=80.0))
    after, course_c, step_s = start.after_silence(silence_s, system)
    assert after.state is not None
    per_coil = 1.0 / (network.coil_to_body_k_per_w * network.coil_heat_capacity_j_per_k)
    per_body = 1.0 / network.body_heat_capacity_j_per_k
    to_body, to_air = per_body / network.coil_to_body_k_per_w, per_body / network.body_to_air_k_per_w
    rates = np.array([[-per_coil, per_coil], [to_body, -to_body - to_air]])
    rise_k = np.array([170.0, 80.0]) - network.ambient_temp_c
    coil_k, body_k = expm(rates * silence_s) @ rise_k
    assert after.state.coil_temp_c == pytest.approx(network.ambient_temp_c + coil_k, abs=0.05)
    assert after.state.body_temp_c == pytest.approx(network.ambient_temp_c + body_k, abs=0.05)
    assert len(course_c) * step_s == pytest.approx(silence_s)
    assert course_c[0] == pytest.approx(network.ambient_temp_c + (expm(rates * step_s) @ rise_k)[0], abs=0.05)
    assert len(course_c) <= silence_s + 1.0  # not as many steps as there are frames


@pytest.mark.parametrize("silence_s", [0.05, 0.4, 2.0, 20.0])
def test_a_glowing_filament_cools_in_the_silence(silence_s: float) -> None:
    """Oracle: C(T) dT/dt = -loss(T) by `solve_ivp`, the curves in closed form and not off the program's grid."""
    system = made_rig(protection=PARTS["lamp"])
    assert isinstance(system.protection, Lamp)
    filament = Filament.from_lamp(system.protection, system.site.ambient_temp_c + KELVIN)
    solved = solve_ivp(
        lambda _, temp_k: -filament.loss_w(temp_k) / filament.heat_capacity_j_per_k(temp_k),
        (0.0, silence_s),
        [2400.0],
        method="LSODA",
        rtol=1e-9,
        atol=1e-6,
    )
    hot = Before(state=ThermalState(coil_temp_c=120.0, body_temp_c=60.0, part=(2400.0, 0.01)))
    after = hot.after_silence(silence_s, system)[0].state
    assert after is not None
    assert after.part[0] == pytest.approx(solved.y[0, -1], rel=0.005)
    assert after.part[1] == pytest.approx(0.01, abs=0.001)  # what is used of its life stays used


def test_a_self_closing_breaker_closes_in_the_silence_and_a_blown_fuse_stays_open() -> None:
    for kind, silence_s, is_open in (("breaker", 5.0, True), ("breaker", 25.0, False), ("fuse", 3600.0, True)):
        system = made_rig(protection=PARTS[kind])
        loud = made_frames((60.0, 8.0), (0.1, 0.1))
        _, left = put_through([loud], system, cold(100.0))
        silence, _ = put_through([made_frames((1.0, 1.0))], system, rested(left, system, silence_s))
        later = rested(left, system, silence_s)[0].rated.state
        assert later is not None
        assert (later.part[3] > 0.0) is is_open, kind
        assert silence.at_risk is (kind == "fuse")


# --- windows over the silence ----------------------------------------------------------------------------------------


def test_powers_of_another_frame_length_keep_their_energy_and_their_place() -> None:
    before = Before(power_w=np.array([1.0, 2.0, 4.0], dtype=np.float32), frame_s=0.006, silence_s=0.012)
    powers_w = before.powers_w(10, 0.005)
    assert powers_w.sum() * 0.005 == pytest.approx(7.0 * 0.006)
    # Of the last 12 ms, silence, two frames and two fifths of the third.
    np.testing.assert_allclose(powers_w[-2:], 0.0)
    assert powers_w[-3] == pytest.approx(4.0 * 0.003 / 0.005)
    same = Before(power_w=np.array([1.0, 2.0, 4.0], dtype=np.float32), frame_s=0.006)
    np.testing.assert_allclose(same.powers_w(5, 0.006), [0.0, 0.0, 1.0, 2.0, 4.0], rtol=1e-6)


# --- equalities ------------------------------------------------------------------------------------------------------


def exposures(audits: tuple[Audit, ...]) -> dict[str, float]:
    worst = {}
    for name in ("coil_temp_max_c", "body_temp_max_c", "driver_power_max_1s_w", "driver_power_max_60s_w"):
        for which in ("protected", "unprotected"):
            each = [getattr(getattr(channel, which), name) for one in audits for channel in one.channels]
            worst[f"{which} {name}"] = max(each)
    return worst


def programmes(folder: Path, system_rate_hz: int = RATE_HZ) -> tuple[list[Path], Path]:
    """Three tracks of whole frames, and the file that joins them."""
    parts = []
    for level, seconds in ((0.3, 30.0), (0.7, 40.2), (0.12, 24.0)):
        samples = level * np.tile(music(system_rate_hz, seconds=6.0), 8)[: round(seconds * system_rate_hz)]
        samples[: 4 * FRAME] = samples[-4 * FRAME :] = 0.0
        parts.append(samples.astype(np.float32))
    paths = [write_wav(folder / f"{n}.wav", each, system_rate_hz) for n, each in enumerate(parts)]
    return paths, write_wav(folder / "joined.wav", np.concatenate(parts), system_rate_hz)


@EVERY_PART
def test_without_silence_it_is_the_joined_file(kind: str, tmp_path: Path) -> None:
    paths, joined = programmes(tmp_path)
    system = rig(protection=PARTS[kind])
    apart, whole = audit_set(paths, system, gap_s=0.0), audit(joined, system)
    assert exposures(apart.tracks) == pytest.approx(exposures((whole,)), rel=2e-3)
    assert apart.verdict == whole.verdict
    assert night_of(apart).duration_s == pytest.approx(whole.duration_s)
    assert apart.margin_db == pytest.approx(whole.margin_db, abs=0.05)
    assert night_of(apart).margin_limited_by == whole.margin_limited_by
    channels = [one.channels[0].protection for one in apart.tracks]
    assert sum(one.trips for one in channels) == whole.channels[0].protection.trips
    assert sum(one.engaged_s for one in channels) == pytest.approx(whole.channels[0].protection.engaged_s, abs=0.05)


@EVERY_PART
def test_after_endless_silence_every_track_is_as_from_cold(kind: str, tmp_path: Path) -> None:
    system = rig(protection=PARTS[kind])
    paths = [
        write_wav(tmp_path / f"{n}.wav", (level * np.tile(music(RATE_HZ, seconds=5.0), 13)).astype(np.float32), RATE_HZ)
        for n, level in enumerate((0.2, 0.6))
    ]
    far, apart = audit_set(paths, system, gap_s=LONGEST_GAP_S), audit_set(paths, system)
    if kind == "fuse":  # a blown one stays blown
        assert far.tracks[0].verdict != "risk"
    for one, other in zip(far.tracks, apart.tracks, strict=True):
        assert exposures((one,)) == pytest.approx(exposures((other,)), rel=1e-3)
        assert one.verdict == other.verdict
        assert one.margin_db == pytest.approx(other.margin_db, abs=0.03)
    for place in night_of(far).timeline:
        assert place.coil_temp_max_c == pytest.approx(place.coil_temp_alone_c, abs=0.05)


def test_a_single_track_is_as_from_cold(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "one.wav", 0.5 * music(44_100, seconds=4.0), 44_100)
    system = rig(protection=PARTS["lamp"])
    night, alone = audit_set([path], system, gap_s=7.0), audit(path, system)
    assert night.tracks == (alone,)
    assert night_of(night).duration_s == alone.duration_s
    assert night.margin_db == pytest.approx(alone.margin_db, abs=0.03)


# --- odd sets --------------------------------------------------------------------------------------------------------


def test_odd_tracks_in_one_set(tmp_path: Path) -> None:
    """Other rates, mono after stereo and back, one frame, less than a frame, one that cannot be read in the middle."""
    (tmp_path / "broken.wav").write_bytes(b"no sound at all")
    paths = [
        steady(tmp_path / "stereo.wav", 0.3, 3.0, channels=2),
        steady(tmp_path / "mono.wav", 0.3, 3.0, rate_hz=44_100),
        tmp_path / "broken.wav",
        write_wav(tmp_path / "frame.wav", np.full(FRAME, 0.1, dtype=np.float32), RATE_HZ),
        write_wav(tmp_path / "less.wav", np.full(7, 0.1, dtype=np.float32), RATE_HZ),
        steady(tmp_path / "fast.wav", 0.3, 3.0, rate_hz=96_000, channels=2),
    ]
    result = audit_set(paths, rig(protection=PARTS["lamp"], driver=HOT_COIL), gap_s=0.0)
    night = night_of(result)
    assert [Path(each.track).stem for each in night.timeline] == ["stereo", "mono", "frame", "less", "fast"]
    assert [Path(each.path).name for each in result.errors] == ["broken.wav"]
    ends = [each.end_s for each in night.timeline]
    assert [each.start_s for each in night.timeline] == pytest.approx([0.0, *ends[:-1]])
    assert night.duration_s == pytest.approx(9.0 + (FRAME + 7) / RATE_HZ)
    hottest = [each.coil_temp_max_c for each in night.timeline]
    assert hottest[0] < hottest[1] < hottest[4]  # the heat of the stereo pair goes on through mono, and back
    assert night.timeline[4].coil_temp_start_c > 40.0
    assert np.isfinite(night.coil_temp_c).all()
    assert night.coil_temp_c.max() == pytest.approx(night.hottest.coil_temp_c)


def test_a_mono_track_starts_from_the_warmest_channel() -> None:
    cool, warm = (Carried(rated=Before(state=ThermalState(coil_temp_c=t, body_temp_c=t))) for t in (40.0, 90.0))
    assert of_channels([cool, warm], 1) == (warm,)
    assert of_channels([warm], 2) == (warm, warm)
    assert of_channels([cool, warm], 2) == (cool, warm)


def test_nothing_that_can_be_played_is_no_night(tmp_path: Path) -> None:
    (tmp_path / "broken.wav").write_bytes(b"no sound at all")
    result = audit_set([tmp_path / "broken.wav"], rig(), gap_s=2.0)
    assert (result.night, result.tracks, len(result.errors)) == (None, (), 1)


# --- margin, order, pauses -------------------------------------------------------------------------------------------


def limit(system: Rig, temp_c: float) -> Rig:
    return replace(system, driver=replace(system.driver, coil_temp_limit_c=temp_c))


def two_hot(folder: Path, kind: str, *, gap_s: float = 1.0) -> tuple[list[Path], Rig]:
    """Two hot tracks, then a long cool one; the limit lies half way between the second alone and in its place."""
    paths = [
        steady(folder / "first.wav", 0.5, 25.0),
        steady(folder / "second.wav", 0.52, 25.0),
        steady(folder / "cool.wav", 0.05, 60.0),
    ]
    system = rig(protection=PARTS[kind], amplifier={"rated_power_w": 5e4}, driver=HOT_COIL, level={"gain_db": -12.0})
    place = night_of(audit_set(paths, limit(system, 5000.0), gap_s=gap_s)).timeline[1]
    assert place.coil_temp_max_c > place.coil_temp_alone_c + 4.0
    return paths, limit(system, (place.coil_temp_max_c + place.coil_temp_alone_c) / 2.0)


def louder(system: Rig, gain_db: float) -> Rig:
    return replace(system, level=replace(system.level, gain_db=system.level.gain_db + gain_db))


def test_heat_that_was_carried_is_told_from_heat_of_its_own(tmp_path: Path) -> None:
    paths, system = two_hot(tmp_path, "none")
    result = audit_set(paths, system, gap_s=1.0)
    night = night_of(result)
    assert [each.verdict for each in result.tracks] == ["clear", "risk", "clear"]
    assert [(each.at_risk, each.at_risk_alone) for each in night.timeline] == [
        (False, False),
        (True, False),
        (False, False),
    ]
    assert night.hottest.track == str(paths[1])
    assert 20.0 < night.hottest.track_at_s <= 25.0
    assert night.hottest.at_s == pytest.approx(26.0 + night.hottest.track_at_s)
    assert night.effect.at_risk_in_place == (str(paths[1]),)
    assert result.margin_db is not None
    assert result.margin_db < 0.0


def test_the_order_that_is_found_is_safe_and_so_is_the_pause_and_none_shorter(tmp_path: Path) -> None:
    paths, system = two_hot(tmp_path, "none")
    effect = night_of(audit_set(paths, system, gap_s=1.0)).effect
    assert (effect.order_count, effect.every_order) == (5, True)
    assert effect.order is not None
    again = audit_set(list(effect.order), system, gap_s=1.0)
    assert again.verdict == "clear"
    assert again.coil_temp_max_c == pytest.approx(effect.order_coil_temp_max_c)
    assert effect.pauses is not None
    (pause,) = effect.pauses
    assert pause.track == str(paths[1])
    for seconds, verdict in ((pause.pause_s, "clear"), (pause.pause_s - 1.0, "risk")):
        # The pause as silence of its own: to the gap of 1 s before it.
        quiet = np.zeros(round((seconds - 2.0) * RATE_HZ), dtype=np.float32)
        with_pause = [paths[0], write_wav(tmp_path / "quiet.wav", quiet, RATE_HZ), *paths[1:]]
        assert audit_set(with_pause, system, gap_s=1.0).verdict == verdict


def test_what_is_at_risk_by_itself_is_not_laid_to_the_order(tmp_path: Path) -> None:
    paths, system = two_hot(tmp_path, "none")
    alone_c = night_of(audit_set(paths, system, gap_s=1.0)).timeline[1].coil_temp_alone_c
    effect = night_of(audit_set(paths, limit(system, alone_c - 3.0), gap_s=1.0)).effect
    assert str(paths[1]) in effect.at_risk_alone
    assert effect.order is None
    assert effect.pauses is None
    assert effect.at_risk_in_place == ()


def test_where_no_order_helps_it_is_said_and_the_pause_may(tmp_path: Path) -> None:
    """Two tracks alike: whichever comes second is too hot."""
    paths, system = two_hot(tmp_path, "none")
    twice = [paths[1], paths[1]]
    effect = night_of(audit_set(twice, system, gap_s=1.0)).effect
    assert (effect.order, effect.order_count, effect.every_order) == (None, 1, True)
    assert effect.pauses is not None
    assert len(effect.pauses) == 1


def test_a_blown_fuse_is_not_helped_by_a_pause() -> None:
    system = made_rig(protection=PARTS["fuse"], driver=STRONG)
    tracks = [[made_frames((60.0, 20.0))], [made_frames((1.0, 20.0))]]
    places = [
        NightTrack(
            track=name,
            start_s=0.0,
            end_s=20.0,
            coil_temp_start_c=25.0,
            coil_temp_max_c=25.0,
            coil_temp_alone_c=25.0,
            at_risk=True,
            at_risk_alone=name == "blows",
        )
        for name in ("blows", "silent")
    ]
    effect = order_effect(places, tracks, system, 2.0, 42.0)
    assert effect.order == ("silent", "blows")
    assert effect.pauses is None


def test_a_large_set_is_searched_by_moves_and_what_is_found_holds() -> None:
    system = made_rig(driver=HOT_COIL)
    volts = [4.0] * 9 + [26.0, 26.0]
    tracks = [[made_frames((each, 30.0))] for each in volts]
    carried, outcomes = cold(400.0), []
    for track in tracks:
        outcome, carried = put_through(track, system, carried)
        outcomes.append(outcome.coil_temp_c)
        carried = rested(carried, system, 2.0)
    alone = put_through(tracks[-1], system, cold(400.0))[0].coil_temp_c
    system = limit(system, (outcomes[-1] + 3.0 * alone) / 4.0)
    places = [
        NightTrack(
            track=str(number),
            start_s=32.0 * number,
            end_s=32.0 * number + 30.0,
            coil_temp_start_c=25.0,
            coil_temp_max_c=temp_c,
            coil_temp_alone_c=25.0,
            at_risk=number == 10,
            at_risk_alone=False,
        )
        for number, temp_c in enumerate(outcomes)
    ]
    effect = order_effect(places, tracks, system, 2.0, 400.0)
    assert not effect.every_order
    assert 10 < effect.order_count <= 400
    assert effect.order is not None
    carried = cold(400.0)
    for name in effect.order:
        outcome, carried = put_through(tracks[int(name)], system, carried)
        assert not outcome.at_risk
        carried = rested(carried, system, 2.0)


@pytest.mark.parametrize("kind", ["none", "lamp"])
def test_the_margin_of_the_whole_set_holds(kind: str, tmp_path: Path) -> None:
    paths, system = two_hot(tmp_path, kind)
    down = audit_set(paths, system, gap_s=1.0).margin_db
    assert down is not None
    up = audit_set(paths, louder(system, down - 3.0), gap_s=1.0).margin_db
    assert up == pytest.approx(3.0, abs=0.05)  # looked for from the other side
    for change_db, verdicts in ((down, ("clear", "engaged")), (down + 0.05, ("risk",))):
        assert audit_set(paths, louder(system, change_db), gap_s=1.0).verdict in verdicts


def test_the_margin_of_a_set_behind_a_limiter_holds(tmp_path: Path) -> None:
    paths, plain = two_hot(tmp_path, "none")
    limited = rig(
        protection=PARTS["none"],
        amplifier={"rated_power_w": 5e4},
        driver=HOT_COIL | {"coil_temp_limit_c": plain.driver.coil_temp_limit_c},
        level={"gain_db": -12.0},
        limiter={"detector": "rms", "threshold_dbu": 40.0, "attack_s": 0.01, "release_s": 0.1},
    )
    plain_db, limited_db = (audit_set(paths, each, gap_s=1.0).margin_db for each in (plain, limited))
    assert limited_db == pytest.approx(plain_db, abs=0.1)  # its threshold is never reached


def test_a_track_that_starts_over_the_limit_has_no_safe_level_of_its_own(tmp_path: Path) -> None:
    paths, system = two_hot(tmp_path, "none", gap_s=0.0)
    cooler = limit(system, 60.0)
    result = audit_set([paths[1], paths[2]], cooler, gap_s=0.0)
    assert (result.tracks[1].verdict, result.tracks[1].margin_db) == ("risk", None)
    assert result.tracks[1].room_db == -math.inf
    assert result.worst_track == str(paths[2])


def test_one_change_of_places_is_told_from_more() -> None:
    for order, is_one in (
        ("abcde", False),
        ("bacde", True),
        ("ebcda", True),  # two that change places
        ("bcdae", True),  # one that moved back
        ("adbce", True),  # one that moved forward
        ("bcaed", False),
        ("edcba", False),
    ):
        assert is_one_change("abcde", order) is is_one, order


def test_a_fuse_that_is_blown_already_is_laid_to_the_track_that_blew_it(tmp_path: Path) -> None:
    system = rig(protection=PARTS["fuse"], driver=STRONG, amplifier={"rated_power_w": 5e3})
    paths = [
        steady(tmp_path / "loud.wav", 0.9, 5.0, channels=2),
        steady(tmp_path / "calm.wav", 0.01, 5.0, channels=2),
    ]
    result = audit_set(paths, system, gap_s=2.0)
    first, second = result.tracks
    assert (first.lost_channels, second.lost_channels) == ((), (0, 1))
    assert (second.verdict, second.margin_db, second.quieter_risk) == ("risk", None, None)
    assert {(each.cause, each.start_s, each.unit) for each in second.passages} == {("protection_failed", 0.0, "life")}
    assert result.worst_track == str(paths[0])
    assert result.margin_db == pytest.approx(first.margin_db, abs=0.05)
    effect = night_of(result).effect
    assert effect is not None
    assert (effect.at_risk_alone, effect.at_risk_in_place) == ((str(paths[0]),), (str(paths[1]),))
    assert (effect.order, effect.pauses) == ((str(paths[1]), str(paths[0])), None)
    calm = audit_set([paths[1], paths[1]], system, gap_s=2.0)
    assert [each.lost_channels for each in calm.tracks] == [(), ()]


@pytest.mark.parametrize("finished", [0, 1])
def test_ctrl_c_while_the_night_is_judged_reports_what_was_finished(
    finished: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [steady(tmp_path / f"{name}.wav", 0.3, 3.0) for name in "abc"]
    whole = audit_set(paths, rig(), gap_s=2.0)
    judged = pipeline._judged
    left = iter(range(finished))

    def interrupted(*arguments: Any) -> Any:
        if next(left, None) is None:
            raise KeyboardInterrupt
        return judged(*arguments)

    monkeypatch.setattr(pipeline, "_judged", interrupted)
    result = audit_set(paths, rig(), gap_s=2.0)
    assert result.interrupted
    assert result.tracks == whole.tracks[:finished]
    if finished:
        assert night_of(result).timeline == night_of(whole).timeline[:1]
        assert night_of(result).duration_s == 3.0
        assert len(night_of(result).coil_temp_c) * night_of(result).step_s == pytest.approx(3.0, abs=0.02)
    else:
        assert result.night is None


@pytest.mark.parametrize(
    ("step", "unanswered"), [("night_margin", ("margin", "order")), ("effect_of_order", ("order",))]
)
def test_ctrl_c_in_the_last_steps_of_a_night_reports_its_tracks(
    step: str, unanswered: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [steady(tmp_path / f"{name}.wav", 0.3, 3.0) for name in "ab"]
    whole = audit_set(paths, rig(), gap_s=2.0)

    def interrupted(*_: Any, **__: Any) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(whole_set, step, interrupted)
    result = audit_set(paths, rig(), gap_s=2.0)
    assert (result.interrupted, night_of(result).unanswered) == (True, unanswered)
    assert (result.tracks, night_of(result).timeline) == (whole.tracks, night_of(whole).timeline)
    assert result.margin_db == (None if "margin" in unanswered else whole.margin_db)
    assert night_of(result).effect is None
