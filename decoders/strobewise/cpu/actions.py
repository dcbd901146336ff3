"""What each instruction does inside the CPU, as data for the model's generator.

Keys are the mnemonic templates of opcodes.py. An entry is Python with the CPU's registers in capitals (A F B C D E H L,
the pairs AF BC DE HL SP IX IY, PC I R, the hidden address register WZ, the Q latch). `PAIR := value` sets a pair.
The generator fills in the fields of the row ({r} {s} {p} ...), reads the operands before the first line (n, nn, e;
address for memory at HL, IX+d or IY+d) and adds the internal T-states of the opcode table after each line that uses
the bus. REPEAT stands where the condition of a conditional instruction is met: there go the longer variant's.

F and Q are set together by instructions that change flags; the others clear Q, which decides bits 3 and 5 of SCF, CCF.

Sources: UM0080, instruction descriptions. Undocumented bits 3 and 5, WZ and Q: common practice; they are checked
against an independent emulator in the tests.
"""

from __future__ import annotations

from textwrap import indent

#: {o}: operand in v.
ARITHMETIC = {
    "ADD A,": "a = A; t = a + v; A = t & 0xFF; F = Q = SIGN[t] | ADDED[a ^ v ^ t]",
    "ADC A,": "a = A; t = a + v + (F & 1); A = t & 0xFF; F = Q = SIGN[t] | ADDED[a ^ v ^ t]",
    "SUB ": "a = A; t = a - v; A = t & 0xFF; F = Q = SIGN[t] | SUBTRACTED[a ^ v ^ t]",
    "SBC A,": "a = A; t = a - v - (F & 1); A = t & 0xFF; F = Q = SIGN[t] | SUBTRACTED[a ^ v ^ t]",
    "AND ": "A = t = A & v; F = Q = PARITY[t] | 0x10",
    "XOR ": "A = t = A ^ v; F = Q = PARITY[t]",
    "OR ": "A = t = A | v; F = Q = PARITY[t]",
    "CP ": "a = A; t = a - v; F = Q = SIGN[t] & 0xD7 | SUBTRACTED[a ^ v ^ t] | v & 0x28",
}

#: {x}: operand in v, result in t, carry flag (0 or 1) in k.
ROTATES = {
    "RLC": "k = v >> 7; t = v << 1 & 0xFF | k",
    "RRC": "k = v & 1; t = v >> 1 | k << 7",
    "RL": "k = v >> 7; t = v << 1 & 0xFF | F & 1",
    "RR": "k = v & 1; t = v >> 1 | (F & 1) << 7",
    "SLA": "k = v >> 7; t = v << 1 & 0xFF",
    "SRA": "k = v & 1; t = v >> 1 | v & 0x80",
    "SLL": "k = v >> 7; t = v << 1 & 0xFF | 1",
    "SRL": "k = v & 1; t = v >> 1",
}

CONDITIONS = {
    "NZ": "not F & 0x40", "Z": "F & 0x40", "NC": "not F & 1", "C": "F & 1",
    "PO": "not F & 4", "PE": "F & 4", "P": "not F & 0x80", "M": "F & 0x80",
}  # fmt: skip

_INC = "t = v + 1 & 0xFF; F = Q = F & 1 | INCREMENTED[t]"
_DEC = "t = v - 1 & 0xFF; F = Q = F & 1 | DECREMENTED[t]"
_JUMP_RELATIVE = "REPEAT; PC = WZ = PC + e & 0xFFFF"
_PUSH = """
sp = SP - 1 & 0xFFFF
bus.write(sp, t >> 8)
SP = sp = sp - 1 & 0xFFFF
bus.write(sp, t & 0xFF)"""
_CALL = "t = PC" + _PUSH + "\nPC = nn"
_RETURN = """
sp = SP
t = bus.read(sp)
t |= bus.read(sp + 1 & 0xFFFF) << 8
SP = sp + 2 & 0xFFFF
PC = WZ = t"""


#: Bits 3 and 5 of a repeating block instruction show the high byte of its own address.
_AGAIN = "REPEAT; t = PC = PC - 2 & 0xFFFF; WZ = t + 1 & 0xFFFF; F = Q = F & 0xD7 | t >> 8 & 0x28"


def _load_block(step: int, repeat: bool) -> str:
    body = f"""
hl = HL; de = DE; t = BC - 1 & 0xFFFF
v = bus.read(hl)
bus.write(de, v)
HL := hl + {step} & 0xFFFF
DE := de + {step} & 0xFFFF
BC := t
v += A
F = Q = F & 0xC1 | v & 8 | v << 4 & 0x20 | (4 if t else 0)"""
    return body + (f"\nif t: {_AGAIN}" if repeat else "")


