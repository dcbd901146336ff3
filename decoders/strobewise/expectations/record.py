"""Writing a file of expectations from a capture that is as it should be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..bus.lines import ADDRESS, DATA
from ..bus.model import KINDS
from ..bus.semantics import REFRESH_INTERVAL_S
from ..files.plain_data import toml_bytes
from ..learn.machine import regions
from ..learn.watch import Seen as MemorySeen
from ..verdict.line_states import MAY_REST
from .check import running
from .model import BUSES, FEW_CYCLES, VERSION
from .observe import Observation
from .rom_digest import RomDigest, digest_of

if TYPE_CHECKING:
    from tomlkit.items import InlineTable, Table

CUT_CYCLES = 2  #: that begin before a capture, or end behind it
SHARE_FACTOR = 3.0  #: another stretch of the program may have so many times more, or fewer, of a kind of machine cycle
SHARE_LEAST = 5.0  #: percent of the cycles from which on a share is recorded
ORDER_FACTOR = 4.0  #: a kind that is so many times more frequent than another stays so in another stretch of the program
RATE_PERCENT = 2  #: interrupts come by the clock: this is for those cut off at either end
CLOCK_PERCENT = 0.5  #: a crystal is off by far less: this is for another board of the same make with a ceramic resonator (common practice)
CLOCK_PERCENT_ELSEWHERE = 6  #: where the clock is estimated from few leads at a low rate
TIMING_MARGIN_NS = 5.0  #: beside two samples
SILENCE_FACTOR = 2.0  #: another stretch of the program may rest so many times longer
MOVING = {"active", "stuck_high", "stuck_low"}


def recorded(
    seen: Sequence[Observation], files: Sequence[str | Path], exact: bool = False, machine: str | None = None,
    maps: Sequence[str] = (), clock_hz: float | None = None,
) -> str:  # fmt: skip
    """Return expectations that all these captures meet, as TOML with comments.

    seen: observations of the captures in files, at least one. files: as they should stand in the file. exact: for the very same
    captures: counts without tolerance, and the digest where there is only one. machine, maps, clock_hz: how the captures were read.
    Raises UsageError for a file name that TOML cannot hold.
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
    document["capture"] = _capture(files, machine, maps, clock_hz, seen, exact)
    document["verdict"] = _verdict(seen)
    document["findings"] = _findings(seen, exact)
    document["lines"] = _lines(seen, exact)
    document["cycles"] = _cycles(seen, exact)
    if not exact and (shares := _shares(seen)):
        shares.comment("percent of the machine cycles; order: the more frequent kinds first")
        document["shares"] = shares
    document["limits"] = _limits(seen, exact)
    if timing := _timing(seen):
        timing.comment("delay behind the clock edge, nanoseconds; a violation inside one sample is none")
        document["timing_ns"] = timing
    if paging := _paging(seen, exact):
        document["paging"] = paging
    if digest := _digests(seen, exact):
        document["digest"] = digest
    text = tomlkit.dumps(document)
    toml_bytes(text, "--record")
    return text


def _digests(seen: Sequence[Observation], exact: bool) -> Table:
    """Return the digest of the very stream of cycles, or of what was read of ROM, which other captures can be held against."""
    import tomlkit

    table = tomlkit.table()
    array = tomlkit.aot()
    for rom in [] if exact else _roms(seen):
        own = tomlkit.table()
        own["start"], own["digits"] = rom.start, rom.digits
        own["digits"].comment("of the bytes read from ROM, one an address; a dot where none was read")
        array.append(own)
    if len(array):
        table["rom"] = array
    if exact and len(seen) == 1:
        table["cycles"] = seen[0].digest
        table["cycles"].comment("of every machine cycle, times left out")
    return table


def _capture(
    files: Sequence[str | Path], machine: str | None, maps: Sequence[str], clock_hz: float | None, seen: Sequence[Observation], exact: bool
) -> Table:
    import tomlkit

    table = tomlkit.table()
    table["files"] = [str(name) for name in files]
    table["files"].comment("from this file's folder")
    if machine is not None:
        table["machine"] = machine
    if clock_hz is not None:
        table["clock_hz"] = clock_hz
    edges = {one.evidence.clocked for one in seen}
    if len(edges) == 1 and "" not in edges:
        table["clocked"] = edges.pop()
    if not exact:
        fewer = tomlkit.item(True)
        fewer.comment("a capture with fewer leads is held only against what it shows")
        table["fewer_leads"] = fewer
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


