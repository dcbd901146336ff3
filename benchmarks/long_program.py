"""A long program of our own, as the ROM of a real machine is: full of routines and tables, with interrupts and ports.

It is put together by a seed out of routines of ten kinds, each with its own lengths, tables and addresses, which a main loop calls one
after the other; what they compute in RAM decides some of their branches. Unlike the demo programs it leaves no empty ROM that a wild
machine could fall into.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "decoders"))

from strobewise.machine.programs import assemble

_HEAD = """
    F3 31 @top                          ; DI / LD SP,top
    21 @ram 11 @ramnext 01 7F 00 36 00 ED B0  ; clear the variables
    C3 @main
*0038
    F5 C5 E5                            ; PUSH AF / PUSH BC / PUSH HL
    2A @ticks 23 22 @ticks              ; LD HL,(ticks) / INC HL / LD (ticks),HL
    01 FE 43 ED 78 2F E6 1F             ; LD BC,43FEh / IN A,(C) / CPL / AND 1Fh
    28 >idle 32 @key                    ; JR Z,idle / LD (key),A
idle:
    E1 C1 F1 FB C9                      ; POP HL / POP BC / POP AF / EI / RET
*0066
    F5 3E 01 32 @key F1 ED 45           ; PUSH AF / LD A,1 / LD (key),A / POP AF / RETN
main:
    ED 56 FB                            ; IM 1 / EI
again:
"""

#: $: a number that makes the labels of a routine its own; %N: a random number of N bits; {table}, {cell}: labels; {length}: of a table.
_ROUTINES = (
    "21 @{table} 06 {length} AF sum$: 86 07 23 10 >sum$ 32 @{cell} C9",  # a sum over a table
    "21 @{table} 11 @{cell} 01 {length} 00 ED B0 C9",  # a table to RAM
    "21 @{table} 11 @{cell} 06 {length} cmp$: 1A BE 28 >same$ 7E 12 same$: 23 13 10 >cmp$ C9",  # compare and mend
    "3A @{cell} 3C E6 03 32 @{cell} 87 5F 16 00 21 @jumps$ 19 5E 23 56 EB E9"
    " one$: 06 %3 11 %8 00 C9 two$: 21 @{table} 7E C9 three$: AF C9 four$: CD @one$ C3 @two$"
    " jumps$: @one$ @two$ @three$ @four$",  # a table of jumps
    "DB %7 E6 %4 20 >key$ 3E %8 D3 %7 C9 key$: 47 3E %8 D3 %7 78 C9",  # a port
    "21 @{table} 01 {length} 00 3E %8 ED B1 28 >hit$ 2B hit$: 22 @{cell} C9",  # look for a byte
    "21 00 00 11 %8 %5 3E %8 06 08 mul$: 29 17 30 >no$ 19 no$: 10 >mul$ 22 @{cell} C9",  # multiply
    "DD 21 @{cell} DD 34 00 DD 7E 00 DD 86 01 DD 77 02 FE %7 38 >less$ DD 36 00 00 less$: C9",  # indexed counting
    "E5 D5 C5 06 %3 04 turn$: C5 CD @leaf$ C1 10 >turn$ C1 D1 E1 C9 leaf$: 3A @{cell} 07 07 A8 32 @{cell} C9",  # calls in calls
    "21 @{cell} 3E %8 06 08 fill$: 77 07 30 >keep$ EE 1D keep$: 23 10 >fill$ 06 08 back$: 2B 7E E6 01 28 >even$ 34 even$: 10 >back$ C9",
)


def long_program(seed: int, size: int = 0x2000, ram: tuple[int, int] = (0x4000, 0xFFFF)) -> bytes:
    """Return an image that fills a ROM of `size` bytes."""
    rng = random.Random(seed)
    number = size // 64
    calls = " ".join(f"CD @routine{i}" for i in range(number))
    parts = [_HEAD, calls, "C3 @again"]
    for i in range(number):
        parts.append(f"routine{i}: {_filled(rng.choice(_ROUTINES), i, number, rng)}")
        length = rng.randrange(6, 24)
        parts.append(f"table{i}: " + " ".join(f"{rng.randrange(256):02X}" for _ in range(length)))
    symbols = {"ram": ram[0], "ramnext": ram[0] + 1, "ticks": ram[0] + 0x10, "key": ram[0] + 0x12, "top": ram[1] + 1 - 0x20 & 0xFFFF}
    span = ram[1] + 1 - ram[0]
    symbols |= {f"cell{i}": ram[0] + 0x80 + rng.randrange(span // 0x100) * 0x100 + rng.randrange(0x40) for i in range(number)}
    image = assemble(" ".join(parts), symbols)
    if len(image) > size:
        raise ValueError(f"{len(image)} bytes do not fit into {size}")
    return image + bytes(rng.randrange(256) for _ in range(size - len(image)))  # tables that nothing reads here


def _filled(routine: str, number: int, tables: int, rng: random.Random) -> str:
    """Return a routine with its labels and numbers filled in."""
    text = routine.replace("{table}", f"table{rng.randrange(tables)}").replace("{cell}", f"cell{number}").replace("$", f"x{number}")
    text = text.replace("{length}", f"{rng.randrange(4, 20):02X}")
    while "%" in text:
        bits = int(text[text.index("%") + 1])
        text = text.replace(f"%{bits}", f"{rng.randrange(1 << bits):02X}", 1)
    return text
