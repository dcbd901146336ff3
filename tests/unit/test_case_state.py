"""What a case comes to: captures, answers, what is withdrawn, the shop's own experience, and what gets worse."""

from __future__ import annotations

from dataclasses import replace

import pytest

from strobewise.bus.model import SUSPECTS
from strobewise.case import checks
from strobewise.case.belief import after, prior
from strobewise.case.board import chip_to_swap, to_probe, way_to
from strobewise.case.experience import read_experience
from strobewise.case.explained import leaves_program
from strobewise.case.records import ANSWER_KINDS, REPAIRS, Answer
from strobewise.case.sheet import SHEET, sheet_text
from strobewise.case.state import judge_case
from strobewise.case.store import add_answer, add_capture, close_case, new_case, withdraw
from strobewise.case.trend import rising, worse
from strobewise.case.worth import entropy, information
from strobewise.machine import GENERIC
from strobewise.machine.faults import fault
from strobewise.machine.simulate import simulate
from strobewise.replay.stimulus import make_stimulus
from strobewise_cli.render.case_markdown import render_markdown

LINES = ("CLK", "MREQ", "M1", "RD", "WR", "RFSH", "IORQ", "HALT")
DEAD = [fault("dead-low", line="M1")]


def captured(path, **settings):
    with open(path, "w", encoding="ascii") as file:
        simulate(**{"lines": LINES, "duration_s": 0.006, **settings}).write_vcd(file)
    return path


@pytest.fixture
def case(tmp_path):
    return add_capture(new_case(tmp_path / "case", symptom="dead"), captured(tmp_path / "dead.vcd", faults=DEAD))


def back_at(case):
    """Return a case whose folder is put back to what it was: what was written since is left behind."""
    (case.folder / SHEET).write_text(sheet_text(case), encoding="utf-8")
    return case


def share(state, suspect):
    return next((each.share for each in state.hypotheses if each.suspect == suspect), 0.0)


def test_a_pin_that_is_dead_itself_is_the_chip_and_one_that_lives_is_not(case):
    before = judge_case(case)
    dead = judge_case(add_answer(case, Answer("volts", "M1", 0.4)))
    alive = judge_case(add_answer(back_at(case), Answer("pulses", "M1", 1.0)))
    assert share(dead, "cpu") > 0.9 > share(before, "cpu") > share(alive, "cpu")
    assert share(alive, "connection") + share(alive, "probe_or_capture") > share(alive, "cpu")
    assert dead.changes[-1].words.startswith("the CPU ")


def test_low_at_the_connector_alone_does_not_name_the_chip(case):
    there = judge_case(add_answer(case, Answer("volts", "M1", 0.4, "connector")))
    itself = judge_case(add_answer(back_at(case), Answer("volts", "M1", 0.4, "cpu")))
    assert share(there, "cpu") < share(itself, "cpu") and share(there, "connection") > share(itself, "connection")


def test_what_is_withdrawn_has_no_say_and_stays(case):
    with_answer = add_answer(case, Answer("pulses", "M1", 1.0))
    without = judge_case(withdraw(with_answer, 2, "the probe was off"))
    assert without.hypotheses == judge_case(case).hypotheses
    assert without.changes[-1].words == "withdrawn, and out of the verdict: the probe was off"
    nothing = judge_case(withdraw(back_at(case), 1, "wrong machine"))
    assert nothing.verdict is None and nothing.step.id == "capture"


def test_a_part_that_did_not_help_is_less_suspect_and_the_case_goes_on(case, tmp_path):
    tried = add_answer(case, Answer("replaced", "cpu"))
    waiting = judge_case(tried)
    assert waiting.step.id == "capture:proof" and waiting.proof is None
    again = judge_case(add_capture(tried, captured(tmp_path / "again.vcd", faults=DEAD, seed=5)))
    assert again.proof.state == "still_there" and share(again, "cpu") < 0.1
    assert again.verdict.state == "fault" and again.step.id != "replaced:cpu"


def test_a_new_fault_is_a_new_search(case, tmp_path):
    tried = add_answer(case, Answer("replaced", "cpu"))
    other = judge_case(add_capture(tried, captured(tmp_path / "other.vcd", faults=[fault("dead-high", line="RFSH")])))
    assert other.proof.state == "new_fault"
    assert [f.lines for f in other.diagnosis.findings if f.severity == "fault"] == [("RFSH",)]


