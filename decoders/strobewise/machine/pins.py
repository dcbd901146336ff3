"""From a machine cycle to the levels of the pins: each kind's edges as a table, compiled once into a template.

Source of the edges: UM0080, timing figures of the machine cycles. Source of the delays: ``bus.timing``. The acknowledge's
/IORQ edges and /HALT and /BUSACK have no row there; they take the delay of the nearest relative (named in the table).
"""

from __future__ import annotations

from typing import Callable, Dict, List, NamedTuple, Optional, Tuple

from ..bus.lines import MASK
from ..bus.timing import CHARACTERISTICS, limit_ps

RISE, FALL = 0, 1  #: places in a pair of delays

#: Selectors of an event's address and data: what is on the bus at that moment.
PREVIOUS, OWN, OTHER = 0, 1, 2  # OTHER: the refresh address; the level that an undriven data bus takes


class PinEdge(NamedTuple):
    """One edge of one pin within a machine cycle."""

    signal: str  #: a line, or "address", "refresh", "data" for the whole bus taking a new value
    level: int
    t: int  #: T-state, 1 is T1; counted with the automatic wait states, without those that /WAIT asks for
    clock: int  #: RISE or FALL of that T-state's clock
    symbol: str  #: the delay's symbol in bus.timing


class Shape(NamedTuple):
    """What the pins do in one kind of machine cycle."""

    t_states: int
    waits_after: int  #: the T-state in whose falling edge /WAIT is first sampled; requested wait states follow it
    edges: Tuple[PinEdge, ...]
    read_strobe: str  #: the line whose low level lets others drive the data bus; "" where the CPU reads nothing
    sampled_t: int  #: where the CPU takes the data
    sampled_clock: int


_REFRESH = (
    ("refresh", 1, 0, RISE, "TdCr(A)"),
    ("RFSH", 0, 0, RISE, "TdCr(RFSHf)"),
    ("MREQ", 0, 0, FALL, "TdCf(MREQf)"),
    ("MREQ", 1, 1, FALL, "TdCf(MREQr)"),
)


def _refresh_from(t: int) -> Tuple[PinEdge, ...]:
    """Return the refresh that begins in T-state t. /RFSH rises with the next T-state, in whatever cycle that is."""
    return tuple(PinEdge(signal, level, t + after, clock, symbol) for signal, level, after, clock, symbol in _REFRESH)


SHAPES: Dict[str, Shape] = {
    "opcode_fetch": Shape(
        4,
        2,
        (
            PinEdge("address", 1, 1, RISE, "TdCr(A)"),
            PinEdge("M1", 0, 1, RISE, "TdCr(M1f)"),
            PinEdge("MREQ", 0, 1, FALL, "TdCf(MREQf)"),
            PinEdge("RD", 0, 1, FALL, "TdCf(RDf)"),
            PinEdge("MREQ", 1, 3, RISE, "TdCr(MREQr)"),
            PinEdge("RD", 1, 3, RISE, "TdCr(RDr)"),
            PinEdge("M1", 1, 3, RISE, "TdCr(M1r)"),
            *_refresh_from(3),
        ),
        "RD",
        3,
        RISE,
    ),
    "memory_read": Shape(
        3,
        2,
        (
            PinEdge("address", 1, 1, RISE, "TdCr(A)"),
            PinEdge("MREQ", 0, 1, FALL, "TdCf(MREQf)"),
            PinEdge("RD", 0, 1, FALL, "TdCf(RDf)"),
            PinEdge("MREQ", 1, 3, FALL, "TdCf(MREQr)"),
            PinEdge("RD", 1, 3, FALL, "TdCf(RDr)"),
        ),
        "RD",
        3,
        FALL,
    ),
    "memory_write": Shape(
        3,
        2,
        (
            PinEdge("address", 1, 1, RISE, "TdCr(A)"),
            PinEdge("MREQ", 0, 1, FALL, "TdCf(MREQf)"),
            PinEdge("data", 1, 1, FALL, "TdCf(D)"),
            PinEdge("WR", 0, 2, FALL, "TdCf(WRf)"),
            PinEdge("MREQ", 1, 3, FALL, "TdCf(MREQr)"),
            PinEdge("WR", 1, 3, FALL, "TdCf(WRr)"),
        ),
        "",
        3,
        FALL,
    ),
    "io_read": Shape(
        4,
        3,
        (
            PinEdge("address", 1, 1, RISE, "TdCr(A)"),
            PinEdge("IORQ", 0, 2, RISE, "TdCr(IORQf)"),
            PinEdge("RD", 0, 2, RISE, "TdCr(RDf)"),
            PinEdge("IORQ", 1, 4, FALL, "TdCf(IORQr)"),
            PinEdge("RD", 1, 4, FALL, "TdCf(RDr)"),
        ),
        "RD",
        4,
        FALL,
    ),
    "io_write": Shape(
        4,
        3,
        (
            PinEdge("address", 1, 1, RISE, "TdCr(A)"),
            PinEdge("data", 1, 1, FALL, "TdCf(D)"),
            PinEdge("IORQ", 0, 2, RISE, "TdCr(IORQf)"),
            PinEdge("WR", 0, 2, RISE, "TdCr(WRf)"),
            PinEdge("IORQ", 1, 4, FALL, "TdCf(IORQr)"),
            PinEdge("WR", 1, 4, FALL, "TdCf(WRr)"),
        ),
        "",
        4,
        FALL,
    ),
    "interrupt_acknowledge": Shape(
        6,
        4,
        (
            PinEdge("address", 1, 1, RISE, "TdCr(A)"),
            PinEdge("M1", 0, 1, RISE, "TdCr(M1f)"),
            PinEdge("IORQ", 0, 3, FALL, "TdCr(IORQf)"),  # no row of its own; the delay of the I/O cycle's
            PinEdge("IORQ", 1, 5, RISE, "TdCf(IORQr)"),  # the same
            PinEdge("M1", 1, 5, RISE, "TdCr(M1r)"),
            *_refresh_from(5),
        ),
        "IORQ",
        5,
        RISE,
    ),
}

