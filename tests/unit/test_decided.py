"""Tables that hold a decision of ours, written a second time: a slip of the hand in one shows here, a change on purpose is made twice.

Why each figure is what it is stands with the table. Suspects and certainties of rules have their own second writing (test_rule_table.py).
"""

from __future__ import annotations

import io
from types import SimpleNamespace

import pytest

from strobewise.archive.folder import ENDINGS, RAW_ENDINGS
from strobewise.bus.model import LINE_STATES, SUSPECTS
from strobewise.case.proof import FROM_THE_START
from strobewise.diagnosis.joining import TELLING
from strobewise.hookup.symptoms import SYMPTOMS, UNKNOWN
from strobewise.rules import work
from strobewise.verdict.judge import WEIGHT
from strobewise_cli.render.survey_text import print_survey

WHILE, POWER_ON = "no trigger: start the capture while it happens", "no trigger: start the capture, then switch the machine on"
#: name -> weights, lines, triggers, what to do without one, seconds, whether a free run helps, whether it fails late
TOLD = {
    "dead": (
        "cpu 1.0, clock 1.0, reset 1.0, supply 0.6, rom 0.9, glue 0.6, "
        "data_bus 0.6, address_bus 0.5, connection 0.4, expansion_device 0.4, ram 0.3, program 0.4",
        "", "RESET rising, M1 falling, MREQ falling", POWER_ON, 0.05, True, False,
    ),
    "resets": (
        "reset 1.0, supply 1.0, expansion_device 0.8, program 0.3, cpu 0.3, clock 0.2, ram 0.3, rom 0.3",
        "RESET NMI", "RESET falling", WHILE, 2.0, False, False,
    ),
    "ignores-expansion": (
        "expansion_device 1.0, connection 1.0, cpu 0.6, glue 0.5, program 0.1",
        "M1 ROMDIS NMI IORQ", "RESET rising, NMI falling, ROMDIS rising",
        "no trigger: start the capture, then press the device's button or reset the machine", 0.05, False, False,
    ),
    "dies-warm": (
        "cpu 0.8, ram 1.0, rom 0.5, clock 0.6, supply 0.5, connection 0.8, glue 0.4, reset 0.5, data_bus 0.5, address_bus 0.5, program 0.3",
        "RESET HALT", "RESET falling", "no trigger: capture when it has failed, and once cold for comparison", 0.2, False, True,
    ),
    "memory-size": (
        "ram 1.0, address_bus 0.8, data_bus 0.8, glue 0.7, connection 0.3",
        "", "RESET rising", POWER_ON, 1.0, False, False,
    ),
    "garbage": (
        "ram 1.0, rom 1.0, data_bus 1.0, address_bus 0.9, glue 0.6, cpu 0.5, connection 0.4, clock 0.2, reset 0.2",
        "", "RESET rising, M1 falling", POWER_ON, 0.1, True, False,
    ),
    "hangs": (
        "program 1.0, glue 0.9, cpu 0.7, expansion_device 0.7, ram 0.6, rom 0.5, clock 0.6, reset 0.3, connection 0.3",
        "WAIT BUSREQ BUSACK HALT INT", "", "no trigger: start the capture before it hangs, and let it run into it", 0.5, False, False,
    ),
}  # fmt: skip


@pytest.mark.parametrize("symptom", SYMPTOMS, ids=lambda symptom: symptom.name)
def test_a_symptom_is_what_was_decided(symptom):
    weights = ", ".join(f"{suspect} {weight}" for suspect, weight in symptom.weights.items())
    triggers = ", ".join(f"{line} {edge}" for line, edge in symptom.triggers)
    more = symptom.without_trigger, symptom.duration_s, symptom.free_run, symptom.late
    assert (weights, " ".join(symptom.lines), triggers, *more) == TOLD[symptom.name]


def test_no_symptom_is_missing_and_none_is_added():
    assert [symptom.name for symptom in SYMPTOMS] == list(TOLD)
    assert UNKNOWN.weights == dict.fromkeys(SUSPECTS, 0.7) and UNKNOWN.triggers == (("RESET", "rising"),) and not UNKNOWN.lines
    assert (UNKNOWN.duration_s, UNKNOWN.free_run, UNKNOWN.late, UNKNOWN.without_trigger) == (0.1, True, False, POWER_ON)


def test_what_work_costs():
    assert {name: tuple(cost) for name, cost in work.CHECKS.items()} == {
        "pulses": (4, 0.15), "ohms": (4, 0.1), "between": (3, 0.05), "driven": (6, 0.15), "passes": (6, 0.15), "readout": (8, 0.1),
        "supply": (2, 0.05), "unplugged": (2, 0.02), "reseated": (5, 0.2), "cooled": (5, 0.1),
    }  # fmt: skip
    assert [tuple(each) for each in (work.CAPTURE, work.CLIP)] == [(3, 0), (0.5, 0.03)]
    repairs = [tuple(each) for each in (work.PLUGGED, work.SOCKETED, work.JOINT, work.SOLDERED)]
    assert repairs == [(3, 0.05), (6, 0.15), (12, 0.4), (45, 0.9)]
    assert [risk >= work.SOLDERING for _, risk in repairs] == [False, False, True, True]
    assert work.RANKS == ("look", "leads", "capture", "measure", "unplug", "chips")
    assert work.cost(work.Work(10, 0.5)) == 25  # half an hour for the risk of a lifted pad for sure


def test_what_a_folder_is_searched_for():
    assert set(ENDINGS) == {".vcd", ".vcd.gz", ".csv", ".csv.gz", ".sr", ".sr.gz", ".fst", ".fst.gz"}  # of the last one it is said why
    assert set(RAW_ENDINGS) == {".bin", ".raw", ".bin.gz", ".raw.gz"}


def test_what_counts_in_a_verdict():
    assert WEIGHT == {"fault": 1.0, "warning": 0.6, "note": 0.0}
    assert set(TELLING) == set(LINE_STATES) and TELLING == ("floating", "stuck_low", "stuck_high", "active", "idle", "not_captured")
    assert FROM_THE_START == 0.05


@pytest.mark.parametrize(
    ("state", "word"), [("fault", "FAULT"), ("cannot_decide", "undecided"), (None, "unreadable"), ("no_fault_found", "")]
)
def test_a_survey_lists_what_is_not_well(state, word):
    row = {"state": state, "path": "box.vcd", "summary": "so and so", "error": None, "entry": None, "status": "examined", "withdrawn": None}
    survey = SimpleNamespace(records=[SimpleNamespace(capture=row)], resumed=0, cases=[], count=lambda **wanted: 0)
    out = io.StringIO()
    print_survey(survey, None, out)
    assert out.getvalue().splitlines()[:-1] == ([f"{word}  box.vcd: so and so"] if word else [])
