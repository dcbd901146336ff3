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

Sources: UM0080 for instructions and interrupts. Undocumented behaviour (WZ, Q, bits 3 and 5, flags of block instructions
while they repeat): common practice, as independent emulators have it.
"""

from __future__ import annotations

import re
from operator import attrgetter
from typing import Any, Callable, Protocol

from . import actions
from .opcodes import PREFIXES, Operation, operations


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

# Values of Z80.hold: what the next step has to respect. A prefix byte is held as itself.
AFTER_EI = 1  # no maskable interrupt yet
AFTER_LD_A_IR = 2  # an interrupt now clears the parity flag that LD A,I has just set (NMOS)


class Z80:
    """The CPU's registers as plain attributes, and `step`.

    a f b c d e h l and the other set a_ ... l_ (bytes); ix iy sp pc wz (16 bits; wz is the hidden address register);
    i r im; q (F if the last instruction changed it, else 0); iff1 iff2 halted (bool).
    `interrupt_line` is the level of INT (True: asserted) as it stands when a step begins, that is at the end of the
    instruction before; `nmi_pending` is the edge latch of NMI, cleared when accepted.
    `hold` is nonzero after EI, after LD A,I and LD A,R, and between a useless prefix and the prefix that follows it (then
    it is that second prefix, already fetched): no interrupt is accepted there, and the instruction began at pc - 1.
    """

    __slots__ = (*STATE, "cmos")

    a: int; f: int; b: int; c: int; d: int; e: int; h: int; l: int  # noqa: E702, E741
    a_: int; f_: int; b_: int; c_: int; d_: int; e_: int; h_: int; l_: int  # noqa: E702
    ix: int; iy: int; sp: int; pc: int; i: int; r: int; wz: int; q: int; im: int; hold: int  # noqa: E702
    iff1: bool; iff2: bool; halted: bool; interrupt_line: bool; nmi_pending: bool; cmos: bool  # noqa: E702

    def __init__(self, cmos: bool = False) -> None:
        """Make a CPU as it stands after reset. `cmos`: OUT (C),0 puts out FFh, and LD A,I has no interrupt quirk."""
        for name in STATE:
            setattr(self, name, 0)
        self.a = self.f = 0xFF  # at power-on AF and SP read FFFFh (common practice, from memory)
        self.sp = 0xFFFF
        self.cmos = cmos
        self.interrupt_line = self.nmi_pending = False
        self.reset()

    def reset(self) -> None:
        """Do what RESET does: PC, I, R zero, interrupts off, IM 0 (UM0080); the other registers stay."""
        self.pc = self.i = self.r = self.im = self.wz = self.q = self.hold = 0
        self.iff1 = self.iff2 = self.halted = self.nmi_pending = False

    def save(self) -> tuple[Any, ...]:
        """Return the whole state, in the order of STATE."""
        return _state(self)  # type: ignore[no-any-return]

    def restore(self, state: tuple[Any, ...]) -> None:
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
        (an interrupt in IM 0 includes the instruction that the device put on the bus). A DD or FD with no effect because
        another prefix follows it is an instruction of its own; its step has fetched that next prefix as well.
        Whatever the bus raises goes through to the caller; the registers are then those of the middle of an instruction.
        """
        if self.interrupt_line or self.nmi_pending or self.halted or self.hold:
            return self._step_with_care(bus)
        pc = self.pc
        r = self.r
        opcode = bus.fetch(pc, self.i << 8 | r)
        self.pc = pc + 1 & 0xFFFF
        self.r = NEXT_R[r]
        _MAIN[opcode](self, bus)
        return None

    def _fetch(self, bus: Bus) -> int:
        """Fetch an opcode without moving PC."""
        r = self.r
        self.r = NEXT_R[r]
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
            _MAIN[hold](self, bus)
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
        _MAIN[opcode](self, bus)
        return None

    def _accept_nmi(self, bus: Bus) -> str:
        """Throw one fetch away (5 T-states), push PC, go on at 0066h; IFF2 keeps the old IFF1. Source: UM0080."""
        self.nmi_pending = self.halted = self.iff1 = False
        self.q = 0
        self._fetch(bus)
        bus.internal(1)
        self._push_pc(bus)
        self.pc = self.wz = 0x66
        return "nmi_response"

    def _accept_interrupt(self, bus: Bus) -> str:
        """Acknowledge a maskable interrupt in the current mode. Source: UM0080, interrupt response."""
        self.halted = self.iff1 = self.iff2 = False
        r = self.r
        self.r = NEXT_R[r]
        vector = bus.acknowledge(self.pc, self.i << 8 | r)
        if self.im == 0:
            self._run_from_device(bus, vector)
            return "interrupt"
        self.q = 0
        bus.internal(1)
        self._push_pc(bus)
        if self.im == 1:
            self.pc = 0x38
        else:
            entry = self.i << 8 | vector
            low = bus.read(entry)
            self.pc = low | bus.read(entry + 1 & 0xFFFF) << 8
        self.wz = self.pc
        return "interrupt"

    def _run_from_device(self, bus: Bus, opcode: int) -> None:
        """Run the instruction of an interrupt in IM 0; PC does not move while its further bytes are read."""
        operands = 0 if opcode in PREFIXES else operations(b"")[opcode].operands
        stopped = self.pc
        self.pc = stopped - operands & 0xFFFF
        _MAIN[opcode](self, _StoppedCounter(bus, stopped, operands) if operands else bus)


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


