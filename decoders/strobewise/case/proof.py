"""Whether a repair is proven: the fault's conditions were met again, for long enough, and it did not come.

Sources. A fault that comes at a constant rate keeps away for a time t with the chance exp(-t / m), m the mean time until it came (the
exponential waiting time of a Poisson process, textbook); m is the time under which captures were at risk, divided by the failures seen (the
maximum-likelihood estimate with censored times, textbook). One that spoils a share q of the requests keeps away from n of them with the
chance (1 - q) ** n; three times 1 / q is where that falls below 5 % (the rule of three; Hanley and Lippman-Hand, JAMA 1983, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Literal, NamedTuple

from ..bus.lines import STROBES, bar
from ..bus.model import Finding
from ..bus.units import time_words
from ..diagnosis.facade import Diagnosis
from ..records.evidence import BusEvidence
from ..records.strobes import held_low
from ..rules import find_rule
from ..rules.capture import STANDS_STILL
from ..rules.replay import PROGRAM_LEFT, REPLAY_RULE
from ..verdict.words import counted, plain
from .explained import goes_further, keeps_to_program, leaves_program, left
from .running import not_running

ProofState = Literal["proven", "still_there", "new_fault", "not_proven"]
DOUBT = 0.05  #: chance that a fault which is still there stayed away, below which a repair is proven
TIMES = -math.log(DOUBT)  #: mean times without a failure that take: three, near enough
LONGER = 1.1  #: times what is needed, so that a capture which ends a little early does as well; our choice
ENOUGH_REQUESTS = 100  #: of the kind that failed, however often it failed before
ALWAYS = 0.5  #: share of the requests that failed from which a fault counts as one that is always there
FROM_THE_START = 0.05  #: of a capture's length: what fails sooner fails from the start


class Witness(NamedTuple):
    """One capture, judged alone."""

    diagnosis: Diagnosis
    minutes_on: float | None = None  #: how long the machine had been on when it began

    @property
    def evidence(self) -> BusEvidence:
        """What it shows."""
        return self.diagnosis.evidence

    @property
    def faults(self) -> list[Finding]:
        """What is wrong in it; where no rule calls it a fault, that the machine does nothing, or leaves its program."""
        findings = self.diagnosis.findings
        told = [finding for finding in findings if finding.severity == "fault"] or [f for f in findings if f.rule == STANDS_STILL]
        gone = left(self.evidence)
        return told or ([gone] if gone is not None else [])


class Proof(NamedTuple):
    """Whether a repair is proven."""

    state: ProofState
    words: str  #: in a sentence
    seen: tuple[str, ...] = ()  #: what speaks for it, with its numbers
    missing: tuple[str, ...] = ()  #: what it takes
    chance: float | None = None  #: that the faults, were they still there, stayed away as they did; None where that was not reached
    minutes_on: float | None = None  #: how long the machine should have been on before the next capture begins, where that matters
    duration_s: float | None = None  #: how long the next capture should be
    only_running: bool = False  #: all that is missing is a program that is seen to run on, which other leads may show
    leads_as_in: str = ""  #: path of the capture whose leads show a fault that no capture could show since


def prove(before: Sequence[Witness], after: Sequence[Witness]) -> Proof:
    """Say whether the captures after a repair prove that the faults of those before it are gone. At least one of each."""
    faults = [(witness, finding) for witness in before for finding in witness.faults if not _blames_leads(finding)]
    if not faults:
        return Proof("not_proven", "not proven: the captures before the repair show no fault that could be gone", missing=(
            "a capture from before the repair in which the fault shows", *_undecided(before),
        ))  # fmt: skip
    again = _again(faults, after)
    if again is not None:
        return again
    seen, missing, chances = [], [], []
    minutes, duration, as_in = None, None, ""
    for finding, failing in _kinds(faults):
        judged = _Judged(finding, failing, before, after)
        seen += judged.seen
        missing += judged.missing
        chances.append(judged.chance)
        minutes = max(filter(None, (minutes, judged.minutes_needed)), default=None)
        duration = max(filter(None, (duration, judged.duration_needed)), default=None)
        as_in = as_in or judged.leads_as_in
    only_running = not missing and all(not_running(witness.evidence) is not None for witness in after)
    missing += _doubts(after)
    chance = None if None in chances else max((each for each in chances if each is not None), default=None)
    told = tuple(dict.fromkeys(seen)), tuple(dict.fromkeys(missing))
    if missing:
        return Proof("not_proven", f"not proven: {told[1][0]}", *told, chance, minutes, duration, only_running, as_in)
    gone = ", ".join(dict.fromkeys(title_of(finding) for finding, _ in _kinds(faults)))
    return Proof("proven", f"proven: gone after the repair: {gone}", *told, chance)


def time_for_a_proof(before: Sequence[Witness]) -> float:
    """Return for how long the first capture after a repair must be without the faults of those before, seconds; 0 where any length does."""
    needed = 0.0
    faults = [(witness, finding) for witness in before for finding in witness.faults if not _blames_leads(finding)]
    for finding, failing in _kinds(faults):
        mean, longest = _Judged(finding, failing, before, ()).came_after(before, False)
        needed = max(needed, longest, TIMES * mean)
    return needed * LONGER


def title_of(finding: Finding) -> str:
    """Return what a finding found, in a few words."""
    names = [bar(line) for line in finding.lines if bar(line) not in finding.title]
    return f"{finding.title} ({', '.join(names)})" if names else finding.title


def _blames_leads(finding: Finding) -> bool:
    return finding.suspect == "probe_or_capture"


def _again(faults: Sequence[tuple[Witness, Finding]], after: Sequence[Witness]) -> Proof | None:
    """Return that a fault is still there, or a new one is, None where neither is."""
    known = {(finding.rule, finding.lines) for _, finding in faults}
    lines = {line for _, finding in faults for line in finding.lines}
    new = None
    for witness in after:
        for finding in witness.faults:
            words = f"{plain(finding, witness.evidence)} (in {witness.diagnosis.captures[0].path})"
            if (finding.rule, finding.lines) in known or (lines & set(finding.lines) and not _blames_leads(finding)):
                return Proof("still_there", f"still there: {words}", seen=(finding.evidence,))
            if new is None and finding.severity == "fault" and not _blames_leads(finding):
                new = Proof("new_fault", f"another fault than before: {words}", seen=(finding.evidence,))
    return new


def _kinds(faults: Sequence[tuple[Witness, Finding]]) -> Iterator[tuple[Finding, list[tuple[Witness, Finding]]]]:
    """Yield each fault once, with the captures that show it."""
    plainly = {line for _, finding in faults if finding.rule != REPLAY_RULE for line in finding.lines}
    keys = dict.fromkeys((f.rule, f.lines) for _, f in faults if f.rule != REPLAY_RULE or not f.lines or not set(f.lines) <= plainly)
    for key in keys:  # what the known program says of a line that a rule of its own speaks of is the same fault
        failing = [(witness, finding) for witness, finding in faults if (finding.rule, finding.lines) == key]
        yield failing[0][1], failing


class _Judged:
    """One fault of before, held against the captures after the repair."""

    def __init__(
        self, finding: Finding, failing: Sequence[tuple[Witness, Finding]], before: Sequence[Witness], after: Sequence[Witness]
    ) -> None:
        self.finding, self.failing = finding, failing
        self.seen: list[str] = []
        self.missing: list[str] = []
        self.chance: float | None = None
        self.minutes_needed: float | None = None
        self.duration_needed: float | None = None
        self.leads_as_in = ""
        self._name = title_of(finding)
        self._is_warm = False
        self._able = [witness for witness in _different(after) if self._can_show(witness)]
        if not self._able:
            first = failing[0][0].evidence
            leads = ", ".join(bar(line) for line in sorted(_leads_of(finding, first)))
            self.missing.append(f"no capture after the repair could show the fault again ({self._name}): the same leads as before, {leads}")
            self.leads_as_in = failing[-1][0].diagnosis.captures[0].path
            return
        self._is_warm = self._warm()
        # As warm as then for long enough, and then watched for as long as it took to come: one does not stand for the other.
        by_time = [self._by_time(before, warm) for warm in ((True, False) if self._is_warm else (False,))]
        self.chance = max((chance for chance in (*by_time, self._by_requests()) if chance is not None), default=None)

    def _can_show(self, witness: Witness) -> bool:
        """Say whether a capture would show the fault: its leads, at the places where they showed it before."""
        places = [failed.evidence.probe_at for failed, _ in self.failing]
        here = witness.evidence.probe_at
        same = all(any(here.get(line, "cpu") == there.get(line, "cpu") for there in places) for line in self.finding.lines)
        further = goes_further(witness.evidence.replay, [failed.evidence.replay for failed, _ in self.failing])
        if same and _can_show(self.finding, witness.evidence):
            return further or self.finding.rule not in (PROGRAM_LEFT, REPLAY_RULE)
        astray = all(_astray(failed.evidence) for failed, _ in self.failing) and not set(self.finding.lines) & set(STROBES)
        return astray and further and keeps_to_program(witness.evidence.replay)  # what led the program astray does so no more

    def _warm(self) -> bool:
        """Ask for a machine that was on as long as when it failed. Returns whether the time that it was on counts."""
        on = [witness.minutes_on for witness, _ in self.failing]
        if None in on:
            return False
        least = min(minutes for minutes in on if minutes is not None)
        self._able = [witness for witness in self._able if (witness.minutes_on or 0.0) >= least]
        if not self._able:
            self.minutes_needed = least
            self.missing.append(f"a capture of the machine as warm as when it failed: on for {least:g} minutes, as then")
        return bool(least)

    def came_after(self, before: Sequence[Witness], warm: bool) -> tuple[float, float]:
        """Return the mean time until the fault came, and the longest, seconds; captures that could show it and did not count as well."""
        times = [_until(witness, finding) + 60.0 * ((witness.minutes_on or 0.0) if warm else 0.0) for witness, finding in self.failing]
        shown = {id(witness) for witness, _ in self.failing}
        least = min(witness.minutes_on or 0.0 for witness, _ in self.failing)
        spared = [
            witness for witness in before
            if id(witness) not in shown and self._can_show(witness) and (not (warm or self._is_warm) or (witness.minutes_on or 0) >= least)
        ]  # fmt: skip
        at_risk = sum(times) + sum(_lasted(witness, warm) for witness in spared)
        return at_risk / len(times), max(times)

    def _by_time(self, before: Sequence[Witness], warm: bool) -> float | None:
        """Hold the time without a failure against the time that it took before."""
        if not self._able:
            return None
        mean, longest = self.came_after(before, warm)
        each = [_lasted(witness, warm) for witness in self._able]
        now = max(each) if warm else sum(each)  # how long the machine was on before several captures is mostly the same time
        if not mean:
            self.seen.append(f"not once in {_time(now)}, where it was there from the start before")
            return 0.0
        chance = math.exp(-now / mean)
        needed = max(longest, TIMES * mean)
        if chance > DOUBT or max(each) <= longest:
            if warm and needed > 60.0:
                self.minutes_needed = math.ceil(needed / 60.0)
            else:
                self.duration_needed = needed * LONGER
            because = f"no capture since is longer than that, and several short ones do not stand for one of {_time(needed)}"
            if chance > DOUBT:
                because = f"{_time(now)} without it would come about in {chance * 100:.0f} % of cases if it were still there; "
                because += f"{_time(needed)} make that 5 %"
            self.missing.append(f"longer: it failed after {_time(longest)} before, and {because}")
        else:
            self.seen.append(
                f"{_time(now)} without it, which came after {_time(mean)} on average before: were it still there, that had a chance of "
                f"{_percent(chance)} (exp(-t/m))"
            )
        return chance

    def _by_requests(self) -> float | None:
        """Hold the requests of the kind that failed against the share of them that failed before."""
        line = self.finding.lines[0] if len(self.finding.lines) == 1 else ""
        counts = [witness.evidence.strobes[line] for witness, _ in self.failing if line in STROBES and line in witness.evidence.strobes]
        now = sum(_requests(witness.evidence, line) for witness in self._able)
        expected, missed = sum(count.expected for count in counts), sum(_missed(witness.evidence, line) for witness, _ in self.failing)
        elsewhere = sum(count.wrong for count in counts) > missed and expected < ENOUGH_REQUESTS
        if elsewhere:  # it was there where nobody calls for it, so that the other requests are those that failed
            now = sum(witness.evidence.requests - _requests(witness.evidence, line) for witness in self._able)
        share = missed / expected if expected and missed and not elsewhere else 0.0
        needed = ENOUGH_REQUESTS if not 0.0 < share < ALWAYS else max(ENOUGH_REQUESTS, math.ceil(TIMES / share))
        if self._able and now < needed:
            self.missing.append(f"more requests of the kind that failed: {now} were seen, and it takes {needed} ({self._name})")
            return None
        if not self._able or not share:
            return None
        chance = (1.0 - min(share, 1.0)) ** now
        failed = "all" if share >= 1.0 else f"{share * 100:.2g} %"
        self.seen.append(f"{bar(line)} strobes in all of {counted(now, 'requests')} that call for it; {failed} of {expected} failed before")
        return chance


def _different(witnesses: Sequence[Witness]) -> list[Witness]:
    """Return the captures, each once: a copy of one shows nothing twice."""
    shown: dict[tuple[object, ...], Witness] = {}
    for witness in witnesses:
        evidence = witness.evidence
        edges = tuple(sorted((name, line.edges, line.high_fraction) for name, line in evidence.lines.items()))
        shown.setdefault((evidence.start_s, evidence.end_s, evidence.requests, tuple(map(tuple, evidence.histogram)), edges), witness)
    return list(shown.values())


def _astray(evidence: BusEvidence) -> bool:
    """Say whether a machine does not do as the known program says."""
    return leaves_program(evidence.replay) or (evidence.replay is not None and bool(evidence.replay.candidates))


def _until(witness: Witness, finding: Finding) -> float:
    """Return after which time a capture failed, seconds; 0 where it did so from the start."""
    evidence = witness.evidence
    after = (finding.first_s if finding.first_s is not None else evidence.start_s) - evidence.start_s
    return 0.0 if after < FROM_THE_START * evidence.duration_s else after


def _lasted(witness: Witness, warm: bool) -> float:
    return witness.evidence.duration_s + (60.0 * (witness.minutes_on or 0.0) if warm else 0.0)


def _missed(evidence: BusEvidence, line: str) -> int:
    """Return in how many of the requests that call for it a strobe failed; one that is held does in all."""
    count = evidence.strobes.get(line)
    if count is None:
        return 0
    return count.expected if held_low(evidence.line(line), count) else count.expected - count.seen


def _requests(evidence: BusEvidence, line: str) -> int:
    count = evidence.strobes.get(line)
    return count.expected if count is not None else evidence.requests


def _leads_of(finding: Finding, evidence: BusEvidence) -> set[str]:
    """Return the leads that the rule of a finding had."""
    rule = find_rule(finding.rule)
    had = next((lines for lines in (rule.needs if rule is not None else ()) if lines and evidence.has(*lines)), ())
    return {*had, *finding.lines} & evidence.captured or set(evidence.captured)


def _can_show(finding: Finding, evidence: BusEvidence) -> bool:
    """Say whether a capture would show a fault, were it still there: its rule can decide, on the same line at the same place."""
    if finding.rule in (PROGRAM_LEFT, REPLAY_RULE):
        return keeps_to_program(evidence.replay, ENOUGH_REQUESTS)
    rule = find_rule(finding.rule)
    if rule is None or not rule.can_decide(evidence):
        return False
    return all(line in evidence.captured for line in finding.lines if line in evidence.lines or line in rule.judges)


def _doubts(after: Sequence[Witness]) -> list[str]:
    """Return why the captures after a repair do not show a machine that works."""
    told = []
    for witness in after:
        verdict = witness.diagnosis.verdict
        path = witness.diagnosis.captures[0].path
        if verdict.state == "fault":
            told.append(f"the leads first: {plain(witness.faults[0], witness.evidence)} (in {path})")
        told += _undecided([witness])
        gone = left(witness.evidence)
        if gone is not None and verdict.state != "fault":
            told.append(f"a program that goes as its ROM says: {gone.evidence} (in {path})")
    reasons = [not_running(witness.evidence) for witness in after]
    if all(reason is not None for reason in reasons):
        told.append(f"a program that is seen to run on: {reasons[0]}")
    return told


def _undecided(witnesses: Sequence[Witness]) -> list[str]:
    """Return why captures cannot decide, as what is missing: channels without a name, too few leads."""
    told = []
    for each in witnesses:
        verdict = each.diagnosis.verdict
        if verdict.state == "cannot_decide":
            why = verdict.headline.removeprefix("Cannot decide: ").rstrip(".")
            told.append(f"a capture that can decide: {why} (in {each.diagnosis.captures[0].path})")
    return told


def _time(seconds: float) -> str:
    return time_words(seconds) if seconds < 60.0 else f"{seconds / 60.0:.3g} minutes"


CHANCE_TOLD = 1e-4  #: below it nobody tells one chance from another


def _percent(chance: float) -> str:
    return f"{chance * 100:.2g} %" if chance >= CHANCE_TOLD else "less than 0.01 %"
