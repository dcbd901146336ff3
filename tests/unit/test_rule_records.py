"""A rule's record holds all that is true of it: lists are derived, ids are checked, and a new rule is known everywhere at once."""

from __future__ import annotations

import ast
import importlib.util
import io
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from hand_made import evidence_of

from conftest import ROOT
from strobewise.bus.model import Finding, SuspectShare
from strobewise.diagnosis.examined import Examined
from strobewise.diagnosis.facade import conclude
from strobewise.hookup.plan import advise
from strobewise.hookup.symptoms import find_symptom
from strobewise.machine.faults import FAULTS
from strobewise.rules import CATALOGUE, FAMILIES, Found, find_rule, rule
from strobewise.rules.base import HOSTS, RUNAWAY, SORTS, _softened, check_catalogue, host_rules, ids, named, said_once
from strobewise.stream.records import Begun, Bus, Ended
from strobewise.verdict.judge import judge, without_consequences
from strobewise_cli.render.explain_text import print_catalogue, print_rule

FACTS = {
    "severity": "fault", "needs": (("MREQ",),), "judges": ("WAIT",), "suspects": (("supply", 0.8),),
    "looks_for": "a kettle on the same socket", "causes": "tea", "next_step": "unplug the kettle",
    "source": "common practice", "host": "stretch",
}  # fmt: skip


@pytest.fixture
def catalogue():
    """Give back the catalogue as it was."""
    before = list(CATALOGUE)
    yield CATALOGUE
    CATALOGUE[:] = before


def add(id="kettle-on", **facts):
    @rule(id, "the kettle is on", **{**FACTS, **facts})
    def decide(evidence):
        yield Found("the lights dim", ("WAIT",), confidence=0.9)


def found(rule, lines=("M1",), severity="fault"):
    return Finding(rule, severity, lines, "cpu", 0.9, 0.0, 1.0, 5, f"{rule} seen", f"check {rule}", "", (SuspectShare("cpu", 0.6),))


def kept(*findings):
    return [finding.rule for finding in without_consequences(findings)]


def test_a_rule_that_is_added_is_known_everywhere(catalogue):
    add(explains=("went-silent",))
    check_catalogue()
    silent = evidence_of(last_request_s=0.004)
    said = conclude([Examined("x.vcd", None, silent, 4e-8, 100, 0, 1e-9)])  # type: ignore[arg-type]
    assert [f.rule for f in said.findings] == ["kettle-on"]
    assert said.verdict.state == "fault" and said.verdict.suspects[0].suspect == "supply"
    assert said.verdict.next_steps == ("for /WAIT (pin 24), unplug the kettle",)
    out = io.StringIO()
    print_catalogue(CATALOGUE, out)
    print_rule(find_rule("kettle-on"), out)
    assert out.getvalue().count("kettle-on") == 2 and "kettle on the same socket" in " ".join(out.getvalue().split())
    reference = documentation("generate_reference")
    assert "| [`kettle-on`](#kettle-on) | a kettle on the same socket | /MREQ |" in reference.rule_table()
    assert reference.CATALOGUE is CATALOGUE
    reference.CATALOGUE = [find_rule("kettle-on")]  # drawing all of them takes a while
    assert "## kettle-on" in reference.rules()
    assert "kettle-on" in advise(8, find_symptom("resets")).decides
    assert "kettle-on" in host_rules("stretch")
    assert any("the lights dim" in text for text in host_says())


def test_without_it_nobody_speaks_of_it():
    assert find_rule("kettle-on") is None and not any("the lights dim" in text for text in host_says())


def documentation(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def host_says():
    """Return what the fault plug-in shows of a few good cycles."""
    shown = []
    host = ModuleType("sigrokdecode")
    host.Decoder = type("Decoder", (), {
        "register": lambda self, kind, **more: kind, "put": lambda self, start, end, out, what: shown.append((out, what)),
    })  # fmt: skip
    host.OUTPUT_ANN, host.OUTPUT_PYTHON, host.OUTPUT_META = "annotations", "python", "meta"
    held = sys.modules.get("sigrokdecode")
    sys.modules["sigrokdecode"] = host
    try:
        spec = importlib.util.spec_from_file_location("faults_plug_in", ROOT / "decoders" / "host" / "strobewise_faults" / "pd.py")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        del sys.modules["sigrokdecode"]
        if held is not None:
            sys.modules["sigrokdecode"] = held
    decoder = module.Decoder()
    decoder.options = {option["id"]: option["default"] for option in decoder.options}
    decoder.start()
    bus = Bus(("CLK", "M1", "MREQ", "RD", "RFSH", "WAIT"), 24_000_000, 7.0, "CLK", 1.0, True, True)
    decoder.decode(0, 0, ("bus", bus))
    for number in range(200):
        start = 28 * number
        item = Begun(number, "opcode_fetch", start, start + 24, None, None, 0, False, -1, None)
        decoder.decode(start, start + 28, ("cycles", [item], [Ended(number, "opcode_fetch", start, start + 28, 4, "")]))
    decoder.decode(0, 5600, ("finish", 5600))
    return [text[1][0] for out, text in shown if out == "annotations"]


# --- what is wrong is refused ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "facts",
    [{"severity": "disaster"}, {"suspects": (("kettle", 0.5),)}, {"host": "sometimes"}, {"id": "reset-held"}, {"sort": "kettles"}],
    ids=["severity", "suspect", "host", "id", "sort"],
)
def test_a_record_that_is_wrong_in_itself_is_refused(catalogue, facts):
    with pytest.raises(ValueError, match=r"rule"):
        add(**facts)
    assert find_rule("kettle-on") is None