# --- tables of the flags -------------------------------------------------------------------------------------------

#: R after a fetch: the low seven bits count.
NEXT_R = tuple(r & 0x80 | r + 1 & 0x7F for r in range(256))


def _carries(word: int) -> int:
    """Return half carry, overflow and carry from the exclusive-or of operands and result, 9 bits."""
    return word & 0x10 | word >> 8 | (4 if (word >> 7 ^ word >> 8) & 1 else 0)


_SIGN = [t & 0xA8 | (0 if t else 0x40) for t in range(256)]
_FLAGS: dict[str, Any] = {
    # S, Z, bits 5 and 3 of a result; 512 entries so that 9-bit sums and negative differences may be looked up as they are.
    "SIGN": _SIGN * 2,
    "PARITY": [_SIGN[t] | (0 if bin(t).count("1") & 1 else 4) for t in range(256)],
    "ADDED": [_carries(word) for word in range(512)],
    "SUBTRACTED": [_carries(word) | 2 for word in range(512)],
    "INCREMENTED": [_SIGN[t] | (4 if t == 0x80 else 0) | (0 if t & 0xF else 0x10) for t in range(256)],
    "DECREMENTED": [_SIGN[t] | 2 | (4 if t == 0x7F else 0) | (0x10 if t & 0xF == 0xF else 0) for t in range(256)],
    "AFTER_EI": AFTER_EI,
    "AFTER_LD_A_IR": AFTER_LD_A_IR,
}

# --- from table rows to functions ----------------------------------------------------------------------------------

Action = Callable[..., None]

_SPLIT_PAIRS = {"AF": "af", "BC": "bc", "DE": "de", "HL": "hl"}
_WORDS: dict[str, str] = {
    **{name: "cpu." + name.lower() for name in "A F B C D E H L Q I R A_ F_ B_ C_ D_ E_ H_ L_".split()},
    **{name: "cpu." + name.lower() for name in "SP PC IX IY WZ IXH IXL IYH IYL IM IFF1 IFF2 HALTED HOLD".split()},
    **{pair: "(cpu.%s << 8 | cpu.%s)" % tuple(pair.lower()) for pair in _SPLIT_PAIRS},
    "OUT_ZERO": "(0xFF if cpu.cmos else 0)",
}
_NAME = re.compile(r"\b(" + "|".join(_WORDS) + r")\b")
_SET_PAIR = re.compile(r"^(\s*)(\w\w) := (.*)$")
_T_OF_KIND = {"opcode_fetch": 4, "memory_read": 3, "memory_write": 3, "io_read": 4, "io_write": 4}


def _operand_lines(operation: Operation) -> list[str]:
    """Return the lines that read displacement and operands, and the address of memory at HL or the index register."""
    lines = []
    text = operation.text
    indexed = "{d}" in text and len(operation.prefix) == 1
    if indexed or operation.operands:
        lines.append("pc = PC")
    if indexed:
        register = "IX" if operation.prefix[0] == 0xDD else "IY"
        lines += ["d = bus.read(pc)", "pc = pc + 1 & 0xFFFF"]
        lines.append("address = WZ = " + register + " + (d ^ 0x80) - 0x80 & 0xFFFF")
    elif "(HL)" in operation.template and operation.template != "JP (HL)" and not operation.prefix[1:]:
        lines.append("address = HL")
    if "{nn}" in text:
        lines += ["nn = bus.read(pc)", "nn |= bus.read(pc + 1 & 0xFFFF) << 8", "PC = pc + 2 & 0xFFFF"]
    elif "{n}" in text:
        lines += ["n = bus.read(pc)", "PC = pc + 1 & 0xFFFF"]
    elif "{e}" in text:
        lines += ["e = (bus.read(pc) ^ 0x80) - 0x80", "PC = pc + 1 & 0xFFFF"]
    elif indexed:
        lines.append("PC = pc")
    return lines


def _fill(template: str, operation: Operation) -> str:
    """Return an action's lines with the fields of the operation put in."""
    body = actions.ACTIONS[template]
    for mark, value in operation.fields.items():
        if mark == "o":
            value = actions.ARITHMETIC[value]
        elif mark == "x":
            value = actions.ROTATES[value]
        elif mark in "cj":
            value = actions.CONDITIONS[value]
        body = body.replace("{%s}" % mark, value)
    if operation.prefix and operation.prefix[0] in (0xDD, 0xFD) and "{d}" not in operation.text:
        if operation.template not in ("EX DE,HL", "EXX"):
            body = re.sub(r"\bHL\b", "IX" if operation.prefix[0] == 0xDD else "IY", body)
    return body


