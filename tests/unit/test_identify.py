"""Channels without names: which line is on which, by behaviour alone."""

from __future__ import annotations

import random
import re
from types import SimpleNamespace

import numpy as np
import pytest

from strobewise.capture import BitAssignment, open_capture
from strobewise.capture.channels.mapping import ChannelMap, ChannelUse, map_channels
from strobewise.diagnosis.facade import diagnose
from strobewise.evidence.unlabelled import _record
from strobewise.identify import GROUPS, Identified, identify
from strobewise.identify.buses import NAMED, Solved
from strobewise.identify.program_fit import READ, WRITE
from strobewise.identify.roles import Role
from strobewise.identify.search import Order
from strobewise.identify.slow_lines import ACK, FETCH, _halt, _interrupt, _nmi, _reset, _Spans
from strobewise.machine import BusRequest, Press, fault
from strobewise.machine.board import WaitRule
from strobewise.machine.programs import program
from strobewise.machine.scenario import LINE_SETS
from strobewise.machine.simulate import simulate

BAD_RAM = fault("ram-bit-dead", bit=3, start=0x4000, end=0x7FFF)
NOT_CLK = tuple(name for name in LINE_SETS["full"] if name != "CLK")


def written(tmp_path, **settings):
    path = tmp_path / "capture.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**{"lines": "full", "duration_s": 0.002, **settings}).write_vcd(file)
    return path


def identified(path, seed):
    """Return (what identify says, the line that each channel truly carries), the channels in an order by chance."""
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        uses = list(channels.uses)
        random.Random(seed).shuffle(uses)
        by_bit = {a.target_bit: a for a in channels.assignments}
        bits = [BitAssignment(by_bit[u.target_bit].code, by_bit[u.target_bit].bit_in_vector, k) for k, u in enumerate(uses)]
        blocks = list(capture.blocks(bits))
    times, words = (np.concatenate([getattr(block, name) for block in blocks]) for name in ("times", "words"))
    return identify(times, words, len(uses), 41.67), [use.line for use in uses]


def is_right(role, line):
    group = {"A": "address", "D": "data"}.get(line[0]) if line[1:].isdigit() else None
    return role.line in (line, group)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("lines", ["two", "eight", "sixteen", "full"])
def test_every_strobe_and_every_bit_that_moves_is_named(tmp_path, lines, seed):
    found, truth = identified(written(tmp_path, seed=seed, lines=lines), seed)
    assert all(is_right(role, truth[role.channel]) for role in found.roles), "nothing is called what it is not"
    named = {truth[role.channel] for role in found.roles if role.line not in GROUPS}
    bits = tuple(name for name in truth if name[1:].isdigit())
    assert named >= {"CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", *bits} & set(truth)


@pytest.mark.parametrize(
    "settings",
    [{"lines": NOT_CLK}, {"sample_hz": 14_000_000}, {"sample_hz": 100_000_000}, {"pull_ups": False}, {"delay_fraction": 1.0}],
    ids=str,
)
def test_other_captures(tmp_path, settings):
    found, truth = identified(written(tmp_path, seed=7, **settings), 7)
    assert all(is_right(role, truth[role.channel]) for role in found.roles)
    named = {truth[role.channel] for role in found.roles if role.line not in GROUPS}
    assert named >= {"M1", "MREQ", "RD", "WR", "RFSH", *(f"A{k}" for k in range(16)), *(f"D{k}" for k in range(8))}


def test_confidence_is_low_where_the_program_says_nothing(tmp_path):
    # In so short a stretch the program has not yet left its first addresses: bits that it did not tell apart are no names.
    found, truth = identified(written(tmp_path, duration_s=0.0004), 1)
    assert all(is_right(role, truth[role.channel]) for role in found.roles)


@pytest.mark.parametrize(
    ("lines", "settings"),
    [
        ({"HALT", "INT", "RESET"}, {"contents": ((0, program("doze", (0x4000, 0xFFFF))),), "duration_s": 0.003}),
        ({"WAIT", "INT", "RESET"}, {"waits": [WaitRule(1, ("opcode_fetch",))]}),
        ({"BUSREQ", "BUSACK", "INT", "RESET"}, {"bus_requests": [BusRequest(2000, 700, 60)]}),
        ({"NMI", "INT", "RESET"}, {"presses": [Press("NMI", 0.001, 1e-5)]}),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else None,
)
def test_lines_that_move_seldom_are_named_by_what_follows_from_them(tmp_path, lines, settings):
    found, truth = identified(written(tmp_path, **settings), 2)
    assert all(is_right(role, truth[role.channel]) for role in found.roles)
    assert {role.line for role in found.roles} & {"HALT", "WAIT", "INT", "NMI", "RESET", "BUSREQ", "BUSACK"} == lines


@pytest.mark.parametrize("line", ["M1", "RD", "RFSH"])
def test_a_dead_strobe_is_no_other_channel(tmp_path, line):
    found, truth = identified(written(tmp_path, faults=[fault("dead-high", line=line)]), 3)
    assert line not in {role.line for role in found.roles}
    assert all(is_right(role, truth[role.channel]) for role in found.roles if role.confidence >= 0.8)


def test_noise_is_given_no_name():
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.integers(1, 50, 5000))
    assert identify(times, rng.integers(0, 256, 5000).astype(np.uint64), 8, 1.0).roles == []
    assert identify(times[:10], np.zeros(10, np.uint64), 8, 1.0).roles == []


