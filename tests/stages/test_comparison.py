"""Comparison of programmes: each cause where it is known by construction, and what must add up or agree."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal

from auditor import audit
from auditor.chain.splitter import HfFrames
from auditor.comparison.causes import Terms, between, largest_minute
from auditor.comparison.compare import Comparison, find
from auditor.demo import demo_rig_path
from auditor.programme.loudness import measure
from auditor.rig import EqualiserSection, Rig, load_rig
from auditor.units import power_to_db
from tests.stages.made_material import made_frames, made_rig
from tests.stages.signals import WholeFile, demo_clip, demo_path, music, tone, write_wav

RATE_HZ = 48_000
LAMP = {"kind": "lamp", "part": "1156"}


def rig_at(gain_db: float, **tables: Any) -> Rig:
    """Full scale clips from -9.7 dB on."""
    return made_rig(level={"gain_db": gain_db}, **tables)


def noise(seconds: float = 8.0, *, seed: int = 5) -> np.ndarray:
    """Noise with a slope, as music has one, that never goes beyond full scale."""
    pink = signal.lfilter([0.05], [1.0, -0.95], np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ)))
    return np.clip(pink / (3.0 * pink.std()), -1.0, 1.0)


def compare(folder: Path, rig: Rig, *files: np.ndarray | Path, rate_hz: int = RATE_HZ) -> Comparison:
    paths = [
        file if isinstance(file, Path) else write_wav(folder / f"{number}.wav", file, rate_hz)
        for number, file in enumerate(files)
    ]
    found, faults = find([str(path) for path in paths], rig)
    assert found is not None
    assert not faults
    assert len({each.letter for each in found.programmes}) == len(files)
    return found


def contributions(found: Comparison, number: int = 0) -> dict[str, float]:
    return {each.cause: each.contribution_db for each in found.differences[number].causes}


def high_shelf(samples: np.ndarray, gain_db: float, corner_hz: float = 1500.0) -> np.ndarray:
    """One-pole shelf by scipy: its gain above the corner and unity below."""
    gain = 10.0 ** (gain_db / 20.0)
    w = 2.0 * math.pi * corner_hz
    b, a = signal.bilinear([gain, w * math.sqrt(gain)], [1.0, w * math.sqrt(gain)], RATE_HZ)
    return signal.lfilter(b, a, samples)


def to_loudness_of(samples: np.ndarray, reference: np.ndarray) -> np.ndarray:
    wanted, present = (measure(each, RATE_HZ).integrated_lufs for each in (reference, samples))
    assert wanted is not None
    assert present is not None
    return samples * 10.0 ** ((wanted - present) / 20.0)


# The four causes, each by construction.


def test_the_same_louder_is_level(tmp_path: Path) -> None:
    quiet = 0.3 * noise()
    found = compare(tmp_path, rig_at(-12.0), quiet, quiet * 10.0 ** (4.0 / 20.0))
    assert found.worst.letter == "B"
    assert found.differences[0].causes[0].cause == "level"
    assert contributions(found) == pytest.approx(
        {"level": 4.0, "density": 0.0, "brightness": 0.0, "clipping": 0.0}, abs=1e-3
    )


@pytest.mark.parametrize("equal", ["loudness", "peak"])
def test_a_shelf_is_brightness(tmp_path: Path, equal: str) -> None:
    dull = 0.25 * noise()
    lifted = high_shelf(dull, 6.0)
    bright = to_loudness_of(lifted, dull) if equal == "loudness" else lifted * np.abs(dull).max() / np.abs(lifted).max()
    rig = rig_at(-12.0)
    found = compare(tmp_path, rig, dull, bright)
    causes = found.differences[0].causes
    assert (found.worst.letter, causes[0].cause) == ("B", "brightness")
    # Outside oracle: HF share of the energy by one transform over each file.
    branches = [WholeFile(each, RATE_HZ).branch("linkwitz-riley", 4, 1800.0) for each in (dull, bright)]
    share = [np.mean(hf**2) / np.mean(whole**2) for hf, whole in zip(branches, (dull, bright), strict=True)]
    assert causes[0].contribution_db == pytest.approx(power_to_db(share[1] / share[0]), abs=0.02)
    assert causes[0].contribution_db > 3.0
    assert contributions(found)["density"] < 0.1  # the lifted file no longer has its peaks cut off, so rather less
    assert contributions(found)["clipping"] == 0.0


@pytest.mark.parametrize("clip", ["02", "03", "05"])
def test_a_shelf_on_the_demonstration_is_brightness(tmp_path: Path, clip: str) -> None:
    """Acoustic, dance, drums: each brought back to its loudness."""
    samples, rate_hz = demo_clip(clip, seconds=10.0)
    dull = 0.5 * samples.astype(float) / np.abs(samples).max()
    bright = to_loudness_of(high_shelf(dull, 6.0, 3000.0), dull)
    first, second = (write_wav(tmp_path / f"{name}.wav", each, rate_hz) for name, each in (("a", dull), ("b", bright)))
    found = compare(tmp_path, rig_at(-12.0), first, second)
    causes = found.differences[0].causes
    assert (found.worst.letter, causes[0].cause) == ("B", "brightness")
    assert causes[0].contribution_db > causes[1].contribution_db + 1.0


def test_the_same_peak_and_less_pause_is_density(tmp_path: Path) -> None:
    """The same noise a quarter of the time and all of the time: 10 log 4 of mean power, nothing else."""
    full = 0.3 * noise(16.0)
    on = np.arange(len(full)) % (RATE_HZ // 2) < RATE_HZ // 8
    edge = np.ones(480) / 480.0
    sparse = full * np.convolve(on, edge, mode="same")
    full[np.argmax(full)] = sparse[np.argmax(sparse)] = 0.35  # one and the same peak
    found = compare(tmp_path, rig_at(-12.0), sparse, full)
    assert found.differences[0].causes[0].cause == "density"
    assert contributions(found)["density"] == pytest.approx(10.0 * math.log10(4.0), abs=0.25)
    assert contributions(found)["brightness"] == pytest.approx(0.0, abs=0.2)
    assert contributions(found)["level"] == pytest.approx(0.0, abs=0.1)


def test_a_compressor_is_density(tmp_path: Path) -> None:
    """Music through a slow gain that keeps its spectrum, brought back to its peak."""
    mix = 0.5 * music(RATE_HZ, seconds=12.0).astype(float)
    steps = np.repeat([1.0, 0.15, 0.3, 0.2], 3 * RATE_HZ)
    dynamic, levelled = mix * steps, mix
    found = compare(tmp_path, rig_at(-12.0), dynamic, levelled)
    assert found.differences[0].causes[0].cause == "density"
    share = contributions(found)["density"] / found.differences[0].difference_db
    assert share == pytest.approx(1.0, abs=0.1)  # its peaks stand where the gain is highest only


def test_the_rails_are_clipping(tmp_path: Path) -> None:
    """A bass tone with hardly any HF just under the rails, and 3 dB over: harmonics by closed form."""
    rig = rig_at(-10.0)
    to_rail = rig.amplifier.rail_v / (math.sqrt(2.0) * rig.full_scale_v)
    seconds, bass_hz = 6.0, 83.7
    hiss = 2e-4 * np.random.default_rng(2).standard_normal(round(seconds * RATE_HZ))
    bass = tone(RATE_HZ, bass_hz, seconds).astype(float)
    below = 0.7 * to_rail * bass + hiss
    beyond = to_rail * 10.0 ** (3.0 / 20.0) * bass + hiss
    found = compare(tmp_path, rig, below, beyond)
    causes = found.differences[0].causes
    assert (found.worst.letter, causes[0].cause) == ("B", "clipping")
    assert causes[0].contribution_db > causes[1].contribution_db + 5.0
    split = found.worst.split
    assert split is not None
    assert split.clipping_w == pytest.approx(_harmonics_w(rig, bass_hz, 3.0), rel=0.05)
    assert split.programme_w < 0.2 * split.clipping_w


def _harmonics_w(rig: Rig, bass_hz: float, overdrive_db: float) -> float:
    """HF power of a clipped sine's odd harmonics, each by the integral over a period, through the crossover."""
    period = np.arange(1 << 16) / (1 << 16)
    wave = np.clip(10.0 ** (overdrive_db / 20.0) * np.sin(2.0 * np.pi * period), -1.0, 1.0)
    lines = np.abs(np.fft.rfft(wave))[: int(RATE_HZ / 2 / bass_hz)] * 2.0 / len(wave) * rig.amplifier.rail_v
    at_hz = bass_hz * np.arange(len(lines))
    ratio = (at_hz / rig.crossover.frequency_hz) ** 4
    gain = ratio / (1.0 + ratio)  # Linkwitz-Riley of order 4
    power = np.sum((lines * gain) ** 2) / 2.0 / rig.driver.rated_impedance_ohm
    return float(power * 10.0 ** (-rig.crossover.pad_db / 10.0))


