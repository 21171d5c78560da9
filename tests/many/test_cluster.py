"""Plates read by a scheduler's workers: the same bytes as here, though one of them is killed."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from pathlib import Path
from types import SimpleNamespace

import pytest
from plates import LINES, Here, content, plate, started, trace, until

from lanes.cli import main
from lanes.errors import OutputError
from lanes.many.cluster import ClusterWorkers, differing, read_there, versions
from lanes.many.ledger import done_in
from lanes.many.work import Outcome, Work
from lanes.settings import Settings

distributed = pytest.importorskip("distributed")
Refused = Callable[..., str]
HERE = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


def begun(folder: Path, *words: str) -> subprocess.Popen[bytes]:
    with (folder / "log.txt").open("ab") as log:
        return subprocess.Popen([sys.executable, "-m", *words], cwd=folder, env=HERE, stdout=log,
                                stderr=log, start_new_session=True)


def listens(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Cluster:
    """A scheduler, and workers that are started when asked for."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        port = free_port()
        self.address = f"tcp://127.0.0.1:{port}"
        self.scheduler = begun(folder, "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
                               "--port", str(port), "--no-dashboard")
        self.workers: list[subprocess.Popen[bytes]] = []
        until(lambda: listens(port))

    def add(self, *words: str) -> None:
        before = self._joined()
        self.workers.append(begun(
            self.folder, "distributed.cli.dask_worker", self.address, "--no-nanny",
            "--no-dashboard", "--local-directory", str(self.folder),
            *(words or ("--nthreads", "1"))))
        until(lambda: self._joined() > before)

    def alive(self) -> list[subprocess.Popen[bytes]]:
        return [process for process in self.workers if process.poll() is None]

    def has(self, count: int) -> None:
        """Add workers until `count` are alive."""
        while len(self.alive()) < count:
            self.add()

    def _joined(self) -> int:
        return (self.folder / "log.txt").read_text(errors="replace").count("Register worker")

    def end(self) -> None:
        for process in (*self.workers, self.scheduler):
            if process.poll() is None:
                process.kill()
            process.wait()


@pytest.fixture(scope="module")
def clusters(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Cluster]]:
    made: list[Cluster] = []
    yield made
    for one in made:
        one.end()


@pytest.fixture
def cluster(clusters: list[Cluster], tmp_path_factory: pytest.TempPathFactory) -> Cluster:
    """Return a scheduler at work, with the workers that tests before have left it."""
    if not clusters or clusters[-1].scheduler.poll() is not None:
        clusters.append(Cluster(tmp_path_factory.mktemp("cluster")))
    return clusters[-1]


@pytest.fixture
def bare(clusters: list[Cluster], tmp_path_factory: pytest.TempPathFactory) -> Cluster:
    """Return a scheduler that never had a worker; those who ask next may add some."""
    if not clusters or clusters[-1].workers:
        clusters.append(Cluster(tmp_path_factory.mktemp("cluster")))
    return clusters[-1]


def test_refused(refused: Refused, tmp_path: Path, bare: Cluster) -> None:
    two = [trace(tmp_path / f"{n}.csv", seed=n) for n in (1, 2)]
    words = ("measure", *two, *LINES, "--out", "o", "--cluster")
    start = time.monotonic()
    assert "no scheduler answers" in refused(*words, f"tcp://127.0.0.1:{free_port()}")
    assert time.monotonic() - start < 10.0
    assert "is no address" in refused(*words, "tcp://127.0.0.1:port")
    assert "is no address" in refused(*words, "")
    assert "--workers is about this machine" in refused(*words, bare.address, "--workers", "2")
    assert refused(*words, bare.address) == (
        f"--cluster {bare.address}: the scheduler has no workers: start some")


