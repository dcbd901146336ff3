"""What the strobes mean: the one table of machine cycles, compiled once and read by both engines.

Vocabulary: a *request* is one asserted pulse of /MREQ or /IORQ (or, where neither was seen, of /RD or /WR). A request is an access of
its own or the refresh half of the fetch before it. Figures are positions in T-states (clock periods) from the rising edge that starts T1.

Source: Zilog Z80 CPU User Manual (UM0080), timing figures for instruction op-code fetch, memory read or write, input or output,
interrupt request/acknowledge, bus request/acknowledge. The limits of tolerance further down are our own and explained there.
"""

from __future__ import annotations

from typing import FrozenSet, NamedTuple, Tuple

from .lines import MASK
from .model import KIND_INDEX


class CycleSpec(NamedTuple):
    """How one kind of machine cycle frames itself on the bus."""

    kind: str
    strobes: FrozenSet[str]  #: strobes asserted while the data are transferred
    request: str  #: the strobe that frames the transfer
    asserts_at: float  #: T-states from the start of T1 to the request's assert edge
    width: float  #: T-states that the request stays asserted, without wait states that /WAIT asked for
    t_min: int  #: shortest length in T-states
    source: str


CYCLES: Tuple[CycleSpec, ...] = (
    CycleSpec("opcode_fetch", frozenset(("M1", "MREQ", "RD")), "MREQ", 0.5, 1.5, 4, "UM0080, instruction op-code fetch"),
    CycleSpec("memory_read", frozenset(("MREQ", "RD")), "MREQ", 0.5, 2.0, 3, "UM0080, memory read or write"),
    CycleSpec("memory_write", frozenset(("MREQ", "WR")), "MREQ", 0.5, 2.0, 3, "UM0080, memory read or write"),
    CycleSpec("io_read", frozenset(("IORQ", "RD")), "IORQ", 1.0, 2.5, 4, "UM0080, input or output"),
    CycleSpec("io_write", frozenset(("IORQ", "WR")), "IORQ", 1.0, 2.5, 4, "UM0080, input or output"),
    CycleSpec(
        "interrupt_acknowledge", frozenset(("M1", "IORQ")), "IORQ", 2.5, 1.5, 6, "UM0080, interrupt request/acknowledge"
    ),
)
SPEC = {spec.kind: spec for spec in CYCLES}

#: The refresh half of a fetch or acknowledge: /MREQ asserts half a T-state after the transfer's release and stays for one (UM0080).
REFRESH_GAP = 0.5
REFRESH_WIDTH = 1.0  #: the same

# Limits of tolerance. The nearest picture that must not be taken for a refresh is a data access 1 T after the last release and 2 T wide.
REFRESH_GAP_MAX = 0.75  #: half way between the refresh gap (0.5 T) and the shortest gap between accesses (1 T)
#: The same for a pulse narrower than any other access, however few samples or odd a duty cycle widen the gap: half a sample less, half a
#: sample more for one so narrow that it would be none even if it lasted a sample longer than it was seen.
REFRESH_GAP_NARROW = 1.0
REFRESH_GAP_MARKED = 1.25  #: the same where /RFSH itself marks the refresh, so that jitter and a badly set threshold do no harm
REFRESH_WIDTH_MAX = 1.6  #: a refresh takes 1 T, a data access at least 2 T; the fetch itself (1.5 T) never follows this closely
REFRESH_WIDTH_ALONE = 1.25  #: with /RD, /WR and /M1 released, a request this narrow can be nothing else: a fetch takes 1.5 T, data 2 T
GLITCH_T = 0.5  #: an asserted pulse shorter than this is no strobe: the shortest real ones (/WR in a write, /MREQ in refresh) take 1 T
GAP_GLITCH_T = 0.25  #: a released gap shorter than this may be a spike: the shortest real one (before refresh) takes 0.5 T
GAP_GLITCH_SAMPLES = 1.5  #: and it must be no longer than this many samples, or than
GAP_GLITCH_FLOOR_T = 0.1  #: this: a threshold set badly narrows the real gap
SAMPLE_POINT = 0.75  #: of a request's width: /WR has fallen (0.5 of a write), /RFSH of the refresh behind it has not (1.0)
DATA_LEAD_SAMPLES = 1.5  #: data are read this far before the release, beyond the reach of one sample of skew between channels
#: typical output delay, T-states: where between its limits an edge is expected after the clock edge that causes it
CLOCK_DELAY_T = 0.15
#: A strobe asserted for longer frames no transfer: it is held or stuck, and must not hold back what other lines say.
LONGEST_REQUEST_T = 4096.0
#: Outputs go to rest within about two clocks behind the fall of /RESET (UM0080: it takes three to act), and within as many of power-on:
#: what is asserted that early in a reset is a cycle broken off, or none. What comes later comes from a CPU that /RESET does not reach.
RESET_SETTLES_T = 3.0
#: A first request whose T1 lies no further behind the start of a capture may be the refresh of a cycle that ended just before it.
UNSEEN_BEFORE_T = 0.5
BLIND_T = 3.0  #: a line that was not known so shortly before a request may have hidden where its cycle began
HOLD_BACK_T = 3.0  #: a request is settled when the bus has been seen this long after its release
#: Samples a T-state from which the refresh gap shows reliably on /MREQ alone (0.5 T is then 1 or 2 samples, 1 T at least 2.9).
TIMING_SAMPLES_MIN = 2.9

