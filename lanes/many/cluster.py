"""Plates read by the workers of a running dask.distributed scheduler.

The asker alone writes: workers send files back as bytes. A plate whose worker is lost is given to
another by the scheduler. Nothing is kept on the cluster.
"""

from __future__ import annotations

import logging
import socket
import time
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import replace
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import urlsplit

from lanes.errors import InputError, OutputError, one_line
from lanes.many.local import AHEAD
from lanes.many.work import Outcome, Work, read_plate

# What the bytes of a reading and its pictures depend on.
ALIKE = ("lanes", "numpy", "scipy", "lmfit", "pillow", "matplotlib")
CONNECT = 5.0  # seconds: a scheduler in the same building answers in milliseconds
LOOK = 2.0  # seconds between looks at whether any worker is left
ALONE = 60.0  # seconds without any worker before giving up: a batch system may be starting one
# How many workers a plate may take with it before it counts as the cause.
RETRIES = 2


def versions() -> dict[str, str | None]:
    """Return the version of each package the results depend on; None for what is not installed."""
    out: dict[str, str | None] = {}
    for name in ALIKE:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            out[name] = None
    return out


def differing(mine: Mapping[str, str | None], theirs: Mapping[str, str | None]) -> str:
    """Return the first package whose versions differ, with both of them; empty where none does.

    >>> differing({"numpy": "2.0", "scipy": "1.1"}, {"numpy": "2.1", "scipy": None})
    'numpy 2.1 there and 2.0 here'
    """
    for name, own in mine.items():
        if theirs.get(name) != own:
            return f"{name} {theirs.get(name) or 'missing'} there and {own or 'missing'} here"
    return ""


def read_there(work: Work, asker: Mapping[str, str | None]) -> Outcome | str:
    """Read one plate on a worker; return the difference instead where versions differ."""
    return differing(asker, versions()) or read_plate(work)