def test_a_worker_killed_in_mid_run_changes_nothing(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scans = tmp_path / "scans"
    for seed in range(6):
        plate(scans / f"p{seed}.png", seed)
    (scans / "broken.png").write_bytes(b"no image")
    words = ("measure", "scans", "--light", "254", "--names", "S,U", "--out")
    with monkeypatch.context() as patch:
        patch.chdir(tmp_path)
        patch.setattr("lanes.many.run.LocalWorkers", Here)
        assert main([*words, "here"]) == 1
    cluster.has(2)
    out = tmp_path / "there"
    run = started(*words, "there", "--cluster", cluster.address, cwd=tmp_path)
    until(lambda: out.is_dir() and len(done_in(out)) > 1)
    cluster.alive()[0].send_signal(signal.SIGKILL)
    assert len(done_in(out)) < 4  # it was at work, or had results to hand over
    _, messages = run.communicate(timeout=300)
    assert run.returncode == 1
    assert all(line.startswith("lanes: ") for line in messages.splitlines()), messages
    assert content(out) == content(tmp_path / "here")
    # By a path that both can open, and threads in a worker: still the same.
    cluster.add("--nthreads", "3")
    with monkeypatch.context() as patch:
        patch.chdir(tmp_path)
        assert main([*words, "shared", "--cluster", cluster.address, "--shared-path"]) == 1
    assert content(tmp_path / "shared") == content(tmp_path / "here")


def test_other_versions_are_refused_by_name(
    refused: Refused, cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cluster.has(1)
    two = [trace(tmp_path / f"{n}.csv", seed=n) for n in (1, 2)]
    own = versions()
    monkeypatch.setattr("lanes.many.cluster.versions", lambda: {**own, "scipy": "0.0.1"})
    line = refused("measure", *two, *LINES, "--out", "o", "--cluster", cluster.address)
    assert line.startswith("--cluster: the workers' versions differ")
    assert f"scipy {own['scipy']} there and 0.0.1 here" in line


def test_a_scheduler_that_goes_is_a_line(cluster: Cluster, tmp_path: Path) -> None:
    paths = [trace(tmp_path / f"t{n}.csv", 20 + n, n) for n in range(40)]
    words = ("measure", *paths, *LINES, "--out", "out")
    cluster.has(1)
    run = started(*words, "--cluster", cluster.address, cwd=tmp_path)
    out = tmp_path / "out"
    until(lambda: out.is_dir() and len(done_in(out)) > 1)
    cluster.scheduler.kill()
    _, messages = run.communicate(timeout=120)
    assert run.returncode == 2, messages
    last = messages.splitlines()[-1]
    assert last == (f"lanes: --cluster {cluster.address}: the scheduler was lost: run the same "
                    "command again when it is back; what is done is not done again")
    assert all(line.startswith("lanes: ") for line in messages.splitlines())
    assert len(done_in(out)) > 1


@pytest.mark.parametrize("error", [AssertionError(), AttributeError("comm"), CancelledError(),
                                   Exception("Client is closed"), OSError()])
def test_whatever_the_library_raises_of_a_lost_scheduler_is_one_line(error: Exception) -> None:
    def lost(*_: object, **__: object) -> None:
        raise error

    workers = ClusterWorkers("tcp://127.0.0.1:1", shared_path=True)
    workers._distributed = distributed
    workers._client = SimpleNamespace(status="closed", nthreads=dict, submit=lost)
    with pytest.raises(OutputError, match="the scheduler was lost"):
        list(workers.run([Work("p.png", Settings(), False)]))
    workers._stack.callback(lost)
    workers.__exit__(OutputError, OutputError("the scheduler was lost"), None)
    workers._stack.callback(lost)
    with pytest.raises(type(error)):
        workers.__exit__(None, None, None)


def test_a_worker_looks_at_the_asker_s_versions_itself(tmp_path: Path) -> None:
    """One that joins later has not been asked before."""
    work = Work(str(trace(tmp_path / "a.csv")), Settings(origin=0, front=75), False)
    assert read_there(work, {**versions(), "numpy": "0.1"}) == differing(
        {**versions(), "numpy": "0.1"}, versions())
    outcome = read_there(work, versions())
    assert isinstance(outcome, Outcome)
    assert "spots.csv" in outcome.files
    assert set(versions().values()) != {None}


def test_a_file_by_value_reads_like_one_by_path(tmp_path: Path) -> None:
    path = trace(tmp_path / "a.csv")
    settings = Settings(origin=0, front=75)
    sent = Work("/nowhere/a.csv", settings, False, path.read_bytes())
    assert read_there(sent, versions()) == read_there(Work(str(path), settings, False), versions())


def test_without_the_extra(refused: Refused, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
                           ) -> None:
    two = [trace(tmp_path / f"{n}.csv", seed=n) for n in (1, 2)]
    monkeypatch.setitem(sys.modules, "distributed", None)
    line = refused("measure", *two, *LINES, "--out", "o", "--cluster", "tcp://127.0.0.1:1")
    assert "install the extra with pip install 'lanes[cluster]'" in line
    monkeypatch.setattr("lanes.many.run.LocalWorkers", Here)
    assert main(["measure", *map(str, two), *LINES, "--out", str(tmp_path / "o")]) == 0
