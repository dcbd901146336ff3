"""What is said first: the fault in plain words, who is to blame, and what these leads could not judge."""

from __future__ import annotations

import pytest

from conftest import all_traces
from strobewise.bus.lines import LINE
from strobewise.bus.model import Finding, SuspectShare
from strobewise.diagnosis.facade import diagnose
from strobewise.machine import fault, simulate
from strobewise.profile.options import Options
from strobewise.records.evidence import BusEvidence, LineEvidence, Stays, StrobeCount
from strobewise.rules import CATALOGUE
from strobewise.verdict.coverage import not_judged, words
from strobewise.verdict.judge import rank
from strobewise.verdict.words import _titled, blame, counted, headline, plain


def found(rule, *lines, suspect="cpu", title=""):
    return Finding(rule, "fault", lines, suspect, 0.9, 0.0, 1.0, 5, "what was seen", "what to do", "", (SuspectShare(suspect, 0.6),), title)


def seen(line, expected, hits, edges, *, others=50, wrong=0, high=1.0, acknowledges=0, **more):
    record = BusEvidence(captured=frozenset(("M1", "MREQ", line)), end_s=1.0)
    record.strobes[line] = StrobeCount(expected, hits, others, wrong)
    record.lines[line] = LineEvidence(line, edges=edges, high_fraction=high, **more)
    record.cycles["interrupt_acknowledge"] = acknowledges
    return record


@pytest.mark.parametrize(("record", "text"), [
    (seen("M1", 724, 0, 0), "/M1 (pin 27) is dead: it never moves while 724 fetches went by"),
    (seen("M1", 724, 0, 12), "/M1 (pin 27) is as good as dead: it strobes in none of 724 fetches"),
    (seen("M1", 724, 500, 1400), "/M1 (pin 27) comes and goes: it strobes in 500 of 724 fetches"),
    (seen("M1", 724, 724, 700, high=0.0), "/M1 (pin 27) stays low: it is let go only 350 times while 724 fetches went by"),
    (seen("M1", 724, 724, 1600, wrong=20), "/M1 (pin 27) strobes where it must not, in 20 of 50 other requests"),
    (seen("M1", 724, 0, 0, acknowledges=1), "/M1 (pin 27) is dead: it never moves while 724 fetches and acknowledges went by"),
    (seen("M1", 7, 7, 0, wrong=50, high=0.0), "/M1 (pin 27) is stuck low: it never moves, in 50 requests that must not have it"),
    (seen("M1", 724, 724, 16, high=0.0), "/M1 (pin 27) is not let go between 724 fetches"),
    (seen("M1", 724, 10, 1400, wrong=50), "/M1 (pin 27) is upside down: it does the opposite of what 724 fetches call for"),
    (seen("M1", 724, 300, 1400, wrong=20), "/M1 (pin 27) does not do its work: it moves without regard to 724 fetches"),
    (seen("M1", 724, 300, 1400, wrong=20, follows="RD"),
     "/M1 (pin 27) does not do its work: it moves without regard to 724 fetches, and follows /RD"),
    (seen("M1", 724, 724, 1400, stays=Stays(False, 0.25, "RD", 50, 0)),
     "/M1 (pin 27) gets stuck low: it is not let go from 250 ms on, while /RD falls 50 times"),
    (seen("M1", 724, 724, 700, high=0.1, stays=Stays(False, 0.25, "RD", 50, 0)),
     "/M1 (pin 27) gets stuck low: it is not let go from 250 ms on, while /RD falls 50 times"),
    (seen("M1", 724, 724, 700, high=0.1, stays=Stays(True, 0.25, "RD", 50, 0)),
     "/M1 (pin 27) stays low: it is let go only 350 times while 724 fetches went by"),
    (seen("M1", 724, 500, 1000, stays=Stays(True, 0.25, "RD", 50, 0)),
     "/M1 (pin 27) dies at 250 ms: it strobes in 500 of 724 fetches, in none from then on"),
])  # fmt: skip
def test_a_strobe_is_told_by_what_it_does(record, text):
    assert plain(found("fetch-strobe-missing", "M1"), record) == text


