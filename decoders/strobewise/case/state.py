"""What a case comes to: one verdict of all its captures and answers, what changed it, and what to do next.

The sheet is gone through in its order. Captures before a repair are judged together; those after it are held against them, and show
whether it helped. What is withdrawn has no say.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from ..bus.model import SuspectShare, Verdict
from ..capture.raw.form import parse_raw
from ..diagnosis.examined import Examined
from ..diagnosis.facade import Diagnosis, conclude, examine
from ..errors import UsageError
from ..files.names import map_path
from ..files.reading import is_stream
from ..profile.options import Options
from ..verdict.judge import SHOWN
from ..verdict.words import SUSPECT_WORDS, blame, plain
from . import checks
from .belief import Shares, after, at_connector, from_captures, other_leads, prior
from .checks import outcome
from .experience import NO_EXPERIENCE, Experience
from .explained import alive, left, seen_of_lines
from .proof import Proof, Witness, prove, time_for_a_proof
from .readings import measured_words
from .records import AS_ITS_FILE_SAYS, REPAIRS, Answer, Case, CaseState, Change, Hypothesis, Item, Taken
from .repairs import telling
from .steps import Situation, next_step
from .trend import trend_of
from .trend_part import TrendPart

KEPT = 64  #: captures that are kept examined, so that a page that looks again and again reads each once
MOVED = 0.05  #: change of a share that is worth a word
_kept: dict[tuple[object, ...], tuple[Examined, TrendPart]] = {}


@dataclass
class _Course:
    """Where the sheet has come to."""

    pool: list[tuple[Item, Witness]] = field(default_factory=list)  #: captures that show the fault, or should have
    answers: list[tuple[Item, str | None]] = field(default_factory=list)  #: with the outcome that captures told
    repairs: list[Item] = field(default_factory=list)  #: since the last capture of the pool
    after: list[tuple[Item, Witness]] = field(default_factory=list)  #: captures since then
    proof: Proof | None = None
    told: dict[int, str] = field(default_factory=dict)  #: verdict of each capture alone, in words

    @property
    def examined(self) -> list[Examined]:
        """The captures that are judged together; where the fault needs warmth, a colder one that is spared says nothing against it."""
        on = [witness.minutes_on for _, witness in self.pool if witness.faults]
        least = min((minutes for minutes in on if minutes is not None), default=0.0) if None not in on else 0.0
        kept = [witness for _, witness in self.pool if witness.faults or (witness.minutes_on or 0.0) >= least]
        return [witness.diagnosis.captures[0] for witness in kept or [witness for _, witness in self.pool]]

    @property
    def answered(self) -> list[tuple[Answer, str | None]]:
        """The answers as what they come to beside each other and beside the captures, each with the outcome that captures told."""
        told = [(item.answer, found) for item, found in self.answers if item.answer is not None]
        beside = checks.side_by_side([answer for answer, _ in told], seen_of_lines(self.examined))
        return [(answer, found) for answer, (_, found) in zip(beside, told, strict=True)]

    @property
    def showing(self) -> list[Examined]:
        """The captures of the pool in which something is wrong with the machine."""
        return [
            witness.diagnosis.captures[0] for _, witness in self.pool
            if any(finding.suspect != "probe_or_capture" for finding in witness.faults)
        ]  # fmt: skip


def judge_case(case: Case, experience: Experience = NO_EXPERIENCE) -> CaseState:
    """Judge a case. Raises StrobewiseError, OSError for a capture that cannot be read."""
    course, changes = _Course(), []
    shares = table = prior(case.symptom)
    counted = 0
    for item in case.items:
        if not item.counts:
            late = " after the case was closed" if case.closed is not None and item.number in case.closed.withdrawn_since else ""
            changes.append(Change(item.number, f"withdrawn{late}, and out of the verdict: {item.withdrawn}"))
            continue
        was, was_proof = shares, course.proof
        _take(case, item, course)
        shares, table, counted = _shares(case, course, experience)
        waiting = item in course.repairs and item.answer is not None and not item.answer.fault
        changes.append(Change(item.number, _change_words(was, shares, was_proof, course.proof, waiting), course.told.get(item.number, "")))
    hypotheses = _hypotheses(shares, table, counted)
    diagnosis = conclude(course.examined) if course.pool else None
    findings = diagnosis.findings if diagnosis is not None else []
    proven = course.proof is not None and course.proof.state == "proven"
    clip = diagnosis.verdict.clip_also if diagnosis is not None else ()
    least = time_for_a_proof([one for _, one in course.pool]) if course.repairs and course.proof is None else 0.0
    now = Situation(case, shares, hypotheses, findings, course.examined, course.showing, clip, course.proof, bool(course.repairs), least)
    step = next_step(now)
    verdict = _verdict(course, diagnosis, hypotheses, step.title) if diagnosis is not None else None
    if proven:
        verdict = conclude([witness.diagnosis.captures[0] for _, witness in course.after]).verdict
    return CaseState(case, verdict, diagnosis, hypotheses, tuple(changes), course.proof, step, trend_of(list(_series(case))))


def _take(case: Case, item: Item, course: _Course) -> None:
    """Go on by one entry."""
    if item.file is not None:
        witness = Witness(conclude([examined_capture(case, item)[0]]), item.minutes_on)
        course.told[item.number] = witness.diagnosis.verdict.headline
        if not course.repairs:
            course.pool.append((item, witness))
            return
        course.after.append((item, witness))
        if not course.pool:
            return
        course.proof = prove([one for _, one in course.pool], [one for _, one in course.after])
        if course.proof.state == "still_there":
            course.answers += [(repair, "stays") for repair in course.repairs]
            course.pool += course.after
            course.repairs, course.after = [], []
        elif course.proof.state == "new_fault":  # what is wrong now is another fault, and what was asked before said nothing of it
            course.pool, course.answers, course.repairs, course.after = course.after, [], [], []
        return
    answer = item.answer
    if answer is None:
        return
    if answer.kind in REPAIRS:  # said again, with what came of it
        course.repairs = [each for each in course.repairs if each.answer is None or each.answer[:2] != answer[:2]]
    if answer.kind in REPAIRS and answer.fault != "stays":
        if answer.fault == "gone":
            course.answers.append((item, None))
        course.repairs.append(item)
        return
    course.answers.append((item, None))


def _shares(case: Case, course: _Course, experience: Experience) -> tuple[Shares, Shares, int]:
    """Return the shares with the shop's own closed cases and without, and how many of those counted."""
    start = prior(case.symptom)
    counted = 0
    diagnosis = conclude(course.examined) if course.pool else None
    if diagnosis is not None:
        records = [examined.evidence for examined in course.examined]
        plainly = from_captures(start, diagnosis.verdict, records)
        rule = next((finding.rule for finding in diagnosis.findings if finding.severity == "fault"), "")
        weighed, counted = experience.weigh(plainly, rule)
        channels = [witness.diagnosis.captures[0].channels.channels for _, witness in course.pool]
        seen = [{line for finding in witness.faults for line in finding.lines} for _, witness in course.pool]
        both = [other_leads(each, diagnosis.findings, channels, seen) for each in (weighed, plainly)]
        fault = telling(diagnosis.findings)
        both = [at_connector(each, fault.lines if fault is not None else (), alive(course.examined, "connector")) for each in both]
    else:
        both = [start, start]
    for answer, told in course.answered:
        reach = checks.reach(answer, diagnosis.findings, case.profile) if diagnosis is not None else 1.0
        both = [after(each, answer, told, reach) for each in both]
    return both[0], both[1], counted


