"""Every speed and memory target as a ratio, all from one run: machines are noisy, so only these are compared.

    python benchmarks/targets.py [--minutes 120] [--long-minutes 360] [--rounds 3] [--only flac mp3 ffmpeg memory fits]

Wall time is that of a machine with nothing else to do; processor time (user and system, all threads) says the same of
a busy one. Needs ffmpeg for the comparison with it. Takes some ten minutes.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from decode_ratio import RIG, SAMPLE_RATE_HZ, music_like, write_music_like

LENGTHS = (1 / 12, 1 / 6, 1 / 3, 2 / 3, 4 / 3)  # of --minutes: 10 to 160
TRACKS = (5, 10, 20, 40)
TRACK_LENGTH = 1 / 60
# The same job in part: two high-pass filters, peak and rms, loudness. No amplifier, lamp or driver, and no margin.
FFMPEG = "highpass=f=1800,highpass=f=1800,astats,ebur128"
DECODE = """
import sys, time
import numpy, soundfile
start, cpu = time.perf_counter(), time.process_time()
with soundfile.SoundFile(sys.argv[1]) as sound:
    block = numpy.empty((1 << 16, sound.channels), "float32")
    while len(sound.read(out=block)):
        pass
print(time.perf_counter() - start, time.process_time() - cpu)
"""
# Each argument after the first two is a job: files to audit one after the other as a set, joined by the path separator.
AUDIT = """
import os, sys, time
from auditor import audit_set, load_rig
rig = load_rig(sys.argv[1])
audit_set([sys.argv[2]], rig)  # compiles, or loads what was compiled
for job in sys.argv[3:]:
    start, cpu = time.perf_counter(), time.process_time()
    result = audit_set(job.split(os.pathsep), rig)
    assert not result.errors, result.errors
    print(time.perf_counter() - start, time.process_time() - cpu)
