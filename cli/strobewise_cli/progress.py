"""A progress bar on standard error, for work over a second, on a terminal only."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

PATIENCE_S = 1.0  #: work shorter than this shows nothing
_REDRAW_S = 0.1

Item = TypeVar("Item")


class ProgressBar:
    """Use as a context manager and call ``update`` as often as you like: it draws only when that makes sense."""

    def __init__(self, label: str, total: int | None = None) -> None:
        """label: what is going on. total: how much there is to do, None when nobody knows."""
        self.label = label
        self.total = total
        self._started = self._drawn = time.monotonic()
        self._wanted = sys.stderr.isatty()
        self._progress: Progress | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(self, *_: object) -> None:
        if self._progress is not None:
            self._progress.stop()

    def update(self, done: int) -> None:
        """Say how much is done."""
        if not self._wanted:
            return
        now = time.monotonic()
        if now - self._started < PATIENCE_S or now - self._drawn < _REDRAW_S:
            return
        self._drawn = now
        if self._progress is None:
            self._start()
        if self._progress is not None and self._task is not None:
            self._progress.update(self._task, completed=done)

    def _start(self) -> None:
        from rich.console import Console
        from rich.markup import escape
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"), TimeRemainingColumn())
        self._progress = Progress(*columns, console=Console(stderr=True), transient=True, auto_refresh=True)
        self._task = self._progress.add_task(escape(self.label), total=self.total)
        self._progress.start()


def tracked(items: Iterable[Item], label: str, total: int | None, position: Callable[[], int]) -> Iterator[Item]:
    """Yield the items, showing after each how far ``position`` has come."""
    with ProgressBar(label, total) as bar:
        for item in items:
            bar.update(position())
            yield item
