"""Machine cycles in, findings out. What is a fault is said by the rules; this file only speaks with the host."""

from __future__ import annotations

import os
import sys

import sigrokdecode as srd

_here = os.path.dirname(os.path.realpath(__file__))
for _folder in (_here, os.path.dirname(os.path.dirname(_here))):
    if os.path.isdir(os.path.join(_folder, "strobewise")):
        if _folder not in sys.path:
            sys.path.append(_folder)
        break

from strobewise.rules import find_rule, run
from strobewise.rules.base import LASTING_S, host_rules
from strobewise.stream.labels import ALONE_TEXTS, finding_texts
from strobewise.stream.observer import Observer
from strobewise.stream.paging import PagingOptions, PagingWatch, parse_addresses, parse_ranges
from strobewise.stream.records import Begun

#: The window colours a class by its number and its row: so findings are red and warnings yellow.
TRIGGER, ANSWER, SILENCE, REMARK, FINDING, WARNING = range(6)
FIRST_STRETCH, STRETCH_CYCLES = 64, 512  #: machine cycles that the rules judge together: a few at first, twice as many each time
ANSWER_LINES = ("ROMDIS", "WAIT", "INT", "NMI", "BUSREQ")


class Decoder(srd.Decoder):
    """Bus faults."""

    api_version = 3
    id = "strobewise_faults"
    name = "Z80 bus faults"
    longname = "Z80 bus faults and paging"
    desc = "Faults of a Z80 computer's bus as they happen, and what expansion devices answer."
    license = "mit"
    inputs = ["strobewise_cycles"]
    outputs = ["strobewise_cycles"]
    tags = ["Retro computing", "Bus"]
    options = (
        {"id": "triggers", "desc": "Paging: trigger addresses (0x0058 0x01d4)", "default": ""},
        {"id": "answer", "desc": "Paging: line that the device answers on", "default": "ROMDIS", "values": ANSWER_LINES},
        {"id": "answer_level", "desc": "Paging: its level when it answers", "default": "high", "values": ("high", "low")},
        {"id": "within", "desc": "Paging: T-states within which it answers", "default": 4},
        {"id": "released_by", "desc": "Paging: fetches that release it (0x2f40-0x2f4f)", "default": ""},
    )
    annotations = (
        ("paging-trigger", "Paging trigger"),
        ("paging-answer", "Paging answer"),
        ("paging-silence", "Paging trigger without an answer"),
        ("remark", "Remark"),
        ("finding", "Finding"),
        ("warning", "Warning"),
    )
    annotation_rows = (
        ("paging", "Paging", (TRIGGER, ANSWER, SILENCE)),
        ("findings", "Findings", (FINDING, WARNING)),
        ("remarks", "Remarks", (REMARK,)),
    )

    def __init__(self):
        self.reset()

    def reset(self):
        self.observer = self.paging = None
        self.of_stretch, self.of_standstill, self.ongoing = host_rules("stretch"), host_rules("standstill"), host_rules("ongoing")
        self.of_lasting, self.of_whole = host_rules("lasting"), host_rules("whole", "standstill", "ongoing", "lasting")
        self.stopped = False
        self.cycles = self.stretch_start = 0
        self.stretch_cycles = FIRST_STRETCH
        self.standing = set()  #: rules that have spoken since the bus stands still
        self.told = set()  #: rules that have spoken of a fault and need not do so again
        self.warned = set()  #: rules that have spoken of a warning before the end; a fault may yet become of it
        self.spoken = set()  #: rules that have spoken of a fault

    def start(self):
        self.out = self.register(srd.OUTPUT_ANN)
        self.stream = self.register(srd.OUTPUT_PYTHON)
        self.count = self.register(srd.OUTPUT_META, meta=(int, "Faults", "Kinds of fault found"))
        options = self.options
        try:
            if options["answer"] not in ANSWER_LINES:
                raise ValueError(f"option answer is {options['answer']!r}: give {', '.join(ANSWER_LINES)}")
            if options["answer_level"] not in ("high", "low"):
                raise ValueError(f"option answer_level is {options['answer_level']!r}: give 'high' or 'low'")
            if not 1 <= options["within"] <= 1000:
                raise ValueError(f"option within is {options['within']}: give 1 to 1000 T-states")
            triggers, ranges = parse_addresses(options["triggers"]), parse_ranges(options["released_by"])
        except ValueError as error:
            raise ValueError(f"strobewise_faults: {error}") from None
        self.asked = PagingOptions(triggers, options["answer"], int(options["answer_level"] == "high"), options["within"], ranges)

    def decode(self, start=0, end=0, message=None):
        self.put(start, end, self.stream, message)  # whoever is stacked on this one gets the machine cycles, too
        if self.stopped:
            return
        if message is None:  # the host runs it by itself
            self.show(REMARK, 0, 1, ALONE_TEXTS)
            return
        try:
            if message[0] == "cycles":
                self.take_cycles(message[1], message[2])
            else:
                self.take(message)
        except Exception as error:  # in the host's window an exception would hide all that was found
            self.stopped = True
            self.show(REMARK, start, end, [f"strobewise stopped here, please report it: {error!r}", "stopped", "!"])

    def take(self, message):
        """Take one message of the cycle stream, but those of a cycle."""
        what, observer = message[0], self.observer
        if what == "wants":
            message[1].add("cycles")
        elif what == "bus":
            self.observer = Observer(message[1])
            if message[1].rate is None:
                self.show(REMARK, 0, 1, ["The sample rate is not known: what is too long or too often is not judged", "no rate", "!"])
            self.watch_paging(message[1])
        elif observer is None:
            return
        elif what == "line":
            observer.line(*message[1:])
            if message[1:3] == ("RESET", 1):
                self.judge_ongoing(message[3])
        elif what == "quiet":
            observer.quiet(*message[1:5])
            rules = self.of_standstill | self.of_stretch if self.cycles == self.stretch_start == 0 else self.of_standstill
            self.judge(observer.whole, 0, message[1], rules - self.standing, self.standing)
        elif what == "finish":
            self.finish(message[1])

    def take_cycles(self, begun, ended):
        """Take the first and the second items of some cycles."""
        observer = self.observer
        if begun:
            self.standing.clear()
        for item in begun:
            if self.cycles >= self.stretch_cycles:
                self.end_stretch(item[2])
            self.cycles += 1
            observer.begun(item)
            if self.paging is not None:
                self.page(Begun._make(item))
        for item in ended:
            if item[5]:
                observer.ended(item)

    def end_stretch(self, now):
        """Judge the stretch under way, and begin the next."""
        self.judge(self.observer.stretch, self.stretch_start, now, self.of_stretch)
        self.judge_ongoing(now)
        self.observer.new_stretch(max(now, 0))
        self.cycles, self.stretch_start = 0, now
        self.stretch_cycles = min(2 * self.stretch_cycles, STRETCH_CYCLES)

    def page(self, item):
        """Follow the expansion device."""
        if self.paging.is_trigger(item):
            self.show(TRIGGER, item.start, item.release, ["Paging trigger 0x%04x" % item.address, "Trigger %04x" % item.address, "T"])
        self.paging.feed(item)

    def judge_ongoing(self, now):
        """Let speak, once, the rules for which what there was up to now is enough."""
        rules = self.ongoing | self.of_lasting if now >= LASTING_S * self.observer.rate else self.ongoing
        if not self.told >= rules:
            self.judge(self.observer.whole, 0, now, rules - self.told, self.told, at_end=False)

    def judge(self, counts, start, end, rules, spoken=None, silent=(), at_end=True):
        """Let rules judge a stretch, and show what they find over it; spoken: is told which have spoken; silent: need not speak again.

        at_end: what has lasted up to now lasts to the end of the capture.
        """
        if self.observer.bus.rate is None:
            rules = rules & self.of_stretch  # the others judge seconds
        evidence = self.observer.evidence(counts, max(start, 0), max(end, 0))
        if self.paging is not None:
            evidence.pagings = [self.paging.record]
        for finding in run(evidence, rules):
            if finding.severity == "note" or finding.rule in silent:
                continue
            first = start if finding.first_s is None else round(finding.first_s * self.observer.rate)
            last = end if finding.last_s is None else round(finding.last_s * self.observer.rate)
            lasts = finding.severity == "fault" and last - first > LASTING_S * self.observer.rate
            if not at_end and finding.rule in self.of_lasting and not lasts:
                continue
            warns = finding.severity == "warning" and rules.isdisjoint(self.of_stretch)
            if warns and finding.rule in self.warned:
                continue
            place = FINDING if finding.severity == "fault" else WARNING
            self.show(place, first, last, finding_texts(finding, find_rule(finding.rule).title))
            if finding.severity == "fault":
                self.spoken.add(finding.rule)
            if warns and not at_end:
                self.warned.add(finding.rule)
            elif spoken is not None:
                spoken.add(finding.rule)

    def watch_paging(self, bus):
        if not self.asked.fetch_at:
            return
        missing = [name for name in (self.asked.line, *(f"A{bit}" for bit in range(16))) if name not in bus.captured]
        if missing or not bus.t_samples:
            why = f"map {', '.join(missing)}" if missing else "the length of a T-state is not known"
            self.show(REMARK, 0, 1, [f"Paging can not be followed: {why}", "no paging", "!"])
            return
        self.paging = PagingWatch(self.asked, bus.t_samples, self.observer.rate, "M1" in bus.captured, self.answered)

    def answered(self, asked):
        """Show what became of a paging trigger."""
        line, begun = self.asked.line, asked.begun
        if asked.answered_at is not None:
            self.show(ANSWER, begun.start, asked.answered_at, [f"{line} answers 0x{begun.address:04x}", f"{line} answers", "A"])
            return
        how = "without /M1" if begun.inferred else "fetched"
        long = f"Paging trigger 0x{begun.address:04x} {how}, no answer on {line} within {self.asked.within_t} T-states"
        waited = round(self.asked.within_t * self.observer.bus.t_samples)
        self.show(SILENCE, begun.release, begun.release + waited, [long, "No answer", "-"])  # behind the trigger's own item

    def finish(self, end):
        """Judge what is left, and what only the whole capture shows."""
        if self.cycles >= self.stretch_cycles // 4 or self.stretch_start == 0:  # a few cycles say too little by themselves
            self.judge(self.observer.stretch, self.stretch_start, end, self.of_stretch)
        self.judge(self.observer.whole, 0, end, self.of_whole, silent=self.standing | self.told)
        self.put(0, end, self.count, len(self.spoken))

    def show(self, place, start, end, texts):
        start = max(start, 0)
        self.put(start, max(end, start + 1), self.out, [place, texts])
