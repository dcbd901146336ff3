"""The CPU model beside two independent emulators, instruction by instruction, over random programs.

Reference libraries from the registry: `z80` (memory, registers, I/O, T-states) and `z80-python` (the hidden registers
WZ and Q besides, and interrupts). Where they are known to differ from the model, it stands beside each exception.
"""

from __future__ import annotations

import dataclasses
import random

import pytest
import z80
import z80_python
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.cpu import Z80, find_operation
from strobewise.cpu.generator import AFTER_EI, AFTER_LD_A_IR
from strobewise.cpu.opcodes import PREFIXES

STEPS = 300
FLAGS_3_AND_5 = 0x28
SEEDS = st.integers(0, 2**32 - 1)
PROGRAMS = settings(max_examples=150, deadline=None)
#: Bits of F while a block instruction repeats: `z80` does not model that they change once more.
REPEAT_FLAGS = {"LDIR": 0x28, "LDDR": 0x28, "CPIR": 0x28, "CPDR": 0x28,
                "INIR": 0x3C, "INDR": 0x3C, "OTIR": 0x3C, "OTDR": 0x3C}  # fmt: skip

VISIBLE = ("a", "b", "c", "d", "e", "h", "l", "ix", "iy", "sp", "pc", "i", "r", "iff1", "iff2")
HIDDEN_TOO = (*VISIBLE, "wz", "im", "halted")


class CountingBus:
    """Memory and ports, and a count of T-states (UM0080: fetch 4, memory 3, I/O 4, acknowledge 6)."""

    def __init__(self, memory):
        self.vector = 0xFF
        self.memory = memory
        self.ports = []
        self.t_states = 0

    def fetch(self, address, refresh):
        self.t_states += 4
        return self.memory[address]

    def acknowledge(self, address, refresh):
        self.t_states += 6
        return self.vector

    def read(self, address):
        self.t_states += 3
        return self.memory[address]

    def write(self, address, value):
        self.t_states += 3
        self.memory[address] = value

    def io_read(self, port):
        self.t_states += 4
        return read_port(self.ports, port)

    def io_write(self, port, value):
        self.t_states += 4
        self.ports.append((port, value))

    def internal(self, t_states):
        self.t_states += t_states


def read_port(log, port):
    value = (port * 7 + (port >> 8)) & 0xFF
    log.append((port, None))
    return value


def random_memory(rng):
    """Return 64 KiB of random bytes, with prefixes and block instructions more often than chance has them."""
    memory = bytearray(rng.randbytes(0x10000))
    for address in range(0, 0x10000, 16):
        memory[address] = rng.choice((0xCB, 0xED, 0xDD, 0xFD))
        if memory[address] == 0xED:
            memory[address + 1] = rng.choice(range(0xA0, 0xC0)) if rng.random() < 0.3 else rng.randrange(0x40, 0x80)
        elif memory[address] != 0xCB and rng.random() < 0.3:
            memory[address + 1] = 0xCB
    return memory


def start(seed):
    """Return a random program in memory and a CPU with random registers; it begins with a jump, which sets WZ."""
    rng = random.Random(seed)
    memory = random_memory(rng)
    cpu = Z80()
    randomize(cpu, rng)
    for offset, byte in enumerate((0xC3, rng.randrange(0x100), rng.randrange(0x100))):
        memory[(cpu.pc + offset) & 0xFFFF] = byte
    return rng, cpu, CountingBus(memory)


def randomize(cpu, rng):
    for name in ("a", "f", "b", "c", "d", "e", "h", "l", "a_", "f_", "b_", "c_", "d_", "e_", "h_", "l_", "i", "r"):
        setattr(cpu, name, rng.randrange(0x100))
    for name in ("ix", "iy", "sp", "pc", "wz"):
        setattr(cpu, name, rng.randrange(0x10000))


