"""Level, amplifier and the pass over the file, against numpy and the exact branch."""

from __future__ import annotations

import math
import pickle
import threading
import unittest.mock
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from auditor import audit, threads
from auditor.chain.amplifier import AmplifierChannel, clip
from auditor.chain.level import volts_per_unit
from auditor.chain.play import play
from auditor.programme.loudness import ChannelMeter
from tests.published.models import rig
from tests.stages.signals import WholeFile, demo_clip, demo_path, framed, level_db, music, tone, write_wav

RMS_DB, PEAK_DB = 0.05, 0.3


def expected_volts_per_unit(*, dbu: float) -> float:
    """Peak volts of a full-scale sine at a level in dBu; 0 dBu is a milliwatt in 600 ohm."""
    return math.sqrt(2.0) * math.sqrt(0.001 * 600.0) * 10.0 ** (dbu / 20.0)


def test_a_sine_arrives_at_its_voltage(tmp_path: Path) -> None:
    # +18 dBu - 10 dB + 32 dB is +40 dBu; 20 kHz is so far above the corner that the branch takes nothing off.
    system = rig(level={"gain_db": -10.0}, crossover={"frequency_hz": 800.0})
    assert volts_per_unit(system) == pytest.approx(expected_volts_per_unit(dbu=40.0))
    path = write_wav(tmp_path / "sine.wav", tone(48_000, 12_000.3, 2.0, 0.1), 48_000)
    (feed,) = play(str(path), system).feeds
    inside = feed.frames.rms_v[20:-20]
    assert level_db(np.sqrt(np.mean(inside**2)) / (math.sqrt(0.6) * 10.0)) == pytest.approx(0.0, abs=0.01)
    assert feed.overall_clipped_ratio == 0.0


@pytest.mark.parametrize("start", ["02", "04", "05"])
def test_a_demo_file_end_to_end(start: str) -> None:
    system = rig(amplifier={"rated_power_w": 100.0}, crossover={"pad_db": 3.0})
    samples, rate_hz = soundfile.read(demo_path(start), dtype="float64", always_2d=True)
    wished_v = samples * expected_volts_per_unit(dbu=50.0)
    rail_v = math.sqrt(2.0 * 100.0 * 8.0)
    feeds = play(str(demo_path(start)), system).feeds
    assert len(feeds) == samples.shape[1]
    for feed, wished in zip(feeds, wished_v.T, strict=True):
        delivered = np.clip(wished, -rail_v, rail_v)
        before_pad_v = WholeFile(delivered, rate_hz).branch("linkwitz-riley", 4, 1800.0)
        branch_v = before_pad_v * 10.0 ** (-3.0 / 20.0)
        assert level_db(feed.hf_voltage_rms_v / np.sqrt(np.mean(branch_v**2))) == pytest.approx(0.0, abs=RMS_DB)
        assert level_db(feed.hf_voltage_peak_v / np.abs(branch_v).max()) == pytest.approx(0.0, abs=PEAK_DB)
        share = float(np.sum(before_pad_v**2) / np.sum(delivered**2))
        assert feed.hf_energy_ratio == pytest.approx(share, rel=0.01)
        assert feed.overall_clipped_ratio == pytest.approx(np.mean(np.abs(wished) > rail_v), abs=1e-5)
        peak_v = framed(branch_v, round(0.006 * rate_hz))[1]
        assert len(feed.frames.peak_v) == len(peak_v) == len(feed.clipped_ratio)


def test_channels_do_not_touch(tmp_path: Path) -> None:
    left, right = music(44_100, seconds=2.0), music(44_100, seconds=2.0, seed=9) * np.float32(0.3)
    both = play(str(write_wav(tmp_path / "both.wav", np.stack([left, right], axis=1), 44_100)), rig()).feeds
    for feed, alone in zip(both, (left, right), strict=True):
        (one,) = play(str(write_wav(tmp_path / "one.wav", alone, 44_100)), rig()).feeds
        np.testing.assert_array_equal(feed.frames.rms_v, one.frames.rms_v)
        assert feed.ladder is not None
        assert one.ladder is not None
        np.testing.assert_array_equal(feed.ladder.level_db, one.ladder.level_db)


def test_block_length_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    from auditor.programme import decode

    whole = play(str(demo_path("03")), rig())
    monkeypatch.setattr(decode, "BLOCK_LENGTH", 7001)
    blocks = play(str(demo_path("03")), rig())
    for one, other in zip(whole.feeds, blocks.feeds, strict=True):
        np.testing.assert_allclose(other.frames.rms_v, one.frames.rms_v, rtol=1e-6)
        np.testing.assert_allclose(other.frames.peak_v, one.frames.peak_v, rtol=1e-6)
        np.testing.assert_array_equal(other.clipped_ratio, one.clipped_ratio)
    assert blocks.loudness.integrated_lufs == pytest.approx(whole.loudness.integrated_lufs, abs=1e-6)
    assert blocks.loudness.true_peak_dbtp == pytest.approx(whole.loudness.true_peak_dbtp, abs=1e-4)