def test_the_demonstration_pair_is_density() -> None:
    """Mixed and squashed, brightened and clipped: density before brightness, and rails that change next to nothing."""
    found, faults = find([str(demo_path("03")), str(demo_path("04"))], load_rig(demo_rig_path()))
    assert found is not None
    assert not faults
    assert [each.cause for each in found.differences[0].causes] == ["density", "brightness", "level", "clipping"]
    assert found.differences[0].difference_db == pytest.approx(16.4, abs=0.1)
    assert contributions(found)["density"] == pytest.approx(8.1, abs=0.3)
    assert contributions(found)["brightness"] == pytest.approx(7.1, abs=0.3)


# What must add up, or agree with others.


@pytest.mark.parametrize("gain_db", [-20.0, -9.0, 3.0])
def test_contributions_add_up_to_the_difference(tmp_path: Path, gain_db: float) -> None:
    mix = music(RATE_HZ).astype(float)
    pair = np.stack([mix, 0.5 * noise(5.0)], axis=1)
    found = compare(tmp_path, rig_at(gain_db), mix, 0.4 * noise(3.0), pair, high_shelf(0.1 * mix, 9.0))
    assert len(found.differences) == 3
    for difference in found.differences:
        assert sum(each.contribution_db for each in difference.causes) == pytest.approx(difference.difference_db)
        powers = [each.portrait.standing.driver_power_max_60s_w for each in (found.worst, difference.other)]
        assert difference.difference_db == pytest.approx(power_to_db(powers[0] / powers[1]))
        sizes = [each.contribution_db for each in difference.causes]
        assert sizes == sorted(sizes, reverse=True)


