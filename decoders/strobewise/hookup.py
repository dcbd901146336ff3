"""Advice before the capture: which lines to clip, in which order, how fast and for how long, and what that can decide.

Nothing here lists lines for a symptom. A symptom says which parts are suspect; the rule catalogue says which rules speak of those parts and
which lines each of them needs; the lines follow. A rule that is added to the catalogue takes part by itself.

The weights of the symptoms, the triggers and the free-run test are common practice.
"""

from __future__ import annotations

from typing import Dict, FrozenSet, Iterable, List, Mapping, NamedTuple, Optional, Sequence, Set, Tuple

from .bus.evidence import BusEvidence
from .bus.lines import ADDRESS, DATA, LINE, LINES, bar
from .bus.model import SUSPECTS, Finding, Verdict
from .rules import CATALOGUE
from .rules.base import CAUTION_CLIP, COARSE_SAMPLES, Rule

WANTED_SAMPLES = 6.0  #: samples a T-state that leave room for skew and duty; below COARSE_SAMPLES half-T events are lost
USUAL_CLOCK_HZ = 3_500_000.0  #: assumed when the clock is not known (common practice for machines of this kind)
#: Rates that common analysers offer, Hz (common practice).
RATES_HZ = tuple(megahertz * 1_000_000 for megahertz in (1, 2, 4, 8, 12, 16, 24, 48, 50, 100, 200))
CHANNELS_MAX = 64
SEVERITY_WEIGHT = {"fault": 1.0, "warning": 0.4, "note": 0.0}
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
    "When this does not decide between the CPU and the memory: the free-run test. Power off; take the CPU's data pins off the board "
    "(a socket adapter, or memory and buffers taken out) and hold D0-D7 at 0 V through a resistor of about 1 kilohm each, so that the "
    "CPU reads 00h (NOP) everywhere. A good CPU then walks straight up through all addresses, with every strobe of a fetch. Capture "
    "{lines}, and let diagnose judge it: reads-all-00 is then the sign that the CPU works, a missing strobe or an address line that "
    "does not count the sign that it does not. (Common practice.)"
)


class Symptom(NamedTuple):
    """What the machine does, and what that makes suspect."""

    name: str
    words: str
    weights: Mapping[str, float]  #: suspect -> how much it comes into question, 0..1
    lines: Tuple[str, ...]  #: lines that the symptom itself speaks of
    triggers: Tuple[Tuple[str, str], ...]  #: (line, edge) to trigger on, the best first
    without_trigger: str
    duration_s: float
    free_run: bool


_POWER_ON = "no trigger: start the capture, then switch the machine on"
_WHILE = "no trigger: start the capture while it happens"

SYMPTOMS: Tuple[Symptom, ...] = (
    Symptom(
        "dead", "nothing happens, or the screen stays blank",
        {"cpu": 1.0, "clock": 1.0, "reset": 1.0, "supply": 0.6, "rom": 0.9, "glue": 0.6, "data_bus": 0.6, "address_bus": 0.5,
         "connection": 0.4, "expansion_device": 0.4, "ram": 0.3, "program": 0.4},
        (), (("RESET", "rising"), ("M1", "falling"), ("MREQ", "falling")), _POWER_ON, 0.05, True,
    ),
    Symptom(
        "resets", "it starts again and again",
        {"reset": 1.0, "supply": 1.0, "expansion_device": 0.8, "program": 0.3, "cpu": 0.3, "clock": 0.2, "ram": 0.3, "rom": 0.3},
        ("RESET", "NMI"), (("RESET", "falling"),), _WHILE, 2.0, False,
    ),
    Symptom(
        "ignores-expansion", "it runs, but what is plugged into the expansion port does not appear",
        {"expansion_device": 1.0, "connection": 1.0, "cpu": 0.6, "glue": 0.5, "program": 0.1},
        ("M1", "ROMDIS", "NMI", "IORQ"), (("NMI", "falling"), ("ROMDIS", "rising"), ("RESET", "rising"), ("M1", "falling")),
        "no trigger: start the capture, then press the device's button or reset the machine", 0.05, False,
    ),
    Symptom(
        "dies-warm", "it works cold and fails after some minutes",
        {"cpu": 0.8, "ram": 1.0, "rom": 0.5, "clock": 0.6, "supply": 0.5, "connection": 0.8, "glue": 0.4, "reset": 0.5, "data_bus": 0.5,
         "address_bus": 0.5, "program": 0.3},
        ("RESET", "HALT"), (("HALT", "falling"), ("RESET", "falling")),
        "no trigger: capture when it has failed, and once cold for comparison", 0.2, False,
    ),
    Symptom(
        "memory-size", "it finds less memory than is fitted",
        {"ram": 1.0, "address_bus": 0.8, "data_bus": 0.8, "glue": 0.7, "connection": 0.3},
        (), (("RESET", "rising"),), _POWER_ON, 1.0, False,
    ),
    Symptom(
        "garbage", "garbage on the screen, or it crashes at once",
        {"ram": 1.0, "rom": 1.0, "data_bus": 1.0, "address_bus": 0.9, "glue": 0.6, "cpu": 0.5, "connection": 0.4,
         "clock": 0.2, "reset": 0.2},
        (), (("RESET", "rising"), ("M1", "falling")), _POWER_ON, 0.1, True,
    ),
    Symptom(
        "hangs", "it starts and then stops answering",
        {"program": 1.0, "glue": 0.9, "cpu": 0.7, "expansion_device": 0.7, "ram": 0.6, "rom": 0.5, "clock": 0.6, "reset": 0.3,
         "connection": 0.3},
        ("WAIT", "BUSREQ", "BUSACK", "HALT", "INT"), (("HALT", "falling"), ("WAIT", "falling"), ("BUSREQ", "falling")),
        "no trigger: start the capture before it hangs, and let it run into it", 0.5, False,
    ),
)  # fmt: skip
UNKNOWN = Symptom("unknown", "no symptom given", dict.fromkeys(SUSPECTS, 0.7), (), (("RESET", "rising"),), _POWER_ON, 0.1, True)


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


