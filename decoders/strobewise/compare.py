"""Two captures against each other: before and after a repair, or a working and a failing machine.

What differs is told apart from what may well differ: two captures of one healthy machine start at different moments, hold other
interrupts and wait states, and reach other parts of the program. Only a difference that none of that explains counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from .bus.evidence import StrobeCount
from .bus.lines import ADDRESS, DATA, STROBES, bar
from .bus.model import KINDS, Finding
from .compare_edges import EdgeDelay, Run, edge_delays, read_run
from .compare_flow import Flow, Parting, Reached, find_parting, reached_by_one, shared_code
from .diagnosis import Diagnosis, diagnose
from .options import Options
from .rules import find_rule
from .survey import MAY_REST

RESTING_SHOWN = 4  #: lines at rest that a sentence names; more of them only say that the program did not run
AT_REST = ("stuck_low", "stuck_high")
FEW_EDGES, FEW_CYCLES = 20, 200  #: below these a line that rests says nothing
SAME_LENGTH = 0.9  #: of the good capture's machine cycles that the suspect must have before a resting address line counts
SAME_CODE = 0.95  #: share of the good capture's code that it must have run
MIX_SHIFT = 0.10  #: change of a cycle kind's share of all cycles that is worth a word

#: What a strobe marks, for sentences: every ..., no ...
MARKS = {"M1": "fetch", "MREQ": "memory access", "IORQ": "I/O access", "RD": "read", "WR": "write", "RFSH": "refresh"}


class LineChange(NamedTuple):
    """A line whose state is not the same in both captures."""

    line: str
    good: str
    suspect: str
    counts: bool  #: nothing harmless explains it


class StrobePair(NamedTuple):
    """How often a strobe did what the bus calls for, in both captures."""

    line: str
    good: StrobeCount
    suspect: StrobeCount
    good_strobed: int  #: requests that call for it in which it strobed: a line that does not move never does
    suspect_strobed: int


class KindPair(NamedTuple):
    """Machine cycles of one kind in both captures."""

    kind: str
    good: int
    suspect: int
    good_share: float
    suspect_share: float

    @property
    def shifted(self) -> bool:
        """Whether the share changed by more than MIX_SHIFT."""
        return abs(self.good_share - self.suspect_share) > MIX_SHIFT


class TimingShift(NamedTuple):
    """An edge that comes earlier or later than in the other capture, by more than sampling explains."""

    line: str
    edge: str  #: "assert" or "release"
    reference: str  #: what it is measured from
    good_s: float
    suspect_s: float
    uncertainty_s: float

    @property
    def shift_s(self) -> float:
        """How much later it comes in the suspect, seconds."""
        return self.suspect_s - self.good_s


@dataclass(frozen=True)
class Comparison:
    """What `strobewise compare` says."""

    good: Diagnosis
    suspect: Diagnosis
    alike: bool
    sentence: str
    lines: tuple[LineChange, ...]
    strobes: tuple[StrobePair, ...]
    cycles: tuple[KindPair, ...]
    gone: tuple[Finding, ...]  #: findings of the first capture alone
    new: tuple[Finding, ...]  #: findings of the second alone
    kept: tuple[Finding, ...]  #: findings of both, as the second has them
    parting: Parting | None  #: where the executed instructions part ways
    reached: Reached | None  #: addresses executed in one capture alone; None where addresses were not captured
    timing: tuple[TimingShift, ...]
    untold: tuple[str, ...]  #: what could not be compared, and why
    names: tuple[str, str]  #: what to call the two: "before" and "now" around a repair, else "good" and "suspect"


def compare(
    good_path: str, suspect_path: str, options: Options | None = None, progress: Callable[[int], None] | None = None
) -> Comparison:
    """Diagnose two captures and say what differs. Raises StrobewiseError for what the user can mend, OSError."""
    chosen = options or Options()
    good, suspect = (diagnose([path], chosen, progress) for path in (good_path, suspect_path))
    runs = [read_run(each.captures[0], chosen) for each in (good, suspect)]
    return compare_diagnoses(good, suspect, runs[0], runs[1])


def compare_diagnoses(good: Diagnosis, suspect: Diagnosis, good_run: Run, suspect_run: Run) -> Comparison:
    """Say what differs between two captures that were diagnosed."""
    gone, new, kept = _findings(good, suspect)
    told = {line for finding in (*gone, *new) if finding.severity != "note" for line in finding.lines}
    flows = good_run.flow, suspect_run.flow
    lines = _line_changes(good, suspect, told, flows)
    strobes = _strobe_pairs(good, suspect)
    clocks = {side.evidence.clock.source for side in (good, suspect)}
    timing = _timing(good_run, suspect_run, clocks == {"CLK"})
    parting, reached = None, None
    if flows[0] is not None and flows[1] is not None:
        parting, reached = find_parting(flows[0], flows[1]), reached_by_one(flows[0], flows[1])
    differs = (
        any(f.severity != "note" for f in (*gone, *new))
        or any(change.counts for change in lines)
        or bool(timing)
        or (parting is not None and parting.certain)
    )
    sentence = _sentence(good, suspect, gone, new, kept, strobes, lines, timing, parting)
    untold = _untold(good, suspect, reached is not None, good_run, suspect_run)
    names = ("before", "now") if good.verdict.state == "fault" and not _faults(new) else ("good", "suspect")
    return Comparison(
        good, suspect, not differs, sentence, lines, strobes, _mix(good, suspect), gone, new, kept, parting, reached, timing, untold, names
    )


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
        counts = counts or (line.state == "active" and now in AT_REST and _must_move(name, line.edges, good, suspect, flows))
        changes.append(LineChange(name, line.state, now, counts))
    return tuple(changes)


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
    before, now = (edge_delays(run, common) for run in (good, suspect))
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


# --- the sentence on top ----------------------------------------------------------------------------------------------


def _sentence(
    good: Diagnosis, suspect: Diagnosis, gone: tuple[Finding, ...], new: tuple[Finding, ...], kept: tuple[Finding, ...],
    strobes: tuple[StrobePair, ...], lines: tuple[LineChange, ...], timing: tuple[TimingShift, ...], parting: Parting | None,
) -> str:  # fmt: skip
    states = good.verdict.state, suspect.verdict.state
    faults_gone, faults_new, faults_kept = (_faults(part) for part in (gone, new, kept))
    if states[0] == "fault" and faults_gone and not faults_new and not faults_kept:
        return _repaired(faults_gone[0], suspect, strobes)
    if faults_new and not faults_gone and not faults_kept:
        words = f"{_worse(faults_new[0], strobes)}{_more(faults_new)}"
        return f"the suspect has a fault that the good one has not: {words}{_at_rest(faults_new, lines)}"
    if faults_kept and not faults_gone and not faults_new:
        return f"the same fault in both: {faults_kept[0].evidence}{_more(faults_kept)}"
    if faults_gone or faults_new or faults_kept:
        parts = [f"new: {faults_new[0].evidence}{_more(faults_new)}"] if faults_new else []
        parts += [f"gone: {_title(faults_gone[0])}{_more(faults_gone)}"] if faults_gone else []
        parts += [f"still there: {_title(faults_kept[0])}{_more(faults_kept)}"] if faults_kept else []
        return "other faults than before: " + "; ".join(parts)
    return _without_faults(good, suspect, gone, new, lines, timing, parting)


def _without_faults(
    good: Diagnosis, suspect: Diagnosis, gone: tuple[Finding, ...], new: tuple[Finding, ...], lines: tuple[LineChange, ...],
    timing: tuple[TimingShift, ...], parting: Parting | None,
) -> str:  # fmt: skip
    counted = [change for change in lines if change.counts]
    warnings = [f for f in (*new, *gone) if f.severity == "warning"]
    if warnings:
        where = "the suspect" if warnings[0] in new else "the good capture"
        return f"no fault in either, but a warning in {where} alone: {warnings[0].evidence}"
    if counted:
        first = counted[0]
        return f"{bar(first.line)} is {_state(first.good)} in the good capture and {_state(first.suspect)} in the suspect"
    if parting is not None and parting.certain:
        return f"no fault in either, but they part ways: {parting.words()}"
    if timing:
        shift = timing[0]
        later = "later" if shift.shift_s > 0 else "earlier"
        return (
            f"no fault in either, but {bar(shift.line)} {shift.edge}s {abs(shift.shift_s) * 1e9:.0f} ns {later} in the suspect "
            f"(sampling explains {shift.uncertainty_s * 1e9:.0f} ns)"
        )
    common = len(good.evidence.captured & suspect.evidence.captured)
    counts = [sum(d.evidence.cycles.values()) for d in (good, suspect)]
    return f"alike: no difference on {common} lines in {counts[0]} and {counts[1]} machine cycles"


def _at_rest(faults: list[Finding], lines: tuple[LineChange, ...]) -> str:
    """Name the lines that rest in the suspect alone, where the findings name none."""
    stuck = [bar(c.line) for c in lines if c.good == "active" and c.suspect in ("stuck_low", "stuck_high", "floating")]
    if any(f.lines for f in faults) or not 0 < len(stuck) <= RESTING_SHOWN:
        return ""
    return f"; at rest in the suspect alone: {', '.join(stuck)}"


def _faults(findings: tuple[Finding, ...]) -> list[Finding]:
    return [f for f in findings if f.severity == "fault"]


def _more(findings: list[Finding]) -> str:
    return f" (and {len(findings) - 1} more)" if len(findings) > 1 else ""


def _state(state: str) -> str:
    return state.replace("_", " ")


def _title(finding: Finding) -> str:
    rule = find_rule(finding.rule)
    title = rule.title if rule is not None else finding.rule
    names = [bar(name) for name in finding.lines if bar(name) not in title]
    return f"{title} ({', '.join(names)})" if names else title


def _strobe(finding: Finding, strobes: tuple[StrobePair, ...]) -> StrobePair | None:
    own = [pair for pair in strobes if pair.line in finding.lines and pair.line in MARKS]
    return own[0] if len(finding.lines) == 1 and own and own[0].good.expected and own[0].suspect.expected else None


def _repaired(finding: Finding, suspect: Diagnosis, strobes: tuple[StrobePair, ...]) -> str:
    rule = find_rule(finding.rule)
    if (rule is not None and not rule.can_decide(suspect.evidence)) or suspect.verdict.state == "cannot_decide":
        return f"the fault of the first capture is not seen in the second, but that one cannot decide: {_title(finding)}"
    pair = _strobe(finding, strobes)
    if pair is None:
        return f"repaired: no longer found: {_title(finding)} (before: {finding.evidence})"
    before, now = pair.good_strobed, pair.suspect_strobed
    if before == pair.good.expected:
        wrong = f"asserted in {pair.good.wrong} of {pair.good.others} other requests before"
        now_wrong = f"{pair.suspect.wrong} of {pair.suspect.others} now"
        return f"repaired: {bar(pair.line)} now strobes {_many(pair.line)} alone ({wrong}, {now_wrong})"
    if now == pair.suspect.expected:
        which = f"every {MARKS[pair.line]}"
        return f"repaired: {bar(pair.line)} now strobes {which} ({before} of {pair.good.expected} before, {now} of {now} now)"
    which = f"{now} of {pair.suspect.expected} {_many(pair.line)}"
    return f"repaired: {bar(pair.line)} now strobes {which} ({before} of {pair.good.expected} before)"


def _worse(finding: Finding, strobes: tuple[StrobePair, ...]) -> str:
    pair = _strobe(finding, strobes)
    if pair is None:
        return f"{_title(finding)}: {finding.evidence}"
    good, suspect = pair.good, pair.suspect
    if pair.suspect_strobed < suspect.expected:
        return (
            f"{bar(pair.line)} strobes {pair.suspect_strobed} of {suspect.expected} {_many(pair.line)} "
            f"({pair.good_strobed} of {good.expected} in the good one)"
        )
    return (
        f"{bar(pair.line)} is also asserted in {suspect.wrong} of {suspect.others} requests that must not have it "
        f"({good.wrong} of {good.others} in the good one)"
    )


def _many(line: str) -> str:
    word = MARKS[line]
    return f"{word}es" if word.endswith(("ch", "sh", "ss")) else f"{word}s"
