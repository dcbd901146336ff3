"""A test program of our own, made for a memory map: it shows nothing anywhere but on the bus, where replay reads it.

It needs no RAM to begin, and no data line either: first comes a lead-in that no single failing line can lead astray. Then a chain of jumps
walks the address lines of the ROM from A7 up, each stop with a rhythm of its own, neighbours together before each alone (A0 to A6 move all
the time). Then it marches through each bank of RAM with registers only, and puts the wrong
bits into the rhythm of its fetches; then it uses RAM as a stack, reads a port, lets interrupts come and waits for the next one in HALT
once one has come; and begins anew. It writes to no port: nobody knows what that would switch. What is left of the ROM is filled with code
whose rhythm tells where a machine that went astray has landed.

The march is of the kind that memory testing calls march tests (published test literature; from memory).
"""

from __future__ import annotations

from typing import Iterator, List, NamedTuple, Optional, Sequence, Tuple

from ..cpu.disassembly import disassemble
from ..errors import ProfileError
from ..machine.programs import assemble
from ..records.memory import BANK
from ..records.profile import Profile

VERSION = "0.2.0"  #: of the test program: another one puts other bytes into the ROM
LEAST_SIZE, MOST_SIZE = 0x800, 0x10000  #: bytes: the smallest ROM of such a machine (common practice); all that the CPU addresses
_SIZE = 0x2000  #: of a ROM that nobody describes
_FIRST_LINE = 7  #: the first address line that is walked by jumps
_BODY = 0x0408  #: clear of all stops
_BLOCK = 16  #: bytes of filling that tell one place


class Stimulus(NamedTuple):
    """A test program."""

    image: bytes
    version: str
    listing: str


#: Opcodes of one byte each, as they stand from LEAD_IN_AT on: whichever single data line fails, and however it fails, each becomes another
#: that keeps the CPU on its way (no restart, no return, no jump into the unknown), and the rhythm of all of them tells the line. Nothing is
#: written but to where HL points, which is ROM. Found by benchmarks/stimulus_lead_in.py.
LEAD_IN = bytes.fromhex(
    "37 3d 15 27 23 07 15 b5 07 99 37 85 95 7d 2b 3d 91 95 1b 0d b9 59 b5 25 79 a5 0a b1 0c 91 a1 9d 07 03 07 0b 35 b5 15 b3 "
    "24 35 03"
)
LEAD_IN_AT = 0x0007  #: behind the instructions at the reset's address

_START = f"""
    3D              ; DEC A                          no byte that RAM with one wrong bit could give back for a walking one
    31 45 03        ; LD SP,0345h                    in ROM: whoever returns astray finds a known way
    21 04 0A        ; LD HL,0A04h                    in ROM: what the lead-in writes goes nowhere
    {LEAD_IN.hex(" ")}
    18 3C           ; JR far
    C3 00 07        ; JP 0700h                       where the jump before it fails: into the filling
""" + """
*0038
    FD 23 FB ED 4D  ; INC IY / EI / RETI            an interrupt counts itself
*0066
    DD E5 DD E1 ED 45 ; PUSH IX / POP IX / RETN
*0070
far:
    F3 C3 @stop0    ; DI / JP stop0
*033C
    04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 04 ; the address to return to, 0404h, whatever byte it begins with
"""

