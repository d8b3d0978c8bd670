"""What the report says of parts that open, of a lamp off its rating, and of levels at which quieter is not safer."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from rich.cells import cell_len

from auditor.audit_types import AtEnd, Audit, Opening, QuieterRisk, SetAudit, Tolerance
from auditor.report import advice_words, figures, grid, part_lines, words
from auditor.report.terminal import make_console, render_text
from tests.cli.sample_audit import sample_rig, sample_set
from tests.cli.sample_parts import (
    OPEN_S,
    QUIETER,
    SECONDS,
    SETTINGS,
    off_rating_track,
    opening_track,
    set_of,
)

LATE = Opening(earliest=8.0, latest=15.5)
NEVER = Opening(earliest=8.0, latest=None)
BLOWN = (8.64, 2.0, "A")
OVER = (74.6, 60.0, "V")


def text_of(audit: SetAudit, width: int = 100, *, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding, newline="\n")
    render_text(audit, console=make_console(file, width=width, no_color=True, environ={}))
    file.flush()
    return raw.getvalue().decode(encoding)


def joined(text: str) -> str:
    """The text as if no line had been broken."""
    return re.sub(r"\s+", " ", text)


def every_track() -> list[Audit]:
    return [
        *(opening_track(kind, opens_at_s=LATE, chatter=3, trips=14) for kind in SETTINGS),
        opening_track("fuse", failure=BLOWN, opens_at_s=LATE, replace=("fuse F2A, glass",)),
        opening_track("resettable", failure=OVER, opens_at_s=NEVER, replace=("the resettable part",)),
        replace(opening_track("relay"), quieter_risk=QUIETER),
        off_rating_track("latest"),
        off_rating_track("earliest", "protection_failed"),
    ]


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("width", [60, 72, 80, 100, 120, 220])
def test_every_line_fits(width: int, encoding: str) -> None:
    for track in every_track():
        lines = text_of(set_of(track), width, encoding=encoding).splitlines()
        assert max(map(cell_len, lines)) <= width
        strips = [line for line in lines if line.startswith(" Verdict")]
        part = next(line for line in lines if line.startswith(f" {words.device(track.rig).capitalize()}  "))
        assert cell_len(part) == cell_len(strips[0])


@pytest.mark.parametrize("kind", ["relay", "breaker", "resettable"])
def test_where_the_part_is_open_the_strip_says_open(kind: str) -> None:
    track = opening_track(kind)
    title = f" {words.device(track.rig).capitalize()}  "
    text = text_of(set_of(track), 100)
    cells = next(line for line in text.splitlines() if line.startswith(title))[20:]
    assert " o open " in cells
    assert cells.index("o") - 1 == pytest.approx(len(cells) * OPEN_S[0] / SECONDS, abs=1)
    assert "w working" not in text
    assert ("opens   open" in text) == (kind != "resettable")


@pytest.mark.parametrize(
    ("kind", "work", "line"),
    [
        ("relay", {}, "Relay: opens once, HF muted for 0:12."),
        (
            "relay",
            {"trips": 3, "chatter": 2, "muted_s": 4.2},
            "Relay: opens 3 times, 2 of them within a second of closing (chatter), HF muted for 4.2 s in all.",
        ),
        (
            "breaker",
            {"opens_at_s": LATE},
            "Breaker: opens once, between 0:08 (earliest) and 0:15 (latest that its tolerance allows), "
            "HF muted for 0:12.",
        ),
        (
            "breaker",
            {"opens_at_s": LATE, "trips": 4},
            "Breaker: opens 4 times, first between 0:08 (earliest) and 0:15 (latest that its tolerance allows), "
            "HF muted for 0:12 in all.",
        ),
        (
            "breaker",
            {"opens_at_s": NEVER},
            "Breaker: opens once, at 0:08 at the earliest, HF muted for 0:12; the latest that its tolerance allows "
            "stays closed.",
        ),
        (
            "resettable",
            {"opens_at_s": Opening(earliest=8.0, latest=8.9)},
            "Resettable fuse: opens once, HF muted for 0:12.",
        ),
    ],
)
def test_the_line_of_a_part_that_opens(kind: str, work: dict[str, object], line: str) -> None:
    assert line in joined(text_of(set_of(opening_track(kind, **work)), 120))


def test_of_a_fuse_the_line_says_only_how_far_apart_two_fuses_are() -> None:
    def line(opening: Opening) -> str:
        return part_lines.work(opening_track("fuse", failure=BLOWN, opens_at_s=opening))

    assert line(LATE) == "blows between 0:08 (earliest) and 0:15 (latest that its tolerance allows)."
    assert line(NEVER) == "blows at 0:08 at the earliest; the latest that its tolerance allows stays closed."
    assert line(Opening(earliest=8.0, latest=8.3)) == ""


def test_a_part_that_stays_closed_has_no_line() -> None:
    for kind in SETTINGS:
        assert part_lines.work(opening_track(kind, opens_at_s=Opening(), trips=0, muted_s=0.0)) == ""
    for track in sample_set().tracks:
        assert part_lines.work(track) == ""


def test_what_must_be_replaced_is_told_once_for_all_channels() -> None:
    track = opening_track("fuse", failure=BLOWN, replace=("fuse F2A, glass",))
    track = replace(track, channels=track.channels * 2)
    text = joined(text_of(set_of(track), 120))
    assert text.count("Replace afterwards: fuse F2A, glass.") == 1
    assert "Replace afterwards" not in text_of(set_of(opening_track("relay")))


def test_the_busiest_channel_speaks() -> None:
    track = opening_track("relay")
    (channel,) = track.channels
    calm = replace(channel, index=1, protection=replace(channel.protection, trips=9, muted_s=1.0))
    assert part_lines.work(replace(track, channels=(calm, channel))) == "opens once, HF muted for 0:12."


# --- what destroys a part ---------------------------------------------------------------------------------------------


def test_a_fuse_blows_on_a_current_against_its_rating() -> None:
    text = text_of(set_of(opening_track("fuse", failure=BLOWN)), 100)
    assert re.search(r"R ▲ +0:08\.0 +end +fuse blows +8\.64 A +2 A +blown", text)
    assert "About 4.0 dB too loud: the fuse blows first." in text
    advice = "Turn down about 4.0 dB: the fuse blows at 0:08 on 8.64 A, rated 2 A, and the driver falls silent."
    assert advice in joined(text)
    assert "life" not in text
    assert "x blown" in text
    assert "X blown" in text


def test_a_resettable_part_over_its_voltage_may_burn_or_short() -> None:
    text = text_of(set_of(opening_track("resettable", failure=OVER)), 100)
    assert re.search(r"R ▲ +0:08\.0 +end +resettable fuse over its voltage +74\.6 V +60 V +14\.6 V", text)
    advice = (
        "Turn down about 4.0 dB: from 0:08 on up to 74.6 V stand across the tripped resettable fuse, made for 60 V: "
        "it may burn or short."
    )
    assert advice in joined(text)
    assert "falls silent" not in text
    assert "x over voltage" in text


def test_room_before_a_part_is_destroyed() -> None:
    for kind, event in (("fuse", "the fuse blows"), ("resettable", "the resettable fuse is over its voltage")):
        track = replace(opening_track(kind), margin_limited_by="protection_failed")
        assert advice_words.advice(track, "").endswith(f"about 2.0 dB of room before {event}.")


def test_a_part_that_opened_and_saved_the_driver() -> None:
    assert advice_words.advice(opening_track("relay"), "") == (
        "The relay opens and keeps the driver within its limits, with the HF muted meanwhile; about 2.0 dB of room "
        "before the peak power reaches the peak rating of 240 W."
    )


def test_currents_and_voltages_have_three_digits() -> None:
    assert figures.quantity(0.06312, "A", "") == "0.0631 A"
    assert figures.quantity(124.96, "V", "") == "125 V"
    assert figures.limit(0.063, "A", "") == "0.063 A"
    just_over = replace(opening_track("resettable", failure=(60.01, 60.0, "V")).passages[1])
    assert figures.excess(just_over) == "<0.1 V"


# --- a lamp off its rating --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("part_at", "cause", "row", "clause"),
    [
        (
            "latest",
            "coil_temp",
            r"coil temperature, lamp \+10 % +186 °C +180 °C +6 K",
            "with a lamp 10 % over its rated current, as makers allow, the coil temperature binds",
        ),
        (
            "latest",
            "driver_power_60s",
            r"power over 60 s, lamp \+10 % +66\.0 W +60 W +0\.4 dB",
            "with a lamp 10 % over its rated current, as makers allow, the power over 60 s binds",
        ),
        (
            "earliest",
            "protection_failed",
            r"lamp -10 % burns out +3695 K +3695 K +failed",
            "with a lamp 10 % under its rated current, as makers allow, the lamp burns out at 0:10 and the driver",
        ),
    ],
)
def test_what_only_a_lamp_off_its_rating_endangers_is_told_so(part_at, cause, row: str, clause: str) -> None:
    text = text_of(set_of(off_rating_track(part_at, cause)), 100)
    assert re.search(row, text)
    assert f"Turn down about 0.3 dB: {clause}" in joined(text)
    assert words.OFF_RATING in joined(text)


@pytest.mark.parametrize(
    ("part_at", "cause", "clause"),
    [
        ("latest", "coil_temp", "over its rated current; one as rated is over by 6 K): the coil temperature binds"),
        ("latest", "driver_power_60s", "over its rated current; one as rated is over by 0.4 dB): the power over 60 s"),
        ("earliest", "protection_failed", "under its rated current): the lamp burns out at 0:10 and the driver"),
    ],
)
def test_where_a_lamp_as_rated_is_a_risk_too_the_margin_is_told_to_be_of_the_worse(part_at, cause, clause) -> None:
    track = off_rating_track(part_at, cause)
    calm = AtEnd(
        verdict="engaged",
        coil_temp_max_c=90.0,
        driver_power_max_1s_w=20.0,
        driver_power_max_60s_w=20.0,
        failed_at_s=None,
    )
    both = Tolerance(**({"earliest": calm, "latest": calm} | {part_at: replace(calm, verdict="risk")}))
    channels = tuple(replace(each, protection=replace(each.protection, tolerance=both)) for each in track.channels)
    rated = tuple(replace(each, part_at=None) for each in track.passages)
    advice = advice_words.advice(replace(track, channels=channels, passages=rated), "")
    assert advice.startswith(f"Turn down about 0.3 dB (with a lamp 10 % {clause}")


def test_of_a_lamp_whose_ends_are_not_known_nothing_is_said() -> None:
    track = off_rating_track("latest")
    rated = replace(track, passages=(*track.passages, replace(track.passages[-1], part_at=None)))
    channels = tuple(replace(each, protection=replace(each.protection, tolerance=None)) for each in track.channels)
    assert "rated current" not in advice_words.advice(replace(rated, channels=channels), "")


def test_where_a_lamp_of_either_end_is_a_risk_both_are_told() -> None:
    track = off_rating_track("latest")
    both = replace(track, passages=(*track.passages, replace(track.passages[-1], part_at="earliest")))
    assert "with a lamp 10 % off its rated current" in advice_words.advice(both, "")


def test_a_mean_behind_another_lamp_is_marked_where_it_would_cross() -> None:
    # The picture's mean ends under the limit; scaled to the passage's worst it crosses on its way, not at its start.
    track = off_rating_track("latest", "driver_power_60s")
    (risk,) = [each for each in track.passages if each.verdict == "risk"]
    risk = replace(risk, start_s=0.0, end_s=40.0)
    columns = grid.flagged_columns(replace(track, passages=(risk,)), grid.Grid(track.duration_s, 40))[0][1]
    assert 5 < columns.start < 40
    assert columns.stop == 40


def test_the_tolerance_counted_is_among_what_is_assumed() -> None:
    lamp, bare = sample_rig(), sample_rig(lamp=False)
    sentence = "Verdict and margin hold for lamps within 10 % of their rated current, figures for one as rated."
    assert words.assumptions(lamp).endswith(sentence)
    assert words.assumptions(replace(lamp, assumed=())) == sentence
    assert sentence not in words.assumptions(bare)
    assert words.assumptions(replace(bare, assumed=())) == ""
    assert f"Assumed: {sentence}" in joined(text_of(sample_set(rig=replace(lamp, assumed=())), 120))


def test_a_set_that_only_a_lamp_off_its_rating_overheats_says_why() -> None:
    calm = sample_set().tracks[1]
    text = joined(text_of(set_of(calm, calm, verdict="risk", margin_db=-0.2, coil_temp_max_c=175.0), 120))
    assert "and over its limit behind a lamp with more than its rated current, as makers allow" in text
    for changes in ({"coil_temp_max_c": 190.0}, {"verdict": "engaged"}):
        told = set_of(calm, calm, **{"verdict": "risk", "margin_db": -0.2, "coil_temp_max_c": 175.0} | changes)
        assert "behind a lamp" not in text_of(told)


# --- quieter is not always safer --------------------------------------------------------------------------------------


def test_quieter_is_not_safer() -> None:
    text = text_of(set_of(replace(opening_track("relay"), quieter_risk=QUIETER)), 120)
    assert (
        " ! Quieter is not safer here: about 1.0 to 6.0 dB down the relay stays closed for too long, and the power "
        "over 60 s is over its limit." in joined(text)
    )
    lines = text.splitlines()
    assert lines.index(next(each for each in lines if " → " in each)) < lines.index(
        next(each for each in lines if each.startswith(" ! "))
    )


def test_below_a_margin_further_down_is_not_safer() -> None:
    risk = QuieterRisk(from_db=-4.537, to_db=-4.537, cause="coil_temp")
    track = replace(opening_track("fuse", failure=BLOWN), quieter_risk=risk)
    assert part_lines.quieter(track) == (
        "Further down is not safer here: about 4.5 dB down the fuse stays closed for too long, and the coil "
        "temperature is over its limit."
    )
    ranged = replace(track, quieter_risk=replace(risk, to_db=-9.31))
    assert "about 4.5 to 9.4 dB down" in part_lines.quieter(ranged)
    blows = replace(track, quieter_risk=replace(risk, cause="protection_failed"))
    assert part_lines.quieter(blows).endswith("and the fuse blows.")


def test_the_set_names_the_tracks_with_which_turning_down_is_no_remedy() -> None:
    risky = replace(opening_track("relay"), quieter_risk=QUIETER)
    tracks = [replace(risky, path=f"{number}.wav") for number in range(7)]
    calm = replace(opening_track("relay"), path="calm.wav")
    text = joined(text_of(set_of(*tracks, calm), 120))
    assert "! Quieter is not always safer, see there: 0.wav, 1.wav, 2.wav, 3.wav and 3 more." in text
    assert "Quieter" not in text_of(set_of(calm, replace(calm, path="b.wav")))
    assert "not always safer" not in text_of(set_of(risky))


def test_a_margin_a_hair_below_nought_is_no_room_and_not_too_loud() -> None:
    track = replace(opening_track("relay"), margin_db=-0.01)
    assert advice_words.verdict_line(track) == "About 0.0 dB of room: the peak power binds."
    assert "no room left" in advice_words.advice(track, "")
    assert part_lines.quieter(replace(track, quieter_risk=QUIETER)).startswith("Quieter is not safer here: ")