class ClusterWorkers:
    """The workers of the scheduler at `address`; a context manager.

    Parameters
    ----------
    address : str
        Such as tcp://10.0.0.1:8786.
    shared_path : bool
        Workers open the files by their path. Otherwise they are sent what is in them.

    Raises
    ------
    InputError
        On entering: if there is no scheduler, it has no workers, or their versions differ.
    """

    def __init__(self, address: str, shared_path: bool) -> None:
        self.address = address
        self.shared_path = shared_path
        self._stack = ExitStack()

    def __enter__(self) -> ClusterWorkers:
        try:
            dask, self._distributed = import_module("dask"), import_module("distributed")
        except ImportError:
            raise InputError("--cluster needs dask.distributed: install the extra with pip "
                             "install 'lanes[cluster]'") from None
        _knock(self.address)
        with self._stack:
            self._stack.enter_context(_quiet())
            # Files go with their tasks, so that another worker can take them up; the library
            # would rather have them placed on one worker first, and says so at length.
            self._stack.enter_context(dask.config.set(
                {"distributed.admin.large-graph-warning-threshold": "1 TiB"}))
            try:
                self._client = self._stack.enter_context(self._distributed.Client(
                    self.address, timeout=CONNECT))
            except (OSError, ValueError, TimeoutError, ImportError, TypeError) as error:
                raise _no_scheduler(self.address, one_line(error)) from None
            self._refuse_unlike()
            self._stack = self._stack.pop_all()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        # Taking leave of a scheduler that is gone fails in ways of its own, and hides the cause.
        with suppress(Exception) if isinstance(error, OutputError) else nullcontext():
            self._stack.close()

    def run(self, works: Iterable[Work]) -> Iterator[tuple[Work, Outcome]]:
        """Yield each of `works` with its outcome as it comes, in no certain order.

        Raises
        ------
        InputError
            If a worker of other versions joined meanwhile.
        OutputError
            If the scheduler, or every worker, is gone for long.
        """
        waiting = deque(works)
        flying: dict[Any, Work] = {}
        while waiting or flying:
            while waiting and len(flying) < self._room():
                work = waiting.popleft()
                try:
                    data = None if self.shared_path else Path(work.path).read_bytes()
                except OSError:
                    yield work, read_plate(work)  # which says what is wrong with it
                    continue
                flying[self._submit(work, data)] = work
            for future in self._next(list(flying)):
                work = flying.pop(future)
                yield work, self._outcome(future)

    def _room(self) -> int:
        """Return how many plates may be under way: that many files and results are in memory."""
        with self._reached():
            threads: int = sum(self._client.nthreads().values())
        return AHEAD * max(1, threads)

    def _submit(self, work: Work, data: bytes | None) -> Any:
        path = str(Path(work.path).absolute())
        with self._reached():
            return self._client.submit(read_there, replace(work, path=path, data=data), versions(),
                                       pure=False, retries=RETRIES)

    def _next(self, futures: list[Any]) -> list[Any]:
        """Wait for the first of `futures`; give up where no worker has been there for long."""
        alone = time.monotonic()
        while futures:
            with self._reached(), suppress(TimeoutError):
                return list(self._distributed.wait(futures, timeout=LOOK,
                                                   return_when="FIRST_COMPLETED").done)
            with self._reached():
                if self._client.nthreads():
                    alone = time.monotonic()
            if time.monotonic() - alone > ALONE:
                raise self._lost("no worker is left")
        return []

    def _outcome(self, future: Any) -> Outcome:
        try:
            with self._reached():
                result = future.result()
        except self._distributed.KilledWorker:
            return Outcome({}, "every worker that took it was ended from outside, most likely for "
                           "want of memory: scan at fewer dots per inch")
        if isinstance(result, str):
            raise _unlike(result)
        outcome: Outcome = result
        return outcome

    @contextmanager
    def _reached(self) -> Iterator[None]:
        """Turn what the library does where its scheduler is gone into one OutputError.

        What it raises then depends on what it was doing, and on its version: its own state decides.
        """
        gone = (OSError, RuntimeError, self._distributed.CancelledError)
        try:
            yield
        except Exception as error:
            if isinstance(error, gone) or self._client.status != "running":
                raise self._lost("the scheduler was lost") from None
            raise

    def _lost(self, what: str) -> OutputError:
        return OutputError(f"--cluster {self.address}: {what}: run the same command again when it "
                           "is back; what is done is not done again")

    def _refuse_unlike(self) -> None:
        mine = versions()
        found = self._client.get_versions(packages=list(ALIKE))["workers"]
        if not found:
            raise InputError(f"--cluster {self.address}: the scheduler has no workers: start some")
        for theirs in found.values():
            differences = differing(mine, theirs["packages"])
            if differences:
                raise _unlike(differences)


def _knock(address: str) -> None:
    """Raise InputError where nobody listens, without waiting for the library to give up."""
    place = urlsplit(address if "://" in address else f"tcp://{address}")
    try:
        port = place.port or 8786
    except ValueError:
        port = 0
    if not place.hostname or not port:
        raise InputError(f"--cluster {one_line(address)!r} is no address: give one such as "
                         "tcp://10.0.0.1:8786")
    if place.scheme not in ("tcp", "tls"):
        return
    try:
        socket.create_connection((place.hostname, port), timeout=CONNECT).close()
    except (OSError, UnicodeError) as error:
        raise _no_scheduler(address, one_line(getattr(error, "strerror", None) or error)) from None


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's own log off the terminal: what matters is printed in a line here."""
    loggers = [logging.getLogger(name) for name in list(logging.root.manager.loggerDict)
               if name.partition(".")[0] == "distributed"]
    before = [(one, one.disabled) for one in loggers]
    for one in loggers:
        one.disabled = True
    try:
        yield
    finally:
        for one, state in before:
            one.disabled = state


def _no_scheduler(address: str, why: str) -> InputError:
    return InputError(f"--cluster {one_line(address)}: no scheduler answers ({why}): start one, "
                      "or check the address")


def _unlike(differences: str) -> InputError:
    return InputError("--cluster: the workers' versions differ from this machine's: "
                      f"{differences}; install the same everywhere")
