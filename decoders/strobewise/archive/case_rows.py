"""What the sheets of cases say, in the rows of a survey."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from ..case.records import REPAIRS, Case
from .cases import CaseFolder, case_of, digest_of
from .columns import CASES
from .folder import task_of
from .record import Record, Row, Task


def in_cases(folder: str, tasks: Sequence[Task], cases: Sequence[CaseFolder]) -> list[Task]:
    """Return the captures of a folder, each with its case, and with a digest of how that says it is read.

    Those that stand on a sheet, and that no ending gives away, come along: raw samples with a word of what they are.
    """
    known = {task.path for task in tasks}
    more = [task_of(os.path.realpath(folder), path) for path in _on_sheets(cases) if path not in known]
    found = (*tasks, *(task for task in more if task is not None))
    return sorted((_in_its_case(task, cases) for task in found), key=lambda task: task.path)


def _in_its_case(task: Task, cases: Sequence[CaseFolder]) -> Task:
    own = case_of(task.path, cases)
    if own is None or own.case is None:
        return task
    return replace(task, case=own.path, reading=digest_of(own, task.path))


def _on_sheets(cases: Sequence[CaseFolder]) -> Iterator[str]:
    for each in cases:
        for item in each.case.items if each.case is not None else ():
            if item.file is not None:
                yield each.inside + item.file


def tell_cases(records: Iterable[Record], cases: Sequence[CaseFolder]) -> None:
    """Put what the sheets say now into the rows of the captures."""
    for record in records:
        path = str(record.capture["path"])
        own = case_of(path, cases)
        case = own.case if own is not None else None
        item = own.item(path) if own is not None else None
        record.capture.update(
            {"case_folder": own.path if own is not None else None, **_machine(case), "entry": item.number if item is not None else None,
             "minutes_on": item.minutes_on if item is not None else None, "withdrawn": item.withdrawn if item is not None else None}
        )  # fmt: skip


def _machine(case: Case | None) -> Row:
    profile = case.profile.name if case is not None and case.profile is not None else None
    return {"machine": case.machine or None if case is not None else None, "profile": profile}


def case_rows(cases: Sequence[CaseFolder]) -> list[Row]:
    """Return the table of cases."""
    return [_case_row(each) for each in cases]


def _case_row(each: CaseFolder) -> Row:
    row: Row = dict.fromkeys(column.name for column in CASES)
    row.update(case_folder=each.path, error=each.error, captures=0, answers=0, withdrawn=0, repairs="", rules="")
    case = each.case
    if case is None:
        return row
    answers = [item.answer for item in case.items if item.counts and item.answer is not None and item.answer.kind != "note"]
    repairs = [answer.part or (answer.about if answer.kind == "replaced" else "connection") for answer in answers if answer.kind in REPAIRS]
    row.update(
        **_machine(case), symptom=case.symptom, opened=case.opened, captures=len(case.captures), answers=len(answers) - len(repairs),
        withdrawn=sum(not item.counts for item in case.items), repairs=" ".join(repairs),
    )  # fmt: skip
    if case.closed is not None:
        closed = case.closed
        row.update(closed=closed.time, was=closed.was, part=closed.part, proven=int(closed.stands), rules=" ".join(closed.rules))
    return row
