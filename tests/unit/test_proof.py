"""Whether a repair is proven: the fault's conditions met again, for long enough, by a machine that works."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hand_made import evidence_of

from conftest import TRACES, run_strobewise
from strobewise.bus.model import Finding
from strobewise.case.explained import goes_further
from strobewise.case.proof import Witness, _can_show, _Judged, _until, prove, time_for_a_proof
from strobewise.diagnosis.facade import conclude, examine
from strobewise.machine import GENERIC
from strobewise.machine.faults import fault
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.records.replay import ReplayRecord
from strobewise.rules.replay import REPLAY_RULE

LINES = ("CLK", "MREQ", "M1", "RD", "WR", "RFSH", "IORQ", "HALT")
WARM = fault("intermittent", line="M1", at="cpu", level="high", after_s=0.003, ramp_s=0.05)


@pytest.fixture
def witness(tmp_path):
    count = iter(range(100))

    def make(minutes_on=None, places=None, lines=LINES, **settings):
        path = tmp_path / f"{next(count)}.vcd"
        with open(path, "w", encoding="ascii") as file:
            simulate(lines=lines, seed=settings.pop("seed", 7), **{"duration_s": 0.006, **settings}).write_vcd(file)
        return Witness(conclude([examine(str(path), Options(probe_at=places or {}))]), minutes_on)

    return make


def test_a_fault_that_was_always_there_and_is_gone_is_proven(witness):
    said = prove([witness(faults=[fault("dead-low", line="M1")])], [witness()])
    assert (said.state, said.words, said.missing) == ("proven", "proven: gone after the repair: /M1 dead", ())
    assert any("strobes in all of" in text and "; all of" in text and text.endswith("failed before") for text in said.seen)


def test_what_failed_now_and_then_is_told_as_a_share(witness):
    said = prove([witness(faults=[WARM], duration_s=0.02)], [witness(duration_s=0.03, seed=8)])
    assert any(re.search(r"; [0-9.]+ % of \d+ failed before$", text) for text in said.seen), said.seen


def test_the_same_fault_again_is_still_there(witness):
    dead = [fault("dead-low", line="M1")]
    said = prove([witness(faults=dead)], [witness(), witness(faults=dead, seed=8)])
    assert said.state == "still_there" and said.words.startswith("still there: /M1 (pin 27)")


def test_the_line_at_fault_in_another_way_is_still_there(witness):
    assert prove([witness(faults=[fault("dead-low", line="M1")])], [witness(faults=[fault("floating", line="M1")])]).state == "still_there"


def test_another_fault_is_told_as_one(witness):
    said = prove([witness(faults=[fault("dead-low", line="M1")])], [witness(faults=[fault("dead-high", line="RFSH")])])
    assert said.state == "new_fault" and said.words.startswith("another fault than before: /RFSH (pin 28)")


@pytest.mark.parametrize("dead", [fault("rom-absent"), fault("reset-held", after_s=0.0), fault("clock-dead")], ids=lambda f: f.kind)
def test_another_dead_machine_is_no_proof(witness, dead):
    said = prove([witness(faults=[fault("dead-low", line="M1")])], [witness(faults=[dead])])
    assert said.state in ("not_proven", "new_fault")
    assert said.state == "new_fault" or any("program" in text or "decide" in text for text in said.missing)


def test_other_leads_prove_nothing(witness):
    said = prove([witness(faults=[fault("dead-low", line="M1")])], [witness(lines=("CLK", "MREQ", "RD", "WR"))])
    assert said.state == "not_proven" and "no capture after the repair could show the fault again (/M1 dead)" in said.missing[0]


def test_the_connector_is_another_place_than_the_cpu(witness):
    broken = [fault("dead-high", line="M1", at="connector")]
    places = {"M1": "connector"}
    before = witness(places=places, probe_at=places, faults=broken)
    assert prove([before], [witness()]).state == "not_proven"
    assert prove([before], [witness(places=places, probe_at=places)]).state == "proven"


def test_a_capture_shorter_than_the_fault_took_proves_nothing(witness):
    before = witness(faults=[WARM], duration_s=0.01)
    short = prove([before], [witness(duration_s=0.0025)])
    assert short.state == "not_proven" and short.missing[0].startswith("longer: it failed after 3.")
    long = prove([before], [witness(duration_s=0.012, seed=9)])
    assert long.state == "proven" and any("exp(-t/m)" in text for text in long.seen)


def test_how_sure_a_time_without_a_failure_is_follows_from_the_mean_time_to_it(witness):
    before = witness(faults=[WARM], duration_s=0.01)
    (failed,) = before.faults
    mean = failed.first_s - before.evidence.start_s
    after = witness(duration_s=0.007)
    assert prove([before], [after]).chance == pytest.approx(math.exp(-after.evidence.duration_s / mean), rel=1e-6)
    spared = witness(duration_s=0.004, seed=3)  # at risk as well, and spared: the mean time to a failure is longer
    longer = prove([before, spared], [after]).chance
    assert longer == pytest.approx(math.exp(-after.evidence.duration_s / (mean + spared.evidence.duration_s)), rel=1e-6)


def test_a_fault_that_needs_warmth_is_not_disproved_cold(witness):
    before = witness(minutes_on=20.0, faults=[WARM])
    cold = prove([before], [witness(minutes_on=2.0)])
    assert cold.state == "not_proven" and "on for 20 minutes, as then" in cold.missing[0] and cold.minutes_on == 20.0
    brief = prove([before], [witness(minutes_on=25.0)])
    assert brief.state == "not_proven" and brief.minutes_on == 60.0
    warm_and_brief = prove([before], [witness(minutes_on=60.0, duration_s=0.0025)])
    assert warm_and_brief.state == "not_proven" and warm_and_brief.missing[0].startswith("longer: it failed after 3.")
    assert prove([before], [witness(minutes_on=60.0, duration_s=0.012)]).state == "proven"


def test_the_same_time_counts_once(witness):
    before = witness(minutes_on=20.0, faults=[WARM])
    at_21 = [witness(minutes_on=21.0, duration_s=0.012, seed=seed) for seed in (8, 9, 10)]
    assert prove([before], at_21).state == "not_proven", "three captures of one evening are no hour"
    short = witness(duration_s=0.004, seed=8)
    copies = prove([witness(faults=[WARM])], [short, short, short])
    once = prove([witness(faults=[WARM])], [short])
    assert (copies.state, copies.chance) == (once.state, once.chance) == ("not_proven", once.chance)


def test_many_short_captures_do_not_stand_for_a_long_one(witness):
    said = prove([witness(faults=[WARM], duration_s=0.01)], [witness(duration_s=0.003, seed=seed) for seed in range(8, 16)])
    assert said.state == "not_proven" and "several short ones do not stand for one of" in said.missing[0]


def test_captures_without_a_fault_leave_nothing_to_prove(witness):
    said = prove([witness()], [witness(seed=8)])
    assert said.state == "not_proven" and said.missing == ("a capture from before the repair in which the fault shows",)


def test_the_command_says_it_in_its_exit_status():
    good, bad = TRACES / "good" / "healthy-full.vcd.gz", TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"
    done = run_strobewise("prove", "--before", bad, "--after", good, "--json", "-")
    assert (done.returncode, json.loads(done.stdout)["state"]) == (0, "proven")
    assert run_strobewise("prove", "--before", bad, "--after", bad).returncode == 1
    two = run_strobewise("prove", "--before", good, "--after", good)
    assert two.returncode == 3 and b"missing: a capture from before the repair" in two.stdout
    assert run_strobewise("prove", "--before", bad).returncode == 2
    wrong = run_strobewise("prove", "--before", bad, "--after", good, "--minutes-on", "x.vcd=3")
    assert wrong.returncode == 2 and b"'x.vcd=3' is no capture and minutes (--minutes-on)" in wrong.stderr


def test_a_program_that_these_leads_cannot_show_is_all_that_is_missing(witness):
    blind = ("CLK", "MREQ", "M1", "RFSH", "HALT")
    before = witness(lines=blind, faults=[fault("dead-low", line="M1")])
    after = witness(lines=blind, seed=8, machine=replace(GENERIC, interrupt_period_t_states=None))  # acknowledges would show it
    said = prove([before], [after])
    assert said.only_running and said.missing == (
        "a program that is seen to run on: without /RD and /WR a program cannot be told from a CPU that nothing answers",
    )
    assert prove([before], [after, witness(seed=9)]).state == "proven"


@pytest.mark.parametrize(
    ("cycles", "matched", "ended", "shows"),
    [(None, 0, "", False), (900, 900, "complete", True), (900, 880, "parted", False), (900, 900, "lost", True)],
)
def test_a_fault_that_the_program_named_is_gone_where_all_of_the_program_agrees(cycles, matched, ended, shows):
    replayed = None if cycles is None else ReplayRecord("given", 0.0, "reset", cycles, matched, ended)
    finding = Finding(REPLAY_RULE, "fault", (), "rom", 0.9, 0.0, 0.0, 1, "seen", "look")
    assert _can_show(finding, evidence_of(replay=replayed)) == shows


def test_a_repair_keeps_to_the_program_beyond_where_the_machine_left_it_before():
    def replayed(matched, ended):
        return ReplayRecord("given", 0.0, "reset", 3000, matched, ended)

    failing = [replayed(1200, "parted"), None, replayed(2500, "complete")]
    assert goes_further(replayed(1250, "complete"), failing) and goes_further(replayed(1250, "lost"), failing)
    assert not goes_further(replayed(1249, "complete"), failing) and not goes_further(None, failing)
    assert not goes_further(replayed(1843, "lost"), [replayed(1842, "lost")])  # both end where nobody knows the way
    assert goes_further(replayed(1843, "lost"), [replayed(2500, "complete")])  # a device answers now, whose own program nobody knows


def test_the_first_capture_after_a_repair_is_asked_to_be_long_enough(witness):
    """What it asks for is what the proof then takes: half of it is too short. From the start: any length; warm: as long."""
    before = [witness(faults=[WARM], duration_s=0.02), witness(duration_s=0.02, seed=9)]
    least = time_for_a_proof(before)
    assert least > 3 * 0.02
    enough, half = (prove(before, [witness(duration_s=length, seed=8)]) for length in (least, least / 2))
    assert not any(text.startswith("longer") for text in enough.missing) and any(text.startswith("longer") for text in half.missing)
    assert half.duration_s == pytest.approx(least)
    assert time_for_a_proof([witness(faults=[fault("dead-low", line="M1")])]) == 0.0
    assert time_for_a_proof([witness(faults=[WARM], duration_s=0.02, minutes_on=20)]) > 0.0


def of_evidence(minutes_on=None, **changes):
    return Witness(SimpleNamespace(captures=[SimpleNamespace(path="x.vcd")], findings=[], evidence=evidence_of(**changes)), minutes_on)


def failing(*lines, rule="fetch-strobe-missing", first_s=None):
    return Finding(rule, "fault", lines, "cpu", 0.9, first_s, None, 1, "seen", "look")


@pytest.mark.parametrize(("first_s", "after"), [(None, 0.0), (0.0, 0.0), (0.000499, 0.0), (0.0005, 0.0005), (0.004, 0.004)])
def test_what_fails_in_the_first_twentieth_of_a_capture_fails_from_the_start(first_s, after):
    assert _until(of_evidence(), failing("M1", first_s=first_s)) == after


@pytest.mark.parametrize(
    ("on", "now", "counts", "able"),
    [((5.0,), 5.0, True, 1), ((5.0, 20.0), 5.0, True, 1), ((5.0,), 4.0, True, 0), ((0.0,), 0.0, False, 1), ((None,), 5.0, False, 1)],
)
def test_the_time_that_a_machine_was_on_counts_where_it_was_on_when_it_failed(on, now, counts, able):
    judged = object.__new__(_Judged)
    judged.failing, judged._able, judged.missing = [(of_evidence(minutes), failing("M1")) for minutes in on], [of_evidence(now)], []
    assert (judged._warm(), len(judged._able), len(judged.missing)) == (counts, able, 1 - able)


@pytest.mark.parametrize(
    ("lines", "captured", "shows"),
    [
        (("M1",), (), True),
        (("M1", "BANK0"), (), True),  # no lead of the bus, and nothing that the rule judges
        (("M1",), ("MREQ", "CLK"), False),
        (("M1", "D3"), (), True),
    ],
)
def test_a_capture_can_show_a_fault_of_the_lines_that_it_has(lines, captured, shows):
    evidence = evidence_of(**({"captured": frozenset(captured)} if captured else {}))
    assert _can_show(failing(*lines), evidence) is shows
    assert not _can_show(failing(*lines, rule="no-such-rule"), evidence)


def test_captures_that_nobody_can_read_say_so_and_not_only_that_they_show_no_fault(witness):
    """Where the channels carry the analyser's own names, another capture of the same kind would help nobody."""
    two = ("M1", "MREQ")
    blind = witness(lines=two, names="channels", faults=[fault("dead-low", line="M1")])
    said = prove([blind], [witness(lines=two, names="channels")])
    assert said.state == "not_proven" and said.missing[0].startswith("a capture from before the repair")
    assert [text for text in said.missing if text.startswith("a capture that can decide: channels without a name (in ")]
    assert len(prove([witness()], [witness()]).missing) == 1