def test_a_cold_capture_without_the_fault_says_nothing_against_a_warm_one(tmp_path):
    case = new_case(tmp_path / "case", symptom="dies-warm")
    warm = [fault("intermittent", line="M1", at="cpu", level="high", after_s=0.001, ramp_s=0.02)]
    case = add_capture(case, captured(tmp_path / "cold.vcd"), minutes_on=1)
    case = add_capture(case, captured(tmp_path / "warm.vcd", faults=warm), minutes_on=20)
    state = judge_case(case)
    assert state.verdict.state == "fault" and state.hypotheses[0].suspect == "cpu"
    assert "good in" not in state.diagnosis.findings[0].evidence


def test_closed_cases_count_beside_the_table_and_are_told(case, tmp_path):
    for number in range(14):
        closed = new_case(tmp_path / "shop" / str(number))
        close_case(closed, "connection", "socket", proven=number != 13, rules=("fetch-strobe-missing",))
    experience = read_experience([tmp_path / "shop"])
    state = judge_case(case, experience)
    mine = next(each for each in state.hypotheses if each.suspect == "connection")
    assert mine.closed_cases == 13  # one was closed without a proof
    assert mine.share > mine.table == share(judge_case(case), "connection")
    assert mine.share == pytest.approx((mine.table * 20 + 13) / 33, abs=0.01)
    other = read_experience([tmp_path / "case"])
    assert judge_case(case, other).hypotheses == judge_case(case).hypotheses


def test_a_sheet_that_cannot_be_read_is_told_and_does_not_count(tmp_path):
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "case.toml").write_text("version = 7\n")
    assert read_experience([tmp_path]).unreadable == (str(tmp_path / "bad"),)


def test_what_worsens_within_a_capture_and_from_one_to_the_next_is_a_warning(tmp_path):
    case = new_case(tmp_path / "case", symptom="dies-warm")
    for minutes, ramp in ((1, None), (10, 0.1), (20, 0.01)):
        faults = [] if ramp is None else [fault("intermittent", line="M1", at="cpu", level="high", after_s=0.001, ramp_s=ramp)]
        case = add_capture(case, captured(tmp_path / f"{minutes}.vcd", faults=faults, duration_s=0.01), minutes_on=minutes)
    trend = judge_case(case).trend
    shares = [point.share("M1") for point in trend.points]
    assert shares[0] == 0.0 and rising(shares) and shares[-1] > 0.2
    told = "\n".join(trend.warnings)
    assert "/M1 fails more and more from capture to capture: 0 % in capture 1 (on for 1 min), " in told
    assert "/M1 fails more and more within capture 3" in told


def test_healthy_captures_worsen_in_nothing(tmp_path):
    case = new_case(tmp_path / "case", symptom="dies-warm")
    for minutes in (1, 10, 20):
        case = add_capture(case, captured(tmp_path / f"{minutes}.vcd", seed=minutes), minutes_on=minutes)
    assert judge_case(case).trend.warnings == ()


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [((1000, 0), (1000, 100), True), ((1000, 0), (1000, 5), False), ((1000, 90), (1000, 100), False), ((0, 0), (10, 10), False)],
)
def test_a_share_worsens_beyond_chance_only(first, last, expected):
    assert worse(first, last) is expected


@pytest.mark.parametrize("suspect", [name for name in SUSPECTS if name != "none"])
@pytest.mark.parametrize("kind", [kind for kind in ANSWER_KINDS if kind != "note"])
def test_the_outcomes_of_a_check_share_one_chance(kind, suspect):
    measured = {"pulses": ("no", "yes"), "volts": ("no", "yes"), "ohms": ("open", "good"), "between": ("bridged", "apart"),
                "driven": ("no", "yes"), "passes": ("no", "yes"), "readout": ("wrong", "right"),
                "supply": ("bad", "good")}
    two = measured.get(kind, ("gone", "stays"))
    answer = Answer(kind, "M1" if kind in ("pulses", "volts", "ohms", "resoldered") else "cpu", part="cpu")
    both = [checks.chances(answer, suspect, found) for found in two]
    assert all(0.0 < chance < 1.0 for chance in both) and sum(both) == pytest.approx(1.0)
    assert kind in checks.BY_KIND or kind in REPAIRS or kind == "volts"


def test_information_is_what_an_outcome_takes_from_the_doubt():
    even = {"cpu": 0.5, "ram": 0.5}
    assert entropy(even.values()) == pytest.approx(1.0)
    assert information(even, [{"cpu": 1.0}]) == pytest.approx(1.0)  # tells them apart for good
    assert information(even, [{"cpu": 0.7, "ram": 0.7}]) == pytest.approx(0.0)  # tells nothing
    assert information(even, []) == 0.0


def test_a_symptom_rules_nobody_out():
    assert sum(prior("dead").values()) == pytest.approx(1.0) and min(prior("dead").values()) > 0.0