_MAIN = """
march:
    DD 21 @banks    ; LD IX,banks
nextbank:
    DD 6E 00 DD 66 01 ; LD L,(IX+0) / LD H,(IX+1)
    7C B5 CA @stack ; LD A,H / OR L / JP Z,stack     the list ends with 0
    0E 01 06 08     ; LD C,1 / LD B,8
bits:
    71 7E A9        ; LD (HL),C / LD A,(HL) / XOR C  each bit alone high
    C2 @wrong       ; JP NZ,wrong
    79 2F 77 AE     ; LD A,C / CPL / LD (HL),A / XOR (HL)   and each alone low
    C2 @wrong       ; JP NZ,wrong
    CB 01 10 >bits  ; RLC C / DJNZ bits
    70 11 01 00     ; LD (HL),B / LD DE,1            zero at the bank's begin
up:
    7D B3 4F 7C B2 47 ; BC = HL or DE                one address line after the other
    7A 87 87 82 83  ; A = 5 D + E                    a byte of its own for each
    02 CB 23 CB 12  ; LD (BC),A / SLA E / RL D
    DD 7E 02 BA     ; LD A,(IX+2) / CP D
    20 >up          ; JR NZ,up
    7E B7 C2 @wrong ; LD A,(HL) / OR A / JP NZ,wrong
    11 01 00        ; LD DE,1
down:
    7D B3 4F 7C B2 47 ; BC = HL or DE
    0A 93 92 92 92 92 92 ; A = (BC) - E - 5 D
    C2 @wrong       ; JP NZ,wrong
    CB 23 CB 12     ; SLA E / RL D
    DD 7E 02 BA     ; LD A,(IX+2) / CP D
    20 >down        ; JR NZ,down
    18 >bankdone    ; JR bankdone
wrong:
    06 08           ; LD B,8                         each wrong bit takes longer
show:
    07 38 >one      ; RLCA / JR C,one
    10 >show        ; DJNZ show
    18 >bankdone    ; JR bankdone
one:
    23 2B 10 >show  ; INC HL / DEC HL / DJNZ show
bankdone:
    DD 23 DD 23 DD 23 ; INC IX three times
    C3 @nextbank    ; JP nextbank
stack:
    31 @top         ; LD SP,top
    CD @sub CD @sub CD @sub ; CALL sub three times
    01 55 AA C5 D1  ; LD BC,0AA55h / PUSH BC / POP DE
    7A A8 20 >stackwrong ; LD A,D / XOR B / JR NZ,stackwrong
    7B A9 20 >stackwrong ; LD A,E / XOR C / JR NZ,stackwrong
    01 FF FF ED 78  ; LD BC,0FFFFh / IN A,(C)
    21 @ram 11 @ramnext 01 02 00 ; LD HL,ram / LD DE,ram+1 / LD BC,2
    36 A5 ED B0     ; LD (HL),0A5h / LDIR
    ED 56 FB        ; IM 1 / EI
    06 00 10 FE     ; LD B,0 / DJNZ itself           time for an interrupt
    FD 7D FD B4     ; LD A,IYL / OR IYH              has one come?
    28 >nohalt      ; JR Z,nohalt
    76              ; HALT
nohalt:
    00 00 F3        ; NOP / NOP / DI
    C3 @stop0       ; JP stop0
stackwrong:
    06 08           ; LD B,8
showstack:
    07 30 >zero     ; RLCA / JR NC,zero
    13 1B           ; INC DE / DEC DE
zero:
    10 >showstack   ; DJNZ showstack
    C3 @stop0       ; JP stop0
sub:
    00 C9           ; NOP / RET
"""


def make_stimulus(size: int, *ram: Tuple[int, int]) -> Stimulus:
    """Return the test program for a ROM of so many bytes at 0000h, and for stretches of RAM (first and last address).

    Raises ValueError for a size that is no power of two between LEAST_SIZE and MOST_SIZE.
    """
    if size & size - 1 or not LEAST_SIZE <= size <= MOST_SIZE:
        raise ValueError(f"{size} bytes are no power of two from {LEAST_SIZE} to {MOST_SIZE}")
    banks = list(_banks(ram))
    longest = max(ram, key=lambda stretch: stretch[1] - stretch[0], default=(size & 0xFFFF, 0xFFFF))
    symbols = {"top": longest[1] + 1 & 0xFFFF, "ram": longest[0], "ramnext": longest[0] + 1 & 0xFFFF}
    source = f"{_START}\n{_walk(size)}\n*{_BODY:04X}\n{_MAIN}\nbanks:\n{_table(banks)}"
    code, marks = (assemble(source, symbols, 0, fill) for fill in (0x00, 0xFF))
    image = bytearray(_filling(size))
    places = [at for at in range(len(code)) if code[at] == marks[at]]
    for at in places:
        image[at] = code[at]
    image[size - 3 :] = b"\xc3\x00\x00"
    return Stimulus(bytes(image), VERSION, _listing(bytes(image), places, len(code) - 3 * len(banks) - 2))


