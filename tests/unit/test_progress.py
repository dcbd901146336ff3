"""The progress bar: on a terminal only, after a second only, gone at the end."""

from __future__ import annotations

import io
import sys
import threading

import pytest

from strobewise_cli import progress
from strobewise_cli.progress import ProgressBar


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def clock(monkeypatch):
    """A clock that the test turns."""
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    return now


def shown(stream: io.StringIO, clock: list[float], seconds: float, monkeypatch, **options) -> str:
    monkeypatch.setattr(sys, "stderr", stream)
    with ProgressBar("reading [x]", **options) as bar:
        for step in range(1, 5):
            clock[0] += seconds / 4
            bar.update(step * 1000)
    return stream.getvalue()


def test_short_work_shows_nothing(clock, monkeypatch):
    assert shown(Terminal(), clock, 0.9, monkeypatch) == ""


def test_a_pipe_shows_nothing(clock, monkeypatch):
    assert shown(io.StringIO(), clock, 9, monkeypatch) == ""


def test_quiet_shows_nothing(clock, monkeypatch):
    assert shown(Terminal(), clock, 9, monkeypatch, quiet=True) == ""


def test_long_work_on_a_terminal_shows_the_label_as_it_is(clock, monkeypatch):
    assert "reading [x]" in shown(Terminal(), clock, 9, monkeypatch)


def test_it_draws_without_a_thread(clock, monkeypatch):
    """A process with other threads could not be copied safely to read the next capture (strobewise.capture.apart)."""
    before = threading.active_count()
    monkeypatch.setattr(sys, "stderr", Terminal())
    with ProgressBar("reading") as bar:
        for step in range(1, 5):
            clock[0] += 2
            bar.update(step * 1000)
        assert "reading" in sys.stderr.getvalue() and threading.active_count() == before


def test_several_files_add_up(tmp_path, clock, monkeypatch):
    paths = [tmp_path / "a", tmp_path / "b"]
    for path in paths:
        path.write_bytes(b"x" * 1000)
    monkeypatch.setattr(sys, "stderr", Terminal())
    with ProgressBar("reading", [str(path) for path in paths]) as bar:
        assert bar.total == 2000
        for taken in (500, 1000, 400):
            clock[0] += 2
            bar.update(taken)
        assert bar._progress.tasks[0].completed == 1400


def test_a_pipe_has_no_size():
    assert ProgressBar("reading", ["-"]).total is None
