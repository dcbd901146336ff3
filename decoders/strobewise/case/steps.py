"""The one thing to do next: of what could be done, that which tells most per minute of work and risk; then the repair, then its proof."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from ..bus.lines import DATA, LINE, STROBES, pin_text
from ..bus.model import SUSPECTS, Finding, Suspect
from ..diagnosis.examined import Examined
from ..profile.options import Options
from ..records.profile import Profile
from ..rules import CATALOGUE
from ..rules.buses import SHORTED
from ..rules.work import SOLDERING, Work, cost
from ..verdict.words import SUSPECT_WORDS
from . import board, checks
from .belief import OTHER_LEADS
from .captures import again_for_proof, at_connector, first_capture, nothing_left, of_a_bus, on_other_leads, telling_apart
from .checks import Check
from .explained import BEYOND, alive, blamed, open_explanations, told_apart_by
from .plans import Plan, shows_the_program
from .proof import Proof
from .records import SAID_OF, Answer, Case, Hypothesis, Step
from .repairs import LIKELY, close_step, did_it_help, repair_step, telling, tried
from .worth import bits_at_connector, bits_of_answer, bits_of_capture, bits_of_telling_apart, entropy, information

NO_MORE = (
    "so few leads and a meter can tell no more. Further go: more leads at once, with the address and data lines; the test program in "
    "place of the ROM (strobewise stimulus); the free-run test (strobewise hookup --free-run says how)"
)
FEW_BITS = 0.03  #: a step that is expected to tell less is not worth a clip; our choice
SHOWN = 0.05  #: share from which a part is worth cooling alone
SELECTING = ("A15", "A14", "A13", "A12")  #: address lines that select a memory, where a chip has 4 K or more (common practice)
#: Inputs of the CPU that stop a machine, and whose fault that mostly is (common practice).
HELD_BY: Mapping[str, Suspect] = {"CLK": "clock", "RESET": "reset", "WAIT": "glue", "BUSREQ": "glue"}
COMES_AND_GOES = (0.02, 0.98)  #: share of the requests that failed, between which a look at the pin meets it by chance


class Situation(NamedTuple):
    """What the choice rests on."""

    case: Case
    shares: Mapping[Suspect, float]
    hypotheses: Sequence[Hypothesis]
    findings: Sequence[Finding]  #: of all captures together
    examined: Sequence[Examined]  #: the captures from before the repair
    showing: Sequence[Examined]  #: those of them in which something is wrong
    clip_also: Sequence[str]  #: lines by which their verdict would go further
    proof: Proof | None
    repaired: bool  #: something was put right, and nothing says yet that it did not help
    proof_s: float = 0.0  #: how long the first capture after that must be


class _Choice(NamedTuple):
    step: Step
    rate: float  #: bits a minute


def next_step(now: Situation) -> Step:
    """Return what to do next."""
    case = now.case
    if case.closed is not None:
        was = SUSPECT_WORDS[case.closed.was].partition(" (")[0]
        fallen = case.closed.proven and not case.closed.stands and (now.proof is None or now.proof.state != "proven")
        again = "; its proof rested on what was withdrawn since: begin another case where the machine is to be looked at again"
        return nothing_left(f"the case is closed; it was {was}: {case.closed.part}{again if fallen else ''}")
    if now.repaired:
        if now.proof is not None and now.proof.state == "proven":
            return close_step(case, now.hypotheses, now.proof)
        last = tried(case)
        if not now.showing and last is not None:
            return did_it_help(case, last) if not last.fault else close_step(case, now.hypotheses, None)
        return again_for_proof(case, now.showing, now.proof, now.proof_s)
    choices = sorted(_choices(now), key=lambda choice: -choice.rate)
    best = choices[0].step if choices else None
    repair = repair_step(case, now.hypotheses, now.findings, bool(now.showing))
    first = _before(now, repair)
    if first is not None:
        return first
    if repair is None or not (best is None or _pays(now, repair, best)):
        return best or _selecting(now) or _to_see_it(now) or nothing_left(NO_MORE)
    return (_selecting(now) if _by_guess(now, repair) else None) or _to_see_it(now) or repair


def _before(now: Situation, repair: Step | None) -> Step | None:
    """Return what comes before a repair whatever the figures say, None where nothing does.

    A device is unplugged before another one is tried; one that does not answer is innocent until its side of the connector was looked at.
    Nothing is soldered for an input that no lead has shown.
    """
    if repair is not None and repair.risk >= SOLDERING and _unseen_input(now):
        plan = Plan.of(now.case, now.shares, settled_rules(now.examined), shows_the_program(now.case))
        return _apart(now, plan)
    if repair is None or not any(answer.part == "expansion_device" for answer in repair.answers):
        return None
    if now.examined and _at_the_port(now) and not _seen_at_connector(now):
        return at_connector(now.case, now.examined, bits_at_connector(dict(now.shares)))
    return next((step for step in _checks(now) if step.id.startswith("unplugged")), None)


def _to_see_it(now: Situation) -> Step | None:
    """Return a capture that may show the fault where none does so far: what was never seen cannot be proven gone.

    None where one shows it, or no line is left that might.
    """
    if now.showing:
        return None
    captured = {line for each in now.examined for line in each.evidence.captured}
    first = (*shows_the_program(now.case), *now.clip_also)
    plan = Plan.of(now.case, now.shares, settled_rules(now.examined), first)
    if captured.issuperset(plan.lines):
        return None
    with_it = any(item.answer is not None and item.answer.kind == "unplugged" and item.counts for item in now.case.items)
    why = "no capture shows the fault yet, and only one that does can prove later that it is gone"
    return first_capture(now.case, plan, now.examined, 0.0, f"{why}; with all that was unplugged in its place again" if with_it else why)


def _pays(now: Situation, repair: Step, check: Step) -> bool:
    """Say whether to put the part right now: what a check is expected to save of the work on a wrong part is less than it costs.

    It saves that work about as often as it closes what is open. Soldering on a part that is more likely innocent waits for every check.
    """
    share = _share(now, repair)
    if _by_guess(now, repair):
        return False
    saved = check.bits / max(check.bits, entropy(now.shares.values())) * (1.0 - share) * _cost(repair)
    return saved <= _cost(check)


def _share(now: Situation, repair: Step) -> float:
    return next((each.share for each in now.hypotheses if any(each.suspect == answer.part for answer in repair.answers)), 0.0)


def _by_guess(now: Situation, repair: Step) -> bool:
    """Say whether a repair solders at a part that is more likely innocent than not."""
    return _share(now, repair) < LIKELY and repair.risk >= SOLDERING


def _selecting(now: Situation) -> Step | None:
    """Return a capture of the address lines that select a memory, where none has shown them all yet.

    None where a fault names its lines already, and where a device at the port is asked about.
    """
    captured = {line for each in now.examined for line in each.evidence.captured}
    first = tuple(dict.fromkeys(("MREQ", "M1", "RD", *shows_the_program(now.case)[:3])))
    lines = (*first, *SELECTING)[: now.case.leads]
    if now.case.symptom == "ignores-expansion" or telling(now.findings) is not None or captured.issuperset(lines):
        return None
    plan = Plan.of(now.case, now.shares, settled_rules(now.examined), first)
    return of_a_bus(now.case, plan, now.examined, lines)


def _cost(step: Step) -> float:
    return cost(Work(step.minutes, step.risk))


def _choices(now: Situation) -> Iterator[_Choice]:
    for step in (*_captures(now), *_checks(now)):
        if step.bits >= FEW_BITS:
            yield _Choice(step, step.bits / _cost(step))


def _captures(now: Situation) -> Iterator[Step]:
    shares = dict(now.shares)
    records = [examined.evidence for examined in now.examined]
    faulty = [finding for finding in now.findings if finding.severity == "fault"]
    settled = settled_rules(now.examined)
    known = Options(profile=now.case.profile).program_known
    replayed = known and not any(record.replay is not None for record in records)
    plan = Plan.of(now.case, shares, settled, shows_the_program(now.case))
    if not any(finding.lines for finding in faulty):
        worth = bits_of_capture(shares, frozenset(plan.lines), settled, replayed)
        yield first_capture(now.case, plan, now.examined, worth)
    apart = _apart(now, plan)
    if apart is not None:
        yield apart
    if now.examined and not _seen_at_connector(now) and (_at_the_port(now) or _behind_a_pin(now)):
        yield at_connector(now.case, now.examined, bits_at_connector(shares))
    for finding in faulty[:1]:
        line = finding.lines[0] if len(finding.lines) == 1 else ""
        if line in STROBES and _leads_of(now, line) == 1:
            worth = bits_of_lead(shares)
            yield on_other_leads(now.case, now.examined, line, worth)


def _apart(now: Situation, plan: Plan) -> Step | None:
    """Return the capture of the lines on which the faults differ that explain what was seen, None where there is no such line.

    Where they blame one part alone it is worth its time for an input that nobody looked at: with it come the others that stop a machine.
    """
    apart = told_apart_by(now.examined)
    if not apart:
        return None
    suspects = blamed(open_explanations(now.examined))
    if not _unseen_input(now):
        worth = bits_of_telling_apart(dict(now.shares), suspects)
        return telling_apart(now.case, plan, now.examined, apart, worth)
    lines = (*apart, *(line for line in now.clip_also if line not in apart and line in HELD_BY))
    held = tuple(dict.fromkeys((*suspects, *(HELD_BY[line] for line in lines if line in HELD_BY))))
    return telling_apart(now.case, plan, now.examined, lines, bits_of_telling_apart(dict(now.shares), held), unseen=True)


def _unseen_input(now: Situation) -> bool:
    """Say whether all that explains what was seen is one part's, by an input of the CPU that no lead has shown."""
    apart = told_apart_by(now.examined)
    return bool(apart) and len(blamed(open_explanations(now.examined))) == 1 and LINE[apart[0]].direction == "input"


