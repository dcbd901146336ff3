"""The opcode table against the manual's published T-states, and the model against the table.

Expected T-states: Zilog Z80 CPU User Manual (UM0080), "M Cycles / T States" of the instruction descriptions, copied here
a second time. The manual splits internal operations off as M cycles of their own; the table counts them to the bus
cycle before them, so that sums are compared, and the splits where the manual has one entry for each bus cycle.
"""

from __future__ import annotations

import random

import pytest

from strobewise.cpu import Z80, expected_cycles, operations
from strobewise.cpu.generator import source
from strobewise.cpu.opcodes import PREFIXES

ALL_PREFIXES = [b"", b"\xcb", b"\xed", b"\xdd", b"\xfd", b"\xdd\xcb", b"\xfd\xcb"]

# Opcode, operands left out -> T-states as the manual prints them; two rows: condition not met, met.
UM0080 = {
    "78": ["4"],  # LD A,B
    "3e": ["4 3"],  # LD A,n
    "7e": ["4 3"],  # LD A,(HL)
    "dd7e": ["4 4 3 5 3"],  # LD A,(IX+d)
    "fd7e": ["4 4 3 5 3"],  # LD A,(IY+d)
    "77": ["4 3"],  # LD (HL),A
    "dd77": ["4 4 3 5 3"],  # LD (IX+d),A
    "36": ["4 3 3"],  # LD (HL),n
    "dd36": ["4 4 3 5 3"],  # LD (IX+d),n
    "0a": ["4 3"],  # LD A,(BC)
    "3a": ["4 3 3 3"],  # LD A,(nn)
    "02": ["4 3"],  # LD (BC),A
    "32": ["4 3 3 3"],  # LD (nn),A
    "ed57": ["4 5"],  # LD A,I
    "ed47": ["4 5"],  # LD I,A
    "01": ["4 3 3"],  # LD BC,nn
    "dd21": ["4 4 3 3"],  # LD IX,nn
    "2a": ["4 3 3 3 3"],  # LD HL,(nn)
    "ed4b": ["4 4 3 3 3 3"],  # LD BC,(nn)
    "dd2a": ["4 4 3 3 3 3"],  # LD IX,(nn)
    "22": ["4 3 3 3 3"],  # LD (nn),HL
    "ed43": ["4 4 3 3 3 3"],  # LD (nn),BC
    "fd22": ["4 4 3 3 3 3"],  # LD (nn),IY
    "f9": ["6"],  # LD SP,HL
    "ddf9": ["4 6"],  # LD SP,IX
    "c5": ["5 3 3"],  # PUSH BC
    "dde5": ["4 5 3 3"],  # PUSH IX
    "c1": ["4 3 3"],  # POP BC
    "dde1": ["4 4 3 3"],  # POP IX
    "eb": ["4"],  # EX DE,HL
    "08": ["4"],  # EX AF,AF'
    "d9": ["4"],  # EXX
    "e3": ["4 3 4 3 5"],  # EX (SP),HL
    "dde3": ["4 4 3 4 3 5"],  # EX (SP),IX
    "eda0": ["4 4 3 5"],  # LDI
    "edb0": ["4 4 3 5", "4 4 3 5 5"],  # LDIR
    "eda8": ["4 4 3 5"],  # LDD
    "edb8": ["4 4 3 5", "4 4 3 5 5"],  # LDDR
    "eda1": ["4 4 3 5"],  # CPI
    "edb1": ["4 4 3 5", "4 4 3 5 5"],  # CPIR
    "eda9": ["4 4 3 5"],  # CPD
    "edb9": ["4 4 3 5", "4 4 3 5 5"],  # CPDR
    "80": ["4"],  # ADD A,B
    "c6": ["4 3"],  # ADD A,n
    "86": ["4 3"],  # ADD A,(HL)
    "dd86": ["4 4 3 5 3"],  # ADD A,(IX+d)
    "be": ["4 3"],  # CP (HL)
    "04": ["4"],  # INC B
    "34": ["4 4 3"],  # INC (HL)
    "dd34": ["4 4 3 5 4 3"],  # INC (IX+d)
    "fd35": ["4 4 3 5 4 3"],  # DEC (IY+d)
    "27": ["4"],  # DAA
    "2f": ["4"],  # CPL
    "ed44": ["4 4"],  # NEG
    "3f": ["4"],  # CCF
    "37": ["4"],  # SCF
    "00": ["4"],  # NOP
    "76": ["4"],  # HALT
    "f3": ["4"],  # DI
    "fb": ["4"],  # EI
    "ed46": ["4 4"],  # IM 0
    "ed56": ["4 4"],  # IM 1
    "ed5e": ["4 4"],  # IM 2
    "09": ["4 4 3"],  # ADD HL,BC
    "ed4a": ["4 4 4 3"],  # ADC HL,BC
    "ed42": ["4 4 4 3"],  # SBC HL,BC
    "dd09": ["4 4 4 3"],  # ADD IX,BC
    "03": ["6"],  # INC BC
    "dd23": ["4 6"],  # INC IX
    "2b": ["6"],  # DEC HL
    "fd2b": ["4 6"],  # DEC IY
    "07": ["4"],  # RLCA
    "1f": ["4"],  # RRA
    "cb00": ["4 4"],  # RLC B
    "cb06": ["4 4 4 3"],  # RLC (HL)
    "ddcb06": ["4 4 3 5 4 3"],  # RLC (IX+d)
    "cb3e": ["4 4 4 3"],  # SRL (HL)
    "ed6f": ["4 4 3 4 3"],  # RLD
    "ed67": ["4 4 3 4 3"],  # RRD
    "cb40": ["4 4"],  # BIT 0,B
    "cb46": ["4 4 4"],  # BIT 0,(HL)
    "ddcb46": ["4 4 3 5 4"],  # BIT 0,(IX+d)
    "cbc0": ["4 4"],  # SET 0,B
    "cbc6": ["4 4 4 3"],  # SET 0,(HL)
    "fdcbc6": ["4 4 3 5 4 3"],  # SET 0,(IY+d)
    "cb86": ["4 4 4 3"],  # RES 0,(HL)
    "ddcb86": ["4 4 3 5 4 3"],  # RES 0,(IX+d)
    "c3": ["4 3 3"],  # JP nn
    "da": ["4 3 3"],  # JP C,nn
    "18": ["4 3 5"],  # JR e
    "38": ["4 3", "4 3 5"],  # JR C,e
    "20": ["4 3", "4 3 5"],  # JR NZ,e
    "e9": ["4"],  # JP (HL)
    "dde9": ["4 4"],  # JP (IX)
    "10": ["5 3", "5 3 5"],  # DJNZ e
    "cd": ["4 3 4 3 3"],  # CALL nn
    "dc": ["4 3 3", "4 3 4 3 3"],  # CALL C,nn
    "c9": ["4 3 3"],  # RET
    "d8": ["5", "5 3 3"],  # RET C
    "ed4d": ["4 4 3 3"],  # RETI
    "ed45": ["4 4 3 3"],  # RETN
    "ff": ["5 3 3"],  # RST 38h
    "db": ["4 3 4"],  # IN A,(n)
    "ed78": ["4 4 4"],  # IN A,(C)
    "eda2": ["4 5 3 4"],  # INI
    "edb2": ["4 5 3 4", "4 5 3 4 5"],  # INIR
    "edaa": ["4 5 3 4"],  # IND
    "d3": ["4 3 4"],  # OUT (n),A
    "ed79": ["4 4 4"],  # OUT (C),A
    "eda3": ["4 5 3 4"],  # OUTI
    "edb3": ["4 5 3 4", "4 5 3 4 5"],  # OTIR
    "edbb": ["4 5 3 4", "4 5 3 4 5"],  # OTDR
}
#: The manual prints the memory cycle of 3 before the I/O cycle of 4, though its text has the port read first.
OTHER_ORDER = {"eda2", "edb2", "edaa"}