def stimulus_for(profile: Optional[Profile], version: Optional[str] = None, size: Optional[int] = None) -> Stimulus:
    """Return the test program for a machine's memory map; without one for a ROM of `size` and no RAM that is known.

    version: what the profile says runs there. Raises ProfileError where that is another version's, or the machine has no ROM at 0000h.
    """
    if version is not None and version != VERSION:
        raise ProfileError(
            f"the machine runs the test program of version {version}, and this is {VERSION}", "[program] stimulus",
            f"write the ROM anew with strobewise stimulus, and {VERSION} into the profile",
        )  # fmt: skip
    regions = profile.memory if profile is not None else ()
    rom = next((region for region in regions if region.kind == "rom" and region.start == 0), None)
    if regions and rom is None:
        raise ProfileError("the profile has no ROM at 0000h", "[[memory]]", "the test program stands where the CPU begins")
    room = size or (rom.end + 1 if rom is not None else _SIZE)
    whole = 1 << room.bit_length() - 1
    try:
        return make_stimulus(whole, *((region.start, region.end) for region in regions if region.kind == "ram"))
    except ValueError as error:
        raise ProfileError(str(error), "the ROM's size", f"at least {LEAST_SIZE} bytes") from None


def _banks(ram: Sequence[Tuple[int, int]]) -> Iterator[Tuple[int, int]]:
    """Yield begin and size, a power of two, of the banks to march through; those below 256 bytes are left out."""
    for begin, last in ram:
        first = begin
        while first <= last:
            size = min(BANK, first & -first if first else BANK)
            while first + size - 1 > last:
                size >>= 1
            if size < 0x200:
                break
            yield first, size
            first += size


def _table(banks: Sequence[Tuple[int, int]]) -> str:
    rows = [f"{first & 0xFF:02X} {first >> 8:02X} {size >> 8:02X}" for first, size in banks]
    return "\n".join([*rows, "00 00"])


def _walk(size: int) -> str:
    """Return the stops: each address line with its upper neighbour, then alone."""
    lines = [1 << bit for bit in range(_FIRST_LINE, size.bit_length() - 1)]
    addresses = [address for low, high in zip(lines, [*lines[1:], 0]) for address in ((low | high, low) if high else (low,))]
    rows = []
    for number, address in enumerate(addresses):
        after = f"@stop{number + 1}" if number + 1 < len(addresses) else "@march"
        rhythm = " ".join("13" if number >> bit & 1 else "00" for bit in range(4, -1, -1))  # INC DE or NOP
        rows.append(f"*{address:04X}\nstop{number}:\n {rhythm} C3 {after}")
    return "\n".join(rows)


def _filling(size: int) -> bytes:
    """Return code for all the ROM whose rhythm tells the block: twelve bits of its number, INC DE for 1 and NOP for 0, then EXX."""
    blocks = []
    for number in range(size // _BLOCK):
        bits = bytes(0x13 if number >> bit & 1 else 0x00 for bit in range(11, -1, -1))
        blocks.append(bits + bytes((0xD9, 0xD9, 0x1B, 0xD9)))
    return b"".join(blocks)


def _listing(image: bytes, places: Sequence[int], code_end: int) -> str:
    """Return the instructions of all that is no filling, one a line; the table of banks as bytes."""
    rows: List[str] = []
    at = -1
    for place in places:
        if place < at:
            continue
        if place >= code_end:
            rows.append(f"{place:04x}  {image[place]:02x}            DEFB 0x{image[place]:02x}")
            at = place + 1
            continue
        instruction = disassemble(lambda address: image[address % len(image)], place)
        rows.append(f"{place:04x}  {instruction.data.hex(' '):<12}  {instruction.text}")
        at = place + len(instruction.data)
    return "\n".join(rows) + "\n"
