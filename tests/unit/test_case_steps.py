"""What is asked next of a fault, by how it shows."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from hand_made import evidence_of

from conftest import TRACES
from strobewise.bus.lines import STROBES
from strobewise.bus.model import Finding, Verdict
from strobewise.case import steps
from strobewise.case.belief import from_captures, prior
from strobewise.case.captures import SHOWS_A_PROGRAM, nothing_left
from strobewise.case.checks import BY_KIND, side_by_side
from strobewise.case.explained import parts_early
from strobewise.case.records import Answer, Step
from strobewise.case.repairs import REPAIR
from strobewise.case.steps import _comes_and_goes
from strobewise.case.store import new_case
from strobewise.diagnosis.facade import diagnose
from strobewise.records.evidence import StrobeCount
from strobewise.records.replay import PARTED, Candidate, ReplayRecord
from strobewise.rules import work
from strobewise.verdict.actions import CAPTURE, CHIPS, LEADS, LOOK, MEASURE, UNPLUG


@pytest.mark.parametrize(("seen", "comes"), [(0, False), (19, False), (21, True), (979, True), (981, False), (1000, False)])
def test_a_strobe_that_fails_in_some_requests_only_comes_and_goes(seen, comes):
    """One that is dead fails in all, a healthy one in hardly any: neither is waited for, warmed or cooled."""
    evidence = SimpleNamespace(strobes={"M1": StrobeCount(1000, seen, 0, 0), "RD": StrobeCount(1000, 500, 0, 0)})
    finding = Finding("fetch-strobe-missing", "fault", ("M1",), "cpu", 0.9, None, None, 1, "seen", "look")
    assert _comes_and_goes(SimpleNamespace(examined=[SimpleNamespace(evidence=evidence)]), finding) == comes
    assert not _comes_and_goes(SimpleNamespace(examined=[]), finding)


def test_what_tells_a_program_from_a_cpu_that_nothing_answers():
    """Every strobe, the clock that they are counted by, and the interrupts, which a CPU that runs on answers (UM0080)."""
    assert set(SHOWS_A_PROGRAM) == {*STROBES, "CLK", "INT"} and SHOWS_A_PROGRAM[:2] == ("MREQ", "M1")


def test_what_tells_next_to_nothing_is_no_step(monkeypatch):
    offered = [replace(nothing_left(""), bits=bits, minutes=1.0) for bits in (0.0, steps.FEW_BITS - 1e-6, steps.FEW_BITS, 0.5)]
    monkeypatch.setattr(steps, "_captures", lambda now: offered)
    monkeypatch.setattr(steps, "_checks", lambda now: ())
    assert [choice.step.bits for choice in steps._choices(None)] == [steps.FEW_BITS, 0.5]


def test_what_work_costs_has_one_home():
    """Every check and every repair takes its figures from rules/work.py, and every row there is used."""
    assert set(work.CHECKS) == set(BY_KIND) and all(check.work is work.CHECKS[check.kind] for check in BY_KIND.values())
    assert {id(row[2]) for row in REPAIR.values()} <= {id(each) for each in (work.SOLDERED, work.JOINT, work.PLUGGED)}
    everything = (*work.CHECKS.values(), work.SOCKETED, work.SOLDERED, work.PLUGGED, work.JOINT, work.CAPTURE, work.CLIP)
    assert all(each.minutes > 0 and 0 <= each.risk <= 1 for each in everything)
    assert work.cost(work.PLUGGED) < work.cost(work.SOCKETED) < work.cost(work.JOINT) < work.cost(work.SOLDERED)
    assert tuple(sorted((LOOK, LEADS, CAPTURE, MEASURE, UNPLUG, CHIPS))) == tuple(range(len(work.RANKS)))


def test_the_lines_that_select_a_memory_are_looked_at_before_a_blind_repair(tmp_path):
    """Not where a fault names its lines, where they were seen, or where a device at the port is asked about; as many as there are leads."""
    case = new_case(tmp_path / "case", symptom="garbage")
    two, full = (diagnose([TRACES / "good" / name]).captures[0] for name in ("healthy-two.vcd", "healthy-full.vcd.gz"))
    now = steps.Situation(case, prior("garbage"), (), (), (two,), (), (), None, False)
    assert [lead.line for lead in steps._selecting(now).leads] == ["MREQ", "M1", "RD", "A15", "A14", "A13", "A12"]
    fault = Finding("fetch-strobe-missing", "fault", ("M1",), "cpu", 0.9, None, None, 1, "seen", "look")
    assert steps._selecting(now._replace(examined=(full,))) is None and steps._selecting(now._replace(findings=(fault,))) is None
    assert steps._selecting(now._replace(case=replace(case, symptom="ignores-expansion"))) is None
    assert [lead.line for lead in steps._selecting(now._replace(case=replace(case, leads=4))).leads] == ["MREQ", "M1", "RD", "A15"]


def replayed(matched=5, found_by="reset", candidates=(), cycles=5000):
    return ReplayRecord("x.rom@0x0000", 0.0, found_by, cycles, matched, PARTED, candidates=list(candidates))


@pytest.mark.parametrize(
    ("matched", "found_by", "early"), [(11, "reset", True), (12, "reset", False), (5, "rhythm", False), (5000, "reset", False)]
)
def test_who_leaves_the_program_at_once_has_read_no_memory_that_it_wrote(matched, found_by, early):
    """A store and a load of one byte are ten machine cycles: LD A,n; LD (nn),A; LD A,(nn) (UM0080)."""
    assert parts_early(replayed(matched, found_by)) is early
    assert not parts_early(None)
    shares = from_captures(prior("garbage"), Verdict("no_fault_found", (), "", (), ()), [evidence_of(replay=replayed(matched, found_by))])
    assert (shares["ram"] < shares["data_bus"] / 2) is early


def held(line, suspect="expansion_device"):
    return Candidate(1, f"{line.lower()}-held", "line", (line,), None, (), suspect, (suspect,), 5000)


@pytest.mark.parametrize(("line", "seen", "asked"), [("BUSREQ", (), True), ("BUSREQ", ("BUSREQ",), False), ("D3", (), False)])
def test_nothing_is_soldered_for_an_input_that_no_lead_has_shown(tmp_path, line, seen, asked):
    case = new_case(tmp_path / "case", symptom="dead")
    evidence = evidence_of(replay=replayed(candidates=[held(line)]))
    evidence.captured = frozenset(("MREQ", "M1", *seen))
    examined = SimpleNamespace(evidence=evidence, channels=SimpleNamespace(channels={}))
    now = steps.Situation(case, prior("dead"), (), (), (examined,), (examined,), ("CLK", "WAIT", "RFSH"), None, False)
    step = steps._before(now, Step("repair", "replaced:clock", "solder", "", risk=work.SOLDERED.risk))
    assert (step is not None) is asked and steps._before(now, Step("repair", "x", "plug", "", risk=0.0)) is None
    if step is not None:
        assert {"BUSREQ", "CLK", "WAIT"} <= {lead.line for lead in step.leads} and "no lead has shown yet (/BUSREQ, CLK, /WAIT)" in step.why


@pytest.mark.parametrize(
    ("kind", "value", "alive"),
    [("pulses", 1, True), ("pulses", 0, False), ("volts", 2.0, True), ("volts", 1.99, False), ("ohms", 5.0, False)],
)
def test_a_line_that_lives_at_the_cpu_and_is_dead_at_the_connector_is_an_open_way(kind, value, alive):
    answers = [Answer(kind, "M1", value, "cpu"), Answer("pulses", "M1", 0, "connector")]
    assert ([each.kind for each in side_by_side(answers)] == [kind, "ohms"]) is alive
    assert [each.kind for each in side_by_side([answers[0], Answer("pulses", "RD", 0, "connector")])] == [kind, "pulses"]  # another line


@pytest.mark.parametrize(
    ("share", "risk", "minutes", "check", "pays"),
    [
        (0.2, 0.9, 45.0, (1.0, 4.0), False),  # soldering on what is more likely innocent waits for every check
        (0.2, 0.9, 45.0, (0.001, 400.0), False),
        (0.9, 0.9, 45.0, (0.001, 400.0), True),  # a check that tells nothing and takes a day
        (0.2, 0.05, 3.0, (1.0, 4.0), True),  # what is plugged is tried at once
        (0.2, 0.05, 60.0, (1.0, 4.0), False),
    ],
)
def test_a_part_is_put_right_where_a_check_saves_less_than_it_costs(share, risk, minutes, check, pays):
    answers = (Answer("replaced", "cpu", part="cpu"),)
    repair = Step("repair", "replaced:cpu", "put in another", "", answers=answers, risk=risk, minutes=minutes)
    ask = Step("check", "pulses:M1", "look", "", bits=check[0], minutes=check[1])
    now = SimpleNamespace(shares={"cpu": share, "rom": 1 - share}, hypotheses=[SimpleNamespace(suspect="cpu", share=share)])
    assert steps._pays(now, repair, ask) is pays


@pytest.mark.parametrize(
    ("shares", "showing", "asked"),
    [
        ({"ram": 0.05, "glue": 0.05}, True, ["ram"]),
        ({"ram": 0.05, "connection": 0.05}, True, ["ram"]),
        ({"ram": 0.05, "glue": 0.02, "connection": 0.02}, True, []),
        ({"ram": 0.04, "glue": 0.5}, True, []),
        ({"ram": 0.5, "glue": 0.5}, False, []),
        ({"rom": 0.5, "ram": 0.5, "glue": 0.5}, True, ["rom", "ram"]),
    ],
)
def test_a_memory_chip_is_looked_at_where_it_and_its_way_are_suspect(tmp_path, shares, showing, asked):
    case = new_case(tmp_path / "case", symptom="garbage")
    now = SimpleNamespace(case=case, shares=shares, showing=showing, examined=(), findings=())
    assert [chip for check, chip, _ in steps._on_chips(now) if check.kind == "driven"] == asked


@pytest.mark.parametrize(("socketed", "asked"), [((), []), (("cpu", "ram"), ["cpu"]), (("rom", "U7", "cpu"), ["rom", "cpu"])])
def test_a_chip_is_reseated_where_it_sits_in_a_socket_alone(tmp_path, socketed, asked):
    """And not the RAM, of which there may be many: a bad contact of one shows as a data line."""
    case = new_case(tmp_path / "case", symptom="garbage", socketed=socketed)
    now = steps.Situation(case, prior("garbage"), (), (), (), (), (), None, False)
    assert [about for check, about, _ in steps._possible(now) if check.kind == "reseated"] == asked


@pytest.mark.parametrize(
    ("symptom", "profile", "at", "first"),
    [
        ("garbage", None, "cpu", "unplugged"),
        ("ignores-expansion", None, "cpu", "connector"), ("garbage", "dunlin-lodger", "cpu", "connector"),
        ("garbage", "dunlin", "cpu", "unplugged"), ("garbage", "dunlin-lodger", "connector", "unplugged"),
        ("ignores-expansion", None, "connector", ""),
    ],
)  # fmt: skip
def test_a_device_is_innocent_until_its_side_of_the_connector_was_looked_at(tmp_path, symptom, profile, at, first):
    case = new_case(tmp_path / "case", TRACES / "machines" / f"{profile}.toml" if profile else None, symptom=symptom)
    examined = diagnose([TRACES / "good" / "healthy-two.vcd"]).captures[0]
    examined.evidence.probe_at = {"M1": at}
    repair = Step("repair", "replaced:device", "try another", "", answers=(Answer("replaced", part="expansion_device"),))
    step = steps._before(steps.Situation(case, prior(symptom), (), (), (examined,), (), (), None, False), repair)
    assert (first in step.id) if first else step is None
