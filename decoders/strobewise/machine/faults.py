"""The faults that a simulated machine can have: each with its parameters, where it acts, and who is truly to blame.

A fault changes the plan of a run, so it acts where it really would: the program derails when it must. How such faults
show on a bench is common practice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from ..bus.lines import ADDRESS, BIT, DATA, LINE
from ..errors import ScenarioError
from .analyser import Lead, Skew
from .plan import Plan
from .sources import Button, PulseTrain
from .wiring import LEVELS, PLACES, REACH

_MISSING: Any = None


class Parameter(NamedTuple):
    """One parameter of a fault. A default of None means that it must be given."""

    name: str
    default: Any
    allowed: str  #: what it may be, for people
    check: Callable[[Any], bool]


def _line(allowed: tuple[str, ...] = tuple(BIT), default: str | None = None) -> Parameter:
    text = "a line: CLK, M1, ... A0..A15, D0..D7, ROMDIS" if len(allowed) > 20 else "one of " + ", ".join(allowed)
    return Parameter("line", default, text, lambda value: value in allowed)


def _choice(name: str, allowed: tuple[Any, ...], default: Any) -> Parameter:
    return Parameter(name, default, "one of " + ", ".join(map(str, allowed)), lambda value: value in allowed)


def _number(name: str, low: float, high: float, default: float | None) -> Parameter:
    def check(value: Any) -> bool:
        return isinstance(value, (int, float)) and not isinstance(value, bool) and low <= value <= high

    return Parameter(name, default, f"a number {low:g}..{high:g}", check)


def _integer(name: str, low: int, high: int, default: int | None) -> Parameter:
    def check(value: Any) -> bool:
        return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high

    shown = f"{low}..{high}" if high < 4096 else f"0x{low:04X}..0x{high:04X}"
    return Parameter(name, default, f"a whole number {shown}", check)


def _pair_check(value: Any) -> bool:
    return isinstance(value, (list, tuple)) and len(value) == 2 and value[0] != value[1] and all(n in BIT for n in value)


_PAIR = Parameter("lines", None, "a list of two different lines", _pair_check)
_AT = _choice("at", ("", *PLACES), "")
_START = _integer("start", 0, 0xFFFF, 0)
_END = _integer("end", 0, 0xFFFF, 0xFFFF)
_BIT = _integer("bit", 0, 7, 3)
_AFTER = _number("after_s", 0, 3600, 0.0)

Values = Mapping[str, Any]


class FaultKind(NamedTuple):
    """A row of the catalogue."""

    name: str
    explanation: str
    parameters: tuple[Parameter, ...]
    apply: Callable[[Plan, Values], None]
    lines: Callable[[Values], tuple[str, ...]]  #: the lines that it spoils
    suspects: Callable[[Values], tuple[str, ...]]  #: the true one first, then those that look alike from the capture
    state: str = "fault"  #: the verdict that it deserves; "any" where it may well do no harm


FAULTS: dict[str, FaultKind] = {}


@dataclass(frozen=True)
class Fault:
    """One fault with its parameters. Raises ScenarioError (where: the key) for what the kind does not allow."""

    kind: str
    parameters: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            raise ScenarioError(f"no fault is called {self.kind!r}", "kind", "one of " + ", ".join(FAULTS))
        kind = FAULTS[self.kind]
        names = [parameter.name for parameter in kind.parameters]
        for name in self.parameters:
            if name not in names:
                raise ScenarioError(f"{self.kind} has no parameter {name!r}", name, "one of " + (", ".join(names) or "none"))
        for parameter in kind.parameters:
            value = self.parameters.get(parameter.name, parameter.default)
            if value is _MISSING:
                raise ScenarioError(f"{parameter.name} is missing", parameter.name, parameter.allowed)
            if not parameter.check(value):
                raise ScenarioError(f"{parameter.name} is {value!r}", parameter.name, parameter.allowed)
        place = self.values.get("at", "probe")
        if place != "probe" and (LINE[self.values["line"]].direction, place) not in REACH:
            where = [at for at in PLACES if at == "probe" or (LINE[self.values["line"]].direction, at) in REACH]
            raise ScenarioError(f"{self.values['line']} does not reach the {place}", "at", "one of " + ", ".join(where))

    @property
    def values(self) -> dict[str, Any]:
        """All parameters, defaults filled in; a place that was left open is filled by the line's direction."""
        kind = FAULTS[self.kind]
        values = {p.name: self.parameters.get(p.name, p.default) for p in kind.parameters}
        if values.get("at") == "":
            direction = LINE[values["line"]].direction
            values["at"] = "cpu" if direction == "output" else "line"
        return values

    def apply(self, plan: Plan) -> None:
        FAULTS[self.kind].apply(plan, self.values)

    @property
    def lines(self) -> tuple[str, ...]:
        return FAULTS[self.kind].lines(self.values)

    @property
    def suspects(self) -> tuple[str, ...]:
        return FAULTS[self.kind].suspects(self.values)

    @property
    def state(self) -> str:
        return FAULTS[self.kind].state