def test_where_the_leads_show_no_program_the_proof_asks_for_others(tmp_path):
    blind = ("CLK", "MREQ", "M1", "RFSH", "HALT")
    case = add_capture(new_case(tmp_path / "case", symptom="dead"), captured(tmp_path / "dead.vcd", lines=blind, faults=DEAD))
    quiet = {"lines": blind, "seed": 8, "machine": replace(GENERIC, interrupt_period_t_states=None)}
    case = add_capture(add_answer(case, Answer("replaced", "cpu")), captured(tmp_path / "after.vcd", **quiet))
    state = judge_case(case)
    assert state.proof.only_running and state.step.id == "capture:running"
    assert {"RD", "WR"} <= {lead.line for lead in state.step.leads}
    proven = judge_case(add_capture(case, captured(tmp_path / "more.vcd", seed=9)))
    assert proven.proof.state == "proven" and proven.step.kind == "close"


def test_an_open_case_names_suspects_and_what_is_next_and_a_closed_one_neither(case):
    told = render_markdown(judge_case(case))
    assert "## Suspects" in told and "## Next" in told
    told = render_markdown(judge_case(close_case(case, "connection", "socket", proven=False)))
    assert "## Suspects" not in told and "## Next" not in told and "## Steps" in told


@pytest.mark.parametrize(
    ("answer", "more", "less"),
    [
        (Answer("between", "A11-A12", 0.4), "connection", "rom"), (Answer("driven", "rom", 0.0, part="rom"), "glue", "rom"),
        (Answer("driven", "rom", 1.0, part="rom"), "rom", "glue"), (Answer("readout", "rom", 0.0, part="rom"), "rom", "cpu"),
        (Answer("passes", "glue", 0.0, part="glue"), "glue", "rom"), (Answer("passes", "glue", 1.0, part="glue"), "rom", "glue"),
    ],
)  # fmt: skip
def test_what_is_measured_on_chips_moves_their_shares(answer, more, less):
    even = dict.fromkeys(("connection", "glue", "rom", "ram", "cpu"), 0.2)
    then = after(even, answer)
    assert then[more] > 0.2 > then[less] and sum(then.values()) == pytest.approx(1.0)


def test_one_of_several_ways_that_is_good_acquits_less():
    even = {"connection": 0.5, "cpu": 0.5}
    answer = Answer("ohms", "MREQ", 0.6)
    assert after(even, answer)["connection"] < after(even, answer, reach=0.5)["connection"] < 0.5


def known_machine(folder):
    """Return a profile with its ROM, and that ROM's contents: nothing else makes a program known."""
    image = make_stimulus(0x2000, (0x4000, 0xFFFF)).image
    (folder / "test.rom").write_bytes(image[:0x2000])
    (folder / "bench.toml").write_text(
        'name = "bench"\nclock_hz = 3276800\n[[memory]]\nkind = "rom"\nstart = 0\nend = 0x1FFF\nfile = "test.rom"\n'
        '[[memory]]\nkind = "ram"\nstart = 0x4000\nend = 0xFFFF\n'
    )
    return folder / "bench.toml", image


def test_the_next_capture_takes_the_lines_on_which_the_explanations_differ(tmp_path):
    profile, image = known_machine(tmp_path)
    case = new_case(tmp_path / "case", profile, "garbage")
    lines = ("MREQ", "M1", "RD", "RESET", "WR", "HALT", "IORQ", "INT")
    settings = {"lines": lines, "duration_s": 0.008, "contents": ((0, image),), "seed": 3}
    broken = captured(tmp_path / "a.vcd", faults=[fault("rom-data-stuck", bit=7, level="high")], **settings)
    state = judge_case(add_capture(case, broken))
    assert state.step.id == "capture:apart" and "D7" in {lead.line for lead in state.step.leads}
    healthy = judge_case(add_capture(back_at(case), captured(tmp_path / "b.vcd", **settings)))
    assert healthy.step.id != "capture:apart"


def test_a_machine_that_leaves_its_program_has_a_fault_that_a_proof_can_ask_for(tmp_path):
    profile, image = known_machine(tmp_path)
    case = new_case(tmp_path / "case", profile, "hangs")
    lines = ("MREQ", "M1", "RD", "RESET", "HALT", "INT", "WAIT", "BUSREQ")
    settings = {"lines": lines, "duration_s": 0.008, "contents": ((0, image),), "seed": 3}
    case = add_capture(case, captured(tmp_path / "a.vcd", faults=[fault("ram-multiplexer-stuck")], **settings))
    state = judge_case(case)
    found = state.diagnosis.evidence.replay
    assert leaves_program(found) or found.candidates
    assert state.verdict.state != "no_fault_found"
    case = add_answer(case, Answer("replaced", "glue"))
    again = judge_case(add_capture(case, captured(tmp_path / "b.vcd", **{**settings, "duration_s": 0.02})))
    assert again.proof is not None and again.proof.state == "proven", again.proof
    still = judge_case(add_capture(back_at(case), tmp_path / "a.vcd"))
    assert still.proof.state == "still_there"


