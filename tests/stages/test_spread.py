"""Side by side: in any way the same results, in the order given; what a worker dies on is tried again."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import dask
import numpy as np
import pytest
from distributed import Client, LocalCluster

from auditor.audit_types import SetAudit
from auditor.errors import ClusterError
from auditor.pipeline import audit_each, audit_set
from auditor.report import records
from auditor.spread import Cluster, Here, Processes, Way, cluster
from tests.published.models import rig
from tests.stages import spread_work as work
from tests.stages.signals import music, write_wav

LAMP = {"kind": "lamp", "part": "1156"}
COUNT = 8  # tracks of a set, one of them no sound


@pytest.fixture(scope="module")
def local_cluster() -> Iterator[LocalCluster]:
    """Two workers, each a process with one thread, which is started again when it dies."""
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as running,
    ):
        yield running


@pytest.fixture
def cluster_way(local_cluster: LocalCluster) -> Cluster:
    with Client(local_cluster, set_as_default=False) as client:
        client.wait_for_workers(2)
    return Cluster(local_cluster.scheduler_address)


@pytest.fixture(params=["processes", "cluster"])
def way(request: pytest.FixtureRequest) -> Way:
    return Processes(2) if request.param == "processes" else request.getfixturevalue("cluster_way")


@pytest.fixture
def tracks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Tracks by paths from the working directory, the longest first, so that they are not finished in order."""
    monkeypatch.chdir(tmp_path)
    for number in range(COUNT):
        samples = music(44_100, seconds=12.0 if number == 0 else 1.0 + 0.3 * number)
        write_wav(tmp_path / f"{number}.wav", np.float32(0.2 + 0.1 * number) * samples, 44_100)
    Path("3.wav").write_text("no sound")
    return [f"{number}.wav" for number in range(COUNT)]


def document(result: SetAudit) -> str:
    return records.to_json(result, exit_status=0)


class TestSameResults:
    """One process, two, a cluster."""

    def test_bit_for_bit(self, tracks: list[str], way: Way) -> None:
        told: list[tuple[int, float]] = []

        def tell(track: int) -> Callable[[float], None]:
            return lambda done_ratio: told.append((track, done_ratio))

        system = rig(protection=LAMP)
        one, many = audit_set(tracks, system), audit_set(tracks, system, way=way, progress=tell)
        assert sorted(told) == [(index, 1.0) for index in range(COUNT)]
        assert document(many) == document(one)
        assert [track.path for track in many.tracks] == [path for path in tracks if path != "3.wav"]
        assert [fault.path for fault in many.errors] == ["3.wav"]
        assert many.coil_temp_max_c == one.coil_temp_max_c
        assert many.coil_temp_max_c is not None
        assert many.coil_temp_max_c > max(each.channels[0].protected.coil_temp_max_c for each in one.tracks)
        for track, other in zip(one.tracks, many.tracks, strict=True):
            for name, trace in vars(track.channels[0].traces).items():
                np.testing.assert_array_equal(getattr(other.channels[0].traces, name), trace)

    def test_each_for_itself_without_traces(self, tracks: list[str], way: Way) -> None:
        alone, many = ({one.index: one for one in audit_each(tracks, rig(), way=each)} for each in (None, way))
        assert many == alone
        assert len(many) == COUNT
        for judged in many.values():
            assert judged.frames == ()
            assert judged.audit is None or judged.audit.channels[0].traces.coil_temp_c.size == 0