def fault(kind: str, **parameters: Any) -> Fault:
    """Return a fault: ``fault("dead-low", line="M1")``."""
    return Fault(kind, parameters)


def _register(
    name: str,
    explanation: str,
    parameters: tuple[Parameter, ...] = (),
    suspects: tuple[str, ...] | Callable[[Values], tuple[str, ...]] = (),
    lines: tuple[str, ...] | Callable[[Values], tuple[str, ...]] = (),
    state: str = "fault",
) -> Callable[[Callable[[Plan, Values], None]], Callable[[Plan, Values], None]]:
    def register(apply: Callable[[Plan, Values], None]) -> Callable[[Plan, Values], None]:
        FAULTS[name] = FaultKind(
            name,
            " ".join(explanation.split()),
            parameters,
            apply,
            lines if callable(lines) else lambda _: lines,
            suspects if callable(suspects) else lambda _: suspects,
            state,
        )
        return apply

    return register


# --- one line -------------------------------------------------------------------------------------------------------


def _own_line(values: Values) -> tuple[str, ...]:
    return (values["line"],)


def _bus_of(line: str) -> tuple[str, ...]:
    if line in DATA:
        return ("data_bus",)
    return ("address_bus",) if line[0] == "A" and line in BIT else ()


def _line_suspects(values: Values) -> tuple[str, ...]:
    """Return who is to blame for one spoilt line, by what drives it and where it broke."""
    line, at = values["line"], values["at"]
    if at == "probe":
        return ("probe_or_capture", "connection", *_driver(line))
    if at in ("socket", "connector"):
        return ("connection", *_bus_of(line), *_driver(line), *(_starved(line) if at == "socket" else ()), "probe_or_capture")
    return (*_driver(line), *_bus_of(line), "connection", "probe_or_capture")


def _starved(line: str) -> tuple[str, ...]:
    """Return who seems to fail when a line that is live at the pin does not reach the board: from the pin, nobody can tell."""
    if line == "WR":
        return ("ram", "glue")
    return ("rom", "ram", "glue") if line in ("MREQ", "RD") or line in ADDRESS else ()


def _driver(line: str) -> tuple[str, ...]:
    direction = LINE[line].direction
    if line == "CLK":
        return ("clock",)
    if line == "RESET":
        return ("reset",)
    if direction == "input":
        return ("glue", "expansion_device")
    return {"both": ("data_bus", "cpu", "rom", "ram"), "expansion": ("expansion_device", "glue")}.get(direction, ("cpu",))


def _stop_clock(plan: Plan, at: int, level: str) -> None:
    plan.clock_stops_at = at
    plan.clock_rests_at = int(level == "high")
    if at == 0:  # the reset circuit needs no clock; it has let go long before anybody captures
        plan.sources[:] = [source for source in plan.sources if source.line != "RESET"]


def _clock_or(plan: Plan, values: Values, level: str) -> None:
    """Hold a line. A clock that does not reach the CPU stops the machine."""
    if values["line"] == "CLK" and values["at"] != "probe":
        _stop_clock(plan, 0, level)
        return
    if values["line"] == "RFSH":
        plan.watch_refresh()
    plan.condition(values["line"], level, values["at"])


@_register(
    "dead-high",
    """A line sits at a high level for good. `at` says where: cpu (the output inside the chip), socket (the pin is live, the
    board beyond it is not), connector (only the expansion port misses it), line (shorted to the supply), probe (only the
    lead). Left open, an output dies at the cpu and every other line is held as a whole.""",
    (_line(), _AT),
    _line_suspects,
    _own_line,
)
def _dead_high(plan: Plan, values: Values) -> None:
    _clock_or(plan, values, "high")