def test_each_term_shows_in_its_own_cause_alone() -> None:
    """A power, made of known terms, against one with a single term changed."""
    base = Terms(channel=0, true_peak_dbtp=-1.0, mean_level_dbfs=-15.0, bare_w=2.0, unclipped_w=2.0, clipped_w=2.0)
    changed = {
        "density": replace(base, mean_level_dbfs=-12.0, bare_w=4.0, unclipped_w=4.0, clipped_w=4.0),
        "brightness": replace(base, bare_w=4.0, unclipped_w=4.0, clipped_w=4.0),
        "clipping": replace(base, clipped_w=4.0),
        "level": replace(base, true_peak_dbtp=2.0, mean_level_dbfs=-12.0, bare_w=4.0, unclipped_w=4.0, clipped_w=4.0),
    }
    for cause, terms in changed.items():
        found = {each.cause: each.contribution_db for each in between(terms, base)}
        assert found.pop(cause) == pytest.approx(3.0, abs=0.02)
        assert list(found.values()) == pytest.approx([0.0] * 3, abs=0.02)


def test_one_channel_or_the_same_twice_is_no_difference(tmp_path: Path) -> None:
    """Though the second is 3 LU louder: each channel has an amplifier and a driver of its own."""
    mono = 0.3 * noise()
    found = compare(tmp_path, rig_at(-12.0), mono, np.stack([mono, mono], axis=1))
    assert found.differences[0].difference_db == pytest.approx(0.0, abs=1e-4)
    assert list(contributions(found).values()) == pytest.approx([0.0] * 4, abs=1e-3)


def test_pauses_and_lengths_do_not_pass_for_a_cause(tmp_path: Path) -> None:
    """The same minute with silence round it is the same load; a minute is what is looked at."""
    minute = 0.3 * noise(61.0)
    silence = np.zeros(20 * RATE_HZ)
    found = compare(tmp_path, rig_at(-12.0), minute, np.concatenate([silence, minute, silence]))
    assert list(contributions(found).values()) == pytest.approx([0.0] * 4, abs=0.02)


