"""The documentation is true: every command line runs, page by page, what it shows comes out, and the site builds without a warning."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from conftest import ROOT, require_component

DOCS = ROOT / "docs"
PAGES = sorted(path for path in DOCS.rglob("*.md") if "generated" not in path.parts and "_build" not in path.parts)
FINE = (0, 1, 3)  # no fault found, fault found or captures differ, cannot decide


def code_lines(text: str) -> list[str]:
    """Return the command lines of all blocks marked as shell."""
    blocks = re.findall(r"^```sh\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    return [line for block in blocks for line in block.splitlines() if line.strip() and not line.startswith("#")]


def shown(text: str) -> list[tuple[str, str]]:
    """Return the outputs that a page shows: (command, excerpt)."""
    return re.findall(r"<!-- output: (.*?) -->\n```text\n(.*?)```", text, flags=re.DOTALL)


WITH_COMMANDS = [page for page in PAGES if code_lines(page.read_text(encoding="utf-8"))]


@pytest.fixture
def workplace(tmp_path):
    """A folder with the demo captures in it, and ``strobewise`` on the path."""
    (tmp_path / "traces").symlink_to(ROOT / "traces")
    tools = tmp_path / "bin"
    tools.mkdir()
    script = tools / "strobewise"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m strobewise_cli "$@"\n')
    script.chmod(0o755)
    return tmp_path


def run(line: str, workplace: Path) -> subprocess.CompletedProcess[str]:
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")]),
        "PATH": f"{workplace / 'bin'}{os.pathsep}{os.environ['PATH']}",
        "HOME": str(workplace),
        "COLUMNS": "80",
    }
    return subprocess.run(["bash", "-c", line], cwd=workplace, env=environment, capture_output=True, text=True, check=False, timeout=200)


@pytest.mark.parametrize("page", WITH_COMMANDS, ids=lambda page: str(page.relative_to(DOCS)))
def test_every_command_line_of_a_page_runs_and_shows_what_it_says(page, workplace):
    text = page.read_text(encoding="utf-8")
    outputs = {}
    for line in code_lines(text):
        done = run(line, workplace)
        assert done.returncode in FINE, f"{line}\n{done.stderr}"
        assert "strobewise: error" not in done.stderr and "Traceback" not in done.stderr
        assert done.stdout or " -o " in line or " --record " in line, line
        outputs[line] = done.stdout
    for command, excerpt in shown(text):
        lines = iter((outputs.get(command) or run(command, workplace).stdout).splitlines())
        for wanted in excerpt.splitlines():
            if wanted.strip() not in ("", "..."):
                assert any(real.rstrip().startswith(wanted.rstrip()) for real in lines), f"a line does not come: {wanted}"


def test_the_tutorial_ends_with_the_proof(workplace):
    page = (DOCS / "tutorial.md").read_text(encoding="utf-8")
    last = code_lines(page)[-1]
    done = run(last, workplace)
    assert done.returncode == 1 and done.stdout.startswith("Repaired: /M1 now strobes every fetch (0 of ")


def test_pages_and_files_that_are_named_exist():
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for name in set(re.findall(r"traces/[\w./-]+\w", text)):
            assert (ROOT / name).exists(), f"{page.name}: {name}"
        for target in re.findall(r"\]\((?!http)([^)#]+\.md)", text):
            if "generated" not in target:
                assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_reference_says_what_the_code_says(tmp_path):
    spec = importlib.util.spec_from_file_location("generate_reference", DOCS / "generate_reference.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.write(tmp_path)
    from strobewise.machine import FAULTS
    from strobewise.rules import CATALOGUE
    from strobewise_cli.main import COMMANDS

    rules, faults, commands = ((tmp_path / f"{name}.md").read_text(encoding="utf-8") for name in ("rules", "faults", "commands"))
    assert all(f"\n## {rule.id}\n" in rules for rule in CATALOGUE)
    assert all(f"\n## {name}\n" in faults for name in FAULTS)
    names = list(COMMANDS)
    assert all(f"\n## {name}\n" in commands for name in names)


def test_the_site_builds_without_a_warning(tmp_path):
    require_component("sphinx", importlib.util.find_spec("sphinx"), 'pip install "strobewise[docs]"')
    require_component("myst-parser", importlib.util.find_spec("myst_parser"), 'pip install "strobewise[docs]"')
    command = [sys.executable, "-m", "sphinx", "-W", "-q", "-b", "html", str(DOCS), str(tmp_path / "site"), "-d", str(tmp_path / "cache")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    index = (tmp_path / "site" / "index.html").read_text(encoding="utf-8")
    assert "From the first capture to the proof of repair" in index
