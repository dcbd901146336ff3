"""Ten lines at most, and the fault, the pin, the caution and the step in them."""

from __future__ import annotations

import pytest

from conftest import TRACES, all_traces, run_strobewise
from strobewise.bus.model import Finding
from strobewise.diagnosis.facade import diagnose
from strobewise.profile.machine import load_profile
from strobewise.profile.options import Options
from strobewise.rules import CATALOGUE
from strobewise.verdict.steps import with_chip
from strobewise.verdict.words import chips_named
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


@pytest.mark.parametrize("profile", ["dunlin.toml", None])
def test_a_bad_ram_names_its_chip_and_no_pin_of_the_cpu_where_the_profile_knows_it(profile):
    """The line of a memory's finding is the chip's own: whoever measures pin 9 of the CPU for it finds it good."""
    trace = TRACES / "faults" / "ram-bit-dead" / "ram-bit.vcd.gz"
    known = load_profile(TRACES / "machines" / profile) if profile else None
    said = diagnose([trace], Options(profile=known))
    texts = ["\n".join(brief(said)), said.verdict.headline, *said.verdict.next_steps]
    if profile:
        assert all("pin 9" not in text for text in texts)
        assert texts[1] == "One bit of RAM does not hold: D5 (chip U16). Most likely the RAM." and "Chip:    U16 (D5)" in texts[0]
        assert "swap the chip U16 (D5) with its neighbour's" in texts[2]
    else:
        assert "D5 (pin 9)" in texts[0] and "U16" not in "".join(texts)


@pytest.mark.parametrize(
    ("suspect", "evidence", "title", "chips"),
    [
        ("ram", "D5 in RAM 0x4000-0x7fff (chip U16) read low", "", ("U16",)), ("rom", "x", "wrong in D3 (IC7)", ("IC7",)),
        ("data_bus", "(chip U16)", "", ()), ("ram", "D5 (pin 9) is low", "D5 (pin 9)", ()), ("ram", "(chip IC 7 a)", "", ("IC 7 a",)),
    ],
)  # fmt: skip
def test_the_chips_of_a_finding(suspect, evidence, title, chips):
    finding = Finding("ram-bit-dead", "fault", ("D5",), suspect, 0.9, None, None, 1, evidence, "", title=title)
    assert chips_named(finding) == chips
    assert with_chip("read the ROM in a programmer and compare", finding) == (
        f"read the ROM {', '.join(chips)} (D5) in a programmer and compare" if chips else ""
    )
