"""Every opcode of the Z80 with its operands and machine cycles: the one table of per-opcode facts.

A row reads like the manual's own: a bit pattern with letters for register fields, the mnemonic, and the
machine cycles. Rows are tried from top to bottom, so that a special case stands above its general form.
The disassembler, the CPU model and whoever looks for instruction boundaries all take their facts from here.

Fields of a pattern (the letter names the operand in the mnemonic):
    r, s    8-bit register B C D E H L - A (code 6, memory at HL, has rows of its own)
    p, q    register pair: p is BC DE HL SP, q is BC DE HL AF
    c, j    condition: c one of eight (NZ Z NC C PO PE P M), j one of the first four
    o, x    arithmetic operation; rotate or shift
    b, t    bit number; restart address
    -       does not matter
Operands after the opcode, in their order in memory: {n} byte, {nn} word, {e} jump distance, {d} index displacement.
Machine cycles: a bare number is the opcode fetch, r and w are memory read and write, i and o are I/O read and write,
each with its T-states; internal T-states count to the cycle before them. Prefix fetches (4 T-states each) are not
repeated in the rows. The last column holds the cycles of a conditional instruction whose condition is met.

Sources: Zilog Z80 CPU User Manual (UM0080), instruction descriptions, for mnemonics, patterns, machine cycles and
T-states. Undocumented opcodes: common practice (they follow the decoding of their documented neighbours).
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

Row = tuple[str, ...]

REGISTERS = ("B", "C", "D", "E", "H", "L", "(HL)", "A")
PAIRS = ("BC", "DE", "HL", "SP")
STACK_PAIRS = ("BC", "DE", "HL", "AF")
CONDITIONS = ("NZ", "Z", "NC", "C", "PO", "PE", "P", "M")
ARITHMETIC = ("ADD A,", "ADC A,", "SUB ", "SBC A,", "AND ", "XOR ", "OR ", "CP ")
ROTATES = ("RLC", "RRC", "RL", "RR", "SLA", "SRA", "SLL", "SRL")
BITS = tuple(str(bit) for bit in range(8))
RESTARTS = tuple("0x%02x" % (8 * number) for number in range(8))

FIELDS: dict[str, tuple[str, ...]] = {
    "r": REGISTERS, "s": REGISTERS, "p": PAIRS, "q": STACK_PAIRS, "c": CONDITIONS, "j": CONDITIONS,
    "o": ARITHMETIC, "x": ROTATES, "b": BITS, "t": RESTARTS,
}  # fmt: skip

# UM0080, instruction descriptions.
MAIN: tuple[Row, ...] = (
    ("00000000", "NOP", "4"),
    ("00001000", "EX AF,AF'", "4"),
    ("00010000", "DJNZ {e}", "5 r3", "5 r8"),
    ("00011000", "JR {e}", "4 r8"),
    ("001jj000", "JR {j},{e}", "4 r3", "4 r8"),
    ("00pp0001", "LD {p},{nn}", "4 r3 r3"),
    ("00pp1001", "ADD HL,{p}", "11"),
    ("00000010", "LD (BC),A", "4 w3"),
    ("00010010", "LD (DE),A", "4 w3"),
    ("00001010", "LD A,(BC)", "4 r3"),
    ("00011010", "LD A,(DE)", "4 r3"),
    ("00100010", "LD ({nn}),HL", "4 r3 r3 w3 w3"),
    ("00101010", "LD HL,({nn})", "4 r3 r3 r3 r3"),
    ("00110010", "LD ({nn}),A", "4 r3 r3 w3"),
    ("00111010", "LD A,({nn})", "4 r3 r3 r3"),
    ("00pp0011", "INC {p}", "6"),
    ("00pp1011", "DEC {p}", "6"),
    ("00110100", "INC (HL)", "4 r4 w3"),
    ("00rrr100", "INC {r}", "4"),
    ("00110101", "DEC (HL)", "4 r4 w3"),
    ("00rrr101", "DEC {r}", "4"),
    ("00110110", "LD (HL),{n}", "4 r3 w3"),
    ("00rrr110", "LD {r},{n}", "4 r3"),
    ("00000111", "RLCA", "4"),
    ("00001111", "RRCA", "4"),
    ("00010111", "RLA", "4"),
    ("00011111", "RRA", "4"),
    ("00100111", "DAA", "4"),
    ("00101111", "CPL", "4"),
    ("00110111", "SCF", "4"),
    ("00111111", "CCF", "4"),
    ("01110110", "HALT", "4"),
    ("01rrr110", "LD {r},(HL)", "4 r3"),
    ("01110sss", "LD (HL),{s}", "4 w3"),
    ("01rrrsss", "LD {r},{s}", "4"),
    ("10ooo110", "{o}(HL)", "4 r3"),
    ("10ooosss", "{o}{s}", "4"),
    ("11ooo110", "{o}{n}", "4 r3"),
    ("11ccc000", "RET {c}", "5", "5 r3 r3"),
    ("11qq0001", "POP {q}", "4 r3 r3"),
    ("11qq0101", "PUSH {q}", "5 w3 w3"),
    ("11001001", "RET", "4 r3 r3"),
    ("11011001", "EXX", "4"),
    ("11101001", "JP (HL)", "4"),
    ("11111001", "LD SP,HL", "6"),
    ("11000011", "JP {nn}", "4 r3 r3"),
    ("11ccc010", "JP {c},{nn}", "4 r3 r3"),
    ("11010011", "OUT ({n}),A", "4 r3 o4"),
    ("11011011", "IN A,({n})", "4 r3 i4"),
    ("11100011", "EX (SP),HL", "4 r3 r4 w3 w5"),
    ("11101011", "EX DE,HL", "4"),
    ("11110011", "DI", "4"),
    ("11111011", "EI", "4"),
    ("11001101", "CALL {nn}", "4 r3 r4 w3 w3"),
    ("11ccc100", "CALL {c},{nn}", "4 r3 r3", "4 r3 r4 w3 w3"),
    ("11ttt111", "RST {t}", "5 w3 w3"),
)

# After CB. SLL is undocumented.
CB: tuple[Row, ...] = (
    ("00xxx110", "{x} (HL)", "4 r4 w3"),
    ("00xxxsss", "{x} {s}", "4"),
    ("01bbb110", "BIT {b},(HL)", "4 r4"),
    ("01bbbsss", "BIT {b},{s}", "4"),
    ("10bbb110", "RES {b},(HL)", "4 r4 w3"),
    ("10bbbsss", "RES {b},{s}", "4"),
    ("11bbb110", "SET {b},(HL)", "4 r4 w3"),
    ("11bbbsss", "SET {b},{s}", "4"),
)

# After ED. What the manual leaves empty does nothing for 8 T-states.
ED: tuple[Row, ...] = (
    ("01110000", "IN F,(C)", "4 i4"),
    ("01rrr000", "IN {r},(C)", "4 i4"),
    ("01110001", "OUT (C),0", "4 o4"),
    ("01rrr001", "OUT (C),{r}", "4 o4"),
    ("01pp0010", "SBC HL,{p}", "11"),
    ("01pp1010", "ADC HL,{p}", "11"),
    ("01pp0011", "LD ({nn}),{p}", "4 r3 r3 w3 w3"),
    ("01pp1011", "LD {p},({nn})", "4 r3 r3 r3 r3"),
    ("01---100", "NEG", "4"),
    ("01001101", "RETI", "4 r3 r3"),
    ("01---101", "RETN", "4 r3 r3"),
    ("01-0-110", "IM 0", "4"),
    ("01-10110", "IM 1", "4"),
    ("01-11110", "IM 2", "4"),
    ("01000111", "LD I,A", "5"),
    ("01001111", "LD R,A", "5"),
    ("01010111", "LD A,I", "5"),
    ("01011111", "LD A,R", "5"),
    ("01100111", "RRD", "4 r7 w3"),
    ("01101111", "RLD", "4 r7 w3"),
    ("10100000", "LDI", "4 r3 w5"),
    ("10100001", "CPI", "4 r8"),
    ("10100010", "INI", "5 i4 w3"),
    ("10100011", "OUTI", "5 r3 o4"),
    ("10101000", "LDD", "4 r3 w5"),
    ("10101001", "CPD", "4 r8"),
    ("10101010", "IND", "5 i4 w3"),
    ("10101011", "OUTD", "5 r3 o4"),
    ("10110000", "LDIR", "4 r3 w5", "4 r3 w10"),
    ("10110001", "CPIR", "4 r8", "4 r13"),
    ("10110010", "INIR", "5 i4 w3", "5 i4 w8"),
    ("10110011", "OTIR", "5 r3 o4", "5 r3 o9"),
    ("10111000", "LDDR", "4 r3 w5", "4 r3 w10"),
    ("10111001", "CPDR", "4 r8", "4 r13"),
    ("10111010", "INDR", "5 i4 w3", "5 i4 w8"),
    ("10111011", "OTDR", "5 r3 o4", "5 r3 o9"),
    ("--------", "DEFB 0xed,{opcode}", "4"),
)

# After DD CB d or FD CB d; displacement and opcode come as memory reads of 3 and 5 T-states.
# The forms with a register keep the result there too (undocumented).
INDEXED_CB: tuple[Row, ...] = (
    ("00xxx110", "{x} (HL)", "r4 w3"),
    ("00xxxsss", "{x} (HL),{s}", "r4 w3"),
    ("01bbb---", "BIT {b},(HL)", "r4"),
    ("10bbb110", "RES {b},(HL)", "r4 w3"),
    ("10bbbsss", "RES {b},(HL),{s}", "r4 w3"),
    ("11bbb110", "SET {b},(HL)", "r4 w3"),
    ("11bbbsss", "SET {b},(HL),{s}", "r4 w3"),
)

#: Opcodes after ED that the manual lists (UM0080); the others in use are copies of these.
DOCUMENTED_ED = frozenset(
    [code for code in range(0x40, 0x7C) if code & 7 < 4 and code not in (0x70, 0x71)]
    + [0x44, 0x45, 0x4D, 0x46, 0x56, 0x5E, 0x47, 0x4F, 0x57, 0x5F, 0x67, 0x6F]
    + [code for code in range(0xA0, 0xC0) if code & 7 < 4]
) - {0x63, 0x6B}  # LD (nn),HL and LD HL,(nn) with ED are copies of 22 and 2A

KINDS = {"r": "memory_read", "w": "memory_write", "i": "io_read", "o": "io_write"}

Cycle = tuple[str, int]  #: (kind of machine cycle, T-states)
Cycles = tuple[Cycle, ...]

#: Machine cycles of what stands in the place of an instruction. UM0080, interrupt response and timing figures; in IM 0
#: the acknowledge (6 T-states) takes the place of the first opcode fetch of the instruction that the device gives.
RESPONSES: dict[str, Cycles] = {
    "halt": (("opcode_fetch", 4),),
    "nmi_response": (("opcode_fetch", 5), ("memory_write", 3), ("memory_write", 3)),
    "interrupt_mode_1": (("interrupt_acknowledge", 7), ("memory_write", 3), ("memory_write", 3)),
    "interrupt_mode_2": (
        ("interrupt_acknowledge", 7),
        ("memory_write", 3), ("memory_write", 3), ("memory_read", 3), ("memory_read", 3),
    ),
}  # fmt: skip


class Operation(NamedTuple):
    """What one opcode, with its prefixes, does on the bus."""

    prefix: bytes  #: b"", CB, ED, DD, FD, DD CB or FD CB
    opcode: int
    template: str  #: mnemonic of the table row, fields open: the key to what the CPU does
    fields: dict[str, str]  #: field letter -> operand of this opcode
    text: str  #: mnemonic, only the operands after the opcode open: {n} {nn} {e} {d}
    length: int  #: bytes in all
    operands: int  #: bytes read as data after the opcode (with DD CB: after it; the displacement is none of them)
    variants: tuple[Cycles, ...]  #: machine cycles; a conditional instruction has a second entry: condition met
    documented: bool  #: the manual lists it
    useless_prefix: bool  #: a DD or FD that changes nothing but the time

    @property
    def t_states(self) -> tuple[int, ...]:
        """Return the T-states of each variant."""
        return tuple(sum(t_states for _, t_states in cycles) for cycles in self.variants)

    @property
    def data_cycles(self) -> tuple[Cycles, ...]:
        """Return, for each variant, the machine cycles that follow the bytes of the instruction itself."""
        return tuple(cycles[self.length :] for cycles in self.variants)

    @property
    def effects(self) -> frozenset[str]:
        """Return what it does beyond its own bytes.

        A subset of memory_read, memory_write, io_read, io_write, push, pop, jump (the next address may be another).
        """
        found = {kind for cycles in self.data_cycles for kind, _ in cycles}
        mnemonic = self.text.split(" ")[0]
        if mnemonic in ("PUSH", "CALL", "RST") or self.template == "EX (SP),HL":
            found.add("push")
        if mnemonic in ("POP", "RET", "RETI", "RETN") or self.template == "EX (SP),HL":
            found.add("pop")
        if mnemonic in ("JP", "JR", "DJNZ", "CALL", "RST", "RET", "RETI", "RETN") or mnemonic[-2:] in ("IR", "DR"):
            found.add("jump")
        return frozenset(found)


#: Prefix -> rows.
_TABLES: dict[bytes, tuple[Row, ...]] = {
    b"": MAIN, b"\xcb": CB, b"\xed": ED, b"\xdd": MAIN, b"\xfd": MAIN, b"\xdd\xcb": INDEXED_CB, b"\xfd\xcb": INDEXED_CB,
}  # fmt: skip
#: Bytes that lead on to another table; after DD or FD they (but CB) make the first prefix a useless one of its own.
PREFIXES = frozenset((0xCB, 0xDD, 0xED, 0xFD))
_OPERAND_BYTES = {"{n}": 1, "{nn}": 2, "{e}": 1, "{d}": 1}  #: of what stands in the template of an instruction
_NOT_INDEXED = ("EX DE,HL", "EXX")  # DD leaves the HL of these alone


class _Pattern(NamedTuple):
    """A row's bit pattern, ready to be compared."""

    mask: int  #: the bits that are fixed
    value: int  #: what they have to be
    fields: tuple[tuple[str, int, int], ...]  #: (letter, shift, mask after the shift)


