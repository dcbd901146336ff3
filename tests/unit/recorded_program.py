"""A CPU that runs on its own memory and writes down each machine cycle: what a perfect capture of it would hold."""

from __future__ import annotations

import random
from typing import NamedTuple

from strobewise.bus.model import KIND_INDEX, NOTE_INDEX
from strobewise.cpu.model import Z80
from strobewise.cpu.opcodes import PREFIXES
from strobewise.program.capture_bus import FLAG_SHIFT, IN_HALT, NMI_RESPONSE, PredictionRows
from strobewise.program.steps import Rows

KINDS = {kind: KIND_INDEX[kind] for kind in ("opcode_fetch", "memory_read", "memory_write", "io_read", "io_write", "interrupt_acknowledge")}
LEAST_T = {"opcode_fetch": 4, "memory_read": 3, "memory_write": 3, "io_read": 4, "io_write": 4, "interrupt_acknowledge": 6}


class Cycle(NamedTuple):
    kind: str
    address: int
    data: int
    t_states: int
    note: str = ""


class Recorder:
    """The bus of the model: 64 K of memory, ports that give what `ports` says, and a list of cycles."""

    def __init__(self, memory, ports=lambda port: 0xFF, vector=0xFF):
        self.memory, self.ports, self.vector = memory, ports, vector
        self.cycles: list[Cycle] = []

    def _add(self, kind, address, data):
        self.cycles.append(Cycle(kind, address, data, LEAST_T[kind]))
        return data

    def fetch(self, address, refresh):
        return self._add("opcode_fetch", address, self.memory[address])

    def read(self, address):
        return self._add("memory_read", address, self.memory[address])

    def write(self, address, value):
        self.memory[address] = self._add("memory_write", address, value)

    def io_read(self, port):
        return self._add("io_read", port, self.ports(port))

    def io_write(self, port, value):
        self._add("io_write", port, value)

    def acknowledge(self, address, refresh):
        return self._add("interrupt_acknowledge", address, self.vector)

    def internal(self, t_states):
        last = self.cycles[-1]
        self.cycles[-1] = last._replace(t_states=last.t_states + t_states)


class Ran(NamedTuple):
    """One step of the model, and the cycles that it took."""

    what: str | None  #: as Z80.step returns it
    pc: int
    first: int
    after: int


def run(code, count, at=0, cpu=None, interrupts=(), nmis=(), vector=0xFF, ports=lambda port: 0xFF):
    """Run a program and return (bus, steps). code: placed at `at`; interrupts, nmis: numbers of the steps before which they come."""
    memory = bytearray(0x10000)
    memory[at : at + len(code)] = code
    cpu = cpu or Z80()
    cpu.pc = at
    bus = Recorder(memory, ports, vector)
    return bus, step_on(cpu, bus, count, interrupts, nmis)


def step_on(cpu, bus, count, interrupts=(), nmis=()):
    steps = []
    for number in range(count):
        begun = int(cpu.hold in PREFIXES)  # its first prefix was fetched by the step before, which was of the useless prefix alone
        first, pc = len(bus.cycles) - begun, cpu.pc - begun & 0xFFFF
        cpu.interrupt_line = number in interrupts
        cpu.nmi_pending = cpu.nmi_pending or number in nmis
        what = cpu.step(bus)
        if what in ("halt", "nmi_response"):
            bus.cycles[first] = bus.cycles[first]._replace(note=what)
        steps.append(Ran(what, pc, first, len(bus.cycles) - int(cpu.hold in PREFIXES)))
    return steps


def random_run(seed, count):
    """Run random bytes on random registers, with interrupts in all modes and NMIs; returns (bus, steps)."""
    rng = random.Random(seed)
    cpu = Z80(cmos=rng.random() < 0.5)
    for name in ("a", "f", "b", "c", "d", "e", "h", "l", "a_", "f_", "b_", "c_", "d_", "e_", "h_", "l_", "i", "r", "q"):
        setattr(cpu, name, rng.randrange(0x100))
    for name in ("ix", "iy", "sp", "pc", "wz"):
        setattr(cpu, name, rng.randrange(0x10000))
    cpu.im = rng.randrange(3)
    bus = Recorder(bytearray(rng.randbytes(0x10000)), lambda port: rng.randrange(0x100))
    steps = []
    for _ in range(count):
        # In mode 0 a device answers with a restart; in mode 2 vectors are even.
        bus.vector = rng.choice((0xFF, 0xC7, 0xDF)) if cpu.im == 0 else rng.randrange(0, 256, 2) if cpu.im == 2 else 0xFF
        steps += step_on(cpu, bus, 1, {0} if rng.random() < 0.03 else (), {0} if rng.random() < (0.2 if cpu.halted else 0.005) else ())
    return bus, steps


def as_rows(cycles, t=10, **changes):
    """Return cycles as the program flow takes them. t: ticks of a T-state; changes: columns to replace."""
    start, at = [], 0
    for cycle in cycles:
        start.append(at)
        at += cycle.t_states * t
    rows = Rows(
        bytes(KINDS[cycle.kind] for cycle in cycles), start, [*start[1:], at], [cycle.t_states for cycle in cycles], [0] * len(cycles),
        [cycle.address for cycle in cycles], [cycle.data for cycle in cycles], [NOTE_INDEX[cycle.note] for cycle in cycles],
    )  # fmt: skip
    return rows._replace(**changes)


def as_prediction_rows(cycles):
    """Return cycles as the predictor takes them."""
    flags = {"": 0, "halt": IN_HALT, "nmi_response": NMI_RESPONSE}
    key = [c.address | KINDS[c.kind] << 16 | flags[c.note] << FLAG_SHIFT for c in cycles]
    internal = [0]
    for cycle in cycles[:-1]:
        internal.append(internal[-1] + cycle.t_states - LEAST_T[cycle.kind])
    return PredictionRows(key, [c.data for c in cycles], internal, [False] * len(cycles), list(range(len(cycles))))
