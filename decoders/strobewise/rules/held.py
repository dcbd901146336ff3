"""Rules for the lines that hold the CPU: /RESET, /WAIT, /BUSREQ, /INT, and a halt that nothing ends.

How each line acts comes from UM0080; what holds it on a bench is common practice.
"""

from __future__ import annotations

from typing import Iterator

from ..bus.clocks import FAST_CLOCK_HZ
from ..bus.lines import ADDRESS, bar, pin_text
from ..bus.model import KIND_INDEX
from ..bus.semantics import REFRESH_INTERVAL_S
from ..bus.units import time_words
from ..records.evidence import PATTERN_LINES, BusEvidence, LineEvidence
from . import blame
from .base import ENOUGH_REQUESTS, HOLD, LASTING_S, Found, rule, too_coarse
from .grades import CERTAIN, FAIR, HINT, LIKELY, STRONG
from .picture import ANSWER, FETCH, PUSHED, STORE, STORE_LOAD, Picture, done

RESET_LOOP = 5  #: pulses of /RESET in one capture that are no person at the button, who may well press it a few times
RESET_AGAIN, NO_FINGER_S = 3, 0.05  #: pulses, and the time from the one to the next, that are quicker than a finger: contacts that bounce, or no person
HELD_SHARE = 0.9  #: share of the capture from which a line counts as held
WAIT_HELD_T = 2000.0  #: T-states in one wait: slow memories ask for a handful, disc controllers for some hundred (common practice)
WAIT_NEVER_ENDS_T = 500.0  #: the same for a wait that the end of the capture cuts off
LATE_T = 100.0  #: T-states, more than any wait or grant of a working board that an instruction is held by (common practice), and
NOT_HEARD_T = 300.0  #: T-states of a hold from which requests in its last fifth are the CPU's own: many times what it takes to obey
LATE_SHARE = 0.2  #: share of the capture from which a line that holds the CPU to the end holds it for good: what works lets go sooner
LATE_GRANT_SHARE = 0.3  #: the same for the bus, which a device of the board may keep for long and often,
LATE_GRANT_T = 220.0  #: and for how many T-states it may,
GRANTS_BEFORE = 4.0  #: and how many times longer than before
NEVER_CLEARED = 8  #: acknowledges of one and the same low /INT: a few devices may share the line, and each is served
NMI_MANY = 16  #: falling edges of /NMI: more than a contact that bounces makes (our choice)
NMI_LOST = 1.5  #: for each response, from which they come faster than the CPU can answer
NMI_STAYS_S = 0.02  #: a button let go of by then
RUNNING_SHARE = 0.1  #: data transfers per halted fetch from which it is no halt: the response that ends one makes two to four
HALTED_AT = 4  #: addresses fetched from under one and the same low /HALT, from which it is no halt: that fetches one
HALTED_MIN = 4  #: the same where the line moves: one or two may be slips of the analyser
HALT_SHARE = 0.3  #: of the capture from which a halt that nothing ended is told: shorter ones wait for the next interrupt
END_S = 1e-9  #: how near to the end a stretch must end to last to it: less than any sample takes
FIRST_MOMENTS, AT_REST = 0.1, 0.8  #: shares of a hold: in which the CPU may still end what it does; and in which it then makes no request
MOSTLY = 0.5  #: share of the capture from which a hold is no pulse: more than half of it
RESET_S = 0.5  #: no reset circuit holds a machine for longer (common practice: 10 to 200 ms)
ANSWERED = 3  #: acknowledges from which on they do not clear the request: one or two may belong to other devices
RUNS_ON = 4  #: requests by which a CPU runs: the cycle in which a hold began, with what the start or the end cut off, makes up to three
HALT_JUDGED_T = 45_000.0  #: T-states that must be among the time below: a clock as slow as some kilohertz has slow interrupts as well


def _rest_after(evidence: BusEvidence, name: str) -> bool:
    """Say whether the CPU made no request while the line's longest active stretch lasted (but for its first moments)."""
    span = evidence.line(name).longest
    if span is None:
        return False
    if evidence.last_request_s is None or evidence.last_request_s <= span.start_s + FIRST_MOMENTS * span.length_s:
        return True
    silence = evidence.longest_silence
    return silence is not None and min(silence.end_s, span.end_s) - max(silence.start_s, span.start_s) > AT_REST * span.length_s