def test_other_rates_are_no_difference(tmp_path: Path) -> None:
    slow = 0.3 * noise()
    fast = signal.resample_poly(slow, 2, 1)
    found = compare(
        tmp_path,
        rig_at(-12.0),
        write_wav(tmp_path / "a.wav", slow, 48_000),
        write_wav(tmp_path / "b.wav", fast, 96_000),
    )
    assert list(contributions(found).values()) == pytest.approx([0.0] * 4, abs=0.1)


def test_what_a_limiter_takes_is_level_not_brightness(tmp_path: Path) -> None:
    limiter = {"detector": "rms", "threshold_v": 6.0, "attack_s": 0.1, "release_s": 0.5}
    rig = made_rig(level={"gain_db": -12.0}, limiter=limiter)
    quiet = 0.1 * noise()
    found = compare(tmp_path, rig, quiet, 8.0 * quiet)
    shares = contributions(found)
    assert found.differences[0].difference_db < 15.0  # of 18 dB
    assert shares["level"] == pytest.approx(found.differences[0].difference_db, abs=0.01)
    assert shares["brightness"] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("clip", ["02", "05"])
def test_as_played_is_what_check_says(clip: str) -> None:
    rig = load_rig(demo_rig_path())
    found, _ = find([str(demo_path("01")), str(demo_path(clip))], rig)
    assert found is not None
    checked = audit(demo_path(clip), rig)
    here = found.programmes[1].portrait.standing
    channel = max(checked.channels, key=lambda each: each.unprotected.driver_power_max_60s_w)
    assert here.driver_power_max_60s_w == pytest.approx(channel.unprotected.driver_power_max_60s_w, rel=1e-4)
    assert here.hf_energy_ratio == channel.hf_energy_ratio
    assert here.hf_crest_db == pytest.approx(channel.hf_crest_db, abs=1e-3)
    hottest_c = [
        max(getattr(each, end).coil_temp_max_c for each in checked.channels) for end in ("protected", "unprotected")
    ]
    assert [here.protected_coil_temp_max_c, here.coil_temp_max_c] == pytest.approx(hottest_c)
    assert here.margin_db == checked.margin_db


@pytest.mark.parametrize("gain_db", [-20.0, -4.0], ids=["unclipped", "clipped"])
def test_at_equal_loudness_is_what_check_says_of_a_file_turned_down(tmp_path: Path, gain_db: float) -> None:
    rig = rig_at(gain_db, protection=LAMP)
    loud, quiet = music(RATE_HZ).astype(float), 0.05 * noise(5.0)
    found = compare(tmp_path, rig, loud, quiet)
    standing = found.programmes[0].equal_loudness
    assert standing is not None
    assert found.programmes[1].equal_loudness == found.programmes[1].portrait.standing
    turned = loud * 10.0 ** (standing.gain_db / 20.0)
    quiet_lufs = measure(quiet, RATE_HZ).integrated_lufs
    assert measure(turned, RATE_HZ).integrated_lufs == pytest.approx(quiet_lufs, abs=0.01)
    checked = audit(write_wav(tmp_path / "turned.wav", turned, RATE_HZ), rig)
    exposed = checked.channels[0].unprotected
    assert standing.driver_power_max_60s_w == pytest.approx(exposed.driver_power_max_60s_w, rel=1e-3)
    assert standing.coil_temp_max_c == pytest.approx(exposed.coil_temp_max_c, abs=0.01)
    assert standing.protected_coil_temp_max_c == pytest.approx(checked.channels[0].protected.coil_temp_max_c, abs=0.01)
    assert standing.margin_db == pytest.approx(checked.margin_db, abs=0.05)
    assert standing.hf_energy_ratio == pytest.approx(checked.channels[0].hf_energy_ratio, rel=1e-3)


def test_at_equal_peak_the_peaks_are_equal(tmp_path: Path) -> None:
    loud, quiet = music(RATE_HZ).astype(float), 0.05 * noise(5.0)
    found = compare(tmp_path, rig_at(-14.0), loud, quiet)
    standing = found.programmes[0].equal_peak
    assert standing is not None
    peaks = [measure(each, RATE_HZ).true_peak_dbtp for each in (loud, quiet)]
    assert peaks[0] is not None
    assert peaks[0] + standing.gain_db == pytest.approx(peaks[1], abs=0.001)


