"""A survey on the processes of one machine."""

from __future__ import annotations

import multiprocessing
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from ..profile.options import Options
from .record import CRASHED, Record, Task, examine_task, unreadable

WAITING = 2  #: tasks handed over beyond those at work, for each process


Work = Callable[[Task, Options], Record]


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


def make_pool(processes: int) -> ProcessPoolExecutor:
    """Return a pool of fresh processes."""
    # "spawn" everywhere: a fork of a process with threads (numpy's, a progress bar's) may hang
    return ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"))


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
