"""The ladder of gains against clipping the samples again at each gain and splitting them exactly.

The margin, which the ladder is for, is asked to be right within 0.1 dB (`test_margin.py`): so the ladder's rms, which
stands for power, must be within half of that. Its peaks are only good enough to find the rows that decide; those rows
are then clipped again exactly.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from auditor.chain.climb import high_pass_sections
from auditor.chain.crossover import high_pass_poles
from auditor.chain.ladder import LadderBuilder
from auditor.chain.overdrive import OverdriveLadder, WishedRow
from auditor.chain.splitter import HfFrames, split
from auditor.judgement.peaks import NEAR_DB
from tests.published.models import crossover
from tests.stages.signals import Samples, demo_clip, level_db, music, overall_rms

RAIL_V = 40.0
GAINS_DB = (-9.0, -4.5, -1.0, 1.0, 3.3, 7.0, 12.0, 19.0)
ALIGNMENTS = (
    *(("linkwitz-riley", order) for order in (2, 4, 6, 8)),
    *(("butterworth", order) for order in range(1, 9)),
)
PROGRAMMES = {
    "dance": lambda: demo_clip("04", from_s=8.0, seconds=3.0),
    "acoustic": lambda: demo_clip("02", from_s=10.0, seconds=3.0),
    "drums": lambda: demo_clip("05", from_s=12.0, seconds=3.0),
    "speech": lambda: demo_clip("01", seconds=3.0),
    "synthesised 96 kHz": lambda: (music(96_000, seconds=2.0), 96_000),
}


@functools.cache
def wished(name: str, over_db: float) -> tuple[Samples, int]:
    """Material whose peak would be `over_db` above the rail."""
    samples, rate_hz = PROGRAMMES[name]()
    return (samples * (RAIL_V * 10.0 ** (over_db / 20.0) / np.abs(samples).max())).astype(np.float32), rate_hz


def clipped(volts: Samples, gain_db: float) -> Samples:
    return np.clip(volts * np.float32(10.0 ** (gain_db / 20.0)), -RAIL_V, RAIL_V)


def climb(
    volts: Samples, rate_hz: int, kind: tuple[str, int], *, block: int = 1 << 20, full_scale_v: float | None = None
) -> tuple[HfFrames, OverdriveLadder]:
    choice = crossover(*kind, 1800.0)
    frames = split(clipped(volts, 0.0), rate_hz, choice)
    builder = LadderBuilder(
        rate_hz,
        choice,
        rail_v=RAIL_V,
        full_scale_peak_v=full_scale_v or float(np.abs(volts).max()),
        frame_length=round(frames.frame_s * rate_hz),
    )
    for start in range(0, len(volts), block):
        builder.push(volts[start : start + block])
    return frames, builder.finish()


def departures_db(name: str, over_db: float, kind: tuple[str, int]) -> tuple[float, float]:
    """Worst error of the overall rms and of the peak, over the gains [dB]."""
    volts, rate_hz = wished(name, over_db)
    frames, ladder = climb(volts, rate_hz, kind)
    worst_rms_db = worst_peak_db = 0.0
    for gain_db in GAINS_DB:
        if gain_db > ladder.highest_gain_db:
            continue
        exact = split(clipped(volts, gain_db), rate_hz, crossover(*kind, 1800.0))
        guess = ladder.frames_at(frames, gain_db)
        worst_rms_db = max(worst_rms_db, abs(level_db(overall_rms(guess) / overall_rms(exact))))
        worst_peak_db = max(worst_peak_db, abs(level_db(guess.peak_v.max() / exact.peak_v.max())))
    return worst_rms_db, worst_peak_db


@pytest.mark.parametrize("kind", [*ALIGNMENTS, ("none", 1)], ids=lambda kind: f"{kind[0]} {kind[1]}")
def test_sections_are_scipys_bilinear_transform_but_for_their_gain(kind: tuple[str, int]) -> None:
    rate_hz, corner_hz = 44_100, 1800.0
    choice = crossover(*kind, corner_hz)
    warped = 2.0 * rate_hz * np.tan(np.pi * corner_hz / rate_hz)
    poles = np.array(high_pass_poles(choice)) * warped
    zeros, poles, _ = signal.bilinear_zpk(np.zeros(len(poles)), poles, 1.0, rate_hz)
    frequency_hz = np.geomspace(200.0, 20_000.0, 50)
    _, expected = signal.freqz_zpk(zeros, poles, 1.0, worN=frequency_hz, fs=rate_hz)
    found = np.ones(len(frequency_hz), dtype=complex)
    z = np.exp(-2j * np.pi * frequency_hz / rate_hz)
    for b1, b2, a1, a2 in high_pass_sections(choice, rate_hz).astype(float):
        found *= (1.0 + b1 * z + b2 * z**2) / (1.0 + a1 * z + a2 * z**2)
    # In single precision the poles are that near to their place.
    np.testing.assert_allclose(np.abs(found / expected), 1.0, rtol=2e-5)


@pytest.mark.parametrize("kind", ALIGNMENTS, ids=lambda kind: f"{kind[0]} {kind[1]}")
@pytest.mark.parametrize("name", PROGRAMMES)
def test_music_clipped_again(name: str, kind: tuple[str, int]) -> None:
    for over_db in (-6.0, 6.0):
        rms_db, peak_db = departures_db(name, over_db, kind)
        assert rms_db < 0.05, over_db
        assert peak_db < NEAR_DB, over_db


@pytest.mark.parametrize("kind", ALIGNMENTS, ids=lambda kind: f"{kind[0]} {kind[1]}")
def test_a_row_brought_along_has_its_peaks_exactly(kind: tuple[str, int]) -> None:
    volts, rate_hz = wished("drums", 6.0)
    frames, ladder = climb(volts, rate_hz, kind)
    padded = np.pad(volts, ladder.lead)
    rows = [
        WishedRow(row=row, wished_v=padded[row * ladder.row_length :][: ladder.row_length + 2 * ladder.lead])
        for row in range(10, 30)
    ]
    for gain_db in (-4.5, 3.3, 12.0):
        exact = split(clipped(volts, gain_db), rate_hz, crossover(*kind, 1800.0)).peak_v[80:240]
        guess = ladder.frames_at(frames, gain_db, rows).peak_v[80:240]
        loud = exact > 0.1 * exact.max()
        assert np.abs(20.0 * np.log10(guess[loud] / exact[loud])).max() < 0.02


@pytest.mark.parametrize("name", PROGRAMMES)
def test_without_a_crossover_a_rung_is_exact(name: str) -> None:
    volts, rate_hz = wished(name, 6.0)
    frames, ladder = climb(volts, rate_hz, ("none", 1))
    for gain_db in ladder.gain_db[::3]:
        exact = split(clipped(volts, float(gain_db)), rate_hz, crossover("none", 1, 1800.0))
        guess = ladder.frames_at(frames, float(gain_db))
        assert level_db(overall_rms(guess) / overall_rms(exact)) == pytest.approx(0.0, abs=0.01)
        assert level_db(guess.peak_v.max() / exact.peak_v.max()) == pytest.approx(0.0, abs=0.02)


def test_plain_scaling_where_nothing_clips() -> None:
    volts, rate_hz = wished("dance", -40.0)
    frames, ladder = climb(volts, rate_hz, ("linkwitz-riley", 4), full_scale_v=RAIL_V / 2.0)
    assert not ladder.level_db.any()
    assert not ladder.peak_db.any()
    louder = ladder.frames_at(frames, 6.0)
    np.testing.assert_allclose(louder.rms_v, frames.rms_v * 10.0**0.3, rtol=1e-6)
    np.testing.assert_allclose(louder.peak_v, frames.peak_v * 10.0**0.3, rtol=1e-6)


@pytest.mark.parametrize("over_db", [-25.0, -6.0, -1.0, 0.0])
def test_plain_scaling_up_to_the_gain_at_which_the_amplifier_begins_to_clip(over_db: float) -> None:
    volts, rate_hz = wished("dance", over_db)
    frames, ladder = climb(volts, rate_hz, ("linkwitz-riley", 4))
    for share in (0.0, 0.3, 0.9, 1.0):
        gain_db = -over_db * share
        louder = ladder.frames_at(frames, gain_db)
        np.testing.assert_allclose(louder.rms_v, frames.rms_v * 10.0 ** (gain_db / 20.0), rtol=2e-3)
        np.testing.assert_allclose(louder.peak_v, frames.peak_v * 10.0 ** (gain_db / 20.0), rtol=2e-3)


@pytest.mark.parametrize("over_db", [-25.0, -6.0, 0.0, 1.0, 12.0, 40.0])
def test_the_present_gain_is_exact_and_the_rungs_span_the_range(over_db: float) -> None:
    volts, rate_hz = wished("dance", over_db)
    frames, ladder = climb(
        volts[:20_000], rate_hz, ("linkwitz-riley", 4), full_scale_v=RAIL_V * 10.0 ** (over_db / 20.0)
    )
    gain_db = ladder.gain_db
    assert np.all(np.diff(gain_db) > 0.0)
    # From where nothing clips, or the present gain, up to well beyond the onset of clipping.
    assert gain_db[0] <= max(-over_db, 0.0) + 0.01 if over_db <= 0.0 else gain_db[0] <= -over_db + 0.01
    assert gain_db[-1] >= max(-over_db, 0.0) + 10.0
    np.testing.assert_allclose(ladder.frames_at(frames, 0.0).rms_v, frames.rms_v, rtol=1e-6)


@pytest.mark.parametrize("block", [997, 30_000])
def test_block_size_changes_nothing(block: int) -> None:
    volts, rate_hz = wished("drums", 6.0)
    whole = climb(volts, rate_hz, ("butterworth", 3))[1]
    streamed = climb(volts, rate_hz, ("butterworth", 3), block=block)[1]
    # Each run of rows starts its filters anew and lets them settle, which leaves a last bit of half precision.
    np.testing.assert_allclose(streamed.level_db, whole.level_db, atol=0.02)
    np.testing.assert_allclose(streamed.peak_db, whole.peak_db, atol=0.02)


@settings(max_examples=25, deadline=None)
@given(gain_db=st.floats(-20.0, 20.0), over_db=st.sampled_from([-6.0, 6.0]))
def test_without_a_crossover_no_gain_lifts_the_peak_over_the_rail(gain_db: float, over_db: float) -> None:
    frames, ladder = _without_crossover(over_db)
    gain_db = min(gain_db, float(ladder.gain_db[-1]))
    assert ladder.frames_at(frames, gain_db).peak_v.max() <= RAIL_V * 10.0 ** (0.02 / 20.0)


@functools.cache
def _without_crossover(over_db: float) -> tuple[HfFrames, OverdriveLadder]:
    volts, rate_hz = wished("dance", over_db)
    return climb(volts, rate_hz, ("none", 1))


@pytest.mark.parametrize("gain_db", [-9.0, 0.0, 2.5, 11.0])
def test_frames_by_part_are_those_of_the_whole(gain_db: float) -> None:
    volts, rate_hz = wished("dance", 3.0)
    frames, ladder = climb(volts, rate_hz, ("linkwitz-riley", 4))
    lead, length = ladder.lead, ladder.row_length
    padded_v = np.pad(volts, lead)
    rows = [WishedRow(row=row, wished_v=padded_v[row * length :][: length + 2 * lead]) for row in (3, 16, 40)]
    whole, by_part = ladder.frames_at(frames, gain_db, rows), ladder.by_part(frames, gain_db, rows)
    parts = [by_part(first, 128) for first in range(0, len(frames.rms_v), 128)]
    assert len(parts) > 2
    np.testing.assert_array_equal(np.concatenate([part.rms_v for part in parts]), whole.rms_v)
    np.testing.assert_array_equal(np.concatenate([part.peak_v for part in parts]), whole.peak_v)