@_register(
    "dead-low",
    """A line sits at a low level for good, which a reader of the bus takes for "always asserted" on an active-low line. An
    output that died inside the chip often rests near half a volt and reads as low. `at` as for dead-high.""",
    (_line(), _AT),
    _line_suspects,
    _own_line,
)
def _dead_low(plan: Plan, values: Values) -> None:
    _clock_or(plan, values, "low")


@_register(
    "floating",
    """Nobody drives a line: it picks up its neighbours on the package and sinks back after a while. `at` as for dead-high;
    line means the driver is gone and everybody sees the noise.""",
    (_line(), _AT),
    _line_suspects,
    _own_line,
)
def _floating(plan: Plan, values: Values) -> None:
    _clock_or(plan, values, "float")


@_register(
    "intermittent",
    """A line works for a while and then fails in bursts that become longer and more frequent, as a part that warms up does.
    after_s: when it begins; ramp_s: how long until it fails most of the time; burst_s: about how long a burst lasts.""",
    (
        _line(tuple(name for name in BIT if name != "CLK")),
        _AT,
        _choice("level", LEVELS, "high"),
        _AFTER,
        _number("ramp_s", 1e-6, 3600, 0.002),
        _number("burst_s", 1e-6, 60, 5e-5),
    ),
    _line_suspects,
    _own_line,
    "any",
)
def _intermittent(plan: Plan, values: Values) -> None:
    start, ramp, burst = (max(1, plan.t_states(values[key])) for key in ("after_s", "ramp_s", "burst_s"))
    intervals = []
    at = start
    while at < plan.end:
        share = min(0.9, 0.1 + 0.8 * (at - start) / ramp)  # of the time that it fails
        length = max(1, round(burst * plan.rng.uniform(0.5, 1.5)))
        at += round(length * (1 - share) / share * plan.rng.uniform(0.5, 1.5))
        intervals.append((at, at + length))
        at += length
    if values["line"] == "RFSH":
        plan.watch_refresh()
    plan.condition(values["line"], values["level"], values["at"], tuple(intervals))


@_register(
    "cpu-data-in-stuck",
    "One bit of the CPU's own data input is stuck: the bus shows the right byte, the CPU acts on another one.",
    (_BIT, _choice("level", ("high", "low"), "low")),
    ("cpu", "connection", "program"),
    lambda values: (f"D{values['bit']}",),
)
def _data_in(plan: Plan, values: Values) -> None:
    plan.faulty_board = True
    plan.board_attributes["die_stuck_" + values["level"]] = 1 << values["bit"]


@_register(
    "cpu-data-out-stuck",
    "One bit of the CPU's data output is stuck: reads are right, everything that it writes has this bit wrong.",
    (_BIT, _choice("level", ("high", "low"), "low")),
    ("cpu", "data_bus", "connection"),
    lambda values: (f"D{values['bit']}",),
)
def _data_out(plan: Plan, values: Values) -> None:
    plan.faulty_board = True
    plan.board_attributes["driver_stuck_" + values["level"]] = 1 << values["bit"]


# --- lines together -------------------------------------------------------------------------------------------------


@_register(
    "shorted",
    "Two lines are bridged, by solder or a bent pin: whichever of their drivers pulls low wins on both.",
    (_PAIR,),
    lambda values: ("connection", *dict.fromkeys(b for line in values["lines"] for b in (*_bus_of(line), *_driver(line)))),
    lambda values: tuple(values["lines"]),
)
def _shorted(plan: Plan, values: Values) -> None:
    plan.shorts.append(tuple(values["lines"]))
    plan.faulty_board = True


@_register(
    "open-at-chip",
    """A data or address line does not reach one kind of memory chip (a cracked joint under it). The chip sees the address line
    at the given level; a data line that is open floats in reads and is lost in writes.""",
    (
        _line((*(f"A{i}" for i in range(16)), *DATA)),
        _choice("chip", ("rom", "ram"), "rom"),
        _choice("level", LEVELS, "high"),
        _START,
        _END,
    ),
    lambda values: ("connection", values["chip"], *_bus_of(values["line"])),
    _own_line,
)
def _open_at_chip(plan: Plan, values: Values) -> None:
    number = int(values["line"][1:])
    for bank in plan.some_banks(values["chip"], values["start"], values["end"]):
        if values["line"] in DATA:
            bank.open_data |= 1 << number
        else:
            bank.open_address.append((number, {"high": 1, "low": 0, "float": None}[values["level"]]))


