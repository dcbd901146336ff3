"""What is counted of the items of a stretch of the cycle stream; stretches that follow each other add up."""

from __future__ import annotations

from typing import Dict, Optional, Tuple

from ..bus.model import KIND_INDEX, KINDS
from ..records.evidence import CLASSES, PATTERNS, REFRESH_CLASS, BusEvidence
from .records import HALT, PATTERN_MASK, PATTERN_SHIFT, BegunItem, EndedItem

_HALTS_KEPT = 64  #: addresses of halts, as evidence/collect.py keeps them: four tell a line that lies from a halt
_Key = Tuple[str, int, Optional[int], Optional[int], bool]  #: kind, control words of the cycle and its refresh, wait states, inferred


class Counts:
    """What is counted over a stretch. A cycle costs one dictionary lookup; what the numbers mean is worked out when somebody asks."""

    def __init__(self) -> None:
        """Begin with nothing."""
        self._seen: Dict[_Key, int] = {}
        self.notes: Dict[str, int] = {}
        self.halts: Dict[int, None] = {}  #: addresses at which the CPU stood halted
        self._halted: Dict[int, int] = {}  #: address of each cycle that may yet be noted as halted, by its number
        self.first: Optional[int] = None  #: start of the first cycle
        self.last: Optional[int] = None  #: last release
        self.silence: Optional[Tuple[int, int]] = None
        self.no_refresh: Optional[Tuple[int, int]] = None
        self._first_refresh: Optional[int] = None
        self._last_refresh: Optional[int] = None
        self._fetched = False
        self._lead, self._lead_at = 0, None  # type: int, Optional[int]  # cycles before the first fetch
        self._run, self._run_at = 0, None  # type: int, Optional[int]  # cycles since the last fetch
        self.longest_run, self.run_at = 0, None  # type: int, Optional[int]

    def next(self) -> Counts:
        """Return the empty counts of the stretch that follows."""
        following = Counts()
        following._halted = self._halted
        return following

    def begun(self, item: BegunItem) -> None:
        """Take a cycle's first item."""
        number, kind, start, release, address, _, waits, inferred, control, refresh = item
        seen, key, last = self._seen, (kind, control, refresh, waits, inferred), self.last
        seen[key] = seen[key] + 1 if key in seen else 1
        if kind == "bus_granted":
            return  # that the CPU asks for nothing is all that it says
        self.last = release
        if last is None:
            self.first = start
        elif self.silence is None or start - last > self.silence[1] - self.silence[0]:
            self.silence = (last, start)
        if refresh is not None:
            before, longest = self._last_refresh, self.no_refresh
            if before is None:
                self._first_refresh = release
            elif longest is None or release - before > longest[1] - longest[0]:
                self.no_refresh = (before, release)
            self._last_refresh = release
        if kind == "opcode_fetch":
            if self._run:
                self._end_run()
            self._fetched = True
            if not control & HALT and address is not None:
                self._halted[number] = address
        else:
            if not self._run:
                self._run_at = start
            self._run += 1

    def _end_run(self) -> None:
        """A fetch ends a run of other cycles."""
        if not self._fetched:
            self._lead, self._lead_at = self._run, self._run_at
        if self._run > self.longest_run:
            self.longest_run, self.run_at = self._run, self._run_at
        self._run = 0

    def noted(self, item: EndedItem) -> None:
        """Take the second item of a cycle of which there is something to note."""
        number, note = item[0], item[5]
        address = self._halted.pop(number, None)
        self.notes[note] = self.notes.get(note, 0) + 1
        if note == "halt" and address is not None and len(self.halts) < _HALTS_KEPT:
            self.halts[address] = None

    def followed_by(self, later: Counts) -> Counts:
        """Return the counts of two stretches, the second of which follows this one."""
        both = Counts()
        for part in (self, later):
            for key, number in part._seen.items():
                both._seen[key] = both._seen.get(key, 0) + number
            for note, number in part.notes.items():
                both.notes[note] = both.notes.get(note, 0) + number
        both.halts = dict.fromkeys([*self.halts, *later.halts][:_HALTS_KEPT])
        both.first = self.first if self.last is not None else later.first
        both.last = self.last if later.last is None else later.last
        both.silence = _longest(self.silence, _between(self.last, later.first), later.silence)
        both.no_refresh = _longest(self.no_refresh, _between(self._last_refresh, later._first_refresh), later.no_refresh)
        both._first_refresh = later._first_refresh if self._first_refresh is None else self._first_refresh
        both._last_refresh = self._last_refresh if later._last_refresh is None else later._last_refresh
        both._add_runs(self, later)
        return both

    def _add_runs(self, earlier: Counts, later: Counts) -> None:
        """Fill in the runs of cycles without a fetch; one that goes on over the end of the earlier stretch is one run."""
        lead, lead_at = (later._lead, later._lead_at) if later._fetched else (later._run, later._run_at)
        if earlier._run:
            lead, lead_at = earlier._run + lead, earlier._run_at
        self._fetched = earlier._fetched or later._fetched
        if earlier._fetched:
            self._lead, self._lead_at = earlier._lead, earlier._lead_at
        elif later._fetched:
            self._lead, self._lead_at = lead, lead_at
        self._run, self._run_at = (later._run, later._run_at) if later._fetched else (lead, lead_at)
        runs = [(earlier.longest_run, earlier.run_at), (lead if later._fetched else 0, lead_at), (later.longest_run, later.run_at)]
        self.longest_run, self.run_at = max(runs, key=lambda run: run[0])

    def fill_in(self, evidence: BusEvidence) -> None:
        """Write what was counted into the record that the rules judge."""
        cycles = [0] * len(KINDS)
        histogram = [[0] * PATTERNS for _ in range(CLASSES)]
        for (name, control, refresh, waits, inferred), number in self._seen.items():
            kind = KIND_INDEX[name]
            cycles[kind] += number
            if name == "bus_granted":
                continue
            evidence.requests += number
            evidence.waits += number * (waits or 0)
            histogram[kind][~control >> PATTERN_SHIFT & PATTERN_MASK] += number
            if refresh is not None:
                evidence.requests += number
                histogram[REFRESH_CLASS][~refresh >> PATTERN_SHIFT & PATTERN_MASK] += number
            if name == "opcode_fetch" and inferred:
                evidence.inferred_fetches += number
        evidence.cycles, evidence.histogram, evidence.notes = dict(zip(KINDS, cycles)), histogram, dict(self.notes)
        evidence.halt_addresses = tuple(sorted(self.halts))

    @property
    def longest_without_fetch(self) -> Tuple[int, Optional[int]]:
        """Most cycles in a row without a fetch, that which is under way included, and where they began."""
        return max([(self.longest_run, self.run_at), (self._run, self._run_at)], key=lambda run: run[0])


def _between(end: Optional[int], start: Optional[int]) -> Optional[Tuple[int, int]]:
    return None if end is None or start is None else (end, start)


def _longest(*spans: Optional[Tuple[int, int]]) -> Optional[Tuple[int, int]]:
    """Return the longest of some spans, the first of equal ones; None where there is none."""
    return max((span for span in spans if span is not None), key=lambda span: span[1] - span[0], default=None)