def _lasts(evidence: BusEvidence, length_s: float, share: float) -> bool:
    """Say whether a line that was active for so long when the capture ended was so for good."""
    return length_s * (evidence.clock.hz or FAST_CLOCK_HZ) > LATE_T and length_s > share * evidence.duration_s


def _given_for_good(evidence: BusEvidence, line: LineEvidence) -> bool:
    """Say whether a bus that was given away until the capture ended will not come back."""
    length = line.longest.length_s if line.longest is not None else 0.0
    usual = length * (evidence.clock.hz or FAST_CLOCK_HZ) < LATE_GRANT_T  # most of a short capture may be one grant
    if length > (HELD_SHARE if usual else MOSTLY) * evidence.duration_s:
        return True
    others = (line.asserted_s - length) / (line.assertions - 1) if line.assertions > 1 else 0.0
    if usual or length < GRANTS_BEFORE * others:
        return False
    starves = evidence.least_s(length) > REFRESH_INTERVAL_S and length > LATE_SHARE * evidence.duration_s
    return starves or length > LATE_GRANT_SHARE * evidence.duration_s


def _not_heard(evidence: BusEvidence, line: LineEvidence) -> bool:
    """Say whether the CPU still makes requests far into a hold that lasts to the end, as it never does (UM0080)."""
    span, last = line.longest, evidence.last_request_s
    if span is None or last is None or not line.asserted_last or span.end_s < evidence.end_s - END_S or line.known_fraction < 1.0:
        return False
    if evidence.line("BUSACK").asserted_last or span.length_s * (evidence.clock.hz or 0.0) < NOT_HEARD_T:
        return False
    return last > span.start_s + AT_REST * span.length_s


def _few_clocks(evidence: BusEvidence, length_s: float) -> bool:
    """Say whether a capture by the CPU's clock shows a line active for so few clocks that the clock, without which no sample is taken, stopped."""
    return bool(evidence.clocked) and length_s * (evidence.clock.hz or 0.0) <= LATE_T


def _share(evidence: BusEvidence, name: str) -> float:
    return evidence.line(name).asserted_s / evidence.duration_s if evidence.duration_s > 0 else 0.0


@rule(
    "reset-held", "/RESET held", "fault", needs=(("RESET",),), judges=("RESET",),
    suspects=blame.RESET_HELD,
    looks_for="/RESET low throughout, or low from some moment to the end",
    causes="reset capacitor, diode or supervisor, a stuck button, a device on the expansion port that pulls reset, a missing supply rail",
    next_step=f"measure the voltage at {pin_text('RESET')}; unplug everything from the expansion port and capture again; then the reset "
    "capacitor, diode and button",
    source="UM0080, reset; the checks: common practice",
    host="standstill", sort=HOLD, explains=("no-requests", "went-silent"), lasting=True, stands_by_itself=True,
    picture=Picture(("CLK", "RESET", "M1", "MREQ"), STORE, (done("reset-held"),), by_time=True),
)  # fmt: skip
def reset_held(evidence: BusEvidence) -> Iterator[Found]:
    line = evidence.line("RESET")
    if not line.asserted_last or line.longest is None:
        return
    if evidence.requests >= RUNS_ON and not _rest_after(evidence, "RESET"):
        if _share(evidence, "RESET") <= MOSTLY and not _not_heard(evidence, line):
            return  # pulses, and the capture happens to end in one
        yield Found(
            f"/RESET reads low for {_share(evidence, 'RESET') * 100:.0f} % of the capture although the CPU runs: the lead for /RESET, "
            "or its polarity, is wrong",
            ("RESET",), suspects=blame.RESET_LEAD,
            next_step=f"check the lead for {pin_text('RESET')}, and that it sits there",
        )  # fmt: skip
        return
    if _few_clocks(evidence, line.longest.length_s):
        return  # so few of them may be the reset of every power-on
    if _lasts(evidence, line.longest.length_s, LATE_SHARE) or line.longest.length_s > RESET_S:
        how = "throughout" if line.edges == 0 else f"from {time_words(line.longest.start_s)} to the end"
        yield Found(
            f"/RESET low {how} ({time_words(line.longest.length_s)})", ("RESET",),
            first_s=line.longest.start_s, last_s=line.longest.end_s, confidence=CERTAIN,
        )  # fmt: skip