# --- memory ---------------------------------------------------------------------------------------------------------


@_register(
    "rom-absent",
    "The ROM is not fitted or has no supply: nobody answers its reads.",
    (),
    ("rom", "glue", "data_bus", "connection"),
)
def _rom_absent(plan: Plan, values: Values) -> None:
    for bank in plan.some_banks("rom", 0, 0xFFFF):
        bank.present = False


@_register(
    "rom-not-selected",
    "The board's decoder never enables the ROM: nobody answers its reads.",
    (),
    ("glue", "rom", "data_bus", "connection"),
)
def _rom_not_selected(plan: Plan, values: Values) -> None:
    _rom_absent(plan, values)


@_register(
    "rom-bit-flipped",
    "One bit of one byte of the ROM has lost its charge.",
    (_integer("address", 0, 0xFFFF, None), _BIT),
    ("rom", "connection"),
    lambda values: (f"D{values['bit']}",),
)
def _rom_bit(plan: Plan, values: Values) -> None:
    for bank in plan.some_banks("rom", values["address"], values["address"]):
        bank.contents[0] ^= 1 << values["bit"]


@_register(
    "rom-data-stuck",
    "One output of the ROM is stuck; every other chip's data are right.",
    (_BIT, _choice("level", ("high", "low"), "low")),
    ("rom", "connection"),
    lambda values: (f"D{values['bit']}",),
)
def _rom_data(plan: Plan, values: Values) -> None:
    for bank in plan.some_banks("rom", 0, 0xFFFF):
        _stick(bank, values)


def _stick(bank: Any, values: Values) -> None:
    if values["level"] == "high":
        bank.stuck_high |= 1 << values["bit"]
    else:
        bank.stuck_low |= 1 << values["bit"]


@_register(
    "ram-bit-dead",
    "One bit of the RAM between two addresses reads the same whatever was written: one chip of a bank.",
    (_BIT, _choice("level", ("high", "low"), "low"), _START, _END),
    ("ram", "connection"),
    lambda values: (f"D{values['bit']}",),
)
def _ram_bit(plan: Plan, values: Values) -> None:
    for bank in plan.some_banks("ram", values["start"], values["end"]):
        _stick(bank, values)


@_register(
    "ram-missing",
    "A bank of RAM does not answer: not fitted, no supply, not enabled.",
    (_START, _END),
    ("ram", "glue", "connection"),
)
def _ram_missing(plan: Plan, values: Values) -> None:
    for bank in plan.some_banks("ram", values["start"], values["end"]):
        bank.present = False


@_register(
    "ram-mirrored",
    "A range of RAM follows another one: the address decoder mixes them up.",
    (_START, _END, _integer("onto", 0, 0xFFFF, None)),
    ("glue", "ram", "address_bus", "connection"),
)
def _ram_mirrored(plan: Plan, values: Values) -> None:
    targets = plan.some_banks("ram", values["onto"], min(0xFFFF, values["onto"] + values["end"] - values["start"]))
    for bank in plan.some_banks("ram", values["start"], values["end"]):
        bank.alias = targets[0] if targets and targets[0] is not bank else None


@_register(
    "ram-not-refreshed",
    "The refresh does not reach the RAM's chips, so rows that are not read in time run empty.",
    (_number("retention_ms", 0.001, 1000, 2.0),),
    ("glue", "ram", "connection"),
    (),
    "any",
)
def _not_refreshed(plan: Plan, values: Values) -> None:
    plan.faulty_board = True
    plan.board_attributes["refresh_lost"] = 1
    plan.retention = plan.t_states(values["retention_ms"] / 1000)
    plan.watch_refresh()


@_register(
    "late-data",
    "A slow memory chip: its data arrive after the CPU has taken its sample, with the given probability.",
    (_choice("chip", ("rom", "ram"), "ram"), _number("probability", 0.0, 1.0, 0.05), _START, _END),
    lambda values: (values["chip"], "glue", "data_bus"),
)
def _late(plan: Plan, values: Values) -> None:
    for bank in plan.some_banks(values["chip"], values["start"], values["end"]):
        bank.late_probability = values["probability"]


# --- what the CPU is asked ------------------------------------------------------------------------------------------


