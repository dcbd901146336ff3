"""README.md is true: every command in it runs, the outputs that it shows are what comes out, its tables are those of the code."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys

import pytest
from shown_commands import FINE, code_lines, furnish, run, shown

from conftest import ROOT, require_component

README = ROOT / "README.md"
TEXT = README.read_text(encoding="utf-8")


def quick_start() -> list[str]:
    section = TEXT.split("## Quick start")[1].split("\n## ")[0]
    return code_lines(section)


COMMANDS = [line for line in code_lines(TEXT) if line not in quick_start()]
SHOWN = shown(TEXT)


@pytest.fixture(scope="module")
def workplace(tmp_path_factory):
    return furnish(tmp_path_factory.mktemp("readme"))


@pytest.mark.parametrize("line", COMMANDS)
def test_every_command_runs(line, workplace):
    if "sigrok-cli" in line:
        require_component("the capture host", shutil.which("sigrok-cli"), "install sigrok-cli, without its bundled decoders")
    done = run(line, workplace)
    assert done.returncode in FINE, done.stderr
    assert "strobewise: error" not in done.stderr and "Traceback" not in done.stderr
    assert done.stdout or "-o " in line


def test_the_quick_start_is_two_lines():
    first, second = quick_start()
    assert " && .venv/bin/strobewise diagnose traces/" in first
    assert " && .venv/bin/pytest" in second
    for line in (first, second):
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install -q -e ")


def test_the_quick_starts_main_job_finds_the_fault_and_ends_well(workplace):
    line = re.sub(r"^.* && \.venv/bin/strobewise", "strobewise", quick_start()[0])
    done = run(line, workplace)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("FAULT")


@pytest.mark.parametrize(("command", "excerpt"), SHOWN, ids=[command for command, _ in SHOWN])
def test_outputs_are_what_comes_out(command, excerpt, workplace):
    lines = iter(run(command, workplace).stdout.splitlines())
    for line in excerpt.splitlines():
        if line.strip() not in ("", "..."):
            assert any(line.rstrip() == real.rstrip() for real in lines), f"README.md shows a line that does not come: {line}"


def test_the_pytest_example_passes_on_a_good_capture_and_fails_on_a_bad_one(tmp_path):
    example = re.search(r"^```python\n(.*?)^```", TEXT, flags=re.DOTALL | re.MULTILINE)[1]
    (tmp_path / "test_example.py").write_text(example)
    (tmp_path / "captures").mkdir()
    traces = ROOT / "traces"
    for trace, status in (("good/healthy-full.vcd.gz", 0), ("faults/wait-held/wait-held.vcd.gz", 1)):
        shutil.copy(traces / trace, tmp_path / "captures" / "board.vcd.gz")
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "strobewise_cli.pytest_plugin", "-p", "no:cacheprovider", "test_example.py"],
            cwd=tmp_path, capture_output=True, text=True, check=False,
            env={
                **os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")]),
                "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",  # the plug-in would come twice where the package is installed
            },
        )  # fmt: skip
        assert done.returncode == status, done.stdout + done.stderr


def test_tables_are_those_of_the_code():
    done = subprocess.run([sys.executable, str(ROOT / "docs" / "readme_tables.py"), "--check"], check=False)
    assert done.returncode == 0, "the rules changed: run python docs/readme_tables.py"


def test_the_first_paragraph_states_the_whole_job():
    first = TEXT.split("\n\n")[1]
    for word in ("capture", "diagnose", "machine cycles", "next measurement", "proves the repair", "sigrok", "CI"):
        assert word in first


def test_the_files_that_it_names_are_there():
    for name in set(re.findall(r"(?:traces|docs|tests|benchmarks)/[\w./-]+\w", TEXT)):
        assert (ROOT / name).exists(), name