def bits_of_lead(shares: Mapping[Suspect, float]) -> float:
    """Return what the same line on another lead is expected to tell."""
    return information(dict(shares), [{name: OTHER_LEADS if name == "probe_or_capture" else 0.97 for name in shares}])


def _at_the_port(now: Situation) -> bool:
    """Say whether a device at the port is in play."""
    profile = now.case.profile
    return now.case.symptom == "ignores-expansion" or bool(profile is not None and profile.paging)


def _seen_at_connector(now: Situation) -> bool:
    return any("connector" in examined.evidence.probe_at.values() for examined in now.examined)


def _behind_a_pin(now: Situation) -> bool:
    """Say whether a line may be lost behind a pin that shows it well: a fault that is there explains so, or none was found."""
    explained = open_explanations(now.examined)
    return any(each.place in BEYOND for each in explained) or not any(finding.severity == "fault" for finding in now.findings)


def settled_rules(captures: Sequence[Examined]) -> frozenset[str]:
    """Return the rules that could decide on a capture, with its leads at the CPU."""
    records = [examined.evidence for examined in captures if "connector" not in examined.evidence.probe_at.values()]
    return frozenset(rule.id for rule in CATALOGUE if any(rule.needs) and any(rule.can_decide(record) for record in records))


def _leads_of(now: Situation, line: str) -> int:
    """Return on how many channels of the analyser a line was captured."""
    return len({examined.channels.channels[line] for examined in now.examined if line in examined.channels.channels})


