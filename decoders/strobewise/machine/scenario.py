"""Scenarios: a machine, what is wrong with it, and how it is captured. Plain records with healthy defaults, and their TOML.

The keys of the machine itself are those of a machine profile (``profile.py``); README.md of traces/scenarios shows the rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from ..bus.lines import ADDRESS, BIT, CONTROL, DATA
from ..bus.timing import GRADES
from ..errors import ScenarioError
from ..fields import Fields, load_toml
from ..profile import MemoryRegion, Paging, Profile, load_profile, parse_profile, read_contents
from .board import ASSERTED, Port, WaitRule
from .faults import FAULTS, Fault
from .programs import PROGRAMS, program
from .vcd_text import LAYOUTS, NAMING, TIMESCALES, UNLABELLED, Dialect

#: Sets of lines that a clip lead or two can reach, by name.
LINE_SETS: dict[str, tuple[str, ...]] = {
    "full": tuple(name for name in CONTROL if name != "ROMDIS") + ADDRESS + DATA,
    "full_port": CONTROL[:-1] + ADDRESS + DATA + ("ROMDIS",),
    "control": tuple(name for name in CONTROL if name != "ROMDIS"),
    "sixteen": ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "WAIT", *DATA),
    "eight": ("CLK", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "RESET"),
    "two": ("M1", "MREQ"),
}

GENERIC = Profile(
    name="generic machine",
    clock_hz=3_276_800,
    interrupt_period_t_states=9_100,
    memory=(MemoryRegion("rom", 0x0000, 0x1FFF), MemoryRegion("ram", 0x4000, 0xFFFF)),
)
GENERIC_PAGING = Paging("lodger", (0x0008, 0x0030, 0x0066), released_by_fetch_in=((0x1F40, 0x1F4F),))


@dataclass(frozen=True)
class Cpu:
    """The CPU's speed grade and how much of its allowed delays it uses."""

    grade_mhz: int = 4
    delay_fraction: float = 0.6
    cmos: bool = False


@dataclass(frozen=True)
class BoardOptions:
    """What the board adds."""

    pull_ups: bool = True  #: on the data bus; without them an undriven bus keeps its last level
    access_ns: float | None = None  #: from the read strobe to valid data; None: a third of a clock period, at most 150 ns
    retention_ms: float = 2.0  #: how long the RAM's cells hold without refresh (only looked at when refresh is disturbed)
    reset_t_states: int = 24
    interrupt_hold_t_states: int = 40
    vector: int = 0xFF
    duty: float = 0.5
    jitter_ns: float = 0.0
    ports: tuple[Port, ...] = (Port(0x00FF, 0x00FE, 0xBF), Port(0x00FF, 0x00E7, 0x00, latch=True))
    waits: tuple[WaitRule, ...] = ()


@dataclass(frozen=True)
class Press:
    """An input pulled low by hand or by a device."""

    line: str
    at_s: float
    hold_s: float = 0.0001


@dataclass(frozen=True)
class BusRequest:
    """A bus master's habit."""

    first_t_states: int
    period_t_states: int | None = None
    hold_t_states: int = 60


@dataclass(frozen=True)
class CaptureOptions:
    """How the analyser is clipped on and set."""

    lines: tuple[str, ...] = LINE_SETS["full"]
    names: str = "plain"  #: one of vcd_text.NAMING, or "channels"
    sample_hz: int = 24_000_000
    start_s: float = 0.0
    duration_s: float = 0.003
    skew_ns: float = 3.0  #: largest difference between channels
    probe_at: Mapping[str, str] = field(default_factory=dict)  #: "cpu", "board" or "connector" by line
    dialect: Dialect = field(default_factory=Dialect)


