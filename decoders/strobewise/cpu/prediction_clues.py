"""What a difference between bus and model tells: the content of a register that nobody knew, or a data line that was captured wrong."""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

from .capture_bus import ACK, FETCH, FLAG_SHIFT, READ, PredictionRows
from .dependences import MASK, Dependences
from .model import Z80
from .program_steps import Entry, entries, successors

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


def explaining_lines(rows: PredictionRows, at: int) -> List[Tuple[int, int]]:
    """Return the data lines that, read at the other level in one byte of an instruction, make it fit the cycles behind it.

    at: row of its first byte. Returns pairs (line 0..7, level captured).
    """
    found = []
    code = rows.data[at : at + 4]
    for place in range(4):
        if place >= len(code) or code[place] < 0 or rows.key[at + place] >> 16 not in (FETCH, READ):
            break
        for line in range(8):
            changed = list(code)
            changed[place] ^= 1 << line
            pair = (line, code[place] >> line & 1)
            if pair not in found and _fits(rows, at, changed, place):
                found.append(pair)
    return found


def _entry(code: Sequence[int]) -> Optional[Entry]:
    if not code or code[0] < 0:
        return None
    return entries().first[code[0]] or entries().prefixed(code)


def _fits(rows: PredictionRows, at: int, code: Sequence[int], place: int) -> bool:
    """Say whether an instruction of these bytes goes with the rows and with the address that follows them."""
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
