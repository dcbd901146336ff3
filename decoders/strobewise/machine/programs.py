"""Demo programs for simulated machines, as bytes with labels, and the small assembler that places them.

The programs are our own. Notation of a source: hex byte pairs; ``name:`` defines a label; ``@name`` its address, low byte
first; ``>name`` the distance for JR and DJNZ; ``*100`` moves on to an address; ``; ...`` to the end of a line is a comment.
"""

from __future__ import annotations

from typing import Dict, List, Mapping, Sequence, Tuple

#: Runs on any machine with ROM at 0 and RAM at @ram .. @top. It fills and checks a block in each 16 KB bank of its RAM,
#: calls, copies, reads and writes ports, uses every register set and prefix, counts frame interrupts (IM 1) and NMIs.
PATROL = """
    F3              ; DI
    31 @top         ; LD SP,top
    C3 @main        ; JP main
*0008
    C9              ; RET
*0010
    C9              ; RET
*0018
    C9              ; RET
*0020
    C9              ; RET
*0028
    C9              ; RET
*0030
    C9              ; RET
*0038
    F5 E5           ; PUSH AF / PUSH HL        the frame interrupt counts itself
    2A @ticks       ; LD HL,(ticks)
    23              ; INC HL
    22 @ticks       ; LD (ticks),HL
    E1 F1 FB        ; POP HL / POP AF / EI
    ED 4D           ; RETI
*0058
    7E 23 C9        ; LD A,(HL) / INC HL / RET
*0066
    F5              ; PUSH AF                  the button counts itself, too
    3A @presses     ; LD A,(presses)
    3C              ; INC A
    32 @presses     ; LD (presses),A
    F1              ; POP AF
    ED 45           ; RETN
*0080
main:
    21 @ticks       ; LD HL,ticks              clear the variables
    11 @tickslater  ; LD DE,ticks+1
    01 1F 00        ; LD BC,31
    36 00           ; LD (HL),0
    ED B0           ; LDIR
    ED 56 FB        ; IM 1 / EI
    DD 21 @ram      ; LD IX,ram
    FD 21 @table    ; LD IY,table
again:
    21 @banks       ; LD HL,banks              one block in each bank
nextbank:
    5E 23 56 23     ; LD E,(HL) / INC HL / LD D,(HL) / INC HL
    7A B3           ; LD A,D / OR E
    28 >walk        ; JR Z,walk                the list ends with 0
    E5              ; PUSH HL
    CD @check       ; CALL check
    E1              ; POP HL
    18 >nextbank    ; JR nextbank
walk:
    21 01 00        ; LD HL,1                  one byte at each power of two moves every address line on its own
walkwrite:
    E5              ; PUSH HL
    CD @place       ; CALL place
    77              ; LD (HL),A
    E1 29           ; POP HL / ADD HL,HL
    7C FE 20        ; LD A,H / CP 20h
    38 >walkwrite   ; JR C,walkwrite
    21 01 00        ; LD HL,1
walkread:
    E5              ; PUSH HL
    CD @place       ; CALL place
    BE              ; CP (HL)
    C4 @wrong       ; CALL NZ,wrong
    E1 29           ; POP HL / ADD HL,HL
    7C FE 20        ; LD A,H / CP 20h
    38 >walkread    ; JR C,walkread
ports:
    01 43 A6        ; LD BC,0A643h             read the front panel
    ED 78           ; IN A,(C)
    E6 2D           ; AND 2Dh
    CB 08           ; RRC B
    DB 43           ; IN A,(43h)
    3A @ticks       ; LD A,(ticks)
    D3 43           ; OUT (43h),A
    21 @table       ; LD HL,table
    CD 58 00        ; CALL 0058h
    CD 58 00        ; CALL 0058h
    CF              ; RST 8
    AE              ; XOR (HL)
    DD 77 40        ; LD (IX+40h),A
    FD 46 05        ; LD B,(IY+5)
    DD CB 40 06     ; RLC (IX+40h)
    DD 34 41        ; INC (IX+41h)
    D9 08           ; EXX / EX AF,AF'
    01 34 12        ; LD BC,1234h
    C5 D1           ; PUSH BC / POP DE
    08 D9           ; EX AF,AF' / EXX
    CD D4 01        ; CALL 01D4h
    F7              ; RST 30h
    D7 DF           ; RST 10h / RST 18h
    E7 EF           ; RST 20h / RST 28h
    ED 5F           ; LD A,R
    ED 44           ; NEG
    27              ; DAA
    2A @ticks       ; LD HL,(ticks)
    E3 E3           ; needs two bytes on the stack: EX (SP),HL twice
    10 >again       ; DJNZ again
    C3 @again       ; JP again
place:              ; HL: offset in, address out; A: a byte of its own for each power of two
    7C 87 84 85     ; LD A,H / ADD A,A / ADD A,H / ADD A,L
    11 @ram 19      ; LD DE,ram / ADD HL,DE
    C9              ; RET
check:
    ED 5F           ; LD A,R                   a byte that differs each time
    47              ; LD B,A
    62 6B           ; LD H,D / LD L,E
    0E 08           ; LD C,8
fill:
    70              ; LD (HL),B
    CB 00           ; RLC B
    2C              ; INC L
    0D              ; DEC C
    20 >fill        ; JR NZ,fill
    62 6B           ; LD H,D / LD L,E
    47              ; LD B,A
    0E 08           ; LD C,8
verify:
    7E              ; LD A,(HL)
    B8              ; CP B
    C4 @wrong       ; CALL NZ,wrong
    CB 00           ; RLC B
    2C              ; INC L
    0D              ; DEC C
    20 >verify      ; JR NZ,verify
    C9              ; RET
wrong:
    3E 02           ; LD A,2
    D3 43           ; OUT (43h),A
    C9              ; RET
banks:
    @bank0 @bank1 @bank2 @bank3
    00 00
table:
    4C 41 4E 54 45 52 4E 00 B5 1E C7 60 39 F2 8D 53
*01D4
    D5 D1 C9        ; PUSH DE / POP DE / RET
"""

