"""How much faster two workers judge a set of tracks than one: wall time, and what limits it by CPU time.

    python benchmarks/many_tracks.py [--tracks 80] [--seconds 120 240] [--workers 2] [--rounds 1]

One worker is one process kept to one core, which is what each of several gets; the way without `--workers` may use
more, for it decodes and computes in threads, and is shown beside it. Machines are noisy, so only the ratio of one run
counts; on a busy machine the CPU time is what to look at: what the workers spend is shared out among the cores, what
this process spends is not.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import numpy as np
import soundfile
from decode_ratio import RIG, SAMPLE_RATE_HZ, music_like

STRETCH_S = 60.0  # of noise, made once, which takes a second
SUBREAPER = 36  # of <linux/prctl.h>


def write_tracks(folder: Path, count: int, seconds: float) -> None:
    """Each another stretch of the same noise, at a gain of its own."""
    noise = music_like(STRETCH_S).astype(np.float32)
    rng = np.random.default_rng(80)
    starts = rng.integers(len(noise), size=count)
    gains = 10.0 ** (rng.uniform(-6.0, 0.0, count) / 20.0)

    def write(number: int) -> None:
        with soundfile.SoundFile(folder / f"{number + 1:03d}.flac", "w", SAMPLE_RATE_HZ, 2) as sound:
            turned = np.roll(noise, -starts[number], axis=0) * np.float32(gains[number])
            left = round(seconds * SAMPLE_RATE_HZ)
            while left > 0:
                sound.write(turned[:left])
                left -= len(turned)

    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        list(pool.map(write, range(count)))


def run(arguments: list[str], *, core: int | None = None) -> tuple[float, float, str]:
    """Wall and CPU time of one run of `auditor` [s], and its report."""

    def settle() -> None:
        if core is not None:
            os.sched_setaffinity(0, {core})

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start_s = time.perf_counter()
    command = [sys.executable, "-m", "auditor", "check", *arguments, "--format", "json", "--fail-on", "never"]
    environ = {**os.environ, "AUDITOR_CACHE_MB": "0"}  # or the second way would find what the first one played
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, preexec_fn=settle, env=environ)
    wall_s = time.perf_counter() - start_s
    with suppress(ChildProcessError):  # none is left
        while True:  # that the workers were forked from; its time is counted when it has been waited for
            os.wait()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, done.stdout


def measure(folder: Path, rig: Path, *, workers: int, rounds: int) -> float:
    """Print what each way takes; returns the ratio of wall times."""
    paths = [str(folder), "--rig", str(rig)]
    run([str(folder / "001.flac"), "--rig", str(rig)])  # compiles
    many = [*paths, "--workers", str(workers)]
    core = min(os.sched_getaffinity(0))
    found: dict[str, list[tuple[float, float, str]]] = {"one": [], "many": [], "threads": []}
    for _ in range(rounds):
        found["one"].append(run(paths, core=core))
        found["many"].append(run(many))
        found["threads"].append(run(paths))
    assert len({report for runs in found.values() for _, _, report in runs}) == 1, "the results differ"
    wall_s = {way: statistics.median(wall for wall, _, _ in runs) for way, runs in found.items()}
    cpu_s = {way: statistics.median(cpu for _, cpu, _ in runs) for way, runs in found.items()}
    for way, words in (("one", "one worker"), ("many", f"{workers} workers"), ("threads", "no --workers")):
        print(f"{words:>12}: {wall_s[way]:6.1f} s, CPU {cpu_s[way]:6.1f} s")
    print(f"CPU that {workers} workers cost beside the work: {100.0 * (cpu_s['many'] / cpu_s['one'] - 1.0):.1f} %")
    return wall_s["one"] / wall_s["many"]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tracks", type=int, default=80)
    parser.add_argument("--seconds", type=float, nargs="+", default=[120.0, 240.0])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    ctypes.CDLL(None).prctl(SUBREAPER, 1)  # processes whose parent has ended are this one's then
    for seconds in options.seconds:
        print(f"{options.tracks} tracks of {seconds:g} s, on {len(os.sched_getaffinity(0))} cores", flush=True)
        with tempfile.TemporaryDirectory() as name:
            folder, rig = Path(name, "tracks"), Path(name, "rig.toml")
            folder.mkdir()
            rig.write_text(RIG.format(gain_db=-12.0))
            write_tracks(folder, options.tracks, seconds)
            ratio = measure(folder, rig, workers=options.workers, rounds=options.rounds)
            print(f"ratio {ratio:.2f}; results the same", flush=True)


if __name__ == "__main__":
    main()
