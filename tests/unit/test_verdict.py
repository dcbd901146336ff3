"""Findings to verdict: ranking, what explains what, when the capture cannot decide."""

from __future__ import annotations

from strobewise.bus.model import Finding, SuspectShare
from strobewise.records.evidence import BusEvidence
from strobewise.verdict.judge import CONFIDENCE_CAP, judge, rank, without_consequences


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
    assert verdict.next_steps == ("check a",)


def test_findings_of_one_line_multiply_and_agree():
    one = rank([finding("a")], [])[0].confidence
    both = rank([finding("a"), finding("b")], [])[0].confidence
    assert one < both <= CONFIDENCE_CAP


def test_findings_of_different_lines_do_not_multiply():
    other = finding("b", lines=("D3",), shares=(("ram", 0.7), ("connection", 0.2)))
    ranked = {s.suspect: s.confidence for s in rank([finding("a"), other], [])}
    assert ranked["ram"] == 0.63 and ranked["cpu"] == 0.54


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
