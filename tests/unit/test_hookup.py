"""Hook-up advice: it follows from the catalogue, fits the analyser, and a capture of just these leads lets diagnose decide."""

from __future__ import annotations

import argparse
import json
import os
from dataclasses import replace

import pytest

from conftest import ROOT, TRACES
from strobewise.bus.lines import ADDRESS, DATA, LINE
from strobewise.bus.model import SUSPECTS, SuspectShare, Verdict
from strobewise.diagnosis.facade import diagnose
from strobewise.errors import UsageError
from strobewise.hookup.plan import ALWAYS, RATES_HZ, advise, next_symptom, relevance
from strobewise.hookup.questions import BRIDGED, QUESTIONS, answers, question_of, wiring_rows
from strobewise.hookup.symptoms import SYMPTOMS, UNKNOWN, find_symptom
from strobewise.machine import LINE_SETS, fault, simulate
from strobewise.rules import CATALOGUE
from strobewise.rules.base import CAUTION_CLIP, COARSE_SAMPLES
from strobewise_cli.commands import hookup
from strobewise_cli.main import main
from strobewise_cli.render.hookup_text import FEW_LEADS, command
from strobewise_cli.render.phrases import names_text

CLOCK_HZ = 3_276_800


def lines_of(advice):
    return [lead.line for lead in advice.leads]


@pytest.mark.parametrize("symptom", [*SYMPTOMS, UNKNOWN], ids=lambda symptom: symptom.name)
@pytest.mark.parametrize("channels", [1, 2, 3, 4, 8, 16, 24, 32, 40, 64])
def test_advice_fits_the_analyser_and_is_true_of_the_catalogue(symptom, channels):
    advice = advise(channels, symptom, CLOCK_HZ)
    names = lines_of(advice)
    assert 1 <= len(names) <= channels and len(set(names)) == len(names)
    assert set(ALWAYS) <= set(names) and all(name in LINE for name in names)
    assert channels > 16 or len(names) >= min(channels, 15)
    have = set(names)
    for rule in CATALOGUE:
        able = any(have.issuperset(needed) for needed in rule.needs)
        if rule.id in advice.decides:
            assert able, rule.id
        for left in advice.undecided:
            if left.rule == rule.id:
                assert left.missing and not have & set(left.missing)
    assert not {left.rule for left in advice.undecided} & set(advice.decides)


def test_more_channels_never_decide_less():
    for symptom in SYMPTOMS:
        counts = [len(advise(n, symptom).decides) for n in (2, 4, 8, 16, 40)]
        assert counts == sorted(counts) and counts[-1] > counts[0], symptom.name


def test_a_rule_that_is_added_takes_part():
    model = CATALOGUE[0]
    added = replace(
        model, id="new-rule", severity="fault", needs=(("ROMDIS", "NMI"),), judges=("ROMDIS",), suspects=(("expansion_device", 1.0),)
    )
    symptom = find_symptom("ignores-expansion")
    assert symptom is not None and relevance(added, symptom) > 1.0
    before, after = advise(3, symptom), advise(3, symptom, catalogue=[*CATALOGUE, added])
    assert "ROMDIS" not in lines_of(before)
    assert {"ROMDIS", "NMI"} <= set(lines_of(after)) and after.decides[0] == "new-rule"


def test_whole_buses_or_none_and_directions_with_data():
    for symptom in SYMPTOMS:
        for channels in range(1, 45):
            names = set(lines_of(advise(channels, symptom)))
            assert len(names & set(ADDRESS)) in (0, 16) and len(names & set(DATA)) in (0, 8)
            if names & set(DATA):
                assert {"RD", "WR"} <= names


@pytest.mark.parametrize("clock", [1e6, 3.5e6, 4e6, 8e6, 20e6])
def test_the_rate_is_one_that_exists_and_is_fast_enough(clock):
    advice = advise(8, clock_hz=clock)
    assert advice.sample_hz in RATES_HZ and advice.sample_hz >= 5 * clock
    assert advice.sample_hz >= advice.sample_hz_min > COARSE_SAMPLES * clock


