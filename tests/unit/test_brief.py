"""Ten lines at most, and the fault, the pin, the caution and the step in them."""

from __future__ import annotations

import pytest

from conftest import TRACES, all_traces, run_strobewise
from strobewise.diagnosis.facade import diagnose
from strobewise.rules import CATALOGUE
from strobewise_cli.render.brief_text import SHORT_CAUTION, WIDTH, brief


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name)
def test_it_fits(trace):
    said = diagnose([trace])
    lines = brief(said)
    assert 0 < len(lines) <= 10 and max(map(len, lines)) <= WIDTH
    for finding in said.findings[:1]:
        if said.verdict.state == "fault":
            text = " ".join(" ".join(lines).split())
            assert all(f"pin {pin}" in text for pin in finding.pins) and "Step: " in text and "% that it is so" in text
            order = [line.partition(":")[0] for line in lines]
            assert not finding.caution or order.index("Caution") < order.index("Step")


def test_every_caution_has_its_short_form():
    assert {each.caution for each in CATALOGUE if each.caution} <= set(SHORT_CAUTION)


def test_the_command():
    done = run_strobewise("diagnose", TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz", "--brief")
    text = done.stdout.decode()
    assert done.returncode == 1 and text.startswith("FAULT: /M1 (pin 27) is dead: ") and len(text.splitlines()) <= 10
