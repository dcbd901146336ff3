"""Rules about the capture itself and about a CPU that does nothing: what can not be told, and why."""

from __future__ import annotations

from typing import Dict, Iterator, List, Sequence, Tuple

from ..bus.clocks import SLOW_CLOCK_HZ
from ..bus.lines import STROBES, bar, pin_text
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.leads import IdentifiedRecord
from ..records.strobes import ENOUGH_OTHERS, LONGEST_RUN, healthy
from . import blame
from .base import (
    CLOCKED_FIT_MIN,
    COARSE_SAMPLES,
    HOLD,
    Found,
    beside_the_edge,
    clock_denied,
    fetches_without_requests,
    frayed,
    off_the_edge,
    rule,
    stops_alone,
    too_coarse,
)
from .grades import CERTAIN, FAIR, GUESS, HINT, LIKELY, STRONG
from .picture import FRAME, OUTPUT, STORE, STORE_LOAD, Picture, done

FETCHES_OF_A_CPU = 8  #: fetches from which on a CPU is known to work
SILENT_T = 5000.0  #: T-states without a request that no instruction explains
SILENT_AT_THE_END_T = 300.0  #: the same where that is a good part of the capture
SILENT_SHARE = 0.3  #: of the capture, for that: less of it at the end may be one long instruction and a slow exporter
GLITCH_SHARE = 0.002  #: spikes for each request from which they are no accident: one in 500; a healthy machine well captured has none
GLITCHES_MIN = 3  #: spikes: one or two are any switch in the house
WHOLE_FETCHES = 20  #: fetches seen whole, from which it is no chance that none lost its refresh
SOME_EDGES = 4  #: edges up to which a strobe has only shown that power came on
CLOCK_RESTS = 0.5  #: of a silence, for which the clock must rest to be its reason
NEARLY_ALL = 0.95  #: share of the memory requests with /IORQ in them that a bridge, an inverter or a dead output makes; spikes take a few
ALIKE = (0.9, 1.1)  #: edges of two bridged strobes, one to the other: as many, but for spikes
OWN_LOST = 0.5  #: share of its own accesses in which a line that is low elsewhere may be seen, and be upside down
CONFLICTS, CONFLICTS_FAULT = 0.05, 0.2  #: share from which they are more than spikes; and from which the machine can hardly run (our choice)



@rule(
    "capture-too-coarse", "sampled too slowly", "warning", needs=(("MREQ",), ("RD",), ("M1",)), judges=(),
    suspects=blame.THE_CAPTURE,
    looks_for="fewer than three samples in a T-state, or samples by the CPU's clock that do not show the strobes as they stand at its edge",
    causes="the analyser's rate was set too low for this clock; or its clock input takes the other edge, or takes samples while strobes still move",
    next_step="capture again with at least 4, better 8 samples a clock period (24 MHz for a clock of 3 to 6 MHz)",
    source="common practice; two samples a period is the theoretical limit", caution="",
    host="whole", stands_by_itself=True, undecided=1, softens=True,
    picture=Picture(FRAME, sample_hz=8_000_000),
)  # fmt: skip
def capture_too_coarse(evidence: BusEvidence) -> Iterator[Found]:
    if beside_the_edge(evidence):
        yield _beside_the_edge(evidence)
        return
    samples = evidence.samples_per_t
    if samples is None or not too_coarse(evidence):
        return
    rate = f"{1e-6 / evidence.sample_interval_s:.3g} MHz" if evidence.sample_interval_s else "the sample rate"
    fetches = evidence.strobes.get("M1")
    if evidence.framed_by == "MREQ" and fetches is not None and fetches.expected >= WHOLE_FETCHES and healthy(fetches):
        # Every fetch shows its refresh where /M1 says it must be: the clock and the analyser run in step, and nothing was lost.
        yield Found(f"{samples:.1f} samples in a T-state at {rate}: few, yet every fetch was seen whole", (), severity="note")
        return
    yield Found(
        f"{samples:.1f} samples in a T-state at {rate}: events of half a T-state are lost, so lengths and missing strobes can not be judged",
        (), confidence=CERTAIN,
    )  # fmt: skip


OFF_THE_EDGE = (
    "set the analyser's threshold to about 1.4 V, keep the leads of CLK and of the strobes equally short, try its other clock edge, "
    "or capture by the analyser's own clock with at least 8 samples a clock period"
)


