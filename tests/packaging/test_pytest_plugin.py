"""The pytest plug-in inside pytest itself, in processes of their own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import entry_points

import pytest

from conftest import ON_CI, ROOT, TRACES, require_component

pytest_plugins = ["pytester"]
PLUGIN = "strobewise_cli.pytest_plugin"
GOOD = TRACES / "good" / "healthy-full.vcd.gz"
BAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
INSTALLED = any(point.value == PLUGIN for point in entry_points(group="pytest11"))
#: An installed plug-in loads by itself; a bare source tree names it.
LOAD = () if INSTALLED else ("-p", PLUGIN)


@pytest.fixture
def run(pytester, monkeypatch):
    """Run pytest in the test's own folder, where good.vcd.gz and bad.vcd.gz lie."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")]))
    shutil.copy(GOOD, pytester.path / "good.vcd.gz")
    shutil.copy(BAD, pytester.path / "bad.vcd.gz")

    def run_pytest(*arguments):
        return pytester.runpytest_subprocess(*LOAD, "-p", "no:cacheprovider", *arguments)

    return run_pytest


def test_it_is_installed_with_the_package():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["entry-points"]["pytest11"] == {"strobewise": PLUGIN}
    assert INSTALLED or not ON_CI


def test_every_other_pytest_run_pays_next_to_nothing():
    code = f"import sys; import pytest; before = set(sys.modules); import {PLUGIN}; print(*sorted(set(sys.modules) - before))"
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    environment = {**os.environ, "PYTHONPATH": search}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    loaded = done.stdout.split()
    assert PLUGIN in loaded
    assert set(loaded) <= {"strobewise_cli", "strobewise_cli.terminal", PLUGIN}


def test_the_fixture_and_the_assertions_that_hold(run, pytester):
    pytester.makepyfile(
        """
        from strobewise_cli.pytest_plugin import *

        def test_good(capture):
            good = capture("good.vcd.gz")
            assert_machine_healthy(good)
            assert_line(good, "M1", "active")
            assert_line(good, "WAIT", "idle", "active")
            assert_fetches(good, 0x0038)
            assert_fetches(good, (0x0000, 0x3fff), least=100)
            assert_never(good, "memory_write", (0x0000, 0x2fff))
            assert_seen(good, "interrupt_acknowledge", least=1, most=1)
            assert good.diagnosis.verdict.state == "no_fault_found"
            assert repr(good) == "<capture good.vcd.gz>"

        def test_bad(capture):
            bad = capture("bad.vcd.gz")
            assert_finding(bad, "fetch-strobe-missing")
            assert_machine_healthy(bad, allowed=[f.rule for f in bad.diagnosis.findings])

        def test_read_once(capture):
            assert capture("good.vcd.gz") is capture("good.vcd.gz")
            assert capture("good.vcd.gz", clock_hz=3e6) is not capture("good.vcd.gz")
        """
    )
    run("-q").assert_outcomes(passed=3)


def test_what_the_assertions_say(run, pytester):
    pytester.makepyfile(
        """
        from strobewise_cli.pytest_plugin import *

        def test_healthy(capture): assert_machine_healthy(capture("bad.vcd.gz"))
        def test_line(capture): assert_line(capture("bad.vcd.gz"), "M1", "active")
        def test_fetch(capture): assert_fetches(capture("good.vcd.gz"), 0xfedc)
        def test_never(capture): assert_never(capture("good.vcd.gz"), "interrupt_acknowledge")
        def test_finding(capture): assert_finding(capture("good.vcd.gz"), "wait-held")
        def test_file(capture): assert_as_expected(capture("bad.vcd.gz"), "board.toml")
        def test_gone(capture): assert_machine_healthy(capture("gone.vcd"))
        """
    )
    (pytester.path / "board.toml").write_text("[lines]\nM1 = 'active'\n")
    result = run("-q")
    result.assert_outcomes(failed=7)
    result.stdout.fnmatch_lines(
        [
            "<capture bad.vcd.gz>: expected no_fault_found, seen fault",
            "  fault fetch-strobe-missing: *",
            "  next: *",
            "<capture bad.vcd.gz>: expected M1 active, seen stuck_low",
            "<capture good.vcd.gz>: expected opcode fetch at 0xfedc at least 1 times, seen 0 times",
            "nearest: 0x*(* times)*",
            "<capture good.vcd.gz>: expected interrupt acknowledge 0 times, seen 1 times",
            "first at *, last at *",
            "<capture good.vcd.gz>: expected the finding wait-held, seen none",
            "*bad.vcd.gz: NOT AS EXPECTED: 1 of 1 checks of board.toml failed",
            "lines.M1",
            "  - active",
            "  + stuck_low",
            "*no such file (*gone.vcd): check the name",
        ]
    )


def test_files_of_expectations_are_tests(run, pytester):
    (pytester.path / "board.expect.toml").write_text(
        "[capture]\nfiles = ['good.vcd.gz', 'bad.vcd.gz', 'gone.vcd']\n[verdict]\nstate = 'no_fault_found'\n"
    )
    result = run("-v")
    result.assert_outcomes(passed=1, failed=2)
    result.stdout.fnmatch_lines(
        [
            "board.expect.toml::good* PASSED*",
            "board.expect.toml::bad* FAILED*",
            "*bad.vcd.gz: NOT AS EXPECTED: 1 of 1 checks of board.expect.toml failed",
            "verdict.state",
            "  - no_fault_found",
            "  + fault   (from *",
            "no such file (*gone.vcd): check the name",
        ]
    )
    assert "Traceback" not in result.stdout.str()


def test_a_broken_file_of_expectations_is_an_error(run, pytester):
    (pytester.path / "a.expect.toml").write_text("[verdict]\nstate = 'fine'\n")
    (pytester.path / "b.expect.toml").write_text("[verdict]\nstate = 'fault'\n")
    result = run("-q")
    result.assert_outcomes(errors=2)
    result.stdout.fnmatch_lines(["*state is 'fine' (*a.expect.toml, verdict.state): one of *", "*no capture is named (*"])


def test_collecting_can_be_turned_off(run, pytester):
    (pytester.path / "a.expect.toml").write_text("nonsense")
    pytester.makeini("[pytest]\nstrobewise_collect = false\n")
    pytester.makepyfile("def test_other(): pass")
    run("-q").assert_outcomes(passed=1)


@pytest.mark.parametrize("workers", [(), ("-n", "2")], ids=["alone", "xdist"])
def test_the_example_repository(run, pytester, workers):
    if workers:
        import importlib.util

        require_component("pytest-xdist", importlib.util.find_spec("xdist"), "pip install pytest-xdist")
    target = pytester.path / "bench"
    shutil.copytree(ROOT / "tests" / "example_repository", target, ignore=shutil.ignore_patterns("__pycache__"))
    result = run("-q", "--rootdir", target, "-c", target / "pytest.ini", target, "--junit-xml", pytester.path / "report.xml", *workers)
    result.assert_outcomes(passed=4)
    assert 'tests="4"' in (pytester.path / "report.xml").read_text()
