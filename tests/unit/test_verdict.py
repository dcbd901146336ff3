"""Findings to verdict: ranking, what explains what, when the capture cannot decide."""

from __future__ import annotations

import pytest
from hand_made import evidence_of

from strobewise.bus.model import Finding, SuspectShare, Verdict
from strobewise.diagnosis.joining import join_findings
from strobewise.records.evidence import BusEvidence, LineEvidence, Stays, StrobeCount
from strobewise.verdict.judge import CONFIDENCE_CAP, judge, rank, without_consequences
from strobewise.verdict.line_states import survey


def finding(rule, severity="fault", lines=("M1",), shares=(("cpu", 0.6), ("connection", 0.3)), confidence=0.9):
    suspects = tuple(SuspectShare(*share) for share in shares)
    return Finding(rule, severity, lines, suspects[0].suspect, confidence, 0.0, 1.0, 5, f"{rule} seen", f"check {rule}", "", suspects)


def evidence(fetches=100, **changes):
    record = BusEvidence(captured=frozenset(("M1", "MREQ")), end_s=1.0)
    record.cycles["opcode_fetch"] = fetches
    for name, value in changes.items():
        setattr(record, name, value)
    return record


def test_nothing_found():
    verdict = judge([], evidence())
    assert (verdict.state, verdict.suspects[0].suspect) == ("no_fault_found", "none")
    assert "100 machine cycles on 2 lines" in verdict.summary


def test_too_little_seen():
    verdict = judge([], evidence(fetches=3))
    assert verdict.state == "cannot_decide" and "CLK" in verdict.clip_also


def test_a_fault_ranks_its_suspects():
    verdict = judge([finding("a")], evidence())
    assert verdict.state == "fault"
    assert [s.suspect for s in verdict.suspects] == ["cpu", "connection"]
    assert verdict.suspects[0].confidence == 0.54
    assert verdict.next_steps == ("for /M1 (pin 27), check a",)


def test_findings_of_one_line_multiply_and_agree():
    one = rank([finding("a")], [])[0].confidence
    both = rank([finding("a"), finding("b")], [])[0].confidence
    assert one < both <= CONFIDENCE_CAP


def test_findings_of_different_lines_do_not_multiply():
    other = finding("b", lines=("D3",), shares=(("ram", 0.7), ("connection", 0.2)))
    ranked = {s.suspect: s.confidence for s in rank([finding("a"), other], [])}
    assert ranked["ram"] == 0.63  # as sure as alone
    assert ranked["cpu"] == 0.246 and sum(ranked.values()) <= 1.0  # the others share what that leaves


def test_confidence_is_capped():
    many = [finding(name, shares=(("cpu", 0.98),), confidence=1.0) for name in "abc"]
    assert rank(many, [])[0].confidence == CONFIDENCE_CAP


def test_what_follows_from_another_fault_is_dropped():
    kept = without_consequences([finding("reset-held", lines=("RESET",)), finding("no-requests", lines=())])
    assert [f.rule for f in kept] == ["reset-held"]
    kept = without_consequences([finding("lines-shorted", lines=("RD", "WR")), finding("write-strobe-missing", lines=("WR",))])
    assert [f.rule for f in kept] == ["lines-shorted"]
    kept = without_consequences([finding("lines-shorted", lines=("A0", "A1")), finding("fetch-strobe-missing", lines=("M1",))])
    assert len(kept) == 2


def test_a_warning_of_doubt_is_no_verdict_of_health():
    verdict = judge([finding("capture-too-coarse", "warning", (), (("probe_or_capture", 0.9),))], evidence())
    assert verdict.state == "cannot_decide" and verdict.suspects[0].suspect == "probe_or_capture"


def test_a_plain_warning_leaves_the_machine_well_but_is_told():
    verdict = judge([finding("spikes", "warning", (), (("probe_or_capture", 0.8),))], evidence())
    assert verdict.state == "no_fault_found" and "spikes seen" in verdict.summary
    assert verdict.suspects[0].suspect == "probe_or_capture"


def test_notes_do_not_count():
    assert judge([finding("capture-damaged", "note")], evidence()).state == "no_fault_found"


def kept(*findings):
    return [f.rule for f in without_consequences(findings)]


def test_wrong_labels_leave_only_what_does_not_hang_on_them():
    labels = finding("leads-swapped", lines=("RESET", "RD"))
    assert kept(labels, finding("wait-held", lines=("WAIT",)), finding("fetch-strobe-missing")) == ["leads-swapped", "wait-held"]
    assert kept(labels, finding("reset-held", lines=("RESET",))) == ["leads-swapped"]  # found on a line that is another
    assert kept(labels, finding("capture-too-coarse", "warning", ())) == ["leads-swapped", "capture-too-coarse"]  # of no line at all
    assert kept(labels, finding("ringing", "note")) == ["leads-swapped", "ringing"]
    assert kept(finding("leads-swapped", lines=("CLK", "RD")), finding("wait-held", lines=("WAIT",))) == ["leads-swapped"]


