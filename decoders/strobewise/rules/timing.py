"""Rules for delays against the CPU's speed grades, for refresh, and for the rate of interrupts.

They read ``evidence.timing``. Limits: strobewise.bus.timing (Z8400/Z84C00 product
specification). What is within one sample of a limit is not judged.
"""

from __future__ import annotations

from itertools import combinations
from typing import Iterator, Sequence, Set

from ..bus.clocks import FAST_CLOCK_HZ
from ..bus.lines import ADDRESS, DATA, STROBES, bar
from ..bus.semantics import REFRESH_INTERVAL_S
from ..bus.timing import CHARACTERISTIC, GRADES, limit_ps
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.timing import Delay, Settling
from . import blame
from .base import COARSE_SAMPLES, FINE_SAMPLES, RAM_WRONG, RUNAWAY, Found, rule, too_coarse
from .grades import FAIR, HINT, LIKELY
from .picture import MEMORY, STORE, STORE_LOAD, Picture, done

DELAYED = ("M1", "MREQ", "RD", "WR", "RFSH")  #: lines whose delays behind the clock are known of nearly every program
#: Lines whose two edges follow the same sort of clock edge, or one half a period on, and are allowed as much: line, its fall, its rise.
BOTH_EDGES = (("M1", "TdCr(M1f)", "TdCr(M1r)"), ("RFSH", "TdCr(RFSHf)", "TdCr(RFSHr)"), ("WR", "TdCf(WRf)", "TdCf(WRr)"))
RISES_LATE_S, RISES_LATE_SAMPLES = 40e-9, 0.6  #: an output's own two edges differ by some 20 ns; the mean of many is known to a part of a sample
ONE_LATE_S, ONE_LATE_SAMPLES = 60e-9, 1.6  #: load alone differs by some 20 ns from output to output; channels are sampled up to one sample apart
IN_STEP_SAMPLES = 3.0  #: the same where the samples fall at one place of the clock, so that no mean of many is finer than a sample
OTHERS_MIN = 3  #: other outputs from whose delays that of one is told
OFF_RATE = 0.1  #: share by which a rate must miss the stated one: 50 Hz and 60 Hz machines lie 17 % apart, a crystal misses by less than 1 %
DYNAMIC_HZ = 500_000  #: 128 refreshes in 2 ms, one every 8 T-states or so
REQUESTS_MIN = 4  #: requests, three periods of them: fewer have no rate
LATE_MIN, LATE_SURE = 3, 8  #: late reads from which they are a fault: one or two may be a slip of the analyser
PAGES_NAMED = 4  #: pages of 256 bytes named in a sentence; more of them are the whole memory
FETCHES_MIN, LATE_FETCHES = 100, 0.4  #: fetches seen, and the share of them among the late reads, from which it is the program's memory that is late
LATE_BY_KIND = {frozenset({"rom"}): blame.LATE_ROM, frozenset({"ram"}): blame.LATE_RAM}