def test_sine_overdriven_by_closed_form(tmp_path: Path) -> None:
    """Share of time clipped, 2/pi arccos(1/g); power of a clipped 4 kHz sine, nearly all of it the fundamental."""
    rig = rig_at(-12.0)
    sine = tone(RATE_HZ, 3990.7, 4.0, amplitude=0.2)
    found = compare(tmp_path, rig, sine, 0.5 * sine)
    overdriven = found.programmes[0].overdriven
    assert [each.overdrive_db for each in overdriven] == [0.0, 3.0, 6.0, 10.0]
    full_w = rig.amplifier.rated_power_w * 10.0 ** (-rig.crossover.pad_db / 10.0)
    ratio = (3990.7 / 1800.0) ** 4
    branch_w = full_w * (ratio / (1.0 + ratio)) ** 2
    for each in overdriven:
        over = 10.0 ** (each.overdrive_db / 20.0)
        assert each.clipped_ratio == pytest.approx(2.0 / math.pi * math.acos(1.0 / over), abs=0.01)
        assert each.split.programme_w == pytest.approx(branch_w * over**2, rel=0.01)
        # A clipped sine's power: the parts below and above the angle at which it reaches the rail.
        angle = math.asin(1.0 / over)
        square = (over**2 * (angle - math.sin(2.0 * angle) / 2.0) + math.pi - 2.0 * angle) / math.pi * 2.0
        assert each.split.total_w == pytest.approx(branch_w * square, rel=0.06)
    assert overdriven[0].split.clipping_w == 0.0


def test_overdrive_counts_from_what_the_amplifier_is_asked_for(tmp_path: Path) -> None:
    """An equaliser that lifts the peak takes as much from the level."""
    sine = tone(RATE_HZ, 3990.7, 2.0, amplitude=0.2)
    section = EqualiserSection(kind="peaking", frequency_hz=3990.7, gain_db=6.0, q=1.0)
    plain = compare(tmp_path, rig_at(-12.0), sine, 0.5 * sine).programmes[0].overdriven
    lifted = compare(tmp_path, replace(rig_at(-12.0), equaliser=(section,)), sine, 0.5 * sine).programmes[0].overdriven
    assert lifted[1].gain_db == pytest.approx(plain[1].gain_db - 6.0, abs=0.1)
    assert lifted[1].split.total_w == pytest.approx(plain[1].split.total_w, rel=0.02)


# The minute.


def test_minute_is_where_most_is() -> None:
    frames = made_frames((1.0, 50.0), (4.0, 60.0), (2.0, 50.0))
    minute = largest_minute(frames, v2_per_w=8.0)
    assert minute.power_w == pytest.approx(2.0, rel=1e-3)
    assert minute.start_s == pytest.approx(50.0, abs=0.02)
    assert minute.end_s == pytest.approx(110.0, abs=0.02)


def test_a_short_track_takes_its_mean() -> None:
    frames = made_frames((4.0, 3.0), (0.0, 9.0))
    assert largest_minute(frames, v2_per_w=8.0).power_w == pytest.approx(0.5, rel=1e-3)
    ends_within_a_frame = HfFrames(
        frame_s=0.5, duration_s=0.75, rms_v=np.array([2.0, 2.0], np.float32), peak_v=np.ones(2, np.float32)
    )
    assert largest_minute(ends_within_a_frame, v2_per_w=8.0).power_w == pytest.approx(4.0 / 0.75 / 8.0)


# Nothing to weigh.


def test_silence_stands_beside_the_others(tmp_path: Path) -> None:
    found = compare(tmp_path, rig_at(-12.0), np.zeros(RATE_HZ), 0.3 * noise(), 0.2 * noise())
    silent = found.programmes[0]
    assert silent.portrait.terms is None
    assert silent.equal_loudness is None
    assert silent.overdriven == ()
    assert [each.other.letter for each in found.differences] == ["C"]
    assert found.worst.letter == "B"


def test_all_silent(tmp_path: Path) -> None:
    found = compare(tmp_path, rig_at(-12.0), np.zeros(RATE_HZ), np.zeros((RATE_HZ, 2)))
    assert found.differences == ()
    assert found.reference_lufs is None
