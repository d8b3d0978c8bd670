"""The same audio in each format gives the same answer: exactly where nothing is lost, within 0.3 dB where it is.

Encoders are FFmpeg's and libsndfile's; the reference is the samples that went into them.
"""

from __future__ import annotations

import functools
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from auditor import audit, demo, load_rig
from auditor.audit_types import Audit
from auditor.programme import decode
from auditor.programme.files import SOUND_SUFFIXES
from tests.stages.made_formats import (
    LIBSNDFILE,
    PYAV,
    Format,
    encode,
    hf_change_db,
    margin_change_db,
    material,
    read,
)

LOSSY_DB = 0.3
ALL = {form.name: form for form in LIBSNDFILE + PYAV}
# What each may lie later, and be longer or shorter, than its source [samples]; docs/formats.md says why.
SHIFT = {"AAC, bare, 320 kbit/s": 1024, "AC-3, 448 kbit/s": 256, "E-AC-3, 448 kbit/s": 256}


@functools.cache
def made(folder: Path, name: str) -> Path:
    samples, rate_hz = material()
    form = ALL[name]
    return encode(folder / f"{len(list(folder.iterdir()))}{form.suffix}", samples, rate_hz, form)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("formats")


@functools.cache
def judged(path: Path) -> Audit:
    return audit(path, load_rig(demo.demo_rig_path()))


@pytest.mark.parametrize("name", [name for name, form in ALL.items() if form.lossless])
def test_lossless_gives_identical_results(folder: Path, name: str) -> None:
    samples, _ = material()
    path = made(folder, name)
    np.testing.assert_array_equal(read(path), samples.astype(np.float32))
    audited, reference = judged(path), judged(made(folder, "WAV, 24 bit"))
    assert audited.margin_db == reference.margin_db
    assert pickle.dumps(audited.channels) == pickle.dumps(reference.channels)
    assert audited.loudness_lufs == reference.loudness_lufs


@pytest.mark.parametrize("name", [name for name, form in ALL.items() if not form.lossless])
def test_lossy_comes_near(folder: Path, name: str) -> None:
    audited, reference = judged(made(folder, name)), judged(made(folder, "WAV, 24 bit"))
    assert hf_change_db(audited, reference) == pytest.approx(0.0, abs=LOSSY_DB)
    assert margin_change_db(audited, reference) == pytest.approx(0.0, abs=LOSSY_DB)
    assert not audited.unjudged


@pytest.mark.parametrize("form", PYAV, ids=lambda form: form.name)
def test_a_stretch_read_again_is_what_was_read_first(folder: Path, form: Format) -> None:
    programme = decode.inspect(made(folder, form.name))
    assert programme.index is not None
    whole = np.concatenate(list(decode.blocks(programme, decode.Finding())))
    length = 5_000
    places = [-700, 0, len(whole) // 2, len(whole) // 2 + 1, len(whole) // 3, len(whole) - 99, len(whole) + 10]
    for other in (programme, pickle.loads(pickle.dumps(programme)), decode.inspect(programme.path)):
        for start in places:
            expected = np.zeros(length, dtype=np.float32)
            there = whole[max(start, 0) : max(start + length, 0), 1]
            expected[max(-start, 0) : max(-start, 0) + len(there)] = there
            found = decode.read_again(other, 1, start, length)
            assert found is not None
            np.testing.assert_array_equal(found, expected, err_msg=f"at {start}")


def test_where_decoding_leaves_no_trace_a_seek_will_do(folder: Path) -> None:
    programme = decode.inspect(made(folder, "ALAC in M4A, 24 bit"))
    length = sum(map(len, decode.blocks(programme, decode.Finding())))
    index = programme.index
    assert index is not None
    assert index.stamps is not None

    def never() -> None:
        raise AssertionError("decoded from the beginning")

    index.from_beginning = never  # type: ignore[method-assign, assignment]
    assert decode.read_again(programme, 0, length // 2, 5_000) is not None


@pytest.mark.parametrize("name", ["ALAC in M4A, 24 bit", "AAC in M4A, 320 kbit/s"])
def test_the_margin_under_clipping_is_that_of_the_same_samples(folder: Path, tmp_path: Path, name: str) -> None:
    rig = load_rig(demo.demo_rig_path())
    hot = replace(rig, level=replace(rig.level, gain_db=rig.level.gain_db + 6.0))
    small = replace(hot, amplifier=replace(hot.amplifier, rated_power_w=150.0))
    # The oracle: what was decoded, as a floating-point WAV, whose reading again is libsndfile's.
    subtype = "PCM_24" if ALL[name].lossless else "FLOAT"
    plain = tmp_path / "decoded.wav"
    soundfile.write(plain, read(made(folder, name)), 48_000, subtype=subtype)
    audited, reference = audit(made(folder, name), small), audit(plain, small)
    assert max(channel.clipped_ratio for channel in audited.channels) > 0.1
    assert audited.margin_db is not None
    assert audited.margin_db == reference.margin_db


@pytest.mark.parametrize(("name", "shift"), SHIFT.items())
def test_delay_that_the_file_does_not_tell_of(folder: Path, name: str, shift: int) -> None:
    samples, _ = material()
    from tests.stages.made_formats import shift as measured

    assert measured(read(made(folder, name)), samples) == shift


@pytest.mark.parametrize("name", ["AAC in M4A, 320 kbit/s", "AAC in MP4 video, 320 kbit/s"])
def test_delay_and_padding_of_an_edit_list_are_taken_off(folder: Path, name: str) -> None:
    samples, rate_hz = material()
    assert len(read(made(folder, name))) == pytest.approx(len(samples), abs=rate_hz / 1000)  # written in milliseconds


def test_whole_numbers_have_no_headroom(folder: Path) -> None:
    assert decode.inspect(made(folder, "ALAC in M4A, 24 bit")).headroom_db == 0.0
    assert decode.inspect(made(folder, "AAC in M4A, 320 kbit/s")).headroom_db > 0.0


def test_every_channel(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    samples: NDArray[np.float64] = np.round(0.1 * rng.standard_normal((20_000, 6)) * 2.0**23) / 2.0**23
    form = Format(name="", suffix=".mka", codec="flac")
    path = encode(tmp_path / "six.mka", samples, 96_000, form)
    assert decode.inspect(path).sample_rate_hz == 96_000
    np.testing.assert_array_equal(read(path), samples.astype(np.float32))


def test_folders_find_them() -> None:
    assert {form.suffix for form in PYAV} <= SOUND_SUFFIXES