@rule(
    "reset-loop", "/RESET pulses again and again", "fault", needs=(("RESET",),), judges=("RESET",),
    suspects=blame.RESET_PULSES,
    looks_for=f"{RESET_LOOP} or more pulses of /RESET in one capture",
    causes="supply dips that a supervisor sees, a watchdog, an expansion device that pulls reset, a leaky reset capacitor",
    next_step=f"unplug everything from the expansion port and capture again; watch the 5 V rail and {pin_text('RESET')} on a scope together",
    source="common practice",
    host="ongoing", lasting=True, stands_by_itself=True,
    picture=Picture(("RESET", "M1", "MREQ"), (FETCH,), (done("reset-loop", period_s=1e-5, hold_s=2e-6),), by_time=True, long_t=66),
)  # fmt: skip
def reset_loop(evidence: BusEvidence) -> Iterator[Found]:
    line = evidence.line("RESET")
    pulses = line.assertions - line.asserted_first  # one that is under way at the start may be the power-on reset
    if pulses >= RESET_LOOP and line.longest is not None:
        yield Found(
            f"/RESET went low {pulses} times in {time_words(evidence.duration_s)}, at most for "
            f"{time_words(line.longest.length_s)}",
            ("RESET",), pulses, evidence.start_s, evidence.end_s,
        )  # fmt: skip
    elif pulses >= RESET_AGAIN and evidence.duration_s < pulses * NO_FINGER_S:
        yield Found(
            f"/RESET went low {pulses} times in {time_words(evidence.duration_s)}, quicker than a finger: contacts that bounce, or something that "
            "pulls it again and again", ("RESET",), pulses, evidence.start_s, evidence.end_s, severity="warning",
        )  # fmt: skip


@rule(
    "wait-held", "/WAIT held", "fault", needs=(("WAIT",),), judges=("WAIT",),
    suspects=blame.WAIT_HELD,
    looks_for="the bus frozen inside a cycle while /WAIT is low",
    causes="a wait-state generator that never lets go, a device on the expansion port, a missing pull-up, a short to ground",
    next_step=f"find who pulls {pin_text('WAIT')}: unplug everything from the expansion port, then the pull-up and the wait-state generator's output",
    source="UM0080, wait states; the checks: common practice",
    host="standstill", sort=HOLD, explains=("no-requests", "went-silent"), lasting=True, stands_by_itself=True,
    picture=Picture(("CLK", "WAIT", "MREQ", "RD"), STORE_LOAD, after="wait-held", by_time=True),
)  # fmt: skip
def wait_held(evidence: BusEvidence) -> Iterator[Found]:
    line = evidence.line("WAIT")
    span = line.longest
    if span is None:
        return
    hz = evidence.clock.hz or FAST_CLOCK_HZ
    ends = span.end_s < evidence.end_s or not line.asserted_last
    long_one = span.length_s * hz > (WAIT_HELD_T if ends else WAIT_NEVER_ENDS_T)
    long_one = long_one or (not ends and _lasts(evidence, span.length_s, LATE_SHARE))
    if long_one and _rest_after(evidence, "WAIT"):
        how = "throughout" if line.edges == 0 else f"from {time_words(span.start_s)}" + (" to the end" if line.asserted_last else "")
        yield Found(
            f"/WAIT low {how} ({time_words(span.length_s)}), the CPU frozen in the middle of a cycle", ("WAIT",),
            first_s=span.start_s, last_s=span.end_s, confidence=CERTAIN,
        )  # fmt: skip
    elif (_share(evidence, "WAIT") > HELD_SHARE or _not_heard(evidence, line)) and evidence.requests >= ENOUGH_REQUESTS:
        yield Found(
            f"/WAIT reads low for {_share(evidence, 'WAIT') * 100:.0f} % of the capture, yet {evidence.requests} requests go on without "
            "being held: the lead for /WAIT, or its polarity, is wrong",
            ("WAIT",), suspects=blame.WAIT_LEAD,
            next_step=f"check the lead for {pin_text('WAIT')}, and that it sits there",
        )  # fmt: skip