def _compare_block(step: int, repeat: bool) -> str:
    body = f"""
hl = HL; n = BC - 1 & 0xFFFF; a = A
v = bus.read(hl)
HL := hl + {step} & 0xFFFF
BC := n
WZ = WZ + {step} & 0xFFFF
t = a - v
h = (a ^ v ^ t) & 0x10
x = t - (h >> 4)
F = Q = F & 1 | SIGN[t] & 0xC0 | h | 2 | x & 8 | x << 4 & 0x20 | (4 if n else 0)"""
    return body + (f"\nif n and t: {_AGAIN}" if repeat else "")


_BLOCK_IO_FLAGS = """
p = (k & 7) ^ b
k = 0x11 if k > 0xFF else 0
F = Q = SIGN[b] | k | PARITY[p] & 4 | v >> 6 & 2"""
#: While it repeats, half carry and parity come from a further step of the counter (common practice).
_BLOCK_IO_AGAIN = """
if b:
    REPEAT; t = PC = PC - 2 & 0xFFFF; WZ = t + 1 & 0xFFFF
    f = F & 0xD7 | t >> 8 & 0x28
    if f & 1:
        f &= 0xEF
        if v & 0x80: f ^= PARITY[b - 1 & 7] & 4 ^ 4; f |= 0 if b & 0xF else 0x10
        else: f ^= PARITY[b + 1 & 7] & 4 ^ 4; f |= 0x10 if b & 0xF == 0xF else 0
    else: f ^= PARITY[b & 7] & 4 ^ 4
    F = Q = f"""


def _input_block(step: int, repeat: bool) -> str:
    body = f"""
hl = HL; bc = BC; WZ = bc + {step} & 0xFFFF
v = bus.io_read(bc)
bus.write(hl, v)
HL := hl + {step} & 0xFFFF
B = b = (bc >> 8) - 1 & 0xFF
k = v + ((bc & 0xFF) + {step} & 0xFF)"""
    return body + _BLOCK_IO_FLAGS + (_BLOCK_IO_AGAIN if repeat else "")


def _output_block(step: int, repeat: bool) -> str:
    body = f"""
hl = HL
v = bus.read(hl)
B = b = B - 1 & 0xFF; bc = b << 8 | C; WZ = bc + {step} & 0xFFFF
bus.io_write(bc, v)
HL := hl + {step} & 0xFFFF
k = v + L"""
    return body + _BLOCK_IO_FLAGS + (_BLOCK_IO_AGAIN if repeat else "")


_RESULT = "F = Q = PARITY[t] | k"
_BIT = "t = v & 1 << {b}; F = Q = F & 1 | 0x10 | (t & 0x80 or (0 if t else 0x44))"

