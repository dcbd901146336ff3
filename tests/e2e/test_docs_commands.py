"""The documentation is true: every command line runs, page by page, what it shows comes out, and the site builds without a warning."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys

import pytest
from shown_commands import FINE, code_lines, furnish, run, shown

from conftest import ROOT, require_component

DOCS = ROOT / "docs"
PAGES = sorted(path for path in DOCS.rglob("*.md") if "generated" not in path.parts and "_build" not in path.parts)
WITH_COMMANDS = [page for page in PAGES if code_lines(page.read_text(encoding="utf-8"))]


@pytest.fixture
def workplace(tmp_path):
    return furnish(tmp_path)


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


def test_the_tutorial_ends_with_what_is_gone(workplace):
    page = (DOCS / "tutorial.md").read_text(encoding="utf-8")
    last = code_lines(page)[-1]
    done = run(last, workplace)
    assert done.returncode == 1 and done.stdout.startswith("Gone: /M1 now strobes every fetch (0 of ")


def test_the_pytest_example_passes_on_a_good_capture_and_fails_on_a_bad_one(tmp_path):
    text = (DOCS / "how-to" / "ci.md").read_text(encoding="utf-8")
    example = re.search(r"^```python\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)[1]
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
    assert all(f"\n## {rule.id}\n" in rules and f"| [`{rule.id}`](#{rule.id}) |" in rules for rule in CATALOGUE)
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
    assert "From the first capture to the repair" in index