@pytest.mark.parametrize("opcode", UM0080)
def test_t_states_are_the_manual_s(opcode):
    *prefix, code = bytes.fromhex(opcode)
    operation = operations(bytes(prefix))[code]
    printed = [[int(t) for t in row.split()] for row in UM0080[opcode]]
    assert list(operation.t_states) == [sum(row) for row in printed]
    for cycles, row in zip(operation.variants, printed, strict=True):
        split = [t_states for _, t_states in cycles]
        if len(split) == len(row):
            assert sorted(split) == sorted(row) if opcode in OTHER_ORDER else split == row
    assert operation.documented


class RecordingBus:
    """Random memory and ports; a list of [kind, T-states]."""

    def __init__(self, rng):
        self.rng, self.memory, self.cycles = rng, {}, []

    def _cycle(self, kind, t_states):
        self.cycles.append([kind, t_states])

    def fetch(self, address, refresh):
        self._cycle("opcode_fetch", 4)
        return self.memory.setdefault(address, self.rng.randrange(0x100))

    def read(self, address):
        self._cycle("memory_read", 3)
        return self.memory.setdefault(address, self.rng.randrange(0x100))

    def write(self, address, value):
        assert 0 <= value <= 0xFF
        self._cycle("memory_write", 3)

    def io_read(self, port):
        self._cycle("io_read", 4)
        return self.rng.randrange(0x100)

    def io_write(self, port, value):
        assert 0 <= value <= 0xFF
        self._cycle("io_write", 4)

    def internal(self, t_states):
        self.cycles[-1][1] += t_states


