"""Reading scenarios from TOML. traces/scenarios/README.md lists the keys; anything else is refused.

The keys of the machine itself are those of a machine profile (``profile.py``).
"""

from __future__ import annotations

from pathlib import Path
from typing import cast

from ..bus.clocked import EDGES
from ..bus.lines import BIT
from ..bus.timing import GRADES
from ..errors import ScenarioError
from ..profile.fields import Fields, load_toml
from ..profile.machine import load_profile, parse_profile, read_contents
from .board import ASSERTED, Port, WaitRule
from .faults import FAULTS, Fault
from .faults.table import Value
from .programs import PROGRAMS
from .scenario import LINE_SETS, BoardOptions, BusRequest, CaptureOptions, Cpu, Press, Scenario
from .vcd_text import LAYOUTS, NAMING, TIMESCALES, UNLABELLED, Dialect


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario. Raises ScenarioError or ProfileError, which name the file, the key and what is allowed."""
    path = Path(path)
    fields = Fields(load_toml(path, ScenarioError), path, ScenarioError)
    scenario = _parse(fields, path)
    fields.finish()
    _refuse_what_nobody_sees(fields, scenario)
    return scenario


def _parse(fields: Fields, path: Path) -> Scenario:
    file = fields.file("machine")
    if file is not None:
        machine = load_profile(file)
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
        contents.append((at, _contents(table, draft, 0x10000 - at)))
    for paging in machine.paging:
        if paging.responds_on != "ROMDIS":
            raise fields.refuse("paging", f"the device responds on {paging.responds_on}", "ROMDIS, which is all that the bench models")
    if not contents:
        _refuse_unless_it_runs(fields, draft)
    device: Fields | None = fields.table("device")
    if "device" not in fields:
        device = None
    if device is not None and not machine.paging:
        raise fields.refuse("device", "a device without [[paging]]", "a [[paging]] table that says what it answers")
    seed = fields.integer("seed", 0, 1 << 32, 1)
    return Scenario(
        name,
        machine,
        tuple(contents) or None,
        _contents(device, draft, 0x4000) if device is not None else None,
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


def _contents(fields: Fields, draft: Scenario, size: int) -> bytes:
    """Take the bytes of a memory from its one source."""
    sources = [key for key in ("program", "hex", "file") if key in fields]
    if len(sources) != 1:
        raise fields.refuse("program", "contents from " + (" and ".join(sources) or "nowhere"), "one of program, hex, file")
    name = fields.choice("program", PROGRAMS, None)
    text = fields.text("hex", None)
    file = fields.file("file")
    fields.finish()
    if name is not None:
        return draft.demo(name)
    if file is not None:
        return read_contents(fields, "file", file, size)
    try:
        data = bytes.fromhex(text or "")
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
        fields.choice("clocked", EDGES, None),
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
    parameters: dict[str, Value] = {}
    for parameter in kind.parameters:
        if parameter.name in fields or parameter.default is None:
            parameters[parameter.name] = cast(Value, fields.raw(parameter.name, None, parameter.allowed))  # Fault checks it
            if parameter.name not in fields:
                raise fields.refuse(parameter.name, f"{parameter.name} is missing", parameter.allowed)
        else:
            fields.raw(parameter.name, None, parameter.allowed)
    fields.finish()
    try:
        return Fault(kind.name, parameters)
    except ScenarioError as error:
        raise fields.refuse(error.where, error.what, error.remedy) from None


def _refuse_what_nobody_sees(fields: Fields, scenario: Scenario) -> None:
    """Raise for a fault or a press that changes nothing in this capture: a lead that is not there, a moment when it has ended."""
    capture = scenario.capture
    end = capture.start_s + capture.duration_s
    captured = "CLK" if capture.clocked is not None else "", *capture.lines
    for each in scenario.faults:
        at_lead = FAULTS[each.kind].place == "probe" or each.values.get("at") == "probe"
        absent = [name for name in each.lines if name not in captured] if at_lead else []
        if absent:
            raise fields.refuse("fault", f"{each.kind} at the lead of {absent[0]}, which is not captured", "a line of [capture] lines")
        begins = each.values.get("after_s", each.values.get("at_s", 0.0))
        if isinstance(begins, (int, float)) and begins >= end:
            raise fields.refuse("fault", f"{each.kind} begins at {begins:g} s, when the capture has ended", f"a moment before {end:g} s")
    for press in scenario.presses:
        if press.at_s >= end:
            what = f"{press.line} is pressed at {press.at_s:g} s, when the capture has ended"
            raise fields.refuse("press", what, f"a moment before {end:g} s")