@pytest.mark.parametrize(
    ("rule", "lines", "line", "requests", "text"),
    [
        ("data-line-stuck", ("D3",), {"edges": 0, "high_fraction": 0.0}, 9,
         "D3 (pin 8) is stuck low: it never moves while 9 requests went by"),
        ("data-line-stuck", ("D3",), {"edges": 1, "high_fraction": 0.5}, 9, None),
        ("data-line-stuck", ("D3",), {"edges": 0, "high_fraction": None}, 9, None),
        ("data-line-stuck", ("D3",), {"edges": 0, "high_fraction": 0.0}, 0, None),
        ("data-line-stuck", ("D3", "D4"), {"edges": 0, "high_fraction": 0.0}, 9, None),
        ("halted-for-good", ("HALT",), {"edges": 0, "high_fraction": 0.0}, 9, None),  # a line beside the buses may rest
    ],
)  # fmt: skip
def test_a_line_of_a_bus_that_stands_still_is_told_so(rule, lines, line, requests, text):
    record = BusEvidence(captured=frozenset(lines), end_s=1.0, requests=requests)
    record.lines = {name: LineEvidence(name, **line) for name in lines}
    title = next(each.title for each in CATALOGUE if each.id == rule)
    told = plain(found(rule, *lines), record)
    assert told == text if text else "stuck low: it never" not in told and title.rpartition(" ")[2] in told


@pytest.mark.parametrize(
    ("title", "lines", "text"),
    [
        ("no request at all", (), "no request at all"),
        ("/WAIT held", ("WAIT",), "/WAIT (pin 24) is held"),
        ("/INT asked for nothing", ("INT",), "/INT (pin 16) asked for nothing"),
        ("a floating line", ("D3",), "D3 (pin 8) is a floating line"),
        ("an open line", ("D3",), "D3 (pin 8) is an open line"),
        ("a line of its own", ("BANK0",), "a line of its own: BANK0"),
        ("a floating line", ("D3", "D4"), "a floating line: D3 (pin 8) and D4 (pin 7)"),
        ("lines that float", ("D3",), "lines that float: D3 (pin 8)"),
    ],
)
def test_a_title_takes_its_lines_in(title, lines, text):
    assert _titled(title, lines) == text


def test_a_line_that_moves_is_never_called_stuck():
    record = BusEvidence(captured=frozenset(("MREQ", "A9")), requests=500)
    record.lines["A9"] = LineEvidence("A9", edges=0, high_fraction=0.0)
    stuck = found("address-line-stuck", "A9", suspect="address_bus")
    assert plain(stuck, record) == "A9 (pin 39) is stuck low: it never moves while 500 requests went by"
    record.lines["A9"] = LineEvidence("A9", edges=40, high_fraction=0.01)
    assert plain(stuck, record) == "A9 (pin 39) is an address line that never follows"


def test_leads_come_first_where_they_are_to_blame():
    shares = (SuspectShare("probe_or_capture", 0.8),)
    said = headline([found("leads-swapped", "RD", "WR", suspect="probe_or_capture")], shares, BusEvidence())
    assert said == "Check the leads first: leads on the wrong pins: /RD (pin 21) and /WR (pin 22)."
    wait = plain(found("wait-held", "WAIT", suspect="probe_or_capture"), BusEvidence())
    assert wait.startswith("the lead for /WAIT (pin 24)") and "held" not in wait


@pytest.mark.parametrize("lines", [("CLK", "M1"), ("M1",)], ids=str)
def test_a_strobe_alone_shows_a_cpu_at_work_and_no_more(tmp_path, lines):
    path = tmp_path / "few.vcd"
    with path.open("w") as file:
        simulate(lines=lines, duration_s=0.001).write_vcd(file)
    verdict = diagnose([path]).verdict
    assert verdict.state == "no_fault_found" and verdict.says_little and verdict.headline.startswith("No fault found in 483 pulses")
    assert "pulses of /M1 on" in verdict.headline and "memory" in verdict.headline and "next clip /MREQ" in verdict.headline


def test_m1_and_rd_show_fetches_and_reads(tmp_path):
    path = tmp_path / "few.vcd"
    with path.open("w") as file:
        simulate(lines=("M1", "RD"), duration_s=0.001).write_vcd(file)
    diagnosis = diagnose([path])
    assert diagnosis.verdict.state == "no_fault_found" and "machine cycles on 2 lines" in diagnosis.verdict.headline
    cycles = diagnosis.evidence.cycles
    assert abs(cycles["opcode_fetch"] - 483) <= 1 and cycles["memory_read"] > 100 and cycles["memory_write"] == 0