# --- the diagnosis ---------------------------------------------------------------------------------------------------------


def mapping(step):
    return dict(re.findall(r"--map (\w+)=(\w+)", step))


@pytest.mark.parametrize("lines", ["two", "eight", "full"])
def test_a_healthy_machine_is_judged_under_the_mapping_found(tmp_path, lines):
    said = diagnose([written(tmp_path, lines=lines, names="channels")])
    assert said.verdict.state == "no_fault_found"
    (finding,) = said.findings
    assert (finding.rule, finding.severity) == ("unlabelled-channels", "note")
    truth = {line: f"CH{k}" for k, line in enumerate(LINE_SETS[lines])}
    offered = mapping(said.verdict.next_steps[0])
    assert offered["MREQ"] == truth["MREQ"] and offered["M1"] == truth["M1"]
    assert all(truth[line] == channel for line, channel in offered.items())
    assert {use.line: use.name for use in said.captures[0].channels.uses if use.line} == offered


def test_the_mapping_offered_can_be_given_back(tmp_path):
    from strobewise import Options

    path = written(tmp_path, names="channels")
    offered = mapping(diagnose([path]).verdict.next_steps[0])
    again = diagnose([path], Options(maps=tuple(f"{line}={channel}" for line, channel in offered.items())))
    assert again.verdict.state == "no_fault_found" and not again.evidence.unlabelled


@pytest.mark.parametrize("lines", ["two", "eight", "full"])
def test_a_strobe_that_no_channel_shows_leaves_it_open(tmp_path, lines):
    said = diagnose([written(tmp_path, lines=lines, names="channels", faults=[fault("dead-low", line="M1")])])
    assert said.verdict.state == "cannot_decide"
    assert said.verdict.suspects[0].suspect == "probe_or_capture"
    assert "none behaves like /M1" in said.findings[0].evidence
    assert not [f for f in said.findings if f.severity == "fault"]


def test_a_fault_elsewhere_is_seen_under_the_mapping(tmp_path):
    said = diagnose([written(tmp_path, names="channels", faults=[BAD_RAM], duration_s=0.004)])
    assert said.verdict.state == "fault" and said.verdict.suspects[0].suspect == "ram"


def test_channels_that_say_nothing(tmp_path):
    path = tmp_path / "still.vcd"
    path.write_text("$timescale 1 ns $end $var wire 1 ! CH0 $end $var wire 1 \" CH1 $end $enddefinitions $end\n#0 0! 1\"\n#100\n#9000\n")
    said = diagnose([path])
    assert said.verdict.state == "cannot_decide"
    assert "none behaves like a strobe" in said.verdict.summary


def test_a_bit_that_is_not_sure_enough_is_named_by_its_bus_alone():
    order = Order(address=[7, 8, *[None] * 14], data=[3, *[None] * 7])
    solved = Solved(order, [], [7, 8], [3], {"A0": NAMED, "A1": NAMED - 0.01, "A2": 0.99, "D0": 0.9})
    assert {role.channel: role.line for role in solved.roles()} == {7: "A0", 8: GROUPS[0], 3: "D0"}


@pytest.mark.parametrize(
    ("lines", "quiet", "whole"),
    [
        (("MREQ", "M1", "RD", "RFSH"), True, True),
        (("MREQ", "M1", "RD"), True, False),  # the channel that rests may be /RFSH, which every running CPU moves
        (("MREQ", "M1", "RD"), False, True),
        (("MREQ", "M1", "RD", *["data"] * 5), False, True),
        (("MREQ", "M1", "RD", *["data"] * 6), False, False),  # six in no order: the program was not seen
        (("MREQ", "RD"), False, False),
    ],
)
def test_nothing_is_left_to_find_where_what_must_move_is_found(lines, quiet, whole):
    uses = tuple(ChannelUse(f"c{k}", None, False, k) for k in range(len(lines) + 1))
    found = Identified([Role(k, line, 0.99) for k, line in enumerate(lines)])
    moving = set(range(len(uses) - quiet))
    assert _record(found, ChannelMap((), uses, True, ()), moving).whole == whole