def test_the_trigger_is_a_line_of_the_set_or_none():
    for symptom in SYMPTOMS:
        for channels in (1, 4, 16):
            advice = advise(channels, symptom)
            if advice.trigger.startswith("no trigger"):
                continue
            assert advice.trigger.rpartition(" ")[2].lstrip("/") in lines_of(advice)


def test_cautions_come_first(capsys):
    assert call("--symptom", "dead") == 0
    out = capsys.readouterr().out
    assert out.startswith("  !  Power off and unplug before moving a clip; clip ground first")
    assert CAUTION_CLIP in advise(8).cautions


CASES = [
    ("dead", 2, "clock-dead", {"after_s": 0.001}),
    ("dead", 4, "reset-held", {}),
    ("dead", 16, "dead-low", {"line": "RFSH"}),
    ("dead", 8, "dead-high", {"line": "RD"}),
    ("dead", 16, "wait-held", {}),
    ("dead", 16, "busreq-held", {}),
    ("dead", 40, "rom-absent", {}),
    ("resets", 4, "reset-loop", {}),
    ("hangs", 8, "wait-held", {"after_s": 0.001}),
    ("hangs", 8, "busreq-held", {"after_s": 0.001}),
    ("memory-size", 32, "ram-bit-dead", {"bit": 3}),
    ("memory-size", 32, "ram-missing", {"start": 0x8000, "end": 0xBFFF}),
    ("memory-size", 32, "shorted", {"lines": ["A6", "A7"]}),
    ("garbage", 16, "dead-high", {"line": "WR"}),
    ("garbage", 32, "dead-low", {"line": "D2", "at": "line"}),
    ("ignores-expansion", 2, "dead-low", {"line": "M1"}),
    ("ignores-expansion", 8, "dead-high", {"line": "IORQ"}),
    ("dies-warm", 8, "reset-held", {"after_s": 0.002}),
    ("dies-warm", 8, "clock-dead", {"after_s": 0.002}),
    ("unknown", 8, "dead-high", {"line": "M1"}),
]


@pytest.mark.parametrize(("symptom", "channels", "kind", "parameters"), CASES, ids=str)
def test_capturing_just_what_it_advises_decides(symptom, channels, kind, parameters, tmp_path):
    advice = advise(channels, find_symptom(symptom), CLOCK_HZ)
    broken = fault(kind, **parameters)
    path = tmp_path / "advised.vcd"
    with path.open("w") as file:
        simulate(lines=tuple(lines_of(advice)), sample_hz=advice.sample_hz, duration_s=0.006, faults=[broken]).write_vcd(file)
    verdict = diagnose([path]).verdict
    assert verdict.state == "fault" and verdict.suspects[0].suspect in broken.suspects


def free_run(path, *faults):
    """Capture the free-run test of a CPU with faults, with the leads of the advice: a NOP at every address."""
    advice = advise(40, find_symptom("dead"), CLOCK_HZ)
    with path.open("w") as file:
        lines = tuple(lines_of(advice))
        simulate(lines=lines, contents=((0, bytes(0x10000)),), duration_s=0.006, faults=list(faults)).write_vcd(file)
    return diagnose([path])


def test_the_free_run_of_a_good_cpu_says_so(tmp_path):
    advice = advise(40, find_symptom("dead"), CLOCK_HZ)
    assert "NOP" in advice.free_run and "hookup --free-run" in advice.free_run and "diagnose --free-run" in advice.free_run
    said = free_run(tmp_path / "free-run.vcd")
    assert [finding.rule for finding in said.findings if finding.severity == "fault"] == ["reads-all-00"]
    assert "the CPU walks up through memory" in said.findings[0].evidence and "forced on purpose" in said.findings[0].next_step
    assert advise(40, find_symptom("resets")).free_run == ""