def _held(line: str, suspects: tuple[str, ...]) -> None:
    @_register(
        f"{line.lower()}-held",
        f"Something holds {line} low from power-on or, with after_s, from a later moment.",
        (_AFTER,),
        suspects,
        (line,),
    )
    def _hold(plan: Plan, values: Values) -> None:
        after = plan.t_states(values["after_s"])
        plan.condition(line, "low", "line", ((after, 1 << 62),) if after else None)
        if line in ("WAIT", "BUSREQ"):
            plan.watch_refresh()


for _name, _who in (
    ("WAIT", ("glue", "expansion_device", "connection")),
    ("BUSREQ", ("glue", "expansion_device", "connection")),
    ("INT", ("glue", "expansion_device", "connection")),
    ("NMI", ("glue", "expansion_device", "connection")),
    ("RESET", ("reset", "connection", "expansion_device")),
):
    _held(_name, _who)


@_register(
    "reset-loop",
    "RESET is pulled again and again: the supply dips, a watchdog bites, a device pulls it.",
    (_number("period_s", 1e-5, 60, 0.0006), _number("hold_s", 1e-6, 60, 0.00005)),
    ("reset", "supply", "expansion_device", "connection"),
    ("RESET",),
)
def _reset_loop(plan: Plan, values: Values) -> None:
    period = plan.t_states(values["period_s"])
    plan.sources.append(PulseTrain("RESET", period, max(4, plan.t_states(values["hold_s"])), period))


@_register(
    "interrupt-source-dead",
    "The frame interrupt never comes; the rest of the machine runs on.",
    (),
    ("glue", "connection"),
    ("INT",),
    "any",
)
def _no_interrupt(plan: Plan, values: Values) -> None:
    plan.sources[:] = [source for source in plan.sources if source.line != "INT"]


# --- clock ----------------------------------------------------------------------------------------------------------


@_register(
    "clock-dead",
    "The clock stops, at once or after a while, and the whole machine with it.",
    (_AFTER, _choice("level", ("high", "low"), "low")),
    ("clock", "supply", "connection"),
    ("CLK",),
)
def _clock_dead(plan: Plan, values: Values) -> None:
    _stop_clock(plan, plan.t_states(values["after_s"]), values["level"])


@_register(
    "clock-slow",
    "The clock runs at a fraction of its rate; the machine works, slowly.",
    (_number("ratio", 0.01, 1.0, 0.5),),
    ("clock",),
    ("CLK",),
    "any",
)
def _clock_slow(plan: Plan, values: Values) -> None:
    plan.period = round(plan.period / values["ratio"])
    plan.end = round(plan.end * values["ratio"])