@dataclass(frozen=True)
class Scenario:
    """A machine, its faults and its capture. ``Scenario()`` is a healthy generic machine, all lines captured."""

    name: str = "healthy generic machine"
    machine: Profile = GENERIC
    contents: tuple[tuple[int, bytes], ...] | None = None  #: (address, bytes); None: the demo program
    device_contents: bytes | None = None  #: the expansion device's ROM; None: the demo program, where paging is set
    cpu: Cpu = Cpu()
    board: BoardOptions = BoardOptions()
    presses: tuple[Press, ...] = ()
    bus_requests: tuple[BusRequest, ...] = ()
    capture: CaptureOptions = CaptureOptions()
    faults: tuple[Fault, ...] = ()
    seed: int = 1

    def ram(self) -> tuple[int, int]:
        """Return the first and last address of the largest stretch of RAM, whatever regions it is made of."""
        stretches: list[tuple[int, int]] = []
        for region in sorted(self.machine.memory, key=lambda region: region.start):
            if region.kind != "ram":
                continue
            if stretches and stretches[-1][1] + 1 == region.start:
                stretches[-1] = stretches[-1][0], region.end
            else:
                stretches.append((region.start, region.end))
        return max(stretches, key=lambda pair: pair[1] - pair[0], default=(0x4000, 0xFFFF))

    def triggers(self) -> tuple[int, ...]:
        """Return the addresses whose fetch the paging device answers."""
        return tuple(address for paging in self.machine.paging for address in paging.fetch_at)

    def demo(self, name: str) -> bytes:
        """Return a demo program that fits this machine."""
        return program(name, self.ram(), self.release(), self.triggers())

    def release(self) -> int:
        """Return where the paging device leaves, 0 where there is none."""
        ranges = [pair for paging in self.machine.paging for pair in paging.released_by_fetch_in]
        return ranges[0][0] if ranges else 0


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario. Raises ScenarioError or ProfileError, which name the file, the key and what is allowed."""
    path = Path(path)
    fields = Fields(load_toml(path, ScenarioError), path, ScenarioError)
    scenario = _parse(fields, path)
    fields.finish()
    return scenario


def _parse(fields: Fields, path: Path) -> Scenario:
    file = fields.text("machine", None)
    if file is not None:
        machine = load_profile(path.parent / file)
        name = fields.text("name", path.stem)
    else:
        machine = parse_profile(fields, path)
        name = machine.name
        if not machine.memory:
            raise fields.refuse("memory", "no memory", "[[memory]] tables, or machine = \"PROFILE.toml\"")
    draft = Scenario(name, machine)
    contents: list[tuple[int, bytes]] = [(r.start, r.contents) for r in machine.memory if r.contents is not None]
    for table in fields.tables("contents"):
        at = table.address("at", 0)
        contents.append((at, _contents(table, draft, path, 0x10000 - at)))
    if not contents:
        _refuse_unless_it_runs(fields, draft)
    device = fields.table("device") if "device" in fields else None
    if device is not None and not machine.paging:
        raise fields.refuse("device", "a device without [[paging]]", "a [[paging]] table that says what it answers")
    seed = fields.integer("seed", 0, 1 << 32, 1)
    return Scenario(
        name,
        machine,
        tuple(contents) or None,
        _contents(device, draft, path, 0x4000) if device is not None else None,
        _cpu(fields.table("cpu")),
        _board(fields),
        tuple(_press(table) for table in fields.tables("press")),
        tuple(_bus_request(table) for table in fields.tables("bus_request")),
        _capture(fields.table("capture"), fields.table("vcd")),
        tuple(_fault(table) for table in fields.tables("fault")),
        seed,
    )


def _refuse_unless_it_runs(fields: Fields, draft: Scenario) -> None:
    """Raise where the demo program, which stands in for missing contents, does not fit."""
    size = len(draft.demo("patrol").rstrip(b"\xff"))
    rom = draft.machine.region(0)
    first, last = draft.ram()
    if rom is None or rom.kind != "rom" or (draft.release() == 0 and rom.end < size) or last - first < 0x2FFF:
        raise fields.refuse(
            "contents", "nothing to run", "[[contents]] tables; the demo program needs ROM from 0x0000 on and 12 KB of RAM"
        )


def _contents(fields: Fields, draft: Scenario, path: Path, size: int) -> bytes:
    """Take the bytes of a memory from its one source."""
    sources = [key for key in ("program", "hex", "file") if key in fields]
    if len(sources) != 1:
        raise fields.refuse("program", "contents from " + (" and ".join(sources) or "nowhere"), "one of program, hex, file")
    name = fields.choice("program", PROGRAMS, None)
    text = fields.text("hex", None)
    file = fields.text("file", None)
    fields.finish()
    if name is not None:
        return draft.demo(name)
    if file is not None:
        return read_contents(fields, "file", path.parent / file, size)
    try:
        data = bytes.fromhex(text)
    except ValueError:
        data = b""
    if not 0 < len(data) <= size:
        raise fields.refuse("hex", "not bytes that fit there", f"1..{size} bytes as pairs of hex digits")
    return data


def _cpu(fields: Fields) -> Cpu:
    cpu = Cpu(
        fields.choice("grade_mhz", GRADES, Cpu.grade_mhz),
        fields.number("delay_fraction", 0.05, 1.0, Cpu.delay_fraction),
        fields.boolean("cmos", Cpu.cmos),
    )
    fields.finish()
    return cpu


def _board(fields: Fields) -> BoardOptions:
    ports = tuple(_port(table) for table in fields.tables("port"))
    waits = tuple(_wait(table) for table in fields.tables("wait"))
    board = fields.table("board")
    default = BoardOptions()
    options = BoardOptions(
        board.boolean("pull_ups", default.pull_ups),
        board.number("access_ns", 1, 100_000, default.access_ns),
        board.number("retention_ms", 0.01, 10_000, default.retention_ms),
        board.integer("reset_t_states", 3, 1 << 32, default.reset_t_states),
        board.integer("interrupt_hold_t_states", 1, 1 << 32, default.interrupt_hold_t_states),
        board.integer("vector", 0x00, 0xFF, default.vector),
        board.number("duty", 0.2, 0.8, default.duty),
        board.number("jitter_ns", 0, 1000, default.jitter_ns),
        ports or default.ports,
        waits,
    )
    board.finish()
    return options


def _port(fields: Fields) -> Port:
    mask = fields.integer("mask", 0, 0xFFFF, 0x00FF, 16)
    port = Port(
        mask, fields.integer("match", 0, mask, base=16), fields.integer("value", 0, 0xFF, 0xFF), fields.boolean("latch", False)
    )
    fields.finish()
    return port


def _wait(fields: Fields) -> WaitRule:
    kinds = tuple(kind for kind in ASSERTED if kind != "refresh")
    rule = WaitRule(
        fields.integer("states", 1, 16),
        fields.choices("kinds", kinds, ("opcode_fetch", "memory_read", "memory_write")),
        fields.address("start", 0x0000),
        fields.address("end", 0xFFFF),
        fields.integer("every", 1, 1 << 32, 1),
    )
    fields.finish()
    return rule


def _press(fields: Fields) -> Press:
    press = Press(
        fields.choice("line", ("NMI", "INT", "RESET")), fields.number("at_s", 0, 3600), fields.number("hold_s", 1e-7, 60, 1e-4)
    )
    fields.finish()
    return press


def _bus_request(fields: Fields) -> BusRequest:
    request = BusRequest(
        fields.integer("first_t_states", 1, 1 << 32),
        fields.integer("period_t_states", 1, 1 << 32, None),
        fields.integer("hold_t_states", 1, 1 << 32, 60),
    )
    fields.finish()
    return request


def _capture(fields: Fields, vcd: Fields) -> CaptureOptions:
    default = CaptureOptions()
    options = CaptureOptions(
        _lines(fields),
        fields.choice("names", (*NAMING, UNLABELLED), default.names),
        fields.integer("sample_hz", 1_000, 1_000_000_000, default.sample_hz),
        fields.number("start_s", 0, 3600, default.start_s),
        fields.number("duration_s", 1e-6, 3600, default.duration_s),
        fields.number("skew_ns", 0, 1000, default.skew_ns),
        _probe_at(fields),
        _dialect(vcd),
    )
    fields.finish()
    return options


def _lines(fields: Fields) -> tuple[str, ...]:
    allowed = "a list of lines, or one of " + ", ".join(LINE_SETS)
    names = fields.raw("lines", list(LINE_SETS["full"]), allowed)
    if isinstance(names, str) and names in LINE_SETS:
        return LINE_SETS[names]
    if not isinstance(names, list) or not names or len(set(names)) != len(names):
        raise fields.refuse("lines", f"lines is {names!r}", allowed)
    for name in names:
        if name not in BIT:
            raise fields.refuse("lines", f"lines holds {name!r}", allowed)
    return tuple(names)


def _probe_at(fields: Fields) -> dict[str, str]:
    table = fields.table("probe_at")
    places = {name: table.choice(name, ("cpu", "board", "connector")) for name in BIT if name in table}
    table.finish()
    return places


def _dialect(fields: Fields) -> Dialect:
    default = Dialect()
    dialect = Dialect(
        fields.choice("timescale", tuple(TIMESCALES), default.timescale),
        fields.boolean("spaced_timescale", default.spaced_timescale),
        fields.choice("layout", LAYOUTS, default.layout),
        fields.boolean("vectors", default.vectors),
        fields.boolean("dumpvars", default.dumpvars),
        fields.choice("var_type", ("wire", "reg", "logic"), default.var_type),
        fields.integer("id_length", 1, 8, default.id_length),
        fields.text("comment", default.comment),
    )
    fields.finish()
    return dialect


def _fault(fields: Fields) -> Fault:
    kind = FAULTS[fields.choice("kind", tuple(FAULTS))]
    parameters = {}
    for parameter in kind.parameters:
        if parameter.name in fields or parameter.default is None:
            parameters[parameter.name] = fields.raw(parameter.name, None, parameter.allowed)
            if parameter.name not in fields:
                raise fields.refuse(parameter.name, f"{parameter.name} is missing", parameter.allowed)
        else:
            fields.raw(parameter.name, None, parameter.allowed)
    fields.finish()
    try:
        return Fault(kind.name, parameters)
    except ScenarioError as error:
        raise fields.refuse(error.where, error.what, error.remedy) from None