def _pattern(text: str) -> _Pattern:
    """Turn "01rrrsss" into masks."""
    mask = int("".join("1" if mark in "01" else "0" for mark in text), 2)
    value = int("".join("1" if mark == "1" else "0" for mark in text), 2)
    letters = [mark for mark in FIELDS if mark in text]
    return _Pattern(mask, value, tuple((m, 7 - text.rindex(m), (1 << text.count(m)) - 1) for m in letters))


def _parse(cycles: str) -> Cycles:
    """Turn "4 r3 w3" into ((kind, T-states), ...)."""
    return tuple(
        ("opcode_fetch", int(word)) if word.isdigit() else (KINDS[word[0]], int(word[1:])) for word in cycles.split()
    )


def _index(text: str, fields: dict[str, str], register: str) -> tuple[str, dict[str, str], bool]:
    """Rewrite mnemonic and fields for a DD or FD prefix; the last item tells whether a displacement is needed."""
    if "(HL)" in text and text != "JP (HL)":
        return text.replace("(HL)", "(" + register + "{d})"), fields, True
    if text not in _NOT_INDEXED:
        text = text.replace("HL", register)
        swap = {"HL": register, "H": register + "H", "L": register + "L"}
        fields = {mark: swap.get(value, value) for mark, value in fields.items()}
    return text, fields, False


