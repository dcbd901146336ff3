"""The sentence on top of a comparison: gone, worse, the same, or alike, with the numbers that show it.

A fault that is not seen again may still be there: two captures compare what they show, and prove no repair.
"""

from __future__ import annotations

from ..bus.lines import bar
from ..bus.model import Finding
from ..bus.units import time_words
from ..rules import find_rule
from .records import GONE, NOT_SEEN, Comparison, StrobePair

RESTING_SHOWN = 4  #: lines at rest that a sentence names; more of them only say that the program did not run

#: What a strobe marks, for sentences: every ..., no ...
MARKS = {"M1": "fetch", "MREQ": "memory access", "IORQ": "I/O access", "RD": "read", "WR": "write", "RFSH": "refresh"}



def sentence_of(said: Comparison) -> str:
    """Return what a comparison comes to, in one sentence. said: the comparison, its own sentence not yet filled in."""
    gone, new, kept = (_of(part, "fault") for part in (said.gone, said.new, said.kept))
    if said.good.verdict.state == "fault" and gone and not new and not kept:
        return _gone(gone, said)
    if new and not gone and not kept:
        words = f"{_worse(new[0], said.strobes)}{_more(new)}"
        return f"the suspect has a fault that the good one has not: {words}{_at_rest(new, said)}{_misread(new, said)}"
    if kept and not gone and not new:
        return f"the same fault in both: {kept[0].evidence}{_more(kept)}"
    if gone or new or kept:
        parts = [f"new: {new[0].evidence}{_more(new)}"] if new else []
        parts += [f"gone: {_title(gone[0])}{_more(gone)}"] if gone else []
        parts += [f"still there: {_title(kept[0])}{_more(kept)}"] if kept else []
        return "other faults than before: " + "; ".join(parts)
    return _without_faults(said)


def _without_faults(said: Comparison) -> str:
    counted = [change for change in said.lines if change.counts]
    warnings = [f for f in (*said.new, *said.gone) if f.severity == "warning"]
    one, two = said.called
    if warnings:
        where = two if warnings[0] in said.new else one
        return f"{_neither(said)}, but a warning in {where} alone: {warnings[0].evidence}{_misread(warnings, said)}"
    if said.held:
        return f"{_neither(said)}, but {said.held[0].words(one, two)}"
    if counted:
        first = counted[0]
        return f"{bar(first.line)} is {_state(first.good)} in {one} and {_state(first.suspect)} in {two}"
    if said.code is not None and said.code.counts:
        return f"{_neither(said)}, but {said.code.words(one, two)}"
    if said.parting is not None and said.parting.certain:
        return f"{_neither(said)}, but they part ways: {said.parting.words(one, two)}"
    if said.clock is not None and said.clock.counts:
        return f"{_neither(said)}, but {said.clock.words(one, two)}"
    if said.timing:
        shift = said.timing[0]
        later = "later" if shift.shift_s > 0 else "earlier"
        return (
            f"{_neither(said)}, but {bar(shift.line)} {shift.edge}s {abs(shift.shift_s) * 1e9:.0f} ns {later} in {two} "
            f"(sampling explains {shift.uncertainty_s * 1e9:.0f} ns)"
        )
    common = len(said.good.evidence.captured & said.suspect.evidence.captured)
    counts = [sum(side.evidence.cycles.values()) for side in (said.good, said.suspect)]
    return f"alike: no difference on {common} lines in {counts[0]} and {counts[1]} machine cycles"


def _neither(said: Comparison) -> str:
    states = {said.good.verdict.state, said.suspect.verdict.state}
    return "no fault that is sure in either" if "cannot_decide" in states else "no fault found in either"


def _at_rest(faults: list[Finding], said: Comparison) -> str:
    """Name the lines that rest in the suspect alone, where the findings name none."""
    stuck = [bar(c.line) for c in said.lines if c.good == "active" and c.suspect in ("stuck_low", "stuck_high", "floating")]
    if any(f.lines for f in faults) or not 0 < len(stuck) <= RESTING_SHOWN:
        return ""
    return f"; at rest in the suspect alone: {', '.join(stuck)}"


def _misread(findings: list[Finding], said: Comparison) -> str:
    """Name the data line in which the code reads differently, where the findings do not name it."""
    if said.code is None or not said.code.counts or any(said.code.line in f.lines for f in findings):
        return ""
    return f"; {said.code.words(*said.called)}"


def _of(findings: tuple[Finding, ...], severity: str) -> list[Finding]:
    return [f for f in findings if f.severity == severity]


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


def _ends_before(gone: list[Finding], said: Comparison) -> str:
    """Say where the second capture is shorter than the first one took to fail; nothing where it is long enough."""
    failed = [f.first_s - said.good.evidence.start_s for f in gone if f.first_s is not None]
    lasted = said.suspect.evidence.duration_s
    if not failed or max(failed) < lasted:
        return ""
    return f"the first capture failed only {time_words(max(failed))} after its start, and the second lasts {time_words(lasted)}"


def _gone(gone: list[Finding], said: Comparison) -> str:
    finding, rule = gone[0], find_rule(gone[0].rule)
    early = _ends_before(gone, said)
    if early:
        return f"the second capture ends too early to tell whether this is gone: {_title(finding)}; {early}"
    if (rule is not None and not rule.can_decide(said.suspect.evidence)) or said.suspect.verdict.state == "cannot_decide":
        return f"the fault of the first capture is not seen in the second, but that one cannot decide: {_title(finding)}"
    warnings = [f for f in said.new if f.severity == "warning"]
    rest = f"; new, as a warning: {_title(warnings[0])}{_more(warnings)}" if warnings else ""
    return f"{_now(finding, said.strobes)}{rest}"


def _now(finding: Finding, strobes: tuple[StrobePair, ...]) -> str:
    """Say that a fault is gone, with the numbers of its strobe where it is one strobe's."""
    pair = _strobe(finding, strobes)
    if pair is None:
        return f"{NOT_SEEN}{_title(finding)} (before: {finding.evidence})"
    before, now = pair.good_strobed, pair.suspect_strobed
    if before == pair.good.expected:
        wrong = f"asserted in {pair.good.wrong} of {pair.good.others} other requests before"
        now_wrong = f"{pair.suspect.wrong} of {pair.suspect.others} now"
        return f"{GONE}{bar(pair.line)} now strobes {_many(pair.line)} alone ({wrong}, {now_wrong})"
    if now == pair.suspect.expected:
        which = f"every {MARKS[pair.line]}"
        return f"{GONE}{bar(pair.line)} now strobes {which} ({before} of {pair.good.expected} before, {now} of {now} now)"
    which = f"{now} of {pair.suspect.expected} {_many(pair.line)}"
    return f"{GONE}{bar(pair.line)} now strobes {which} ({before} of {pair.good.expected} before)"


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
