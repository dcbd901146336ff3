"""Advice before the capture: which lines to clip, in which order, how fast and for how long, and what that can decide.

Nothing here lists lines for a symptom. A symptom says which parts are suspect; the rule catalogue says which rules speak of those parts and
which lines each of them needs; the lines follow. A rule that is added to the catalogue takes part by itself.

The symptoms stand in :mod:`strobewise.hookup.symptoms`. The triggers and the free-run test are common practice.
"""

from __future__ import annotations

from typing import Dict, FrozenSet, Iterable, List, Mapping, NamedTuple, Optional, Sequence, Set, Tuple

from ..bus.clocks import USUAL_CLOCK_HZ
from ..bus.lines import ADDRESS, DATA, LINE, LINES, bar
from ..bus.model import SUSPECTS, Finding, Verdict
from ..records.evidence import BusEvidence
from ..rules import CATALOGUE
from ..rules.base import CAUTION_CLIP, COARSE_SAMPLES, Rule
from .symptoms import UNKNOWN, Symptom

WANTED_SAMPLES = 6.0  #: samples a T-state that leave room for skew and duty; below COARSE_SAMPLES half-T events are lost
#: Rates that common analysers offer, Hz (common practice).
RATES_HZ = tuple(megahertz * 1_000_000 for megahertz in (1, 2, 4, 8, 12, 16, 24, 48, 50, 100, 200))
CHANNELS_MAX = 64  #: the CPU has 40 pins; the rest is for an expansion port
ROUND_T_STATES = 65_536 * 4  #: of a CPU that runs NOPs through all its addresses. Source: UM0080, NOP takes 4
SEVERITY_WEIGHT = {"fault": 1.0, "warning": 0.4, "note": 0.0}  #: our choice: two warnings that can be judged are worth less than one fault
LINE_WEIGHT = 0.5  #: added for a rule that judges a line which the symptom names
ALWAYS = ("MREQ",)  #: shows the fetches, without which no verdict is reached
TELLS_DIRECTION = ("RD", "WR")  #: what a rule about data needs besides, to tell reads from writes
RELEVANT = 0.12  #: rules below this have little to say about a symptom

CAUTIONS = (
    CAUTION_CLIP,
    "Mind the analyser's input range (often 0 to 5.25 V): edge connectors also carry 9 V, 12 V, -5 V or raw AC; count pins twice. "
    "Use a DIP test clip or fine grabbers, and wear an earthed wrist strap. Follow local electrical rules.",
)
FREE_RUN = (
    "When this does not decide between the CPU and the memory: the free-run test. With nothing but resistors on its data pins the CPU "
    "reads 00h (NOP) everywhere, and a good one walks straight up through all addresses, with every strobe of a fetch. "
    "strobewise hookup --free-run says what to clip and how to set it up, its cautions first; strobewise diagnose --free-run then judges "
    "each strobe, and each address line by its own rate. (Common practice.)"
)


class LeadAdvice(NamedTuple):
    """One lead."""

    line: str
    pin: Optional[int]  #: of the CPU, None for a line of the expansion port
    rules: Tuple[str, ...]  #: ids of the relevant rules that need it in this set


class Undecided(NamedTuple):
    """A rule that this set leaves without its lines."""

    rule: str
    title: str
    missing: Tuple[str, ...]  #: the lines that it takes as well, by the shortest of its sets


class Advice(NamedTuple):
    """What to clip and how to capture."""

    symptom: Symptom
    channels: int
    leads: Tuple[LeadAdvice, ...]
    clock_hz: Optional[float]  #: as given
    sample_hz: int
    sample_hz_min: int  #: below it half-T events are lost
    duration_s: float
    trigger: str
    decides: Tuple[str, ...]  #: ids of rules that can decide, the most telling first
    undecided: Tuple[Undecided, ...]  #: relevant rules that cannot
    cautions: Tuple[str, ...]
    free_run: str  #: empty where it does not help


