"""A learned machine as a profile in TOML: what a person wrote stays, what is missing is added, what was seen stands in comments."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

from .machine import Answering, Learned, Region

if TYPE_CHECKING:
    from tomlkit import TOMLDocument
    from tomlkit.items import Integer, Table

BEGIN = "# --- seen by strobewise learn: written anew each time; keep your own notes above or below ---"
END = "# --- end of what was seen ---"
_BLOCK = re.compile(rf"\n*{re.escape(BEGIN)}\n.*?{re.escape(END)}\n?", re.DOTALL)
PORTS_SHOWN = 12  #: in a comment of the profile; more of them nobody reads


def profile_text(learned: Learned, before: str | None = None, rom_file: str | None = None) -> str:
    """Return the profile. before: the file as it stands, valid TOML. rom_file: where the bytes of the ROM are written, from the profile."""
    import tomlkit

    document = tomlkit.parse(_BLOCK.sub("\n", before).rstrip("\n") + "\n" if before else "")
    if before is None:
        document.add(tomlkit.comment("Learned from captures of a healthy machine: correct it, and add what you know. Your lines are kept."))
        document["name"] = "learned"
        document["name"].comment("what you call it")
    kept = _add_facts(document, learned)
    text = tomlkit.dumps(document).rstrip("\n") + "\n"
    return text + "\n" + "\n".join([BEGIN, *_seen_lines(learned, kept, rom_file), END]) + "\n"


def _add_facts(document: TOMLDocument, learned: Learned) -> list[str]:
    """Add what the file does not say; return the names of what it says already."""
    import tomlkit

    kept = [name for name in ("clock_hz", "interrupt_period_t_states", "memory", "paging") if name in document]
    plain = tomlkit.document()
    if learned.clock_hz is not None and learned.clock_measured and "clock_hz" not in kept:
        plain["clock_hz"] = learned.clock_hz
    if learned.interrupt_t is not None and "interrupt_period_t_states" not in kept:
        plain["interrupt_period_t_states"] = learned.interrupt_t
    for name, value in plain.items():  # before the first table, or they would belong to it
        _insert(document, name, value)
    if "memory" not in kept and any(region.kind for region in learned.regions):
        array = tomlkit.aot()
        for region in learned.regions:
            if region.kind:
                array.append(_region_table(region))
        document["memory"] = array
    if "paging" not in kept and learned.paging is not None:
        array = tomlkit.aot()
        array.append(_paging_table(learned.paging))
        document["paging"] = array
    return kept


def _insert(document: TOMLDocument, name: str, value: object) -> None:
    from tomlkit.items import AoT, Table

    tables = [key for key, each in document.items() if isinstance(each, (Table, AoT))]
    rest = {key: document.pop(key) for key in tables}
    document[name] = value
    for key, each in rest.items():
        document[key] = each


def _region_table(region: Region) -> Table:
    import tomlkit

    table = tomlkit.table()
    table["kind"] = region.kind
    for name, value in (("start", region.start), ("end", region.end)):
        table[name] = _hexadecimal(value)
    return table


def _paging_table(paging: Answering) -> Table:
    import tomlkit

    table = tomlkit.table()
    table["name"] = "learned"
    table["fetch_at"] = [_hexadecimal(address) for address in paging.fetch_at]
    table["responds_on"] = "ROMDIS"
    table["within_t_states"] = paging.within_t
    if paging.released:
        table["released_by_fetch_in"] = [[_hexadecimal(value) for value in pair] for pair in paging.released]
    return table


def _hexadecimal(value: int) -> Integer:
    from tomlkit.items import Integer, Trivia

    return Integer(value, Trivia(), f"0x{value:04X}")


def _seen_lines(learned: Learned, kept: list[str], rom_file: str | None) -> list[str]:
    """Return what the captures showed, as comments."""
    seen = learned.seen
    lines = [f"captures: {', '.join(learned.captures)}"]
    if learned.clock_hz is not None:
        estimated = "" if learned.clock_measured else ", estimated from the strobes, since CLK was not captured"
        lines.append(f"clock: {learned.clock_hz} Hz{estimated}")
    if learned.interrupt_t is not None:
        lines.append(f"interrupt requests: every {learned.interrupt_t} T-states")
    lines += _memory_lines(learned, rom_file)
    for what, ports in (("read", seen.ports_read), ("written", seen.ports_written)):
        if ports:
            lines.append(f"ports {what}: {_ports(ports)}")
    for kind, counts in seen.waits.items():
        asked = {waits: times for waits, times in sorted(counts.items()) if waits}
        if asked:
            told = ", ".join(f"{waits} in {times}" for waits, times in asked.items())
            lines.append(f"wait states, {kind.replace('_', ' ')}: {told} of {sum(counts.values())} cycles")
    if seen.line_captured and learned.paging is None:
        lines.append("ROMDIS: it answered no fetch")
    if kept:
        lines.append(f"left as you wrote it: {', '.join(kept)}")
    return ["# " + line for line in lines]


def _memory_lines(learned: Learned, rom_file: str | None) -> list[str]:
    if not learned.seen.addresses:
        return ["memory: not seen, A0 to A15 were not all captured"]
    lines = []
    words = {"": "only read: ROM, RAM that nothing wrote meanwhile, or a device", "nothing": "reads FFh, as where nothing answers"}
    for region in learned.regions:
        spans = ", ".join(f"{start:04X}-{end:04X}" for start, end in region.seen)
        lines.append(f"memory {region.start:04X}-{region.end:04X}: {words.get(region.kind, region.kind.upper())}; seen {spans}")
    lines.append("memory elsewhere: not seen")
    if rom_file is not None:
        lines.append(f"file = {rom_file!r} in [[memory]] has the ROM checked, once you have filled in the bytes that were not seen")
    return lines


def _ports(ports: Counter[int]) -> str:
    shown = ", ".join(f"{port:02X}h ({times})" for port, times in sorted(ports.items())[:PORTS_SHOWN])
    return shown + (f" and {len(ports) - PORTS_SHOWN} more" if len(ports) > PORTS_SHOWN else "")