def find_symptom(name: str) -> Optional[Symptom]:
    """Return the symptom with this name, or None."""
    return next((symptom for symptom in (*SYMPTOMS, UNKNOWN) if symptom.name == name), None)


def advise(
    channels: int,
    symptom: Symptom = UNKNOWN,
    clock_hz: Optional[float] = None,
    catalogue: Sequence[Rule] = CATALOGUE,
    settled: Iterable[str] = (),
) -> Advice:
    """Choose the lines for a capture.

    channels: how many the analyser has, 1..CHANNELS_MAX. settled: ids of rules that an earlier capture has decided already.
    Raises ValueError for a number of channels outside that range.
    """
    if not 1 <= channels <= CHANNELS_MAX:
        raise ValueError(f"{channels} channels")
    done = set(settled)
    worth = {rule.id: relevance(rule, symptom) for rule in catalogue if rule.id not in done}
    chosen = _fill(_choose(channels, catalogue, worth), channels, catalogue, worth)
    lines = frozenset(chosen)
    decided = sorted((rule for rule in catalogue if _decidable(rule, lines)), key=lambda rule: -worth.get(rule.id, 0.0))
    clock = clock_hz or USUAL_CLOCK_HZ
    least = round(COARSE_SAMPLES * clock * 1.1)
    return Advice(
        symptom, channels, tuple(_lead(name, catalogue, worth, lines) for name in chosen), clock_hz, _rate(clock), least,
        symptom.duration_s, _trigger(symptom, lines), tuple(rule.id for rule in decided if worth.get(rule.id, 0.0) >= RELEVANT),
        _undecided(catalogue, worth, lines), CAUTIONS, _free_run(symptom, channels),
    )  # fmt: skip


def relevance(rule: Rule, symptom: Symptom) -> float:
    """Return how much a rule has to say about a symptom, from its suspects, its severity and the lines that it judges."""
    suspicion = sum(share * symptom.weights.get(name, 0.0) for name, share in rule.suspects)
    named = LINE_WEIGHT if set(rule.judges) & set(symptom.lines) else 0.0
    return SEVERITY_WEIGHT[rule.severity] * (suspicion + named)


def _needs(rule: Rule) -> List[Tuple[str, ...]]:
    """Return the rule's sets of lines; those with a whole data bus also hold the strobes that say which way the data go."""
    sets = []
    for needed in rule.needs:
        extra = TELLS_DIRECTION if set(DATA) <= set(needed) else ()
        sets.append((*needed, *(name for name in extra if name not in needed)))
    return sets


def _decidable(rule: Rule, lines: FrozenSet[str]) -> bool:
    return any(lines.issuperset(needed) for needed in _needs(rule))