@rule(
    "bus-request-held", "/BUSREQ held", "fault", needs=(("BUSREQ",), ("BUSACK",)), judges=("BUSREQ", "BUSACK"),
    suspects=blame.BUS_HELD,
    looks_for="/BUSREQ low and the bus granted for the rest of the capture",
    causes="a device on the expansion port, a bus master of the board that never finishes, a missing pull-up, a short to ground",
    next_step=f"find who pulls {pin_text('BUSREQ')}: unplug everything from the expansion port, then the pull-up",
    source="UM0080, bus request/acknowledge; the checks: common practice",
    host="standstill", sort=HOLD, explains=("no-requests", "went-silent"), lasting=True,
    picture=Picture(("BUSREQ", "BUSACK", "MREQ", "RD"), STORE_LOAD, after="busreq-held", by_time=True, machine="bus-shared"),
)  # fmt: skip
def bus_request_held(evidence: BusEvidence) -> Iterator[Found]:
    for name in ("BUSREQ", "BUSACK"):
        line = evidence.line(name)
        span = line.longest
        if name not in evidence.captured or span is None or not line.asserted_last:
            continue
        # A grant no longer than that starves no dynamic memory.
        if not _given_for_good(evidence, line) or _few_clocks(evidence, span.length_s):
            continue
        if not _rest_after(evidence, name):
            throughout = span.length_s > HELD_SHARE * evidence.duration_s
            if throughout or (name == "BUSREQ" and evidence.has("BUSACK") and _not_heard(evidence, line)):
                yield Found(
                    f"{bar(name)} reads low {'throughout' if throughout else f'from {time_words(span.start_s)} to the end'} although the CPU keeps the bus: the lead for {bar(name)} is wrong, or the line is dead",
                    (name,), suspects=blame.BUS_LEAD,
                    next_step=f"check the lead for {pin_text(name)}, and that it sits there",
                )  # fmt: skip
            return
        lines = tuple(n for n in ("BUSREQ", "BUSACK") if evidence.line(n).asserted_last and n in evidence.captured)
        yield Found(
            f"{' and '.join(bar(n) for n in lines)} low from {time_words(span.start_s)} to the end ({time_words(span.length_s)}): "
            "the CPU has given the bus away",
            lines, first_s=span.start_s, last_s=span.end_s, confidence=CERTAIN,
        )  # fmt: skip
        return


@rule(
    "interrupt-held", "/INT held", "fault", needs=(("INT", "M1"), ("INT", "IORQ")), judges=("INT",),
    suspects=blame.INT_HELD,
    looks_for="/INT low all the time",
    causes="an interrupt source that never lets go: its acknowledge does not reach it, or the line is shorted to ground",
    next_step=f"find who pulls {pin_text('INT')}: unplug everything from the expansion port; check what clears the interrupt source",
    source="UM0080, interrupt response; the checks: common practice",
    host="lasting", seen_astray=True, lasting=True,
    picture=Picture(("INT", "M1", "IORQ"), ANSWER, (done("int-held"),), long_t=66),
)  # fmt: skip
def interrupt_held(evidence: BusEvidence) -> Iterator[Found]:
    line = evidence.line("INT")
    acknowledged = evidence.cycles["interrupt_acknowledge"]
    asked = evidence.timing.interrupts if evidence.timing is not None else None
    if asked is not None and asked.held_s is not None and asked.held_acknowledged >= NEVER_CLEARED and line.asserted_last:
        yield Found(
            f"/INT low from {time_words(asked.held_s)} to the end, acknowledged {asked.held_acknowledged} times without letting go", ("INT",),
            asked.held_acknowledged, asked.held_s, evidence.end_s,
        )  # fmt: skip
        return
    if line.longest is None or evidence.requests < ENOUGH_REQUESTS or _share(evidence, "INT") < HELD_SHARE:
        return
    stretch = f"/INT low for {_share(evidence, 'INT') * 100:.0f} % of {time_words(evidence.duration_s)}"
    first, last = line.longest.start_s, line.longest.end_s
    if acknowledged >= ANSWERED:
        yield Found(f"{stretch}, acknowledged {acknowledged} times without letting go", ("INT",), acknowledged, first, last)
    elif evidence.has("IORQ") or evidence.has("M1"):
        yield Found(
            f"{stretch}, acknowledged {acknowledged} times: the line is held, or the program keeps interrupts off", ("INT",),
            severity="fault" if evidence.least_s(evidence.duration_s) > LASTING_S else "note", first_s=first, last_s=last, confidence=HINT,
        )  # fmt: skip


