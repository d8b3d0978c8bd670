"""What an archive costs: many short files judged on a cluster of two processes of this machine.

    python benchmarks/archive.py [--files 2000] [--workers 2] [--shortest-s 20] [--longest-s 60]

Files are made from a few templates at gains of their own, and audited with `--list`, `--cluster` and
`--format ndjson`. Printed are what docs/scale.md needs: CPU time of the workers, of this process and of the
scheduler for each file, bytes sent to this process, and the largest memory of each.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil
import soundfile
from decode_ratio import RIG, write_music_like

TEMPLATES = 4
EARLY_BYTES = 400_000  # of the report: when the memory is looked at early on


def write_archive(folder: Path, count: int, lengths_s: tuple[float, float]) -> float:
    """Files named `00000.flac` and so on, and `list.txt`; returns their length together [s]."""
    rng = np.random.default_rng(2000)
    template = folder / "template.wav"
    write_music_like(template, 1.0)
    samples, rate_hz = soundfile.read(template, dtype="float32", always_2d=True)
    templates = [np.roll(samples, number * len(samples) // TEMPLATES, axis=0) for number in range(TEMPLATES)]
    total_s = 0.0
    with open(folder / "list.txt", "w") as names:
        for number in range(count):
            length_s = rng.uniform(*lengths_s)
            gain = np.float32(10.0 ** (rng.uniform(-20.0, 0.0) / 20.0))
            path = folder / f"{number:05d}.flac"
            excerpt = templates[number % TEMPLATES][: round(length_s * rate_hz)] * gain
            soundfile.write(path, excerpt, rate_hz, compression_level=0.0)
            names.write(f"{path}\n")
            total_s += length_s
    return total_s


class Watch:
    """CPU time, largest memory and bytes sent and received over the network of a process, read from time to time."""

    def __init__(self, pid: int) -> None:
        self._process = psutil.Process(pid)
        self.cpu_s, self.memory_mb = 0.0, 0.0
        self._before_s: float | None = None

    def look(self) -> None:
        try:
            times, memory = self._process.cpu_times(), self._process.memory_info()
        except psutil.Error:
            return  # gone
        spent_s = times.user + times.system
        if self._before_s is None:
            self._before_s = spent_s
        self.cpu_s = spent_s - self._before_s
        self.memory_mb = max(self.memory_mb, memory.rss / 2.0**20)


def serve(workers: int) -> None:
    """The cluster, in a process of its own so that the scheduler's CPU time stands alone."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=":0") as cluster:
        pids = [worker.pid for worker in cluster.workers.values()]
        print(json.dumps({"address": cluster.scheduler_address, "workers": pids}), flush=True)
        sys.stdin.read()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--shortest-s", type=float, default=20.0)
    parser.add_argument("--longest-s", type=float, default=60.0)
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        serve(options.workers)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.toml").write_text(RIG.format(gain_db=-12.0))
        total_s = write_archive(folder, options.files, (options.shortest_s, options.longest_s))
        size = sum(path.stat().st_size for path in folder.glob("*.flac"))
        print(
            f"{options.files} files, {total_s / 3600.0:.1f} h of stereo at 44.1 kHz, {size / 2.0**20:.0f} MB",
            flush=True,
        )
        audit(folder, options, total_s)


def audit(folder: Path, options: argparse.Namespace, total_s: float) -> None:
    """Run it and print what it cost."""
    command = [sys.executable, __file__, "--serve", "--workers", str(options.workers)]
    cluster = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert cluster.stdout is not None
    assert cluster.stdin is not None
    running = json.loads(cluster.stdout.readline())
    watches = {"scheduler": [Watch(cluster.pid)], "worker": [Watch(pid) for pid in running["workers"]]}
    report = folder / "report.ndjson"
    started_s = time.perf_counter()
    arguments = ["check", "--list", str(folder / "list.txt"), "--rig", str(folder / "rig.toml")]
    arguments += ["--cluster", running["address"], "--format", "ndjson", "-o", str(report), "--fail-on", "never"]
    auditor = subprocess.Popen([sys.executable, "-m", "auditor", *arguments])
    watches["parent"] = [Watch(auditor.pid)]
    memory_early_mb = 0.0
    while auditor.poll() is None:
        for watch in (each for several in watches.values() for each in several):
            watch.look()
        if memory_early_mb == 0.0 and report.exists() and report.stat().st_size > EARLY_BYTES:
            memory_early_mb = watches["parent"][0].memory_mb
        time.sleep(0.1)
    wall_s = time.perf_counter() - started_s
    cluster.stdin.close()
    cluster.wait()
    lines = report.read_text().splitlines()
    last = json.loads(lines[-1])
    assert last["track_count"] == options.files, last
    files = options.files
    cpu_s = {who: sum(watch.cpu_s for watch in several) for who, several in watches.items()}
    print(f"{files / wall_s:.1f} files/s in {wall_s:.0f} s on {os.cpu_count()} cores")
    print(f"workers: {cpu_s['worker']:.1f} s of CPU, {1000.0 * cpu_s['worker'] / files:.1f} ms a file,", end=" ")
    print(f"{cpu_s['worker'] / (total_s / 3600.0):.2f} s for each hour of sound")
    print(f"parent: {cpu_s['parent']:.1f} s of CPU, {1000.0 * cpu_s['parent'] / files:.2f} ms a file")
    print(f"scheduler: {cpu_s['scheduler']:.1f} s of CPU, {1000.0 * cpu_s['scheduler'] / files:.2f} ms a file")
    print(f"report: {report.stat().st_size / files:.0f} bytes a file", end=", ")
    print(f"answer of a worker: {answer_bytes(folder)} bytes a file")
    memory = {who: max(watch.memory_mb for watch in several) for who, several in watches.items()}
    print("largest memory: " + ", ".join(f"{who} {megabytes:.0f} MB" for who, megabytes in memory.items()), end="; ")
    print(f"parent after the first {EARLY_BYTES * files // report.stat().st_size} files {memory_early_mb:.0f} MB")


def answer_bytes(folder: Path) -> int:
    """What a worker sends back for one file, pickled."""
    import pickle

    from auditor import load_rig
    from auditor.pipeline import audit_each

    path = str(folder / "00000.flac")
    return len(pickle.dumps(next(audit_each([path], load_rig(str(folder / "rig.toml")))), protocol=5))


if __name__ == "__main__":
    main()
