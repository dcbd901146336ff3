"""What is counted along the stream of cycles in a capture host: lines that are held, a device that pages."""

from __future__ import annotations

import pytest

from strobewise.bus.lines import MASK, STROBES
from strobewise.records.evidence import REFRESH_CLASS
from strobewise.stream.observer import Observer
from strobewise.stream.paging import PagingOptions, PagingWatch
from strobewise.stream.records import Begun, Bus

IDLE = 0x7FFF & ~MASK["ROMDIS"]
BUS = Bus(("MREQ", "M1", "HALT", "ROMDIS"), 1_000_000, 7.0, "MREQ", 1.0, False, True)


def fetch(number, address, control, refresh):
    return Begun(number, "opcode_fetch", 28 * number, 28 * number + 24, address, 0, 0, False, control, refresh)


@pytest.mark.parametrize("in_refresh", [True, False], ids=["at once", "one fetch later"])
def test_the_fetch_that_releases_a_device_may_see_it_go(in_refresh):
    answers, quiet = IDLE | MASK["ROMDIS"], IDLE
    watch = PagingWatch(PagingOptions((0x58,), "ROMDIS", 1, 4, ((0x2F40, 0x2F4F),)), 7.0, 1e6, True, lambda _: None)
    watch.feed(fetch(0, 0x58, quiet, answers))
    watch.feed(fetch(1, 0x59, answers, answers))
    watch.feed(fetch(2, 0x2F40, answers, quiet if in_refresh else answers))
    for number in range(3, 20):
        watch.feed(fetch(number, 0x60 + number, quiet, quiet))
    assert (watch.record.released, watch.record.not_released, watch.record.let_go_alone) == (1, 0, 0)


def test_a_device_that_stays_is_told():
    answers = IDLE | MASK["ROMDIS"]
    watch = PagingWatch(PagingOptions((0x58,), "ROMDIS", 1, 4, ((0x2F40, 0x2F4F),)), 7.0, 1e6, True, lambda _: None)
    watch.feed(fetch(0, 0x58, IDLE, answers))
    for number in range(1, 30):
        watch.feed(fetch(number, 0x2F40 if number == 1 else 0x60, answers, answers))
    assert (watch.record.released, watch.record.not_released) == (0, 1)


@pytest.mark.parametrize(("behind", "answer_s"), [(1, 40e-6), (2, None)], ids=["in time", "too late"])
def test_an_answer_that_comes_too_late_is_none(behind, answer_s):
    """Six T-states and what is let pass, 7 samples each: a fetch later is in time, two are not."""
    answered = []
    watch = PagingWatch(PagingOptions((0x58,), "ROMDIS", 1, 6, ()), 7.0, 1e6, True, answered.append)
    for number in range(4):
        watch.feed(fetch(number, 0x58 + number, IDLE | MASK["ROMDIS"] if number >= behind else IDLE, None))
    ((begun, answered_at),) = answered
    assert begun.address == 0x58 and (answered_at is None) is (answer_s is None)
    assert [trigger.answer_s for trigger in watch.record.triggers] == [answer_s]


def test_no_line_is_held_for_longer_than_the_stretch_that_is_judged():
    observer = Observer(BUS)
    for number in range(100):
        observer.begun(fetch(number, number, IDLE & ~MASK["HALT"], IDLE))
    observer.new_stretch(2800)
    for number in range(100, 120):
        observer.begun(fetch(number, number, IDLE & ~MASK["HALT"] if number < 110 else IDLE, IDLE))
    halt = observer.evidence(observer.stretch, 2800, 3360).lines["HALT"]
    assert halt.asserted_s == pytest.approx(280e-6) and halt.high_fraction == pytest.approx(0.5)
    assert observer.evidence(observer.whole, 0, 3360).lines["HALT"].asserted_s == pytest.approx(3080e-6)


HELD = Bus(("MREQ", "RESET", "BUSACK", "WAIT"), 1_000_000, 7.0, "MREQ", 1.0, False, True)


@pytest.mark.parametrize("time, first, since", [(0, True, 0), (500, False, 500)], ids=["a level", "an edge"])
def test_a_line_was_at_the_level_that_its_first_edge_comes_from(time, first, since):
    observer = Observer(HELD)
    observer.line("RESET", 0, time)
    reset = observer.evidence(observer.whole, 0, 2000).lines["RESET"]
    assert (reset.asserted_first, reset.edges, reset.asserted_s) == (first, int(not first), pytest.approx((2000 - since) / 1e6))


@pytest.mark.parametrize("frozen, since", [(True, 1000), (False, 2000)], ids=["within a cycle", "between two"])
def test_a_wait_that_holds_a_cycle_began_with_it(frozen, since):
    observer = Observer(HELD)
    for number in range(10):
        observer.begun(fetch(number, number, IDLE, IDLE))
    observer.quiet(2000, IDLE & ~MASK["WAIT"] & ~(MASK["MREQ"] if frozen else 0), -1, 1000)
    assert observer.evidence(observer.whole, 0, 4000).lines["WAIT"].longest.start_s == pytest.approx(since / 1e6)


def test_a_granted_bus_is_no_request():
    observer = Observer(HELD)
    observer.begun(fetch(0, 0, IDLE, IDLE))
    observer.begun(Begun(1, "bus_granted", 40, 4000, None, None, None, False, IDLE, None))
    assert observer.evidence(observer.whole, 0, 4000).last_request_s == pytest.approx(24e-6)


@pytest.mark.parametrize("pulses, captured", [(0, True), (9, False)], ids=["dead", "not followed"])
def test_a_clock_that_never_moved_in_the_first_stretch_is_judged(pulses, captured):
    observer = Observer(Bus(("MREQ", "CLK"), 1_000_000, 7.0, "MREQ", 1.0, False, True, (("CLK", pulses),)))
    evidence = observer.evidence(observer.whole, 0, 4000)
    assert ("CLK" in evidence.captured) == captured and evidence.line("CLK").edges == 0


def test_refreshes_are_requests_of_their_own_and_their_longest_pause_is_kept():
    observer = Observer(BUS)
    in_refresh = IDLE & ~MASK["MREQ"] & ~MASK["RFSH"]
    for number in range(10):
        item = fetch(number, number, IDLE & ~MASK["MREQ"] & ~MASK["M1"], None if number in (4, 5) else in_refresh)
        observer.begun(item)
    counts = observer.evidence(observer.whole, 0, 280)
    (pattern,) = [(place, times) for place, times in enumerate(counts.histogram[REFRESH_CLASS]) if times]
    asserted = {name for bit, name in enumerate(STROBES) if pattern[0] >> bit & 1}
    assert (asserted, pattern[1]) == ({"MREQ", "RFSH"}, 8)
    assert counts.requests == 18 and counts.cycles["opcode_fetch"] == 10
    assert observer.whole.no_refresh == (28 * 3 + 24, 28 * 6 + 24)  # from release to release