def _beside_the_edge(evidence: BusEvidence) -> Found:
    """Return what is said of a capture by the CPU's clock whose samples show the strobes as they never stand at that edge."""
    fit, other = evidence.clocked_fit or 0.0, evidence.clocked_other_fit or 0.0
    lines = frayed(evidence)
    if lines and not off_the_edge(evidence):
        many = len(lines) > 1
        told = f"{' and '.join(map(bar, lines))} {'pulse' if many else 'pulses'} as often as {'they are' if many else 'it is'} called for, but not in the " \
            f"samples that call for {'them' if many else 'it'}, with one sample a clock: samples were taken while strobes moved, or {'their leads lag' if many else 'its lead lags'}"
        return Found(told, (), confidence=CERTAIN, title="samples beside the clock edge", next_step=OFF_THE_EDGE)
    told = f"only {fit:.0%} of the transfers look as they must in samples at the {evidence.clocked} edge of CLK"
    if other >= CLOCKED_FIT_MIN:
        edge = "rising" if evidence.clocked == "falling" else "falling"
        words, step = f"{other:.0%} as they must at the {edge} edge", f"tell that the samples were taken at the other edge, with --clocked {edge}"
    else:
        words = f"{other:.0%} as at the other edge: samples were taken while strobes moved, or strobes are shorted; which is not told here"
        step = OFF_THE_EDGE
    return Found(f"{told}, {words}", (), confidence=CERTAIN, title="samples beside the clock edge", next_step=step)

SPIKY_SAMPLES = 6.0  #: samples a T-state from which a pulse of one sample is none of the CPU's
SPIKE_T = 0.3  #: T-states: the shortest gap of its outputs but /MREQ lasts about one (UM0080, timing figures)
SPIKY_LINES = 2  #: lines: one alone may be a contact or an output that fails
DRIVEN_IN_A_GRANT = ("M1", "RFSH", "HALT", "BUSACK")  #: the others float then (UM0080, bus request)


@rule(
    "spikes", "spikes on the strobes", "warning", needs=(("MREQ",), ("IORQ",)), judges=(),
    suspects=blame.SPIKES_SEEN,
    looks_for="pulses and gaps on the strobes, or on several other outputs of the CPU, far shorter than it can make",
    causes="a ground clip too long or missing, crosstalk between leads, a threshold set badly; seldom the machine itself, since it runs",
    next_step="clip ground close to the CPU (pin 29), shorten and separate the leads, set the threshold to about 1.4 V, capture again",
    source="common practice",
    host=None,
    picture=Picture(FRAME, STORE, (done("glitches", per_ms=900),), by_time=True),
)  # fmt: skip
def spikes(evidence: BusEvidence) -> Iterator[Found]:
    if evidence.glitches >= GLITCHES_MIN and evidence.glitches > GLITCH_SHARE * evidence.requests:
        yield Found(
            f"{evidence.glitches} spikes on /MREQ and /IORQ among {evidence.requests} requests, each far shorter than half a T-state; "
            "they were left out of the count",
            (), evidence.glitches, evidence.start_s, evidence.end_s, confidence=FAIR,
        )  # fmt: skip
        return
    pulses = _spiky(evidence)
    if len(pulses) >= SPIKY_LINES:
        first = min(at for found in pulses.values() for _, at in found)
        count = sum(len(found) for found in pulses.values())
        yield Found(
            f"{count} pulses on {', '.join(bar(name) for name in pulses)}, each far shorter than half a T-state, the first at {time_words(first)}",
            (), count, first, max(at for found in pulses.values() for _, at in found), confidence=HINT,
        )  # fmt: skip


def _spiky(evidence: BusEvidence) -> Dict[str, List[Tuple[float, float]]]:
    """Return the pulses of the CPU's outputs that are a sample or so, and far shorter than it can make, by line."""
    slips, sample_s, hz = evidence.slips, evidence.sample_interval_s, evidence.clock.hz
    if slips is None or sample_s is None or not hz or not evidence.samples_at_least(SPIKY_SAMPLES):
        return {}
    own = DRIVEN_IN_A_GRANT if evidence.cycles["bus_granted"] else tuple(slips.pulses)
    limit = min(1.5 * sample_s, SPIKE_T / hz)
    found = {name: [pulse for pulse in slips.pulses.get(name, ()) if pulse[0] < limit] for name in own if name != "MREQ"}
    return {name: pulses for name, pulses in found.items() if pulses}


STANDS_STILL = "no-requests"  #: asked by a case: a machine that does nothing has a fault, whoever is to blame


