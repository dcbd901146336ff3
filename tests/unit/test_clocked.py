"""Captures with one sample a clock: the table, the retiming, how they are found, and what is said of them."""

from __future__ import annotations

import gzip
import io
import itertools
import json
import random
import re
import zipfile

import numpy as np
import pytest
from hand_made import evidence_of
from hypothesis import given
from hypothesis import strategies as st
from limits import HZ, held

from conftest import TRACES, run_strobewise
from session_files import write_session
from strobewise.bus.clocked import EDGES, GROUP_SAMPLES, PULSES, TICKS_PER_T, levels
from strobewise.bus.lines import LINE, MASK
from strobewise.bus.semantics import SPEC
from strobewise.bus.units import time_words, told_in_t_states
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.clocked.finding import find_edge, fit_as_told, step_of
from strobewise.capture.clocked.retiming import Retimer, Samples
from strobewise.capture.clocked.view import ClockedCapture, Counting, as_clocked
from strobewise.diagnosis.facade import diagnose, examine
from strobewise.machine import LINE_SETS, fault, simulate
from strobewise.profile.options import Options
from strobewise.records.evidence import LineEvidence, StrobeCount
from strobewise.rules.base import run

STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")
HALF = TICKS_PER_T // 2
SHIFT = {"falling": 0, "rising": 2}  #: a cycle begins with the first sample that shows it
HEALTHY = TRACES / "good" / "clocked-healthy.vcd.gz"
DEAD = TRACES / "faults" / "fetch-strobe-missing" / "clocked-m1-dead.vcd.gz"
ASYNCHRONOUS = [path for path in sorted(TRACES.rglob("*.vcd*")) if "clocked" not in path.name]

#: What UM0080's timing figures show at each edge of CLK, written down a second time: the strobes that are low in T1, T2 ...
FIGURES = {
    ("opcode_fetch", "falling"): ("M1", "M1 MREQ RD", "RFSH", "RFSH MREQ"),
    ("opcode_fetch", "rising"): ("", "M1 MREQ RD", "M1 MREQ RD", "RFSH MREQ"),
    ("memory_read", "falling"): ("", "MREQ RD", "MREQ RD"),
    ("memory_read", "rising"): ("", "MREQ RD", "MREQ RD"),
    ("memory_write", "falling"): ("", "MREQ", "MREQ WR"),
    ("memory_write", "rising"): ("", "MREQ", "MREQ WR"),
    ("io_read", "falling"): ("", "IORQ RD", "IORQ RD", "IORQ RD"),
    ("io_read", "rising"): ("", "", "IORQ RD", "IORQ RD"),
    ("io_write", "falling"): ("", "IORQ WR", "IORQ WR", "IORQ WR"),
    ("io_write", "rising"): ("", "", "IORQ WR", "IORQ WR"),
    ("interrupt_acknowledge", "falling"): ("M1", "M1", "M1", "M1 IORQ", "RFSH", "RFSH MREQ"),
    ("interrupt_acknowledge", "rising"): ("", "M1", "M1", "M1 IORQ", "M1 IORQ", "RFSH MREQ"),
}


@pytest.mark.parametrize(("kind", "edge"), FIGURES)
def test_the_table_shows_what_the_figures_show(kind, edge):
    assert [" ".join(name for name in ("M1", "IORQ", "RFSH", "MREQ", "RD", "WR") if name in low) for low in levels(kind, edge)] == list(
        FIGURES[kind, edge]
    )


def test_the_table_is_that_of_the_requests():
    for kind, spec in SPEC.items():
        pulse = next(pulse for pulse in PULSES[kind][0] if pulse.line == spec.request)
        assert (pulse.asserts / 2, (pulse.releases - pulse.asserts) / 2) == (spec.asserts_at, spec.width), kind