def _runs_while_halted(evidence: BusEvidence) -> int:
    """Return how many data transfers and moving fetches were seen with /HALT low: a halted CPU fetches one address and nothing else."""
    if too_coarse(evidence):
        return 0  # what is a transfer was not seen well enough
    halt = 1 << PATTERN_LINES.index("HALT")
    transfers = 0
    for kind in ("memory_read", "memory_write", "memory_access", "io_read", "io_write"):
        row = evidence.histogram[KIND_INDEX[kind]]
        transfers += sum(number for pattern, number in enumerate(row) if pattern & halt)
    if evidence.line("HALT").edges == 0 and len(evidence.halt_addresses) >= HALTED_AT:
        return transfers + evidence.notes.get("halt", 0)
    return transfers if transfers >= max(HALTED_MIN, RUNNING_SHARE * evidence.notes.get("halt", 0)) else 0


@rule(
    "halt-line-contradicted", "/HALT low while the CPU runs", "fault", needs=(("HALT", "MREQ"),), judges=("HALT",),
    suspects=blame.HALT_LIES,
    looks_for="/HALT asserted in data transfers, which a halted CPU does not make",
    causes="the CPU's HALT output has died, the line is shorted (pin 18 lies beside /MREQ), or the lead is off",
    next_step=f"check the lead on a pin known to be live, then scope {pin_text('HALT')} at the CPU itself",
    source="UM0080, halt; the check: common practice",
    host="stretch",
    picture=Picture(("HALT", "M1", "MREQ", "RD", "WR"), STORE, (done("dead-low", line="HALT"),)),
)  # fmt: skip
def halt_line_contradicted(evidence: BusEvidence) -> Iterator[Found]:
    transfers = _runs_while_halted(evidence)
    if transfers:
        line = evidence.line("HALT")
        how = "low throughout" if line.edges == 0 else f"low for {_share(evidence, 'HALT') * 100:.0f} % of the capture"
        yield Found(
            f"/HALT {how}, in {transfers} data transfers that a halted CPU does not make", ("HALT",), transfers,
            evidence.first_request_s, evidence.last_request_s, confidence=STRONG if transfers >= ENOUGH_REQUESTS else FAIR,
        )  # fmt: skip


@rule(
    "nmi-held", "/NMI held", "fault", needs=(("NMI",),), judges=("NMI",),
    suspects=blame.NMI_HELD,
    looks_for="/NMI low all the time: the CPU answers its falling edge only, so nothing can call it any more",
    causes="a button or a device that holds the line, a missing pull-up, a short to ground",
    next_step=f"find who pulls {pin_text('NMI')}: unplug everything from the expansion port, then the button and the pull-up",
    source="UM0080, interrupt response; the checks: common practice",
    host="whole", lasting=True, stands_by_itself=True,
    picture=Picture(("NMI", "M1", "MREQ", "A"), PUSHED, (done("nmi-held"),), by_time=True, long_t=33, machine="nmi-pressed"),
)  # fmt: skip
def nmi_held(evidence: BusEvidence) -> Iterator[Found]:
    line = evidence.line("NMI")
    span = line.longest
    if span is not None and line.edges and line.asserted_last and span.end_s >= evidence.end_s and _lasts(evidence, span.length_s, LATE_SHARE):
        yield Found(
            f"/NMI low from {time_words(span.start_s)} to the end ({time_words(span.length_s)}): its falling edge was the last that can call the "
            "CPU; a button that is held down looks so, too",
            ("NMI",), first_s=span.start_s, last_s=span.end_s, severity="fault" if span.length_s > NMI_STAYS_S else "warning", confidence=HINT,
        )  # fmt: skip
    if line.longest is not None and line.edges == 0 and evidence.duration_s > 0 and evidence.requests >= ENOUGH_REQUESTS:
        yield Found(f"/NMI low throughout ({time_words(evidence.duration_s)})", ("NMI",), first_s=evidence.start_s, last_s=evidence.end_s,
                    confidence=LIKELY)  # fmt: skip


