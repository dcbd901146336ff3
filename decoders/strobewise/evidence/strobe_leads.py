"""Which exchange of leads, or which inverted one, makes the strobes behave?

Two sources of candidates: each channel's behaviour, looked at without its name (strobewise.identify), says which line it really carries;
and every strobe could be inverted. A candidate counts when the cycles rebuilt under it leave no strobe out of place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from ..bus.calibration import TimeBase
from ..bus.clocked import TICKS_PER_T
from ..bus.lines import ADDRESS, BIT, CONTROL, DATA, STROBES
from ..capture.clocked.retiming import HALF, Retimer, Samples
from ..capture.records import Block
from ..cycles.engine import Batch
from ..cycles.rebuild import Rebuild
from ..identify.bus_leads import Buses, counting
from ..identify.program_fit import GRANTED, Program
from ..identify.raw import SAME_T, Int, Raw, Words, find_clock, find_frame
from ..identify.roles import Role
from ..identify.strobes import find_strobes
from ..records.evidence import REFRESH_CLASS, BusEvidence, count_strobes
from ..records.leads import Relabelling
from ..records.strobes import LONGEST_RUN, behaviour
from .collect import Collector

EVENTS_TRIED = 60_000  #: events that are rebuilt for each candidate
EVENTS_GLANCED = 10_000  #: events looked at in every capture
EVENTS_MIN = 200  #: events from which a stretch holds some twenty machine cycles
FETCHES_MIN = 40  #: fetches that the new labels must show: fewer come about by chance among many candidates
FETCHES_PLAIN = 16  #: the same where each of both channels does the other's work, which is no chance
SEEN_MIN = 3  #: assertions that a strobe must show under its new label
FEW_REQUESTS = 8  #: edges of a strobe for each request that was rebuilt, from which most are not seen
HALF_T_SEEN = 6.0  #: samples a T-state from which skew and sampling do not hide the half T-state between /M1 and /RD: three samples
HALF_A_CLOCK, HALF_WITHIN = 0.5, 0.02  #: T-states from step to step; what rounding to ticks makes of it
SURE = 0.9  #: confidence from which a channel's behaviour is believed against its name
NO_WORSE = 0.02  #: share by which another measure may fall: a request cut off at either end of a short stretch
GAINS = 1.1  #: times as many cases in which a strobe is called for, from which labels show more of the bus


@dataclass
class _Trial:
    """What the strobes say under a change of labels."""

    fetches: int
    odd: list[str]
    longest_run: int
    seen: dict[str, int]
    witnesses: int
    program_share: float  #: share of the instructions that agree, 1 where it can not be told
    counts: float

    @property
    def sound(self) -> bool:
        """Nothing is out of place."""
        return self.fetches >= FETCHES_MIN and not self.odd and self.longest_run <= LONGEST_RUN


@dataclass(frozen=True)
class Stretch:
    """The kept part of a labelled capture: bit BIT[line] of a word is that line."""

    captured: frozenset[str]
    times: Int
    words: Words
    base: TimeBase
    tick_s: float
    sample_ticks: float
    clocked: str = ""  #: the edge of CLK at which samples were taken, on whose axis the times are then; nothing for any other capture


def odd_strobes(evidence: BusEvidence) -> list[str]:
    """Return the strobes that are not where the rest of the bus calls for them."""
    return [
        name for name in STROBES
        if name in evidence.captured and name in evidence.strobes and behaviour(evidence.line(name), evidence.strobes[name]) is not None
    ]  # fmt: skip


def note_coarse_steps(evidence: BusEvidence, stretch: Stretch) -> None:
    """Take a capture in which something changes at each half clock, and never between, for one sampled so, where strobes go astray.

    Its times alone tell no grid: a simulation without delays looks the same, but in that one every strobe is where it must be.
    """
    if evidence.sample_interval_s is not None or not evidence.clock.hz or len(stretch.times) < EVENTS_MIN or not odd_strobes(evidence):
        return
    steps = np.diff(stretch.times[:-1])  # the end of a capture need not be a sample
    step_s = float(steps[0]) * stretch.tick_s
    if bool((steps == steps[0]).all()) and abs(step_s * evidence.clock.hz - HALF_A_CLOCK) < HALF_WITHIN:
        evidence.sample_interval_s, evidence.samples_per_t = step_s, 1 / HALF_A_CLOCK


def relabel_strobes(evidence: BusEvidence, stretch: Stretch, trusted: bool = False) -> Relabelling | None:
    """Return the exchange of leads, or those inverted, with which all strobes behave; None when the labels are good.

    trusted: the labels were seen to be right, so that they are asked about only where something is out of place.
    """
    strobes = [name for name in STROBES if name in evidence.captured]
    odd = odd_strobes(evidence)
    clock_odd = "CLK" in evidence.captured and evidence.clock.source != "CLK" and evidence.requests > 0
    runs = evidence.longest_run_without_fetch > LONGEST_RUN
    silent = evidence.requests * FEW_REQUESTS < max((evidence.line(name).edges for name in strobes), default=0)
    if len(stretch.times) < EVENTS_MIN:
        return None
    if not (odd or runs or clock_odd or silent) and (trusted or not _mislabelled(stretch)):
        return None
    stretch = replace(stretch, times=stretch.times[:EVENTS_TRIED], words=stretch.words[:EVENTS_TRIED])
    if _good_before_one_died(evidence, odd, stretch):
        return None
    before = _try(stretch, ())
    best: Relabelling | None = None
    for lines, inverted, least, mutual in _candidates(stretch, odd, everything=runs or silent):
        trial = _try(stretch, lines, inverted)
        # Two channels each of which does the other's work are exchanged, also where another bus master, or a program of fetches, hides it.
        plain = mutual and evidence.samples_at_least(HALF_T_SEEN) and trial.fetches >= FETCHES_PLAIN and not trial.odd
        if not (trial.sound or plain) or _loses(before, trial):
            continue
        if before.sound and not plain and not _gains(before, trial):
            continue  # a bus that is consistent as it is labelled needs no other labels
        if any(trial.seen.get(name, least) < least for name in lines):
            continue  # nothing shows that the line it now stands for is alive
        if "CLK" in lines and before.sound and not clock_odd:
            continue  # the clock keeps the time as it is labelled; in a short loop other lines are as regular
        if best is None or trial.witnesses > best.witnesses:
            best = Relabelling(lines, inverted, 1.0 - len(odd) / len(strobes), 1.0, trial.witnesses, "strobes")
    return best


def _good_before_one_died(evidence: BusEvidence, odd: Sequence[str], stretch: Stretch) -> bool:
    """Say whether nothing was out of place until a strobe moved for the last time: it died then, and its label is right."""
    ends = [stays.since_s for stays in (evidence.line(name).stays for name in odd) if stays is not None]
    events = int(np.searchsorted(stretch.times, int(min(ends) / stretch.tick_s))) if ends else 0
    return events >= EVENTS_MIN and _try(replace(stretch, times=stretch.times[:events], words=stretch.words[:events]), ()).sound


def _loses(before: _Trial, after: _Trial) -> bool:
    """Say whether labels spoil what the buses show: the program, or the counting of the refresh addresses."""
    return after.program_share < before.program_share - NO_WORSE or after.counts < before.counts - NO_WORSE


def _gains(before: _Trial, after: _Trial) -> bool:
    """Say whether labels show more of the bus than those that leave nothing out of place either."""
    more = after.witnesses > GAINS * before.witnesses
    return more or after.program_share > before.program_share + NO_WORSE or after.counts > before.counts + NO_WORSE


def strobes_elsewhere(evidence: BusEvidence, stretch: Stretch) -> tuple[tuple[str, str], ...]:
    """Return the strobes that go their own way and behave like a line that no other channel is said to carry, with that line."""
    odd = odd_strobes(evidence)
    if not odd or len(stretch.times) < EVENTS_MIN:
        return ()
    roles = _roles(replace(stretch, times=stretch.times[:EVENTS_TRIED], words=stretch.words[:EVENTS_TRIED]))
    found = ((name, roles[name].line) for name in odd if name in roles)
    return tuple((name, line) for name, line in found if line != name and line not in stretch.captured)


def _candidates(stretch: Stretch, odd: Sequence[str], everything: bool) -> Iterator[tuple[tuple[str, ...], bool, int, bool]]:
    """Yield changes worth a try: (lines, inverted, assertions that a strobe must show under its new label, each does the other's work)."""
    roles = _roles(stretch)
    yielded = set()
    really = {name: role.line for name, role in roles.items() if role.line != name and role.line in stretch.captured}
    cycle = _exchange(really)
    if cycle:
        yielded.add(frozenset(cycle))
        # A channel's own behaviour speaks for it. That of a strobe's pin is no other strobe's by chance: then even one that never moves
        # may stand in its place, as /WR does in a program that never writes.
        yield cycle, False, 0 if all(name in (*STROBES, "CLK") for name in really) else 1, set(really) == set(cycle)
    if not really and sum(name in stretch.captured for name in STROBES) >= 3:
        strobes = [name for name in STROBES if name in stretch.captured]
        for pair in combinations(strobes, 2):
            if frozenset(pair) not in yielded and (everything or set(pair) & set(odd)):
                yield pair, False, SEEN_MIN, False
    for name in (*STROBES, "CLK"):
        if name in stretch.captured and name not in roles and (everything or name in odd):
            yield (name,), True, SEEN_MIN, False
    every = tuple(name for name in STROBES if name in stretch.captured)
    if everything and len(every) >= 3:
        yield every, True, 0, False  # a threshold turned round, or a buffer that inverts them all


def _mislabelled(stretch: Stretch) -> bool:
    """Say whether the first events alone show a strobe on another line's channel."""
    short = replace(stretch, times=stretch.times[:EVENTS_GLANCED], words=stretch.words[:EVENTS_GLANCED])
    return any(role.line != name and role.line in stretch.captured for name, role in _roles(short).items())


def _roles(stretch: Stretch) -> dict[str, Role]:
    """Return what each captured channel's behaviour fits, by its label."""
    names = [name for name in (*CONTROL, *ADDRESS, *DATA) if name in stretch.captured]
    raw = raw_of(stretch, names)
    frame = find_frame(raw)
    if frame is None:
        return {}
    roles = [Role(frame.channel, "MREQ", 0.97)]
    for period, channel in find_clock(raw):
        # Where the line labelled CLK keeps the time it is believed: in a short loop other lines are as regular.
        if SAME_T[0] < period / frame.t < SAME_T[1]:
            roles.append(Role(channel, "CLK", 0.97))
            break
    roles += find_strobes(raw, frame, {role.channel for role in roles})
    return {names[role.channel]: role for role in roles if role.confidence >= SURE}


def raw_of(stretch: Stretch, names: Sequence[str]) -> Raw:
    """Return a stretch as channels without names, in the order given."""
    packed = np.zeros(len(stretch.words), np.uint64)
    for k, name in enumerate(names):
        packed |= (stretch.words >> np.uint64(BIT[name]) & np.uint64(1)) << np.uint64(k)
    return Raw(stretch.times, packed, len(names), stretch.sample_ticks)


def _exchange(really: dict[str, str]) -> tuple[str, ...]:
    """Return the labels that must change places, () when there is no clear exchange.

    really: label -> the line that its channel carries. A line that never moves has no role of its own: it takes the place that is left.
    """
    if not really or len(set(really.values())) < len(really):
        return ()
    lines = list(really)
    for line in really.values():
        if line not in lines:
            lines.append(line)
    return tuple(sorted(lines, key=BIT.__getitem__)) if len(lines) == 2 else ()


def relabelled(words: Words, lines: Sequence[str], inverted: bool = False) -> Words:
    """Return words with lines inverted or two exchanged; unchanged without lines."""
    if not lines:
        return words
    if inverted:
        return words ^ np.uint64(sum(1 << BIT[name] for name in lines))
    one, first = np.uint64(1), np.uint64(BIT[lines[0]])
    second = np.uint64(BIT[lines[1]])
    unlike = (words >> first ^ words >> second) & one
    return words ^ (unlike << first | unlike << second)


def _under(stretch: Stretch, lines: tuple[str, ...], inverted: bool) -> tuple[Int, Words]:
    """Return the events under a change of labels; those of a capture by the CPU's clock are put at the edges that then made them."""
    if not (stretch.clocked and lines):
        return stretch.times, relabelled(stretch.words, lines, inverted)
    taken = stretch.times % TICKS_PER_T == (0 if stretch.clocked == "falling" else HALF)
    retimer = Retimer(stretch.captured, stretch.clocked)
    samples = Samples(stretch.times[taken] // TICKS_PER_T, relabelled(stretch.words[taken], lines, inverted), None)
    blocks = [*retimer.feed(samples), *retimer.finish()]
    return np.concatenate([block.times for block in blocks]), np.concatenate([block.words for block in blocks])


def _try(stretch: Stretch, lines: tuple[str, ...], inverted: bool = False) -> _Trial:
    """Rebuild the cycles under a change of labels."""
    times, words = _under(stretch, lines, inverted)
    captured = stretch.captured
    collector = Collector(captured, stretch.tick_s)
    rebuild = Rebuild(captured, stretch.base, [collector])
    batches = [*rebuild.batches([Block(times, words, None)])]
    evidence = collector.record(int(times[0]), int(times[-1]))
    evidence.strobes = count_strobes(evidence.histogram, captured)
    changed = words[1:] ^ words[:-1]
    for name in STROBES:
        if name in captured:
            evidence.lines[name].edges = int(np.count_nonzero(changed & np.uint64(1 << BIT[name])))
    buses = _buses(batches, captured)
    share = 1.0
    if buses is not None and buses.data is not None:
        fit = Program(buses.kind, buses.odd).fit(buses.data & 0xFF, buses.address)
        share = fit.share if fit.asked else 1.0
    return _Trial(
        evidence.cycles["opcode_fetch"], odd_strobes(evidence), evidence.longest_run_without_fetch,
        {name: count.seen for name, count in evidence.strobes.items()}, sum(count.expected for count in evidence.strobes.values()),
        share, counting(buses.refresh) if buses is not None and buses.address is not None else 1.0,
    )  # fmt: skip


def _buses(batches: Sequence[Batch], captured: frozenset[str]) -> Buses | None:
    """Return the buses of rebuilt cycles, None when neither bus was captured whole or nothing was rebuilt."""
    has_address, has_data = captured.issuperset(ADDRESS), captured.issuperset(DATA)
    if not batches or not (has_address or has_data):
        return None
    return join_buses([columns_of(batch) for batch in batches], has_address, has_data)


Columns = tuple[Int, Int, Int, Int, Int]  #: kind, note, address, data; addresses of refreshes


def columns_of(batch: Batch, cycles: int | None = None) -> Columns:
    """Return what a batch says of the buses, bus grants left out; cycles: at most so many."""
    table = batch.cycles if cycles is None else batch.cycles[:cycles]
    table = table[table.kind != GRANTED]
    refresh = batch.requests.address[batch.request_class == REFRESH_CLASS]
    return (
        table.kind.astype(np.int64), table.note.astype(np.int64), table.address.astype(np.int64), table.data.astype(np.int64),
        refresh.astype(np.int64),
    )  # fmt: skip


def join_buses(parts: Sequence[Columns], has_address: bool, has_data: bool) -> Buses:
    """Return stretches of cycles as one; where they do not follow on each other, one instruction makes no sense."""
    kind, note, address, data, refresh = (np.concatenate(column) for column in zip(*parts, strict=True))
    odd = note != 0
    if has_address:
        odd |= address < 0
    if has_data:
        odd |= data < 0
    return Buses(kind, note, odd, address & 0xFFFF if has_address else None, data & 0xFF if has_data else None, refresh)