@pytest.mark.parametrize("size", [1000, 4096, 288])
def test_clipping_is_counted_frame_by_frame(size: int) -> None:
    samples, rail_v, length = demo_clip("04", from_s=8.0, seconds=1.0)[0], 20.0, 265
    channel = AmplifierChannel(volts_per_unit=60.0, rail_v=rail_v, frame_length=length)
    delivered = np.concatenate([channel.push(samples[i : i + size]) for i in range(0, len(samples), size)])
    over = np.abs(samples * np.float32(60.0)) > rail_v
    np.testing.assert_array_equal(delivered, np.clip(samples * np.float32(60.0), -rail_v, rail_v))
    padded = np.concatenate([over, np.zeros(-len(over) % length, dtype=bool)]).reshape(-1, length)
    np.testing.assert_allclose(channel.clipped_ratio(), padded.mean(axis=1), rtol=1e-6)
    assert channel.clipped_count == over.sum()
    assert channel.energy == pytest.approx(float(np.sum(delivered.astype(float) ** 2)), rel=1e-5)


@settings(max_examples=60, deadline=None)
@given(
    volts=st.lists(st.floats(-1e4, 1e4, width=32), min_size=1, max_size=200),
    rail_v=st.floats(1.0, 500.0, width=32),
    gain=st.floats(1.0, 10.0, width=32),
)
def test_clipping_never_passes_the_rail_nor_lowers_with_gain(volts: list[float], rail_v: float, gain: float) -> None:
    wished = np.array(volts, dtype=np.float32)
    once, louder = clip(wished, rail_v), clip(wished * np.float32(gain), rail_v)
    assert np.abs(louder).max() <= rail_v
    assert np.all(np.abs(louder) >= np.abs(once))
    np.testing.assert_array_equal(clip(once, rail_v), once)
    np.testing.assert_array_equal(np.sign(once), np.sign(wished))


def test_a_clipped_sine_has_the_power_of_the_closed_form() -> None:
    # Mean square of a sine of amplitude A clipped at r: A^2/pi (a - sin a cos a) + r^2 (1 - 2 a/pi), a = asin(r/A).
    wished = 100.0 * tone(48_000, 997.0, 5.0)
    for rail_v in (20.0, 50.0, 90.0, 120.0):
        a = math.asin(min(rail_v / 100.0, 1.0))
        expected = 100.0**2 / math.pi * (a - math.sin(a) * math.cos(a)) + rail_v**2 * (1.0 - 2.0 * a / math.pi)
        if rail_v > 100.0:
            expected = 100.0**2 / 2.0
        assert np.mean(np.square(clip(wished, rail_v), dtype=float)) == pytest.approx(expected, rel=1e-3)


@pytest.fixture
def one_thread() -> Iterator[None]:
    """As in a worker beside which another keeps the other core busy."""
    before = threads.thread_count()
    threads.keep_to(1)
    yield
    threads.keep_to(before)


def test_on_one_core_nothing_runs_beside_and_nothing_changes(request: pytest.FixtureRequest, tmp_path: Path) -> None:
    system = rig()
    damaged = tmp_path / "half.flac"
    damaged.write_bytes(demo_path("02").read_bytes()[:200_000])
    paths = [str(demo_path("02")), str(damaged)]
    beside = [pickle.dumps(audit(path, system)) for path in paths]
    request.getfixturevalue("one_thread")
    seen: set[str] = set()
    with unittest.mock.patch.object(ChannelMeter, "push", _noting_threads(seen)):
        assert [pickle.dumps(audit(path, system)) for path in paths] == beside
    assert seen == {threading.current_thread().name}
    assert audit(paths[1], system).unjudged


def _noting_threads(seen: set[str]) -> Callable[..., None]:
    """As the loudness meter takes samples, and notes what thread it is called in and which decode."""
    push = ChannelMeter.push

    def noting(self: ChannelMeter, samples: NDArray[np.float32]) -> None:
        seen.add(threading.current_thread().name)
        seen.update(each.name for each in threading.enumerate() if each.name == "decode")
        push(self, samples)

    return noting


def test_a_process_computes_in_as_many_threads_as_it_is_allowed(one_thread: None) -> None:
    for asked, allowed in ((2, 2), (0, 1), (64, 2)):
        threads.keep_to(asked)
        assert threads.thread_count() == allowed
