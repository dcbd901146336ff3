"""What the capture host counts in stretches adds up to what it would have counted in one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from strobewise.bus.lines import MASK
from strobewise.bus.model import KINDS
from strobewise.records.evidence import BusEvidence
from strobewise.stream.counts import Counts
from strobewise.stream.records import Begun, Ended

IDLE = 0xFFFF
KIND = st.one_of(st.sampled_from(["opcode_fetch", "memory_read"]), st.sampled_from(KINDS))
CYCLE = st.tuples(KIND, st.integers(0, 9), st.booleans(), st.booleans(), st.integers(0, 2), st.booleans())


def told(cycles, cuts) -> Counts:
    """Return the counts of some cycles, taken in stretches that begin at the cuts."""
    over, stretch, now = Counts(), Counts(), 0
    for number, (kind, gap, halted, refreshed, waits, inferred) in enumerate(cycles):
        if number in cuts:
            over, stretch = over.followed_by(stretch), stretch.next()
        start, release = now + gap, now + gap + 3
        control = IDLE & ~MASK["HALT"] if halted else IDLE
        stretch.begun(Begun(number, kind, start, release, number & 3, None, waits, inferred, control, IDLE if refreshed else None))
        if halted and kind == "opcode_fetch":
            stretch.noted(Ended(number, kind, start, release, 4, "halt"))
        now = release
    return over.followed_by(stretch)


def all_of(counts: Counts) -> tuple[object, ...]:
    evidence = BusEvidence(captured=frozenset(), start_s=0.0, end_s=1.0)
    counts.fill_in(evidence)
    return (
        evidence, counts.first, counts.last, counts.silence, counts.no_refresh, counts.longest_without_fetch, counts.notes, counts.halts,
    )  # fmt: skip


@given(st.lists(CYCLE, max_size=40), st.sets(st.integers(0, 40)))
def test_stretches_add_up(cycles, cuts):
    assert all_of(told(cycles, cuts)) == all_of(told(cycles, ()))


def test_a_run_without_fetches_goes_on_over_the_end_of_a_stretch():
    read, fetch = ("memory_read", 1, False, False, 0, False), ("opcode_fetch", 1, False, True, 0, False)
    counts = told([fetch, read, read, read, read, fetch, read], {3})
    assert counts.longest_without_fetch == (4, 5)
    assert told([fetch, *[read] * 9], {4, 7}).longest_without_fetch == (9, 5)
