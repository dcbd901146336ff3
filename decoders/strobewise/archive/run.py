"""A survey of a folder: find the captures, leave out those that are done, examine the others, keep what comes."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from ..files.writing import claimed
from ..profile.options import Options
from .case_rows import case_rows, in_cases, tell_cases
from .cases import find_cases
from .folder import JOURNAL, Journal, find_captures
from .record import Record, Row, Task
from .results import need_components, write_results


@dataclass
class Survey:
    """What came of it: the records in order of their paths."""

    folder: str
    records: list[Record] = field(default_factory=list)
    cases: list[Row] = field(default_factory=list)  #: the cases in the folder, in order of their paths
    resumed: int = 0  #: of these, not examined again

    def count(self, status: str | None = None, state: str | None = None) -> int:
        """Return how many captures have this status, or this verdict."""
        rows = (record.capture for record in self.records)
        return sum((status is None or row["status"] == status) and (state is None or row["state"] == state) for row in rows)


def survey_folder(
    folder: str,
    options: Options,
    results: str | None = None,
    processes: int = 1,
    scheduler: str | None = None,
    again: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Survey:
    """Examine all captures in a folder.

    results: a folder for the tables, and for the journal that lets a survey go on where it was cut off; again: examine everything anew.
    scheduler: address of a Dask scheduler instead of processes here. progress: called with captures done, and all of them.
    Raises StrobewiseError, OSError; a capture that cannot be read is a row, no error.
    """
    if results is not None:
        need_components(results)
        os.makedirs(results, exist_ok=True)
        with claimed(results):
            return _surveyed(folder, options, results, processes, scheduler, again, progress)
    return _surveyed(folder, options, results, processes, scheduler, again, progress)


def _surveyed(
    folder: str, options: Options, results: str | None, processes: int, scheduler: str | None, again: bool,
    progress: Callable[[int, int], None] | None,
) -> Survey:
    captures = find_captures(folder, results, options.raw is not None)
    cases = find_cases(folder)
    tasks = in_cases(folder, captures, cases)
    journal = None if results is None else Journal(os.path.join(results, JOURNAL), options)
    done = journal.done(tasks) if journal is not None and not again else {}
    made = Survey(folder, list(done.values()), case_rows(cases), len(done))
    left = [task for task in tasks if task.path not in done]
    try:
        if journal is not None:
            journal.begin(made.records)
        for record in _examined(left, options, processes, scheduler):
            made.records.append(record)
            if journal is not None:
                journal.add(record)
            if progress is not None:
                progress(len(made.records), len(tasks))
    finally:
        if journal is not None:
            journal.close()
    made.records.sort(key=lambda record: str(record.capture["path"]))
    tell_cases(made.records, cases)
    if results is not None:
        write_results(made.records, made.cases, results)
    return made


def _examined(tasks: Sequence[Task], options: Options, processes: int, scheduler: str | None) -> Iterator[Record]:
    if not tasks:
        return iter(())
    if scheduler is not None:
        from .cluster import run_cluster

        return run_cluster(tasks, options, scheduler)
    from .processes import run_processes

    return run_processes(tasks, options, processes)