#: Ends in HALT and is woken by each interrupt.
DOZE = """
    F3              ; DI
    31 @top         ; LD SP,top
    ED 56 FB        ; IM 1 / EI
sleep:
    76              ; HALT
    18 >sleep       ; JR sleep
*0038
    E5              ; PUSH HL
    2A @ticks       ; LD HL,(ticks)
    23              ; INC HL
    22 @ticks       ; LD (ticks),HL
    E1 FB           ; POP HL / EI
    ED 4D           ; RETI
*0066
    ED 45           ; RETN
"""

#: Works for a while, then stops with interrupts off.
STOP = """
    F3              ; DI
    31 @top         ; LD SP,top
    06 14           ; LD B,20
    21 @ram         ; LD HL,ram
busy:
    34 23           ; INC (HL) / INC HL
    10 >busy        ; DJNZ busy
    76              ; HALT
*0066
    ED 45           ; RETN
"""

#: The expansion device's own ROM: what each trigger jumps to. It saves, writes a port, and leaves through its release range.
LODGER = """
visit:
    3E 5A           ; LD A,5Ah
    D3 9C           ; OUT (9Ch),A
    DB 9C           ; IN A,(9Ch)
    F1              ; POP AF
    C3 @leave       ; JP leave
button:
    F5 C5           ; PUSH AF / PUSH BC
    06 03           ; LD B,3
    10 FE           ; DJNZ itself
    3E A6           ; LD A,0A6h
    D3 9C           ; OUT (9Ch),A
    C1 F1           ; POP BC / POP AF
    C3 @leavenmi    ; JP leavenmi
"""

_SOURCES = {"patrol": PATROL, "doze": DOZE, "stop": STOP, "lodger": LODGER}
NOPS = "nops"  #: 00h everywhere, as a CPU reads in a free run
PROGRAMS = (*_SOURCES, NOPS)


def assemble(source: str, symbols: Mapping[str, int], origin: int = 0, fill: int = 0xFF) -> bytes:
    """Return a program's bytes from `origin` on. symbols: labels from outside. Raises KeyError for an unknown label."""
    labels: Dict[str, int] = dict(symbols)
    code: Dict[int, int] = {}
    fixes: List[Tuple[int, str]] = []
    at = origin
    for token in " ".join(line.partition(";")[0] for line in source.splitlines()).split():
        if token.endswith(":"):
            labels[token[:-1]] = at
        elif token[0] == "*":
            at = int(token[1:], 16)
        elif token[0] in "@>":
            fixes.append((at, token))
            at += 2 if token[0] == "@" else 1
        else:
            code[at] = int(token, 16)
            at += 1
    for place, token in fixes:
        target = labels[token[1:]]
        if token[0] == "@":
            code[place], code[place + 1] = target & 0xFF, target >> 8 & 0xFF  # addresses go round at 64 K
        else:
            distance = target - place - 1
            if not -128 <= distance <= 127:
                raise ValueError(f"{token[1:]} is {distance} bytes away")
            code[place] = distance & 0xFF
    return bytes(code.get(address, fill) for address in range(origin, max(code) + 1))


def program(name: str, ram: Tuple[int, int], release: int = 0, triggers: Sequence[int] = ()) -> bytes:
    """Return a demo program for a machine whose RAM spans `ram`.

    Where there is an expansion device, `release` is where it pages itself out: the fetch there is its last, and what the
    host must run after it lies in the host's ROM. It leaves at `release` by RET, at `release` + 1 towards the host's RETN
    (after the button), at `release` + 4 towards the host's start (after a reset; the host's first byte, DI, is left out).
    triggers: the addresses whose fetch it answers, at least four bytes apart.
    Variables sit at the start of RAM, the stack at its end, the blocks under test 1 KB into each quarter.
    """
    if name == NOPS:
        return bytes(0x10000)
    first, last = ram
    quarter = (last + 1 - first) // 4
    symbols = {
        "ram": first + 0x100,
        "ticks": first + 0x10,
        "tickslater": first + 0x11,
        "presses": first + 0x12,
        "top": (last + 1 - 0x10) & 0xFFFF,
        "leave": release,
        "leavenmi": release + 1,
        "leaveboot": release + 4,
        **{f"bank{index}": first + index * quarter + 0x400 for index in range(4)},
    }
    if name != "lodger":
        tail = f"*{release + 2:04X} ED 45 *{release + 5:04X} C3 01 00" if release else ""
        return assemble(_SOURCES[name] + tail, symbols)
    entries = {0x0000: "C3 @leaveboot", 0x0066: "C3 @button"}
    heads = "".join(f"*{at:04X} {entries.get(at, 'F5 C3 @visit')} " for at in triggers)
    if not any(0x34 < at < 0x3C for at in triggers):
        heads += "*0038 FB C9 "  # EI / RET: the host's frame interrupt, should it come while the device is there
    body = max((*triggers, 0)) + 8
    return assemble(f"{heads} *{body:04X} {LODGER} *{release:04X} C9 00 *{release + 4:04X} 00", symbols)
