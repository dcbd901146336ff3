"""Parts of the streaming engine by themselves: what began before the capture, and the host that the warm-up plays."""

from __future__ import annotations

import pytest

from strobewise.bus.calibration import Calibration
from strobewise.bus.lines import MASK
from strobewise.bus.model import KINDS
from strobewise.stream.replay import ENDS_LEFT_OUT, ROWS_MIN, ReplayHost, same_rows
from strobewise.stream.requests import RequestSource
from strobewise.stream.rows import _BARE

IDLE = sum(MASK[name] for name in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH"))


def test_a_request_that_began_before_the_capture_is_none():
    for first in (IDLE & ~MASK["MREQ"], IDLE):
        given = []
        source = RequestSource(Calibration(6.0, "CLK", 1.0, True, True), first, 0, given.append)
        for time, word in ((10, IDLE), (40, IDLE & ~MASK["MREQ"]), (52, IDLE), (90, IDLE & ~MASK["IORQ"]), (105, IDLE)):
            source.feed(time, word)
        source.finish()
        assert [(request.fall, request.rise) for request in given] == [(40, 52), (90, 105)]
        assert source.idle


EVENTS = [(0, (0, 1)), (3, (1, 1)), (10, (1, 0)), (12, (0, 0)), (20, (1, 1))]


@pytest.mark.parametrize(
    ("conditions", "at", "pins", "matched"),
    [
        ({"skip": 5}, 5, (1, 1), (True,)),  # the edge on the way there is none of its business
        ({"skip": 10}, 10, (1, 0), (True,)),
        ({0: "f"}, 12, (0, 0), (True,)),
        ({0: "r"}, 3, (1, 1), (True,)),
        ({1: "e"}, 10, (1, 0), (True,)),
        ([{1: "r"}, {"skip": 7}], 7, (1, 1), (False, True)),
        ([{0: "f"}, {1: "f"}], 10, (1, 0), (False, True)),
        ([{0: "r"}, {"skip": 3}], 3, (1, 1), (True, True)),
    ],
)
def test_the_played_host_stops_where_a_condition_is_met(conditions, at, pins, matched):
    host = ReplayHost(EVENTS)
    assert host.wait() == (0, 1) and host.samplenum == 0
    assert host.wait(conditions) == pins
    assert (host.samplenum, host.matched) == (at, matched)


def test_the_played_host_ends():
    host = ReplayHost(EVENTS)
    host.wait()
    with pytest.raises(EOFError):
        host.wait({0: "r", 1: "f"})


ROWS = [(k, k + 4, "opcode_fetch") for k in range(0, 400, 4)]


def test_rows_are_the_same_but_for_the_ends():
    enough = ROWS_MIN + 2 * ENDS_LEFT_OUT
    assert same_rows(ROWS, ROWS[:enough]) and not same_rows(ROWS, ROWS[: enough - 1])
    odd = (1, 2, "unknown")
    assert same_rows(ROWS, [odd] * ENDS_LEFT_OUT + ROWS[20 : 20 + ROWS_MIN] + [odd] * ENDS_LEFT_OUT)
    assert not same_rows(ROWS, [odd] * (ENDS_LEFT_OUT + 1) + ROWS[20 : 20 + ROWS_MIN] + [odd] * ENDS_LEFT_OUT)
    assert not same_rows([*ROWS[:30], odd, *ROWS[30:]], ROWS[:60])  # a row between


def test_where_a_request_without_its_first_strobe_begins():
    """UM0080, timing figures: /RD falls after half a T-state as /MREQ does, /WR of a memory write in T2, those of I/O with T2."""
    begins = {kind: _BARE[KINDS.index(kind)][0] for kind in ("opcode_fetch", "memory_read", "memory_write", "io_read", "io_write")}
    assert begins == {"opcode_fetch": 0.5, "memory_read": 0.5, "memory_write": 1.5, "io_read": 1.0, "io_write": 1.0}
