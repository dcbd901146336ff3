"""strobewise simulate: files appear whole or not at all, options override the scenario, errors are one clear line."""

from __future__ import annotations

import argparse
import gzip
import json

import pytest

from strobewise.errors import StrobewiseError
from strobewise.machine import FAULTS, load_scenario, run_scenario
from strobewise_cli.commands import simulate

SCENARIO = """
clock_hz = 2_500_000

[[memory]]
kind = "rom"
start = 0x0000
end = 0x1FFF

[[memory]]
kind = "ram"
start = 0x4000
end = 0xFFFF

[capture]
duration_s = 0.0002
"""


def call(*arguments) -> int:
    parser = argparse.ArgumentParser()
    simulate.add_parser(parser.add_subparsers())
    args = parser.parse_args(["simulate", *map(str, arguments)])
    return args.run(args)


@pytest.fixture
def scenario(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(SCENARIO, encoding="utf-8")
    return path


def test_capture_and_truth(scenario, tmp_path):
    assert call(scenario, "-o", tmp_path / "a.vcd", "--truth", tmp_path / "a.json") == 0
    text = (tmp_path / "a.vcd").read_text()
    assert text.startswith("$comment") and text.endswith("#200000\n")
    truth = json.loads((tmp_path / "a.json").read_text())
    assert truth["format"] == "strobewise-truth" and truth["state"] == "no_fault_found" and truth["suspects"] == ["none"]
    assert truth["cycles"] == run_scenario(load_scenario(scenario)).truth["cycles"]


def test_the_same_bytes_again(scenario, tmp_path):
    for name in ("a.vcd.gz", "b.vcd.gz"):
        call(scenario, "-o", tmp_path / name)
    assert (tmp_path / "a.vcd.gz").read_bytes() == (tmp_path / "b.vcd.gz").read_bytes()
    call(scenario, "-o", tmp_path / "c.vcd", "--seed", "7")
    assert gzip.decompress((tmp_path / "a.vcd.gz").read_bytes()) != (tmp_path / "c.vcd").read_bytes()


def test_standard_output(scenario, capsys):
    assert call(scenario, "--duration", "50us") == 0
    assert capsys.readouterr().out.endswith("#50000\n")


def test_options_override_the_scenario(scenario, tmp_path):
    call(
        scenario, "-o", tmp_path / "a.vcd", "--truth", tmp_path / "a.json", "--lines", "m1,mreq", "--names", "slash",
        "--sample-rate", "10MHz", "--duration", "0.1ms", "--start", "0.0001", "--fault", "dead-low:line=M1",
        "--fault", "shorted:lines=D2+D3", "--fault", "ram-bit-dead:bit=1,start=0x8000",
    )  # fmt: skip
    truth = json.loads((tmp_path / "a.json").read_text())
    assert truth["lines"] == ["M1", "MREQ"] and truth["labels"] == ["/M1", "/MREQ"] and truth["sample_hz"] == 10_000_000
    assert [f["fault"] for f in truth["faults"]] == ["dead-low", "shorted", "ram-bit-dead"]
    assert truth["faults"][2]["parameters"] == {"bit": 1, "level": "low", "start": 0x8000, "end": 0xFFFF}
    assert "$var wire 1 ! /M1 $end" in (tmp_path / "a.vcd").read_text()


def test_faults_of_the_command_line_join_those_of_the_scenario(scenario, tmp_path):
    scenario.write_text(SCENARIO + '[[fault]]\nkind = "rom-absent"\n', encoding="utf-8")
    call(scenario, "-o", tmp_path / "a.vcd", "--truth", tmp_path / "a.json", "--fault", "glitches")
    truth = json.loads((tmp_path / "a.json").read_text())
    assert [f["fault"] for f in truth["faults"]] == ["rom-absent", "glitches"]
    assert truth["suspects"][0] == "rom" and truth["state"] == "fault"


def test_the_list_of_faults_explains_each(capsys):
    assert call("--list-faults") == 0
    out = capsys.readouterr().out
    for name, kind in FAULTS.items():
        assert f"{name}\n    {kind.explanation[:60]}" in out
        for parameter in kind.parameters:
            assert f"    {parameter.name}: " in out


@pytest.mark.parametrize(
    "arguments, message",
    [
        ([], r"no scenario \(SCENARIO\): name a scenario or a machine profile, or use --list-faults"),
        (["FILE", "-o", "FILE"], r"the output would replace the input \(.*\): choose another name for the output"),
        (["FILE", "--fault", "deaf:line=M1"], r"no fault is called 'deaf' \(--fault deaf:line=M1\): one of dead-high, .*"),
        (["FILE", "--fault", "dead-low:M1"], r"'M1' is no KEY=VALUE \(--fault dead-low:M1\): write KIND:KEY=VALUE,KEY=VALUE"),
        (["FILE", "--fault", "dead-low"], r"line is missing \(--fault dead-low\): a line: .*"),
        (["FILE", "--lines", "M1,MRQ"], r"no line is called 'MRQ' \(--lines\): lines such as CLK,M1,A0, or one of full, .*"),
        (["FILE", "--lines", "M1,M1"], r"a line is named twice \(--lines\): name each line once"),
        (["FILE", "--names", "nice"], r"no style is called 'nice' \(--names\): one of plain, .*"),
        (["FILE", "--seed", "x"], r"'x' is no seed \(--seed\): a whole number, 0 or more"),
        (["FILE", "--duration", "soon"], r"'soon' is no time \(--duration or --start\): write seconds, or 10ms, or 500us"),
        (["FILE", "--sample-rate", "1"], r"'1' is no sample rate \(--sample-rate\): 1 kHz to 1 GHz, written as 24000000, 24M or 24MHz"),
        (["FILE", "--sample-rate", "fast"], r"'fast' is no sample rate \(--sample-rate\): 1 kHz to 1 GHz, written as .*"),
    ],
)
def test_one_line_for_every_mistake(scenario, arguments, message):
    before = sorted(scenario.parent.iterdir())
    with pytest.raises(StrobewiseError, match=f"^{message}$"):
        call(*(str(scenario) if a == "FILE" else a for a in arguments))
    assert sorted(scenario.parent.iterdir()) == before


def test_nothing_is_left_of_an_output_that_fails(scenario, tmp_path):
    scenario.write_text(SCENARIO.replace("2_500_000", "9_000_000"), encoding="utf-8")
    with pytest.raises(StrobewiseError, match="too fast"):
        call(scenario, "-o", tmp_path / "a.vcd")
    assert [path.name for path in tmp_path.iterdir()] == ["mine.toml"]