class TestDeath:
    """Workers that are killed, and work that kills them."""

    def test_a_worker_killed_in_the_middle(self, tracks: list[str], way: Way, local_cluster: LocalCluster) -> None:
        killed: list[int] = []

        def kill_one(track: int) -> Callable[[float], None]:
            def kill(_: float) -> None:
                if not killed:  # track 0 is being judged by the other worker, or by this one next
                    killed.extend(_workers(way, local_cluster))
                    for process in killed:
                        os.kill(process, signal.SIGKILL)

            return kill

        many = audit_set(tracks, rig(), way=way, progress=kill_one)
        assert len(killed) == 2
        assert document(many) == document(audit_set(tracks, rig()))

    def test_what_killed_its_worker_is_tried_again(self, tmp_path: Path, way: Way) -> None:
        marks = [str(tmp_path / str(number)) for number in range(4)]
        done = {each.index: each for each in way.run(work.deadly_once, marks)}
        assert [done[index].result for index in range(4)] == marks

    def test_what_kills_every_worker_is_given_up_and_the_rest_done(self, way: Way) -> None:
        done = {each.index: each for each in way.run(work.deadly_for_one, range(5))}
        assert [done[index].result for index in range(5)] == [0, None, 2, 3, 4]
        assert "died" in str(done[1].lost)
        assert [index for index in range(5) if done[index].lost] == [1]

    def test_a_track_that_kills_every_worker_is_a_fault_of_it(
        self, tracks: list[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("auditor.pipeline.judge_source", _deadly_for_two)
        result = audit_set(tracks[:4], rig(), way=Processes(2))
        assert [track.path for track in result.tracks] == ["0.wav", "1.wav"]
        lost = "2.wav: its worker died each of the 3 times that it was tried (signal 9; too little memory?)"
        assert [fault.message for fault in result.errors if fault.path == "2.wav"] == [lost]


def _deadly_for_two(source: str, **options: Any) -> Any:
    from auditor.pipeline import judge_source

    if source == "2.wav":
        os.kill(os.getpid(), signal.SIGKILL)
    return judge_source(source, **options)


def _workers(way: Way, local_cluster: LocalCluster) -> list[int]:
    """Processes that judge tracks."""
    if isinstance(way, Processes):
        return [process.pid for process in multiprocessing.active_children() if process.name == "auditor worker"]
    with Client(local_cluster, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


class TestWork:
    """What the ways do with work of any kind."""

    @pytest.mark.parametrize("count", [0, 1, 7])
    def test_all_is_done(self, way: Way, count: int) -> None:
        for each_way in (Here(), way):
            done = sorted(each_way.run(work.doubled, range(count)), key=lambda each: each.index)
            assert [(each.item, each.result, each.lost) for each in done] == [(n, 2 * n, None) for n in range(count)]

    def test_what_breaks_off_is_told(self, way: Way) -> None:
        done = {each.index: each for each in way.run(work.doubled, [1, -1, 2])}
        assert [done[index].result for index in range(3)] == [2, None, 4]
        assert done[1].lost == "breaks off with ValueError: -1 is below nought"

    def test_items_are_read_as_it_goes(self, way: Way) -> None:
        read: list[int] = []

        def endless() -> Iterator[int]:
            while True:
                read.append(len(read))
                yield read[-1]

        with contextlib.closing(way.run(work.doubled, endless())) as running:
            for count in range(1, 30):
                next(running)
                assert len(read) <= count + 10

    def test_workers_end_when_nobody_wants_more(self, tmp_path: Path) -> None:
        def enough(*_: object) -> None:
            if len(list(tmp_path.iterdir())) == 2:
                signal.setitimer(signal.ITIMER_REAL, 0.0)
                raise _EnoughError

        before = signal.signal(signal.SIGALRM, enough)
        try:
            signal.setitimer(signal.ITIMER_REAL, 0.2, 0.2)  # looks whether both have begun
            with pytest.raises(_EnoughError):
                next(Processes(2).run(work.long_one, [str(tmp_path)] * 5))
        finally:
            signal.signal(signal.SIGALRM, before)
        processes = [int(path.name) for path in tmp_path.iterdir()]
        assert len(processes) == 2
        assert not any(Path(f"/proc/{process}").exists() for process in processes)


class _EnoughError(Exception):
    pass


class TestClusterFaults:
    """What is wrong with a cluster is one clear line."""

    @pytest.mark.parametrize(
        ("address", "words"),
        [
            ("nonsense", r"'nonsense': is no scheduler's address \(give its address as `dask scheduler` prints it"),
            ("garbage://a:1", "is no scheduler's address"),
            ("", "'': is no scheduler's address"),
            ("tcp://127.0.0.1:1", r"tcp://127\.0\.0\.1:1: no scheduler answers \(give its address as"),
        ],
    )
    def test_no_scheduler(self, monkeypatch: pytest.MonkeyPatch, address: str, words: str) -> None:
        monkeypatch.setattr(cluster, "_CONNECT_S", 1.0)
        with pytest.raises(ClusterError, match=words):
            audit_set(["a.wav"], rig(), way=Cluster(address))

    def test_no_workers(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cluster, "_CONNECT_S", 1.0)
        with LocalCluster(n_workers=0, dashboard_address=":0") as empty:
            words = rf"{empty.scheduler_address}: the cluster has no workers \(start some: dask worker"
            with pytest.raises(ClusterError, match=words):
                audit_set(["a.wav"], rig(), way=Cluster(empty.scheduler_address))

    def test_not_installed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cluster, "find_spec", lambda _: None)
        words = r"^a cluster needs distributed, which is not installed \(pip install 'tweeter-auditor\[cluster\]'\)$"
        with pytest.raises(ClusterError, match=words):
            audit_set(["a.wav"], rig(), way=Cluster("tcp://127.0.0.1:1"))

    def test_workers_of_another_version(self, monkeypatch: pytest.MonkeyPatch, cluster_way: Cluster) -> None:
        monkeypatch.setattr(cluster, "identity", lambda: "9.9 (source 0)")
        words = r"the worker at tcp://\S+ has auditor \S+ \(source \w{8}\), and this is 9\.9 .*install the same version"
        with pytest.raises(ClusterError, match=words):
            audit_set(["a.wav"], rig(), way=cluster_way)

    def test_workers_of_another_version_that_join_later(
        self, monkeypatch: pytest.MonkeyPatch, cluster_way: Cluster
    ) -> None:
        monkeypatch.setattr(cluster, "identity", lambda: "9.9 (source 0)")
        monkeypatch.setattr(cluster, "_refuse_others", lambda *_: None)
        with pytest.raises(ClusterError, match=r"the worker at tcp://\S+ has auditor \S+ .*, and this is 9\.9"):
            audit_set(["a.wav"], rig(), way=cluster_way)

    def test_workers_without_the_program(self, monkeypatch: pytest.MonkeyPatch, cluster_way: Cluster) -> None:
        monkeypatch.setattr(cluster, "_PROBE", cluster._PROBE.replace("auditor", "not_there"))
        words = (
            r"the worker at tcp://\S+ has no auditor that can do this: No module named 'not_there' \(install the same"
        )
        with pytest.raises(ClusterError, match=words):
            audit_set(["a.wav"], rig(), way=cluster_way)

    def test_a_file_that_workers_do_not_find(
        self, tracks: list[str], monkeypatch: pytest.MonkeyPatch, cluster_way: Cluster
    ) -> None:
        found = str(Path("1.wav").resolve())
        monkeypatch.setattr("os.getcwd", lambda: "/nowhere")
        result = audit_set(["0.wav", found, "gone.wav"], rig(), way=cluster_way)
        assert [Path(track.path).name for track in result.tracks] == ["1.wav"]
        here, gone = (fault.message for fault in result.errors)
        assert here.startswith("0.wav: is here, but the worker at tcp://")
        assert here.endswith("finds no such file (give every worker the same folders under the same paths)")
        assert gone == "gone.wav: no such file (check the spelling and that the drive is there)"

    def test_a_scheduler_that_goes_leaves_what_was_judged(self, tracks: list[str]) -> None:
        lost = LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=":0")
        closed: list[bool] = []

        def close(_: int) -> Callable[[float], None]:
            def once(_: float) -> None:
                if not closed:
                    closed.append(True)
                    lost.close()

            return once

        result = audit_set(tracks, rig(), way=Cluster(lost.scheduler_address), progress=close)
        assert 1 <= len(result.tracks) < COUNT - 1
        assert result.errors[-1].message.endswith("track(s) not judged")
        assert result.errors[-1].path == lost.scheduler_address