def _findings(seen: Sequence[Observation], exact: bool) -> Table:
    import tomlkit

    table = tomlkit.table()
    told = ("fault", "warning") if exact else ("fault",)  # a warning may need leads, or a rate, that another capture has not
    each = [{f.rule for f in one.diagnosis.findings if f.severity != "note"} for one in seen]
    required = sorted(set.intersection(*({f.rule for f in one.diagnosis.findings if f.severity in told} for one in seen)))
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
            if name == "HALT" and any(one.halted for one in seen):
                found.add("stuck_low")  # another capture may lie within a halt
        elif not exact and name in (*ADDRESS, *DATA) and found <= MOVING:
            found.update(MOVING)  # what the program happens to address; a line that is stuck shows in the verdict
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
        elif high <= CUT_CYCLES and name == "unknown":
            table[name] = _inline(most=CUT_CYCLES)
            table[name].comment("the ends of a capture may cut one each")
        elif high == 0 and name == "inferred_fetches":
            table[name] = 0
    return table


def _shares(seen: Sequence[Observation]) -> Table:
    import tomlkit

    table = tomlkit.table()
    found: dict[str, list[float]] = {}
    for one in seen:
        cycles = running(one)
        total = sum(cycles.values())
        if total < FEW_CYCLES:
            return table
        for kind, count in cycles.items():
            found.setdefault(kind, []).append(100 * count / total)
    for name, shares in found.items():
        if min(shares) >= SHARE_LEAST and name != "memory_access":
            table[name] = [math.floor(min(shares) / SHARE_FACTOR), min(100, math.ceil(max(shares) * SHARE_FACTOR))]
    ordered = sorted(table, key=lambda kind: -sum(found[kind]))
    order = ordered[:1]
    for name in ordered[1:]:
        if all(a >= ORDER_FACTOR * b for a, b in zip(found[order[-1]], found[name], strict=True)):
            order.append(name)
    if len(order) > 1:
        table["order"] = order
    return table


def _roms(seen: Sequence[Observation]) -> list[RomDigest]:
    """Return what the captures read of ROM: the bytes that none of them wrote, and that were the same in all."""
    memory = MemorySeen()
    for one in seen:
        memory.add(one.memory)
    values = memory.rom_bytes().tolist()
    return [digest_of(each.start, values[each.start : each.end + 1]) for each in regions(memory) if each.kind == "rom" and memory.data]


def _limits(seen: Sequence[Observation], exact: bool) -> Table:
    import tomlkit

    table = tomlkit.table()
    clocks = [one.evidence.clock.hz for one in seen if one.evidence.clock.hz]
    if len(clocks) == len(seen):
        table["clock_hz"] = _around([round(hz) for hz in clocks], CLOCK_PERCENT if exact else CLOCK_PERCENT_ELSEWHERE)
    rates = [one.interrupts_per_second for one in seen if one.interrupts_per_second is not None]
    if len(rates) == len(seen):
        unsure = math.ceil(100 * max(one.interrupts_unsure for one in seen))
        table["interrupts_per_second"] = _around([round(rate, 2) for rate in rates], max(RATE_PERCENT, unsure))
    for name, spans in (
        ("longest_silence_us", [one.evidence.longest_silence for one in seen]),
        ("longest_without_refresh_us", [one.evidence.longest_without_refresh for one in seen]),
    ):
        lengths = [span.length_s for span in spans if span is not None]
        if len(lengths) == len(seen) and (exact or name == "longest_without_refresh_us"):
            least = 0 if exact else round(REFRESH_INTERVAL_S * 1e6)  # how long a reset or a grant lasts elsewhere is not known
            table[name] = _inline(most=max(least, math.ceil(max(lengths) * 1e6 * SILENCE_FACTOR)))
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


def _paging(seen: Sequence[Observation], exact: bool) -> Table:
    import tomlkit

    table = tomlkit.table(is_super_table=True)
    for record in seen[0].evidence.pagings:
        records = [next((r for r in one.evidence.pagings if r.name == record.name), None) for one in seen]
        if all(each is not None and each.fresh for each in records):
            own = tomlkit.table()
            if exact:
                own["triggers"] = _inline(least=1)  # another stretch of the program may have none
            own["unanswered"] = 0
            table[record.name] = own
    return table


def _inline(**values: float) -> InlineTable:
    import tomlkit

    inline = tomlkit.inline_table()
    inline.update(values)
    return inline
