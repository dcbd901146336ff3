"""A progress bar on standard error, for work over a second, on a terminal only."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

from strobewise_cli.terminal import one_line

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

PATIENCE_S = 1.0  #: work shorter than this shows nothing
_REDRAW_S = 0.1


class ProgressBar:
    """Use as a context manager and call ``update`` as often as you like: it draws only when that makes sense."""

    def __init__(self, label: str, paths: Sequence[str] = (), quiet: bool = False) -> None:
        """label: what is going on. paths: the captures that are read one after the other. quiet: never draw."""
        self.label = label
        self.total = _size(paths)
        self._started = self._drawn = time.monotonic()
        self._wanted = sys.stderr.isatty() and not quiet
        self._progress: Progress | None = None
        self._task: TaskID | None = None
        self._before = self._last = 0

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(self, *_: object) -> None:
        if self._progress is not None:
            self._progress.stop()

    def update(self, taken: int) -> None:
        """Say how many bytes of the present capture were read; a smaller number than the last begins the next capture."""
        if taken < self._last:
            self._before += self._last
        self._last = taken
        now = time.monotonic()
        if not self._wanted or now - self._started < PATIENCE_S or now - self._drawn < _REDRAW_S:
            return
        self._drawn = now
        if self._progress is None:
            self._start()
        if self._progress is not None and self._task is not None:
            self._progress.update(self._task, completed=self._before + taken, refresh=True)

    def _start(self) -> None:
        from rich.console import Console
        from rich.markup import escape
        from rich.progress import BarColumn, DownloadColumn, Progress, ProgressColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn

        columns: list[ProgressColumn] = [TextColumn("{task.description}"), BarColumn(), DownloadColumn()]
        columns.append(TimeElapsedColumn() if self.total is None else TimeRemainingColumn())
        # Drawn by update alone: without a thread of its own, since another capture may be read by a copy of this process.
        self._progress = Progress(*columns, console=Console(stderr=True), transient=True, auto_refresh=False)
        self._task = self._progress.add_task(escape(one_line(self.label)), total=self.total)
        self._progress.start()


def _size(paths: Sequence[str]) -> int | None:
    """Return the bytes of all files together, None where a pipe is among them."""
    if not paths or not all(os.path.isfile(path) for path in paths):
        return None
    return sum(os.path.getsize(path) for path in paths)
