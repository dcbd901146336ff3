"""Copies of the project in which mutants.py tries one small change at a time."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from mutant_areas import Area
from mutations import Change

ROOT = Path(__file__).resolve().parents[1]
COPIED = ("decoders", "cli", "tests", "traces", "benchmarks", "docs", "pyproject.toml", "README.md", "CHANGELOG.md", "DEVELOPERS.md")
#: Of pytest, the two that the tests need: to load all that are installed takes longer than many a test.
PLUGINS = ("-p", "no:cacheprovider", "-p", "_hypothesis_pytestplugin", "-p", "pytest_timeout")
HANGS = "hangs"  #: stands for the test that failed where none came to an end
NOT_RUN = (4, 5)  #: exit statuses of pytest: a test was not found, none was run

Key = tuple[str, str, str, str]


class Mutant(NamedTuple):
    """One change and where it belongs."""

    area: Area
    path: str  #: from the root of the tree
    change: Change

    @property
    def key(self) -> Key:
        """What stays the same when lines move: path, where in it, the line before and after."""
        return self.path, self.change.where, self.change.before, self.change.after

    def __str__(self) -> str:
        place = f"{self.path}:{self.change.line} {self.change.where} ({self.change.kind})"
        return f"{place}\n    - {self.change.before}\n    + {self.change.after}"


class Outcome(NamedTuple):
    """What the tests made of a mutant."""

    mutant: Mutant
    by: str  #: the first test that failed, or "hangs"; "" where it lives on


class Tree:
    """A copy of the project in which one mutant at a time is tried."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__", "node_modules", "_build"))
            elif source.exists():
                shutil.copy2(source, folder / name)
        # Compiled files are checked by content: a change within a second of the last one must not run the old code.
        command = [sys.executable, "-m", "compileall", "-q", "--invalidation-mode", "checked-hash", "decoders", "cli", "tests"]
        subprocess.run(command, cwd=folder, check=False, stdout=subprocess.DEVNULL)

    def run(self, tests: Iterable[str], timeout_s: float | None, tolerant: bool = False) -> str:
        """Run tests until one fails; return "" when all pass, else which failed, "hangs", or the end of what was printed.

        tolerant: tests that are not there say nothing; a dropped entry of a table may have had a test of its own.
        """
        options = ("-x", "-q", "--no-header", *PLUGINS, "--hypothesis-seed=0", "-rfE", "--tb=no")
        environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "COLUMNS": "1000", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
        command = [sys.executable, "-m", "pytest", *options, *tests]
        with subprocess.Popen(
            command, cwd=self.folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        ) as process:
            try:
                text, _ = process.communicate(timeout=timeout_s)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, 9)  # the group that was started here: a test may have children
                process.communicate()
                return HANGS
        failed = [line for line in text.splitlines() if line.startswith(("FAILED ", "ERROR "))]
        if process.returncode == 0 or (process.returncode in NOT_RUN and tolerant):
            return ""
        if process.returncode in NOT_RUN and not failed:  # a file of tests that no longer loads is an error, and notices the change
            sys.exit(f"the tests could not be run: {text.strip()[-500:]}")
        return failed[0].partition(" ")[2].partition(" - ")[0] if failed else text.strip()[-200:]

    def there(self, tests: Iterable[str]) -> list[str]:
        """Return those of these tests that can be found; of a file, all of it."""
        wanted = set(tests)
        files = sorted({name.partition("::")[0] for name in wanted if (self.folder / name.partition("::")[0]).exists()})
        command = [sys.executable, "-m", "pytest", "--collect-only", "-q", *PLUGINS, *files]
        done = subprocess.run(command, cwd=self.folder, capture_output=True, text=True, check=False)
        return sorted(wanted.intersection([*done.stdout.splitlines(), *files]))

    def try_mutant(self, mutant: Mutant, timeout_s: float, *rounds: Iterable[str]) -> Outcome:
        """Make the change, run the tests round by round until one fails, and take the change back."""
        path = self.folder / mutant.path
        whole = path.read_text(encoding="utf-8")
        by = ""
        try:
            path.write_text(mutant.change.apply(whole), encoding="utf-8")
            for index, tests in enumerate(rounds):
                by = by or (self.run(tests, timeout_s, tolerant=index < len(rounds) - 1) if tests else "")
        finally:
            path.write_text(whole, encoding="utf-8")
        return Outcome(mutant, by)