NMI_ADDRESS = 0x0066  #: where the CPU goes on an NMI (UM0080, interrupt response)
MODE_1_ADDRESS = 0x0038  #: where it goes on an interrupt in mode 1, as RST 38h does (UM0080, interrupt response)
RESET_T = 3.0  #: clocks that /RESET must be low to act (UM0080)
SHORTEST_RESET_T = 4  #: whole clocks of the shortest reset that is sure to act, wherever in a clock it begins
RESET_SEEN_T = 2.5  #: a little less, for the edges of sampling: a pulse this long may have acted
REFRESH_INTERVAL_S = 0.002  #: dynamic memory of 128 rows keeps its contents this long without a refresh (from memory)
TRANSFERS_A_FETCH = 4  #: data accesses between two fetches, the most of any instruction: LD HL,(nn) or EX (SP),HL (UM0080)
LONGEST_CYCLE_T = 16.0  #: no machine cycle takes longer without wait states: the longest reads for 13 (CPIR, UM0080), and a margin
CLOCK_SLACK_T = 8.0  #: a cycle may take this much longer than its counted clocks: some boards hold the clock for a few of them
RESET_ADDRESS = 0x0000  #: where the CPU starts (UM0080)

#: Requests of one trust group: what the strobes did in one group says which of them the next group may rely on.
TRUST_GROUP = 128

FORGIVEN = 8  #: one wrong in so many is forgiven: glitches and the edges of a bus grant do that on a healthy machine

#: T-states that a strobe stays asserted in a fetch, without wait states (UM0080, instruction op-code fetch).
FETCH_WIDTH = {"M1": 2.0, "RFSH": 2.0, "RD": 1.5}
#: T-states that /RD or /WR stays asserted in a cycle of its kind, without wait states (UM0080, timing figures).
_BARE_WIDTH = {"opcode_fetch": 1.5, "memory_read": 2.0, "memory_write": 1.0, "io_read": 2.5, "io_write": 2.5}


def bare_width(kind: str) -> float:
    """Return the T-states that /RD or /WR stays asserted in a cycle of this kind, without wait states (UM0080, timing figures)."""
    return _BARE_WIDTH.get(kind, 2.0)


# Bits of a decision key.
KEY_IORQ = 1  #: the request is a pulse of /IORQ
KEY_BARE = 2  #: the request is a pulse of /RD or /WR with neither /MREQ nor /IORQ asserted
KEY_REFRESHED = 4  #: a refresh follows, as only a fetch or an acknowledge has
KEY_M1 = 8  #: /M1 asserted at the sample point
KEY_M1_LATE = 16  #: /M1 still asserted in the refresh that follows (so it is no fetch strobe)
KEY_RD = 32  #: /RD asserted there
KEY_WR = 64  #: /WR asserted there
KEYS = 128  #: so many keys there are

# Bits of a trust word: which strobes behaved like themselves in the last group.
TRUST_M1 = 1
TRUST_RD = 2  #: /RD did
TRUST_WR = 4  #: /WR did
TRUST_MREQ = 8  #: /MREQ did
TRUST_RFSH = 16  #: /RFSH did
TRUSTS = 32  #: so many words there are


def decide(key: int, trust: int) -> Tuple[str, bool]:
    """Return a request's kind and whether that was concluded without the kind's own strobe.

    key: bits KEY_*; trust: bits TRUST_*. A line that was not captured is never trusted.
    """
    m1 = bool(key & KEY_M1) and bool(trust & TRUST_M1)
    rd = bool(key & KEY_RD) and bool(trust & TRUST_RD)
    wr = bool(key & KEY_WR) and bool(trust & TRUST_WR) and not rd
    own_m1 = m1 and not key & KEY_M1_LATE
    if key & KEY_IORQ:
        return _decide_io(key, trust, m1, rd, wr)
    if key & KEY_REFRESHED:
        return "opcode_fetch", not own_m1
    if own_m1 and not wr:
        return "opcode_fetch", False
    if key & KEY_BARE:
        family = "io" if trust & TRUST_MREQ else "memory"
        return f"{family}_{'write' if wr and not rd else 'read'}", True
    if rd:
        return "memory_read", False
    if wr:
        return "memory_write", False
    if trust & TRUST_RD:
        return "memory_write", True  # a read would have shown /RD
    if trust & TRUST_WR:
        return "memory_read", True  # a write would have shown /WR
    return "memory_access", False


