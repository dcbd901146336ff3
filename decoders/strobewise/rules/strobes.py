"""Rules for the six strobes that the CPU drives: each dead, or doing something else than its cycles call for.

What each strobe must do comes from UM0080's timing figures (:mod:`strobewise.bus.semantics`); where its fault shows and what usually
causes it is common practice.
"""

from __future__ import annotations

from typing import Iterator, NamedTuple, Optional, Tuple

from ..bus.clocks import FAST_CLOCK_HZ
from ..bus.lines import bar, pin_text
from ..bus.model import Shares
from ..bus.units import time_words
from ..records.evidence import BusEvidence, LineEvidence, Paused, StrobeCount
from ..records.strobes import BURST, FEW_MISSES, FEW_WRONG, behaviour, by_kind, longest_burst
from . import blame
from .base import (
    CAUTION_CLIP,
    ENOUGH_REQUESTS,
    RAM_WRONG,
    RUNAWAY,
    Found,
    beside_the_edge,
    clock_denied,
    fetches_without_requests,
    rule,
    single_samples_lost,
    stops_alone,
    too_coarse,
)
from .grades import CERTAIN, GUESS, STRONG
from .misled import HELD_AGAINST_MREQ, as_often, in_rhythm, measures_itself, misled, mreq_lags, partly_missing, pulled_low
from .picture import FRAME, OUTPUT, Picture, done
from .volts import weigh_still_line

FETCHES_A_READ = 20  #: fetches for each read of data of a program that works; one that runs away on one byte reads none
RUN_OF_A_PROGRAM = 8  #: requests between two fetches, the most of any instruction with its interrupt response (UM0080)
SURE_REQUESTS = 100  #: requests without the strobe, from which on nothing else is likely


def runs_a_program(evidence: BusEvidence) -> bool:
    """Say whether the machine does more than run away: data are read and written between the fetches, as only answered reads allow."""
    fetches = evidence.cycles["opcode_fetch"]
    reads = evidence.cycles["memory_read"] + evidence.cycles["memory_access"]
    return fetches >= ENOUGH_REQUESTS and reads * FETCHES_A_READ >= fetches and evidence.longest_run_without_fetch <= RUN_OF_A_PROGRAM


class _Case(NamedTuple):
    """A strobe that does not do what its cycles call for."""

    name: str
    line: LineEvidence
    counted: StrobeCount
    kind: str  #: of its behaviour
    sentence: str  #: what called for it, and what it did
    let_go: Optional[Paused]  #: the one stretch in which it stood still, if that is all
    evidence: BusEvidence

    @property
    def missing(self) -> int:
        return self.counted.expected - self.counted.seen


def _strobe(name: str, what: str, evidence: BusEvidence, shares: Shares, answered: Optional[Shares] = None) -> Iterator[Found]:
    """Tell of a strobe what is amiss with it: its lead where that explains it, then what spoils the count, else the strobe itself.

    what: the cycles that call for it, and by what they are seen. answered: the suspects where the machine works all the same.
    """
    case = _case(name, what, evidence)
    if case is None:
        return
    by_its_lead = _inverted(case) or _lagging(case)
    if by_its_lead is not None:
        yield by_its_lead
        return
    case, suspects = _weighed(case, _suspects(case, shares, answered))
    if case.kind == "stays" and case.line.stays is not None:
        yield Found(case.sentence, (name,), case.line.stays.falls, case.line.stays.since_s, evidence.end_s, suspects=suspects)
        return
    yield _spoilt(case) or _missing(case, suspects)


def _case(name: str, what: str, evidence: BusEvidence) -> Optional[_Case]:
    """Return what is amiss with a strobe; None where all is well, or where this capture cannot say."""
    count = evidence.strobes.get(name)
    if count is None:
        return None
    line = evidence.line(name)
    seen = behaviour(line, count)
    unsure = beside_the_edge(evidence) or misled(name, count, evidence) or measures_itself(name, evidence)
    lost = evidence.clocked and 0 < count.expected - count.seen < FEW_BY_CLOCK
    if seen is None or unsure or lost or ((too_coarse(evidence) or clock_denied(evidence)) and line.edges):
        return None
    let_go = line.paused if off_for_a_while(line, count, evidence) else None
    return _Case(name, line, count, seen.kind, f"{count.expected or 'no'} {what}, {seen.words}", let_go, evidence)


