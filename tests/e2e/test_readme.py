"""README.md is true: every command in it runs, the outputs that it shows are what comes out, and it stays short."""

from __future__ import annotations

import re
import shutil
import subprocess

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


def test_it_is_read_in_one_go():
    assert len(TEXT.splitlines()) <= 160, "the details belong to the docs"


def test_the_first_paragraph_states_the_whole_job():
    first = TEXT.split("\n\n")[1]
    for word in ("capture", "diagnose", "machine cycles", "next measurement", "the fault is gone", "sigrok", "CI"):
        assert word in first


def test_the_files_that_it_names_are_there():
    for name in set(re.findall(r"(?:traces|docs|tests|benchmarks)/[\w./-]+\w", TEXT)):
        assert (ROOT / name).exists(), name


def test_what_its_commands_write_is_ignored_in_a_clone(tmp_path):
    workplace = furnish(tmp_path)
    done = [run(line, workplace) for line in COMMANDS if "sigrok-cli" not in line]
    assert all(each.returncode in FINE for each in done)
    written = [path.name for path in workplace.iterdir() if path.name not in ("traces", "bin")]
    assert written
    ignored = subprocess.run(["git", "check-ignore", *written], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split()
    require_component("a clone", (ROOT / ".git").exists(), "run it in a clone")
    assert sorted(ignored) == sorted(written)