def _insert_displacement(cycles: Cycles, operands: int) -> Cycles:
    """Put in the read of the displacement: 5 internal T-states follow it, or overlap with reading {n}.

    Source: UM0080, LD r,(IX+d): 4 4 3 5 3; LD (IX+d),n: 4 4 3 5 3.
    """
    if operands:
        return (*cycles[:1], ("memory_read", 3), ("memory_read", 5), *cycles[2:])
    return (*cycles[:1], ("memory_read", 8), *cycles[1:])


@lru_cache(maxsize=None)
def _compiled(prefix: bytes) -> list[tuple[_Pattern, str, tuple[Cycles, ...]]]:
    """Return the rows of a table as (pattern, template, variants of cycles)."""
    return [(_pattern(row[0]), row[1], tuple(map(_parse, row[2:]))) for row in _TABLES[prefix]]


def _find_row(prefix: bytes, opcode: int) -> tuple[str, tuple[Cycles, ...], dict[str, str]]:
    """Return template, variants and field letter -> operand of the first row that fits; all empty if none does."""
    for pattern, template, variants in _compiled(prefix):
        if opcode & pattern.mask == pattern.value:
            fields = {mark: FIELDS[mark][opcode >> shift & mask] for mark, shift, mask in pattern.fields}
            return template, variants, fields
    return "", (), {}


