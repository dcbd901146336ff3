"""Writing a file of expectations from a capture that is as it should be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..bus.model import KINDS
from ..verdict.line_states import MAY_REST
from .model import BUSES, VERSION, ExpectationError
from .observe import Observation

if TYPE_CHECKING:
    from tomlkit.items import InlineTable, Table

FEW = 50  #: machine cycles of a kind below which a share says nothing: at least one is then expected
COUNT_PERCENT = 15  #: captures of one machine begin at different moments and are never equally long
RATE_PERCENT = 2
CLOCK_PERCENT = 0.5
TIMING_MARGIN_NS = 5.0  #: beside two samples
SILENCE_FACTOR = 2.0


def recorded(
    seen: Sequence[Observation], files: Sequence[str | Path], exact: bool = False, machine: str | None = None,
    maps: Sequence[str] = (), clock_hz: float | None = None,
) -> str:  # fmt: skip
    """Return expectations that all these captures meet, as TOML with comments.

    seen: observations of the captures in files, at least one. files: as they should stand in the file. exact: for the very same
    captures: counts without tolerance, and the digest where there is only one. machine, maps, clock_hz: how the captures were read.
    Raises ExpectationError for a file name that TOML cannot hold.
    """
    import tomlkit

    document = tomlkit.document()
    for line in (
        "What is expected of this capture, or of another one of the same machine. Read it, correct it, keep it beside the captures.",
        "strobewise verify CAPTURE --expect THIS-FILE checks it; so does pytest, where strobewise is installed.",
        "A number may be exact, a pair [low, high], { about = N, percent = P }, { least = N } or { most = N }.",
    ):
        document.add(tomlkit.comment(line))
    document["version"] = VERSION
    document["capture"] = _capture(files, machine, maps, clock_hz)
    document["verdict"] = _verdict(seen)
    document["findings"] = _findings(seen)
    document["lines"] = _lines(seen, exact)
    document["cycles"] = _cycles(seen, exact)
    document["limits"] = _limits(seen)
    if timing := _timing(seen):
        timing.comment("delay behind the clock edge, nanoseconds; a violation inside one sample is none")
        document["timing_ns"] = timing
    if paging := _paging(seen):
        document["paging"] = paging
    if exact and len(seen) == 1:
        digest = tomlkit.table()
        digest["cycles"] = seen[0].digest
        digest["cycles"].comment("of every machine cycle, times left out")
        document["digest"] = digest
    text = tomlkit.dumps(document)
    if not text.isascii() and any("\ud800" <= char <= "\udfff" for char in text):
        raise ExpectationError("a name has bytes that are no UTF-8 text, TOML cannot hold it", "--record", "rename that file or folder")
    return text


def _capture(files: Sequence[str | Path], machine: str | None, maps: Sequence[str], clock_hz: float | None) -> Table:
    import tomlkit

    table = tomlkit.table()
    table["files"] = [str(name) for name in files]
    table["files"].comment("from this file's folder")
    if machine is not None:
        table["machine"] = machine
    if clock_hz is not None:
        table["clock_hz"] = clock_hz
    if maps:
        inline = tomlkit.inline_table()
        inline.update(dict(text.partition("=")[::2] for text in maps))
        table["map"] = inline
    return table


def _verdict(seen: Sequence[Observation]) -> Table:
    import tomlkit

    table = tomlkit.table()
    states = sorted({each.diagnosis.verdict.state for each in seen})
    table["state"] = states[0] if len(states) == 1 else states
    suspects = {each.diagnosis.verdict.suspects[0].suspect for each in seen if each.diagnosis.verdict.suspects}
    if states == ["fault"] and len(suspects) == 1:
        table["suspect"] = suspects.pop()
    return table


def _findings(seen: Sequence[Observation]) -> Table:
    import tomlkit

    table = tomlkit.table()
    each = [{f.rule for f in one.diagnosis.findings if f.severity != "note"} for one in seen]
    required = sorted(set.intersection(*each))
    table["allowed"] = sorted(set.union(*each) - set(required))
    table["allowed"].comment("any other fault or warning fails; strobewise explain RULE tells what a rule looks for")
    if required:
        table["required"] = required
    return table


def _lines(seen: Sequence[Observation], exact: bool) -> Table:
    import tomlkit

    table = tomlkit.table()
    states: dict[str, set[str]] = {}
    for one in seen:
        for line in one.diagnosis.lines:
            states.setdefault(line.line, set()).add(line.state)
    for name, found in states.items():
        if not exact and name in MAY_REST and found <= {"idle", "active"}:
            found.update(("idle", "active"))  # what the program and the world outside happen to do
    for bus, members in BUSES.items():
        first = states.get(members[0])
        if first is not None and all(states.get(name) == first for name in members):
            states = {(bus if name == members[0] else name): found for name, found in states.items() if name not in members[1:]}
    for name, found in states.items():
        if found != {"not_captured"}:
            table[name] = found.pop() if len(found) == 1 else sorted(found)
    return table


def _cycles(seen: Sequence[Observation], exact: bool) -> Table:
    import tomlkit

    table = tomlkit.table()
    for name in (*KINDS, "inferred_fetches"):
        counts = [one.evidence.inferred_fetches if name == "inferred_fetches" else one.evidence.cycles[name] for one in seen]
        low, high = min(counts), max(counts)
        if exact:
            table[name] = low if low == high else [low, high]
        elif low >= FEW:
            margin = COUNT_PERCENT / 100
            if low == high:
                table[name] = _inline(about=low, percent=COUNT_PERCENT)
            else:
                table[name] = [math.floor(low * (1 - margin)), math.ceil(high * (1 + margin))]
        elif low > 0:
            table[name] = _inline(least=1)
        elif high == 0 and name in ("unknown", "inferred_fetches"):
            table[name] = 0
    return table


def _limits(seen: Sequence[Observation]) -> Table:
    import tomlkit

    table = tomlkit.table()
    clocks = [one.evidence.clock.hz for one in seen if one.evidence.clock.hz]
    if len(clocks) == len(seen):
        table["clock_hz"] = _around([round(hz) for hz in clocks], CLOCK_PERCENT)
    rates = [one.interrupts_per_second for one in seen if one.interrupts_per_second is not None]
    if len(rates) == len(seen):
        table["interrupts_per_second"] = _around([round(rate, 2) for rate in rates], RATE_PERCENT)
    for name, spans in (
        ("longest_silence_us", [one.evidence.longest_silence for one in seen]),
        ("longest_without_refresh_us", [one.evidence.longest_without_refresh for one in seen]),
    ):
        lengths = [span.length_s for span in spans if span is not None]
        if len(lengths) == len(seen):
            table[name] = _inline(most=math.ceil(max(lengths) * 1e6 * SILENCE_FACTOR))
    return table


def _around(values: Sequence[float], percent: float) -> InlineTable | list[float]:
    low, high = min(values), max(values)
    if low == high:
        return _inline(about=low, percent=percent)
    return [low * (1 - percent / 100), high * (1 + percent / 100)]


def _timing(seen: Sequence[Observation]) -> Table:
    import tomlkit

    table = tomlkit.table()
    for name in seen[0].timing_ns:
        values = [one.timing_ns.get(name) for one in seen]
        known = [value for value in values if value is not None]
        margin = 2 * max(one.uncertainty_ns or 0.0 for one in seen) + TIMING_MARGIN_NS
        if len(known) == len(seen):
            table[name] = _inline(most=math.ceil(max(known) + margin))
    return table


def _paging(seen: Sequence[Observation]) -> Table:
    import tomlkit

    table = tomlkit.table(is_super_table=True)
    for record in seen[0].evidence.pagings:
        records = [next((r for r in one.evidence.pagings if r.name == record.name), None) for one in seen]
        if all(each is not None and each.fresh for each in records):
            own = tomlkit.table()
            own["triggers"] = _inline(least=1)
            own["unanswered"] = 0
            table[record.name] = own
    return table


def _inline(**values: float) -> InlineTable:
    import tomlkit

    inline = tomlkit.inline_table()
    inline.update(values)
    return inline
