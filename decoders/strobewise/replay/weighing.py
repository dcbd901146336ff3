"""What it tells that a fault agrees with a capture, and what it costs: evidence and price, in bits.

What the machine's own program says is evidence. What was taken from the capture, or guessed, is paid for, and so is the number of faults
that were tried.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from ..bus.lines import ADDRESS
from ..records.replay import LOST, PARTED, ReplayRecord
from .board import ReplayBoard
from .catalogue import Hypothesis
from .course import Outcome
from .observed import FETCH, READ, Observed
from .unknown import Unknown

LEAST_GAIN = 24  #: cycles that a fault must explain beyond the healthy machine, at least
FULL_SHARE = 0.98  #: of the compared cycles that "all" means, since a capture ends in the middle of one
PARTIAL_GAIN, PARTIAL_SHARE, PARTIAL_LEAD = 100, 0.5, 2.0  #: what a fault must explain that does not explain all
BITS_A_CYCLE = 0.5  #: chance lets a cycle agree with a wrong fault about seven times in ten: fetches are half of all, and loops repeat
BITS_AN_ADDRESS_LINE = 0.25  #: what each captured address line adds: it agrees by chance half of the time, and not by itself
BITS_A_PLACE = 2.0  #: an instruction that was not seen before tells: its length and its accesses; of one fault in four it is the same
AN_ADDRESS = 16  #: bits: with so many taken for granted a way that was lost counts no more than one that was contradicted
GUESSED_MORE = 32  #: bits of the program that one candidate may have taken from the capture beyond another
TAKEN_SHARE = 0.5  #: of the opcodes of a course: with more of them taken from the capture it is not the given program that runs


class Tried(NamedTuple):
    """A fault and how far it explains the capture."""

    hypothesis: Hypothesis
    outcome: Outcome
    board: ReplayBoard


def explains_all_of(one: Tried, record: ReplayRecord) -> bool:
    return one.outcome.matched >= FULL_SHARE * record.cycles


def is_one_bit(one: Tried) -> bool:
    """Whether it is a single bit of the ROM: among thousands there is always one that leads astray for a while as the capture does."""
    return one.hypothesis.fault.kind == "rom-bit-flipped"


def convinces(one: Tried, record: ReplayRecord, seen: Observed) -> bool:
    """Whether a fault explains so much more than the healthy machine that chance does not do it.

    A course whose opcodes were mostly taken from the capture explains nothing by them, for memory of unknown content agrees with anything:
    it is judged by its way up to there, as one that was lost there, or by what its fault says of every byte of that memory.
    """
    outcome, bits = one.outcome, _bits_a_cycle(seen)
    gain = outcome.matched - record.healthy_matched
    guessed = max(0, outcome.guessed - record.healthy_guessed)
    tries = math.log2(record.hypotheses + 1)
    explains_all = explains_all_of(one, record)
    if gain < LEAST_GAIN:
        return False
    if explains_all and _values_told(outcome, seen) >= max(LEAST_GAIN, tries):
        return True
    price = tries + guessed
    if price > bits * gain:
        return False
    contradicted = not explains_all and outcome.ended == PARTED
    by_places = price if one.board.since is not None or contradicted else 0 if explains_all else guessed
    if by_places > BITS_A_PLACE * _new_places(one, record):
        return False
    fetches = [p for p in outcome.log if p.kind == FETCH and isinstance(p.address, int)]
    taken = {p.address for p in fetches if isinstance(p.data, Unknown)}
    if len(taken) > TAKEN_SHARE * len({p.address for p in fetches}):
        first = next(p.row for p in fetches if isinstance(p.data, Unknown))
        own = first - outcome.log[0].row - record.healthy_matched  # up to there it was the program's own way
        return own >= LEAST_GAIN and tries <= bits * own
    if explains_all or (outcome.ended == LOST and guessed < AN_ADDRESS):
        return True
    share, lead = PARTIAL_SHARE * record.cycles, PARTIAL_LEAD * record.healthy_matched
    return gain >= PARTIAL_GAIN and outcome.matched >= max(share, lead)


def _bits_a_cycle(seen: Observed) -> float:
    return BITS_A_CYCLE + BITS_AN_ADDRESS_LINE * len(seen.captured & frozenset(ADDRESS))


def _values_told(outcome: Outcome, seen: Observed) -> int:
    """Return of how many different bytes out of unknown memory a fault told at least one bit rightly.

    Each byte value counts once, so that empty memory, which reads alike everywhere, tells nothing.
    """
    told = set()
    for p in outcome.log:
        if p.kind in (FETCH, READ) and isinstance(p.data, Unknown) and seen.data_mask[p.row] & ~p.data.mask & 0xFF:
            told.add(seen.data[p.row] & seen.data_mask[p.row])
    return len(told)


def _new_places(one: Tried, record: ReplayRecord) -> int:
    """Return at how many new addresses a machine fetched behind the place where the healthy one parts.

    Loops tell nothing, nor does what is not in the image and reads the same three times in a row, as a bus that nobody drives.
    """
    outcome, image = one.outcome, one.board.contents
    begin = outcome.log[0].row if outcome.log else 0
    before: set[object] = set()
    behind: set[object] = set()
    last, alike = None, 0
    for p in outcome.log:
        if p.kind == FETCH:
            alike = alike + 1 if isinstance(p.data, int) and p.data == last else 0
            if isinstance(p.address, int) and (alike < 2 or p.data == image[p.address]):
                (before if p.row < begin + record.healthy_matched else behind).add(p.address)
            last = p.data if isinstance(p.data, int) else None
    return len(behind - before)