def next_instruction(cpu, memory):
    """Return address and operation of what comes next, useless prefixes skipped, and how many of these there are."""
    address = (cpu.pc - (cpu.hold in PREFIXES)) & 0xFFFF
    prefixes = 0
    while True:
        operation = find_operation(bytes(memory[(address + offset) & 0xFFFF] for offset in range(4)))
        if operation.length > 1 or not operation.text.startswith("DEFB"):
            return address, operation, prefixes
        address = (address + 1) & 0xFFFF
        prefixes += 1


def run_to_the_opcode(cpu, bus):
    """Step once, and on to the end of a row of prefixes; return what the first step has done."""
    taken = cpu.step(bus)
    while cpu.hold in PREFIXES:
        cpu.step(bus)
    return taken


def pairs_of_other_set(cpu):
    return {pair: getattr(cpu, pair[0] + "_") << 8 | getattr(cpu, pair[1] + "_") for pair in ("af", "bc", "de", "hl")}


def run_z80(machine, t_states):
    """Run that emulator, which steps prefix by prefix, for so many T-states at least; return how many it took."""
    taken = 0
    while taken < t_states:
        machine.ticks_to_stop = 1
        before = machine.frame_tick
        machine.run()
        taken += (machine.frame_tick - before) % 100_000  # its length of a frame
    return taken


@PROGRAMS
@given(SEEDS)
def test_the_model_agrees_with_the_emulator_z80(seed):
    _, cpu, bus = start(seed)
    ports = []
    other = z80.Z80Machine()
    other.set_memory_block(0, bytes(bus.memory))
    other.set_input_callback(lambda port: read_port(ports, port))
    other.set_output_callback(lambda port, value: ports.append((port, value)))
    for name in VISIBLE:
        setattr(other, name, getattr(cpu, name))
    other.f = cpu.f
    for pair, value in pairs_of_other_set(cpu).items():
        setattr(other, "alt_" + pair, value)
    for _ in range(STEPS):
        address, operation, _ = next_instruction(cpu, bus.memory)
        if operation.text == "HALT":
            break
        begin = bus.t_states
        run_to_the_opcode(cpu, bus)
        t_states = bus.t_states - begin
        assert run_z80(other, t_states) == t_states, operation.text
        unlike = 0
        if operation.text in ("SCF", "CCF"):
            unlike = FLAGS_3_AND_5  # `z80` has no Q
        elif operation.template == "BIT {b},(HL)" and operation.prefix == b"\xcb":
            unlike = FLAGS_3_AND_5  # they show WZ, which `z80` has differently after INI, IND and repeated I/O
        elif cpu.pc == address:
            unlike = REPEAT_FLAGS.get(operation.text, 0)
        assert other.f | unlike == cpu.f | unlike, operation.text
        other.f = cpu.f
        assert [getattr(other, name) for name in VISIBLE] == [getattr(cpu, name) for name in VISIBLE], operation.text
        for pair, value in pairs_of_other_set(cpu).items():
            assert getattr(other, "alt_" + pair) == value
    assert bytes(other.memory) == bytes(bus.memory)
    assert ports == bus.ports


def make_z80_python(cpu, memory, ports):
    """Return that emulator in the state of our CPU."""
    other = z80_python.Z80CPU(
        memory.__getitem__,
        memory.__setitem__,
        read_port=lambda port: read_port(ports, port),
        write_port=lambda port, value: ports.append((port, value)),
    )
    pairs = {pair + "_alt": value for pair, value in pairs_of_other_set(cpu).items()}
    other.restore_state(z80_python.CPUState(f=cpu.f, q=cpu.q, **pairs, **{n: getattr(cpu, n) for n in HIDDEN_TOO}))
    return other


def assert_same_state(cpu, other, operation, prefixed_scf):
    state = other.capture_state()
    if prefixed_scf:
        # That package lets a DD or FD clear Q, so that bits 3 and 5 may differ; the model leaves Q as it was before the
        # prefix, as public single-step data have it.
        assert state.f | FLAGS_3_AND_5 == cpu.f | FLAGS_3_AND_5, operation.text
        other.restore_state(dataclasses.replace(state, f=cpu.f, q=cpu.q))
    else:
        assert [state.f, state.q] == [cpu.f, cpu.q], operation.text
    assert [getattr(state, name) for name in HIDDEN_TOO] == [getattr(cpu, name) for name in HIDDEN_TOO], operation.text
    for pair, value in pairs_of_other_set(cpu).items():
        assert getattr(state, pair + "_alt") == value, operation.text


