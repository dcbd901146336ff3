"""The diagnosis as Markdown: the same facts, and nothing that a capture says is taken for markup."""

from __future__ import annotations

import re
from html import unescape

import pytest
from markdown_it import MarkdownIt

from strobewise.diagnosis.facade import diagnose
from strobewise.machine import fault, simulate
from strobewise_cli.render.markdown import escape, render_markdown


def write(folder, name="capture", **changes):
    path = folder / f"{name}.vcd"
    with path.open("w") as file:
        simulate(**{"lines": "full", "duration_s": 0.002, **changes}).write_vcd(file)
    return path


@pytest.fixture(scope="module")
def dead(tmp_path_factory):
    return diagnose([write(tmp_path_factory.mktemp("markdown"), faults=[fault("dead-low", line="M1")])])


def test_the_document_says_what_the_diagnosis_says(dead):
    text = render_markdown(dead)
    assert text.startswith("# Fault: ") and text.endswith("\n") and "\n\n\n" not in text
    first = dead.verdict.suspects[0]
    assert (first.suspect, f"| {first.confidence:.0%} | the CPU |".replace("%", " %") in text) == ("cpu", True)
    assert "1. Power off, then on: check the lead of /M1 (pin 27) on a pin known to be live" in text and "Pins: 27 (/M1)." in text
    assert "> **Caution.** Power off" in text and "Rule `fetch-strobe-missing`." in text
    assert "| /M1 | 27 | **stuck low** | 0 | 0 % |" in text


def test_a_reader_of_the_dialect_sees_tables_lists_and_a_quote(dead):
    html = MarkdownIt("commonmark").enable("table").render(render_markdown(dead))
    assert html.count("<table>") == 2 and "<blockquote>" in html and "<ol>" in html and html.count("<h2>") >= 4


def test_a_healthy_capture(tmp_path):
    text = render_markdown(diagnose([write(tmp_path)]))
    assert text.startswith("# No fault found: ") and "## Suspects" not in text and "None." in text


EVIL = ["<script>alert(1)</script>", "a|b", "*bold*", "_x_", "`code`", "[link](http://x)", "&amp;", "![i](x)", "a\nb"]


@pytest.mark.parametrize("evil", EVIL)
def test_names_stay_text(evil):
    html = MarkdownIt("commonmark").enable("table").render(f"| a |\n|---|\n| x{escape(evil)}x |\n")
    for tag in ("<script", "<em>", "<strong>", "<code>", "<a ", "<img"):
        assert tag not in html
    cells = re.findall("<td>(.*?)</td>", html, re.DOTALL)  # a cell too many would be dropped: what it held would be missing
    assert [unescape(cell) for cell in cells] == [f"x{evil}x".replace("\n", "\\n")]


def test_a_file_name_is_no_markup(tmp_path):
    path = write(tmp_path, name="*a*_b_<i>", lines="two")
    html = MarkdownIt("commonmark").enable("table").render(render_markdown(diagnose([path])))
    assert "<em>" not in html and "<i>" not in html and "*a*_b_&lt;i&gt;.vcd" in html
