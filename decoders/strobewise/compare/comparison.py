"""Two captures against each other: before and after a repair, or a working and a failing machine.

What differs is told apart from what may well differ: two captures of one healthy machine start at different moments, hold other
interrupts and wait states, and reach other parts of the program. Only a difference that none of that explains counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from ..bus.clocks import SLOW_CLOCK_HZ
from ..bus.lines import ADDRESS, DATA, STROBES, bar
from ..bus.model import KINDS, Finding
from ..diagnosis.facade import Diagnosis, conclude, examine
from ..errors import LineMapError
from ..profile.options import Options
from ..records.evidence import StrobeCount
from ..verdict.line_states import MAY_REST
from .code import code_change
from .edges import ADDRESS_MOVES, CAUSED_BY, EdgeDelay, Run, RunPart, edge_delays
from .flow import Flow, find_parting, reached_by_one, shared_code
from .records import ClockPair, Comparison, HeldChange, KindPair, LineChange, StrobePair, TimingShift
from .words import sentence_of

AT_REST = ("stuck_low", "stuck_high")
FEW_EDGES, FEW_CYCLES = 20, 200  #: below these a line that rests says nothing
SAME_LENGTH = 0.9  #: of the good capture's machine cycles that the suspect must have before a resting address line counts
SAME_CLOCK = 0.02  #: difference of two clocks that captures of CLK may show: crystals keep within 0.1 %, resonators 1 % (common practice)
SAME_ESTIMATE = 0.10  #: the same where the clock is only estimated from the strobes
INTERRUPTS_DUE = 5  #: interrupt requests that the suspect must have had, by the good capture's rate, before having none says something
STEADY_T = 2  #: longest clock period, in mean ones, up to which the deviation speaks of jitter and not of a pause
UNSTEADY_SAMPLES = 0.5  #: sampling makes the period deviate by 0 to 0.5 sample intervals, as clock and sample rate happen to meet
UNSTEADY_SHARE = 0.01  #: of a period, below which more jitter is not worth a word
STOPS_THE_CPU = ("RESET", "WAIT", "BUSREQ")
HELD_T = 200  #: T-states that one of these must last to the end of the suspect
HELD_LONGER = 3  #: times as long as ever in the good capture
SAME_CODE = 0.95  #: share of the good capture's code that it must have run


def compare(
    good_path: str, suspect_path: str, options: Options | None = None, progress: Callable[[int], None] | None = None
) -> Comparison:
    """Diagnose two captures and say what differs. Raises StrobewiseError for what the user can mend, OSError."""
    chosen = options or Options()
    (good, good_run), (suspect, suspect_run) = (read_side(path, chosen, progress) for path in (good_path, suspect_path))
    if not good.evidence.captured & suspect.evidence.captured:
        bare = good_path if not good.evidence.captured else suspect_path
        raise LineMapError(
            "there is no line that both captures are known to hold", f"{good_path} and {suspect_path}",
            f"say which channel is which with --map; strobewise diagnose {bare} tells what they look like",
        )  # fmt: skip
    return compare_diagnoses(good, suspect, good_run, suspect_run)


def read_side(path: str, options: Options, progress: Callable[[int], None] | None = None) -> tuple[Diagnosis, Run]:
    """Diagnose one capture, and keep in the same pass what a comparison needs of it. Raises StrobewiseError, OSError."""
    part = RunPart()
    examined = examine(path, options, progress, (part.attach,))
    return conclude([examined]), part.run(examined)


def compare_diagnoses(good: Diagnosis, suspect: Diagnosis, good_run: Run, suspect_run: Run) -> Comparison:
    """Say what differs between two captures that were diagnosed."""
    gone, new, kept = _findings(good, suspect)
    told = {line for finding in (*gone, *new) if finding.severity != "note" for line in finding.lines}
    flows = good_run.flow, suspect_run.flow
    lines = _line_changes(good, suspect, told, flows)
    clocks = {side.evidence.clock.source for side in (good, suspect)}
    timing = _timing(good_run, suspect_run, clocks == {"CLK"})
    clock, held = _clock(good, suspect), _held(good, suspect)
    parting, reached, code = None, None, None
    if flows[0] is not None and flows[1] is not None:
        parting, reached = find_parting(flows[0], flows[1]), reached_by_one(flows[0], flows[1])
        code = code_change(flows[0].code, flows[1].code)
    differs = (
        any(f.severity != "note" for f in (*gone, *new))
        or any(change.counts for change in lines)
        or bool(held)
        or bool(timing)
        or (parting is not None and parting.certain)
        or (code is not None and code.counts)
        or (clock is not None and clock.counts)
    )
    names = _names(good, suspect, new)
    said = Comparison(
        good=good, suspect=suspect, alike=not differs, sentence="", lines=lines, held=held, strobes=_strobe_pairs(good, suspect),
        cycles=_mix(good, suspect), gone=gone, new=new, kept=kept, parting=parting, reached=reached, code=code, clock=clock,
        timing=timing, untold=_untold(good, suspect, reached is not None, good_run, suspect_run), names=names,
    )  # fmt: skip
    return replace(said, sentence=sentence_of(said))


def _names(good: Diagnosis, suspect: Diagnosis, new: tuple[Finding, ...]) -> tuple[str, str]:
    """Return what to call the two: neither is called good, or at fault, that is not known to be so."""
    if good.verdict.state == "fault" and all(f.severity != "fault" for f in new):
        return "before", "now"
    return ("good", "suspect") if good.verdict.state != "fault" == suspect.verdict.state else ("first", "second")


def _held(good: Diagnosis, suspect: Diagnosis) -> tuple[HeldChange, ...]:
    """Return the lines that stop one of the two at its end."""
    other_way = [change._replace(in_first=True) for change in _held_in_second(suspect, good)]
    return (*_held_in_second(good, suspect), *other_way)


def _held_in_second(good: Diagnosis, suspect: Diagnosis) -> list[HeldChange]:
    """Return the lines that stop the suspect at its end, whenever that began; what lasts as long in the good capture is no difference."""
    found = []
    for name in STOPS_THE_CPU:
        one, other = good.evidence.line(name), suspect.evidence.line(name)
        if name not in good.evidence.captured & suspect.evidence.captured or one.asserted_last or not other.asserted_last:
            continue
        before = one.longest.length_s if one.longest is not None else 0.0
        period_s = 1.0 / (suspect.evidence.clock.hz or SLOW_CLOCK_HZ)
        if other.longest is None or other.longest.length_s < max(HELD_T * period_s, HELD_LONGER * before):
            continue
        if suspect.evidence.end_s - other.longest.end_s < period_s:
            found.append(HeldChange(name, before, other.longest.length_s, other.longest.start_s))
    return found


def _clock(good: Diagnosis, suspect: Diagnosis) -> ClockPair | None:
    clocks = good.evidence.clock, suspect.evidence.clock
    if clocks[0].hz is None or clocks[1].hz is None or "given" in (clocks[0].source, clocks[1].source):
        return None
    allowed = SAME_CLOCK if clocks[0].source == clocks[1].source == "CLK" else SAME_ESTIMATE
    off = abs(math.log(clocks[1].hz / clocks[0].hz)) > math.log1p(allowed)  # the same in either order
    unsteady = _unsteady(good, suspect) or _unsteady(suspect, good)
    return ClockPair(clocks[0].hz, clocks[1].hz, clocks[0].deviation_s, clocks[1].deviation_s, off, unsteady)


def _unsteady(good: Diagnosis, suspect: Diagnosis) -> bool:
    """Say whether the suspect's clock period varies more, by itself and not through a pause or through coarser samples."""
    sides = good.evidence, suspect.evidence
    for side in sides:
        clock = side.clock
        if clock.source != "CLK" or clock.hz is None or clock.deviation_s is None or side.sample_interval_s is None:
            return False
        if clock.longest is not None and clock.longest.length_s * clock.hz > STEADY_T:
            return False
    one, other = (side.clock.deviation_s or 0.0 for side in sides)
    sample = max(side.sample_interval_s or 0.0 for side in sides)
    more = math.sqrt(max(0.0, other**2 - one**2))
    return more > UNSTEADY_SAMPLES * sample + UNSTEADY_SHARE / (suspect.evidence.clock.hz or 1.0)