@pytest.mark.parametrize(
    ("first", "second", "found"),
    [
        ([(95, 105)], None, 0),
        ([(95, 105), *[(200 + 10 * k, 205 + 10 * k) for k in range(4)]], None, 0),  # five times low for one acknowledge
        ([(95, 105), *[(200 + 10 * k, 205 + 10 * k) for k in range(5)]], None, None),  # six: it asks for more than that
        ([(300, 305)], None, None),  # at rest while it is answered
        ([(95, 105)], [(91, 109)], 0),  # as seldom: the first
        ([(80, 125)], [(95, 105)], 1),
        ([(0, 1000)], None, None),
    ],
)
def test_the_line_that_is_low_at_an_acknowledge_and_seldom_else_asks_for_it(first, second, found):
    """Fetches at 0, 10, 20 ... ticks, an acknowledge at 100."""
    times = np.arange(0, 1000, 10)
    kinds = np.full(len(times), FETCH)
    kinds[10] = ACK
    sample = SimpleNamespace(fall=times, kind=kinds)
    spans = {k: _Spans(*map(np.array, zip(*pairs, strict=True))) for k, pairs in enumerate((first, second)) if pairs}
    role = _interrupt(sample, spans)
    assert (role if role is None else (role.channel, role.line)) == (None if found is None else (found, "INT"))


def spans_of(*pairs):
    return {0: _Spans(*map(np.array, zip(*pairs, strict=True)))}


@pytest.mark.parametrize(
    ("low", "reads", "moves", "bits", "found"),
    [
        ((95, 145), (), (), 3, True),  # five fetches, the last of which may be cut short
        ((95, 135), (), (), 3, False),
        ((95, 145), (11,), (), 3, False),  # with a data cycle in between
        ((95, 145), (), (12,), 3, False),  # of another address
        ((95, 145), (), (), 2, False),  # too few address lines are known to say that it is one
        ((0, 5000), (), (), 3, False),  # low all the time
        ((95, 5000), (), (), 3, True),
    ],
)
def test_the_line_that_is_low_while_one_address_is_fetched_is_halt(low, reads, moves, bits, found):
    """Fetches at 0, 10, 20 ... ticks."""
    times, address = np.arange(0, 5000, 10), np.zeros(500, np.int64)
    kinds = np.full(len(times), FETCH)
    kinds[list(reads)], address[list(moves)] = READ, 1
    role = _halt(SimpleNamespace(fall=times, kind=kinds), spans_of(low), address, bits)
    assert (role is not None and role.line == "HALT") is found


@pytest.mark.parametrize(
    ("low", "changes", "bits", "found"),
    [
        ((95, 195), {}, 3, True),
        ((95, 195), {}, 2, False),  # where the program begins is not known
        ((95, 195), {"address": 1}, 3, False),
        ((95, 195), {"kind": READ}, 3, False),
        ((95, 195), {"first": 315}, 3, False),  # twelve T-states behind
        ((95, 195), {"first": 314}, 3, True),
        ((165, 195), {}, 3, True),
        ((166, 195), {}, 3, False),  # less than three T-states
        ((95, 226), {}, 3, False),  # the program goes on in it
        ((195, 9000), {}, 3, False),  # nothing comes behind it
        ((95, 195), {"before": 0}, 2, True),  # the capture begins with it
    ],
)
def test_the_line_behind_which_the_program_begins_at_0_is_reset(low, changes, bits, found):
    """A T-state is 10 ticks; fetches up to 80 and from 200 on."""
    before, first = changes.get("before", 9), changes.get("first", 200)
    times = np.concatenate([np.arange(0, 10 * before, 10), np.arange(first, 900, 10)])
    kinds, address = np.full(len(times), FETCH), np.arange(len(times)) - before
    kinds[before], address[before] = changes.get("kind", FETCH), changes.get("address", 0)
    role = _reset(SimpleNamespace(t=10), SimpleNamespace(fall=times, kind=kinds), spans_of(low), address, bits)
    assert (role is not None and role.line == "RESET") is found


@pytest.mark.parametrize(
    ("pulses", "changes", "bits", "found"),
    [
        ([(1990, 2010)], {}, 7, True),
        ([(1990, 2010)], {}, 6, False),
        ([(1990, 2010)], {23: (FETCH, 0x67)}, 7, False),
        ([(1990, 2010)], {22: (READ, 0)}, 7, False),
        ([(1990, 2010)], {21: (READ, 0)}, 7, False),
        ([(1200, 1210)], {}, 7, False),  # 80 T-states before
        ([(1201, 1210)], {}, 7, True),
        ([(2001, 2010)], {}, 7, False),  # behind it
        ([(0, 5), (1990, 2010), (3000, 3010)], {}, 7, True),  # low as the capture began, and one fall that it does not see answered
        ([(0, 5), (1990, 2010), (3000, 3010), (3100, 3110)], {}, 7, False),
    ],
)
def test_the_line_whose_falls_are_answered_at_0066_is_nmi(pulses, changes, bits, found):
    """Fetches at 0, 100, 200 ... ticks, a T-state is 10; at 2000 begins the answer: two pushes and 0066h (UM0080)."""
    times, address = np.arange(0, 5000, 100), np.zeros(50, np.int64)
    kinds = np.full(len(times), FETCH)
    for at, (kind, low) in ({21: (WRITE, 0), 22: (WRITE, 0), 23: (FETCH, 0x66)} | changes).items():
        kinds[at], address[at] = kind, low
    role = _nmi(SimpleNamespace(t=10), SimpleNamespace(fall=times, kind=kinds), spans_of(*pulses), address, bits)
    assert (role is not None and role.line == "NMI") is found