@lru_cache(maxsize=None)
def operation_of(prefix: bytes, opcode: int) -> Operation:
    """Return the operation of an opcode after a prefix (b"", CB, ED, DD, FD, DD CB, FD CB), made from its table row on first use.

    Entries at PREFIXES, in the tables where these lead on to another table, hold no instruction: callers follow the
    prefix instead. Raises KeyError for another prefix.
    """
    template, variants, fields = _find_row(prefix, opcode)
    text = template
    operands = sum(size for mark, size in _OPERAND_BYTES.items() if mark in template)
    documented = "SLL" not in fields.values() and (prefix != b"\xed" or opcode in DOCUMENTED_ED)
    head: Cycles = (("opcode_fetch", 4),) * (len(prefix) and 1)
    displacement = useless = False
    if prefix[:1] in (b"\xdd", b"\xfd"):
        register = "IX" if prefix[0] == 0xDD else "IY"
        text, changed, displacement = _index(template, fields, register)
        useless = text == template and changed == fields
        documented = documented and not useless and not any(v[:1] == "I" and len(v) == 3 for v in changed.values())
        fields = changed
    if len(prefix) == 2:
        head = (("opcode_fetch", 4), ("opcode_fetch", 4), ("memory_read", 3), ("memory_read", 5))
        documented = documented and opcode & 7 == 6
    elif displacement:
        variants = tuple(_insert_displacement(cycles, operands) for cycles in variants)
    filled = text.replace("{opcode}", "0x%02x" % opcode)
    for mark, value in fields.items():
        filled = filled.replace("{%s}" % mark, value)
    length = len(prefix) + 1 + operands + displacement
    variants = tuple(head + cycles for cycles in variants)
    return Operation(prefix, opcode, template, fields, filled, length, operands, variants, documented, useless)


@lru_cache(maxsize=None)
def operations(prefix: bytes) -> tuple[Operation, ...]:
    """Return the 256 operations after a prefix, as :func:`operation_of` gives them. Raises KeyError for another prefix."""
    return tuple(operation_of(prefix, opcode) for opcode in range(256))