@PROGRAMS
@given(SEEDS)
def test_the_model_agrees_with_the_emulator_z80_python_to_the_hidden_registers(seed):
    rng, cpu, bus = start(seed)
    memory, ports = bytearray(bus.memory), []
    other = make_z80_python(cpu, memory, ports)
    for _ in range(STEPS):
        _, operation, prefixes = next_instruction(cpu, bus.memory)
        if cpu.hold == AFTER_EI and operation.text in ("EI", "DI"):
            break  # here that package miscounts the delay of EI (the model's own tests have a row of them)
        chance = rng.random()
        if cpu.halted or chance < 0.03:
            bus.vector = rng.randrange(0x100)
            cpu.interrupt_line = True
        if cpu.interrupt_line:
            bus.vector |= 0 if cpu.im else 0xC7  # that package takes only RST in IM 0
            other.request_maskable_interrupt(bus.vector)
        if cpu.hold != AFTER_EI and cpu.iff1 == cpu.iff2 and (chance > 0.98 or (cpu.halted and not cpu.iff1)):
            # That package copies IFF1 to IFF2 on NMI; the model leaves IFF2. They agree while both are equal. After EI
            # (the model's own tests have that) an NMI makes it miscount the delay.
            cpu.nmi_pending = True
            other.request_non_maskable_interrupt()
        spoilt_parity = cpu.hold == AFTER_LD_A_IR
        begin = bus.t_states
        taken = run_to_the_opcode(cpu, bus)
        if taken == "interrupt":
            cpu.interrupt_line = False
        t_states = other.step()
        assert t_states == bus.t_states - begin, operation.text
        if taken == "interrupt" and spoilt_parity:  # that package has no such quirk
            other.f = cpu.f
            continue
        prefixed = operation.useless_prefix or prefixes
        assert_same_state(cpu, other, operation, taken is None and prefixed and operation.text in ("SCF", "CCF"))
    assert memory == bus.memory
    assert ports == bus.ports


@pytest.mark.parametrize("prefix", ["", "cb", "ed", "dd", "fd", "ddcb", "fdcb"])
def test_every_opcode_agrees_with_the_emulator_z80_python(prefix):
    rng = random.Random(prefix)
    for opcode in range(0x100):
        for trial in range(8):
            cpu, bus = Z80(), CountingBus(bytearray(rng.randbytes(0x10000)))
            randomize(cpu, rng)
            if trial < 2:  # so that sums of nothing come, and carries through all bits
                for name in ("a", "b", "c", "d", "e", "h", "l"):
                    setattr(cpu, name, 0xFF * trial)
                cpu.f &= 0xFE
            elif trial < 5:  # so that conditions on BC and A are met now and then
                cpu.b, cpu.c, cpu.a = 0, 1, bus.memory[cpu.h << 8 | cpu.l]
            code = bytes.fromhex(prefix) + (b"" if len(prefix) < 4 else rng.randbytes(1)) + bytes((opcode,))
            if opcode in PREFIXES and prefix in ("", "dd", "fd"):
                break
            for offset, byte in enumerate(code):
                bus.memory[(cpu.pc + offset) & 0xFFFF] = byte
            cpu.q = rng.choice((0, cpu.f))
            memory, ports = bytearray(bus.memory), []
            other = make_z80_python(cpu, memory, ports)
            _, operation, _ = next_instruction(cpu, bus.memory)
            cpu.step(bus)
            assert other.step() == bus.t_states, operation.text
            assert_same_state(cpu, other, operation, prefix and operation.text in ("SCF", "CCF"))
            assert memory == bus.memory, operation.text
            assert ports == bus.ports, operation.text