@pytest.mark.parametrize(
    "facts", [{"explains": ("reset-holds",)}, {"answered_by": ("reset-holds",)}, {"speaks_for": {"reset-holds": "all"}}]
)
def test_an_id_that_no_rule_has_is_refused(catalogue, facts):
    add(**facts)
    with pytest.raises(ValueError, match=r"^rule 'kettle-on' names reset-holds, which is no other rule$"):
        check_catalogue()


def test_a_rule_that_explains_itself_is_refused(catalogue):
    add(explains=("kettle-on",))
    with pytest.raises(ValueError, match=r"names kettle-on"):
        check_catalogue()


def test_the_host_cannot_be_forgotten():
    facts = {name: value for name, value in FACTS.items() if name != "host"}
    with pytest.raises(TypeError, match="host"):
        rule("kettle-on", "the kettle is on", **facts)


def test_the_catalogue_is_in_the_order_of_the_families():
    names = [family.__name__ for family in FAMILIES]
    places = [names.index(each.decide.__module__) for each in CATALOGUE]
    assert places == sorted(places) and set(places) == set(range(len(FAMILIES)))
    assert set(HOSTS) == {each.host for each in CATALOGUE}  # every time of asking is somebody's


def test_no_rule_is_named_outside_the_rules():
    """Ids belong to the records; the simulated machine's faults have names of their own, a few of them the same words."""
    known = ids(lambda each: True) - {"spikes"}  # which a clocked capture never shows, as the verdict says in its own words, too
    for path in [*(ROOT / "decoders").rglob("*.py"), *(ROOT / "cli").rglob("*.py")]:
        if path.is_relative_to(ROOT / "decoders" / "strobewise" / "rules"):
            continue
        here = known - set(FAULTS) if {"machine", "replay"} & set(path.parts) else known
        here = here - {"spikes"} if path.name == "coverage.py" else here  # a word for the reader: what no such capture shows
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not (isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in here), (path.name, node.lineno)


# --- every edge -----------------------------------------------------------------------------------------------------

#: The second writing of the records (see test_rule_table.py): all lists below come from it, so that a rule is written in no further place.
TABLE = tomllib.loads((Path(__file__).parents[1] / "data" / "rule_table.toml").read_text(encoding="utf-8"))


def flagged(flag):
    return {id for id, row in TABLE.items() if flag in row.get("flags", ())}


CONSEQUENCES = {id: {*row.get("explains", ()), *(flagged("seen_astray") if id in flagged("derails") else ())} for id, row in TABLE.items()}
EDGES = [(cause, effect) for cause, effects in CONSEQUENCES.items() for effect in sorted(effects)]


def test_the_edges_are_all_here():
    assert {each.id: each.consequences() for each in CATALOGUE} == CONSEQUENCES and len(EDGES) > 100


@pytest.mark.parametrize("cause, effect", EDGES)
def test_a_fault_explains_what_follows_from_it(cause, effect):
    assert kept(found(cause), found(effect, ("D1",))) == [cause]
    assert kept(found(cause, severity="warning"), found(effect, ("D1",))) == [cause, effect]  # a doubt explains nothing
    assert kept(found(effect, ("D1",))) == [effect]


@pytest.mark.parametrize("cause", sorted(flagged("explains_its_lines")))
def test_what_a_finding_says_of_its_lines_is_enough(cause):
    assert kept(found(cause, ("D1", "D2")), found("ringing", ("D1",)), found("spikes", ())) == [cause, "spikes"]
    assert kept(found(cause, ("D1", "D2")), found("ringing", ("D1", "D3"))) == [cause, "ringing"]