BOARD = """name = "shed"
clock_hz = 3276800
[[glue]]
chip = "U5"
kind = "buffer"
pins = { D0 = [2, 18], D3 = [5, 15] }
controls = { direction = 1, enable = 19 }
[[glue]]
chip = "U9"
kind = "multiplexer"
lines = ["A0", "A7"]
"""


@pytest.fixture
def mapped(tmp_path):
    (tmp_path / "shed.toml").write_text(BOARD)
    return new_case(tmp_path / "mapped", tmp_path / "shed.toml", "garbage")


def test_the_chips_between_are_asked_about_where_the_profile_maps_the_board(mapped):
    assert list(to_probe(mapped.profile, ("D3",), False)) == [
        ("U5", "the buffer U5 (D3 from pin 5 to 15; D0 from pin 2 to 18; direction at pin 1; enable at pin 19): does what comes in go out "
               "again, and does its direction turn with /RD?")
    ]  # fmt: skip
    assert [name for name, _ in to_probe(mapped.profile, (), False)] == ["U5", "U9"]
    assert [name for name, _ in to_probe(None, ("D3",), False)] == ["glue"]
    assert way_to(mapped.profile, "D0") == "pin 2 of the buffer U5" and way_to(mapped.profile, "A0") == way_to(None, "D0") == ""


def test_a_chip_that_is_measured_bad_is_the_one_to_swap(mapped):
    assert chip_to_swap(mapped, ("D0",)).chip == "U5" and chip_to_swap(mapped, ()) is None
    bad = add_answer(mapped, Answer("passes", "U9", 0.0))
    assert bad.items[-1].answer.part == "glue" and chip_to_swap(bad, ("D0",)).chip == "U9"
    assert chip_to_swap(add_answer(back_at(mapped), Answer("passes", "U5", 1.0)), ("D0",)) is None
    even = {"glue": 0.5, "cpu": 0.5}
    one = checks.reach(Answer("passes", "U5", part="glue"), (), mapped.profile)
    assert one == 0.5 and checks.reach(Answer("passes", "glue", part="glue"), (), mapped.profile) == 1.0
    assert after(even, Answer("passes", "U5", 1.0), reach=one)["glue"] > after(even, Answer("passes", "glue", 1.0))["glue"]


def test_who_saw_the_fault_nowhere_but_at_the_machine_says_whether_it_is_gone(tmp_path):
    """A capture that shows nothing can prove nothing: the case asks, and goes on where the part was not the one."""
    case = add_capture(new_case(tmp_path / "case", symptom="garbage"), captured(tmp_path / "good.vcd"))
    tried = add_answer(case, Answer("replaced", "ram"))
    step = judge_case(tried).step
    assert step.id == "tried:ram" and step.power == "on" and [answer.fault for answer in step.answers] == ["gone", "stays"]
    stays = judge_case(add_answer(tried, step.answers[1]))
    assert share(stays, "ram") < share(judge_case(case), "ram")
    assert stays.step.kind not in ("close", "none") and stays.step.id != "tried:ram"
    gone = judge_case(add_answer(back_at(tried), step.answers[0]))
    assert gone.step.kind == "close" and gone.proof is None and "--was ram" in gone.step.commands[0]


@pytest.mark.parametrize("order", [("cpu", "connector"), ("connector", "cpu")])
def test_a_line_that_lives_at_the_pin_and_is_dead_at_the_connector_is_an_open_way(tmp_path, order):
    """0.4 V at the pin itself speaks for the CPU; 3.6 V there and 0.4 V at the connector for what lies between."""
    case = add_capture(new_case(tmp_path / "case", symptom="dead"), captured(tmp_path / "dead.vcd", faults=[fault("dead-low", line="M1")]))
    volts = {"cpu": 3.6, "connector": 0.4}
    apart = case
    for place in order:
        apart = add_answer(apart, Answer("volts", "M1", volts[place], place=place))
    assert judge_case(apart).hypotheses[0].suspect == "connection"
    assert judge_case(add_answer(back_at(case), Answer("volts", "M1", 0.4))).hypotheses[0].suspect == "cpu"