def _with_internal(lines: list[str], operation: Operation) -> list[str]:
    """Add the internal T-states of the opcode table after each bus access, and at REPEAT the longer variant's."""
    short, longest = operation.variants[0], operation.variants[-1]
    start = 4 if len(operation.prefix) == 2 else len(operation.prefix)  # of the cycles, these are done elsewhere
    extra = [t_states - _T_OF_KIND[kind] for kind, t_states in longest]
    always = [t_states - _T_OF_KIND[kind] for kind, t_states in short] + extra[len(short) :]
    at_repeat = sum(extra) - sum(always)
    result = []
    if len(operation.prefix) < 2:
        if always[start]:
            result.append("bus.internal(%d)" % always[start])
        start += 1
    for line in lines:
        result.append(line.replace("REPEAT", "bus.internal(%d)" % at_repeat if at_repeat else "pass"))
        if "bus." in line:
            indent = line[: len(line) - len(line.lstrip())]
            if always[start]:
                result.append(indent + "bus.internal(%d)" % always[start])
            start += 1
    return result


def source(operation: Operation) -> str:
    """Return the Python source of the function that runs an operation; its opcode has been fetched already."""
    lines = _operand_lines(operation) + _fill(operation.template, operation).strip().splitlines()
    lines = _with_internal(lines, operation)
    if not any(" Q = " in line for line in lines):
        lines.append("Q = 0")
    for number, line in enumerate(lines):
        pair = _SET_PAIR.match(line)
        if pair and pair.group(2) in _SPLIT_PAIRS:
            high, low = pair.group(2)
            line = "%sw = %s; %s = w >> 8; %s = w & 0xFF" % (pair.group(1), pair.group(3), high, low)
        elif pair:
            line = "%s%s = %s" % pair.groups()
        lines[number] = "    " + _NAME.sub(lambda match: _WORDS[match.group(1)], line)
    return "def action(cpu, bus, address=0):\n" + "\n".join(lines) + "\n"


def _compile(prefix: bytes, opcode: int) -> Action:
    """Make the function of one operation."""
    names = dict(_FLAGS)
    operation = operations(prefix)[opcode]
    exec(compile(source(operation), "<%s %02x>" % (prefix.hex(" "), opcode), "exec"), names)
    action: Action = names["action"]
    return action


def _prefix_action(prefix: bytes) -> Action:
    """Make the function that fetches the opcode after a CB, ED, DD or FD."""
    table = _actions(prefix)

    def fetch_next(cpu: Z80, bus: Bus) -> None:
        pc = cpu.pc
        r = cpu.r
        opcode = bus.fetch(pc, cpu.i << 8 | r)
        cpu.pc = pc + 1 & 0xFFFF
        cpu.r = NEXT_R[r]
        table[opcode](cpu, bus)

    return fetch_next


def _indexed_cb_action(prefix: int) -> Action:
    """Make the function for what follows DD CB or FD CB: displacement and opcode, both read as data."""
    table = _actions(bytes((prefix, 0xCB)))

    def read_next(cpu: Z80, bus: Bus) -> None:
        pc = cpu.pc
        displacement = bus.read(pc)
        opcode = bus.read(pc + 1 & 0xFFFF)
        bus.internal(2)
        cpu.pc = pc + 2 & 0xFFFF
        index = cpu.ix if prefix == 0xDD else cpu.iy
        cpu.wz = address = index + (displacement ^ 0x80) - 0x80 & 0xFFFF
        table[opcode](cpu, bus, address)

    return read_next


def _hold_action(prefix: int) -> Action:
    """Make the function for a prefix after DD or FD: it takes the first one's place in the next step."""

    def hold(cpu: Z80, bus: Bus) -> None:
        cpu.hold = prefix
        cpu.q = 0

    return hold


def _actions(prefix: bytes) -> list[Action]:
    """Return the 256 functions after a prefix; each entry replaces itself with the real one when first called."""
    table: list[Action] = []

    def first_use(opcode: int) -> Action:
        def build(cpu: Z80, bus: Bus, address: int = 0) -> None:
            if opcode not in PREFIXES or prefix not in (b"", b"\xdd", b"\xfd"):
                table[opcode] = _compile(prefix, opcode)
            elif not prefix:
                table[opcode] = _prefix_action(bytes((opcode,)))
            elif opcode == 0xCB:
                table[opcode] = _indexed_cb_action(prefix[0])
            else:
                table[opcode] = _hold_action(opcode)
            if len(prefix) == 2:
                table[opcode](cpu, bus, address)
            else:
                table[opcode](cpu, bus)

        return build

    table.extend(first_use(opcode) for opcode in range(256))
    return table


_MAIN = _actions(b"")
