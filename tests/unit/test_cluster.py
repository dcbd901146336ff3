"""What a survey on a cluster makes of results that are lost, with a client that is played: no worker, no wait."""

from __future__ import annotations

import importlib.util
from collections import Counter
from concurrent.futures import CancelledError

import pytest

from conftest import require_component
from strobewise.archive.cluster import FETCHES, _Run
from strobewise.archive.record import Task
from strobewise.errors import StrobewiseError


class Lost:
    """A client that loses what comes of some captures: so often, by path."""

    status = "running"

    def __init__(self, losses):
        self.losses, self.tries = dict(losses), Counter()

    def submit(self, work, task, options, pure):
        self.tries[task.path] += 1
        return Answer(task.path, self.tries[task.path] > self.losses.get(task.path, 0))


class Answer:
    def __init__(self, path, comes):
        self.path, self.comes = path, comes

    def add_done_callback(self, call):
        call(self)

    def exception(self, timeout):
        return None if self.comes else CancelledError()

    def result(self, timeout):
        return self.path

    def release(self):
        pass


def survey(losses, paths=("a", "b", "c")):
    """Return the records of a survey, and what is to be tried alone."""
    require_component("dask", importlib.util.find_spec("distributed") is not None, 'pip install "strobewise[cluster]"')
    run, suspects = _Run(Lost(losses), None, "tcp://x:1"), []
    tasks = [Task(path, path, 0, 0) for path in paths]
    return run, list(run.records(tasks, suspects)), [task.path for task in suspects]


def test_a_result_that_is_lost_is_asked_for_again():
    assert sorted(survey({"b": FETCHES - 1})[1]) == ["a", "b", "c"]


def test_what_is_lost_with_several_workers_is_tried_alone_and_ends_nothing():
    run, records, suspects = survey({"b": FETCHES})
    assert (sorted(records), suspects) == (["a", "c"], ["b"])
    killers = []
    assert list(run.records([Task("b", "b", 0, 0)], killers)) == ["b"] and killers == []


def test_what_is_lost_alone_as_well_is_the_clusters_fault():
    with pytest.raises(StrobewiseError, match="the cluster loses what came of b"):
        survey({"b": FETCHES}, paths=("b",))