#: Kinds that leave /RFSH low for the next T-state to raise.
REFRESHING = ("opcode_fetch", "interrupt_acknowledge")

_TEMPLATE_LINES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "WAIT")
RELEASED = sum(MASK[name] for name in _TEMPLATE_LINES)  #: the strobes and /WAIT, all high
_CLK = MASK["CLK"]


class PinTiming(NamedTuple):
    """The delays of one CPU on one board, picoseconds."""

    delays: Dict[str, int]  #: by symbol
    period: int
    high: int  #: how long the clock stays high in a period
    access: int  #: from the read strobe to valid data
    late_by: int  #: how long after the sampling edge a slow chip's data arrive
    pull_up: Optional[int]  #: time that an undriven data bus takes to rise; None where it keeps its level


def resolve_timing(grade_mhz: int, fraction: float, period: int, duty: float, access: int, pull_up: Optional[int]) -> PinTiming:
    """Return the delays of a CPU of one speed grade that uses a fraction of what the specification allows it."""
    delays = {row.symbol: round(limit_ps(row.symbol, grade_mhz) * fraction) for row in CHARACTERISTICS if row.bound == "max"}
    return PinTiming(delays, period, round(period * duty), access, max(period // 12, 20_000), pull_up)


class Event(NamedTuple):
    """A moment of a template: from here on the pins are like this."""

    offset: int  #: picoseconds after T1's rising clock edge
    control: int  #: packed levels of CLK, the strobes and /WAIT
    address: int  #: PREVIOUS, OWN or OTHER
    data: int  #: PREVIOUS, OWN or OTHER


class Template(NamedTuple):
    """A machine cycle's waveform, ready to be filled with an address and data."""

    t_states: int
    events: Tuple[Tuple[int, int, int, int], ...]  #: fields as in Event, plain tuples for speed
    clocked: Tuple[Tuple[int, int], ...]  #: for each event: the clock edge it follows (0 is T1's rise, 1 its fall ...), delay
    tail: Tuple[Tuple[int, int, int], ...]  #: edges past the end: offset from there, mask, level (the mask or 0)
    strobe: int  #: offset at which the data transfer's strobe goes low, picoseconds
    release: int  #: offset at which it goes high again
    final_data: int  #: what the data bus shows at the end: PREVIOUS, OWN or OTHER


class _Item(NamedTuple):
    offset: int
    edge: int  #: clock edge it follows
    order: int  #: of the table, for edges at the same moment
    signal: str
    level: int


class _Builder:
    """Collects a template's edges; see compile_cycle."""

    def __init__(self, timing: PinTiming) -> None:
        self.timing = timing
        self.items: List[_Item] = []

    def clock_edge(self, index: int) -> int:
        return index // 2 * self.timing.period + (self.timing.high if index & 1 else 0)

    def add(self, signal: str, level: int, edge: int, delay: int) -> int:
        offset = self.clock_edge(edge) + delay
        self.items.append(_Item(offset, edge, len(self.items), signal, level))
        return offset

    def clock(self, t_states: int) -> None:
        for index in range(2 * t_states):
            self.add("CLK", 1 - (index & 1), index, 0)

    def undriven(self, edge: int, delay: int) -> None:
        """Let the data bus go at a clock edge; it rises where the board has pull-ups."""
        if self.timing.pull_up is not None:
            self.add("data", OTHER, edge, delay + self.timing.pull_up)

    def build(self, t_states: int, start: int, strobe: int, release: int) -> Template:
        """start: the control levels before the first edge."""
        length = t_states * self.timing.period
        control, address, data, driven = start, PREVIOUS, PREVIOUS, -1
        events: List[Tuple[int, int, int, int]] = []
        clocked: List[Tuple[int, int]] = []
        tail: List[Tuple[int, int, int]] = []
        for item in sorted(self.items, key=lambda item: (item.offset, item.order)):
            if item.offset >= length:
                if item.signal in MASK:
                    tail.append((item.offset - length, MASK[item.signal], MASK[item.signal] if item.level else 0))
                continue
            if item.signal == "address":
                address = OWN
            elif item.signal == "refresh":
                address = OTHER
            elif item.signal == "data":
                if item.level == OTHER and item.edge <= driven:
                    continue  # somebody drives the bus before it has risen
                data, driven = item.level, item.edge if item.level == OWN else driven
            elif item.level:
                control |= MASK[item.signal]
            else:
                control &= ~MASK[item.signal]
            moment = (item.offset, control, address, data)
            if events and events[-1][0] == item.offset:
                events[-1] = moment
            else:
                events.append(moment)
                clocked.append((item.edge, item.offset - self.clock_edge(item.edge)))
        return Template(t_states, tuple(events), tuple(clocked), tuple(tail), strobe, release, data)


def compile_cycle(
    kind: str, waits: int, refresh_before: bool, late: bool, timing: PinTiming, wait_line: bool = True
) -> Template:
    """Compile one kind of machine cycle.

    waits: requested wait states. refresh_before: the cycle before was a refresh, whose /RFSH rises in this T1.
    late: what is read arrives only after the CPU has taken its sample. wait_line: /WAIT goes low for the wait states.
    """
    shape = SHAPES[kind]
    builder = _Builder(timing)
    start = RELEASED

    def edge(t: int, clock: int) -> int:
        return 2 * (t - 1 + (waits if t > shape.waits_after else 0)) + clock

    builder.clock(shape.t_states + waits)
    if refresh_before:
        start &= ~MASK["RFSH"]
        builder.add("RFSH", 1, 0, timing.delays["TdCr(RFSHr)"])
    builder.undriven(0, timing.delays["TdCr(Dz)"])
    strobe = release = 0
    for pin in shape.edges:
        at = edge(pin.t, pin.clock)
        delay = timing.delays[pin.symbol]
        offset = builder.add(pin.signal, OWN if pin.signal == "data" else pin.level, at, delay)
        if pin.signal == (shape.read_strobe or "WR"):
            strobe, release = (strobe, offset) if pin.level else (offset, release)
            if shape.read_strobe:
                _data_read(builder, shape, pin, at, delay, edge, late)
    if waits and wait_line:
        builder.add("WAIT", 0, 2 * (shape.waits_after - 1), timing.period // 16)
        builder.add("WAIT", 1, 2 * (shape.waits_after - 1 + waits), timing.period // 16)
    return builder.build(shape.t_states + waits, start, strobe, release)


def _data_read(
    builder: _Builder, shape: Shape, pin: PinEdge, at: int, delay: int, edge: Callable[[int, int], int], late: bool
) -> None:
    """Add the data that a chip drives while the read strobe is low."""
    if pin.level:
        if shape.sampled_clock == RISE:  # otherwise the cycle ends before a pulled-up bus has risen; the next one shows it
            builder.undriven(at, delay)
    elif late:
        builder.add("data", OWN, edge(shape.sampled_t, shape.sampled_clock), builder.timing.late_by)
    else:
        builder.add("data", OWN, at, delay + builder.timing.access)


def compile_idle(t_states: int, control: int, refresh_before: bool, timing: PinTiming) -> Template:
    """Compile T-states in which only the clock runs. control: the packed levels of the strobes and /WAIT."""
    builder = _Builder(timing)
    builder.clock(t_states)
    if refresh_before:
        control &= ~MASK["RFSH"]
        builder.add("RFSH", 1, 0, timing.delays["TdCr(RFSHr)"])
    builder.undriven(0, timing.delays["TdCr(Dz)"])
    return builder.build(t_states, control, 0, 0)