"""


@dataclass(frozen=True, kw_only=True)
class Ran:
    """What a process printed, and what it took from start to end."""

    printed: np.ndarray  # rows of wall and processor seconds
    cpu_s: float
    memory_mb: float


def run(*command: str) -> Ran:
    """Run a program in a process of its own."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    printed = [[float(word) for word in line.split()] for line in process.stdout]
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return Ran(printed=np.array(printed), cpu_s=used.ru_utime + used.ru_stime, memory_mb=used.ru_maxrss / 1024.0)


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Where the files are, and how the programs are called."""

    folder: Path
    minutes: float
    long_minutes: float
    rounds: int

    @property
    def rig(self) -> str:
        path = self.folder / "rig.toml"
        path.write_text(RIG.format(gain_db=-12.0))
        return str(path)

    def sound(self, minutes: float, kind: str = "flac") -> str:
        """A file of music-like noise of that length."""
        path = self.folder / f"{minutes:g}.{kind}"
        if not path.exists() and kind == "flac":
            write_music_like(path, minutes)
        elif not path.exists():
            lossless = soundfile.SoundFile(self.sound(minutes))
            with lossless, soundfile.SoundFile(path, "w", lossless.samplerate, lossless.channels) as lossy:
                for block in lossless.blocks(1 << 16, dtype="float32"):
                    lossy.write(block)
        return str(path)

    def decode(self, path: str) -> Ran:
        return run(sys.executable, "-c", DECODE, path)

    def audit(self, *jobs: Sequence[str]) -> Ran:
        return run(sys.executable, "-c", AUDIT, self.rig, self.sound(1.0), *(os.pathsep.join(each) for each in jobs))

    def against_decoding(self, kind: str, target: float) -> None:
        path = self.sound(self.minutes, kind)
        decode_s, audit_s = [], []
        for _ in range(self.rounds):
            decode_s.append(self.decode(path).printed[0])
            audit_s.append(self.audit([path]).printed[0])
        wall, cpu = np.median(audit_s, axis=0) / np.median(decode_s, axis=0)
        say(f"{kind.upper()} of {self.minutes:g} min: audit over decoding, wall time", f"{wall:.2f}", f"<= {target}")
        say("  the same, processor time", f"{cpu:.2f}")
        say("  the same, spread evenly over two cores", f"{cpu / 2.0:.2f}")
        say("  times real time", f"{self.minutes * 60.0 / np.median(audit_s, axis=0)[0]:.0f}")

    def against_ffmpeg(self) -> None:
        path = self.sound(self.minutes)
        command = ["ffmpeg", "-v", "error", "-nostdin", "-i", path, "-af", FFMPEG, "-f", "null", "-"]
        theirs = statistics.median(run(*command).cpu_s for _ in range(self.rounds))
        ours = statistics.median(self.audit([path]).cpu_s for _ in range(self.rounds))
        say(f"FLAC of {self.minutes:g} min: processor time over that of ffmpeg", f"{ours / theirs:.2f}", "< 1")
        say("  seconds, whole processes", f"{ours:.1f} / {theirs:.1f}")

    def start(self) -> None:
        """The whole program for one second of sound, which costs some hundredths of a second itself."""
        path = self.folder / "second.wav"
        soundfile.write(path, music_like(1.0), SAMPLE_RATE_HZ)
        os.environ["AUDITOR_CACHE_DIR"] = str(self.folder / "cache")
        command = [sys.executable, "-m", "auditor", "check", str(path), "--rig", self.rig, "--fail-on", "never"]
        command += ["-o", str(self.folder / "report.txt")]
        for words, options in (("played", ["--no-cache"]), ("from the cache", [])):
            run(*command, *options)  # compiles, and keeps
            wall_s, cpu_s = [], []
            for _ in range(5 * self.rounds):
                start_s = time.perf_counter()
                cpu_s.append(run(*command, *options).cpu_s)
                wall_s.append(time.perf_counter() - start_s)
            found = f"{statistics.median(wall_s):.2f} / {statistics.median(cpu_s):.2f}"
            say(f"check of one second of stereo, {words}: wall and processor time, s", found)

    def memory(self) -> None:
        short, long = (self.audit([self.sound(minutes)]).memory_mb for minutes in (10.0, self.long_minutes))
        say(f"largest memory, {self.long_minutes:g} min of stereo", f"{long:.0f} MB", "< 400 MB")
        say("  10 min", f"{short:.0f} MB")

    def fits(self) -> None:
        lengths_min = [round(share * self.minutes) for share in LENGTHS]
        lengths = self.audit(*([self.sound(minutes)] for minutes in lengths_min))
        show_fit("length", "min", lengths_min, lengths.printed[:, 1])
        track_min = max(1, round(TRACK_LENGTH * self.minutes))
        original = Path(self.sound(track_min))
        names = [str(self.folder / f"track-{number}.flac") for number in range(max(TRACKS))]
        for name in names:
            os.link(original, name)
        tracks = self.audit(*(names[:count] for count in TRACKS))
        show_fit("tracks", f"tracks of {track_min} min", TRACKS, tracks.printed[:, 1])


def show_fit(what: str, unit: str, sizes: Iterable[float], cpu_s: np.ndarray) -> None:
    """A straight line through the processor times, by least squares of what is off in proportion."""
    size = np.array(list(sizes), dtype=float)
    slope, fixed = np.polyfit(size, cpu_s, 1, w=1.0 / cpu_s)
    off = cpu_s / (fixed + slope * size) - 1.0
    exponent = np.polyfit(np.log(size), np.log(cpu_s), 1)[0]
    say(f"cost over {what}: exponent of a power law", f"{exponent:.3f}", "1")
    say(f"  straight line: {fixed:.3f} s and {slope:.4f} s for each of {unit}; off by at most", f"{abs(off).max():.1%}")
    for each, seconds, residual in zip(size, cpu_s, off, strict=True):
        say(f"    {each:g} {unit}: processor time {seconds:.2f} s, off the line", f"{residual:+.1%}")


def say(what: str, found: str, target: str = "") -> None:
    print(f"{what:<78} {found:>12}   {target}".rstrip(), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=120.0)
    parser.add_argument("--long-minutes", type=float, default=360.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", nargs="+", default=["start", "flac", "mp3", "ffmpeg", "memory", "fits"])
    options = parser.parse_args()
    say(f"load of the machine at the start, {os.cpu_count()} cores", f"{os.getloadavg()[0]:.1f}", "near 0")
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(
            folder=Path(folder), minutes=options.minutes, long_minutes=options.long_minutes, rounds=options.rounds
        )
        parts: dict[str, Callable[[], None]] = {
            "start": bench.start,
            "flac": lambda: bench.against_decoding("flac", 1.5),
            "mp3": lambda: bench.against_decoding("mp3", 1.3),
            "ffmpeg": bench.against_ffmpeg,
            "memory": bench.memory,
            "fits": bench.fits,
        }
        for name in options.only:
            parts[name]()


if __name__ == "__main__":
    main()
