"""What the fault plug-in says in the real host: nothing of healthy machines, and of sick ones what their capture shows."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from real_host import decode, mapping, need_host, run_host

from conftest import TRACES, run_strobewise

LODGER = ":triggers=0x0058 0x01d4 0x0066:within=3:released_by=0x2f40-0x2f4f"


@pytest.fixture(autouse=True)
def host():
    need_host()


def findings(trace, tmp_path, options="", show="strobewise_faults"):
    run_strobewise("prepare", trace, "-o", tmp_path / "x.vcd")
    return decode(tmp_path / "x.vcd", show, f",strobewise_faults{options}")


#: The host reads the lines as they are: one sample for each clock is nothing to it.
GOOD = sorted(path for path in (TRACES / "good").iterdir() if not path.name.startswith("clocked"))


@pytest.mark.parametrize("trace", GOOD, ids=lambda path: path.name.partition(".")[0])
def test_healthy_machines_raise_no_alarm(trace, tmp_path):
    assert findings(trace, tmp_path) == []


@pytest.mark.parametrize(
    "trace, words",
    [
        ("fetch-strobe-missing/m1-dead-full.vcd.gz", "/M1 dead: "),
        ("fetch-strobe-missing/m1-dead-two.vcd", "/M1 dead: "),
        ("fetch-strobe-missing/m1-floating.vcd.gz", "/M1 moves without regard to them"),
        ("refresh-strobe-missing/rfsh-dead.vcd.gz", "/RFSH dead: "),
        ("wait-held/wait-held.vcd.gz", "/WAIT held: "),
        ("reset-loop/reset-loop.vcd.gz", "/RESET pulses again and again: "),
        ("clock-stopped/clock-stops.vcd.gz", "CLK stopped: "),
    ],
)
def test_faults_are_said_in_the_words_of_their_rule(trace, words, tmp_path):
    assert any(words in line for line in findings(TRACES / "faults" / trace, tmp_path, show="strobewise_faults=findings"))


def test_a_clock_that_stops_in_the_first_stretch(tmp_path):
    simulated = tmp_path / "stops.vcd"
    run_strobewise("simulate", TRACES / "scenarios" / "clock-stops.toml", "--start", "900us", "--duration", "1ms", "-o", simulated)
    (only,) = findings(simulated, tmp_path)
    assert "CLK stopped: CLK ran at 3.15 MHz and stopped at " in only


@pytest.mark.parametrize(
    "fault, leads, words",
    [
        ("wait-held:after_s=0.0035", "full", r"/WAIT held: /WAIT low from 2\.5 ms to the end"),
        ("reset-held:after_s=0.003", "full", r"/RESET held: /RESET low from 2 ms to the end"),
        ("busreq-held:after_s=0.002", "full", r"/BUSREQ held: /BUSREQ and /BUSACK low from 1 ms to the end"),
        ("dead-low:line=INT", "full", r"/INT held: /INT low for 100 % of 3 ms, acknowledged \d+ times without letting go"),
        ("clock-dead:after_s=0.003", "full", r"CLK stopped: CLK ran at 3\.15 MHz and stopped at 2 ms"),
        ("dead-high:line=CLK,at=probe", "full", r"CLK stopped: no edge on CLK in 3 ms, although the CPU makes"),
        ("dead-high:line=MREQ,at=probe", "M1,MREQ,CLK", r"/MREQ dead: \d+ pulses of /M1, /MREQ high throughout"),
        ("dead-low:line=IORQ", "full", r"/IORQ inside memory requests: /IORQ low throughout"),
        ("leads-swapped:lines=RD+WR", "full", r"/RD dead: .*; a lead on the wrong pin looks the same here"),
        ("lead-inverted:line=RFSH", "full", r"/RFSH dead: .*just the opposite, so the lead or the channel is inverted"),
    ],
)  # fmt: skip
def test_what_the_capture_shows_is_said_and_nothing_else(fault, leads, words, tmp_path):
    """Of a machine that stands still or a line that is dead, no other line is blamed."""
    capture = tmp_path / "simulated.vcd"
    run_strobewise(
        "simulate", TRACES / "machines" / "dunlin.toml", "--fault", fault, "--lines", leads, "--start", "1ms", "--duration", "3ms",
        "--sample-rate", "24M", "-o", capture,
    )  # fmt: skip
    texts = {line.split(": ", 1)[1] for line in findings(capture, tmp_path, show="strobewise_faults=findings")}
    assert any(re.match(words, text) for text in texts)
    assert {text.partition(": ")[0] for text in texts} <= {words.partition(": ")[0], *(("/WR dead",) if "RD+WR" in fault else ())}


def simulated(tmp_path, fault, *options):
    capture = tmp_path / "simulated.vcd"
    run_strobewise("simulate", TRACES / "machines" / "dunlin.toml", "--fault", fault, *options, "-o", capture)
    return capture


def test_a_strobe_that_frames_the_requests_is_not_still(tmp_path):
    """Without /MREQ the fetches are told by /RD, which is low in each of them, and so is /M1: neither is dead."""
    capture = simulated(
        tmp_path, "dead-high:line=MREQ", "--lines", "M1,MREQ,RD", "--start", "1ms", "--duration", "3ms", "--sample-rate", "24M",
    )  # fmt: skip
    titles = {line.split(": ")[1] for line in findings(capture, tmp_path, show="strobewise_faults=findings")}
    assert titles == {"/MREQ dead", "memory requests without a fetch"}


def test_a_warning_becomes_the_fault_that_it_grows_to(tmp_path):
    """Three pulses of /RESET in so short a time are a warning; when there are five, it is a fault, and each is said once."""
    trace = TRACES / "faults" / "reset-loop" / "reset-loop.vcd.gz"
    (warning,) = findings(trace, tmp_path, show="strobewise_faults=warning")
    (fault,) = findings(trace, tmp_path, show="strobewise_faults=finding")
    assert "/RESET went low 3 times" in warning and "/RESET went low 5 times" in fault


def test_a_clock_that_is_dead_where_nothing_moves(tmp_path):
    capture = simulated(tmp_path, "clock-dead", "--lines", "full", "--duration", "3ms")
    (only,) = findings(capture, tmp_path, show="strobewise_faults=findings")
    assert "CLK stopped: no edge on CLK in " in only


def test_where_no_strobe_moves_it_is_said_what_holds_the_machine(tmp_path):
    capture = tmp_path / "simulated.vcd"
    run_strobewise(
        "simulate", TRACES / "machines" / "dunlin.toml", "--fault", "reset-held", "--lines", "control", "--duration", "2ms", "-o", capture,
    )  # fmt: skip
    run_strobewise("prepare", capture, "-o", tmp_path / "x.vcd")
    remarks = decode(tmp_path / "x.vcd", "strobewise_cycles=remarks")
    assert any("No strobe moves here: /RESET is low" in line for line in remarks)


def test_faults_are_said_before_the_capture_ends(tmp_path):
    shown = findings(TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz", tmp_path)
    ends = [int(line.split("-")[1].split(" ")[0]) for line in shown]
    assert len(ends) > 3 and ends[0] < 0.1 * ends[-1]


def test_a_fault_that_stays_is_said_again_after_twice_as_long(tmp_path):
    """At first soon, then seldom, so that it does not fill the window."""
    shown = findings(TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz", tmp_path)
    spans = [[int(place) for place in line.split(" ")[0].split("-")] for line in shown][:-1]  # the last one ends with the capture
    lengths = [end - start for start, end in spans]
    assert len(lengths) > 3 and all(1.7 < later / earlier < 2.3 for earlier, later in pairwise(lengths))


@pytest.mark.parametrize(("us", "times"), [(70, 1), (110, 1), (140, 2)])
def test_what_is_left_at_the_end_is_judged_where_it_says_enough(us, times, tmp_path):
    """A quarter of what is judged together; 64 cycles at first, some 80 us, then 128. A capture that is shorter is judged all the same."""
    capture = simulated(
        tmp_path, "dead-low:line=M1", "--lines", "full", "--start", "1ms", "--duration", f"{us}us", "--sample-rate", "24M",
    )  # fmt: skip
    assert len(findings(capture, tmp_path, show="strobewise_faults=findings")) == times


def test_a_line_that_is_held_is_told_once_it_has_lasted(tmp_path):
    """For 45 ms, longer than a frame; in a shorter capture it is told at the end (INT in the table above)."""
    capture = simulated(
        tmp_path, "dead-low:line=INT", "--lines", "M1,MREQ,IORQ,INT", "--start", "1ms", "--duration", "48ms", "--sample-rate", "24M",
    )  # fmt: skip
    (only,) = findings(capture, tmp_path, show="strobewise_faults=findings")
    assert re.search(r"/INT low for 100 % of 45\.\d ms", only)


def test_the_figure_of_faults(tmp_path):
    for trace, number in (("good/healthy-full.vcd.gz", 0), ("faults/fetch-strobe-missing/m1-dead-full.vcd.gz", 1)):
        run_strobewise("prepare", TRACES / trace, "-o", tmp_path / "x.vcd")
        chain = f"strobewise_cycles:{mapping(tmp_path / 'x.vcd')},strobewise_faults"
        done = run_host("-i", tmp_path / "x.vcd", "-I", "vcd", "-P", chain, "-M", "strobewise_faults")
        assert (done.stdout, done.stderr) == (f"strobewise_faults-1: Faults: {number}\n", "")


def test_a_device_that_answers(tmp_path):
    shown = findings(TRACES / "good" / "healthy-lodger.vcd.gz", tmp_path, LODGER)
    assert sum("Paging trigger 0x0058" in line for line in shown) > 1
    assert any("ROMDIS answers 0x0058" in line for line in shown) and not any("no answer" in line for line in shown)


def test_a_device_that_is_silent(tmp_path):
    shown = findings(TRACES / "faults" / "paging-device-silent" / "lodger-silent.vcd.gz", tmp_path, LODGER)
    assert any("Paging trigger 0x0058 fetched, no answer on ROMDIS within 3 T-states" in line for line in shown)
    assert any("the expansion device does not answer: " in line for line in shown)


def test_a_device_that_never_sees_a_fetch(tmp_path):
    shown = findings(TRACES / "faults" / "paging-not-triggered" / "lodger-m1-dead.vcd.gz", tmp_path, LODGER)
    assert any("Paging trigger 0x0058 without /M1, no answer on ROMDIS" in line for line in shown)
    assert any("the expansion device never saw a fetch: " in line for line in shown)


def test_paging_without_its_lines_is_remarked_on(tmp_path):
    shown = findings(TRACES / "good" / "healthy-full.vcd.gz", tmp_path, ":triggers=8")
    assert len(shown) == 1 and "Paging can not be followed: map ROMDIS" in shown[0]
