"""What all tests share: where things are, how to run the command, and what to do when a component is missing."""

from __future__ import annotations

import atexit
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parents[1]
TRACES = ROOT / "traces"
ON_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")
UNHURRIED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no fault of what is tested
settings.register_profile("usual", UNHURRIED)
settings.register_profile("ci", UNHURRIED, derandomize=True)  # a run says whether this change is good; searching on is for the workbench
settings.register_profile("fresh", UNHURRIED, derandomize=False, database=None, print_blob=True)  # for --hypothesis-profile
settings.load_profile("ci" if ON_CI else "usual")
collect_ignore = ["example_repository"]  # a project of its own; test_pytest_plugin.py runs it


#: Where the commands that tests run keep what Python compiled: each of a thousand would compile the engine anew, which takes it twice the
#: time. A folder of its own, so that nothing is written into the tree of who asked for that; the processes of one run share it.
COMPILED = "PYTHONPYCACHEPREFIX"
if COMPILED not in os.environ and os.environ.pop("PYTHONDONTWRITEBYTECODE", None):
    os.environ[COMPILED] = tempfile.mkdtemp(prefix="strobewise-compiled-")
    atexit.register(shutil.rmtree, os.environ[COMPILED], True)


def pytest_runtest_setup() -> None:
    """Ignore SIGPIPE, as Python does: the reference reader vcdvcd, once imported, lets a child that stops reading kill the tests."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


def require_component(name: str, found: object, remedy: str) -> None:
    """Skip the test of a user who lacks a component, with the reason; fail in CI, where nothing may be missing.

    found: anything true when the component is there. remedy: how to get it.
    """
    if found:
        return
    if ON_CI:
        pytest.fail(f"{name} is missing: {remedy}")
    pytest.skip(f"needs {name}: {remedy}")


def run_strobewise(
    *arguments: object, stdin: bytes | None = None, cwd: Path | None = None, environment: dict[str, str] | None = None
) -> subprocess.CompletedProcess[bytes]:
    """Run the command line of this source tree in a process of its own."""
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    return subprocess.run(
        [sys.executable, "-m", "strobewise_cli", *map(str, arguments)],
        input=stdin, capture_output=True, cwd=cwd, check=False, timeout=300,
        env={**os.environ, "PYTHONPATH": search, "COLUMNS": "80", **(environment or {})},
    )  # fmt: skip


def all_traces() -> Sequence[Path]:
    """Return every demo capture, so that a new one cannot be forgotten."""
    return sorted(path for path in TRACES.rglob("*") if path.name.endswith((".vcd", ".vcd.gz", ".csv")) and path.name != "sources.csv")


#: Files that take minutes: begun first, so that no process works on one of them alone at the end.
LONG = ("test_repairs.py",)


def pytest_configure(config: pytest.Config) -> None:
    """Have several processes take the files in the order of the items, not those with the most tests first: few tests may take long."""
    if hasattr(config.option, "loadscopereorder"):  # pytest-xdist is there
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests of long files first; the order within a file stays."""
    items.sort(key=lambda item: item.path.name not in LONG)
