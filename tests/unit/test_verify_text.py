"""Failed checks on a terminal."""

from __future__ import annotations

import io

from strobewise.expectations.model import Check, CheckedCapture
from strobewise_cli.render.verify_text import print_results

GREEN, RED = "\x1b[32m", "\x1b[31m"


def test_what_was_expected_is_green_and_what_was_seen_is_red(monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.delenv("NO_COLOR", raising=False)
    out = io.StringIO()
    print_results([CheckedCapture("a.vcd", (Check("clock", False, "3.5 MHz", "4 MHz", ""),))], "board.toml", out)
    lines = out.getvalue().splitlines()
    assert next(line for line in lines if "3.5 MHz" in line).startswith(GREEN + "  - ")
    assert next(line for line in lines if "4 MHz" in line).startswith(RED + "  + ")