def _findings(good: Diagnosis, suspect: Diagnosis) -> tuple[tuple[Finding, ...], tuple[Finding, ...], tuple[Finding, ...]]:
    def key(finding: Finding) -> tuple[str, tuple[str, ...]]:
        return finding.rule, finding.lines

    before, now = {key(f) for f in good.findings}, {key(f) for f in suspect.findings}
    return (
        tuple(f for f in good.findings if key(f) not in now),
        tuple(f for f in suspect.findings if key(f) not in before),
        tuple(f for f in suspect.findings if key(f) in before),
    )


def _line_changes(
    good: Diagnosis, suspect: Diagnosis, told: set[str], flows: tuple[Flow | None, Flow | None]
) -> tuple[LineChange, ...]:
    other = {line.line: line.state for line in suspect.lines}
    changes = []
    for line in good.lines:
        name, now = line.line, other.get(line.line, "not_captured")
        if "not_captured" in (line.state, now):
            continue
        if name == "CLK" and line.state == now == "active" and _clock_lost(good, suspect):
            now = "floating"
        if line.state == now:
            continue
        counts = name in told or (name in STROBES and name not in MAY_REST) or name == "CLK"
        counts = counts or _rests(name, good, suspect, now, line.edges, flows)
        counts = counts or _rests(name, suspect, good, line.state, suspect.evidence.line(name).edges, flows[::-1])
        changes.append(LineChange(name, line.state, now, counts))
    return tuple(changes)