def _suspects(case: _Case, shares: Shares, answered: Optional[Shares]) -> Shares:
    works = answered if answered is not None and runs_a_program(case.evidence) else None
    suspects = works if works is not None and case.kind != "partial" else shares
    if not case.counted.expected or case.kind == "stays":
        suspects = blame.HELD_LOW_AT_REST
    at = case.evidence.probe_at.get(case.name, "cpu")
    weighed = weigh_still_line(case.line, at)
    if weighed is not None and weighed.suspects is not None:
        suspects = weighed.suspects
    if at == "connector":
        suspects = _at_connector(suspects)
    if case.let_go is not None:
        suspects = works if works is not None else blame.OFF_FOR_A_WHILE
    return suspects


def _inverted(case: _Case) -> Optional[Found]:
    if case.kind != "inverted":
        return None
    return Found(
        f"{case.sentence}: just the opposite, so the lead or the channel is inverted", (case.name,), case.counted.expected,
        case.evidence.first_request_s, case.evidence.last_request_s, suspects=blame.INVERTED_LEAD, confidence=CERTAIN,
        next_step=f"look for an inverting buffer or an inverted channel in the capture program, or tell with --map '{case.name}=!CHANNEL'",
    )  # fmt: skip


def _lagging(case: _Case) -> Optional[Found]:
    """Return what a lead makes of a good strobe that arrives late, or early against /MREQ; None where it does not look like that."""
    line, count, evidence, pulses = case.line, case.counted, case.evidence, case.line.edges // 2
    lines: Tuple[str, ...] = (case.name,)
    if case.kind in ("silent", "unrelated") and in_rhythm(line, count, evidence):
        text = f"yet it pulses {pulses} times for as long as a working one does: its lead or that of /MREQ lags, is inverted or another line's"
        next_step = (
            f"check which line the lead of {bar(case.name)} is on; capture again faster, with leads of one length and ground close by"
        )
    elif case.kind == "partial" and as_often(line, count, evidence):
        text = f"yet it makes {pulses} pulses, as many as it should: they come, beside their requests, so its lead or that of /MREQ lags"
        next_step = f"capture again faster, with leads of one length and ground close by; if it stays, scope {bar(case.name)} and /MREQ together"
        lines = (case.name, "MREQ")
    elif case.kind == "partial" and evidence.clocked and line.edges and by_kind(case.name, evidence.histogram):
        text = "with one sample a clock, and in all cycles of a kind alike: its lead lags beyond the sample, or the clock of the samples is not the CPU's"
        next_step = "capture again faster, by the analyser's own clock, with leads of one length"
    else:
        return None
    return Found(
        f"{case.sentence}; {text}", lines, case.missing, evidence.first_request_s, evidence.last_request_s, severity="warning",
        suspects=blame.LAGGING, confidence=GUESS, next_step=next_step,
    )  # fmt: skip


def _weighed(case: _Case, suspects: Shares) -> Tuple[_Case, Shares]:
    """Add what a line that keeps this one's time, and the volts of one that stands still, say of it."""
    lookalike, sentence = case.evidence.leads.lookalike if case.evidence.leads is not None else None, case.sentence
    if lookalike is not None and lookalike[0] == case.name:
        suspects = blame.LOOKALIKE
        sentence += f"; {pin_text(lookalike[1])} keeps its time, by chance or because their leads are exchanged"
    weighed = weigh_still_line(case.line, case.evidence.probe_at.get(case.name, "cpu"))
    if weighed is not None:
        sentence = (f"{bar(case.name)} is {weighed.verdict}: " if weighed.verdict else "") + sentence + weighed.words
    return case._replace(sentence=sentence), suspects


def _spoilt(case: _Case) -> Optional[Found]:
    """Return what the samples or spikes make of the count; None where they are good enough for it."""
    evidence, missing = case.evidence, case.missing
    if case.name == "WR" and case.kind == "partial" and single_samples_lost(evidence):
        text = (
            f"but a write shows in one sample, and of the refreshes, which do as well, only {evidence.clocked_steady:.0%} are whole: "
            "samples were taken while strobes moved, or CLK jitters"
        )
        next_step = (
            "set the analyser's threshold to about 1.4 V, try its other clock edge, or capture by its own clock with 8 samples a clock period"
        )
    elif case.kind in ("partial", "held") and case.line.edges and 0 < missing + case.counted.wrong <= evidence.glitches:
        text = f"but {evidence.glitches} spikes on /MREQ and /IORQ spoil the count, and can make as many requests that are none"
        next_step = "capture again faster, with short leads and ground close by; if it stays, put a scope on CLK: a clock that jitters does this"
        missing += case.counted.wrong
    else:
        return None
    return Found(
        f"{case.sentence}; {text}", (case.name,), missing, case.counted.first_missing_s, case.counted.last_missing_s, severity="warning",
        suspects=blame.SPOILT_BY_SPIKES, confidence=GUESS, next_step=next_step,
    )  # fmt: skip