@pytest.mark.parametrize(
    ("broken", "line"),
    [
        (fault("dead-high", line="M1"), "M1"),
        (fault("dead-high", line="RFSH"), "RFSH"),
        (fault("dead-low", line="A5"), "A5"),
        (fault("shorted", lines=["A5", "A6"]), "A6"),
    ],
    ids=["M1", "RFSH", "A5", "A5-A6"],
)
def test_the_free_run_of_a_bad_cpu_names_the_line(broken, line, tmp_path):
    faults = [finding for finding in free_run(tmp_path / "free-run.vcd", broken).findings if finding.severity == "fault"]
    assert faults[0].rule != "reads-all-00" and line in faults[0].lines


def test_a_bus_is_worth_its_leads():
    """One lead at a time would use up the room that the address bus needs, and the expansion port's line with it."""
    assert {"ROMDIS", "M1", "MREQ", *ADDRESS} <= set(lines_of(advise(24, find_symptom("ignores-expansion"))))
    assert {"RD", "WR", *ADDRESS, *DATA} <= set(lines_of(advise(32, find_symptom("dead"))))


def test_after_an_undecided_capture_the_rules_that_decided_stand_back(tmp_path):
    path = tmp_path / "first.vcd"
    with path.open("w") as file:
        simulate(lines=LINE_SETS["two"], faults=[fault("clock-dead", after_s=0.0001)], duration_s=0.002).write_vcd(file)
    first = diagnose([path])
    assert first.verdict.state == "cannot_decide"
    symptom, settled = next_symptom(first.verdict, first.findings, first.evidence)
    assert "fetch-strobe-missing" in settled
    again = advise(4, symptom, settled=settled)
    assert {"CLK", "MREQ"} <= set(lines_of(again)) and "M1" not in lines_of(again)
    assert set(lines_of(again)) - {"MREQ"} <= set(first.verdict.clip_also)
    assert "clock-stopped" in again.decides and next(lead for lead in again.leads if lead.line == "CLK").rules
    assert call("--channels", "4", "--after", path) == 0


def test_what_the_verdict_suspects_outweighs_an_unknown_symptom_and_joins_one_that_was_told():
    evidence = diagnose([TRACES / "good" / "healthy-two.vcd"]).evidence
    verdict = Verdict("fault", (SuspectShare("cpu", 0.8), SuspectShare("connection", 0.2)), "", (), ())
    alone, _ = next_symptom(verdict, (), evidence)
    assert alone.weights == {"cpu": 1.0, "connection": 0.25}
    nobody, _ = next_symptom(verdict._replace(suspects=()), (), evidence)
    assert nobody.weights == {**dict.fromkeys(SUSPECTS, 0.0), **UNKNOWN.weights}
    told = find_symptom("memory-size")
    both, _ = next_symptom(verdict, (), evidence, told)
    assert both.weights["cpu"] == 1.0 and both.weights["ram"] == told.weights["ram"] and set(both.weights) == set(SUSPECTS)


# --- the command -------------------------------------------------------------------------------------------------------


def call(*arguments):
    parser = argparse.ArgumentParser()
    hookup.add_parser(parser.add_subparsers())
    args = parser.parse_args(["hookup", *map(str, arguments)])
    return args.run(args)


def test_the_command_names_every_symptom():
    assert hookup.SYMPTOM_NAMES == tuple(symptom.name for symptom in (*SYMPTOMS, UNKNOWN))
    for symptom in SYMPTOMS:
        assert f"{symptom.name:<18} {symptom.words}" in hookup._EPILOG


def test_channels_that_stay_free_are_told(capsys):
    taken = {channels: len(advise(channels, find_symptom("dead")).leads) for channels in range(20, 30)}
    channels = max(taken, key=lambda each: each - taken[each])
    assert call("--channels", str(channels), "--symptom", "dead") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert f"{channels - taken[channels]} channels may stay free: A0-A15 help only all together" in out
    assert call("--channels", "8") == 0
    assert "may stay free" not in capsys.readouterr().out