@rule(
    STANDS_STILL, "the CPU does nothing", "fault", needs=(("MREQ",), ("RD", "WR"), ("M1",)), judges=("MREQ", "RD", "M1"),
    suspects=blame.NO_REQUESTS,
    looks_for="no strobe in all the capture, although clock, /RESET, /WAIT and /BUSREQ let the CPU run",
    causes="no supply at the CPU, a pin out of its socket, a dead CPU",
    next_step="measure 5 V between pins 11 and 29 at the CPU itself; reseat the CPU; only then try a CPU known to be good",
    source="common practice",
    host="whole", undecided=2, answered_by=(HOLD,),
    picture=Picture(FRAME, faults=(done("busreq-held"),), by_time=True),
)  # fmt: skip
def no_requests(evidence: BusEvidence) -> Iterator[Found]:
    if evidence.requests > 2 or evidence.duration_s <= 0:
        return
    if any(evidence.line(name).asserted_last for name in ("RESET", "BUSREQ", "BUSACK", "WAIT")):
        return  # held: what it does not do, it is kept from
    others = [name for name in STROBES if name in evidence.captured and evidence.line(name).edges > SOME_EDGES]
    if others and evidence.has("MREQ") and (evidence.line("MREQ").edges == 0 or fetches_without_requests(evidence)):
        return  # it works, and only its /MREQ does not
    if not evidence.has("MREQ") and {"M1", "RD"} & set(others):
        return  # it works; what it asks for was not captured
    unseen = [name for name in ("CLK", "RESET", "WAIT", "BUSREQ") if name not in evidence.captured]
    where = "" if not unseen else f"; {', '.join(bar(name) for name in unseen)} not captured"
    text = f"{evidence.requests} requests in {time_words(evidence.duration_s)}{where}"
    if others:
        text += f", while {', '.join(bar(name) for name in others)} moves"
    if unseen or others or evidence.duration_s * (evidence.clock.hz or SLOW_CLOCK_HZ) < SILENT_T:
        clip = ", ".join(pin_text(name) for name in unseen)
        yield Found(
            text, (), first_s=evidence.start_s, last_s=evidence.end_s, severity="warning", confidence=GUESS,
            next_step=f"clip {clip} as well, so that what holds the CPU can be seen" if clip else None,
        )  # fmt: skip
    else:
        yield Found(text, (), first_s=evidence.start_s, last_s=evidence.end_s, confidence=LIKELY)


@rule(
    "went-silent", "the CPU stops making requests", "warning", needs=(("MREQ",), ("RD", "WR")), judges=(),
    suspects=blame.WENT_SILENT,
    looks_for="a long stretch without any request that no captured line explains",
    causes="/WAIT, /BUSREQ or /RESET held while not captured, a clock that stopped, a supply that dropped",
    next_step="capture again with CLK (pin 6), /RESET (pin 26), /WAIT (pin 24) and /BUSREQ (pin 25) as well",
    source="common practice",
    host="standstill", undecided=3, answered_by=(HOLD,),
    picture=Picture(("CLK", "M1", "MREQ", "RD"), STORE_LOAD, after="wait-held", by_time=True),
)  # fmt: skip
def went_silent(evidence: BusEvidence) -> Iterator[Found]:
    if evidence.requests <= 2 or evidence.last_request_s is None:
        return
    if stops_alone(evidence):
        return  # it works, and only its /MREQ does not
    hz = evidence.clock.hz or SLOW_CLOCK_HZ
    rest = evidence.end_s - evidence.last_request_s
    if rest * hz < SILENT_T and not (rest > SILENT_SHARE * evidence.duration_s and rest * hz > SILENT_AT_THE_END_T):
        return
    if any(evidence.line(name).asserted_last for name in ("RESET", "BUSREQ", "BUSACK", "WAIT")):
        return
    if evidence.has("CLK") and evidence.clock.last_edge_s is not None and evidence.clock.last_edge_s < evidence.end_s - CLOCK_RESTS * rest:
        return
    hold_seen = evidence.has("CLK", "RESET", "WAIT", "BUSREQ")
    yield Found(
        f"no request in the last {time_words(rest)}, from {time_words(evidence.last_request_s)} on", (),
        first_s=evidence.last_request_s, last_s=evidence.end_s, severity="fault" if hold_seen else "warning",
        suspects=blame.SILENT_UNHELD if hold_seen else None if evidence.has("CLK", "RESET") else blame.SILENT_UNSEEN, confidence=HINT,
    )  # fmt: skip


