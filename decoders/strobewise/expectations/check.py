"""Holding a capture against what is expected of it: one check for each key of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from ..bus.model import KINDS
from ..bus.units import time_words
from ..profile.options import Options
from ..records.expansion import SLACK_T, PagingRecord, Trigger
from ..rules import CATALOGUE
from ..rules.blame import THE_CAPTURE
from .model import FEW_CYCLES, NEVER, Check, CheckedCapture, Expectations, Range, shown
from .observe import Observation, Seen, observe
from .rom_digest import compare

#: Kinds of machine cycle and the lines that tell them from others; a fetch shows by its refresh.
TOLD_BY = {
    "memory_read": ("RD", "WR"), "memory_write": ("RD", "WR"), "io_read": ("IORQ", "RD", "WR"), "io_write": ("IORQ", "RD", "WR"),
    "interrupt_acknowledge": ("IORQ",), "bus_granted": ("BUSACK",), "memory_access": ("RD", "WR"),
    "unknown": ("M1", "MREQ", "IORQ", "RD", "WR"),
}  # fmt: skip
#: Rules that speak of the capture alone, and not of the machine: another rate or another moment may trip them.
OF_THE_CAPTURE = frozenset(each.id for each in CATALOGUE if each.suspects == THE_CAPTURE)
OTHER_STREAM = "the machine cycles are not those that were recorded; strobewise compare shows where two captures part"


def verify(
    capture: str | Path, expected: Expectations, options: Options, progress: Callable[[int], None] | None = None
) -> CheckedCapture:
    """Read a capture and check it. options: from ``options_of``. Raises StrobewiseError, OSError."""
    return check(str(capture), expected, observe(capture, options, expected.events, progress))


def check(capture: str, expected: Expectations, seen: Observation) -> CheckedCapture:
    """Return all checks, in the order of the file format; a quantity that nobody can tell is a failure."""
    return CheckedCapture(capture, tuple(_checks(expected, seen)))


def _checks(expected: Expectations, seen: Observation) -> Iterator[Check]:
    yield from _verdict(expected, seen)
    yield from _findings(expected, seen)
    yield from _lines(expected, seen)
    for name, allowed in expected.cycles.items():
        if expected.fewer_leads and not seen.evidence.has(*(("M1",) if name == "inferred_fetches" else TOLD_BY.get(name, ()))):
            continue  # without /M1 all fetches are concluded; a kind that the leads do not tell is not held against the machine
        count = seen.evidence.inferred_fetches if name == "inferred_fetches" else seen.evidence.cycles[name]
        yield Check(f"cycles.{name}", count in allowed, allowed.text, str(count), "")
    yield from _shares(expected, seen)
    yield from _limits(expected, seen)
    yield from _timing(expected, seen)
    yield from _paging(expected, seen)
    for event, found in zip(expected.events, seen.events, strict=True):
        yield _event(event.key, event.text, event.count, found)
    yield from _roms(expected, seen)
    if expected.digest is not None:
        yield Check("digest.cycles", seen.digest == expected.digest, expected.digest, seen.digest, "", OTHER_STREAM)


def _verdict(expected: Expectations, seen: Observation) -> Iterator[Check]:
    verdict = seen.diagnosis.verdict
    if expected.states:
        faults = [f for f in seen.diagnosis.findings if f.severity == "fault" and f.first_s is not None]
        where = _from(min(f.first_s for f in faults if f.first_s is not None)) if faults else ""
        fewer = expected.fewer_leads and verdict.state == "cannot_decide" and "fault" not in expected.states
        good = fewer or verdict.state in expected.states
        yield Check("verdict.state", good, " or ".join(expected.states), verdict.state, where, verdict.summary)
    if expected.suspect is not None:
        suspect = verdict.suspects[0].suspect if verdict.suspects else "none"
        yield Check("verdict.suspect", suspect == expected.suspect, expected.suspect, suspect, "", verdict.summary)


def _findings(expected: Expectations, seen: Observation) -> Iterator[Check]:
    found = seen.diagnosis.findings
    for rule in expected.required_findings:
        mine = [f for f in found if f.rule == rule]
        where = _from(mine[0].first_s) if mine else ""
        yield Check(f"findings.required.{rule}", bool(mine), rule, mine[0].evidence if mine else "no such finding", where)
    if expected.allowed is None:
        return
    known = {*expected.allowed, *expected.required_findings}
    if expected.fewer_leads:
        known |= OF_THE_CAPTURE
    new = [f for f in found if f.severity != "note" and f.rule not in known]
    for finding in new:
        seen_text = f"{finding.severity} {finding.rule}: {finding.evidence}"
        yield Check(f"findings.new.{finding.rule}", False, "no such finding", seen_text, _from(finding.first_s))
    if not new:
        listed = ", ".join(sorted({*expected.allowed, *expected.required_findings})) or "none"
        yield Check("findings.new", True, f"no findings but these: {listed}", "no others", "")


def _lines(expected: Expectations, seen: Observation) -> Iterator[Check]:
    states = {line.line: line for line in seen.diagnosis.lines}
    for name, allowed in expected.lines.items():
        line = states.get(name)
        state = line.state if line is not None else "not_captured"
        if state == "not_captured" and expected.fewer_leads:
            continue
        yield Check(f"lines.{name}", state in allowed, " or ".join(allowed), state, "", line.remark if line is not None else "")


def _shares(expected: Expectations, seen: Observation) -> Iterator[Check]:
    """Hold the shares of the kinds of machine cycle, and their order, against what is expected, as far as the leads tell kinds apart."""
    cycles = running(seen)
    total = sum(cycles.values())
    if expected.fewer_leads and expected.halts and not seen.evidence.has("HALT"):
        return  # how many of the fetches are those of a halted CPU is not known
    told = [kind for kind in KINDS if seen.evidence.has(*TOLD_BY.get(kind, ()))]
    for kind, allowed in expected.shares.items():
        if expected.fewer_leads and (kind not in told or total < FEW_CYCLES):
            continue
        share = 100 * cycles[kind] / total if total else None
        remark = "" if kind in told else f"{' and '.join(TOLD_BY[kind])} tell this kind, and were not captured"
        yield Check(f"shares.{kind}", kind in told and share in allowed, f"{allowed.text} %", f"{shown(share)} %", "", remark)
    order = [kind for kind in expected.order if kind in told or not expected.fewer_leads]
    if len(order) > 1 and (total >= FEW_CYCLES or not expected.fewer_leads):
        counts = [cycles[kind] for kind in order]
        text = ", ".join(f"{kind} {count}" for kind, count in zip(order, counts, strict=True))
        yield Check("shares.order", counts == sorted(counts, reverse=True), " >= ".join(order), text, "")


def running(seen: Observation) -> dict[str, int]:
    """Return the machine cycles by kind, without those of a halted CPU and of other bus masters: they say nothing of the program."""
    cycles = {kind: count for kind, count in seen.evidence.cycles.items() if kind != "bus_granted"}
    return {**cycles, "opcode_fetch": cycles["opcode_fetch"] - seen.halted}


def _roms(expected: Expectations, seen: Observation) -> Iterator[Check]:
    values = seen.memory.rom_bytes().tolist() if expected.rom_digests else []
    for number, digest in enumerate(expected.rom_digests, 1):
        found = compare(digest, values)
        if not found.compared and expected.fewer_leads:
            continue
        text = f"{len(found.wrong)} of {found.compared} bytes differ" if found.compared else "cannot tell: none of these addresses was read"
        where = f"first at 0x{found.wrong[0]:04x}" if found.wrong else ""
        good = found.compared > 0 and not found.wrong
        yield Check(f"digest.rom[{number}]", good, f"the bytes that were recorded from 0x{digest.start:04x} on", text, where)


def _limits(expected: Expectations, seen: Observation) -> Iterator[Check]:
    evidence = seen.evidence
    silence, refresh = evidence.longest_silence, evidence.longest_without_refresh
    measured: dict[str, tuple[float | None, str]] = {
        "clock_hz": (evidence.clock_hz, ""),
        "interrupts_per_second": (seen.interrupts_per_second, ""),
        "wait_states": (evidence.waits, ""),
        "longest_silence_us": (silence.length_s * 1e6, _from(silence.start_s)) if silence else (None, ""),
        "longest_without_refresh_us": (refresh.length_s * 1e6, _from(refresh.start_s)) if refresh else (None, ""),
    }
    for name, allowed in expected.limits.items():
        value, where = measured[name]
        if value is None and expected.fewer_leads:
            continue
        text, remark = shown(value), ""
        if value is None and name == "interrupts_per_second":
            text = f"cannot tell: {seen.interrupts} interrupt{'s' if seen.interrupts != 1 else ''} in the capture"
        if value is None and name == "clock_hz":
            remark = "the clock was neither captured nor could it be estimated"
        good = value is not None and value in allowed
        if value is not None and name == "interrupts_per_second":  # a rate is known no better than the capture shows it
            good = allowed.meets(value * (1 - seen.interrupts_unsure), value * (1 + seen.interrupts_unsure))
        yield Check(f"limits.{name}", good, allowed.text, text, where, remark)


def _timing(expected: Expectations, seen: Observation) -> Iterator[Check]:
    for name, allowed in expected.timing_ns.items():
        value = seen.timing_ns.get(name)
        if value is None or seen.uncertainty_ns is None:
            if expected.fewer_leads:
                continue
            text = "cannot tell: CLK or the line was not captured, or its edges do not keep to the clock"
            yield Check(f'timing_ns."{name}"', False, allowed.text, text, "")
            continue
        # A violation inside the uncertainty of one sample is none.
        low, high = value - seen.uncertainty_ns, value + seen.uncertainty_ns
        good = allowed.meets(low, high)
        yield Check(f'timing_ns."{name}"', good, allowed.text, f"{value:.0f} (known to {seen.uncertainty_ns:.0f} ns)", "")


def _paging(expected: Expectations, seen: Observation) -> Iterator[Check]:
    records = {record.name: record for record in seen.evidence.pagings}
    for name, paging in expected.paging.items():
        record = records.get(name)
        fresh = [] if record is None else record.fresh
        t_s = 1.0 / seen.evidence.clock.hz if seen.evidence.clock.hz else None
        late = [trigger for trigger in fresh if record is not None and not _answered(trigger, record, t_s)]
        for key, allowed, found in (("triggers", paging.triggers, fresh), ("unanswered", paging.unanswered, late)):
            if allowed is None or (record is None and expected.fewer_leads):
                continue
            text = str(len(found)) if record is not None else "cannot tell: not in the machine's profile, or its lines were not captured"
            where = _from(found[0].time_s) + f", fetch at 0x{found[0].address:04x}" if found else ""
            yield Check(f"paging.{name}.{key}", record is not None and len(found) in allowed, allowed.text, text, where)


def _answered(trigger: Trigger, record: PagingRecord, t_s: float | None) -> bool:
    if trigger.answer_s is None:
        return False
    return t_s is None or trigger.answer_s <= (record.within_t + SLACK_T) * t_s


def _event(key: str, text: str, count: Range, found: Seen) -> Check:
    if found.cannot_tell:
        return Check(key, False, f"{text}: {_times(count)}", f"cannot tell: {found.cannot_tell}", "")
    where = _from(found.first_s) if found.first_s is not None else ""
    return Check(key, found.count in count, f"{text}: {_times(count)}", f"{found.count} times", where)


def _times(count: Range) -> str:
    return "never" if count == NEVER else f"{count.text} times"


def _from(seconds: float | None) -> str:
    return "" if seconds is None else f"from {time_words(seconds)} on"
