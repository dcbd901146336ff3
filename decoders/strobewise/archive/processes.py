"""A survey on the processes of one machine."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from types import TracebackType
from typing import ParamSpec, Protocol, TypeVar

from ..profile.options import Options
from .record import CRASHED, Record, Task, examine_task, unreadable

MOST_ON_WINDOWS = 61  #: more handles nobody can wait for there (concurrent.futures, ProcessPoolExecutor)
WAITING = 2  #: tasks handed over beyond those at work, for each process


class _Watched(Protocol):
    """The reading end of a pipe, whatever the system makes of it."""

    def recv_bytes(self) -> bytes:
        """Return what was sent; raise EOFError when the other end is closed."""


Work = Callable[[Task, Options], Record]
P = ParamSpec("P")
T = TypeVar("T")


def run_processes(tasks: Sequence[Task], options: Options, processes: int, work: Work = examine_task) -> Iterator[Record]:
    """Yield the records as they come, in any order. work: what is done with each capture, a function of a module.

    A process that dies (killed for want of memory, say) takes the pool with it: what was under way is then examined once more, one
    by one, so that only the capture that does it is lost.
    """
    if processes == 1:
        yield from (work(task, options) for task in tasks)
        return
    left = deque(tasks)
    while left:
        suspects: list[Task] = []
        yield from _one_pool(left, options, processes, suspects, work)
        for task in suspects:
            yield _alone(task, options, work)


class WorkerPool(ProcessPoolExecutor):
    """Fresh processes that run nothing from the current folder, leave Ctrl-C to us, and never outlive us.

    Each holds the reading end of a pipe whose writing end this process alone has: it ends when that is closed, by `shutdown` without
    waiting or by the system when this process was killed.
    """

    def __init__(self, processes: int) -> None:
        # "spawn" everywhere: a fork of a process with threads (numpy's, a progress bar's) may hang
        context = multiprocessing.get_context("spawn")
        os.environ["PYTHONSAFEPATH"] = "1"  # a fresh Python would look for its own modules in the current folder first
        self._watched, self._held = context.Pipe(duplex=False)
        most = MOST_ON_WINDOWS if sys.platform == "win32" else processes
        super().__init__(min(processes, most), mp_context=context, initializer=_stay_with_parent, initargs=(self._watched,))

    def submit(self, work: Callable[P, T], /, *args: P.args, **named: P.kwargs) -> Future[T]:
        with _interrupts_held():  # processes start here
            return super().submit(work, *args, **named)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> bool | None:
        self.shutdown(wait=kind is None, cancel_futures=kind is not None)
        return None

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        if not wait:
            self._held.close()
        super().shutdown(wait=wait, cancel_futures=cancel_futures)


def make_pool(processes: int) -> WorkerPool:
    """Return a pool of fresh processes."""
    return WorkerPool(processes)


@contextlib.contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back while processes start, which take that over: a terminal sends it to all, and ours alone is to answer."""
    if sys.platform == "win32" or not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _stay_with_parent(watched: _Watched) -> None:
    """In a new process: end with the one that started it, at once."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def wait_for_the_end() -> None:
        with contextlib.suppress(EOFError, OSError):
            watched.recv_bytes()  # nothing is ever sent
        os._exit(1)

    threading.Thread(target=wait_for_the_end, name="parent", daemon=True).start()


def _one_pool(left: deque[Task], options: Options, processes: int, suspects: list[Task], work: Work) -> Iterator[Record]:
    """Work until nothing is left or the pool breaks; suspects: what was under way then."""
    pool = make_pool(min(processes, len(left)))
    running: dict[Future[Record], Task] = {}
    try:
        while left or running:
            while left and len(running) < processes * WAITING:
                task = left.popleft()
                running[pool.submit(work, task, options)] = task
            ready, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in ready:
                task = running[future]
                record = future.result()
                del running[future]
                yield record
    except BrokenProcessPool:
        suspects.extend(running.values())
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def _alone(task: Task, options: Options, work: Work) -> Record:
    with make_pool(1) as pool:
        try:
            return pool.submit(work, task, options).result()
        except BrokenProcessPool:
            return unreadable(task, f"{CRASHED} ({task.path})")