def _rests(name: str, one: Diagnosis, other: Diagnosis, state: str, edges: int, flows: tuple[Flow | None, Flow | None]) -> bool:
    """Say whether a line rests in the other capture, though it must have moved there. edges: of the line in the one where it moves."""
    if name == "INT" and state == "idle" and _requests_due(edges, one, other) >= INTERRUPTS_DUE:
        return True
    return state in AT_REST and _must_move(name, edges, one, other, flows)


def _requests_due(edges: int, good: Diagnosis, suspect: Diagnosis) -> float:
    """Return how many interrupt requests the suspect had to show at the good capture's rate."""
    return edges / 2 * suspect.evidence.duration_s / max(good.evidence.duration_s, 1e-30)


def _clock_lost(good: Diagnosis, suspect: Diagnosis) -> bool:
    """Say whether CLK keeps time in the first capture alone."""
    return good.evidence.clock.source == "CLK" != suspect.evidence.clock.source


def _must_move(name: str, edges: int, good: Diagnosis, suspect: Diagnosis, flows: tuple[Flow | None, Flow | None]) -> bool:
    """Say whether an address or data line that rests in the suspect must have moved there, going by the other capture.

    Any program moves every data line, unless it sleeps. An address line must move where the suspect ran the same code, that line aside, at
    least as long as the capture in which it moved.
    """
    cycles = [sum(side.evidence.cycles.values()) for side in (good, suspect)]
    if edges < FEW_EDGES or cycles[1] < FEW_CYCLES:
        return False
    if name in DATA:
        return suspect.evidence.notes.get("halt", 0) * 2 < suspect.evidence.cycles["opcode_fetch"]
    if name not in ADDRESS or flows[0] is None or flows[1] is None:
        return False
    return cycles[1] >= cycles[0] * SAME_LENGTH and shared_code(flows[0], flows[1], ADDRESS.index(name)) >= SAME_CODE


def _strobe_pairs(good: Diagnosis, suspect: Diagnosis) -> tuple[StrobePair, ...]:
    pairs = []
    for name in STROBES:
        first, second = good.evidence.strobes.get(name), suspect.evidence.strobes.get(name)
        if first is not None and second is not None:
            strobed = _strobed(first, good.evidence.line(name).edges), _strobed(second, suspect.evidence.line(name).edges)
            pairs.append(StrobePair(name, first, second, *strobed))
    return tuple(pairs)


def _strobed(count: StrobeCount, edges: int) -> int:
    """Return in how many of the requests that call for it a line strobed; one that is held active is seen in all and strobes in none."""
    return min(count.seen, (edges + 1) // 2)


def _mix(good: Diagnosis, suspect: Diagnosis) -> tuple[KindPair, ...]:
    first, second = good.evidence.cycles, suspect.evidence.cycles
    totals = max(1, sum(first.values())), max(1, sum(second.values()))
    return tuple(
        KindPair(kind, first[kind], second[kind], first[kind] / totals[0], second[kind] / totals[1])
        for kind in KINDS
        if first[kind] or second[kind]
    )


def _timing(good: Run, suspect: Run, by_clock: bool) -> tuple[TimingShift, ...]:
    sample = good.sample_interval_s, suspect.sample_interval_s
    if sample[0] is None or sample[1] is None:
        return ()
    uncertainty = sample[0] + sample[1]
    common = good.lines & suspect.lines - (frozenset() if by_clock else {"CLK"})
    before, now = (edge_delays(run, common, (*CAUSED_BY, *ADDRESS_MOVES)) for run in (good, suspect))
    shifts = []
    for key, delay in before.items():
        other: EdgeDelay | None = now.get(key)
        if other is not None and delay.reference == other.reference and abs(other.median_s - delay.median_s) > uncertainty:
            shifts.append(TimingShift(key[0], key[1], delay.reference, delay.median_s, other.median_s, uncertainty))
    return tuple(shifts)


def _untold(good: Diagnosis, suspect: Diagnosis, addresses: bool, good_run: Run, suspect_run: Run) -> tuple[str, ...]:
    told = []
    first, second = good.evidence.captured, suspect.evidence.captured
    for names, words in ((first - second, "first"), (second - first, "second")):
        if names:
            told.append(f"only in the {words} capture: {', '.join(bar(name) for name in sorted(names))}")
    if not addresses:
        told.append("the instructions that ran: A0-A15 and the strobes are needed in both captures")
    if good_run.sample_interval_s is None or suspect_run.sample_interval_s is None:
        told.append("timing shifts: the sample interval of a capture is not known")
    return tuple(told)