@pytest.mark.parametrize("channels", [1, 8, 40])
def test_text(channels, capsys):
    assert call("--channels", channels, "--symptom", "garbage", "--clock", "4M") == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "GND" in out and "/MREQ" in out and "24 MHz" in out and "4 MHz" in out


def test_json_and_the_command_line_that_follows(capsys):
    assert call("--channels", "2", "--symptom", "ignores-expansion", "--clock", "3.5M", "--json", "-") == 0
    data = json.loads(capsys.readouterr().out)
    assert (data["format"], data["symptom"], data["channels"]) == ("strobewise-hookup", "ignores-expansion", 2)
    assert [(lead["line"], lead["pin"]) for lead in data["leads"]] == [("MREQ", 19), ("M1", 27)]
    assert data["command"] == "strobewise diagnose capture.vcd --map MREQ=CH0 --map M1=CH1 --clock 3500000"
    assert "--clock" not in command(advise(8, find_symptom("dead"), 3.5e6))  # CLK is among the leads


@pytest.mark.parametrize("channels", [0, -1, 65])
def test_a_number_of_channels_that_makes_no_sense(channels):
    with pytest.raises(UsageError, match=r"channels \(--channels\): a number from 1 to 64$"):
        call("--channels", channels)
    with pytest.raises(ValueError, match="channels"):
        advise(channels)


def test_the_readme_s_wiring_table_is_what_hookup_and_the_rules_say():
    """After a change of rules STROBEWISE_UPDATE_GOLDEN=1 writes the table anew; read it before committing."""
    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    before, line, rest = text.partition("|---|---|---|\n| 2 |")
    found, gap, after = (line.partition("\n")[2] + rest).partition("\n\n")
    wanted = "\n".join(f"| {' | '.join(row)} |" for row in wiring_rows([2, 8, 16, 24, 38]))
    if os.environ.get("STROBEWISE_UPDATE_GOLDEN") == "1":
        readme.write_text(f"{before}|---|---|---|\n{wanted}{gap}{after}", encoding="utf-8")
        found = wanted
    assert found == wanted and "## Wiring" in before


def test_every_rule_of_a_fault_helps_to_answer_a_question():
    used = {question_of(rule) for rule in CATALOGUE if rule.severity == "fault"}
    assert used == {*QUESTIONS, BRIDGED}


@pytest.mark.parametrize("symptom", [*SYMPTOMS, UNKNOWN], ids=lambda symptom: symptom.name)
@pytest.mark.parametrize("channels", [2, 8, 16, 24, 38])
def test_what_is_answered_is_what_a_rule_can_decide(symptom, channels):
    lines = frozenset(lines_of(advise(channels, symptom)))
    told = answers(lines, channels)
    for question in told.answered:
        assert any(question_of(rule) is question and any(lines.issuperset(needed) for needed in rule.needs) for rule in CATALOGUE)
    for question, missing in told.open:
        assert question not in told.answered and missing and not lines & set(missing)
    for question in told.beyond:  # no rule of it gets by with so few leads
        own = [rule for rule in CATALOGUE if question_of(rule) is question and rule.severity == "fault" and any(rule.needs)]
        assert all(len(needed) > channels for rule in own if not rule.blames_leads for needed in rule.needs if needed)


def test_the_words_are_those_of_a_repair_and_not_of_the_rules(capsys):
    assert call("--channels", "8", "--symptom", "garbage") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "This can answer whether the CPU works at all" in out
    assert "whether the RAM holds what is written, and which chip does not (cannot be answered with 8)" in out
    advice = out.partition("When this does not decide")[0]  # the free-run test names the signs that diagnose shows
    assert not any(rule.title in advice for rule in CATALOGUE if len(rule.title.split()) > 3)


