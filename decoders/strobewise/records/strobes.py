"""How a strobe departs from what its cycles call for: the one judgement that collectors, rules and the joining of captures share.

What each strobe must do comes from UM0080's timing figures (:mod:`strobewise.bus.semantics`); the limits are common practice.
"""

from __future__ import annotations

from typing import NamedTuple, Optional, Sequence, Set

from ..bus.lines import bar
from ..bus.model import KIND_INDEX
from ..bus.units import time_words
from .evidence import EXPECTED, PATTERN_LINES, Burst, LineEvidence, StrobeCount

ENOUGH = 8  #: requests that must call for a strobe before its silence says anything
ENOUGH_OF_SILENCE = 3  #: the same for a line without a single edge
ENOUGH_OTHERS = 50  #: requests that must not have a strobe, before one that is low in them all, without an edge, is held
HELD_HIT = 0.5  #: share of its requests that must show it, for that: one seen in fewer is not low all the time
RELEASES_MIN = 1.4  #: edges per request that shows it below which a strobe is held: a good one makes two
HEALTHY_HIT = 0.97  #: share of its requests in which a healthy strobe is seen, glitches and cut-off cycles allowed for
HEALTHY_FALSE = 0.03  #: share of the requests that must not have it, in which a healthy strobe is seen: the rest of the same allowance
DEAD_MARGIN = 0.35  #: a strobe seen no more often when called for than when not (by this margin) follows something else
INVERTED = 0.05  #: share up to which a strobe may agree, when it is otherwise the exact opposite of what it must be
FEW_MISSES = 8  #: misses of a strobe that is seen now and then, below which spikes and cut-off cycles explain them
BURST = 8  #: misses in a row that neither spikes nor cut-off cycles explain, however many requests show the strobe
PULSES_OF_ITS_OWN = 6.0  #: edges for each request that shows it, above which a strobe moves for other reasons too
SELDOM_CALLED = ("WR", "IORQ")  #: strobes that a program may do without for as long as it likes (UM0080)
FEW_WRONG = 8  #: the same for assertions where none belongs
#: Requests in a row without an opcode fetch that need no fault: an interrupt response in mode 2 or an instruction makes 8 at most (UM0080),
#: and two spare.
LONGEST_RUN = 10


def longest_burst(count: StrobeCount) -> Optional[Burst]:
    """Return the longest stretch of requests in a row that miss a strobe, where there is one of BURST and more."""
    return max(count.bursts, key=lambda burst: burst.number, default=None)


class Behaviour(NamedTuple):
    """What a strobe that misbehaves looks like."""

    kind: str  #: "silent", "held", "stays", "inverted", "unrelated" or "partial"
    words: str


def healthy(count: StrobeCount) -> bool:
    """Say whether a strobe is seen where it belongs and nowhere else, but for what glitches and cut-off cycles take."""
    return count.hit >= HEALTHY_HIT and count.false <= HEALTHY_FALSE


def held_low(line: LineEvidence, count: StrobeCount) -> bool:
    """Say whether a strobe is not let go between the requests that show it: it seems to be there, and does nothing."""
    return line.edges < RELEASES_MIN * count.seen


def died(line: LineEvidence, count: StrobeCount) -> bool:
    """Say whether a strobe did its work until its last edge, behind which others go on for long."""
    stays, first = line.stays, count.first_missing_s
    return stays is not None and stays.falls >= ENOUGH_OTHERS and count.seen < count.expected and (first is None or first >= stays.since_s)


def released(line: LineEvidence) -> int:
    """Return how often a line was let go that moves enough to say so; 0 of one that hardly does."""
    return line.edges // 2 if line.edges > 2 * FEW_MISSES else 0


def _held(line: LineEvidence, count: StrobeCount) -> str:
    """Say how a strobe is held that is seen where it belongs."""
    if not line.edges:
        return "low throughout"
    if not released(line):
        return "not released between all of them"
    others = f", low in {count.wrong} of {count.others} others as well" if count.wrong and count.others >= ENOUGH else ""
    return f"stays low and is let go only {released(line)} times{others}"


def _fails_now_and_then(line: LineEvidence, count: StrobeCount) -> bool:
    """Say whether a strobe is seldom seen, and yet only where it belongs, with pulses of its own: it dies, and follows nothing."""
    return count.seen >= ENOUGH and count.false <= HEALTHY_FALSE and line.edges <= PULSES_OF_ITS_OWN * count.seen