@rule(
    "requests-without-fetch", "memory requests without a fetch", "warning", needs=(("MREQ",),), judges=("M1", "MREQ"),
    suspects=blame.NO_FETCH,
    looks_for=f"more than {LONGEST_RUN} requests in a row without an opcode fetch among them",
    causes="another bus master at work (/BUSACK not captured), samples that the analyser lost, a CPU that does not work",
    next_step="capture again with /BUSACK (pin 23) as well; if no other master has the bus, look at the CPU's supply and clock",
    source="UM0080; no instruction needs more than 8 requests between two fetches",
    host="stretch", undecided=5,
    picture=Picture(("M1", "MREQ", "RD", "WR"), STORE, (done("dead-high", line="RFSH"), done("lead-off", line="M1"))),
)  # fmt: skip
def requests_without_fetch(evidence: BusEvidence) -> Iterator[Found]:
    if evidence.longest_run_without_fetch <= LONGEST_RUN or not evidence.samples_at_least(COARSE_SAMPLES) or clock_denied(evidence):
        return
    text = f"{evidence.longest_run_without_fetch} requests in a row without an opcode fetch, from {time_words(evidence.run_without_fetch_s)} on"
    # A CPU that fetches before or behind it works: that another master had the bus meanwhile is the plain reading, until /BUSACK denies it.
    other_master = not evidence.has("BUSACK") and evidence.cycles["opcode_fetch"] >= FETCHES_OF_A_CPU
    yield Found(
        text + ("; another bus master may have had the bus, which only /BUSACK tells" if other_master else ""), (),
        evidence.longest_run_without_fetch, evidence.run_without_fetch_s, severity="note" if other_master else None, confidence=HINT,
    )  # fmt: skip


@rule(
    "io-request-conflict", "/IORQ inside memory requests", "warning", needs=(("IORQ", "MREQ"),), judges=("IORQ",),
    suspects=blame.IO_CONFLICT,
    looks_for="/IORQ asserted while /MREQ is, which the CPU never does",
    causes="a floating /IORQ (dead output, lead off), or /MREQ and /IORQ (pins 19 and 20) bridged",
    next_step="power off and measure the resistance between pins 19 and 20; then check the lead for /IORQ", source="UM0080, timing figures",
    host="stretch",
    picture=Picture(("MREQ", "IORQ", "RD", "WR"), OUTPUT, (done("floating", line="IORQ"),)),
)  # fmt: skip
def io_request_conflict(evidence: BusEvidence) -> Iterator[Found]:
    count = evidence.strobes.get("IORQ")
    edges = [evidence.line(name).edges for name in ("MREQ", "IORQ")]
    if count is not None and count.others >= ENOUGH_OTHERS and count.false >= NEARLY_ALL and ALIKE[0] <= edges[1] / max(1, edges[0]) <= ALIKE[1]:
        yield Found(
            f"/IORQ goes low with /MREQ in {count.wrong} of {count.others} memory requests and about as often ({edges[1]} and {edges[0]} edges)",
            ("MREQ", "IORQ"), count.wrong, evidence.first_request_s, evidence.last_request_s,
            severity="fault", suspects=blame.IO_BRIDGE, confidence=STRONG,
        )  # fmt: skip
    elif count is not None and count.others >= ENOUGH_OTHERS and count.false > NEARLY_ALL and edges[1] and count.expected >= 2 and count.hit <= OWN_LOST:
        yield Found(
            f"/IORQ low in {count.wrong} of {count.others} memory requests and high in {count.expected - count.seen} of {count.expected} I/O "
            "accesses: the opposite of what it must be, so the lead or the channel is inverted",
            ("IORQ",), count.wrong, severity="fault", suspects=blame.INVERTED_LEAD, confidence=STRONG,
            next_step="look for an inverting buffer or an inverted channel in the capture program, or tell with --map 'IORQ=!CHANNEL'",
        )  # fmt: skip
    elif count is not None and count.others >= ENOUGH_OTHERS and count.false > NEARLY_ALL and not edges[1]:
        yield Found(
            f"/IORQ low throughout, in all {count.others} memory requests too" + ("" if count.expected else "; no I/O was called for"), ("IORQ",), count.wrong,
            severity="fault", suspects=blame.CPU_FIRST if count.expected else blame.HELD_LOW_AT_REST, confidence=STRONG,
            next_step="measure pin 20 itself: a steady low is a dead output or a short to ground, a high means the lead or an inverted channel",
        )  # fmt: skip
    elif count is not None and count.others >= ENOUGH_OTHERS and count.false > CONFLICTS:
        yield Found(
            f"/IORQ asserted in {count.wrong} of {count.others} memory requests", ("IORQ",), count.wrong,
            severity="fault" if count.false > CONFLICTS_FAULT else None, confidence=STRONG,
        )  # fmt: skip


