"""MP3 files that do not tell their length, or the wrong one: heard to their end, as FFmpeg decodes them."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from auditor import audit, demo, load_rig
from auditor.errors import ProgrammeError
from auditor.programme import decode
from auditor.programme.mp3_header import tells_its_length
from tests.stages.signals import Samples

RATE_HZ = 44_100
FRAME = 1152
CODEC_DELAY = 3 * FRAME  # of encoder and decoder together, at most


def noise(duration_s: float, level: float, channels: int = 2) -> Samples:
    shape = round(duration_s * RATE_HZ), channels
    return (level * np.random.default_rng(1).standard_normal(shape)).clip(-1.0, 1.0).astype(np.float32)


def encoded(path: Path, samples: Samples, *, tag: bool, options: dict[str, str] | None = None) -> Path:
    """An MP3 file by FFmpeg's libraries, with the tag that tells its length or without."""
    with av.open(str(path), "w", format="mp3", options={"write_xing": str(int(tag)), "id3v2_version": "0"}) as out:
        layout = "stereo" if samples.shape[1] == 2 else "mono"
        stream = out.add_stream("libmp3lame", rate=RATE_HZ, layout=layout, options=options or {"b": "128k"})
        for start in range(0, len(samples), FRAME):
            part = np.ascontiguousarray(samples[start : start + FRAME].T)
            frame = av.AudioFrame.from_ndarray(part, format="fltp", layout=layout)
            frame.sample_rate, frame.pts = RATE_HZ, start
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def heard(path: Path) -> tuple[Samples, decode.Finding]:
    finding = decode.Finding()
    return np.concatenate(list(decode.blocks(decode.inspect(path), finding))), finding


def by_ffmpeg(path: Path) -> Samples:
    with av.open(str(path)) as container:
        return np.concatenate([frame.to_ndarray() for frame in container.decode(audio=0)], axis=1).T


@pytest.mark.parametrize("loud_first", [False, True])
def test_a_variable_bit_rate_without_a_tag_is_heard_to_its_end(loud_first: bool, tmp_path: Path) -> None:
    # Guessed from the first frames, the length of the one would be a fraction of what it is, of the other a multiple.
    parts = [noise(5.0, 1e-4), noise(10.0, 0.9)]
    samples = np.concatenate(parts[::-1] if loud_first else parts)
    path = encoded(tmp_path / "no tag.mp3", samples, tag=False, options={"q": "2", "flags": "+qscale"})
    found, finding = heard(path)
    assert abs(len(found) - len(samples)) <= CODEC_DELAY
    assert (finding.short_by, finding.broken_off, finding.unusable) == (0, False, 0)
    np.testing.assert_allclose(found, by_ffmpeg(path), rtol=0, atol=1e-5)
    rig = load_rig(demo.demo_rig_path())
    soundfile.write(tmp_path / "same.wav", found, RATE_HZ, subtype="FLOAT")
    audited, same = audit(path, rig), audit(tmp_path / "same.wav", rig)
    assert (audited.verdict, audited.unjudged) == (same.verdict, ())
    assert audited.margin_db == pytest.approx(same.margin_db, abs=0.01)


@pytest.mark.parametrize("tag", [True, False])
def test_files_one_behind_the_other_are_heard_both(tag: bool, tmp_path: Path) -> None:
    parts = [encoded(tmp_path / f"{level}.mp3", noise(4.0, level), tag=tag) for level in (0.01, 0.5)]
    path = tmp_path / "joined.mp3"
    path.write_bytes(b"".join(part.read_bytes() for part in parts))
    found, _ = heard(path)
    assert abs(len(found) - 8 * RATE_HZ) <= 2 * CODEC_DELAY
    assert np.abs(found[-2 * RATE_HZ :]).max() > 0.3


def test_another_number_of_channels_further_on_is_told(tmp_path: Path) -> None:
    parts = [encoded(tmp_path / f"{count}.mp3", noise(4.0, 0.1, count), tag=True) for count in (2, 1)]
    path = tmp_path / "joined.mp3"
    path.write_bytes(b"".join(part.read_bytes() for part in parts))
    _, finding = heard(path)
    assert finding.broken_off
    assert "channels change from 2 to 1" in (finding.changed or "")


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate_hz", [22_050, 44_100])
def test_who_tells_is_read_by_libsndfile(rate_hz: int, channels: int, tmp_path: Path) -> None:
    path = tmp_path / "told.mp3"
    soundfile.write(path, noise(3.0, 0.1, channels), rate_hz, subtype="MPEG_LAYER_III")
    assert tells_its_length(str(path))
    bare = path.read_bytes()
    tags = b"ID3\x04\x00\x00\x00\x00\x02\x00" + bytes(256), b"TAG" + bytes(125)
    path.write_bytes(tags[0] + tags[0] + bare + tags[1])
    assert tells_its_length(str(path))
    assert decode.inspect(path).index is None
    path.write_bytes(bare + bare)
    assert not tells_its_length(str(path))
    path.write_bytes(bare[: len(bare) // 2])  # cut off: what is missing is known
    assert tells_its_length(str(path))


@pytest.mark.parametrize("content", [b"", b"ID3", b"\xff\xfb", bytes(5000), b"\xff" * 70_000])
def test_what_is_no_frame_tells_nothing(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "odd.mp3"
    path.write_bytes(content)
    assert not tells_its_length(str(path))


def test_a_file_that_vanishes_while_it_is_looked_at(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = encoded(tmp_path / "gone.mp3", noise(1.0, 0.1), tag=True)

    def vanish(where: str) -> bool:
        path.unlink()
        return tells_its_length(where)

    monkeypatch.setattr("auditor.programme.header.tells_its_length", vanish)
    with pytest.raises(ProgrammeError, match=r"gone\.mp3: cannot be read: No such file"):
        decode.inspect(path)