@rule(
    "data-late", "data arrive after the CPU has taken them", "fault", needs=(("CLK", "MREQ", "RD", *DATA),), judges=("ROM", "RAM"),
    suspects=blame.LATE_MEMORY,
    looks_for="data lines that still move between the clock edge at which the CPU takes them and the release of /RD",
    causes="a memory chip too slow for the clock, one that has become slow with age or heat, a slow decoder or buffer before it, a clock that is "
    "too fast; what the CPU takes then is not what the capture shows",
    next_step="compare the memory's speed grade with the clock; capture again cold and warm; swap the chip that serves the addresses named",
    source="UM0080, op-code fetch and memory read: sampled at the clock edge that releases /RD",
    host=None,
    explains=("operands-contradicted", "reads-unsteady", "reads-otherwise", "rom-content", "program-contradicted", RAM_WRONG, RUNAWAY),
    picture=Picture(MEMORY, STORE_LOAD, (done("late-data", chip="ram", probability=0.9),)),
)  # fmt: skip
def data_late(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.settling
    if record is None or record.late < LATE_MIN or evidence.clock.source != "CLK" or too_coarse(evidence) or evidence.sample_interval_s is None:
        return
    if record.late <= evidence.glitches:
        return  # spikes look so, too
    kinds = {_kind_of(evidence, start) for start in record.pages} if evidence.has(*ADDRESS) else _kinds_by_fetches(record)
    where = ""
    if evidence.has(*ADDRESS) and len(record.pages) <= PAGES_NAMED:
        where = f", at addresses in {', '.join(f'{start:#06x}-{start + 0x3FF:#06x}' for start in record.pages)}"
    yield Found(
        f"data moved after the CPU's sampling clock edge and before the release of /RD in {record.late} of {record.reads} reads of memory{where}, "
        f"first at {time_words(record.first_s)}",
        (), record.late, record.first_s, record.last_s, suspects=LATE_BY_KIND.get(frozenset(kinds)),
        confidence=LIKELY if record.late >= LATE_SURE else FAIR,
    )  # fmt: skip


def _kinds_by_fetches(record: Settling) -> Set[str]:
    """Return which memory is late where no address tells: the program's, or never that which holds the program."""
    if record.fetches < FETCHES_MIN or record.late < LATE_SURE:
        return set()
    if not record.late_fetches:
        return {"ram"}  # where a program stands in ROM, as most do (common practice)
    return {"rom"} if record.late_fetches >= LATE_FETCHES * record.late else set()


def _kind_of(evidence: BusEvidence, start: int) -> str:
    """Return what stands in 1 KB of memory: by the profile, else RAM where it gives back what was written, ROM where nothing was."""
    region = evidence.profile.region(start) if evidence.profile is not None else None
    if region is not None:
        return region.kind
    memory = evidence.memory
    if memory is None or not memory.written[slice(start, start + 0x400)].any():
        return "rom" if memory is not None else ""
    return "ram" if any(page.start == start and page.compared - page.wrong >= LATE_SURE for page in memory.pages) else ""


@rule(
    "slow-strobe", "a strobe slower than every speed grade allows", "warning", needs=tuple(("CLK", name) for name in STROBES), judges=STROBES,
    suspects=blame.SLOW_STROBE,
    looks_for="a strobe that moves later behind its clock edge than the slowest speed grade of the table allows, beyond the doubt of a sample",
    causes="a weak output, a line with too much load on it, a bad joint, a lead with a long ground loop or a threshold set badly",
    next_step="look at the edge on a scope at the CPU's pin: a slow slope is load or a weak output, a late clean edge is the clock's own level",
    source="Z8400/Z84C00 Product Specification, AC characteristics",
    host=None,
    picture=Picture(("CLK", "M1", "MREQ", "RD"), STORE, (done("lead-skewed", line="M1", ns=150), done("lead-skewed", line="RD", ns=150))),
)  # fmt: skip
def slow_strobe(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.timing
    if record is None:
        return
    slowest = GRADES[0]
    for delay in record.delays:
        if slowest in delay.breaks:
            limit = limit_ps(delay.symbol, slowest) * 1e-12
            yield Found(
                f"{CHARACTERISTIC[delay.symbol].meaning}: {time_words(delay.median_s)} in the middle of {delay.count} edges, known to "
                f"{time_words(record.uncertainty_s)}; the {slowest} MHz grade allows {time_words(limit)}",
                (delay.line,), delay.count, evidence.start_s, evidence.end_s, confidence=HINT,
            )  # fmt: skip


@rule(
    "rises-late", "all strobes rise late", "warning", needs=(("CLK", "M1", "RFSH"), ("CLK", "M1", "WR"), ("CLK", "RFSH", "WR")), judges=(),
    suspects=blame.RISES_LATE,
    looks_for="two or more strobes, and all that are measured, that rise later behind their clock edge than they fall, by more than outputs do",
    causes="the analyser's threshold set too high for lines that rise slowly; a supply too low, or too much load on all of them",
    next_step="set the analyser's threshold to about 1.4 V and capture again; if they still rise late, look at the edges on a scope",
    source="Z8400/Z84C00 Product Specification: both edges of an output are allowed about the same; the check: common practice",
    host=None,
)  # fmt: skip
def rises_late(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.timing
    if record is None or evidence.clocked or not evidence.samples_at_least(FINE_SAMPLES):
        return
    means = {delay.symbol: delay.mean_s for delay in record.delays if delay.mean_s is not None}
    late = {line: means[rise] - means[fall] for line, fall, rise in BOTH_EDGES if rise in means and fall in means}
    if len(late) < 2 or min(late.values()) < max(RISES_LATE_S, RISES_LATE_SAMPLES * record.uncertainty_s):
        return
    yield Found(
        f"{', '.join(f'{bar(line)} rises {time_words(by)}' for line, by in late.items())} later behind its clock edge than it falls",
        tuple(late), len(late), evidence.start_s, evidence.end_s, confidence=HINT,
    )  # fmt: skip


@rule(
    "one-strobe-late", "one strobe later than all others", "warning", needs=tuple(("CLK", *four) for four in combinations(DELAYED, OTHERS_MIN + 1)),
    judges=STROBES, suspects=blame.ONE_LATE,
    looks_for="one strobe that moves later behind its clock edge than the delays of three others and more let expect",
    causes="a lead of another length or with a bad ground, an analyser channel that is sampled late; a line with too much load on it, a bad joint",
    next_step="use another lead on another channel for that line and capture again: if the delay is gone, it was theirs; else put a scope on the line at "
    "the CPU's pin",
    source="Z8400/Z84C00 Product Specification, AC characteristics; outputs of one CPU are alike in how much of it they need: common practice",
    host=None, speaks_for={"slow-strobe": "lines"},
)  # fmt: skip
def one_strobe_late(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.timing
    if record is None or evidence.clocked or not evidence.samples_at_least(FINE_SAMPLES):
        return
    lines = {name: [delay for delay in record.delays if delay.line == name] for name in dict.fromkeys(delay.line for delay in record.delays)}
    late = {name: _later_than_others(name, record.delays) for name in lines}
    name = max(late, key=late.__getitem__, default="")
    if len(late) <= OTHERS_MIN:
        return
    in_step = any(delay.shortest_s == delay.longest_s for delay in lines[name])
    least = max(ONE_LATE_S, (IN_STEP_SAMPLES if in_step else ONE_LATE_SAMPLES) * record.uncertainty_s)
    if late[name] < least or any(by >= least / 2 for other, by in late.items() if other != name):
        return
    number = sum(delay.count for delay in lines[name])
    yield Found(
        f"{bar(name)} moves {time_words(late[name])} later behind its clock edge than the delays of {', '.join(bar(other) for other in late if other != name)} "
        f"let expect, in the middle of {number} edges",
        (name,), number, evidence.start_s, evidence.end_s, confidence=HINT,
    )  # fmt: skip


def _later_than_others(name: str, delays: Sequence[Delay]) -> float:
    """Return by how much each edge of a line comes at least later than where it uses as much of its limit as those of the others do."""
    limit = {delay.symbol: limit_ps(delay.symbol, GRADES[0]) * 1e-12 for delay in delays}
    used = sorted((delay.mean_s or delay.median_s) / limit[delay.symbol] for delay in delays if delay.line != name)
    share = used[len(used) // 2] if used else 1.0
    return min((delay.mean_s or delay.median_s) - share * limit[delay.symbol] for delay in delays if delay.line == name)


@rule(
    "refresh-starved", "no refresh for too long", "warning", needs=(("MREQ",),), judges=("RFSH",),
    suspects=blame.NO_REFRESH,
    looks_for="a stretch without a refresh longer than dynamic memory keeps its contents",
    causes="/WAIT or a bus grant held for too long, /RESET held, a CPU that stood still",
    next_step="see what the control lines did in that stretch; unplug everything from the expansion port and capture again",
    source="2 ms for 128 rows, from memory",
    host="ongoing",
)  # fmt: skip
def refresh_starved(evidence: BusEvidence) -> Iterator[Found]:
    span = evidence.longest_without_refresh
    if (evidence.clock.hz or FAST_CLOCK_HZ) < DYNAMIC_HZ:
        return  # nobody refreshes dynamic memory with a CPU this slow: 128 rows take it too long at best
    if span is not None and evidence.least_s(span.length_s) > REFRESH_INTERVAL_S and evidence.samples_at_least(COARSE_SAMPLES):
        yield Found(
            f"no refresh for {time_words(span.length_s)} from {time_words(span.start_s)} on: dynamic memory that the CPU refreshes loses "
            "its contents",
            (), first_s=span.start_s, last_s=span.end_s, confidence=FAIR,
        )  # fmt: skip


@rule(
    "interrupt-rate", "interrupts at another rate than the machine's", "warning", needs=(("INT",),), judges=("INT",),
    suspects=blame.INTERRUPT_RATE,
    looks_for="a distance between interrupt requests that differs from what the profile says",
    causes="the divider or video circuit that makes the interrupt, its clock, or a profile for another machine",
    next_step="compare the interrupt source's own clock with the CPU's; check the divider between them", source="common practice",
    host=None,
)  # fmt: skip
def interrupt_rate(evidence: BusEvidence) -> Iterator[Found]:
    record = evidence.timing
    wanted = evidence.profile.interrupt_period_t_states if evidence.profile is not None else None
    if record is None or record.interrupts is None or not wanted or not evidence.clock.hz:
        return
    found = record.interrupts
    if found.requests < REQUESTS_MIN or found.period_s is None:
        return
    due = wanted / evidence.clock.hz
    share = found.period_s / due - 1.0
    if abs(share) > OFF_RATE:
        yield Found(
            f"/INT asks every {time_words(found.period_s)}, {share * 100:+.0f} % from the {time_words(due)} of the profile "
            f"({found.requests} requests, {found.acknowledged} acknowledged)",
            ("INT",), found.requests, evidence.start_s, evidence.end_s, confidence=FAIR,
        )  # fmt: skip
