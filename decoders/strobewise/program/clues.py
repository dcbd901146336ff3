"""What a difference between bus and model tells: the content of a register that nobody knew, or a data line that was captured wrong."""

from __future__ import annotations

from typing import List, NamedTuple, Optional, Sequence

from ..cpu.dependences import MASK, Dependences
from ..cpu.model import Z80
from .capture_bus import ACK, FETCH, FLAG_SHIFT, READ, PredictionRows
from .steps import Entry, entries, successors

#: Bit of F that a condition asks for (UM0080, flags).
CONDITION_BITS = {"NZ": 0x40, "Z": 0x40, "NC": 1, "C": 1, "PO": 4, "PE": 4, "P": 0x80, "M": 0x80}
PAIRS = (("b", "c"), ("d", "e"), ("h", "l"), ("ixh", "ixl"), ("iyh", "iyl"))
_PAIR_OF = {MASK[high] | MASK[low]: (high, low) for high, low in PAIRS}
_BYTE_OF = {MASK[name]: name for name in ("a", "f", "b", "c", "d", "e", "h", "l")}
_LOW_FIRST = "LD ("  #: LD (nn),HL stores the low byte first, PUSH and EX (SP),HL the high one (UM0080)


def learn_address(cpu: Z80, sources: int, unknown: int, expected: int, found: int) -> int:
    """Set the registers that an address stems from so that the address becomes the one found.

    expected: the address that their present content gives. Returns the mask of what is known then, 0 when it can not be.
    """
    change = found - expected
    if sources == MASK["sp"]:
        cpu.sp = cpu.sp + change & 0xFFFF
        return sources
    if sources == MASK["a"]:  # A8 to A15 of IN A,(n) and OUT (n),A
        if change & 0xFF:
            return 0
        cpu.a = cpu.a + (change >> 8) & 0xFF
        return sources
    pair = _PAIR_OF.get(sources)
    if pair is None:
        return 0
    high, low = pair
    before = getattr(cpu, high) << 8 | getattr(cpu, low)
    after = before + change & 0xFFFF
    for name, old, new in ((high, before >> 8, after >> 8), (low, before & 0xFF, after & 0xFF)):
        if old != new and not unknown & MASK[name]:
            return 0
    setattr(cpu, high, after >> 8)
    setattr(cpu, low, after & 0xFF)
    return sources


def learn_value(cpu: Z80, known: Dependences, number: int, unknown: int, found: int) -> int:
    """Set the register that an instruction stores as it is to the byte found; number: of the data cycle. Returns its mask, 0 for none."""
    sources = known.transfers[number].value
    name = _BYTE_OF.get(sources)
    pair = _PAIR_OF.get(sources) or (("a", "f") if sources == MASK["a"] | MASK["f"] else None)
    if pair is not None:
        stores = [k for k, transfer in enumerate(known.transfers) if transfer.value == sources]
        second = stores.index(number) == 1
        name = pair[second != known.operation.text.startswith(_LOW_FIRST)]
    if name is None or not unknown & MASK[name]:
        return 0
    setattr(cpu, name, found)
    return MASK[name]


def seen_registers(known: Dependences, transfers: int) -> int:
    """Return the registers that the first so many data cycles of an instruction have shown."""
    seen = 0
    for transfer in known.transfers[:transfers]:
        if transfer.address in _PAIR_OF or transfer.address in (MASK["sp"], MASK["a"]):
            seen |= transfer.address
        if known.copies and not transfer.value & (MASK["sp"] | MASK["cmos"]):
            seen |= transfer.value
    return seen


class Explanation(NamedTuple):
    """What one could have read otherwise for the bus to make sense."""

    lines: str  #: a data line "D3" read at its other level, or two leads changed over, "D3<>D4"
    level: int  #: captured on the one line; 0 for two


def explanations(rows: PredictionRows, at: int) -> List[Explanation]:
    """Return what makes an instruction fit the cycles behind it: one data line read at its other level, or two changed over.

    at: row of its first byte. The line may have been wrong in one byte of the instruction or in all of them.
    """
    code = rows.data[at : at + 4]
    length = 1
    while length < len(code) and rows.key[at + length] >> 16 in (FETCH, READ):
        length += 1
    if min(code[:length]) < 0:
        return []
    found = []
    for line in range(8):
        for places in [(place,) for place in range(length)] + [tuple(range(length))] * (length > 1):
            changed = [byte ^ (1 << line) if place in places else byte for place, byte in enumerate(code)]
            if _fits(rows, at, changed, places[0]):
                found.append(Explanation(f"D{line}", code[places[0]] >> line & 1))
                break
    for low in range(8):
        for high in range(low + 1, 8):
            mask = 1 << low | 1 << high
            changed = [byte ^ mask if byte >= 0 and byte & mask not in (0, mask) else byte for byte in code]
            if changed[:length] != code[:length] and _fits(rows, at, changed, 0):
                found.append(Explanation(f"D{low}<>D{high}", 0))
    return found


def _entry(code: Sequence[int]) -> Optional[Entry]:
    if not code or code[0] < 0:
        return None
    return entries().first[code[0]] or entries().prefixed(code)


def _fits(rows: PredictionRows, at: int, code: Sequence[int], place: int) -> bool:
    """Say whether an instruction of these bytes goes with the rows and with the address that follows them.

    place: the first byte that was changed; an instruction that ends before it explains nothing.
    """
    entry = _entry(code)
    if entry is None or place >= entry.length or min(code[: entry.length]) < 0:
        return False
    address = rows.key[at] & 0xFFFF
    for pattern, _, size in entry.courses:
        keys = rows.key[at : at + size + 1]
        if len(keys) <= size or [key >> 16 for key in keys[:size]] != list(pattern) or keys[size] >> 16 not in (FETCH, ACK):
            continue
        if any(keys[k] & 0xFFFF != address + k & 0xFFFF for k in range(entry.length)):
            continue
        popped = None
        if "pop" in entry.operation.effects and size > entry.length:
            popped = rows.data[at + size - 2] | rows.data[at + size - 1] << 8
        allowed = successors(entry.operation, address, bytes(code[: entry.length]), popped)
        if not allowed or keys[size] & 0xFFFF in allowed:
            return True
    return False


def is_plain_fetch(key: int) -> bool:
    """Say whether a row is an opcode fetch with nothing odd about it."""
    return 0 <= key < 1 << 16


def is_flagged(key: int, flag: int) -> bool:
    """Say whether a row carries a flag of capture_bus."""
    return key >= 0 and bool(key >> FLAG_SHIFT & flag)
