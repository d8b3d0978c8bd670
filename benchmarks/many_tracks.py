"""How much faster two workers judge a set of tracks than one: wall time, and what limits it by CPU time.

    python benchmarks/many_tracks.py [--tracks 80] [--seconds 240] [--workers 2] [--rounds 1]

One worker is one process kept to one core, which is what each of several gets; the way without `--workers` may use
more, for it decodes and computes in threads, and is shown beside it. Machines are noisy, so only the ratio of one run
counts; on a busy machine the CPU time is what to look at: what the workers spend is shared out among the cores, what
this process spends is not.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from decode_ratio import RIG, write_music_like


def write_tracks(folder: Path, count: int, seconds: float) -> None:
    """Copies of one template at gains of their own."""
    template = folder / "template.wav"
    write_music_like(template, max(seconds / 60.0, 1.0))
    samples, rate_hz = soundfile.read(template, dtype="float32", always_2d=True)
    template.unlink()
    samples = samples[: round(seconds * rate_hz)]
    gains_db = np.random.default_rng(80).uniform(-6.0, 0.0, count)
    for number, gain_db in enumerate(gains_db, 1):
        soundfile.write(folder / f"{number:03d}.flac", samples * np.float32(10.0 ** (gain_db / 20.0)), rate_hz)


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
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, done.stdout


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tracks", type=int, default=80)
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder, rig = Path(name, "tracks"), Path(name, "rig.toml")
        folder.mkdir()
        rig.write_text(RIG.format(gain_db=-12.0))
        write_tracks(folder, options.tracks, options.seconds)
        paths = [str(folder), "--rig", str(rig)]
        run([str(folder / "001.flac"), "--rig", str(rig)])  # compiles
        many = [*paths, "--workers", str(options.workers)]
        core = min(os.sched_getaffinity(0))
        found: dict[str, list[tuple[float, float, str]]] = {"one": [], "many": [], "threads": []}
        for _ in range(options.rounds):
            found["one"].append(run(paths, core=core))
            found["many"].append(run(many))
            found["threads"].append(run(paths))
    assert len({report for runs in found.values() for _, _, report in runs}) == 1, "the results differ"
    wall_s = {way: statistics.median(wall for wall, _, _ in runs) for way, runs in found.items()}
    cpu_s = {way: statistics.median(cpu for _, cpu, _ in runs) for way, runs in found.items()}
    print(f"{options.tracks} tracks of {options.seconds:g} s, on {len(os.sched_getaffinity(0))} cores")
    for way, words in (("one", "one worker"), ("many", f"{options.workers} workers"), ("threads", "no --workers")):
        print(f"{words:>12}: {wall_s[way]:6.1f} s, CPU {cpu_s[way]:6.1f} s")
    print(f"ratio {wall_s['one'] / wall_s['many']:.2f}; results the same")
    print(
        f"CPU that {options.workers} workers cost beside the work: {100.0 * (cpu_s['many'] / cpu_s['one'] - 1.0):.1f} %"
    )


if __name__ == "__main__":
    main()
