"""The lines of the CPU's bus: names, pins, levels, spellings, and the bit each takes in a packed word.

Source of names and pins: Zilog Z80 CPU User Manual (UM0080), pin figure of the 40-pin DIP.
Spellings: common practice of schematics and analyser labels.
"""

from __future__ import annotations

from typing import Collection, Dict, Iterable, List, NamedTuple, Optional, Tuple


class Line(NamedTuple):
    """One line of the bus."""

    name: str  #: canonical name
    bit: int  #: its bit in a packed word
    pin: Optional[int]  #: pin of the 40-pin DIP, None for a line that the CPU does not have
    direction: str  #: "output" (the CPU drives it), "input", "both", "expansion"
    active_level: int  #: the level at which it is asserted
    spellings: Tuple[str, ...]  #: other names it is known by, without marks of polarity and separators, lower case
    meaning: str  #: what it does, in a few words


def _control(name: str, bit: int, pin: Optional[int], direction: str, meaning: str, *spellings: str) -> Line:
    return Line(name, bit, pin, direction, 0, spellings, meaning)


#: Pins of A0..A15 and D0..D7 of the 40-pin package (UM0080, pin configuration).
_ADDRESS_PINS = (30, 31, 32, 33, 34, 35, 36, 37, 38, 39, 40, 1, 2, 3, 4, 5)
_DATA_PINS = (14, 15, 12, 8, 7, 9, 10, 13)  #: the same

FIRST_ADDRESS_BIT = 16  #: the control lines are below
FIRST_DATA_BIT = 32  #: behind the 16 address lines
FIRST_FREE_BIT = 40  #: lines that a profile or --map declares, and channels without a line, take the bits from here
WORD_BITS = 64  #: as wide as one integer of numpy
SHORTEST_RUN = 3  #: lines of a bus that are written as a range

LINES: Tuple[Line, ...] = (
    Line("CLK", 0, 6, "input", 1, ("clock", "phi", "clkcpu", "clockcpu", "zclk", "ck", "phi0", "cp"), "clock"),
    _control("M1", 1, 27, "output", "first machine cycle of an instruction (opcode fetch)"),
    _control("MREQ", 2, 19, "output", "memory request", "memreq", "memrq", "mrq", "memoryrequest"),
    _control("IORQ", 3, 20, "output", "input/output request", "ioreq", "iorequest", "iorqst"),
    _control("RD", 4, 21, "output", "read", "read"),
    _control("WR", 5, 22, "output", "write", "write"),
    _control("RFSH", 6, 28, "output", "refresh", "refresh", "rfrsh", "refsh", "rfs", "rf"),
    _control("HALT", 7, 18, "output", "CPU halted", "hlt"),
    _control("WAIT", 8, 24, "input", "wait request", "wt"),
    _control("INT", 9, 16, "input", "maskable interrupt request", "irq", "intr", "interrupt"),
    _control("NMI", 10, 17, "input", "non-maskable interrupt"),
    _control("RESET", 11, 26, "input", "reset", "rst", "res", "rs"),
    _control("BUSREQ", 12, 25, "input", "bus request", "busrq", "busrequest", "brq", "breq"),
    _control("BUSACK", 13, 23, "output", "bus acknowledge", "busak", "busacknowledge", "bak", "buak"),
    Line("ROMDIS", 14, None, "expansion", 1, ("romdisable", "disablerom"), "a device asks the host to switch its ROM off"),
    *(
        Line(f"A{i}", FIRST_ADDRESS_BIT + i, pin, "output", 1, (), f"address bit {i}")
        for i, pin in enumerate(_ADDRESS_PINS)
    ),
    *(Line(f"D{i}", FIRST_DATA_BIT + i, pin, "both", 1, (), f"data bit {i}") for i, pin in enumerate(_DATA_PINS)),
)

LINE: Dict[str, Line] = {line.name: line for line in LINES}
BIT: Dict[str, int] = {line.name: line.bit for line in LINES}
MASK: Dict[str, int] = {line.name: 1 << line.bit for line in LINES}

ADDRESS = tuple(f"A{i}" for i in range(16))
DATA = tuple(f"D{i}" for i in range(8))
CONTROL = tuple(line.name for line in LINES if line.bit < FIRST_ADDRESS_BIT)
#: Names of the buses, alone for a vector and before the number for one bit; lower case, without separators.
BUS_SPELLINGS: Dict[str, Tuple[str, ...]] = {
    "A": ("a", "ab", "abus", "add", "addr", "adr", "address", "addrbus", "adrbus", "addressbus"),
    "D": ("d", "db", "dbus", "dat", "data", "databus"),
}
STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")  #: the outputs that frame a machine cycle
FETCH_LINES = ("M1", "RFSH")  #: strobes that the CPU drives in each fetch, also while another bus master has the others (UM0080)
ADDRESS_MASK = 0xFFFF << FIRST_ADDRESS_BIT
DATA_MASK = 0xFF << FIRST_DATA_BIT

#: Pins of the package that carry the supply (UM0080, pin figure).
SUPPLY_PINS = {11: "+5 V", 29: "GND"}

#: Pins side by side on the package, the likely solder bridges (UM0080, pin figure; the bridging itself is common practice).
PIN_TO_LINE: Dict[int, str] = {line.pin: line.name for line in LINES if line.pin is not None}


def neighbours(name: str) -> Tuple[str, ...]:
    """Return the lines on the pins beside a line's pin, on the same side of the 40-pin package."""
    pin = LINE[name].pin if name in LINE else None
    if pin is None:
        return ()
    side = range(1, 21) if pin <= 20 else range(21, 41)
    return tuple(PIN_TO_LINE[p] for p in (pin - 1, pin + 1) if p in side and p in PIN_TO_LINE)


def bar(name: str) -> str:
    """Return a line's name as a bench worker writes it: active-low lines with a slash."""
    line = LINE.get(name)
    return f"/{name}" if line is not None and line.active_level == 0 else name


def idle_word(captured: Collection[str]) -> int:
    """Return the bits to set so that every control line that was not captured reads inactive."""
    return sum(MASK[name] for name in CONTROL if name not in captured and LINE[name].active_level == 0)


def in_ranges(names: Iterable[str]) -> List[str]:
    """Return lines as they are written, with three and more neighbours of a bus in one: A8-A15."""
    told: List[str] = []
    run: List[str] = []
    for name in (*names, ""):
        numbered = name in ADDRESS or name in DATA
        if run and not (numbered and name[0] == run[0][0] and int(name[1:]) == int(run[-1][1:]) + 1):
            told += [f"{run[0]}-{run[-1]}"] if len(run) >= SHORTEST_RUN else run
            run = []
        if numbered:
            run.append(name)
        elif name:
            told.append(bar(name))
    return told


def pin_text(name: str) -> str:
    """Return "/M1 (pin 27)", or the bare name for a line without a CPU pin."""
    line = LINE.get(name)
    return bar(name) if line is None or line.pin is None else f"{bar(name)} (pin {line.pin})"
