"""Workers that are lost, by stand-ins: the plate that ends them all, and a cluster left empty."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from lanes.errors import OutputError
from lanes.many import cluster
from lanes.many.cluster import ALONE, LOOK, ClusterWorkers
from lanes.many.work import Outcome, Work
from lanes.settings import Settings

distributed = pytest.importorskip("distributed")
WORKS = [Work(f"{name}.png", Settings(), False) for name in ("a", "deadly", "b", "c")]


class Future:
    """What the library hands out for a plate that is read elsewhere."""

    def __init__(self, work: Work) -> None:
        self.work = work

    def result(self) -> Outcome:
        if self.work.path.endswith("deadly.png"):
            raise distributed.KilledWorker("read", None, 3)
        return Outcome({"spots.csv": b""}, None)


def asked(wait: Callable[..., Any], nthreads: Callable[[], dict[str, int]]) -> ClusterWorkers:
    """Return an asker of a cluster that does what is set here."""
    workers = ClusterWorkers("tcp://127.0.0.1:1", shared_path=True)
    workers._distributed = SimpleNamespace(
        wait=wait, KilledWorker=distributed.KilledWorker,
        CancelledError=distributed.CancelledError)
    workers._client = SimpleNamespace(status="running", nthreads=nthreads,
                                      submit=lambda _, work, *__, **___: Future(work))
    return workers


def test_a_plate_that_ends_every_worker_is_one_line_and_the_run_goes_on() -> None:
    workers = asked(lambda futures, **_: SimpleNamespace(done={futures[0]}), lambda: {"one": 1})
    found = {work.path: outcome for work, outcome in workers.run(WORKS)}
    assert list(found) == [work.path for work in WORKS]
    deadly = found.pop("deadly.png")
    assert not deadly.files
    assert deadly.error is not None
    assert deadly.error.startswith("every worker that took it was ended from outside")
    assert "\n" not in deadly.error
    assert all(outcome.error is None and outcome.files for outcome in found.values())


def test_a_minute_without_any_worker_ends_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that comes back within the minute starts it anew."""
    now, there = [0.0], [True]

    def wait(_: list[Future], timeout: float, **__: object) -> None:
        now[0] += timeout
        there[0] = now[0] < 20.0 or 70.0 < now[0] < 75.0
        raise TimeoutError

    monkeypatch.setattr(cluster, "time", SimpleNamespace(monotonic=lambda: now[0]))
    workers = asked(wait, lambda: {"one": 1} if there[0] else {})
    with pytest.raises(OutputError, match="no worker is left: run the same command again when it "
                                          "is back; what is done is not done again"):
        list(workers.run(WORKS))
    assert 75.0 + ALONE - 2 * LOOK <= now[0] <= 75.0 + ALONE + 2 * LOOK
