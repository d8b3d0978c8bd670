"""Which fuse: against the standard's gates, and rigs in which one does both, or none can, by construction."""

from __future__ import annotations

from typing import Any

import pytest

from auditor.advice import fuse_choice
from auditor.advice.fuse_choice import FuseCandidate
from auditor.advice.worst_case import worst_case, worst_case_v
from auditor.audit_types import Opening
from tests.stages.made_material import made_frames, made_material, made_rig, made_track

# A coil so heavy and so well cooled that its warming changes no current: then the currents are those of V / Z.
COOL: dict[str, Any] = {
    "coil_thermal_resistance_k_per_w": 0.05,
    "body_thermal_resistance_k_per_w": 0.05,
    "coil_time_constant_s": 10.0,
    "body_time_constant_s": 1000.0,
}
# Only the mean over 60 s binds: the short ratings are far away.
AT_20_C = {"ambient_temp_c": 20.0}  # where the coil's impedance is the rated one
PATIENT = COOL | {"program_power_w": 2000.0, "peak_power_w": 8000.0}


def choice(volts: float, seconds: float, **tables: dict[str, Any]) -> fuse_choice.FuseChoice:
    rig = made_rig(**tables)
    return fuse_choice.find(made_material(rig, made_track(rig, made_frames((volts, seconds)))))


def of(found: fuse_choice.FuseChoice, characteristic: str, rating_a: float) -> FuseCandidate:
    return next(each for each in found.candidates if (each.characteristic, each.rating_a) == (characteristic, rating_a))


def test_carries_an_hour_at_one_and_a_half_times_its_rating_and_not_much_more() -> None:
    """IEC 60127-2: at least an hour at 1.5 times the rating; the earliest curve goes through that gate."""
    at_gate_v = 1.5 * 1.0 * (8.0 + 0.13)
    under, over = (choice(share * at_gate_v, 3700.0, driver=PATIENT, site=AT_20_C) for share in (0.99, 1.02))
    assert of(under, "F", 1.0).survives
    opens_s = of(over, "F", 1.0).programme.opens_at_s.earliest
    assert opens_s is not None
    assert 2500.0 < opens_s < 3600.0
    assert of(over, "F", 1.25).survives
    assert not of(under, "F", 0.8).survives


def test_one_that_does_both_is_found_and_is_the_largest() -> None:
    # 120 W at the clip point passes 60 W over 60 s after 30 s; 32 W of music asks for 2 A.
    rig_tables: dict[str, Any] = {"amplifier": {"rated_power_w": 480.0}, "driver": PATIENT}
    assert worst_case_v(made_rig(**rig_tables)) ** 2 / 8.0 == pytest.approx(120.3, abs=0.1)
    found = choice(2.0 * 8.0, 120.0, **rig_tables)
    assert found.best is not None
    assert found.best.overload.driver_over_limit_at_s == pytest.approx(60.0 * 60.0 / 120.3, abs=0.05)
    # By the latest curve F glass opens within those 30 s at 2.47 times its rating, and 3.88 A are 2.43 times 1.6 A.
    assert (found.best.characteristic, found.best.rating_a) == ("F", 1.25)
    assert found.best.overload.opens_at_s.latest is not None
    assert found.best.overload.opens_at_s.latest < 30.0
    assert not of(found, "F", 1.6).protects
    assert of(found, "F", 1.6).survives
    assert not of(found, "F", 1.0).survives
    assert of(found, "F", 1.0).protects
    assert found.candidates[0] is found.best
    assert "F 1.25 A, glass" in found.conclusion


def test_none_does_both_and_it_says_so() -> None:
    # 200 W pass the programme rating of 120 W after 0.6 s, and the music itself asks for 2.7 A.
    found = choice(2.7 * 8.0, 60.0, driver=COOL)
    assert found.best is None
    assert "No fuse does both" in found.conclusion
    assert all(each.verdict == "risk" and each.reason for each in found.candidates)
    assert any(each.survives for each in found.candidates)
    assert any(each.protects for each in found.candidates)


def test_programme_over_the_limit_needs_a_fuse_that_opens_in_it() -> None:
    found = choice(25.0, 120.0, driver=PATIENT)  # 78 W
    assert of(found, "F", 6.3).programme.driver_over_limit_at_s == pytest.approx(60.0 * 60.0 / 78.1, abs=0.1)
    assert of(found, "F", 6.3).programme.passed == ("driver_power_60s",)
    assert of(found, "F", 0.5).programme.passed == ()
    assert found.best is None


def test_harmless_amplifier_needs_none() -> None:
    found = choice(1.0, 60.0, amplifier={"rated_power_w": 100.0})
    assert of(found, "F", 6.3).overload == fuse_choice.OnSignal(
        opens_at_s=Opening(), driver_over_limit_at_s=None, passed=()
    )
    assert "no fuse is needed" in found.conclusion


def test_damage_adds_up_from_track_to_track() -> None:
    """Half of what opens it in either of two tracks: the second one blows it."""
    rig = made_rig(driver=PATIENT, site=AT_20_C)
    half = made_frames((1.54 * (8.0 + 0.13), 1800.0))
    tracks = (made_track(rig, half, name="first.flac"), made_track(rig, half, name="second.flac"))
    alone = of(fuse_choice.find(made_material(rig, tracks[0])), "F", 1.0)
    both = of(fuse_choice.find(made_material(rig, *tracks)), "F", 1.0)
    assert alone.survives
    assert both.programme.track == "second.flac"


def test_peaks_are_named_as_beyond_any_fuse() -> None:
    rig = made_rig(driver=COOL | {"peak_power_w": 130.0})
    found = fuse_choice.find(made_material(rig, made_track(rig, made_frames((5.0, 10.0), crest=8.0))))
    # 40 V into 8 ohm: 200 W against 130, less what the fuse itself takes.
    assert 1.5 < found.peak_over_db < 1.871
    assert {each.verdict for each in found.candidates} == {"risk"}


def test_worst_case_is_half_the_rail_behind_the_pad() -> None:
    rig = made_rig(crossover={"pad_db": 6.0205999})
    assert worst_case_v(rig) == pytest.approx(113.137 / 4.0, rel=1e-5)
    frames = worst_case(rig, frame_s=0.01)
    assert len(frames.rms_v) == 60_000
    assert frames.peak_v[0] == pytest.approx(2.0 * frames.rms_v[0])


def test_peaks_alone_make_a_fuse_that_fits_a_risk() -> None:
    """As `auditor check` has it with that fuse: it does both, and the peak rating is passed all the same."""
    rig = made_rig(amplifier={"rated_power_w": 480.0}, driver=COOL | {"program_power_w": 400.0, "peak_power_w": 450.0})
    found = fuse_choice.find(made_material(rig, made_track(rig, made_frames((8.0, 10.0), crest=8.0))))
    assert found.best is not None
    assert found.best.does_both
    assert found.best.verdict == "risk"
    quiet = fuse_choice.find(made_material(rig, made_track(rig, made_frames((8.0, 10.0), crest=2.0))))
    assert quiet.best is not None
    assert quiet.best.verdict == "clear"