@rule(
    "nmi-storm", "/NMI asks faster than the CPU can answer", "fault", needs=(("NMI", "MREQ", "M1", *ADDRESS),), judges=("NMI",),
    suspects=blame.NMI_STORM,
    looks_for="many more falling edges of /NMI than responses at 0066h",
    causes="a button that chatters without end, a device or a gate that oscillates, a floating line beside a clock",
    next_step=f"scope {pin_text('NMI')} and find who pulls it: unplug everything from the expansion port, then the button and the pull-up",
    source="UM0080, interrupt response; the check: common practice",
    host=None, seen_astray=True, lasting=True, stands_by_itself=True,
)  # fmt: skip
def nmi_storm(evidence: BusEvidence) -> Iterator[Found]:
    line = evidence.line("NMI")
    answered = evidence.notes.get("nmi_response", 0)
    if line.assertions >= NMI_MANY and answered and line.assertions > NMI_LOST * answered and line.longest is not None:
        yield Found(
            f"/NMI fell {line.assertions} times in {time_words(evidence.duration_s)}, and the CPU went to 0x0066 {answered} times", ("NMI",),
            line.assertions, evidence.start_s, evidence.end_s,
        )  # fmt: skip


@rule(
    "halted-for-good", "halted, and nothing ends it", "fault", needs=(("HALT",),), judges=("HALT", "INT"),
    suspects=blame.HALTED,
    looks_for="/HALT low to the end of the capture without an interrupt that could end it",
    causes="the program ran into a HALT with interrupts off (often after it derailed), or the interrupt source has died",
    next_step=f"look for activity on {pin_text('INT')}: none means the interrupt source, pulses without an acknowledge mean that the "
    "program has interrupts off; then see what the program did before the HALT (listing)",
    source="UM0080, halt exit; the checks: common practice",
    host="lasting", seen_astray=True, lasting=True, undecided=4,
    picture=Picture(("HALT", "M1", "MREQ", "A"), STORE_LOAD, other_program="halts"),
)  # fmt: skip
def halted_for_good(evidence: BusEvidence) -> Iterator[Found]:
    line = evidence.line("HALT")
    span = line.longest
    if span is None or not line.asserted_last:
        return
    if not evidence.notes.get("halt") or _runs_while_halted(evidence):
        return  # a halted CPU fetches one address and nothing else: this one runs, and the line lies
    woken = line.assertions > 1 and evidence.cycles["interrupt_acknowledge"] + evidence.notes.get("nmi_response", 0) > 0
    last = evidence.end_s - span.end_s < END_S or span.end_s >= evidence.end_s
    if woken or not last or span.length_s < HALT_SHARE * evidence.duration_s:
        return
    asked = evidence.asked_in_halt if evidence.has("INT") else None
    where = f" at {evidence.halt_addresses[0]:#06x}" if len(evidence.halt_addresses) == 1 and evidence.halt_addresses[0] >= 0 else ""
    text = f"/HALT low{where} from {time_words(span.start_s)} to the end ({time_words(span.length_s)})"
    certain = evidence.least_s(span.length_s) > LASTING_S and span.length_s * (evidence.clock.hz or FAST_CLOCK_HZ) > HALT_JUDGED_T
    # Interrupts are on, or nothing says that they are off: the next one may be due later.
    waits = not certain and (evidence.cycles["interrupt_acknowledge"] > 0 or evidence.enables is None or evidence.enables > 0)
    if asked is None:
        text += "; /INT was not captured, so whether anything could end it is not known"
    elif asked:
        text += f", {asked} interrupt requests and no acknowledge: the program has interrupts off"
    else:
        text += ", no interrupt request in all that time"
    yield Found(
        text, ("HALT",), evidence.notes.get("halt", 1), span.start_s, span.end_s,
        severity="fault" if (certain and asked is not None) or asked else "note" if waits else "warning",
        suspects=blame.HALTED_DEAF if asked else None, confidence=STRONG if certain else HINT,
        next_step=None if certain else "capture for longer than two frames (50 ms), with /INT (pin 16), to see whether anything ends the halt",
    )  # fmt: skip