@rule(
    "unlabelled-channels", "channels without a name", "warning", needs=((),), judges=(), suspects=blame.THE_CAPTURE,
    looks_for="no channel name that says which line of the CPU it carries",
    causes="the analyser's own names were exported",
    next_step="name the channels in the capture program, or say which is which with --map LINE=CHANNEL", source="UM0080, timing figures: they tell lines apart", caution="",
    host=None, undecided=6, names_channels=True,
)  # fmt: skip
def unlabelled_channels(evidence: BusEvidence) -> Iterator[Found]:
    if not evidence.unlabelled:
        return
    record = evidence.identified
    roles = record.roles if record is not None else []
    total = len(evidence.unmapped) + len(evidence.captured)
    text = f"none of the {total} channels is named after a line of the CPU"
    named = [(channel, line, sure) for channel, line, sure in roles if line not in ROLE_GROUPS]
    if record is None or not named:
        yield Found(f"{text}, and none behaves like a strobe or the clock", (), confidence=CERTAIN)
        return
    offered = sorted((line, channel) for channel, line, sure in named if sure >= OFFERED)
    offered.sort(key=lambda item: (item[0][0] in "AD" and item[0][1:].isdigit(), len(item[0]) if item[0][1:].isdigit() else 0))
    options = " ".join(f"--map {line}={_quoted(channel)}" for line, channel in offered)
    judged = "; the capture is judged as if they were so named" if record.judged else ""
    lost = [bar(name) for name in ("M1", "MREQ", "RD", "RFSH") if not any(line == name for _, line, _ in named)]
    if lost and record.quiet:
        judged += f"; none behaves like {', '.join(lost)}, and {_some(record.quiet)} never move: leads at rest, on other lines, or on a dead one"
    yield Found(
        f"{text}; by behaviour they fit {_fits(record, named)}{judged}", (), len(named), confidence=CERTAIN,
        severity="note" if record.judged and record.whole else None,
        next_step=f"check these against your leads and, where you know the line of one that does not move, add it (as --map M1=CHANNEL); "
        f"then give {options} and the capture is judged under these names" if options else None,
    )  # fmt: skip


def _some(channels: Sequence[str]) -> str:
    """Return a few names, and how many more there are."""
    return ", ".join(channels[:QUIET_SHOWN]) + (f" and {len(channels) - QUIET_SHOWN} more" if len(channels) > QUIET_SHOWN else "")


def _fits(record: IdentifiedRecord, named: Sequence[Tuple[str, str, float]]) -> str:
    """Return which channel fits which line, buses in one go where the program proves their order."""
    bits = [(channel, line, sure) for channel, line, sure in named if line[0] in "AD" and line[1:].isdigit()]
    parts = [f"{bar(line)} on {channel} ({sure * 100:.0f} %)" for channel, line, sure in named if (channel, line, sure) not in bits]
    for bus in "AD":
        found = sorted(((int(line[1:]), channel, sure) for channel, line, sure in bits if line[0] == bus))
        if found:
            parts.append(f"{bus}{found[0][0]} to {bus}{found[-1][0]} on {' '.join(channel for _, channel, _ in found)} "
                         f"(at least {min(sure for _, _, sure in found) * 100:.0f} %)")  # fmt: skip
    for group in ROLE_GROUPS:
        channels = [channel for channel, line, _ in record.roles if line == group]
        if channels:
            parts.append(f"{group} lines on {' '.join(channels)}")
    ordered = any(line[0] == "D" for _, line, _ in bits)
    proof = f" ({record.program_share * record.instructions:.0f} of {record.instructions} instructions make sense so)" if ordered else ""
    return ", ".join(parts) + proof


ROLE_GROUPS = ("address", "data")  #: what channels are called that can only be told apart as a group
QUIET_SHOWN = 8  #: channels named in a sentence; more of them nobody reads
OFFERED = 0.8  #: confidence from which a channel's line is offered for --map


def _quoted(channel: str) -> str:
    """Return a channel's name as a shell takes it."""
    return channel if channel.isidentifier() else "'" + channel.replace("'", "") + "'"


@rule(
    "capture-damaged", "capture with defects", "note", needs=((),), judges=(), suspects=blame.THE_CAPTURE,
    looks_for="what the reader had to pass over", causes="a file cut short, an export that stopped", next_step="export the capture again",
    source="IEEE 1364-2005, clause 18", caution="",
    host=None,
)  # fmt: skip
def capture_damaged(evidence: BusEvidence) -> Iterator[Found]:
    for warning in evidence.warnings:
        yield Found(warning, ())