@pytest.mark.parametrize(("share", "shown"), [(0.0501, True), (0.0499, False)])
def test_suspects_below_five_per_cent_are_left_out(share, shown):
    ranked = rank([finding("a", shares=(("cpu", 0.6), ("rom", share)), confidence=1.0)], [])
    assert ("rom" in [suspect.suspect for suspect in ranked]) == shown


def test_suspects_that_are_as_likely_stand_in_the_order_of_the_table():
    ranked = rank([finding("a", shares=(("connection", 0.4), ("cpu", 0.4)))], [])
    assert [(s.suspect, s.confidence) for s in ranked] == [("cpu", 0.36), ("connection", 0.36)]


@pytest.mark.parametrize(("second", "told"), [(0.25, True), (0.23, False)])
def test_a_second_suspect_is_told_from_two_fifths_of_the_first_on(second, told):
    verdict = judge([finding("a", shares=(("cpu", 0.6), ("rom", second)))], evidence())
    assert verdict.summary == "A seen: most likely the CPU" + ", else the ROM" * told


def test_further_findings_are_counted():
    three = [finding("a"), finding("b", lines=("RD",)), finding("c", lines=("WR",))]
    assert "(and 2 more findings)" in judge(three, evidence()).summary
    assert "(and 1 more finding)" in judge(three[:2], evidence()).summary


@pytest.mark.parametrize(("fetches", "state"), [(7, "cannot_decide"), (8, "no_fault_found")])
def test_eight_fetches_are_enough_to_say_that_nothing_was_found(fetches, state):
    assert judge([], evidence(fetches=fetches)).state == state


def test_warnings_beside_faults_weigh_less():
    other = finding("b", "warning", ("D3",), (("ram", 0.8),), confidence=1.0)
    assert {s.suspect: s.confidence for s in rank([finding("a")], [other])}["ram"] == pytest.approx(0.8 * 0.6 * 0.3, abs=1e-3)
    assert {s.suspect: s.confidence for s in rank([other], [])}["ram"] == pytest.approx(0.8 * 0.6)


# --- the state of each line ---


def state_of(name, requests=2500, **line):
    record = evidence_of(requests=requests)
    record.captured |= {name}
    record.strobes.pop(name, None)
    record.lines[name] = LineEvidence(name, **{"edges": 0, "high_fraction": 1.0, **line})
    (found,) = [state for state in survey(record) if state.line == name]
    return found.state, found.remark


#: UM0080: inputs and outputs that an idle machine may leave inactive for as long as it likes.
RESTING = {"IORQ", "WR", "HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK"}


@pytest.mark.parametrize("name", sorted(RESTING | {"M1", "MREQ", "RD", "RFSH"}))
def test_a_line_that_rests(name):
    assert state_of(name)[0] == ("idle" if name in RESTING else "stuck_high")
    assert state_of(name, requests=0) == ("idle", "")
    state, remark = state_of(name, high_fraction=0.0)
    assert state == "stuck_low" and remark.endswith("asserted throughout")
    assert state_of(name, edges=4) == ("active", "")


@pytest.mark.parametrize("name", ["A0", "A15", "D0", "D7"])
def test_a_bus_line_without_an_edge(name):
    assert state_of(name) == ("stuck_high", "never moved") and state_of(name, high_fraction=0.4) == ("stuck_low", "never moved")
    assert state_of(name, requests=50) == ("stuck_high", "") and state_of(name, requests=51) == ("stuck_high", "never moved")


def test_a_clock_without_an_edge():
    assert state_of("CLK") == ("stuck_high", "no edge") and state_of("CLK", high_fraction=0.1)[0] == "stuck_low"


# --- several captures ---


def joined(first, second, seen=1000):
    """Join findings of two captures; in the second /M1 is good in `seen` requests."""
    records = [evidence_of(), evidence_of()]
    records[0].strobes["M1"] = StrobeCount(1000, 0, 500, 0)
    records[1].strobes["M1"] = StrobeCount(seen, seen, 500, 0)
    return join_findings([first, second], ["one.vcd", "two.vcd"], records)


def test_a_finding_that_two_captures_share_is_said_once_by_the_surer():
    (both,) = joined([finding("wait-held", lines=("WAIT",))], [finding("wait-held", lines=("WAIT",), confidence=0.95)])
    assert both.confidence == 0.95 and both.evidence.endswith("(in one.vcd, two.vcd)")