def _missing(case: _Case, suspects: Shares) -> Found:
    """Return the strobe itself at fault, or the lead of /MREQ, against which it is held."""
    name, count, evidence, sentence = case.name, case.counted, case.evidence, case.sentence
    part_missing = case.kind == "partial" and case.let_go is None
    if part_missing and name != "MREQ" and mreq_lags(evidence):
        suspects = blame.LAGGING
        sentence += "; /MREQ falls late behind its clock edge while others keep to theirs, so its lead lags and the count with it"
    elif part_missing and name in HELD_AGAINST_MREQ and len(at_once := partly_missing(evidence)) > 1:
        suspects = blame.LAGGING
        sentence += f"; {' and '.join(map(bar, at_once))} seem to miss at once, which one lead explains: that of /MREQ, against which they are held, lags"
    if case.kind == "partial" and count.first_missing_s is not None:
        sentence += f", missing first at {time_words(count.first_missing_s)} and last at {time_words(count.last_missing_s)}"
        sentence += _bursts(count, evidence)
    if case.let_go is not None:
        sentence += f"; {bar(name)} {_let_go(case.let_go)}"
    return Found(
        sentence,
        (name,),
        max(case.missing, 1) if case.kind != "held" else max(count.expected, 1),
        count.first_missing_s if count.first_missing_s is not None else evidence.first_request_s,
        count.last_missing_s if count.last_missing_s is not None else evidence.last_request_s,
        suspects=suspects,
        confidence=CERTAIN if case.kind in ("silent", "held") and count.expected >= SURE_REQUESTS else STRONG,
    )


def off_for_a_while(line: LineEvidence, count: StrobeCount, evidence: BusEvidence) -> bool:
    """Say whether all that is amiss with a strobe lies in one stretch in which it stood still, while others went on."""
    paused = line.paused
    if paused is None or paused.falls < LONG_PAUSE:
        return False
    margin = MARGIN_T / (evidence.clock.hz or FAST_CLOCK_HZ)
    low, high = paused.start_s - margin, paused.end_s + margin
    missed = sum(burst.number for burst in count.bursts if low <= burst.start_s and burst.end_s <= high)
    if count.first_missing_s is None:  # told by pulses of another strobe that came without it: a fetch and its refresh each
        missed = PER_PULSE * paused.falls
    return count.expected - count.seen - missed < FEW_MISSES and count.wrong < paused.falls + FEW_WRONG


def _let_go(paused: Paused) -> str:
    return f"stood still from {time_words(paused.start_s)} to {time_words(paused.end_s)} only, while others went on: look at its lead first"


def _bursts(count: StrobeCount, evidence: BusEvidence) -> str:
    """Say how tightly the misses stand together, and whether they become more as the capture goes on."""
    longest = longest_burst(count)
    if longest is None:
        return ""
    number = len(count.bursts)
    text = f"; {'a burst' if number == 1 else f'{number} bursts'} of {BURST} or more in a row, {'' if number == 1 else 'the longest '}"
    text += f"{longest.number} from {time_words(longest.start_s)} to {time_words(longest.end_s)}"
    middle = (evidence.start_s + evidence.end_s) / 2
    early = sum(burst.number for burst in count.bursts if burst.start_s < middle)
    late = sum(burst.number for burst in count.bursts) - early
    if number >= GROWING_BURSTS and late >= GROWS_BY * early:
        text += f"; {early} in the first half of the capture and {late} in the second: it grows worse"
    return text


def _at_connector(shares: Shares) -> Shares:
    """Shift the blame: with the lead at the connector, a broken track or contact looks just like a dead pin."""
    rest = [(name, share * 0.5) for name, share in shares if name != "connection"]
    return (("connection", 0.55), *sorted(rest, key=lambda item: -item[1]))


