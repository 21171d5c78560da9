"""Plates read by processes of this machine, one plate a process at a time."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from types import TracebackType

from lanes.many.work import Outcome, Work, read_plate

# Plates handed out for each worker, the one at work included: it never waits for the next, and
# no more results than these are ever held.
AHEAD = 2
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
# A result on its way to the parent is there by then, some MB at the most.
SENT_S = 0.5
_IDLE_S = 0.05  # within which a worker that reads nothing shows it
_LOST = ("the process that read it was ended from outside, most likely for want of memory: scan at "
         "fewer dots per inch, or give fewer --workers")


def cores() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class LocalWorkers:
    """Processes that read plates; a context manager, which ends them however it is left.

    Fresh processes (spawn) and not copies of this one: a copy made while libraries run threads
    can hang, and fresh ones are what every system has.
    """

    def __init__(self, count: int) -> None:
        self.count = count

    def __enter__(self) -> LocalWorkers:
        self._start(self.count)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._stop(at_once=kind is not None)

    def run(self, works: Iterable[Work]) -> Iterator[tuple[Work, Outcome]]:
        """Yield each of `works` with its outcome as it comes, in no certain order.

        A plate that takes its process with it fails alone: the others that were lost with that
        process are read again, one at a time.
        """
        waiting = deque(works)
        flying: dict[Future[Outcome], Work] = {}
        while waiting or flying:
            lost: list[Work] = []
            while waiting and len(flying) < AHEAD * self.count and not lost:
                work = waiting.popleft()
                try:
                    flying[self._submit(work)] = work
                except BrokenProcessPool:
                    lost.append(work)
            done, _ = wait(flying, return_when=FIRST_COMPLETED)
            for future in done:
                work = flying.pop(future)
                try:
                    yield work, future.result()
                except BrokenProcessPool:
                    lost.append(work)
            if lost:
                yield from self._singly([*lost, *flying.values()])
                flying.clear()
                self._start(self.count)

    def _singly(self, works: Iterable[Work]) -> Iterator[tuple[Work, Outcome]]:
        fresh = False
        for work in works:
            if not fresh:
                self._stop(at_once=True)
                self._start(1)
            try:
                outcome, fresh = self._submit(work).result(), True
            except BrokenProcessPool:
                outcome, fresh = Outcome({}, _LOST), False
            yield work, outcome
        self._stop(at_once=True)

    def _submit(self, work: Work) -> Future[Outcome]:
        with _deaf():
            return self._pool.submit(_read, work)

    def _start(self, count: int) -> None:
        context = multiprocessing.get_context("spawn")
        end, self._alive = context.Pipe(duplex=False)
        self._end = end  # kept open for processes that start later
        self._pool = ProcessPoolExecutor(count, context, _begin, (end,))

    def _stop(self, at_once: bool) -> None:
        if at_once:
            self._alive.close()
        self._pool.shutdown(wait=not at_once, cancel_futures=True)
        self._alive.close()
        self._end.close()


def _begin(end: Connection) -> None:
    """Make a worker ready: one thread, deaf to the keyboard, gone when its parent is."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in _THREADS:
        os.environ.setdefault(name, "1")
    threading.Thread(target=_end_with, args=(end,), daemon=True).start()


def _end_with(end: Connection) -> None:
    # The other end is held by the parent alone: it closes when the parent wants, or is killed.
    with suppress(EOFError, OSError):
        end.recv_bytes()
    _ending.set()
    if _reading.acquire(timeout=_IDLE_S):
        # A result may be under way: of a part the parent would wait for the rest, for ever.
        time.sleep(SENT_S)
    os._exit(0)


_ending = threading.Event()
_reading = threading.Lock()


def _read(work: Work) -> Outcome:
    """Read a plate in a worker; once the worker is to end, nothing is sent any more."""
    with _reading:
        outcome = read_plate(work)
        if _ending.is_set():
            threading.Event().wait()
    return outcome


@contextmanager
def _deaf() -> Iterator[None]:
    """Hold Ctrl-C back while processes start, which take that over: none prints a traceback."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    usual = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, usual)