def behaviour(line: LineEvidence, count: StrobeCount) -> Optional[Behaviour]:
    """Say how a strobe departs from what the rest of the bus calls for, or None when it does not (or too little says so)."""
    return _as_counted(line, count) or _stays_low(line) or _uncalled(line, count)


def by_kind(name: str, histogram: Sequence[Sequence[int]]) -> bool:
    """Say whether a strobe is there in all cycles of one kind and in none of another: an output that fails now and then picks no kind.

    histogram: requests by class and by pattern, see BusEvidence.
    """
    bit = 1 << PATTERN_LINES.index(name)
    shares: Set[float] = set()
    for kind in ("opcode_fetch", "memory_read", "memory_write"):
        row, due = histogram[KIND_INDEX[kind]], EXPECTED[KIND_INDEX[kind]]
        count: int = sum(row)
        if due is not None and name in due and count:
            there: int = sum(number for pattern, number in enumerate(row) if pattern & bit)
            shares.add(there / count)
    return shares == {0.0, 1.0}


def stuck_low(line: LineEvidence) -> bool:
    """Say whether a strobe is not let go any more while another one falls again and again."""
    stays = line.stays
    return stays is not None and not stays.high and stays.falls >= ENOUGH_OTHERS


def _stays_low(line: LineEvidence) -> Optional[Behaviour]:
    """Tell of a strobe that is not let go any more while another one falls again and again, whatever called for it before."""
    stays = line.stays
    if stays is None or not stuck_low(line):
        return None
    since = time_words(stays.since_s)
    return Behaviour("stays", f"{bar(line.line)} low from {since} to the end, while {bar(stays.other)} falls {stays.falls} times")


def _uncalled(line: LineEvidence, count: StrobeCount) -> Optional[Behaviour]:
    """Tell of a strobe that nothing calls for, and that moves all the same. Fetches call for the others: then those were not seen."""
    if line.line not in SELDOM_CALLED or count.expected or not line.edges:
        return None
    if count.others < ENOUGH_OTHERS or count.wrong < FEW_WRONG or count.false <= HEALTHY_FALSE:
        return None
    return Behaviour("partial", f"{bar(line.line)} asserted in {count.wrong} of {count.others} others")


def _as_counted(line: LineEvidence, count: StrobeCount) -> Optional[Behaviour]:
    low = line.edges == 0 and count.seen == count.expected and count.false >= HEALTHY_HIT
    if low and count.expected < ENOUGH and count.others >= ENOUGH_OTHERS:
        return Behaviour("held", f"{bar(line.line)} low throughout, in {count.wrong} of {count.others} others as well")
    if count.expected < (ENOUGH if count.seen or line.edges else ENOUGH_OF_SILENCE):
        return None
    if count.hit <= INVERTED and count.false >= 1.0 - INVERTED and count.others >= ENOUGH and line.edges:
        return Behaviour("inverted", f"{bar(line.line)} asserted in {count.seen} of them and in {count.wrong} of the {count.others} others")
    if held_low(line, count) and count.hit > HELD_HIT:
        return Behaviour("held", f"{bar(line.line)} {_held(line, count)}")
    false = count.false if count.wrong >= FEW_WRONG else 0.0
    if count.hit >= HEALTHY_HIT and false <= HEALTHY_FALSE:
        burst = longest_burst(count)
        return Behaviour("partial", f"{bar(line.line)} asserted in only {count.seen} of them") if burst and line.edges else None
    if line.edges == 0:
        level = "high" if count.seen == 0 else "low"
        return Behaviour("silent" if level == "high" else "held", f"{bar(line.line)} {level} throughout")
    if count.seen == 0 and count.wrong == 0:
        return Behaviour("silent", f"{bar(line.line)} asserted in none of them")
    if count.hit - false < DEAD_MARGIN and not _fails_now_and_then(line, count):
        follows = f" and follows {bar(line.follows)}" if line.follows else ""
        return Behaviour("unrelated", f"{bar(line.line)} moves without regard to them{follows}")
    if count.expected - count.seen < FEW_MISSES and false <= HEALTHY_FALSE:
        return None
    if false > HEALTHY_FALSE and count.hit >= HEALTHY_HIT:
        return Behaviour("partial", f"{bar(line.line)} also asserted in {count.wrong} of {count.others} requests that must not have it")
    return Behaviour("partial", f"{bar(line.line)} asserted in only {count.seen} of them")
