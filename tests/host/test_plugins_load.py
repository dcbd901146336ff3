"""The real host loads the plug-ins without a word, in whatever order; what it can not use it is told, and no capture makes it stumble."""

from __future__ import annotations

import shutil

import pytest
from real_host import NAMES, PLUG_INS, decode, mapping, need_host, run_host

from conftest import ROOT, TRACES, run_strobewise
from strobewise.bus.lines import BIT
from strobewise.machine import simulate
from strobewise.stream.pins import CHANNELS

MAP_TWO = "strobewise_cycles:m1=M1:mreq=MREQ"
STACKED = ("strobewise_instructions", "strobewise_faults")


@pytest.fixture(autouse=True)
def host():
    need_host()


@pytest.fixture
def two(tmp_path):
    run_strobewise("prepare", TRACES / "good" / "healthy-two.vcd", "-o", tmp_path / "two.vcd")
    return tmp_path / "two.vcd"


def vcd(path, changes: str, lines=("M1", "MREQ"), end=1000):
    declared = "".join(f"$var wire 1 {chr(33 + i)} {name} $end\n" for i, name in enumerate(lines))
    path.write_text(f"$timescale 10 ns $end\n{declared}$enddefinitions $end\n{changes}#{end}\n")
    return path


def test_the_list_names_them_all_and_nothing_else():
    done = run_host("-L")
    listed = [line.split()[0] for line in done.stdout.split("Supported protocol decoders:")[1].splitlines() if line.startswith("  ")]
    assert sorted(listed) == sorted(NAMES) and done.stderr == ""


