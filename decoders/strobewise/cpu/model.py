"""The CPU as a sequence of machine cycles.

`Z80.step(bus)` runs one instruction (or one halt fetch, or the response to an interrupt) and calls the bus once for
each machine cycle, in the order in which the pins would show them:

    bus.fetch(address, refresh) -> byte        opcode fetch, 4 T-states; also halt fetches and the NMI response
    bus.read(address) -> byte                  memory read, 3 T-states
    bus.write(address, value)                  memory write, 3 T-states
    bus.io_read(port) -> byte                  I/O read, 4 T-states
    bus.io_write(port, value)                  I/O write, 4 T-states
    bus.acknowledge(address, refresh) -> byte  interrupt acknowledge, 6 T-states; address is PC
    bus.internal(t_states)                     internal T-states that follow and count to the cycle before; may be
                                               called twice after one cycle (the second time when a condition is met)

`refresh` is I and R as they stand on the address bus in T3 and T4. All values are plain int: 16-bit addresses, bytes.

One model serves prediction (a bus that answers from a capture), simulation (a bus that makes waveforms) and timing.
The instructions are data (opcodes.py, actions.py); each becomes a small function when it is first met.

Limits: BUSREQ, WAIT and RESET belong to whoever owns the bus (they happen between or inside its cycles; call `reset`).

Sources: UM0080 for instructions and interrupts. Undocumented behaviour (WZ, Q, bits 3 and 5, flags of block
instructions while they repeat): common practice, as independent emulators have it.
"""

from __future__ import annotations

from operator import attrgetter
from typing import Any, ClassVar, Protocol

from ..bus.semantics import MODE_1_ADDRESS, NMI_ADDRESS
from .generator import AFTER_EI, AFTER_LD_A_IR, MAIN, NEXT_R, Action
from .opcodes import PREFIXES, operation_of


class Bus(Protocol):
    """What the CPU's pins are connected to; see the module's description."""

    def fetch(self, address: int, refresh: int) -> int: ...
    def read(self, address: int) -> int: ...
    def write(self, address: int, value: int) -> None: ...
    def io_read(self, port: int) -> int: ...
    def io_write(self, port: int, value: int) -> None: ...
    def acknowledge(self, address: int, refresh: int) -> int: ...
    def internal(self, t_states: int) -> None: ...


#: The registers and latches in the order of Z80.save(): what decides the CPU's further course.
STATE = (
    "a", "f", "b", "c", "d", "e", "h", "l", "a_", "f_", "b_", "c_", "d_", "e_", "h_", "l_",
    "ix", "iy", "sp", "pc", "i", "r", "wz", "q", "iff1", "iff2", "im", "halted", "hold",
    "interrupt_line", "nmi_pending",
)  # fmt: skip
_state = attrgetter(*STATE)


