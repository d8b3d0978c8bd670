"""Every protection side by side: what a quick burst and what sustained level do to each, by construction."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pytest

from auditor.advice import overview
from auditor.advice.overview import Method, in_words
from auditor.advice.trial import put_through
from auditor.audit_types import Opening
from auditor.protection import METHODS
from auditor.protection.none import NoProtection
from auditor.report import overview_sheet
from auditor.report.layout import Sheet
from auditor.report.terminal import glyphs_for, make_console
from auditor.rig import Rig
from tests.stages.made_material import made_frames, made_material, made_rig, made_track

LAMP = {"kind": "lamp", "part": "1156"}
# So that the peak rating, which no part can hold, stays out of it.
DRIVER: dict[str, Any] = {"peak_power_w": 8000.0}


def methods(rig: Rig, *stretches: tuple[float, float]) -> dict[str, Method]:
    found = overview.compare(made_material(rig, made_track(rig, made_frames(*stretches))))
    return {method.kind: method for method in found.methods}


@pytest.fixture(scope="module")
def burst() -> dict[str, Method]:
    """Half a second of 450 W in a quiet minute and a half: 225 W over 1 s, 3.8 W over 60 s."""
    return methods(made_rig(protection=LAMP, driver=DRIVER), (0.5, 60.0), (60.0, 0.5), (0.5, 30.0))


@pytest.fixture(scope="module")
def sustained() -> dict[str, Method]:
    """Five minutes of 76 W: over the continuous rating, under the programme rating."""
    return methods(made_rig(protection=LAMP, driver=DRIVER), (24.7, 300.0))


def test_every_method_is_tried(burst: dict[str, Method]) -> None:
    assert list(burst) == list(METHODS)
    assert burst["lamp"].is_fitted
    assert not burst["relay"].is_fitted


def test_a_burst_is_a_quick_transient_and_the_relay_is_quick_enough(burst: dict[str, Method]) -> None:
    assert burst["none"].quick == ("driver_power_1s",)
    assert burst["none"].sustained == ()
    assert burst["none"].outcome.driver_power_max_1s_w == pytest.approx(225.0, rel=0.02)
    assert burst["relay"].driver_survives
    assert burst["relay"].outcome.trips == 1
    # It holds for a second, and no HF is heard meanwhile.
    assert burst["relay"].outcome.muted_s == pytest.approx(1.0, abs=0.5)
    # A self-resetting part is far too slow for it (common practice, no source).
    assert burst["resettable"].quick
    assert burst["resettable"].outcome.opens_at_s == Opening()


def test_sustained_level_is_what_the_lamp_is_for_and_the_fast_relay_stays_closed(sustained: dict[str, Method]) -> None:
    assert sustained["none"].quick == ()
    assert "driver_power_60s" in sustained["none"].sustained
    assert sustained["lamp"].driver_survives
    assert sustained["lamp"].outcome.verdict == "engaged"
    assert sustained["lamp"].outcome.attenuation_median_db == pytest.approx(
        sustained["lamp"].outcome.attenuation_max_db, abs=0.7
    )
    assert sustained["relay"].outcome.trips == 0
    assert sustained["relay"].sustained
    assert sustained["none"].outcome.verdict == sustained["relay"].outcome.verdict == "risk"


def test_outcome_pools_tracks_and_channels() -> None:
    rig = made_rig(protection={"kind": "fuse", "rating_a": 1.0, "characteristic": "F"}, driver=DRIVER)
    quiet, loud = made_frames((1.0, 30.0)), made_frames((1.0, 10.0), (40.0, 20.0))
    material = made_material(
        rig, made_track(rig, quiet, quiet, name="a.flac"), made_track(rig, quiet, loud, name="b.flac")
    )
    outcome = put_through(material, rig)
    assert outcome.failed_track == "b.flac"
    assert outcome.failed_at_s == pytest.approx(10.0, abs=0.05)
    assert outcome.trips == 1
    assert outcome.replace == ("fuse F1A, glass",)
    # Silent from then on to the end of the track.
    assert outcome.muted_s == pytest.approx(20.0, abs=0.05)
    assert outcome.opens_at_s.earliest == outcome.failed_at_s
    assert outcome.opens_at_s.latest is not None
    assert outcome.opens_at_s.latest > 10.05
    bare = put_through(material, replace(rig, protection=NoProtection()))
    assert bare.driver_power_max_1s_w == pytest.approx(200.0, rel=0.01)
    assert (bare.trips, bare.muted_s, bare.replace, bare.attenuation_max_db) == (0, 0.0, (), 0.0)


def test_heat_carried_from_track_to_track_counts() -> None:
    """Each of two tracks keeps the coil under its limit, the second one warmed by the first does not."""
    rig = made_rig(driver=DRIVER | {"continuous_power_w": 60.0, "program_power_w": 400.0, "coil_temp_limit_c": 150.0})
    long = made_frames((21.0, 120.0))
    one = put_through(made_material(rig, made_track(rig, long)), rig)
    two = put_through(made_material(rig, *[made_track(rig, long)] * 8), rig)
    assert two.coil_temp_max_c > one.coil_temp_max_c + 1.0
    assert two.excesses_db["coil_temp"] > one.excesses_db["coil_temp"]


def test_nothing_to_put_through_is_refused() -> None:
    rig = made_rig()
    with pytest.raises(ValueError, match="nothing"):
        put_through(made_material(rig), rig)


def test_suitable_parts_follow_the_ratings() -> None:
    rig = made_rig(driver=DRIVER)
    found = methods(rig, (1.0, 10.0))
    # Under 2.74 A, the current of 60 W in 8 ohm; 30.98 V is 120 W.
    assert found["breaker"].part == "2 A, reset by hand"
    assert found["relay"].part == "opens at 31 V, holds 1 s"
    assert found["resettable"].part == "0.90 A 60 V"
    assert found["none"].part is None
    assert all(method.outcome.verdict == "clear" for method in found.values())


def test_document_has_the_printed_keys(burst: dict[str, Method]) -> None:
    rig = burst["none"].outcome.rig
    document = overview.document(overview.Overview(rig=rig, methods=tuple(burst.values())))
    keys = {"kind", "part", "verdict", "coil_temp_max_c", "driver_power_max_1s_w", "driver_power_max_60s_w"}
    keys |= {"attenuation_max_db", "attenuation_median_db", "muted_s", "failed_at_s", "trips", "replace", "advice"}
    for each in document["protections"]:
        assert each.keys() >= keys
        assert each["advice"].startswith("Right ")


@pytest.mark.parametrize(("columns", "is_shown"), [(80, False), (120, True)])
def test_the_legend_explains_the_columns_that_are_there(burst: dict[str, Method], columns: int, is_shown: bool) -> None:
    raw = io.StringIO()
    console = make_console(raw, width=columns, no_color=True, environ={})
    found = overview.Overview(rig=burst["none"].outcome.rig, methods=tuple(burst.values()))
    overview_sheet.show(found, Sheet(console=console, glyphs=glyphs_for(console), width=columns))
    table, _, legend = raw.getvalue().partition("Limits:")
    assert ("usual dB" in table) is is_shown
    assert ("usual dB" in " ".join(legend.split())) is is_shown


def test_banks_are_named_in_full() -> None:
    rig = made_rig(protection={"kind": "lamp", "part": "93", "series_count": 2, "parallel_count": 3})
    assert in_words(rig.protection) == "93, 2 in series by 3"