SPEAKS_FOR = {id: dict(text.split(": ") for text in row["speaks_for"]) for id, row in TABLE.items() if "speaks_for" in row}
SPOKEN = [(closer, rule, scope) for closer, others in SPEAKS_FOR.items() for rule, scope in others.items()]


def once(*findings):
    return [finding.rule for finding in said_once(findings)]


@pytest.mark.parametrize("severity", ["fault", "warning", "note"])
@pytest.mark.parametrize("closer, rule, scope", SPOKEN)
def test_what_one_rule_says_another_need_not(closer, rule, scope, severity):
    def left(named, line):
        return once(found(closer, named, severity), found(rule, (line,))) == [closer, rule]

    assert not left(("D3", "D4"), "D3") and not left(("A3",), "A3")  # the same line
    assert left(("D3", "D4"), "D5") == (scope == "lines")  # another line of the same bus
    assert left(("A3",), "A4") == (scope == "lines")
    assert left(("D3",), "A3") == (scope in ("lines", "bus"))  # another bus
    assert left(("M1",), "D3") == (scope in ("lines", "bus"))
    assert once(found(rule, ("D3",)), found("spikes", ("D3",))) == [rule, "spikes"]


@pytest.mark.parametrize("closer, rule, scope", SPOKEN)
def test_who_names_no_line_is_spoken_for_only_where_all_is_said(closer, rule, scope):
    assert (once(found(closer, ("D3",)), found(rule, ())) == [closer]) == (scope == "all")


@pytest.mark.parametrize("stands", sorted(ids(lambda each: True) - {"leads-swapped"}))
def test_what_wrong_labels_leave_standing(stands):
    alone = stands in flagged("stands_by_itself")
    assert kept(found("leads-swapped", ("RD", "WR")), found(stands, ("HALT",))) == ["leads-swapped", *([stands] if alone else [])]
    assert kept(found("leads-swapped", ("RD", "WR")), found(stands, ("RD",))) == ["leads-swapped"]
    assert kept(found("leads-swapped", ("CLK", "M1")), found(stands, ("HALT",))) == ["leads-swapped"]
    assert kept(found("leads-swapped", ("RD", "WR")), found(stands, ("RD",), "note")) == ["leads-swapped", stands]


def test_the_first_doubt_is_the_one_that_lies_deepest():
    order = sorted((id for id, row in TABLE.items() if "undecided" in row), key=lambda id: TABLE[id]["undecided"])
    assert len({TABLE[id]["undecided"] for id in order}) == len(order) > 5
    for place, id in enumerate(order):
        doubts = [found(other, (), "warning") for other in reversed(order[place:])]
        verdict = judge(doubts, evidence_of())
        assert verdict.state == "cannot_decide" and verdict.summary == f"Cannot decide: {id} seen"


def test_the_host_hears_what_the_records_say():
    for time in {row["host"] for row in TABLE.values() if "host" in row}:
        assert host_rules(time) == {id for id, row in TABLE.items() if row.get("host") == time}


def test_a_sort_names_all_of_its_rules_and_those_that_are_added(catalogue):
    for sort in SORTS:
        assert named((sort,)) == {id for id, row in TABLE.items() if row.get("sort") == sort} != set()
    blind = evidence_of(samples_per_t=1.8)
    assert _softened(found("kettle-on", ()), blind, frozenset(("kettle-on",)), named((RUNAWAY,))).severity == "fault"
    add(sort=RUNAWAY, lasting=True)
    check_catalogue()
    assert "kettle-on" in find_rule("memory-request-missing").consequences()
    assert "kettle-on" not in find_rule("clock-stopped").consequences()
    assert _softened(found("kettle-on", ()), blind, frozenset(("kettle-on",)), named((RUNAWAY,))).severity == "warning"


def test_a_rule_is_written_in_its_family_and_in_two_tests():
    """The recipe of DEVELOPERS.md, counted: no rule does without these files, and some have no other of code, tests or data."""
    texts = {
        path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
        for folder in ("decoders", "cli", "tests", "traces", "benchmarks") for pattern in ("*.py", "*.toml")
        for path in (ROOT / folder).rglob(pattern)
    }  # fmt: skip
    places = {each.id: {name for name, text in texts.items() if f'"{each.id}"' in text or f"[{each.id}]" in text} for each in CATALOGUE}
    for id, names in places.items():
        family = f"{find_rule(id).decide.__module__.replace('.', '/')}.py"
        assert {f"decoders/{family}", "tests/data/rule_table.toml", "tests/unit/test_rules_simulated.py"} <= names, id
    assert min(len(names) for names in places.values()) == 3