class Z80:
    """The CPU's registers as plain attributes, and `step`.

    a f b c d e h l and the other set a_ ... l_ (bytes); ix iy sp pc wz (16 bits; wz is the hidden address register);
    i r im; q (F if the last instruction changed it, else 0); iff1 iff2 halted (bool).
    `interrupt_line` is the level of INT (True: asserted) as it stands when a step begins, that is at the end of the
    instruction before; `nmi_pending` is the edge latch of NMI, cleared when accepted.
    `hold` is nonzero after EI, after LD A,I and LD A,R, and between a useless prefix and the prefix that follows it
    (then it is that second prefix, already fetched: no interrupt is accepted, and the instruction began at pc - 1).
    """

    __slots__ = (*STATE, "cmos")
    actions: ClassVar[list[Action]] = MAIN  #: what to run after the first opcode byte
    next_r: ClassVar[Any] = NEXT_R

    def __init__(self, cmos: bool = False) -> None:
        """Make a CPU as it stands after reset. `cmos`: OUT (C),0 puts out FFh, and LD A,I has no interrupt quirk."""
        # At power-on AF and SP often read FFFFh (common practice, from memory); nothing is sure of any register that
        # `reset` does not name: whoever foretells a real machine takes them as unknown until the program sets them.
        self.a = self.f = 0xFF
        self.b = self.c = self.d = self.e = self.h = self.l = 0
        self.a_ = self.f_ = self.b_ = self.c_ = self.d_ = self.e_ = self.h_ = self.l_ = 0
        self.ix = self.iy = self.wz = self.q = self.hold = 0
        self.sp = 0xFFFF
        self.pc = self.i = self.r = self.im = 0
        self.iff1 = self.iff2 = self.halted = self.interrupt_line = self.nmi_pending = False
        self.cmos = cmos

    def reset(self) -> None:
        """Do what RESET does: PC, I, R zero, interrupts off, IM 0 (UM0080); the other registers stay."""
        self.pc = self.i = self.r = self.im = self.wz = self.q = self.hold = 0
        self.iff1 = self.iff2 = self.halted = self.nmi_pending = False

    def save(self) -> tuple[object, ...]:
        """Return the whole state, in the order of STATE."""
        state: tuple[object, ...] = _state(self)
        return state

    def restore(self, state: tuple[object, ...]) -> None:
        """Go back to a state from `save`."""
        for name, value in zip(STATE, state):
            setattr(self, name, value)

    @property
    def ixh(self) -> int:
        """High byte of IX."""
        return self.ix >> 8

    @ixh.setter
    def ixh(self, value: int) -> None:
        self.ix = self.ix & 0xFF | value << 8

    @property
    def ixl(self) -> int:
        """Low byte of IX."""
        return self.ix & 0xFF

    @ixl.setter
    def ixl(self, value: int) -> None:
        self.ix = self.ix & 0xFF00 | value

    @property
    def iyh(self) -> int:
        """High byte of IY."""
        return self.iy >> 8

    @iyh.setter
    def iyh(self, value: int) -> None:
        self.iy = self.iy & 0xFF | value << 8

    @property
    def iyl(self) -> int:
        """Low byte of IY."""
        return self.iy & 0xFF

    @iyl.setter
    def iyl(self, value: int) -> None:
        self.iy = self.iy & 0xFF00 | value

    def step(self, bus: Bus) -> str | None:
        """Run one instruction, or what stands in its place.

        Returns None after an instruction, "halt" after a halt fetch, "nmi_response" or "interrupt" after accepting one
        (an interrupt in IM 0 includes the instruction that the device put on the bus). A DD or FD with no effect
        because another prefix follows it is an instruction of its own; its step has fetched that next prefix as well.
        What the bus raises goes through to the caller; the registers are then those of the middle of an instruction.
        """
        if self.interrupt_line or self.nmi_pending or self.halted or self.hold:
            return self._step_with_care(bus)
        pc = self.pc
        r = self.r
        opcode = bus.fetch(pc, self.i << 8 | r)
        self.pc = pc + 1 & 0xFFFF
        self.r = self.next_r[r]
        self.actions[opcode](self, bus)
        return None

    def _fetch(self, bus: Bus) -> int:
        """Fetch an opcode without moving PC."""
        r = self.r
        self.r = self.next_r[r]
        return bus.fetch(self.pc, self.i << 8 | r)

    def _push_pc(self, bus: Bus) -> None:
        self.sp = self.sp - 1 & 0xFFFF
        bus.write(self.sp, self.pc >> 8)
        self.sp = self.sp - 1 & 0xFFFF
        bus.write(self.sp, self.pc & 0xFF)

    def _step_with_care(self, bus: Bus) -> str | None:
        """Take the rare paths of `step`: interrupts, halt, what EI or a prefix has left behind."""
        hold = self.hold
        self.hold = 0
        if hold in PREFIXES:
            self.actions[hold](self, bus)
            return None
        if self.nmi_pending:
            return self._accept_nmi(bus)
        if self.interrupt_line and self.iff1 and hold != AFTER_EI:
            if hold == AFTER_LD_A_IR and not self.cmos:
                self.f &= 0xFB
            return self._accept_interrupt(bus)
        opcode = self._fetch(bus)
        if self.halted:
            return "halt"
        self.pc = self.pc + 1 & 0xFFFF
        self.actions[opcode](self, bus)
        return None

    def _accept_nmi(self, bus: Bus) -> str:
        """Throw one fetch away (5 T-states), push PC, go on at 0066h; IFF2 keeps the old IFF1. Source: UM0080."""
        self.nmi_pending = self.halted = self.iff1 = False
        self.q = 0
        self._fetch(bus)
        bus.internal(1)
        self._push_pc(bus)
        self.pc = self.wz = NMI_ADDRESS
        return "nmi_response"

    def _accept_interrupt(self, bus: Bus) -> str:
        """Acknowledge a maskable interrupt in the current mode. Source: UM0080, interrupt response."""
        self.halted = self.iff1 = self.iff2 = False
        r = self.r
        self.r = self.next_r[r]
        vector = bus.acknowledge(self.pc, self.i << 8 | r)
        if self.im == 0:
            self._run_from_device(bus, vector)
            return "interrupt"
        self.q = 0
        bus.internal(1)
        self._push_pc(bus)
        if self.im == 1:
            self.pc = MODE_1_ADDRESS
        else:
            entry = self.i << 8 | vector
            low = bus.read(entry)
            self.pc = low | bus.read(entry + 1 & 0xFFFF) << 8
        self.wz = self.pc
        return "interrupt"

    def _run_from_device(self, bus: Bus, opcode: int) -> None:
        """Run the instruction of an interrupt in IM 0; PC does not move while its further bytes are read."""
        operands = 0 if opcode in PREFIXES else operation_of(b"", opcode).operands
        stopped = self.pc
        self.pc = stopped - operands & 0xFFFF
        self.actions[opcode](self, _StoppedCounter(bus, stopped, operands) if operands else bus)


class _StoppedCounter:
    """A bus that shows PC at rest while the operands of an interrupting instruction are read."""

    def __init__(self, bus: Bus, pc: int, operands: int) -> None:
        self._read, self._pc, self._left = bus.read, pc, operands
        self.write, self.io_read, self.io_write, self.internal = bus.write, bus.io_read, bus.io_write, bus.internal
        self.fetch, self.acknowledge = bus.fetch, bus.acknowledge

    def read(self, address: int) -> int:
        if self._left:
            self._left -= 1
            address = self._pc
        return self._read(address)