@_register(
    "clock-jitter",
    "Every clock edge is displaced at random, by up to so many nanoseconds.",
    (_number("ns", 0.1, 1000, 40),),
    ("clock",),
    ("CLK",),
    "any",
)
def _clock_jitter(plan: Plan, values: Values) -> None:
    plan.jitter = min(round(values["ns"] * 1000), plan.period // 4)


# --- expansion device -----------------------------------------------------------------------------------------------


@_register(
    "device-silent",
    "The expansion device sees its triggers and answers nothing.",
    (),
    ("expansion_device", "connection"),
    ("ROMDIS",),
)
def _silent(plan: Plan, values: Values) -> None:
    if plan.pager is not None:
        plan.pager.silent = True


@_register(
    "device-never-leaves",
    "The expansion device pages itself in and never out again.",
    (),
    ("expansion_device",),
    ("ROMDIS",),
)
def _never_leaves(plan: Plan, values: Values) -> None:
    if plan.pager is not None:
        plan.pager.releases = False


@_register(
    "device-leaves-early",
    "The expansion device pages itself out after a few fetches, in the middle of its work.",
    (_integer("fetches", 1, 1000, 3),),
    ("expansion_device",),
    ("ROMDIS",),
)
def _leaves_early(plan: Plan, values: Values) -> None:
    if plan.pager is not None:
        plan.pager.patience = values["fetches"]


@_register(
    "rom-disable-ignored",
    "The host's ROM stays on although the device asks it to go: both drive the data bus, and who pulls low wins.",
    (),
    ("glue", "connection", "rom"),
    ("ROMDIS",),
)
def _ignored(plan: Plan, values: Values) -> None:
    plan.faulty_board = True
    plan.board_attributes["rom_ignores_disable"] = 1


# --- at the probe ---------------------------------------------------------------------------------------------------

_PROBE = ("probe_or_capture",)


@_register(
    "lead-off",
    "A lead has come off its pin and picks up its neighbours. The machine is well.",
    (_line(),),
    lambda values: ("probe_or_capture", "connection", *_driver(values["line"]), *_bus_of(values["line"])),
    _own_line,
)
def _lead_off(plan: Plan, values: Values) -> None:
    if values["line"] in plan.lines:
        plan.leads.append(Lead(values["line"], "off"))


@_register("leads-swapped", "Two leads sit on each other's pin. The machine is well.", (_PAIR,), _PROBE, lambda v: tuple(v["lines"]))
def _swapped(plan: Plan, values: Values) -> None:
    if all(line in plan.lines for line in values["lines"]):
        plan.swapped.append(tuple(values["lines"]))


@_register("lead-inverted", "A lead goes through an inverting buffer. The machine is well.", (_line(),), _PROBE, _own_line)
def _inverted(plan: Plan, values: Values) -> None:
    if values["line"] in plan.lines:
        plan.leads.append(Lead(values["line"], "inverted"))


@_register(
    "lead-skewed",
    "A channel sees everything late, by so many nanoseconds. The machine is well.",
    (_line(), _number("ns", 0, 10_000, 100)),
    _PROBE,
    _own_line,
    "any",
)
def _skewed(plan: Plan, values: Values) -> None:
    late = round(values["ns"] * 1000)
    plan.skews[values["line"]] = Skew(late, late)


@_register(
    "threshold-off",
    "The analyser's threshold is set wrongly, so that slow rising edges are seen late by so many nanoseconds.",
    (_number("ns", 0, 1000, 60),),
    _PROBE,
    (),
    "any",
)
def _threshold(plan: Plan, values: Values) -> None:
    late = round(values["ns"] * 1000)
    for line in plan.lines:
        if line != "CLK":  # driven hard, its edges are steep
            plan.skews[line] = Skew(late, 0)


@_register(
    "glitches",
    "The analyser records one-sample spikes now and then, on any channel. The machine is well.",
    (_number("per_ms", 0.01, 10_000, 20),),
    ("probe_or_capture", "none"),
    (),
    "any",
)
def _glitches(plan: Plan, values: Values) -> None:
    plan.glitches_per_s = values["per_ms"] * 1000


@_register(
    "ground-bounce",
    "The analyser's ground is poor: when many address lines fall at once, a strobe seems to pulse. The machine is well.",
    (_integer("lines", 1, 16, 6),),
    ("probe_or_capture", "none"),
    (),
    "any",
)
def _bounce(plan: Plan, values: Values) -> None:
    plan.bounce = values["lines"]


@_register(
    "sample-rate-low",
    "The analyser samples too slowly for this clock. The machine is well.",
    (_integer("sample_hz", 1000, 1_000_000_000, 4_000_000),),
    ("probe_or_capture", "none"),
    (),
    "any",
)
def _slow_analyser(plan: Plan, values: Values) -> None:
    plan.sample_hz = values["sample_hz"]


@_register(
    "samples-lost",
    """The analyser's buffer overflows now and then and samples are lost. close: the file's time runs on as if nothing had
    been lost; otherwise the lines seem to stand still. The machine is well.""",
    (_number("every_ms", 0.01, 1000, 0.7), _number("lost_us", 0.1, 100_000, 20), _choice("close", (True, False), True)),
    ("probe_or_capture", "none"),
    (),
    "any",
)
def _lost(plan: Plan, values: Values) -> None:
    every, lost = values["every_ms"] / 1000 * plan.sample_hz, max(1, round(values["lost_us"] / 1e6 * plan.sample_hz))
    total = plan.duration_ps * plan.sample_hz // 10**12
    at = 0
    while True:
        at += max(lost + 1, round(every * plan.rng.uniform(0.5, 1.5)))
        if at >= total:
            break
        plan.gaps.append((at, at + lost))
    plan.gaps_close = values["close"]


@_register(
    "device-button-bounces",
    "The device's NMI button bounces: one press gives several edges.",
    (_number("at_s", 0, 3600, 0.001), _integer("times", 2, 20, 4)),
    ("expansion_device",),
    ("NMI",),
    "any",
)
def _button_bounces(plan: Plan, values: Values) -> None:
    first = plan.t_states(values["at_s"])
    plan.sources.append(Button("NMI", [(first + 40 * index, 20) for index in range(values["times"])]))