PIN_CHECK = (
    "check the lead on a pin known to be live, then put a scope on {pin} at the CPU itself: a good output swings beyond both logic limits "
    "(below 0.8 V and above 2.0 V), a dead one stays in the low range or follows its neighbours; dead at the pin itself is the CPU, live "
    "there and dead further on is the socket, track or connector"
)
OWN_LEAD_FIRST = (
    "move the lead for {name} to a pin known to be live and capture again: the machine could hardly run like this without {name}, so the "
    "lead or its label comes first; if the lead is good, scope {pin} at the CPU itself"
)
MARGIN_T = 8.0  #: T-states from the last edge of a strobe to the begin of the request that it is missed in: a cycle, and waits (our choice)
PER_PULSE = 2  #: requests of /MREQ for each pulse of /M1 or /RFSH (UM0080, instruction op-code fetch)
LONG_PAUSE = 50  #: falls of another strobe while one stood still, from which the machine felt it; a program may do without /WR for some (our choice)
FEW_BY_CLOCK = 8  #: misses that samples which the analyser lost make of whole cycles: where it counts clocks no gap tells of them (our choice)
GROWING_BURSTS, GROWS_BY = 4, 3.0  #: bursts, and misses of the second half for each of the first, from which a strobe is said to grow worse


@rule(
    "fetch-strobe-missing", "/M1 dead", "fault", needs=(("M1", "MREQ"), ("M1", "RD", "RFSH"), ("M1", "RD")), judges=("M1",),
    suspects=blame.CPU_FIRST,
    looks_for="opcode fetches, known by the refresh behind them, without /M1 asserted, or /M1 asserted where no fetch is",
    causes="the CPU's M1 output has died (it then reads high, low or follows its neighbours), the pin is not in its socket, the line is "
    "shorted, or the lead is off. The machine may run all the same: only acknowledges and devices that watch for fetches need /M1",
    next_step=PIN_CHECK.format(pin=pin_text("M1")), source="UM0080, instruction op-code fetch; the check: common practice",
    host="stretch", explains=("data-output-contradicted",),  # held low it makes fetches, and return addresses, of what are none
    picture=Picture(FRAME, faults=(done("dead-low", line="M1"),)),
)  # fmt: skip
def fetch_strobe_missing(evidence: BusEvidence) -> Iterator[Found]:
    yield from _strobe("M1", "opcode fetches and acknowledges seen by their refresh", evidence, blame.CPU_FIRST)


@rule(
    "refresh-strobe-missing", "/RFSH dead", "fault", needs=(("RFSH", "MREQ"),), judges=("RFSH",), suspects=blame.CPU_FIRST,
    looks_for="refreshes, known by the second /MREQ pulse of a fetch, without /RFSH asserted, or /RFSH asserted elsewhere",
    causes="the CPU's RFSH output, its solder joint, a short, or the lead; dynamic memory then loses its contents within milliseconds "
    "unless the board refreshes it in another way",
    next_step=PIN_CHECK.format(pin=pin_text("RFSH")), source="UM0080, instruction op-code fetch; the check: common practice",
    host="stretch",
    picture=Picture(FRAME, faults=(done("dead-high", line="RFSH"),)),
)  # fmt: skip
def refresh_strobe_missing(evidence: BusEvidence) -> Iterator[Found]:
    yield from _strobe("RFSH", "refreshes seen by the second /MREQ pulse of their fetch", evidence, blame.CPU_FIRST)


@rule(
    "memory-request-missing", "/MREQ dead", "fault", needs=(("MREQ", "RD"), ("MREQ", "WR", "M1"), ("MREQ", "M1"), ("MREQ", "RFSH")), judges=("MREQ",), suspects=blame.CPU_FIRST,
    looks_for="/RD and /WR strobes of memory cycles without /MREQ asserted",
    causes="the CPU's MREQ output, its joint, a short to another line, or the lead. Where memory still answers, the line is alive on the "
    "board and the lead is off",
    next_step=PIN_CHECK.format(pin=pin_text("MREQ")), source="UM0080, memory read or write; the check: common practice",
    host="stretch", explains=(RUNAWAY, RAM_WRONG, "reads-otherwise", "reads-unsteady"),
    picture=Picture(FRAME, faults=(done("dead-high", line="MREQ"),)),
)  # fmt: skip
def memory_request_missing(evidence: BusEvidence) -> Iterator[Found]:
    found = list(_strobe("MREQ", "memory accesses seen by /RD, /WR and /M1", evidence, blame.CPU_FIRST, blame.LEAD_FIRST))
    yield from found
    through = evidence.line("MREQ").held_through
    stays = evidence.line("MREQ").stays
    if not found and stays is not None and stops_alone(evidence):
        yield Found(
            f"/MREQ stays {'high' if stays.high else 'low'} from {time_words(stays.since_s)} to the end, while {bar(stays.other)} falls "
            f"{stays.falls} times", ("MREQ",), stays.falls, stays.since_s, evidence.end_s,
        )  # fmt: skip
    elif not found and through is not None and pulled_low(evidence):
        times = "once" if through.stretches == 1 else f"{through.stretches} times, the first"
        text = f"/MREQ stayed low {times} at {time_words(through.start_s)}, while /M1 fell {through.falls} times in all"
        paused = evidence.line("MREQ").paused
        let_go = paused if through.stretches == 1 and paused is not None and paused.falls >= LONG_PAUSE else None
        yield Found(
            f"{text}: it is pulled low for stretches" if let_go is None else f"{text}: it {_let_go(let_go)}",
            ("MREQ",), through.falls, through.start_s, through.end_s,
            suspects=None if let_go is None else blame.LEAD_FIRST if runs_a_program(evidence) else blame.OFF_FOR_A_WHILE,
        )  # fmt: skip
    witness = fetches_without_requests(evidence)
    if not found and witness is not None and evidence.has("MREQ"):
        line, fetches = evidence.line("MREQ"), evidence.line(witness).edges // 2
        does = f"{line.level} throughout" if not line.edges else f"with {line.edges // 2} pulses of its own"
        yield Found(f"{fetches} pulses of {bar(witness)}, /MREQ {does}", ("MREQ",), fetches, evidence.start_s, evidence.end_s)


