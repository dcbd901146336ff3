"""From table rows to functions: makes each instruction's function when it is first met.

opcodes.py says which machine cycles an opcode has, actions.py what it does; `source` joins the two into Python.

Source: the flags are those of UM0080, with bits 3 and 5 copied from the result (common practice).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Callable, NamedTuple

from . import actions
from .opcodes import PREFIXES, Operation, operation_of

if TYPE_CHECKING:
    from .model import Z80, Bus

#: Values of Z80.hold: what the next step has to respect. A prefix byte is held as itself.
AFTER_EI = 1  # no maskable interrupt yet
AFTER_LD_A_IR = 2  # an interrupt now clears the parity flag that LD A,I has just set (NMOS)

#: R after a fetch: the low seven bits count.
NEXT_R = tuple(r & 0x80 | r + 1 & 0x7F for r in range(256))


def _carries(word: int) -> int:
    """Return half carry, overflow and carry from the exclusive-or of operands and result, 9 bits."""
    return word & 0x10 | word >> 8 | (4 if (word >> 7 ^ word >> 8) & 1 else 0)


_SIGN = [t & 0xA8 | (0 if t else 0x40) for t in range(256)]
#: Name -> what the functions look up.
TABLES: dict[str, Any] = {
    # S, Z, bits 5 and 3 of a result; 512 entries: 9-bit sums and negative differences are looked up as they are.
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

_SPLIT_PAIRS = ("AF", "BC", "DE", "HL")
_WORDS: dict[str, str] = {
    **{name: "cpu." + name.lower() for name in "A F B C D E H L Q I R A_ F_ B_ C_ D_ E_ H_ L_".split()},
    **{name: "cpu." + name.lower() for name in "SP PC IX IY WZ IXH IXL IYH IYL IM IFF1 IFF2 HALTED HOLD".split()},
    **{pair: "(cpu.%s << 8 | cpu.%s)" % (pair[0].lower(), pair[1].lower()) for pair in _SPLIT_PAIRS},
    "OUT_ZERO": "(0xFF if cpu.cmos else 0)",
}
_NAME = re.compile(r"\b(" + "|".join(_WORDS) + r")\b")
_SET_PAIR = re.compile(r"^(\s*)(\w\w) := (.*)$")
_T_OF_KIND = {"opcode_fetch": 4, "memory_read": 3, "memory_write": 3, "io_read": 4, "io_write": 4}  #: the shortest of each kind (UM0080)


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
            body = body.replace("{o}", actions.ARITHMETIC[value])
        elif mark == "x":
            body = body.replace("{x}", actions.ROTATES[value])
        elif mark in "cj":
            body = body.replace("{%s}" % mark, actions.CONDITIONS[value])
        else:
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


def _set_pair(line: str) -> str:
    """Turn `PAIR := value` into assignments."""
    match = _SET_PAIR.match(line)
    if match is None:
        return line
    indent, pair, value = match.groups()
    if pair not in _SPLIT_PAIRS:
        return "%s%s = %s" % (indent, pair, value)
    return "%sw = %s; %s = w >> 8; %s = w & 0xFF" % (indent, value, pair[0], pair[1])


def source(operation: Operation) -> str:
    """Return the Python source of the function that runs an operation; its opcode has been fetched already."""
    lines = _operand_lines(operation) + _fill(operation.template, operation).strip().splitlines()
    lines = _with_internal(lines, operation)
    if not any(" Q = " in line for line in lines):
        lines.append("Q = 0")
    lines = [_NAME.sub(lambda match: _WORDS[match.group(1)], _set_pair(line)) for line in lines]
    return "def action(cpu, bus, address=0):\n    " + "\n    ".join(lines) + "\n"


def make_action(operation: Operation) -> Action:
    """Make the function of one operation."""
    names = dict(TABLES)
    exec(compile(source(operation), "<%s %02x>" % (operation.prefix.hex(" "), operation.opcode), "exec"), names)
    action: Action = names["action"]
    return action


class Arithmetic(NamedTuple):
    """What the functions calculate with: whole numbers (WHOLE), or whatever else a caller brings."""

    make: Callable[[Operation], Action]  #: makes the function of one operation
    next_r: Any  #: R before a fetch -> R behind it


WHOLE = Arithmetic(make_action, NEXT_R)


def _prefix_action(prefix: bytes, arithmetic: Arithmetic) -> Action:
    """Make the function that fetches the opcode after a CB, ED, DD or FD."""
    table = actions_after(prefix, arithmetic)
    next_r = arithmetic.next_r

    def fetch_next(cpu: Z80, bus: Bus) -> None:
        pc = cpu.pc
        r = cpu.r
        opcode = bus.fetch(pc, cpu.i << 8 | r)
        cpu.pc = pc + 1 & 0xFFFF
        cpu.r = next_r[r]
        table[opcode](cpu, bus)

    return fetch_next


def _indexed_cb_action(prefix: int, arithmetic: Arithmetic) -> Action:
    """Make the function for what follows DD CB or FD CB: displacement and opcode, both read as data."""
    table = actions_after(bytes((prefix, 0xCB)), arithmetic)

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

    return hold


def actions_after(prefix: bytes, arithmetic: Arithmetic) -> list[Action]:
    """Return the 256 functions after a prefix; each entry replaces itself with the real one when first called."""
    table: list[Action] = []

    def first_use(opcode: int) -> Action:
        def build(cpu: Z80, bus: Bus, address: int = 0) -> None:
            if opcode not in PREFIXES or prefix not in (b"", b"\xdd", b"\xfd"):
                table[opcode] = arithmetic.make(operation_of(prefix, opcode))
            elif not prefix:
                table[opcode] = _prefix_action(bytes((opcode,)), arithmetic)
            elif opcode == 0xCB:
                table[opcode] = _indexed_cb_action(prefix[0], arithmetic)
            else:
                table[opcode] = _hold_action(opcode)
            if len(prefix) == 2:
                table[opcode](cpu, bus, address)
            else:
                table[opcode](cpu, bus)

        return build

    table.extend(first_use(opcode) for opcode in range(256))
    return table


#: What to run after the first opcode byte has been fetched.
MAIN = actions_after(b"", WHOLE)
