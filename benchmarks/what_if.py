"""How long a second audit takes with another lamp, driver or pad, when the first has left what was played in the cache.

    python benchmarks/what_if.py [--minutes 120] [--format flac] [--programme FILE]

Each audit is a process of its own, from its start to its report. The ratio counts: machines are noisy.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from decode_ratio import RIG, write_looped, write_music_like

CHANGES = {
    "the same": ("", ""),
    "another lamp": ('part = "1156"', 'part = "1141"'),
    "another driver": ("continuous_power_w = 60.0", "continuous_power_w = 40.0"),
    "another pad": ("pad_db = 6.0", "pad_db = 4.0"),
    "another crossover": ("frequency_hz = 1800.0", "frequency_hz = 2500.0"),
}


def check(sound: Path, rig: Path, cache: Path) -> tuple[float, float]:
    """Wall and processor time of `auditor check` [s]."""
    command = [sys.executable, "-m", "auditor", "check", str(sound), "-r", str(rig), "--fail-on", "never"]
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "AUDITOR_CACHE_DIR": str(cache)})
    wall_s, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=120.0)
    parser.add_argument("--format", default="flac")
    parser.add_argument("--gain-db", type=float, default=-12.0, help="level.gain_db")
    parser.add_argument("--programme", metavar="FILE", help="loop this file instead of noise shaped like music")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sound, short, rig, cache = (
            folder / each for each in (f"long.{options.format}", "short.flac", "rig.toml", "cache")
        )
        text = RIG.format(gain_db=options.gain_db)
        rig.write_text(text)
        write_music_like(short, 1.0)
        if options.programme:
            write_looped(sound, options.minutes, options.programme)
        else:
            write_music_like(sound, options.minutes)
        for _ in range(2):
            check(short, rig, cache)  # compiles, or loads what was compiled, on either way
        first_wall_s, first_cpu_s = check(sound, rig, cache)
        print(f"{options.minutes:g} min of {options.format}, first: {first_wall_s:.2f} s, {first_cpu_s:.2f} s CPU")
        for change, (old, new) in CHANGES.items():
            rig.write_text(text.replace(old, new))
            wall_s, cpu_s = check(sound, rig, cache)
            print(
                f"{change}: {wall_s:.2f} s, {cpu_s:.2f} s CPU; ratio to the first audit {wall_s / first_wall_s:.3f}, "
                f"in CPU {cpu_s / first_cpu_s:.3f}"
            )


if __name__ == "__main__":
    main()