@rule(
    "io-request-missing", "/IORQ dead", "fault", needs=(("IORQ", "RD", "MREQ"), ("IORQ", "WR", "MREQ")), judges=("IORQ",),
    suspects=blame.CPU_FIRST,
    looks_for="/RD or /WR strobes outside every memory request, without /IORQ asserted",
    causes="the CPU's IORQ output, its joint, a short, or the lead; ports and interrupt acknowledges then do nothing",
    next_step=PIN_CHECK.format(pin=pin_text("IORQ")), source="UM0080, input or output; the check: common practice",
    host="stretch",
    picture=Picture(("M1", "MREQ", "IORQ", "RD", "WR"), OUTPUT, (done("dead-high", line="IORQ"),)),
)  # fmt: skip
def io_request_missing(evidence: BusEvidence) -> Iterator[Found]:
    count = evidence.strobes.get("IORQ")
    if count is not None and count.expected:  # low where no I/O was called for: see io-request-conflict
        yield from _strobe("IORQ", "I/O accesses seen by /RD and /WR outside /MREQ", evidence, blame.CPU_FIRST)


@rule(
    "read-strobe-missing", "/RD dead", "fault", needs=(("RD", "MREQ"),), judges=("RD",), suspects=blame.CPU_FIRST,
    looks_for="fetches and reads without /RD asserted, or /RD asserted in writes and refreshes",
    causes="the CPU's RD output, its joint, a short, or the lead. Where reads are answered, the line is alive on the board and the lead is off",
    next_step=PIN_CHECK.format(pin=pin_text("RD")), source="UM0080, memory read or write; the check: common practice",
    host="stretch", explains=(RUNAWAY, RAM_WRONG, "data-late", "reads-otherwise", "reads-unsteady"),
    picture=Picture(FRAME, faults=(done("dead-high", line="RD"),), by_time=True),
)  # fmt: skip
def read_strobe_missing(evidence: BusEvidence) -> Iterator[Found]:
    for found in _strobe("RD", "fetches and reads seen by /MREQ", evidence, blame.CPU_FIRST, blame.LEAD_FIRST):
        lead = found.suspects == blame.LEAD_FIRST
        yield found._replace(next_step=OWN_LEAD_FIRST.format(name="/RD", pin=pin_text("RD")) if lead else None)


@rule(
    "write-strobe-missing", "/WR dead", "fault", needs=(("WR", "RD", "MREQ"), ("WR", "RD", "IORQ")), judges=("WR",), suspects=blame.CPU_FIRST,
    looks_for="memory requests that are neither reads nor refreshes, without /WR asserted, or /WR asserted in reads",
    causes="the CPU's WR output, its joint, a short, or the lead; with the line really dead nothing is ever stored",
    next_step=PIN_CHECK.format(pin=pin_text("WR")), source="UM0080, memory read or write; the check: common practice",
    caution=CAUTION_CLIP,
    host="stretch", explains=(RAM_WRONG,),
    picture=Picture(FRAME, faults=(done("dead-high", line="WR"),)),
)  # fmt: skip
def write_strobe_missing(evidence: BusEvidence) -> Iterator[Found]:
    yield from _strobe("WR", "writes seen by /MREQ or /IORQ without /RD", evidence, blame.CPU_FIRST)
