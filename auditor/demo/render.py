"""Render the demonstration set: `python -m auditor.demo.render [-o DIR]`.

Writes every clip, then reads each back and compares it with what was synthesised.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from auditor.demo import mixing
from auditor.demo.pieces import CLIPS, Clip

MAX_TOTAL_BYTES = 15_000_000
_VORBIS_QUALITY = 0.45  # libsndfile's scale, 0 best to 1 smallest
_WRITE_FRAMES = 4096  # in pieces: older builds of libsndfile crashed on long Vorbis writes (from memory; ours does not)


def write(clip: Clip, pcm: NDArray[np.int16], *, folder: Path) -> Path:
    """Write one clip.

    Parameters
    ----------
    clip : Clip
    pcm : ndarray [shape=(n, channels)]
    folder : Path

    Returns
    -------
    Path
    """
    path = folder / clip.file_name
    level = _VORBIS_QUALITY if clip.subtype == "VORBIS" else 1.0 if path.suffix == ".flac" else None
    with soundfile.SoundFile(
        path, "w", clip.sample_rate_hz, clip.channels, clip.subtype, compression_level=level
    ) as file:
        for first in range(0, len(pcm), _WRITE_FRAMES):
            file.write(pcm[first : first + _WRITE_FRAMES])
    return path


def difference_db(pcm: NDArray[np.int16], *, path: Path) -> float:
    """Return the level of what a file and the synthesis differ by, against the synthesis [dB].

    Raises
    ------
    ValueError
        When the lengths differ.
    """
    stored = soundfile.read(path, dtype="float64", always_2d=True)[0]
    wanted = pcm / 32768.0
    if stored.shape != wanted.shape:
        raise ValueError(f"{path.name} holds {stored.shape} samples, synthesis gives {wanted.shape}")
    error = float(np.sum((stored - wanted) ** 2))
    return 10.0 * float(np.log10(max(error, 1e-12) / float(np.sum(wanted**2))))


def main(arguments: Sequence[str] | None = None) -> int:
    """Render all clips and report size, length and crest factor of each.

    Parameters
    ----------
    arguments : sequence of str, optional
        Command-line arguments; those of the process when left out.

    Returns
    -------
    int
        0 when every file reads back as synthesised and the set is small enough, otherwise 1.
    """
    parser = argparse.ArgumentParser(prog="python -m auditor.demo.render", description="Render the demonstration set.")
    default = Path(__file__).resolve().parents[2] / "demo_audio"
    parser.add_argument("-o", "--output", type=Path, default=default, help="folder to write into (%(default)s)")
    folder: Path = parser.parse_args(arguments).output
    folder.mkdir(parents=True, exist_ok=True)
    total_bytes, faults = 0, 0
    for clip in CLIPS:
        start_s = time.perf_counter()
        pcm = mixing.to_pcm16(clip.samples())
        path = write(clip, pcm, folder=folder)
        off_db = difference_db(pcm, path=path)
        size_bytes = path.stat().st_size
        total_bytes += size_bytes
        faults += off_db > (-100.0 if clip.lossless else -12.0)
        wave = pcm / 32768.0
        crest_db = 20.0 * float(np.log10(np.abs(wave).max() / np.sqrt(np.mean(wave**2))))
        print(
            f"{clip.file_name:34s} {len(pcm) / clip.sample_rate_hz:5.1f} s {size_bytes / 1e6:6.2f} MB  "
            f"crest {crest_db:4.1f} dB  read back {off_db:6.1f} dB  in {time.perf_counter() - start_s:.1f} s"
        )
    print(f"total {total_bytes / 1e6:.2f} MB")
    return int(faults > 0 or total_bytes > MAX_TOTAL_BYTES)


if __name__ == "__main__":
    sys.exit(main())