def _hypotheses(shares: Shares, table: Shares, counted: int) -> tuple[Hypothesis, ...]:
    ranked = sorted(shares.items(), key=lambda item: -item[1])
    return tuple(Hypothesis(name, round(share, 4), round(table[name], 4), counted) for name, share in ranked if share >= SHOWN)


def _change_words(was: Shares, now: Shares, proof: Proof | None, proof_now: Proof | None, repaired: bool) -> str:
    """Say what an entry changed: whom it made more suspect, and whom less."""
    if proof_now is not None and proof_now is not proof:
        return proof_now.words
    if repaired:
        return "whether it helped is open until the machine is looked at again"
    moved = sorted(((now[name] - was[name], name) for name in now if abs(now[name] - was[name]) >= MOVED), key=lambda each: -abs(each[0]))
    if not moved:
        return "nothing of the suspects"
    words = (f"{SUSPECT_WORDS[name].partition(' (')[0]} {was[name] * 100:.0f} % -> {now[name] * 100:.0f} %" for _, name in moved[:3])
    return ", ".join(words)


def _verdict(course: _Course, diagnosis: Diagnosis, hypotheses: Sequence[Hypothesis], step: str) -> Verdict:
    """Return the verdict of the captures, with the suspects as the answers leave them."""
    told = diagnosis.verdict
    measured = [answer for answer, _ in course.answered if outcome(answer) in ("bad", "open")]
    if told.state != "fault" and not measured:
        gone = next((left(examined.evidence) for examined in course.examined if left(examined.evidence) is not None), None)
        if gone is not None and told.state == "no_fault_found":
            words = f"Cannot decide: {gone.evidence}."
            return told._replace(state="cannot_decide", suspects=_suspects(hypotheses), summary=words, headline=words, next_steps=(step,))
        return told._replace(next_steps=(step,))
    suspects = _suspects(hypotheses)
    faults = [finding for finding in diagnosis.findings if finding.severity == "fault"]
    head = plain(faults[0], diagnosis.evidence) if faults else measured_words(measured[0])
    headline = f"{head[0].upper()}{head[1:]}.{blame(suspects)}"
    return told._replace(state="fault", suspects=suspects, headline=headline, next_steps=(step,))