@pytest.mark.parametrize("prefix", ALL_PREFIXES, ids=lambda prefix: prefix.hex() or "none")
def test_the_model_takes_each_variant_of_the_table_and_no_other(prefix):
    rng = random.Random(prefix.hex())
    for opcode in range(0x100):
        if opcode in PREFIXES and prefix in (b"", b"\xdd", b"\xfd"):
            continue
        operation = operations(prefix)[opcode]
        seen = set()
        for trial in range(40):
            cpu, bus = Z80(), RecordingBus(rng)
            cpu.f, cpu.b, cpu.c, cpu.a = rng.randrange(0x100), trial & 1, trial >> 1 & 1, 0
            cpu.h, cpu.l, cpu.pc, cpu.sp = 0x80, 0, 0x100, 0x4000
            bus.memory[0x8000] = trial >> 2 & 1
            code = prefix + (b"\x05" if len(prefix) == 2 else b"") + bytes((opcode,))
            bus.memory.update(enumerate(code, cpu.pc))
            cpu.step(bus)
            seen.add(tuple(map(tuple, bus.cycles)))
        assert seen == set(operation.variants), operation.text


@pytest.mark.parametrize("prefix", ALL_PREFIXES, ids=lambda prefix: prefix.hex() or "none")
def test_lengths_and_cycles_of_an_instruction_fit_together(prefix):
    for opcode in range(0x100):
        if opcode in PREFIXES and prefix in (b"", b"\xdd", b"\xfd"):
            continue
        operation = operations(prefix)[opcode]
        for cycles, data in zip(operation.variants, operation.data_cycles, strict=True):
            own = [kind for kind, _ in cycles[: operation.length]]
            assert own == sorted(own, reverse=True), operation.text  # opcode fetches, then memory reads
            assert set(own) <= {"opcode_fetch", "memory_read"}
            assert len(own) == operation.length
            assert "opcode_fetch" not in [kind for kind, _ in data]


def test_effects_tell_what_reaches_the_bus():
    def effects(code):
        data = bytes.fromhex(code)
        return set(operations(data[:-1])[data[-1]].effects)

    assert effects("00") == set()
    assert effects("7e") == {"memory_read"}
    assert effects("34") == {"memory_read", "memory_write"}
    assert effects("c5") == {"memory_write", "push"}
    assert effects("d8") == {"memory_read", "pop", "jump"}
    assert effects("cd") == {"memory_write", "push", "jump"}
    assert effects("edb3") == {"memory_read", "io_write", "jump"}
    assert effects("ed78") == {"io_read"}
    assert effects("10") == {"jump"}
    assert effects("eda0") == {"memory_read", "memory_write"}


def test_the_longest_instruction_has_four_data_cycles():
    """At most four requests come between two fetches: what a bus reader may rely on."""
    longest = max(
        len(cycles) - sum(kind == "opcode_fetch" for kind, _ in cycles)
        for prefix in ALL_PREFIXES for operation in operations(prefix) for cycles in operation.variants
    )  # fmt: skip
    assert longest == 4


def test_expected_cycles_of_a_prefix_alone_are_not_known_yet():
    assert expected_cycles(b"") == expected_cycles(b"\xdd") == expected_cycles(b"\xdd\xcb\x05") == ()


def test_undocumented_opcodes_are_marked():
    undocumented = ["cb30", "dd7c", "fd65", "ed4c", "ed70", "ed71", "ed63", "ed6b", "ed00", "ddcb00", "dd00", "ed4e"]
    for code in map(bytes.fromhex, undocumented):
        assert not operations(code[:-1])[code[-1]].documented, code.hex()
    every = [operation for prefix in ALL_PREFIXES for operation in operations(prefix)]
    documented = sum(operation.documented and operation.text != "" for operation in every)
    assert documented == 252 + 248 + 56 + 2 * (39 + 31)  # none, CB, ED, DD or FD with and without CB


def test_source_of_an_operation_is_readable():
    assert source(operations(b"")[0x3E]) == (
        "def action(cpu, bus, address=0):\n"
        "    pc = cpu.pc\n"
        "    n = bus.read(pc)\n"
        "    cpu.pc = pc + 1 & 0xFFFF\n"
        "    cpu.a = n\n"
        "    cpu.q = 0\n"
    )
