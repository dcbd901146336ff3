"""A folder that is watched for exports: a capture that appears there, and has stopped growing, goes into the case."""

from __future__ import annotations

import os
import threading
from pathlib import Path

from strobewise.archive.folder import ENDINGS, RAW_ENDINGS
from strobewise.errors import StrobewiseError
from strobewise_cli.page_server.desk import Desk

EVERY_S = 1.0  #: between two looks; a file that has the same size and time in both is taken for whole

Facts = tuple[int, int]


class Watcher(threading.Thread):
    """Looks into a folder until it is told to stop; what lay there before is left alone."""

    def __init__(self, folder: Path, desk: Desk, largest: int) -> None:
        super().__init__(daemon=True, name="watched folder")
        self._folder, self._desk, self._largest = folder, desk, largest
        self._endings = (*ENDINGS, *RAW_ENDINGS) if desk.beginning.taken.raw else ENDINGS
        self._over = threading.Event()
        self._growing: dict[str, Facts] = {}
        self._done = set(self._look())

    def run(self) -> None:
        """Look again and again."""
        while not self._over.wait(EVERY_S):
            self.once()

    def stop(self) -> None:
        """Let the thread end."""
        self._over.set()

    def once(self) -> None:
        """Look once, and take what has stopped growing."""
        found = self._look()
        for name, facts in found.items():
            if name in self._done:
                continue
            if self._growing.get(name) == facts:
                self._done.add(name)
                self._take(name, facts)
        self._growing = found
        self._done &= set(found)  # what goes away and comes again is another export

    def _take(self, name: str, facts: Facts) -> None:
        try:
            if facts[0] > self._largest:
                self._desk.tell(f"{name} in the watched folder is too large")
            else:
                self._desk.add(str(self._folder / name), name, planned=True)
        except (StrobewiseError, OSError) as error:
            self._desk.tell(f"{name} in the watched folder: {error}")

    def _look(self) -> dict[str, Facts]:
        found: dict[str, Facts] = {}
        try:
            with os.scandir(self._folder) as entries:
                for entry in entries:
                    named = entry.name.lower().endswith(self._endings) and not entry.name.startswith(".")
                    if named and entry.is_file(follow_symlinks=False):
                        facts = entry.stat(follow_symlinks=False)
                        found[entry.name] = facts.st_size, facts.st_mtime_ns
        except OSError as error:
            self._desk.tell(f"the watched folder cannot be read: {error.strerror}")
        return found
