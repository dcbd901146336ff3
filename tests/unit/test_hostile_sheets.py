"""A case from elsewhere may hold any text: none of it reaches a terminal, a page or Markdown as more than text."""

from __future__ import annotations

import io
import re
import shutil

import pytest

from conftest import TRACES, run_strobewise
from strobewise_cli.terminal import make_console

FAULTY = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
CONTROL = re.compile(rb"[\x00-\x08\x0b-\x1f\x7f\x80-\x9f]")
#: As TOML writes it: clear the screen, a title for the window, another one by a C1 control, markup, a link, a cell, a heading.
EVIL = r"\u001b[2J\u001b]0;own\u0007\u009b31m <script>alert(1)</script> | a | [x](javascript:alert(1)) ![i](http://e/x)\n# head\r- [link=http://e]li[/link]"
SHEET = f"""version = 1
symptom = "dead"
opened = "2026-01-01T00:00:00Z {EVIL}"
machine = "{EVIL}"
socketed = ["{EVIL}"]
[[items]]
number = 1
time = "{EVIL}"
file = "captures/1-a.vcd.gz"
note = "{EVIL}"
[[items]]
number = 2
time = "x"
kind = "note"
about = "{EVIL}"
note = "{EVIL}"
withdrawn = "{EVIL}"
"""
CLOSED = f"""[closed]
was = "cpu"
part = "{EVIL}"
time = "{EVIL}"
note = "{EVIL}"
rules = ["{EVIL}"]
"""


@pytest.fixture(params=["open", "closed"])
def case(request, tmp_path):
    folder = tmp_path / "case"
    (folder / "captures").mkdir(parents=True)
    shutil.copy(FAULTY, folder / "captures" / "1-a.vcd.gz")
    (folder / "case.toml").write_text(SHEET + (CLOSED if request.param == "closed" else ""))
    return folder


def test_no_control_sequence_reaches_a_terminal(case):
    for words in (["case", "show"], ["case", "next"], ["survey"]):
        done = run_strobewise(*words, case)
        assert done.returncode in (0, 1) and not CONTROL.search(done.stdout.replace("\u00b5".encode(), b"") + done.stderr), done.stdout
    assert b"<script>" in run_strobewise("case", "show", case).stdout  # it is shown, as text


def test_no_markup_reaches_a_page_or_markdown(case, tmp_path):
    done = run_strobewise("case", "report", case, "--html", tmp_path / "h.html", "--markdown", tmp_path / "m.md")
    assert done.returncode == 0, done.stderr
    page, text = ((tmp_path / name).read_bytes().replace("\u00b5".encode(), b"") for name in ("h.html", "m.md"))
    assert b"<script>alert" not in page and b"<script>" not in text and b"\\[x\\]" in text
    assert not re.search(rb"(?<!\\)\]\(", text) and not re.search(rb"^# head", text, re.MULTILINE)
    assert not CONTROL.search(page) and not CONTROL.search(text)


def test_a_console_prints_text_alone():
    out = io.StringIO()
    make_console(out, width=200).print("a\x1b[2Jb\x9bc\nd", markup=False)
    assert out.getvalue() == "a\\x1b[2Jb\\x9bc\nd\n"