def _checks(now: Situation) -> Iterator[Step]:
    done = {(item.answer.kind, item.answer.about) for item in now.case.items if item.answer is not None and item.counts}
    for check, about, what in _possible(now):
        answer = Answer(check.kind, about, part=_part(about))
        if (check.kind, about) in done or (check.kind == "pulses" and ("volts", about) in done):
            continue
        yield check_step(now, check, answer, what)


def _part(about: str) -> Suspect | None:
    return next((name for name in SUSPECTS if name == about), None)


def _possible(now: Situation) -> Iterator[tuple[Check, str, str]]:
    """Yield the checks that make sense now: what is to be done, about what, in words."""
    yield checks.SUPPLY, "", ""
    if now.case.symptom != "ignores-expansion":
        yield checks.UNPLUGGED, "expansion_device", ""
    fault = telling(now.findings)
    comes = now.case.symptom == "dies-warm" or (fault is not None and _comes_and_goes(now, fault))
    yield from _on_chips(now)
    if fault is not None:
        line = fault.lines[0]
        if checks.applies_to_line(line) and not comes and line not in alive(now.examined, "cpu"):
            yield checks.PULSES, line, pin_text(line)
        if len(fault.lines) == 2 and _bridged(now, fault):
            yield checks.BETWEEN, "-".join(fault.lines), " and ".join(pin_text(name) for name in fault.lines)
        elif line in LINE and LINE[line].pin is not None and line not in alive(now.examined, "connector"):
            yield checks.OHMS, line, _way(now.case.profile, line, fault)
    if comes:
        for chip in [name for name in now.shares if name in ("cpu", "ram", "rom", "clock", "glue") and now.shares[name] >= SHOWN]:
            yield checks.COOLED, chip, SUSPECT_WORDS[chip]
    for part in now.case.socketed:
        if part in ("cpu", "rom"):
            yield checks.RESEATED, part, SUSPECT_WORDS[_part(part) or "cpu"]