def _decide_io(key: int, trust: int, m1: bool, rd: bool, wr: bool) -> Tuple[str, bool]:
    if key & KEY_REFRESHED and not rd and not wr:
        return "interrupt_acknowledge", not m1
    if rd:
        return "io_read", False
    if wr:
        return "io_write", False
    if m1:
        return "interrupt_acknowledge", False
    if trust & TRUST_RD and trust & TRUST_WR and not trust & TRUST_M1:
        return "interrupt_acknowledge", True
    if trust & TRUST_RD:
        return "io_write", True
    if trust & TRUST_WR:
        return "io_read", True
    return "unknown", False


#: The strobes whose silence tells a kind that is concluded without its own: that of the other direction, and /M1, which an acknowledge has
#: beside /IORQ. Bits as in bus.lines.
SILENT_STROBE = {
    "memory_read": MASK["WR"], "memory_write": MASK["RD"], "io_read": MASK["WR"] | MASK["M1"], "io_write": MASK["RD"] | MASK["M1"],
}  # fmt: skip


#: T-states below which a cycle of a kind can not be, by kind index: a count below that is wrong (UM0080, timing figures).
SHORTEST: Tuple[int, ...] = tuple(
    SPEC[kind].t_min if kind in SPEC else 3 if kind == "memory_access" else 1 for kind in KIND_INDEX
)


def told_by_silence(kind: str, inferred: bool) -> bool:
    """Say whether a kind is told by strobes that stayed away, not by one that came: what was cut off proves nothing by its silence."""
    return kind == "memory_access" or (inferred and kind != "opcode_fetch")


def compile_decisions() -> Tuple[Tuple[int, ...], Tuple[bool, ...]]:
    """Return kind index and inferred flag for each of the TRUSTS * KEYS values of ``trust * KEYS + key``."""
    rows = [decide(key, trust) for trust in range(TRUSTS) for key in range(KEYS)]
    return tuple(KIND_INDEX[kind] for kind, _ in rows), tuple(inferred for _, inferred in rows)


def trust_word(counts: TrustCounts, captured: FrozenSet[str]) -> int:
    """Say which strobes behaved like themselves over one group of requests.

    A strobe that never asserted is trusted as far as its silence goes; one that asserts where it must not is not trusted.
    One wrong in FORGIVEN is forgiven.
    """
    trust = TRUST_MREQ if "MREQ" in captured and counts.memory_requests else 0
    # A read alone that /M1 keeps time with, among fetches whose refresh shows, is one whose /MREQ is missing.
    wrong = counts.m1_wrong - (counts.m1_alone if counts.fetches else 0)
    by_refresh = wrong * FORGIVEN <= counts.fetches and counts.m1_right * FORGIVEN >= counts.fetches
    if "M1" in captured and (by_refresh or _m1_without_refresh(counts)):
        trust |= TRUST_M1
    if "RD" in captured and counts.rd_wrong * FORGIVEN <= counts.fetches and counts.rd_right * 2 >= counts.fetches:
        trust |= TRUST_RD
    if "WR" in captured and counts.wr_wrong * FORGIVEN <= counts.fetches:
        trust |= TRUST_WR
    marked = counts.rfsh_right * FORGIVEN >= (FORGIVEN - 1) * counts.refreshes > 0
    if "RFSH" in captured and counts.rfsh_wrong * FORGIVEN <= counts.fetches and marked:
        trust |= TRUST_RFSH
    return trust


def _m1_without_refresh(counts: TrustCounts) -> bool:
    """Say whether /M1 behaves like itself where /MREQ was not captured, is dead or was sampled too slowly, so that no refresh shows.

    It then comes with /RD and goes with it, never with /WR. At least one request in five is a fetch (CALL nn, UM0080, and a margin), and
    some are none: a lead that follows /RD looks like fetches and nothing else.
    """
    if counts.memory_requests or counts.fetches:
        return False
    return counts.m1_odd * FORGIVEN <= counts.m1_alone < counts.reads_alone and counts.m1_alone * FORGIVEN >= counts.alone


class TrustCounts(NamedTuple):
    """What one group of requests says of the strobes."""

    memory_requests: int  #: pulses of /MREQ
    fetches: int  #: requests followed by a refresh
    m1_right: int  #: fetches with /M1 asserted, and released in the refresh
    m1_wrong: int  #: other requests with /M1 asserted
    rd_right: int  #: fetches with /RD asserted
    rd_wrong: int  #: refreshes with /RD asserted
    wr_wrong: int  #: fetches or refreshes with /WR asserted
    refreshes: int  #: refreshes, told by the gap before them
    rfsh_right: int  #: of those, with /RFSH asserted
    rfsh_wrong: int  #: fetches with /RFSH asserted
    alone: int = 0  #: pulses of /RD or /WR that no other strobe frames
    reads_alone: int = 0  #: those of /RD
    m1_alone: int = 0  #: of these, with /M1 asserted that is released behind them
    m1_odd: int = 0  #: pulses alone in which /M1 is asserted otherwise: in a write, or held