def _choose(channels: int, catalogue: Sequence[Rule], worth: Mapping[str, float]) -> List[str]:
    """Take sets of lines, each time the one that lets the most relevant rules decide for each lead that it costs."""
    chosen: List[str] = list(ALWAYS)
    while True:
        have = frozenset(chosen)
        best: Optional[Tuple[float, Tuple[str, ...]]] = None
        waiting = [rule for rule in catalogue if worth.get(rule.id, 0.0) > 0 and not _decidable(rule, have)]
        for needed in {needed: None for rule in waiting for needed in _needs(rule)}:
            extra = tuple(name for name in needed if name not in have)
            if not extra or len(extra) > channels - len(chosen):
                continue
            after = have | set(extra)
            # Squared, so that a rule which speaks of the symptom outweighs several that only touch it.
            rate = sum(worth[rule.id] ** 2 for rule in waiting if _decidable(rule, after)) / len(extra)
            if best is None or rate > best[0]:
                best = rate, extra
        if best is None or best[0] <= 0:
            return chosen
        chosen.extend(_in_order(best[1]))


def _in_order(names: Iterable[str]) -> List[str]:
    order = [line.name for line in LINES]
    return sorted(names, key=lambda name: order.index(name) if name in order else len(order))


def _fill(chosen: List[str], channels: int, catalogue: Sequence[Rule], worth: Mapping[str, float]) -> List[str]:
    """Give what channels are left to the lines that the relevant rules judge or need most; a bus is taken whole or not at all."""
    value: Dict[str, float] = {}
    for rule in catalogue:
        for name in {name for needed in _needs(rule) for name in needed} | set(rule.judges):
            value[name] = value.get(name, 0.0) + worth.get(rule.id, 0.0) / max(1, len(rule.judges))
    whole: Set[str] = {*ADDRESS, *DATA}
    rest = [name for name in value if name in LINE and name not in chosen and name not in whole and value[name] > 0]
    for name in sorted(rest, key=lambda name: -value[name]):
        if len(chosen) < channels:
            chosen.append(name)
    for bus in (ADDRESS, DATA):  # data say little without their addresses
        left = [name for name in bus if name not in chosen]
        if len(left) > channels - len(chosen):
            break
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
    left = [rule for rule in catalogue if worth.get(rule.id, 0.0) >= RELEVANT and not _decidable(rule, lines)]
    left.sort(key=lambda rule: -worth[rule.id])
    found = []
    for rule in left:
        missing = min((tuple(name for name in needed if name not in lines) for needed in _needs(rule)), key=len)
        found.append(Undecided(rule.id, rule.title, missing))
    return tuple(found)


def _rate(clock_hz: float) -> int:
    """Return the slowest common rate with WANTED_SAMPLES in a T-state, or the fastest that there is."""
    return next((rate for rate in RATES_HZ if rate >= WANTED_SAMPLES * clock_hz), RATES_HZ[-1])


def _trigger(symptom: Symptom, lines: FrozenSet[str]) -> str:
    for name, edge in symptom.triggers:
        if name in lines:
            return f"{edge} edge of {bar(name)}"
    return symptom.without_trigger


def _free_run(symptom: Symptom, channels: int) -> str:
    if not symptom.free_run:
        return ""
    wanted = ["MREQ", "M1", "RD", "RFSH", "CLK", *ADDRESS, *DATA]
    names = wanted[:channels] if channels < len(wanted) else wanted
    words = [bar(name) for name in names]
    addresses = [name for name in names if name in ADDRESS]
    if len(addresses) > 1:
        words = [word for word in words if word not in ADDRESS and word not in DATA] + [f"A0-{addresses[-1]}"]
    return FREE_RUN.format(lines=", ".join(words))


def next_symptom(
    verdict: Verdict, findings: Sequence[Finding], evidence: BusEvidence, told: Symptom = UNKNOWN
) -> Tuple[Symptom, Tuple[str, ...]]:
    """Return what an earlier capture leaves suspect, and the rules that it has decided.

    told: what the user says besides; an unknown symptom gives way to the verdict's suspects. A rule is settled when it could decide and
    found nothing that is still open.
    """
    weights = {share.suspect: share.confidence for share in verdict.suspects if share.suspect not in ("none", "probe_or_capture")}
    if told.name != UNKNOWN.name or not weights:
        weights = {name: max(told.weights.get(name, 0.0), weights.get(name, 0.0)) for name in SUSPECTS}
    lines = tuple(dict.fromkeys((*told.lines, *(line for f in findings if f.severity != "note" for line in f.lines))))
    open_rules = {finding.rule for finding in findings}
    settled = tuple(rule.id for rule in CATALOGUE if rule.can_decide(evidence) and rule.id not in open_rules)
    words = f"what the first capture left open ({verdict.state.replace('_', ' ')})"
    return told._replace(words=words, weights=weights, lines=lines), settled