def pulses_of(kinds, waits):
    """Return the pulses of machine cycles one behind the other, by line: half T-states of their edges; and the length of all."""
    found = {name: [] for name in STROBES}
    at = 0
    for kind, more in zip(kinds, waits, strict=True):
        pulses, length = PULSES[kind]
        late = 5 if SPEC[kind].request == "IORQ" else 3  # the edges behind this one wait: T2, or the automatic wait state
        for pulse in pulses:
            shift = [2 * more if half > late else 0 for half in (pulse.asserts, pulse.releases)]
            found[pulse.line].append((at + pulse.asserts + shift[0], at + pulse.releases + shift[1]))
        at += length + 2 * more
    return found, at


def joined(pairs):
    """Return pulses that touch as one."""
    out = []
    for low, high in pairs:
        if out and out[-1][1] == low:
            out[-1] = (out[-1][0], high)
        else:
            out.append((low, high))
    return out


def samples_of(found, length, edge, captured, before=0):
    """Return what an analyser takes at one edge: the levels that the edges before it made."""
    numbers, words = [], []
    for number, half in enumerate(range(1 if edge == "falling" else 0, length + 3, 2)):
        low = [name for name in captured if any(a < half <= b for a, b in found[name])]
        numbers.append(number + before)
        words.append(sum(MASK[name] for name in captured if name not in low) | (number & 1) << 40)
    return Samples(np.array(numbers), np.array(words, np.uint64), None)


