"""The JSON document against the schema that ships with it, and the CSV of passages."""

from __future__ import annotations

import copy
import csv
import io
import json
from dataclasses import fields, replace
from typing import Any, cast

import jsonschema
import numpy as np
import pytest

from auditor.audit_types import AtEnd, Exposure, LimiterWork, SetAudit
from auditor.report import records
from tests.cli.sample_audit import BROKEN_OFF, sample_rig, sample_set, sample_track
from tests.cli.sample_parts import QUIETER, off_rating_track, opening_track

TRACK_KEYS = [
    "path",
    "title",
    "duration_s",
    "sample_rate_hz",
    "channel_count",
    "loudness_lufs",
    "true_peak_dbtp",
    "peak_to_loudness_db",
    "verdict",
    "margin_db",
    "margin_limited_by",
    "quieter_risk",
    "worst_channel",
    "notes",
    "unjudged",
    "channels",
    "passages",
]
CHANNEL_KEYS = [
    "index",
    "clipped_ratio",
    "hf_energy_ratio",
    "hf_voltage_rms_v",
    "hf_voltage_peak_v",
    "hf_crest_db",
    "driver_power_mean_w",
    "driver_power_max_1s_w",
    "driver_power_max_60s_w",
    "driver_power_peak_w",
    "coil_temp_max_c",
    "body_temp_max_c",
    "displacement_peak_mm",
    "unprotected",
    "protection",
]
PART_KEYS = [
    "kind",
    "part",
    "engaged_s",
    "attenuation_max_db",
    "attenuation_mean_db",
    "failed_at_s",
    "attenuation_median_db",
    "trips",
    "chatter",
    "muted_s",
    "opens_at_s",
    "replace",
    "tolerance",
]
LAMP_KEYS = [
    *PART_KEYS,
    "filament_temp_max_k",
    "resistance_max_ohm",
    "power_max_w",
    "glow_s",
    "life_used_ratio",
]


def load(audit: SetAudit, exit_status: int = 1) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    document: dict[str, Any] = json.loads(records.to_json(audit, exit_status=exit_status), parse_constant=refuse)
    return document


def validator() -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(records.schema())


def empty_set(**changes: Any) -> SetAudit:
    nothing: dict[str, Any] = {"verdict": "clear", "margin_db": None, "worst_track": None, "coil_temp_max_c": None}
    return sample_set(tracks=(), **{**nothing, **changes})


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(records.schema())


def test_documents_satisfy_the_schema() -> None:
    bare = sample_track("a.wav", np.full(8, 5.0), margin_db=None, limited_by=None, rig=sample_rig(lamp=False))
    silent = sample_track("b.wav", np.zeros(8), margin_db=None, limited_by=None)
    for audit in (
        sample_set(),
        with_parts(),
        empty_set(),
        empty_set(errors=()),
        sample_set(tracks=(bare, silent), rig=bare.rig),
    ):
        validator().validate(load(audit))


def test_the_keys_are_those_of_the_user_guide() -> None:
    document = load(sample_set())
    assert list(document) == [
        "schema_version",
        "auditor_version",
        "verdict",
        "exit_status",
        "rig",
        "tracks",
        "set",
        "errors",
    ]
    track = document["tracks"][0]
    assert list(track) == TRACK_KEYS
    assert list(track["channels"][0]) == CHANNEL_KEYS
    assert list(track["channels"][0]["unprotected"]) == [field.name for field in fields(Exposure)]
    assert list(track["channels"][0]["protection"]) == LAMP_KEYS
    passage = document["tracks"][1]["passages"][0]
    assert list(passage) == ["start_s", "end_s", "channel", "verdict", "cause", "value", "limit", "unit", "part_at"]
    assert list(document["set"]) == ["verdict", "margin_db", "worst_track", "coil_temp_max_c"]
    assert list(document["errors"][0]) == ["path", "message"]
    assert document["exit_status"] == 1
    assert "driver.coil_temp_limit_c" in document["rig"]["assumed"]


def with_parts() -> SetAudit:
    """Every kind of object that the document can hold."""
    return sample_set(
        tracks=(
            *sample_set().tracks,
            off_rating_track("latest"),
            replace(opening_track("relay"), quieter_risk=QUIETER),
            opening_track("fuse", failure=(8.6, 2.0, "A"), replace=("fuse F2A, glass",)),
        )
    )


def test_what_a_part_that_opens_does() -> None:
    relay, fuse = load(with_parts())["tracks"][-2:]
    assert relay["quieter_risk"] == {"from_db": -1.0, "to_db": -6.0, "cause": "driver_power_60s"}
    work = fuse["channels"][0]["protection"]
    assert list(work) == PART_KEYS
    assert work["opens_at_s"] == {"earliest": 8.0, "latest": 8.0}
    assert (work["trips"], work["chatter"], work["muted_s"], work["tolerance"]) == (1, 0, 12.0, None)
    assert work["replace"] == ["fuse F2A, glass"]
    assert fuse["quieter_risk"] is None


def test_what_another_lamp_of_the_same_rating_would_do() -> None:
    track = load(with_parts())["tracks"][-3]
    assert [each["part_at"] for each in track["passages"] if each["verdict"] == "risk"] == ["latest"]
    tolerance = track["channels"][1]["protection"]["tolerance"]
    assert list(tolerance) == ["earliest", "latest"]
    assert tolerance["latest"]["verdict"] == "risk"
    assert list(tolerance["latest"]) == [field.name for field in fields(AtEnd)]


