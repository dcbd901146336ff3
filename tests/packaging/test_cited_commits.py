"""A figure names the commit that it was measured at: one that whoever reads it can check out."""

import re
import subprocess

import pytest

from conftest import ROOT

CITED = re.compile(r"\bcommit ([0-9a-f]{7,40})\b")


def git(*arguments):
    return subprocess.run(["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=False)


def test_commits_that_figures_name_are_in_the_history():
    if not (ROOT / ".git").exists() or git("rev-parse", "--is-shallow-repository").stdout.strip() != "false":
        pytest.skip("needs a clone with its history")
    known = set(git("rev-list", "HEAD").stdout.split())
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
    cited = {(page.name, number) for page in pages for number in CITED.findall(page.read_text(encoding="utf-8"))}
    assert len(cited) > 10
    assert not {(page, number) for page, number in cited if not any(commit.startswith(number) for commit in known)}