@pytest.mark.parametrize(("symptom", "channels"), [("dead", 2), ("resets", 8), ("resets", 24)])
def test_what_an_open_question_takes(symptom, channels, capsys):
    """A few more leads where the analyser has them, other leads where it has not; what no set of so many answers is said to be so."""
    assert call("--channels", str(channels), "--symptom", symptom) == 0
    out = " ".join(capsys.readouterr().out.split())
    advice = advise(channels, find_symptom(symptom))
    relevant = {*advice.decides, *(left.rule for left in advice.undecided)}
    told = answers(lines_of(advice), channels, [rule for rule in CATALOGUE if rule.id in relevant])
    assert told.open
    for question, missing in told.open:
        takes = f"takes {names_text(missing)} as well" if len(missing) <= FEW_LEADS else "takes other leads"
        takes = f"cannot be answered with {channels}" if question in told.beyond else takes
        assert f"{question.words} ({takes})" in out


def test_what_fails_after_a_while_is_sent_to_bursts_and_to_watch(capsys):
    for symptom, late in (("dies-warm", True), ("dead", False)):
        assert call("--symptom", symptom) == 0
        out = capsys.readouterr().out
        assert ("strobewise watch -" in out and "--until-fault" in out) == late


def test_data_lines_are_clipped_where_the_addresses_have_no_room():
    assert set(DATA) <= set(lines_of(advise(24))) and not set(ADDRESS) & set(lines_of(advise(24)))


def test_a_known_program_takes_two_leads_for_as_long_as_the_faults_part(tmp_path, capsys):
    from strobewise.machine.scenario import Scenario

    rom = tmp_path / "patrol.rom"
    rom.write_bytes(Scenario().demo("patrol"))
    assert main(["hookup", "--rom", f"{rom}@0x0000", "--machine", "rom16-ram48", "--clock", "4M", "--json", "-"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert [lead["line"] for lead in plan["leads"]] == ["M1", "MREQ", "RESET"]
    assert 0.0002 < plan["duration_s"] < 0.02 and plan["trigger"] == "rising edge of /RESET"
    assert plan["faults"] > plan["seen"] > plan["alone"] > 100
    assert "--machine rom16-ram48 --clock 4000000" in plan["command"]


def test_a_program_that_does_not_begin_at_reset_is_refused(tmp_path, capsys):
    rom = tmp_path / "other.rom"
    rom.write_bytes(b"\x00\x01")
    assert main(["hookup", "--rom", f"{rom}@0x8000"]) == 2
    assert "--rom" in capsys.readouterr().err


def test_the_capture_before_may_be_raw_samples_with_a_map_of_their_own(tmp_path):
    """What it decides is not asked for again, which shows that its lines were known."""
    plain, samples, names = tmp_path / "first.vcd", tmp_path / "first.bin", tmp_path / "leads.toml"
    with open(plain, "w", encoding="ascii") as file:
        simulate(lines=LINE_SETS["two"], faults=[fault("clock-dead", after_s=0.0001)], duration_s=0.002).write_vcd(file)
    lines = LINE_SETS["two"]
    assert main(["prepare", str(plain), "-o", str(samples), "--as", "raw"]) == 0
    names.write_text("[map]\n" + "".join(f'{line} = "CH{bit}"\n' for bit, line in enumerate(lines)))
    form = "24M:" + ",".join(f"CH{bit}={bit}" for bit in range(len(lines)))
    told = [tmp_path / "plain.json", tmp_path / "raw.json"]
    assert call("--channels", "4", "--after", plain, "--json", told[0]) == 0
    assert call("--channels", "4", "--after", samples, "--raw", form, "--map-file", names, "--json", told[1]) == 0
    plain_leads, raw_leads = (json.loads(path.read_text())["leads"] for path in told)
    assert raw_leads == plain_leads