def test_every_lamp_has_ends_and_nothing_else_has() -> None:
    lamp_ends = load(with_parts())["tracks"][-3]["channels"][0]["protection"]["tolerance"]
    for track, ends in ((-3, None), (-2, lamp_ends)):
        document = load(with_parts())
        document["tracks"][track]["channels"][0]["protection"]["tolerance"] = ends
        assert not validator().is_valid(document)


def test_a_limiter_always_has_figures() -> None:
    track = sample_set().tracks[0]
    channel = replace(track.channels[0], limiter=LimiterWork(active_ratio=0.1, reduction_max_db=1.2))
    document = load(sample_set(tracks=(replace(track, channels=(channel,)),)))
    validator().validate(document)
    document["tracks"][0]["channels"][0]["limiter"]["reduction_max_db"] = None
    assert not validator().is_valid(document)


def every_object(value: Any) -> list[dict[str, Any]]:
    below = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    found = [each for child in below for each in every_object(child)]
    return [value, *found] if isinstance(value, dict) else found


def test_the_schema_refuses_any_other_key_and_any_missing_one() -> None:
    document = load(with_parts())
    count = len(every_object(document))
    for number in range(count):
        extended = copy.deepcopy(document)
        target = every_object(extended)[number]
        target["surplus"] = {}
        assert not validator().is_valid(extended), list(target)
        reduced = copy.deepcopy(document)
        target = every_object(reduced)[number]
        key = next(iter(target))
        del target[key]
        assert not validator().is_valid(reduced), key


def test_what_is_not_finite_is_null_and_numbers_are_plain() -> None:
    track = sample_track("a.wav", np.full(8, 5.0), margin_db=float("nan"), limited_by=None)
    channel = replace(track.channels[0], hf_voltage_rms_v=float("inf"), hf_crest_db=cast(float, np.float32(3.14159265)))
    document = load(sample_set(tracks=(replace(track, channels=(channel,)),), margin_db=-0.0))
    assert document["tracks"][0]["margin_db"] is None
    assert document["tracks"][0]["channels"][0]["hf_voltage_rms_v"] is None
    assert document["tracks"][0]["channels"][0]["hf_crest_db"] == 3.14159
    assert str(document["set"]["margin_db"]) == "0.0"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(1234567.891, 1234567.891), (7200.12345, 7200.123), (0.000123456789, 0.000123457), (1.2e-12, 1.2e-12), (0.0, 0.0)],
)
def test_six_digits_and_never_less_than_milliseconds(value: float, shown: float) -> None:
    track = replace(sample_set().tracks[0], duration_s=value)
    assert load(sample_set(tracks=(track,)))["tracks"][0]["duration_s"] == shown


def test_what_was_not_judged_is_not_among_the_warnings() -> None:
    track = replace(sample_set().tracks[3], unjudged=(BROKEN_OFF,))
    shown = load(sample_set(tracks=(track,)))["tracks"][0]
    assert shown["notes"] == list(track.notes)
    assert shown["unjudged"] == [BROKEN_OFF]


@pytest.mark.parametrize(("used", "shown"), [(9e-13, 0.0), (1e-300, 0.0), (1.2345678e-9, 1.23457e-9), (1.0, 1.0)])
def test_next_to_no_life_is_none(used: float, shown: float) -> None:
    track = sample_set().tracks[0]
    channel = track.channels[0]
    assert channel.protection.lamp is not None
    work = replace(channel.protection, lamp=replace(channel.protection.lamp, life_used_ratio=used))
    track = replace(track, channels=(replace(channel, protection=work),))
    assert load(sample_set(tracks=(track,)))["tracks"][0]["channels"][0]["protection"]["life_used_ratio"] == shown


def test_no_track_no_verdict() -> None:
    document = load(empty_set(), exit_status=2)
    assert document["verdict"] is None
    assert document["set"]["verdict"] is None


def test_hostile_names_survive() -> None:
    name = 'a"\n\x1b[31m\u202e\ud83d\udc4d \udcff.wav'
    track = replace(sample_set().tracks[0], path=name)
    text = records.to_json(sample_set(tracks=(track,)), exit_status=0)
    assert text.isascii()
    shown = json.loads(text)["tracks"][0]["path"]
    assert shown.startswith('a"\n\x1b[31m\u202e')
    shown.encode("utf-8")  # no lone surrogate is left
    records.to_csv(sample_set(tracks=(replace(sample_set().tracks[1], path=name),))).encode("utf-8")


def test_csv_lists_every_passage() -> None:
    audit = sample_set()
    text = records.to_csv(audit)
    assert "\r" not in text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert text.splitlines()[0] == "path,start_s,end_s,channel,verdict,cause,value,limit,unit,part_at"
    assert len(rows) == sum(len(track.passages) for track in audit.tracks)
    assert rows[0]["path"] == "demo/01-welcome-speech.wav"
    assert rows[0]["cause"] == "protection_engaged"
    assert {row["unit"] for row in rows} == {"dB", "W", "C", "K"}


def test_csv_says_at_which_end_of_the_tolerance() -> None:
    rows = list(csv.DictReader(io.StringIO(records.to_csv(with_parts()))))
    told = {row["part_at"] for row in rows if row["path"] == "lamp.wav" and row["verdict"] == "risk"}
    assert told == {"latest"}
    assert {row["part_at"] for row in rows if row["path"] != "lamp.wav"} == {""}


def test_csv_of_nothing_is_the_header() -> None:
    assert records.to_csv(empty_set()).count("\n") == 1