ACTIONS: dict[str, str] = {
    "NOP": "",
    "DEFB 0xed,{opcode}": "",
    "EX AF,AF'": "t = A; A = A_; A_ = t; t = F; F = F_; F_ = t",
    "EXX": "B, C, D, E, H, L, B_, C_, D_, E_, H_, L_ = B_, C_, D_, E_, H_, L_, B, C, D, E, H, L",
    "EX DE,HL": "D, E, H, L = H, L, D, E",
    "DJNZ {e}": "B = t = B - 1 & 0xFF\nif t: " + _JUMP_RELATIVE,
    "JR {e}": "PC = WZ = PC + e & 0xFFFF",
    "JR {j},{e}": "if {j}: " + _JUMP_RELATIVE,
    "LD {p},{nn}": "{p} := nn",
    "ADD HL,{p}": """
x = HL; y = {p}; t = x + y; WZ = x + 1 & 0xFFFF
HL := t & 0xFFFF
F = Q = F & 0xC4 | t >> 8 & 0x28 | (x ^ y ^ t) >> 8 & 0x10 | t >> 16""",
    "LD (BC),A": "t = BC; a = A; WZ = t + 1 & 0xFF | a << 8\nbus.write(t, a)",
    "LD (DE),A": "t = DE; a = A; WZ = t + 1 & 0xFF | a << 8\nbus.write(t, a)",
    "LD A,(BC)": "t = BC; WZ = t + 1 & 0xFFFF\nA = bus.read(t)",
    "LD A,(DE)": "t = DE; WZ = t + 1 & 0xFFFF\nA = bus.read(t)",
    "LD ({nn}),HL": "t = HL\nbus.write(nn, t & 0xFF)\nWZ = nn = nn + 1 & 0xFFFF\nbus.write(nn, t >> 8)",
    "LD HL,({nn})": "t = bus.read(nn)\nWZ = nn = nn + 1 & 0xFFFF\nt |= bus.read(nn) << 8\nHL := t",
    "LD ({nn}),{p}": "t = {p}\nbus.write(nn, t & 0xFF)\nWZ = nn = nn + 1 & 0xFFFF\nbus.write(nn, t >> 8)",
    "LD {p},({nn})": "t = bus.read(nn)\nWZ = nn = nn + 1 & 0xFFFF\nt |= bus.read(nn) << 8\n{p} := t",
    "LD ({nn}),A": "a = A; WZ = nn + 1 & 0xFF | a << 8\nbus.write(nn, a)",
    "LD A,({nn})": "WZ = nn + 1 & 0xFFFF\nA = bus.read(nn)",
    "INC {p}": "{p} := {p} + 1 & 0xFFFF",
    "DEC {p}": "{p} := {p} - 1 & 0xFFFF",
    "INC (HL)": "v = bus.read(address)\n" + _INC + "\nbus.write(address, t)",
    "DEC (HL)": "v = bus.read(address)\n" + _DEC + "\nbus.write(address, t)",
    "INC {r}": "v = {r}; " + _INC + "; {r} = t",
    "DEC {r}": "v = {r}; " + _DEC + "; {r} = t",
    "LD (HL),{n}": "bus.write(address, n)",
    "LD {r},{n}": "{r} = n",
    "RLCA": "a = A; A = a = a << 1 & 0xFF | a >> 7; F = Q = F & 0xC4 | a & 0x29",
    "RRCA": "a = A; k = a & 1; A = a = a >> 1 | k << 7; F = Q = F & 0xC4 | a & 0x28 | k",
    "RLA": "a = A; k = a >> 7; A = a = a << 1 & 0xFF | F & 1; F = Q = F & 0xC4 | a & 0x28 | k",
    "RRA": "a = A; k = a & 1; A = a = a >> 1 | (F & 1) << 7; F = Q = F & 0xC4 | a & 0x28 | k",
    "DAA": """
a = A; f = F; t = 6 if f & 0x10 or a & 0xF > 9 else 0; k = f & 1
if k or a > 0x99: t |= 0x60; k = 1
A = t = (a - t if f & 2 else a + t) & 0xFF
F = Q = PARITY[t] | (a ^ t) & 0x10 | f & 2 | k""",
    "CPL": "A = a = A ^ 0xFF; F = Q = F & 0xC5 | a & 0x28 | 0x12",
    "SCF": "f = F; F = Q = f & 0xC4 | (Q ^ f | A) & 0x28 | 1",
    "CCF": "f = F; F = Q = f & 0xC4 | (Q ^ f | A) & 0x28 | (0x10 if f & 1 else 1)",
    "HALT": "HALTED = True",
    "LD {r},(HL)": "{r} = bus.read(address)",
    "LD (HL),{s}": "bus.write(address, {s})",
    "LD {r},{s}": "{r} = {s}",
    "{o}(HL)": "v = bus.read(address)\n{o}",
    "{o}{s}": "v = {s}; {o}",
    "{o}{n}": "v = n; {o}",
    "RET {c}": "if {c}:" + indent(_RETURN, "    "),
    "RET": _RETURN,
    "RETI": _RETURN + "\nIFF1 = IFF2",
    "RETN": _RETURN + "\nIFF1 = IFF2",
    "POP {q}": "sp = SP\nt = bus.read(sp)\nt |= bus.read(sp + 1 & 0xFFFF) << 8\nSP = sp + 2 & 0xFFFF\n{q} := t",
    "PUSH {q}": "t = {q}" + _PUSH,
    "RST {t}": "t = PC" + _PUSH + "\nPC = WZ = {t}",
    "JP (HL)": "PC = HL",
    "LD SP,HL": "SP = HL",
    "JP {nn}": "PC = WZ = nn",
    "JP {c},{nn}": "WZ = nn\nif {c}: PC = nn",
    "CALL {nn}": "WZ = nn; " + _CALL,
    "CALL {c},{nn}": "WZ = nn\nif {c}:\n" + indent("REPEAT; " + _CALL, "    "),
    "OUT ({n}),A": "a = A; WZ = n + 1 & 0xFF | a << 8\nbus.io_write(a << 8 | n, a)",
    "IN A,({n})": "t = A << 8 | n; WZ = t + 1 & 0xFFFF\nA = bus.io_read(t)",
    "EX (SP),HL": """
sp = SP; t = HL
v = bus.read(sp)
v |= bus.read(sp + 1 & 0xFFFF) << 8
bus.write(sp + 1 & 0xFFFF, t >> 8)
bus.write(sp, t & 0xFF)
WZ = v
HL := v""",
    "DI": "IFF1 = IFF2 = False",
    "EI": "IFF1 = IFF2 = True; HOLD = AFTER_EI",
    # CB, DD CB and FD CB
    "{x} (HL)": "v = bus.read(address)\n{x}\n" + _RESULT + "\nbus.write(address, t)",
    "{x} (HL),{s}": "v = bus.read(address)\n{x}\n" + _RESULT + "\nbus.write(address, t)\n{s} = t",
    "{x} {s}": "v = {s}; {x}; " + _RESULT + "; {s} = t",
    "BIT {b},(HL)": "v = bus.read(address)\n" + _BIT + " | WZ >> 8 & 0x28",
    "BIT {b},{s}": "v = {s}; " + _BIT + " | v & 0x28",
    "RES {b},(HL)": "v = bus.read(address)\nbus.write(address, v & ~(1 << {b}))",
    "RES {b},(HL),{s}": "v = bus.read(address)\nv &= ~(1 << {b})\nbus.write(address, v)\n{s} = v",
    "RES {b},{s}": "{s} = {s} & ~(1 << {b})",
    "SET {b},(HL)": "v = bus.read(address)\nbus.write(address, v | 1 << {b})",
    "SET {b},(HL),{s}": "v = bus.read(address)\nv |= 1 << {b}\nbus.write(address, v)\n{s} = v",
    "SET {b},{s}": "{s} = {s} | 1 << {b}",
    # ED
    "IN F,(C)": "t = BC; WZ = t + 1 & 0xFFFF\nv = bus.io_read(t)\nF = Q = F & 1 | PARITY[v]",
    "IN {r},(C)": "t = BC; WZ = t + 1 & 0xFFFF\nv = bus.io_read(t)\n{r} = v; F = Q = F & 1 | PARITY[v]",
    "OUT (C),0": "t = BC; WZ = t + 1 & 0xFFFF\nbus.io_write(t, OUT_ZERO)",
    "OUT (C),{r}": "t = BC; WZ = t + 1 & 0xFFFF\nbus.io_write(t, {r})",
    "ADC HL,{p}": """
x = HL; y = {p}; t = x + y + (F & 1); WZ = x + 1 & 0xFFFF; z = t & 0xFFFF
HL := z
F = Q = t >> 8 & 0xA8 | (0 if z else 0x40) | ADDED[(x ^ y ^ t) >> 8]""",
    "SBC HL,{p}": """
x = HL; y = {p}; t = x - y - (F & 1); WZ = x + 1 & 0xFFFF; z = t & 0xFFFF
HL := z
F = Q = t >> 8 & 0xA8 | (0 if z else 0x40) | SUBTRACTED[(x ^ y ^ t) >> 8]""",
    "NEG": "v = A; t = -v; A = t & 0xFF; F = Q = SIGN[t] | SUBTRACTED[v ^ t]",
    "IM 0": "IM = 0",
    "IM 1": "IM = 1",
    "IM 2": "IM = 2",
    "LD I,A": "I = A",
    "LD R,A": "R = A",
    "LD A,I": "A = t = I; F = Q = F & 1 | SIGN[t] | (4 if IFF2 else 0); HOLD = AFTER_LD_A_IR",
    "LD A,R": "A = t = R; F = Q = F & 1 | SIGN[t] | (4 if IFF2 else 0); HOLD = AFTER_LD_A_IR",
    "RRD": """
t = HL; a = A; WZ = t + 1 & 0xFFFF
v = bus.read(t)
A = k = a & 0xF0 | v & 0xF
bus.write(t, a << 4 & 0xF0 | v >> 4)
F = Q = F & 1 | PARITY[k]""",
    "RLD": """
t = HL; a = A; WZ = t + 1 & 0xFFFF
v = bus.read(t)
A = k = a & 0xF0 | v >> 4
bus.write(t, v << 4 & 0xF0 | a & 0xF)
F = Q = F & 1 | PARITY[k]""",
    "LDI": _load_block(1, False), "LDD": _load_block(-1, False),
    "LDIR": _load_block(1, True), "LDDR": _load_block(-1, True),
    "CPI": _compare_block(1, False), "CPD": _compare_block(-1, False),
    "CPIR": _compare_block(1, True), "CPDR": _compare_block(-1, True),
    "INI": _input_block(1, False), "IND": _input_block(-1, False),
    "INIR": _input_block(1, True), "INDR": _input_block(-1, True),
    "OUTI": _output_block(1, False), "OUTD": _output_block(-1, False),
    "OTIR": _output_block(1, True), "OTDR": _output_block(-1, True),
}  # fmt: skip