def test_what_another_capture_answers_is_left_out():
    doubt = finding("went-silent", "warning", ())
    assert [f.rule for f in joined([doubt], [finding("wait-held", lines=("WAIT",))])] == ["wait-held"]
    assert [f.rule for f in joined([doubt], [finding("wait-held", "warning", lines=("WAIT",))])] == ["went-silent", "wait-held"]
    assert [f.rule for f in joined([doubt], [finding("nmi-held", lines=("NMI",))])] == ["went-silent", "nmi-held"]


def test_a_strobe_that_lives_in_another_capture_comes_and_goes():
    dead = finding("fetch-strobe-missing")
    (told,) = joined([dead], [])
    assert [(s.suspect, s.confidence) for s in told.suspects] == [("connection", 0.4), ("probe_or_capture", 0.38), ("cpu", 0.19)]
    assert told.suspect == "connection" and told.confidence == 0.65 and "good in two.vcd" in told.evidence
    assert joined([dead], [], seen=20)[0].suspect == "connection" and joined([dead], [], seen=19)[0].suspect == "cpu"
    for other in (dead._replace(severity="warning"), dead._replace(lines=("M1", "RD")), dead._replace(lines=("WAIT",))):
        assert joined([other], [])[0].suspects == dead.suspects


@pytest.mark.parametrize(
    ("state", "suspects", "leads"),
    [("fault", ("probe_or_capture", "cpu"), True), ("fault", ("cpu", "probe_or_capture"), False), ("fault", (), False),
     ("cannot_decide", ("probe_or_capture",), False), ("no_fault_found", (), False)],
)  # fmt: skip
def test_a_verdict_blames_the_leads_where_they_come_first(state, suspects, leads):
    shares = tuple(SuspectShare(suspect, 0.4) for suspect in suspects)
    assert Verdict(state, shares, "", (), ()).blames_leads is leads


@pytest.mark.parametrize(
    ("edges", "expected", "state"), [(4, 100, "stuck_high"), (5, 100, "active"), (20, 1000, "stuck_high"), (21, 1000, "active")]
)
def test_a_strobe_that_is_never_where_it_is_called_for_is_at_rest_but_for_a_few_spikes(edges, expected, state):
    record = evidence_of()
    record.lines["M1"] = LineEvidence("M1", edges=edges, high_fraction=0.99)
    record.strobes = {"M1": StrobeCount(expected, 0, 0, 0)}
    assert next(line.state for line in survey(record) if line.line == "M1") == state


STATES = (  # expected, seen, others, wrong, edges, high, more, state, remark
    (100, 0, 50, 0, 0, 1.0, {}, "stuck_high", "100 requests call for it, seen in 0"),
    (100, 0, 50, 0, 40, 0.9, {}, "active", "100 requests call for it, seen in 0"),  # whatever it does, it moves
    (100, 0, 50, 0, 4, 0.9, {}, "stuck_high", "100 requests call for it, seen in 0"),
    (100, 100, 50, 50, 0, 0.0, {}, "stuck_low", "asserted in 100 of 100 requests that call for it, and not released between them"),
    (100, 100, 50, 9, 40, 0.1, {}, "active", "asserted in 100 of 100 requests that call for it, and in 9 others"),
    (0, 0, 50, 50, 0, 0.0, {}, "stuck_low", "asserted throughout; no request calls for it"),
    (100, 40, 50, 20, 200, 0.5, {}, "floating", "100 requests call for it; it moves without regard to them"),
    (100, 2, 50, 50, 200, 0.5, {}, "active", "the opposite of what the rest of the bus calls for"),
    (100, 100, 50, 0, 200, 0.5, {"stays": Stays(False, 0.25, "RD", 60, 0)}, "active",
     "low from 250 ms to the end, while other strobes go on"),
    (100, 60, 50, 0, 200, 0.5, {}, "active", "seen in 60 of 100 requests that call for it, and in 0 others"),
    (100, 100, 50, 0, 200, 0.5, {}, "active", "seen in 100 of 100 requests that call for it"),
)  # fmt: skip


@pytest.mark.parametrize(("expected", "hits", "others", "wrong", "edges", "high", "more", "state", "remark"), STATES)
def test_the_state_of_a_strobe_and_what_is_said_of_it(expected, hits, others, wrong, edges, high, more, state, remark):
    record = evidence(lines={"M1": LineEvidence("M1", edges=edges, high_fraction=high, **more)})
    record.strobes["M1"] = StrobeCount(expected, hits, others, wrong)
    line = next(line for line in survey(record) if line.line == "M1")
    assert (line.state, line.remark) == (state, remark)