def test_a_strobe_that_rests_shows_nothing(tmp_path):
    path = tmp_path / "held.vcd"
    with path.open("w") as file:
        simulate(lines=("CLK", "M1"), duration_s=0.001, faults=[fault("reset-held")]).write_vcd(file)
    assert diagnose([path]).verdict.state == "cannot_decide"


def test_who_is_to_blame_is_a_sentence_of_its_own():
    assert blame((SuspectShare("cpu", 0.6), SuspectShare("connection", 0.2))) == " Most likely the CPU."
    assert blame((SuspectShare("cpu", 0.5), SuspectShare("ram", 0.3))) == " Most likely the CPU, else the RAM."
    assert blame((SuspectShare("cpu", 0.2), SuspectShare("ram", 0.15))).startswith(" Who is to blame stays open: the CPU or the RAM")
    assert blame(()) == "" and blame((SuspectShare("none", 0.8),)) == ""


@pytest.mark.parametrize(("number", "text"), [(1, "1 read"), (2, "2 reads"), (0, "0 reads")])
def test_one_is_singular(number, text):
    assert counted(number, "reads") == text


SINGULARS = [("fetches and acknowledges", "fetch and acknowledge"), ("refreshes", "refresh"), ("I/O accesses", "I/O access")]


@pytest.mark.parametrize(("plural", "single"), SINGULARS)
def test_every_kind_has_a_singular(plural, single):
    assert counted(1, plural) == f"1 {single}"


def shown(*lines):
    return BusEvidence(captured=frozenset(lines))


def test_what_is_not_judged_follows_from_the_leads():
    two = not_judged([shown("M1", "MREQ")])
    assert {"CLK", "RESET", "WAIT", "BUSREQ", "ROM", "RAM", "A0", "D7", "RD"} <= set(two) and not {"M1", "MREQ"} & set(two)
    assert words(two) == "memory, data lines, address lines, what holds the CPU, /IORQ, /RD, /WR, /RFSH, /HALT, /INT, /NMI"
    assert "RESET" not in not_judged([shown("M1", "MREQ"), shown("RESET")])
    assert not_judged([shown(*LINE)]) == ()


def test_a_rule_needs_its_lines_in_one_capture():
    apart = not_judged([shown("M1", "MREQ"), shown("RD")])
    assert "RFSH" in not_judged([shown("M1", "MREQ"), shown("RFSH")]) and "RD" in apart and "RD" not in not_judged([shown("MREQ", "RD")])


def test_only_what_a_rule_can_find_at_fault_is_spoken_of():
    judged = {name for each in CATALOGUE if each.severity == "fault" and not each.blames_leads for name in each.judges}
    assert set(not_judged([BusEvidence()])) == judged - {"ROMDIS"}


@pytest.mark.parametrize("count", [2, 4])
def test_shares_of_faults_of_their_own_add_up_to_at_most_one(count):
    suspects = ("cpu", "ram", "rom", "clock", "supply")[:count]
    each = [found("a", f"D{n}", suspect=name)._replace(suspects=(SuspectShare(name, 0.9),)) for n, name in enumerate(suspects)]
    ranked = rank(each, [])
    assert len(ranked) == count and sum(share.confidence for share in ranked) <= 1.0


@pytest.mark.parametrize("trace", all_traces(), ids=lambda path: path.name)
def test_every_demo_capture_has_a_headline_that_names_its_lines(trace):
    said = diagnose([trace], Options())
    verdict = said.verdict
    assert verdict.headline.endswith(".") and ".." not in verdict.headline
    assert sum(share.confidence for share in verdict.suspects) <= 1.0
    faults = [finding for finding in said.findings if finding.severity == "fault"]
    for finding in faults[:1]:
        assert finding.title and all(f"pin {pin}" in verdict.headline for pin in finding.pins)
    if verdict.not_judged and not faults:
        assert verdict.state == "cannot_decide" or f"not judged with these leads: {words(verdict.not_judged)}" in verdict.headline


def test_a_dead_line_on_a_simulated_machine(tmp_path):
    path = tmp_path / "dead.vcd"
    with path.open("w") as file:
        simulate(lines="two", duration_s=0.002, faults=[fault("dead-high", line="M1")]).write_vcd(file)
    said = diagnose([path], Options(clock_hz=3.15e6)).verdict.headline
    assert said.startswith("/M1 (pin 27) is dead: it never moves while ") and said.endswith(" Most likely the CPU.")
