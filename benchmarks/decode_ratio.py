"""How long an audit takes, as a multiple of decoding the same file with libsndfile alone; and its memory.

    python benchmarks/decode_ratio.py [--minutes 120] [--rounds 3] [--format flac] [--programme FILE] [--rig RIG.toml]

Writes a stereo file of noise shaped like music, then measures both in turn in fresh processes, several times, and
prints the ratio of the medians: machines are noisy, so only the ratio of one run counts.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

# As installed: or every process would compile the program's modules anew, half a second of processor time.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

SAMPLE_RATE_HZ = 44_100
RIG = """
[level]
full_scale_dbu = 18.0
gain_db = {gain_db}
[amplifier]
gain_db = 32.0
rated_power_w = 300.0
rated_load_ohm = 8.0
[crossover]
alignment = "linkwitz-riley"
order = 4
frequency_hz = 1800.0
pad_db = 6.0
[protection]
kind = "lamp"
part = "1156"
[driver]
rated_impedance_ohm = 8.0
continuous_power_w = 60.0
"""
DECODE = """
import sys, time
import numpy, soundfile
start = time.perf_counter()
with soundfile.SoundFile(sys.argv[1]) as sound:
    block = numpy.empty((1 << 16, sound.channels), "float32")
    while len(sound.read(out=block)):
        pass
print(time.perf_counter() - start)
"""
AUDIT = """
import resource, sys, time
from auditor import audit, load_rig
rig = load_rig(sys.argv[2])
audit(sys.argv[3], rig)  # compiles, or loads what was compiled
start = time.perf_counter()
result = audit(sys.argv[1], rig)
print(time.perf_counter() - start)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)
print(result.verdict, result.margin_db, result.margin_limited_by, file=sys.stderr)
"""


def music_like(seconds: float) -> np.ndarray:
    """Stereo of which the end leads to the beginning: noise falling with frequency like music, two beats a second."""
    rng = np.random.default_rng(20)
    length = round(SAMPLE_RATE_HZ * seconds)
    spectrum = np.fft.rfft(rng.standard_normal((length, 2)), axis=0)
    frequency_hz = np.fft.rfftfreq(length, 1.0 / SAMPLE_RATE_HZ)[:, None]
    spectrum /= np.sqrt(np.maximum(frequency_hz, 40.0)) * (1.0 + (frequency_hz / 6000.0) ** 2)
    wave = np.fft.irfft(spectrum, length, axis=0)
    beat_s = np.arange(length)[:, None] / SAMPLE_RATE_HZ % 0.5
    wave *= 0.3 + 0.7 * np.exp(-8.0 * beat_s)
    return wave * (0.98 / np.abs(wave).max())


def write_music_like(path: Path, minutes: float) -> None:
    """Stereo, 16 bit: the same minute again and again, loud and quiet."""
    wave = music_like(60.0)
    with soundfile.SoundFile(path, "w", SAMPLE_RATE_HZ, 2) as sound:
        for minute in range(round(minutes)):
            sound.write(wave * (0.25 if minute % 8 == 7 else 1.0))


def write_looped(path: Path, minutes: float, programme: str) -> None:
    """A given file over and over."""
    samples, rate_hz = soundfile.read(programme, dtype="int16", always_2d=True)
    with soundfile.SoundFile(path, "w", rate_hz, samples.shape[1]) as sound:
        for _ in range(round(minutes * 60.0 * rate_hz / len(samples))):
            sound.write(samples)


def run(code: str, *arguments: str) -> list[float]:
    """Run a program in a fresh process and read the numbers it prints."""
    done = subprocess.run([sys.executable, "-c", code, *arguments], check=True, stdout=subprocess.PIPE, text=True)
    return [float(line) for line in done.stdout.split()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=120.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--format", default="flac")
    parser.add_argument(
        "--gain-db", type=float, default=-12.0, help="level.gain_db: -14 and up drives the amplifier to its rails"
    )
    parser.add_argument("--programme", metavar="FILE", help="loop this file instead of the noise")
    parser.add_argument("--rig", metavar="RIG.toml", help="use this rig")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        sound, short, rig = Path(folder, f"long.{options.format}"), Path(folder, "short.flac"), Path(folder, "rig.toml")
        rig.write_text(Path(options.rig).read_text() if options.rig else RIG.format(gain_db=options.gain_db))
        if options.programme:
            write_looped(sound, options.minutes, options.programme)
            write_looped(short, 1.0, options.programme)
        else:
            write_music_like(sound, options.minutes)
            write_music_like(short, 1.0)
        decode_s, audit_s, memory_mb = [], [], []
        for _ in range(options.rounds):
            decode_s += run(DECODE, str(sound))
            seconds, megabytes = run(AUDIT, str(sound), str(rig), str(short))
            audit_s.append(seconds)
            memory_mb.append(megabytes)
    decode, audit = statistics.median(decode_s), statistics.median(audit_s)
    print(f"{options.minutes:g} min of {options.format}: decode alone {decode:.2f} s, audit {audit:.2f} s")
    print(
        f"ratio {audit / decode:.2f}, largest memory {max(memory_mb):.0f} MB, "
        f"{options.minutes * 60.0 / audit:.0f} times real time"
    )


if __name__ == "__main__":
    main()