def advise(
    channels: int,
    symptom: Symptom = UNKNOWN,
    clock_hz: Optional[float] = None,
    catalogue: Sequence[Rule] = CATALOGUE,
    settled: Iterable[str] = (),
    first: Iterable[str] = (),
) -> Advice:
    """Choose the lines for a capture.

    channels: how many the analyser has, 1..CHANNELS_MAX. settled: ids of rules that an earlier capture has decided already.
    first: lines that are taken whatever the rules say, as far as the channels go.
    Raises ValueError for a number of channels outside that range.
    """
    if not 1 <= channels <= CHANNELS_MAX:
        raise ValueError(f"{channels} channels")
    done = set(settled)
    worth = {rule.id: relevance(rule, symptom) for rule in catalogue if rule.id not in done}
    always = tuple(dict.fromkeys((*ALWAYS, *first)))[:channels]
    chosen = _fill(_choose(channels, catalogue, worth, always), channels, catalogue, worth)
    lines = frozenset(chosen)
    decided = sorted((rule for rule in catalogue if _decidable(rule, lines)), key=lambda rule: -worth.get(rule.id, 0.0))
    clock = clock_hz or USUAL_CLOCK_HZ
    least = round(COARSE_SAMPLES * clock * 1.1)
    return Advice(
        symptom, channels, tuple(_lead(name, catalogue, worth, lines) for name in chosen), clock_hz, usual_rate(clock), least,
        symptom.duration_s, _trigger(symptom, lines), tuple(rule.id for rule in decided if worth.get(rule.id, 0.0) >= RELEVANT),
        _undecided(catalogue, worth, lines), CAUTIONS, FREE_RUN if symptom.free_run else "",
    )  # fmt: skip


def relevance(rule: Rule, symptom: Symptom) -> float:
    """Return how much a rule has to say about a symptom, from its suspects, its severity and the lines that it judges."""
    suspicion = sum(share * symptom.weights.get(name, 0.0) for name, share in rule.suspects)
    named = LINE_WEIGHT if set(rule.judges) & set(symptom.lines) else 0.0
    return SEVERITY_WEIGHT[rule.severity] * (suspicion + named)


def _needs(rule: Rule) -> List[Tuple[str, ...]]:
    """Return the rule's sets of lines, with what goes without saying in the catalogue.

    A whole data bus also takes the strobes that say which way the data go. A line of the expansion port that a rule judges is none of its
    needs there, because a machine profile may call it otherwise; it has to be clipped all the same. The empty set is left out: who asks for
    no line asks for something that leads do not give, such as volts or the program, and is promised by none.
    """
    port = tuple(name for name in rule.judges if name in LINE and LINE[name].pin is None)
    sets = []
    for needed in filter(None, rule.needs):
        extra = (*port, *(TELLS_DIRECTION if set(DATA) <= set(needed) else ()))
        sets.append((*needed, *(name for name in extra if name not in needed)))
    return sets


def _decidable(rule: Rule, lines: FrozenSet[str]) -> bool:
    return any(lines.issuperset(needed) for needed in _needs(rule))


class _Wish(NamedTuple):
    """A rule that is worth its lines."""

    value: float  #: squared, so that one rule which speaks of the symptom outweighs several that only touch it
    sets: Tuple[FrozenSet[str], ...]


def _choose(channels: int, catalogue: Sequence[Rule], worth: Mapping[str, float], first: Sequence[str]) -> List[str]:
    """Choose the lines that let the most relevant rules decide, the most telling first.

    A whole bus costs so many leads that lines taken one by one would use up its room; so each set that holds one is tried as the beginning,
    too, and the plan that decides most is taken.
    """
    wishes = [
        _Wish(worth[rule.id] ** 2, tuple(frozenset(needed) for needed in _needs(rule)))
        for rule in catalogue if worth.get(rule.id, 0.0) > 0
    ]  # fmt: skip
    always = frozenset(first)
    wide = {always | needed: None for wish in wishes for needed in wish.sets if len(ADDRESS) <= len(needed | always) <= channels}
    plans = [_greedy(channels, wishes, begin) for begin in (always, *wide)]
    best = max(plans, key=lambda plan: _value(frozenset(plan), wishes))
    return _greedy(channels, wishes, always, frozenset(best))


def _value(lines: FrozenSet[str], wishes: Iterable[_Wish]) -> float:
    """Return what the rules that can decide on these lines are worth."""
    return sum(wish.value for wish in wishes if any(lines >= needed for needed in wish.sets))


def _greedy(channels: int, wishes: Sequence[_Wish], begin: FrozenSet[str], among: Optional[FrozenSet[str]] = None) -> List[str]:
    """Take sets of lines (of those in `among`), each time the one that lets the most relevant rules decide for each lead that it costs."""
    chosen: List[str] = [*ALWAYS, *_in_order(begin - frozenset(ALWAYS))]
    while True:
        have = frozenset(chosen)
        best: Optional[Tuple[float, FrozenSet[str]]] = None
        waiting = [wish for wish in wishes if not any(have >= needed for needed in wish.sets)]
        for extra in {needed - have: None for wish in waiting for needed in wish.sets}:
            if len(extra) > channels - len(chosen) or (among is not None and not among >= extra):
                continue
            rate = _value(have | extra, waiting) / len(extra)
            if best is None or rate > best[0]:
                best = rate, extra
        if best is None:
            return chosen
        chosen.extend(_in_order(best[1]))