def _on_chips(now: Situation) -> Iterator[tuple[Check, str, str]]:
    """Yield what can be looked at on the memory chips themselves, once a capture shows that something is wrong."""
    explained = open_explanations(now.examined)
    if explained and not any("glue" in each.suspects for each in explained):
        return
    port = now.case.symptom == "ignores-expansion"
    if (now.showing or port) and now.shares.get("glue", 0.0) >= SHOWN:
        fault = telling(now.findings)
        for name, words in board.to_probe(now.case.profile, fault.lines if fault is not None else (), port):
            yield checks.PASSES, name, words
    for chip in ("rom", "ram"):
        if now.showing and now.shares.get(chip, 0.0) >= SHOWN and now.shares.get("glue", 0.0) + now.shares.get("connection", 0.0) >= SHOWN:
            yield checks.DRIVEN, chip, SUSPECT_WORDS[_part(chip) or "rom"]
    profile = now.case.profile
    if "rom" in now.case.socketed and profile is not None and any(region.file for region in profile.memory):
        yield checks.READOUT, "rom", ""


def _bridged(now: Situation, fault: Finding) -> bool:
    """Say whether a finding of two lines is that they are shorted."""
    if fault.rule == SHORTED:
        return True
    return any(each.fault == "shorted" and set(each.lines) == set(fault.lines) for each in open_explanations(now.examined))


def _comes_and_goes(now: Situation, fault: Finding) -> bool:
    """Say whether a fault of a strobe is there in some requests only."""
    for examined in now.examined:
        count = examined.evidence.strobes.get(fault.lines[0])
        if count is not None and count.expected and COMES_AND_GOES[0] < 1.0 - count.hit < COMES_AND_GOES[1]:
            return True
    return False


def _way(profile: Profile | None, line: str, fault: Finding) -> str:
    """Return the way of a line that is to be measured, in words."""
    usual = "the chip that it serves" if line in DATA else "where it is missing: the connector, or the next chip"
    to = board.way_to(profile, line) or usual
    words = fault.title.partition("(")[2].partition(")")[0]
    if words and all(part.strip().isalnum() for part in words.split(",")):
        to = f"the same line at {words}"
    return f"{pin_text(line)} to {to}"


def check_step(now: Situation, check: Check, answer: Answer, what: str) -> Step:
    """Return a check as a step, with the answers that it can have."""
    first = next(iter(check.outcomes))
    bits = bits_of_answer(dict(now.shares), answer, first, checks.reach(answer, now.findings, now.case.profile))
    folder = shlex.quote(str(now.case.folder))
    about = f" {shlex.quote(answer.about)}" if answer.about and check.kind != "unplugged" else ""
    commands: tuple[str, ...]
    if check.kind in ("ohms", "between", "supply"):
        commands = (f"strobewise case answer {folder} {check.kind}{about} {'VOLTS' if check.kind == 'supply' else 'OHMS'}",)
        answers: tuple[Answer, ...] = (answer,) if check.kind == "supply" else (answer, answer._replace(value=math.inf))
    elif check.kind in SAID_OF:
        commands = tuple(f"strobewise case answer {folder} {check.kind}{about} {word}" for word in SAID_OF[check.kind])
        answers = (answer._replace(value=0.0), answer._replace(value=1.0))
    else:
        commands = tuple(f"strobewise case answer {folder} {check.kind}{about} --fault {word}" for word in ("gone", "stays"))
        answers = (answer._replace(fault="gone"), answer._replace(fault="stays"))
    return Step(
        "check", f"{check.kind}:{answer.about}" if answer.about else check.kind, check.words.format(what=what), check.why, check.power,
        (check.caution,), answers=answers, commands=commands, minutes=check.work.minutes, risk=check.work.risk, bits=bits,
    )  # fmt: skip
