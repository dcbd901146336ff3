"""How whole arrays of levels become requests: stretches in which nothing can be known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strobewise.bus.lines import MASK
from strobewise.bus.units import NEVER
from strobewise.cycles.pulses import place_of
from strobewise.cycles.refreshes import every_other
from strobewise.cycles.requests import Blindness
from strobewise.cycles.table import CycleTable
from strobewise.diagnosis.facade import diagnose


def hidden(*lines: int) -> np.ndarray:
    return np.array(lines, np.uint64)


@pytest.mark.parametrize(
    ("line", "expected"), [("CLK", [(0, 20)]), ("MREQ", [(10, 20)])], ids=["clock from the start", "strobe after its first level"]
)
def test_where_a_line_is_not_known(line, expected):
    blindness = Blindness(np.uint16(MASK["MREQ"] | MASK["CLK"]))
    unknown = hidden(MASK[line] if line == "CLK" else 0, MASK[line], 0)
    assert blindness.feed(np.array([0, 10, 20]), unknown, final=True) == expected


def test_a_line_that_is_never_known_again_is_blind_to_the_end():
    blindness = Blindness(np.uint16(MASK["MREQ"] | MASK["CLK"]))
    clock = MASK["CLK"]
    assert blindness.feed(np.array([0, 10]), hidden(clock, clock), final=False) == []
    assert blindness.feed(np.array([20]), hidden(clock), final=True) == [(0, NEVER)]


def test_a_block_in_which_all_is_known_ends_a_blind_stretch():
    blindness = Blindness(np.uint16(MASK["MREQ"] | MASK["CLK"]))
    assert blindness.feed(np.array([0, 10]), hidden(0, MASK["MREQ"]), final=False) == []
    assert blindness.feed(np.array([30, 40]), None, final=True) == [(10, 30)]


@pytest.mark.parametrize(
    ("candidates", "first_was", "expected"),
    [
        ("1101", False, "1001"),  # a refresh is never the refresh of a refresh
        ("1110", False, "1010"),
        ("1101", True, "0101"),  # the request before these was one already
        ("0111", True, "0101"),
        ("", True, ""),
    ],
)
def test_of_candidates_in_a_row_every_other_is_a_refresh(candidates, first_was, expected):
    given = np.array([c == "1" for c in candidates], np.bool_)
    assert "".join("01"[int(kept)] for kept in every_other(given, first_was)) == expected


def mreq_alone(path, pulses):
    """Write a capture of /MREQ alone at ten samples a T-state: for each pulse its width and the gap behind it, T-states."""
    at, text = 40, ["$timescale 100 ns $end", "$var wire 1 ! MREQ $end", "$enddefinitions $end", "#0", "1!"]
    for width, gap in pulses:
        text += [f"#{at}", "0!", f"#{at + round(10 * width)}", "1!"]
        at += round(10 * (width + gap))
    path.write_text("\n".join([*text, f"#{at}"]) + "\n", encoding="ascii")
    return path


FETCHED = [(1.5, 0.5), (1.0, 1.0)]  # a fetch's /MREQ, its refresh, up to the next cycle's T1 and a half (UM0080)
READ = [(2.0, 1.0)]


@pytest.mark.parametrize(("begins", "fetches"), [(FETCHED, 100), (FETCHED[1:], 99)], ids=["a fetch", "a refresh"])
def test_what_a_capture_of_mreq_alone_begins_with(begins, fetches, tmp_path):
    pulses = [*begins, *READ, *(FETCHED + READ) * 99]
    cycles = diagnose([mreq_alone(tmp_path / "mreq.vcd", pulses)]).evidence.cycles
    assert (cycles["opcode_fetch"], cycles["memory_access"]) == (fetches, 100)


def test_a_grant_counts_where_nothing_shows_how_long_a_t_state_is(tmp_path):
    path = tmp_path / "grant.vcd"
    path.write_text(
        "$timescale 1 us $end\n$var wire 1 ! MREQ $end\n$var wire 1 a BUSACK $end\n$enddefinitions $end\n#0 1! 1a\n"
        "#10 0!\n#13 1!\n#40 0a\n#90 1a\n#120 0!\n#123 1!\n#200\n", encoding="ascii",
    )  # fmt: skip
    evidence = diagnose([path]).evidence
    assert evidence.clock.hz is None and evidence.cycles["bus_granted"] == 1


def test_a_table_of_cycles_equals_one_with_the_same_rows_and_nothing_else():
    start = np.array([0, 40])
    table = CycleTable.build(start, start + 40, np.zeros(2, np.uint8))
    assert table == CycleTable.build(start, start + 40, np.zeros(2, np.uint8)) != CycleTable.empty()
    assert table != CycleTable.build(start, start + 40, np.ones(2, np.uint8))
    assert (table == 2) is False


@given(st.lists(st.integers(1, 40), min_size=2, max_size=60), st.lists(st.tuples(st.integers(0, 59), st.integers(0, 400)), max_size=30))
def test_a_moment_is_found_from_a_place_near_it_as_a_search_finds_it(steps, asked):
    """Also where it lies hundreds of events behind, in a request that waits."""
    times = np.cumsum(np.array(steps, np.int64))
    near = np.array([min(place, len(times) - 2) for place, _ in asked], np.int64)
    when = np.minimum(times[near] + np.array([behind for _, behind in asked], np.int64), times[-1] - 1)
    assert place_of(times, near, when).tolist() == (np.searchsorted(times, when, "right") - 1).tolist()