def _in_order(names: Iterable[str]) -> List[str]:
    order = [line.name for line in LINES]
    return sorted(names, key=lambda name: order.index(name) if name in order else len(order))


def _fill(chosen: List[str], channels: int, catalogue: Sequence[Rule], worth: Mapping[str, float]) -> List[str]:
    """Give what channels are left to the lines that the relevant rules judge or need most; a bus is taken whole or not at all."""
    value: Dict[str, float] = {}
    for rule in catalogue:
        for name in _in_order({name for needed in _needs(rule) for name in needed} | set(rule.judges)):
            value[name] = value.get(name, 0.0) + worth.get(rule.id, 0.0) / max(1, len(rule.judges))
    whole: Set[str] = {*ADDRESS, *DATA}
    rest = [name for name in value if name in LINE and name not in chosen and name not in whole and value[name] > 0]
    for name in sorted(_in_order(rest), key=lambda name: -value[name]):  # of equal worth the first by its place
        if len(chosen) < channels:
            chosen.append(name)
    for bus in (ADDRESS, DATA):  # data without their addresses help, too: what was fetched tells what must follow
        left = [name for name in bus if name not in chosen]
        if len(left) <= channels - len(chosen):
            chosen.extend(left)
    return chosen


def _lead(name: str, catalogue: Sequence[Rule], worth: Mapping[str, float], lines: FrozenSet[str]) -> LeadAdvice:
    using = [
        rule for rule in catalogue
        if worth.get(rule.id, 0.0) >= RELEVANT and any(name in needed and lines.issuperset(needed) for needed in _needs(rule))
    ]  # fmt: skip
    using.sort(key=lambda rule: -worth[rule.id])
    return LeadAdvice(name, LINE[name].pin if name in LINE else None, tuple(rule.id for rule in using))


def _undecided(catalogue: Sequence[Rule], worth: Mapping[str, float], lines: FrozenSet[str]) -> Tuple[Undecided, ...]:
    left = [rule for rule in catalogue if worth.get(rule.id, 0.0) >= RELEVANT and _needs(rule) and not _decidable(rule, lines)]
    left.sort(key=lambda rule: -worth[rule.id])
    found = []
    for rule in left:
        missing = min((tuple(name for name in needed if name not in lines) for needed in _needs(rule)), key=len)
        found.append(Undecided(rule.id, rule.title, missing))
    return tuple(found)


def usual_rate(clock_hz: float) -> int:
    """Return the slowest common rate with WANTED_SAMPLES in a T-state, or the fastest that there is."""
    return next((rate for rate in RATES_HZ if rate >= WANTED_SAMPLES * clock_hz), RATES_HZ[-1])


def _trigger(symptom: Symptom, lines: FrozenSet[str]) -> str:
    for name, edge in symptom.triggers:
        if name in lines:
            return f"{edge} edge of {bar(name)}"
    return symptom.without_trigger


def next_symptom(
    verdict: Verdict, findings: Sequence[Finding], evidence: BusEvidence, told: Symptom = UNKNOWN
) -> Tuple[Symptom, Tuple[str, ...]]:
    """Return what an earlier capture leaves suspect, and the rules that it has decided.

    told: what the user says besides; an unknown symptom gives way to the verdict's suspects. A rule is settled when it could decide and
    found nothing that is still open.
    """
    weights = {share.suspect: share.confidence for share in verdict.suspects if share.suspect not in ("none", "probe_or_capture")}
    most = max(weights.values(), default=1.0) or 1.0  # an undecided verdict is sure of nobody; what counts is who is suspect most
    weights = {name: confidence / most for name, confidence in weights.items()}
    if told.name != UNKNOWN.name or not weights:
        weights = {name: max(told.weights.get(name, 0.0), weights.get(name, 0.0)) for name in SUSPECTS}
    named = (line for finding in findings if finding.severity != "note" for line in finding.lines)
    lines = tuple(dict.fromkeys((*verdict.clip_also, *told.lines, *named)))
    open_rules = {finding.rule for finding in findings}
    settled = tuple(rule.id for rule in CATALOGUE if rule.can_decide(evidence) and rule.id not in open_rules)
    words = f"what the first capture left open ({verdict.state.replace('_', ' ')})"
    return told._replace(words=words, weights=weights, lines=lines), settled
