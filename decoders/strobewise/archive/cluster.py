"""A survey on a Dask cluster: the same work where an archive outgrows one machine."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import queue
import socket
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from typing import Protocol, TypeVar, cast
from urllib.parse import urlsplit

from ..errors import ComponentMissing, StrobewiseError
from ..profile.options import Options
from .record import CRASHED, Record, Task, examine_task, unreadable

CONNECT_S = 5  #: a scheduler that is there answers within one: then it is said that none is
LOOK_S = 2  #: so often it is looked whether the cluster is still there, while nothing comes
WITHOUT_WORKERS_S = 60  #: a nanny starts a worker anew within seconds, once the 30 s are over that dask waits for one that died
FETCH_S = 30  #: a result is small: what takes longer was on a worker that is gone
FETCHES = 3  #: a result that was lost with its worker is asked for so often
AGAIN = "look at the cluster, then give the same command again: what is done stays done"


T = TypeVar("T")


class _Future(Protocol):
    """What `distributed` gives for a task: as much of it as is used here."""

    def add_done_callback(self, call: Callable[[_Future], object], /) -> None: ...
    def exception(self, timeout: float) -> BaseException | None: ...
    def result(self, timeout: float) -> Record: ...
    def release(self) -> None: ...


class _Loop(Protocol):
    @property
    def asyncio_loop(self) -> asyncio.AbstractEventLoop: ...


class _Client(Protocol):
    """The client of `distributed`: as much of it as is used here."""

    @property
    def status(self) -> str: ...
    @property
    def loop(self) -> _Loop: ...
    def submit(self, work: Callable[..., object], /, *args: object, pure: bool) -> _Future: ...
    def scheduler_info(self) -> Mapping[str, object]: ...
    def close(self, timeout: float) -> None: ...


def run_cluster(tasks: Sequence[Task], options: Options, scheduler: str) -> Iterator[Record]:
    """Yield the records as they come, in any order.

    The workers must see the folder under the same path and have strobewise installed. What a worker was doing when it died is given to
    another one. What was on several workers as they died, or whose result was lost with several, is tried once more on its own at the end,
    so that what only stood beside a capture that kills them is not blamed; one that kills them again is given up and named.
    Raises ComponentMissing, StrobewiseError, also when the scheduler goes or no worker is left.
    """
    try:
        from distributed import Client
    except ModuleNotFoundError as missing:
        remedy = 'pip install "strobewise[cluster]", or leave --scheduler out'
        raise ComponentMissing("a cluster needs dask", f"--scheduler {scheduler}", remedy) from missing
    with _told_once():
        client = cast(_Client, _connect(Client, scheduler))  # its own types leave most of this open
        # What its tasks die of when the cluster goes is said in one line of ours; asyncio would tell it at length when the program ends.
        client.loop.asyncio_loop.set_exception_handler(lambda _, __: None)
        try:
            shared = client.submit(_handed_over, options, pure=False)  # sent once; unlike scattered data made anew when its worker dies
            run = _Run(client, shared, scheduler)
            suspects: list[Task] = []
            yield from run.records(tasks, suspects)
            for task in sorted(suspects, key=lambda task: task.path):
                killers: list[Task] = []
                yield from run.records([task], killers)
                for killer in killers:
                    yield unreadable(killer, f"{CRASHED} ({killer.path})")
        finally:
            client.close(timeout=CONNECT_S)


def _handed_over(options: Options) -> Options:
    return options


class _Run:
    """One survey on a cluster."""

    def __init__(self, client: _Client, options: _Future, scheduler: str) -> None:
        self._client, self._options, self._scheduler = client, options, scheduler
        self._ready: queue.SimpleQueue[_Future] = queue.SimpleQueue()
        self._tries: Counter[str] = Counter()

    def records(self, tasks: Sequence[Task], suspects: list[Task]) -> Iterator[Record]:
        """Yield the records of these captures; suspects: those that were on several workers as they died, or whose results were.

        Raises StrobewiseError where the scheduler goes, no worker is left, or the result of a capture tried alone is lost again and again.
        """
        from distributed.scheduler import KilledWorker

        running = {self._submit(task): task for task in tasks}
        while running:
            future = self._next()
            task = running.pop(future)
            error = self._error(future)
            record = self._fetched(future) if error is None else None
            if record is not None:
                yield record
            elif isinstance(error, KilledWorker):
                suspects.append(task)
            elif error is not None and not isinstance(error, CancelledError):
                raise self._gave_up(f"the cluster gave up: {error}")
            elif self._worth_another_try(task, len(tasks) == 1):
                running[self._submit(task)] = task
            else:
                suspects.append(task)
            future.release()

    def _submit(self, task: Task) -> _Future:
        future = self._client.submit(examine_task, task, self._options, pure=False)
        future.add_done_callback(self._ready.put)
        return future

    def _worth_another_try(self, task: Task, alone: bool) -> bool:
        """Say whether what was lost with a worker is tried once more now; else at the end, alone, where no other capture kills workers."""
        self._tries[task.path] += 1
        if self._client.status != "running":
            raise self._gave_up("the scheduler has gone")
        if self._tries[task.path] < FETCHES:
            return True
        if alone:
            raise self._gave_up(f"the cluster loses what came of {task.path}")
        self._tries[task.path] = 0
        return False

    def _next(self) -> _Future:
        """Return the next future that is done. Raises StrobewiseError when none will be."""
        alone_since = time.monotonic()
        while True:
            try:
                return self._ready.get(timeout=LOOK_S)
            except queue.Empty:
                pass
            if self._client.status != "running":
                raise self._gave_up("the scheduler has gone")
            if self._has_workers():
                alone_since = time.monotonic()
            elif time.monotonic() - alone_since > WITHOUT_WORKERS_S:
                raise self._gave_up("no worker is left")

    def _has_workers(self) -> bool:
        try:
            return bool(self._client.scheduler_info().get("workers"))
        except (OSError, ValueError):
            return False

    def _error(self, future: _Future) -> BaseException | None:
        try:
            return future.exception(timeout=CONNECT_S)
        except (CancelledError, TimeoutError, OSError):
            return CancelledError()

    def _fetched(self, future: _Future) -> Record | None:
        try:
            return future.result(timeout=FETCH_S)
        except (CancelledError, TimeoutError, OSError):
            return None

    def _gave_up(self, what: str) -> StrobewiseError:
        return StrobewiseError(what, f"--scheduler {self._scheduler}", AGAIN)


@contextlib.contextmanager
def _told_once() -> Iterator[None]:
    """Keep what dask logs about a scheduler or a worker that has gone from the terminal: it is said in one line of ours."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


def _connect(client: Callable[..., T], scheduler: str) -> T:
    where, remedy = f"--scheduler {scheduler}", "start dask scheduler and dask worker, and give the address it prints"
    try:
        address = urlsplit(scheduler if "://" in scheduler else f"tcp://{scheduler}")
        host, port = address.hostname, address.port
    except ValueError:
        host = port = None
    if not host or port is None:
        raise StrobewiseError("this is no address of a scheduler", where, "write it as tcp://bench:8786")
    try:
        # Knock first: a client that has failed to connect says so once more, at length, when the program ends.
        socket.create_connection((host, port), CONNECT_S).close()
        return client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise StrobewiseError(f"no cluster answers: {error}", where, remedy) from None