def retimed_pulses(samples, edge, captured, size):
    """Return the pulses that the retimer gives, by line, half T-states; samples fed `size` at a time."""
    retimer = Retimer(frozenset(captured), edge)
    blocks = []
    for at in range(0, len(samples.number), size):
        blocks += retimer.feed(samples.part(slice(at, at + size)))
    blocks += retimer.finish()
    times = np.concatenate([block.times for block in blocks])
    words = np.concatenate([block.words for block in blocks])
    assert (np.diff(times) > 0).all()
    found = {}
    for name in captured:
        low = np.concatenate([[False], words & np.uint64(MASK[name]) == 0])
        edges = np.flatnonzero(low[1:] != low[:-1])
        moments = [int(time) // HALF - SHIFT[edge] for time in times[edges]]
        found[name] = list(zip(moments[::2], moments[1::2], strict=False))
    return found


KINDS = st.sampled_from(sorted(PULSES))


@pytest.mark.parametrize("edge", EDGES)
@given(
    cycles=st.lists(st.tuples(KINDS, st.integers(0, 3)), min_size=4, max_size=60),
    leads=st.sampled_from([STROBES, ("M1", "MREQ", "IORQ", "RD", "WR"), ("MREQ", "IORQ", "RD", "WR", "RFSH")]),
    size=st.integers(1, 50),
)
def test_every_edge_comes_back_to_where_it_was(edge, cycles, leads, size):
    kinds = ["opcode_fetch"] * 2 + [kind for kind, _ in cycles] + ["opcode_fetch"] * 2
    found, length = pulses_of(kinds, [0, 0, *(more for _, more in cycles), 0, 0])
    got = retimed_pulses(samples_of(found, length, edge, leads), edge, leads, size)
    assert got == {name: joined(found[name]) for name in leads}


@pytest.mark.parametrize("edge", EDGES)
@given(cycles=st.lists(st.tuples(st.sampled_from(["opcode_fetch", "memory_read", "memory_write"]), st.just(0)), min_size=4, max_size=60))
def test_reads_alone_tell_fetches(edge, cycles):
    leads = ("MREQ", "RD")
    kinds = ["opcode_fetch"] * 2 + [kind for kind, _ in cycles] + ["opcode_fetch"] * 2
    found, length = pulses_of(kinds, [0] * len(kinds))
    assert retimed_pulses(samples_of(found, length, edge, leads), edge, leads, 7) == {name: joined(found[name]) for name in leads}


@pytest.mark.parametrize("edge", EDGES)
def test_lengths_alone_tell_fetches(edge):
    kinds = ["memory_read", "opcode_fetch", "opcode_fetch", "memory_write", "memory_read", "opcode_fetch"] * 8
    found, length = pulses_of(kinds, [0] * len(kinds))
    assert retimed_pulses(samples_of(found, length, edge, ("MREQ",)), edge, ("MREQ",), 11) == {"MREQ": joined(found["MREQ"])}


@pytest.mark.parametrize("edge", EDGES)
def test_input_and_output_without_iorq_stand_where_they_were(edge):
    """/RD or /WR that begins while /MREQ rests is input or output, which the rising edge begins."""
    leads = ("MREQ", "M1", "RD", "WR", "RFSH")
    kinds = ["opcode_fetch", "opcode_fetch", "memory_read", "io_read", "opcode_fetch", "io_write"] * 8 + ["opcode_fetch"] * 2
    found, length = pulses_of(kinds, [0] * len(kinds))
    assert retimed_pulses(samples_of(found, length, edge, leads), edge, leads, 50) == {name: joined(found[name]) for name in leads}


@pytest.mark.parametrize("size", [1, 3, 97, 100_000])
def test_groups_and_blocks_do_not_matter(size):
    kinds = ["opcode_fetch", "memory_read", "memory_write", "io_read"] * (5 * GROUP_SAMPLES // 4 // 14)  # one bound of groups lies in it
    found, length = pulses_of(kinds, [0] * len(kinds))
    if size == 1:
        kinds = kinds[:400]
        found, length = pulses_of(kinds, [0] * len(kinds))
    samples = samples_of(found, length, "falling", STROBES)
    got = retimed_pulses(samples, "falling", STROBES, size)
    assert got == {name: joined(found[name]) for name in STROBES}


@pytest.mark.parametrize("dead", ["M1", "RFSH", "RD", "WR"])
@pytest.mark.parametrize("level", [0, 1])
def test_a_dead_strobe_leaves_the_others_where_they_were(dead, level):
    kinds = ["opcode_fetch", "memory_read", "opcode_fetch", "memory_write", "opcode_fetch", "io_write"] * 20
    found, length = pulses_of(kinds, [0] * len(kinds))
    samples = samples_of(found, length, "falling", STROBES)
    mask = np.uint64(MASK[dead])
    dull = samples._replace(words=samples.words | mask if level else samples.words & ~mask)
    got = retimed_pulses(dull, "falling", STROBES, 64)
    assert {name: got[name] for name in STROBES if name != dead} == {name: joined(found[name]) for name in STROBES if name != dead}


# --- which captures are of this kind ----------------------------------------------------------------------------------


def looked_at(path):
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        return as_clocked(capture, channels)[0]


@pytest.mark.parametrize(("path", "edge"), [(HEALTHY, "falling"), (DEAD, "rising")])
def test_it_is_found_where_it_is_plain(path, edge):
    seen = looked_at(path)
    assert isinstance(seen, ClockedCapture) and seen.header.clocked[:2] == (edge, False)


@pytest.mark.parametrize("path", ASYNCHRONOUS, ids=lambda path: path.name)
def test_a_capture_at_the_analysers_own_rate_is_none(path):
    assert not isinstance(looked_at(path), ClockedCapture)


@pytest.mark.parametrize("sample_hz", [2_900_000, 3_000_000, 3_100_000, 6_000_000, 9_000_000])
@pytest.mark.parametrize("lines", ["full", "sixteen", "two"])
def test_a_slow_rate_of_its_own_is_none(sample_hz, lines, tmp_path):
    """At or near the clock's own rate, but not by it."""
    with open(tmp_path / "slow.vcd", "w", encoding="ascii") as out:
        simulate(lines=lines, sample_hz=sample_hz, jitter_ns=0.0, duration_s=0.004, timescale="100ns").write_vcd(out)
    seen = looked_at(tmp_path / "slow.vcd")
    assert not isinstance(seen, ClockedCapture) or sample_hz == 3_000_000  # there each sample is one clock, whoever's


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("dead", ["M1", "RFSH", "RD", "MREQ"])
@pytest.mark.parametrize("level", [0, 1])
def test_a_dead_strobe_does_not_hide_it(edge, dead, level):
    kinds = ["opcode_fetch", "memory_read", "opcode_fetch", "memory_write", "io_read"] * 20
    found, length = pulses_of(kinds, [0] * len(kinds))
    samples, mask = samples_of(found, length, edge, STROBES), np.uint64(MASK[dead])
    dull = samples._replace(words=samples.words | mask if level else samples.words & ~mask)
    assert find_edge(dull, frozenset(STROBES)) == edge


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("leads", [("MREQ", "M1"), ("MREQ", "RFSH"), ("MREQ", "RD"), STROBES])
def test_few_leads_show_it(edge, leads):
    kinds = ["opcode_fetch", "memory_read", "opcode_fetch", "memory_write"] * 20
    found, length = pulses_of(kinds, [0] * len(kinds))
    assert find_edge(samples_of(found, length, edge, leads), frozenset(leads)) == edge


@pytest.mark.parametrize("samples", [2, 3])
@pytest.mark.parametrize("late", [-1, 0, 1])
def test_m1_and_mreq_at_a_few_samples_a_clock_are_none(samples, late):
    """Seen by an analyser in step with the clock whose lead of /MREQ comes early or late, so that the refresh seems to follow at once."""
    kinds = ["opcode_fetch", "memory_read", "opcode_fetch", "memory_write"] * 40
    found, length = pulses_of(kinds, [0] * len(kinds))
    number = np.arange(length // 2 * samples)
    half = number * 2 / samples
    low = {
        name: np.any([(first < half - by) & (half - by <= last) for first, last in found[name]], axis=0)
        for name, by in (("M1", 0), ("MREQ", late * 2 / samples))
    }
    words = sum(np.where(low[name], 0, MASK[name]).astype(np.uint64) for name in low)
    assert find_edge(Samples(number, words, None), frozenset(low)) is None


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("waits", [0, 1, 2])
def test_waits_do_not_hide_it_and_reads_that_mreq_does_not_end_with_deny_it(edge, waits):
    kinds = ["opcode_fetch", "memory_read", "opcode_fetch", "memory_read"] * 20
    found, length = pulses_of(kinds, [waits] * len(kinds))
    assert find_edge(samples_of(found, length, edge, STROBES), frozenset(STROBES)) == edge
    fetches = {end for _, end in found["M1"]}
    near = [fetches & {end - 1, end, end + 1} for _, end in found["RD"]]
    odd = {**found, "RD": [(start, end if own else end - 2) for (start, end), own in zip(found["RD"], near, strict=True)]}
    assert find_edge(samples_of(odd, length, edge, STROBES), frozenset(STROBES)) is None


def test_rfsh_alone_does_not_outvote_m1_and_rd():
    """NOPs at one sample a clock by the analyser's own rate: /RFSH happens to fit, /M1 and /RD, seen a sample earlier, do not."""
    kinds = ["opcode_fetch"] * 80
    found, length = pulses_of(kinds, [0] * len(kinds))
    early = {name: [(a - 2, b - 2) for a, b in found[name]] if name in ("M1", "RD") else found[name] for name in STROBES}
    assert find_edge(samples_of(found, length, "rising", STROBES), frozenset(STROBES)) == "rising"
    assert find_edge(samples_of(early, length, "rising", STROBES), frozenset(STROBES)) is None


def floating(at, seed):
    """Return pulses of a line that nobody drives: of one to three samples, apart as far."""
    rng = random.Random(seed)
    edges = list(itertools.accumulate(2 * rng.randrange(1, 4) for _ in range(at // 4)))
    return list(zip(edges[::2], edges[1::2], strict=False))


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("waits", [0, 1, 2])
@pytest.mark.parametrize("seed", range(4))
def test_a_m1_that_moves_as_it_likes_denies_nothing(edge, waits, seed):
    """/RFSH tells the edge then, and /RD does not contradict it, however long it waits; with /MREQ alone its lengths tell."""
    kinds = ["opcode_fetch", "memory_read", "opcode_fetch", "memory_write", "opcode_fetch"] * 30
    found, length = pulses_of(kinds, [waits] * len(kinds))
    found["M1"] = floating(length, seed)
    assert find_edge(samples_of(found, length, edge, STROBES), frozenset(STROBES)) == edge
    other = EDGES[edge == EDGES[0]]
    for captured in (("M1", "MREQ"), STROBES):
        samples = samples_of(found, length, edge, captured)
        told = [fit_as_told(samples, frozenset(captured), each) for each in (edge, other)]
        assert told[0] >= 0.96 and told[1] < 0.9, (captured, told)


@pytest.mark.parametrize("edge", EDGES)
def test_acknowledges_without_iorq_are_no_misfits(edge):
    kinds = ["opcode_fetch", "opcode_fetch", "interrupt_acknowledge"] * 40
    found, length = pulses_of(kinds, [0] * len(kinds))
    assert fit_as_told(samples_of(found, length, edge, ("M1", "MREQ")), frozenset(("M1", "MREQ")), edge) == 1.0


def test_a_write_strobe_that_is_lost_where_refreshes_are_is_no_fault(tmp_path):
    """A jittering clock takes samples beside its edges: what shows in one sample is lost now and then."""
    rule, said = "write-strobe-missing", []
    for lost in (0.0, 0.2):
        count = StrobeCount(400, 370, 400, 0)
        evidence = evidence_of(clocked="falling", clocked_fit=0.99, clocked_steady=1.0 - lost, strobes={"WR": count})
        said.append([finding.severity for finding in run(evidence) if finding.rule == rule])
    assert said == [["fault"], ["warning"]]


def test_so_few_clocks_hold_nothing():
    """/BUSREQ low in the few samples that a stopping clock still takes says nothing of it."""
    for clocks, fires in ((90, False), (2000, True)):
        evidence = held("BUSREQ", 0.0, clocks / HZ, end_s=clocks / HZ, clocked="rising", requests=0, last_request_s=None)
        assert bool([each for each in run(evidence) if each.rule == "bus-request-held"]) == fires


def test_a_clock_that_stands_while_strobes_move_is_the_analysers_own():
    lines = {name: LineEvidence(name, edges=400) for name in ("MREQ", "RD", "RFSH")} | {"CLK": LineEvidence("CLK")}
    evidence = evidence_of(lines=lines, requests=0, sample_interval_s=1e-9)
    found = next(each for each in run(evidence) if each.rule == "clock-stopped")
    assert found.severity == "warning" and "--clocked" in found.next_step


def test_it_is_not_guessed():
    kinds = ["opcode_fetch", "memory_read"] * 40
    found, length = pulses_of(kinds, [0] * len(kinds))
    samples = samples_of(found, length, "falling", ("MREQ",))
    assert find_edge(samples, frozenset({"MREQ"})) is None  # /MREQ alone proves nothing
    both = samples_of(found, length, "falling", STROBES)
    assert find_edge(both.part(slice(0, 60)), frozenset(STROBES)) is None  # too short
    moving = both._replace(words=both.words ^ (both.number.astype(np.uint64) & np.uint64(1)))
    assert find_edge(moving, frozenset({*STROBES, "CLK"})) is None  # CLK was captured, and moves
    assert find_edge(both, frozenset({*STROBES, "CLK"})) == "falling"  # it rests


@pytest.mark.parametrize(
    ("times", "step"),
    [(range(40), 1), ([*range(0, 40_000, 1000), 39_001], 1000), ([3, 4], 1), ([7], 1), ([0, 9000], 1)],
)
def test_the_files_ticks_between_samples(times, step):
    assert step_of(np.array([*times])) == step


def test_rounded_times_are_counted_without_drift():
    numbers = np.cumsum(np.random.default_rng(5).integers(1, 4, 200_000))
    times = np.rint(numbers * 285.714285714).astype(np.int64)
    counting = Counting(step_of(times[:3000]))
    found = np.concatenate([counting.number(part) for part in np.array_split(times, 31)])
    assert (found - found[0] == numbers - numbers[0]).all()


# --- what is said -----------------------------------------------------------------------------------------------------


def told(*arguments):
    done = run_strobewise("diagnose", *map(str, arguments), "--json", "-")
    assert done.returncode in (0, 1, 3), done.stderr
    return json.loads(done.stdout)


def test_without_a_clock_only_t_states_are_told():
    report = run_strobewise("diagnose", str(HEALTHY)).stdout.decode()
    assert "5 040 T, sampled once a clock, at its falling edge" in " ".join(report.split())
    assert not re.search(r"\d (ns|µs|ms|s)\b", report) and " MHz" not in report
    assert "spikes, delays" in report.split("\n\n")[0]
    document = told(HEALTHY)
    assert document["clock_hz"] is None and document["clock_source"] == "clocked"
    assert document["capture"]["sample_interval_s"] is None and document["capture"]["clocked"] == "falling"
    assert {"CLK", "spikes", "delays"} <= set(document["verdict"]["not_judged"])


def test_with_the_clock_they_are_seconds():
    document = told(HEALTHY, "--clock", "3.15M")
    assert document["clock_hz"] == pytest.approx(3.15e6, rel=1e-6)
    assert document["capture"]["duration_s"] == pytest.approx(0.0016, rel=1e-3)
    assert document["capture"]["sample_interval_s"] == pytest.approx(1 / 3.15e6, rel=1e-6)
    assert "MHz (given)" in run_strobewise("diagnose", str(HEALTHY), "--clock", "3.15M").stdout.decode()


def test_the_fault_is_found_and_told_in_t_states():
    document = told(DEAD)
    assert document["verdict"]["state"] == "fault"
    (finding,) = (each for each in document["findings"] if each["severity"] == "fault")
    assert finding["rule"] == "fetch-strobe-missing" and finding["lines"] == ["M1"]


def test_cycles_start_with_the_first_sample_that_shows_them(tmp_path):
    (tmp_path / "plain.vcd").write_bytes(gzip.decompress(HEALTHY.read_bytes()))
    rows = run_strobewise("cycles", str(tmp_path / "plain.vcd")).stdout.decode().splitlines()
    assert rows[1].startswith("0.00000002600,0.00000003000,opcode_fetch,4,0,0x0000,0xf3,")
    text = (tmp_path / "plain.vcd").read_text()
    shown = text[text.index("#26") :].splitlines()
    m1 = re.search(r"wire 1 (\S) M1 ", text)[1]
    assert f"0{m1}" in shown[0] or f"0{m1}" in shown[1]


def test_a_stream_is_followed_when_it_is_told():
    file = run_strobewise("cycles", str(HEALTHY)).stdout
    assert run_strobewise("cycles", "-", "--clocked", "falling", stdin=HEALTHY.read_bytes()).stdout == file


def test_it_can_be_switched_off():
    assert told(HEALTHY, "--clocked", "no")["capture"]["clocked"] is None


@pytest.mark.parametrize("command", ["listing", "lines"])
def test_other_commands_read_it_too(command):
    done = run_strobewise(command, str(HEALTHY))
    assert done.returncode == 0 and done.stdout


def test_listing_counts_t_states():
    rows = run_strobewise("listing", str(HEALTHY), "--format", "csv").stdout.decode().splitlines()[1:]
    assert all(row.split(",")[-3] == row.split(",")[-2] for row in rows[:-1] if row.split(",")[-3])


def test_a_page_shows_it(tmp_path):
    done = run_strobewise("diagnose", str(DEAD), "--html", str(tmp_path / "page.html"))
    assert done.returncode == 1, done.stderr
    assert "sampled once a clock" in (tmp_path / "page.html").read_text(encoding="utf-8")


def with_zeros(path, samples):
    """Return a capture whose analyser had not begun for the first samples."""
    text = gzip.decompress(path.read_bytes()).decode()
    head, _, body = text.partition("#0")
    ids = re.findall(r"\$var wire 1 (\S+) ", head)
    later = re.sub(r"^#(\d+)", lambda found: f"#{int(found[1]) + samples}", "#0" + body, flags=re.MULTILINE)
    return (head + "#0\n" + "".join(f"0{each}\n" for each in ids) + later).encode()


def test_samples_before_the_analyser_began_are_dropped(tmp_path):
    (tmp_path / "late.vcd").write_bytes(with_zeros(HEALTHY, 40))
    document, plain = told(tmp_path / "late.vcd"), told(HEALTHY)
    assert document["cycles"] == plain["cycles"] and document["verdict"]["state"] == "no_fault_found"
    assert [line["edges"] for line in document["lines"]] == [line["edges"] for line in plain["lines"]]
    assert document["capture"]["start_s"] == pytest.approx(40e-9)


def test_t_states_in_words():
    assert time_words(0.002) == "2 ms"
    with told_in_t_states(1e-6):
        assert time_words(0.002) == "2 000 T" and time_words(2.5e-6) == "2.5 T" and time_words(None) == "?"
    assert time_words(0.002) == "2 ms"


def test_lines_of_the_table_are_active_low():
    assert all(LINE[name].active_level == 0 for name in STROBES)


@pytest.mark.parametrize("faults", [(), (fault("rom-absent"),)], ids=["healthy", "reading FFh"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_lead_that_lags_by_a_sample_is_no_sign_of_one_sample_a_clock(tmp_path, seed, faults):
    """/MREQ is then at rest in the sample before /M1 ends in each fetch, as in an acknowledge, which says nothing."""
    path, text = tmp_path / "fast.vcd", io.StringIO()
    simulate(lines=("M1", "MREQ"), sample_hz=100_000_000, seed=seed, skew_ns=20.0, duration_s=0.0006, faults=faults).write_vcd(text)
    path.write_text(text.getvalue())
    assert not examine(str(path), Options(clock_hz=3_276_800)).evidence.clocked


def test_the_other_edge_than_told_is_noticed():
    """Told the wrong edge, nothing is called a fault, and the step is to tell the right one."""
    said = diagnose([HEALTHY], Options(clocked="rising"))
    assert said.verdict.state == "cannot_decide"
    assert [finding.rule for finding in said.findings if finding.severity == "fault"] == []
    found = next(finding for finding in said.findings if finding.rule == "capture-too-coarse")
    assert found.title == "samples beside the clock edge" and "--clocked falling" in found.next_step
    assert diagnose([HEALTHY], Options(clocked="falling")).verdict.state == "no_fault_found"


def sampled_by_its_clock(tmp_path, edge, **arguments):
    """Return what a clock input would take of a capture by the analyser's own rate: as early as a sample, and so beside the edge."""
    text = io.StringIO()
    simulate(**arguments).write_vcd(text)
    path = tmp_path / "full.vcd"
    path.write_text(text.getvalue())
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        blocks = list(capture.blocks(channels.assignments))
    words = np.concatenate([block.words for block in blocks])
    high = words & np.uint64(MASK["CLK"]) != 0
    taken = words[:-1][(high[1:] != high[:-1]) & (high[1:] == (edge == "rising"))]
    names = sorted(channels.captured)
    lines = ["$timescale 1 ns $end", *(f"$var wire 1 {chr(33 + at)} {name} $end" for at, name in enumerate(names)), "$enddefinitions $end"]
    for number, word in enumerate(taken.tolist()):
        lines += [f"#{number}", *(f"{int(bool(word & MASK[name]))}{chr(33 + at)}" for at, name in enumerate(names))]
    out = tmp_path / f"{edge}.vcd"
    out.write_text("\n".join(lines))
    return out


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("sample_hz", [9_000_000, 11_000_000, 13_000_000, 17_000_000])
@pytest.mark.parametrize("delay", [0.3, 1.0])
@pytest.mark.parametrize("leads", [LINE_SETS["full"], ("CLK", "M1", "MREQ")], ids=["full", "two"])
def test_samples_taken_while_strobes_move_alarm_nobody(tmp_path, edge, sample_hz, delay, leads):
    path = sampled_by_its_clock(tmp_path, edge, lines=leads, sample_hz=sample_hz, delay_fraction=delay, duration_s=0.002)
    said = diagnose([path], Options(clocked=edge))
    assert [(finding.rule, finding.evidence) for finding in said.findings if finding.severity == "fault"] == []


@pytest.mark.parametrize("clock", [(), ("--clock", "3.15M")])
@pytest.mark.parametrize("kind", ["sr", "csv"])
def test_a_capture_with_one_sample_a_clock_need_name_no_rate(tmp_path, kind, clock):
    demo = TRACES / "good" / "clocked-healthy.vcd.gz"
    path = rateless(demo, tmp_path / f"a.{kind}")
    said = [run_strobewise("cycles", each, "--clocked", "falling", *clock) for each in (demo, path)]
    assert said[0].returncode == 0 and len(said[0].stdout.splitlines()) > 1000 and said[0].stdout == said[1].stdout
    assert run_strobewise("diagnose", path, "--clocked", "falling", *clock).stdout.startswith(b"NO FAULT FOUND")
    piped = run_strobewise("cycles", "-", "--clocked", "falling", *clock, stdin=path.read_bytes())
    assert (piped.returncode, piped.stdout) == (0, said[0].stdout)
    for others in ((), ("--clocked", "no")):
        refused = run_strobewise("cycles", path, *clock, *others)
        assert refused.returncode == 2 and b"one sample for each clock of the CPU, say so with --clocked falling" in refused.stderr


def rateless(capture, path):
    """Write a capture of one sample a tick as a file that says nothing of its rate: a session, or a CSV without a column of times."""
    with open_capture(str(capture)) as opened:
        channels = map_channels(opened.header.channels)
        blocks = list(opened.blocks(channels.assignments))
        names = [use.line for use in channels.uses]
        bits = [use.target_bit for use in channels.uses]
    times, words = (np.concatenate([getattr(block, name) for block in blocks]) for name in ("times", "words"))
    every = words[np.searchsorted(times, np.arange(times[0], times[-1] + 1), "right") - 1]
    levels = every[:, None] >> np.array(bits, np.uint64) & np.uint64(1)
    if path.suffix == ".csv":
        path.write_text("\n".join([",".join(names), *(",".join(map(str, row)) for row in levels.tolist())]) + "\n")
        return path
    packed = np.packbits(levels.astype(np.uint8), axis=1, bitorder="little")
    write_session(path, names, [packed.tobytes()], rate="1 GHz", unit=packed.shape[1])
    with zipfile.ZipFile(path) as archive:
        kept = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in kept.items():
            archive.writestr(name, data.replace(b"samplerate=1 GHz\n", b"") if name == "metadata" else data)
    return path


@pytest.mark.parametrize("edge", EDGES)
def test_a_lead_that_inverts_is_told_by_the_clock_too(tmp_path, edge):
    """Edges of /MREQ are then put at the clock edges that made them under the right label."""
    text, path = io.StringIO(), tmp_path / "inverted.vcd"
    simulate(lines="eight", clocked=edge, faults=[fault("lead-inverted", line="MREQ")], duration_s=0.002).write_vcd(text)
    path.write_text(text.getvalue())
    said = diagnose([path], Options(clocked=edge))
    assert [(finding.rule, finding.lines) for finding in said.findings if finding.severity == "fault"] == [("leads-swapped", ("MREQ",))]
    assert said.verdict.suspects[0].suspect == "probe_or_capture"


@pytest.mark.parametrize("edge", EDGES)
def test_a_clock_at_rest_shows_samples_beside_its_edge_untold(tmp_path, edge):
    """A clock that jitters takes samples while strobes move: not known as its capture, that was called a dead strobe."""
    text, path = io.StringIO(), tmp_path / "jitter.vcd"
    simulate(lines="full", clocked=edge, faults=[fault("clock-jitter", ns=70)], duration_s=0.003).write_vcd(text)
    path.write_text(text.getvalue())
    said = diagnose([path], Options())
    assert said.evidence.clocked == edge
    assert [finding.rule for finding in said.findings if finding.severity == "fault"] == []