@pytest.mark.parametrize("first", NAMES)
def test_whichever_comes_first_all_are_there(first, tmp_path):
    # The host imports in the directory's own order; with one folder at a time each comes first, and each last.
    for others in (sorted(NAMES), sorted(NAMES, reverse=True)):
        folder = tmp_path / f"decoders-{others[0]}" / "host"
        folder.mkdir(parents=True)
        (folder.parent / "strobewise").symlink_to(ROOT / "decoders" / "strobewise")
        for name in [first, *(name for name in others if name != first)]:
            shutil.copytree(PLUG_INS / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
            done = run_host("-L", plug_ins=folder)
            assert done.stderr == "" and name in done.stdout
        assert all(name in done.stdout for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_the_host_shows_what_it_is_for(name):
    done = run_host("-P", name, "--show")
    assert done.returncode == 0 and done.stderr == ""
    assert name in done.stdout and "Z80" in done.stdout and len(done.stdout.splitlines()) > 15


def test_only_two_lines_do(two):
    done = run_host("-i", two, "-I", "vcd", "-P", MAP_TWO, "-A", "strobewise_cycles")
    assert done.returncode == 0 and done.stderr == "" and done.stdout.count("Opcode fetch") > 500


@pytest.mark.parametrize(
    "options, complaint",
    [
        ("clock_hz=12", "option clock_hz is 12: give 0 or 10000 to 50000000"),
        ("clock_hz=-5", "option clock_hz is -5: give 0 or 10000 to 50000000"),
        ("look=some", "option look is 'some': give 'points' or 'every edge'"),
        ("clock_edges=perhaps", "option clock_edges is 'perhaps': give 'use' or 'ignore'"),
        ("clocked=both", "strobewise_cycles: option clocked is 'both': give 'no' or 'falling' or 'rising'"),
    ],
)
def test_a_bad_option_is_refused_at_the_start(two, options, complaint):
    done = run_host("-i", two, "-I", "vcd", "-P", f"{MAP_TWO}:{options}", "-A", "strobewise_cycles")
    assert done.returncode == 1 and complaint in done.stderr and done.stdout == ""


@pytest.mark.parametrize(
    "options, complaint",
    [
        ("triggers=0x12345", "the address '0x12345' is not within 0 to 0xffff"),
        ("triggers=one", "'one' is no address (write 0x0066, 66h or 102)"),
        ("released_by=0x20-0x10", "the range '0x20-0x10' runs backwards"),
        ("within=0", "option within is 0: give 1 to 1000 T-states"),
        ("answer=A5", "option answer is 'A5': give ROMDIS, WAIT, INT, NMI, BUSREQ"),
        ("answer_level=mid", "option answer_level is 'mid': give 'high' or 'low'"),
    ],
)
def test_a_bad_option_of_the_faults_is_refused(two, options, complaint):
    done = run_host("-i", two, "-I", "vcd", "-P", f"{MAP_TWO},strobewise_faults:{options}", "-A", "strobewise_faults")
    assert done.returncode == 1 and complaint in done.stderr


def test_a_clock_where_mreq_should_be_is_remarked_on(tmp_path):
    path = tmp_path / "prepared.vcd"
    assert run_strobewise("prepare", TRACES / "good" / "healthy-full.vcd.gz", "-o", path).returncode == 0
    words = "/MREQ toggles like a clock: map the channels by their names"
    unmapped = run_host("-i", path, "-I", "vcd", "-P", "strobewise_cycles", "-A", "strobewise_cycles=remarks")  # by position: CLK first
    assert words in unmapped.stdout
    named = run_host("-i", path, "-I", "vcd", "-P", f"strobewise_cycles:{mapping(path)}", "-A", "strobewise_cycles=remarks")
    assert (named.returncode, named.stdout) == (0, "")


def quietly(path, chain="strobewise_cycles:m1=M1:mreq=MREQ"):
    """Run all three over a capture; nothing may be said on standard error. Returns what they say."""
    done = run_host("-i", path, "-I", "vcd", "-P", ",".join((chain, *STACKED)), "--protocol-decoder-samplenum")
    assert (done.returncode, done.stderr) == (0, "") and "please report it" not in done.stdout
    return done.stdout


def test_lines_that_never_move_are_remarked_on(tmp_path):
    shown = quietly(vcd(tmp_path / "x.vcd", "#0\n1!\n1\"\n"))
    assert "No strobe moves in this capture: check the channels and the machine" in shown


def test_no_line_that_shows_a_cycle_is_remarked_on(tmp_path):
    path = vcd(tmp_path / "x.vcd", "#0\n1!\n1\"\n#500\n0!\n#600\n1!\n")
    assert "No cycle can be found: map /MREQ" in quietly(path, "strobewise_cycles:halt=M1")


def test_a_capture_of_one_sample(tmp_path):
    quietly(vcd(tmp_path / "x.vcd", "#0\n1!\n1\"\n", end=1))


def raw(path, duration_s=0.0012):
    """Write what an analyser sees of a healthy machine as samples of 40 channels and nothing else; returns the mapping by number."""
    lines = [name for name in CHANNELS if name != "ROMDIS"]
    capture = simulate(lines=tuple(lines), duration_s=duration_s, timescale="1ns")
    changes = [(round(time * 24e6 / 1e9), word) for time, word, _ in capture.words()]
    ends = [*(time for time, _ in changes[1:]), round(duration_s * 24e6)]
    path.write_bytes(b"".join(word.to_bytes(8, "little") * (end - at) for (at, word), end in zip(changes, ends, strict=True)))
    return "strobewise_cycles" + "".join(f":{name.lower()}={BIT[name]}" for name in lines)


@pytest.mark.parametrize("options", ["", ":clock_hz=3500000"])
def test_without_a_sample_rate_samples_are_counted(tmp_path, options):
    chain = raw(tmp_path / "x.bin") + options
    shown = {}
    for rate in ("", ":samplerate=24000000"):
        for stack, name in (("", "strobewise_cycles"), *((f",{name}", name) for name in STACKED)):
            source = ("-i", tmp_path / "x.bin", "-I", "binary:numchannels=64" + rate)
            done = run_host(*source, "-P", chain + stack, "-A", name, "--protocol-decoder-samplenum")
            assert (done.returncode, done.stderr) == (0, "")
            shown[name, bool(rate)] = done.stdout.splitlines()
    remarks = [line for line in shown["strobewise_cycles", False] if "sample rate is not known" in line]
    assert len(remarks) == 1
    assert [line for line in shown["strobewise_cycles", False] if line not in remarks] == shown["strobewise_cycles", True]
    assert shown["strobewise_instructions", False] == shown["strobewise_instructions", True] != []
    assert shown["strobewise_faults", True] == []
    (only,) = shown["strobewise_faults", False]
    assert "The sample rate is not known: what is too long or too often is not judged" in only


def test_without_a_sample_rate_two_lines_do(tmp_path):
    path = tmp_path / "x.bin"
    pulse = bytes([2] * 3 + [0] * 11 + [3] * 3 + [1] * 7 + [3] * 4)  # M1 on bit 0, MREQ on bit 1: a fetch and its refresh, 7 samples a T
    path.write_bytes(pulse * 200)
    chain = "strobewise_cycles:m1=0:mreq=1:clock_hz=3500000"
    done = run_host("-i", path, "-I", "binary:numchannels=8", "-P", chain, "-A", "strobewise_cycles")
    assert (done.returncode, done.stderr) == (0, "")
    assert "The sample rate is not known" in done.stdout and done.stdout.count("Opcode fetch") > 150


def test_reset_in_the_middle_and_an_end_in_mid_cycle(tmp_path):
    source = TRACES / "faults" / "reset-loop" / "reset-loop.vcd.gz"
    whole, cut = tmp_path / "whole.vcd", tmp_path / "cut.vcd"
    run_strobewise("prepare", source, "-o", whole)
    lines = whole.read_text().splitlines(keepends=True)
    for keep in range(len(lines) // 2, len(lines) // 2 + 10, 2):  # wherever the end falls
        cut.write_text("".join(lines[:keep]))
        assert "length not known, cut short by a reset" in quietly(cut, f"strobewise_cycles:{mapping(cut)}")


def test_all_three_over_one_another_say_nothing_on_standard_error(tmp_path):
    run_strobewise("prepare", TRACES / "good" / "healthy-full.vcd.gz", "-o", tmp_path / "x.vcd")
    path = tmp_path / "x.vcd"
    assert decode(path, "strobewise_instructions", ",strobewise_instructions")
    assert decode(path, "strobewise_faults", ",strobewise_faults") == []


@pytest.mark.parametrize("order", [STACKED, STACKED[::-1]])
def test_one_over_the_other_each_says_what_it_says_alone(order, tmp_path):
    run_strobewise("prepare", TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz", "-o", tmp_path / "x.vcd")
    for name in STACKED:
        alone = decode(tmp_path / "x.vcd", name, f",{name}")
        assert decode(tmp_path / "x.vcd", name, "".join(f",{each}" for each in order)) == alone != []


def test_two_stacks_at_once(two):
    """The host frees one stack after the other at its end; whoever speaks then ends it with a signal."""
    stacks = [argument for name in STACKED for argument in ("-P", f"{MAP_TWO},{name}")]
    done = run_host("-i", two, "-I", "vcd", *stacks)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.count("strobewise_cycles-1: Opcode fetch") <= done.stdout.count("strobewise_cycles-2: Opcode fetch") + 1


@pytest.mark.parametrize("name", STACKED)
def test_a_stacked_one_alone_says_what_it_needs(name, two):
    done = run_host("-i", two, "-I", "vcd", "-P", name, "-A", name)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{name}-1: This needs machine cycles: stack it on strobewise_cycles\n"


def test_a_line_that_is_not_there_is_said(two):
    done = run_host("-i", two, "-I", "vcd", "-P", "strobewise_cycles:m1=M1:mreq=ELSEWHERE", "-A", "strobewise_cycles")
    assert done.returncode == 0 and "No cycle can be found: map /MREQ" in done.stdout
    assert done.stderr == 'cli: No channel with name "ELSEWHERE" found.\n'  # the host's own words


@pytest.mark.parametrize("hz", [10_000, 50_000_000])
def test_a_clock_that_can_not_be(two, hz):
    shown = quietly(two, f"{MAP_TWO}:clock_hz={hz}")  # it is believed, and what then does not fit is said
    assert "strobewise_cycles-1" in shown and "stopped here" not in shown


def cut_short(path, lines):
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:lines]))


def test_a_mapping_that_is_all_wrong(tmp_path):
    run_strobewise("prepare", TRACES / "good" / "healthy-full.vcd.gz", "-o", tmp_path / "x.vcd")
    cut_short(tmp_path / "x.vcd", 12_000)
    names = mapping(tmp_path / "x.vcd").split(":")
    lines, channels = ([pair.split("=")[side] for pair in names] for side in (0, 1))
    turned = channels[5:] + channels[:5]
    quietly(tmp_path / "x.vcd", "strobewise_cycles:" + ":".join(map("=".join, zip(lines, turned, strict=True))))


def test_live_from_the_hosts_demo_device():
    done = run_host(
        "-d", "demo:logic_channels=8:analog_channels=0", "-c", "samplerate=1000000", "--samples", 20000, "-P",
        "strobewise_cycles:mreq=D0:m1=D1:rd=D2,strobewise_faults", "-A", "strobewise_cycles,strobewise_faults",
    )  # fmt: skip
    assert done.returncode == 0 and "srd:" not in done.stderr