def _suspects(hypotheses: Sequence[Hypothesis]) -> tuple[SuspectShare, ...]:
    return tuple(SuspectShare(each.suspect, each.share) for each in hypotheses)


def case_options(case: Case, taken: Taken = AS_ITS_FILE_SAYS) -> Options:
    """Return how a capture of a case is read."""
    return Options(
        clock_hz=case.clock_hz, profile=case.profile, clocked=taken.clocked, raw=parse_raw(taken.raw) if taken.raw else None,
        stimulus=taken.stimulus, free_run=taken.free_run,
    )  # fmt: skip


def options_by_capture(case: Case) -> dict[str, Options]:
    """Return how each capture of a case is read, by its path."""
    return {str(case.path(item)): case_options(case, item.taken) for item in case.captures}


def examined_capture(case: Case, item: Item) -> tuple[Examined, TrendPart]:
    """Return a capture, read and rebuilt, with its course over time; each file is read once as long as it and its map stay as they are."""
    path = str(case.path(item))
    if is_stream(path):  # a case from elsewhere may bring one, and it would keep us waiting
        raise UsageError("a capture on the sheet is no plain file", path, "put the capture itself in its place")
    key = (path, *_facts(path), *_facts(map_path(path)), case.clock_hz, repr(case.profile), item.taken)
    if key not in _kept:
        part = TrendPart()
        examined = examine(path, case_options(case, item.taken), None, (part.attach,))
        _kept[key] = replace(examined, path=path), part
        while len(_kept) > KEPT:
            del _kept[next(iter(_kept))]
    return _kept[key]


def capture_of_lines(case: Case, item: Item) -> Examined:
    """Return a capture that is to go on the sheet, examined. Raises UsageError where nobody knows which of its channels is which line."""
    examined, _ = examined_capture(case, item)
    if not examined.channels.channels:
        what = "nobody knows which channel is which line: they carry the analyser's own names"
        remedy = "say it, as --map MREQ=CH0 for each; strobewise case next prints them for the leads that it asked for"
        raise UsageError(what, case.path(item).name.partition("-")[2], remedy)
    return examined


def _facts(path: str) -> tuple[int, int]:
    try:
        facts = os.stat(path)
    except OSError:
        return 0, 0
    return facts.st_size, facts.st_mtime_ns


def _series(case: Case) -> Iterator[tuple[Item, Examined, TrendPart]]:
    for item in case.captures:
        yield item, *examined_capture(case, item)
