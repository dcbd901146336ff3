"""Faults of the memory chips and of what selects, feeds and refreshes them."""

from __future__ import annotations

from typing import TYPE_CHECKING, List, Literal, NamedTuple, Tuple

from ...bus.lines import ADDRESS, DATA
from ...errors import ScenarioError
from ..wiring import LEVELS
from . import blame
from .parameters import DATA_BIT, END, RAIL, START, choice, integer, line, number
from .table import Effects, Suspects, fault_kind

if TYPE_CHECKING:
    from ..board import Bank
    from ..plan import Plan

_TOP = 0xFFFF  #: the last address
_CHIPS = ("rom", "ram")


def _banks(plan: Plan, chip: str, start: int, end: int) -> List[Bank]:
    """Return the banks of a kind in a range. Raises ScenarioError where there are none: such a fault would do nothing."""
    banks = plan.some_banks(chip, start, end)
    if not banks:
        raise ScenarioError(f"the machine has no {chip.upper()} in {start:04X}h..{end:04X}h to spoil", "fault", "another range")
    return banks


class ChipLineOpen(NamedTuple):
    """An address or data line does not reach the chips of a range."""

    chip: str  #: "rom" or "ram"
    line: str
    level: str  #: what the chips see of an address line: "high", "low" or "float"; a data line is not driven and not stored
    start: int
    end: int

    def put(self, plan: Plan) -> None:
        number = int(self.line[1:])
        for bank in _banks(plan, self.chip, self.start, self.end):
            if self.line in DATA:
                bank.open_data |= 1 << number
            else:
                bank.open_address.append((number, {"high": 1, "low": 0, "float": None}[self.level]))


class ChipSilent(NamedTuple):
    """The chips of a range answer no read and take no write."""

    chip: str
    start: int
    end: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, self.chip, self.start, self.end):
            bank.present = False


class ChipBitStuck(NamedTuple):
    """One bit of the chips of a range reads the same whatever they hold."""

    chip: str
    bit: int
    level: str  #: "high" or "low"
    start: int
    end: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, self.chip, self.start, self.end):
            if self.level == "high":
                bank.stuck_high |= 1 << self.bit
            else:
                bank.stuck_low |= 1 << self.bit


class RomBitFlipped(NamedTuple):
    """One bit of one byte of the ROM is the other way round."""

    address: int
    bit: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, "rom", self.address, self.address):
            bank.contents[0] ^= 1 << self.bit


class RomHalvesExchanged(NamedTuple):
    """The upper half of a ROM answers where the lower one should, and the other way round."""

    start: int
    end: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, "rom", self.start, self.end):
            half = len(bank.contents) // 2
            bank.contents[:] = bank.contents[half:] + bank.contents[:half]


class RangeMirrored(NamedTuple):
    """Accesses to a range of RAM land in another one."""

    start: int
    end: int
    onto: int  #: where the other range begins

    def put(self, plan: Plan) -> None:
        targets = _banks(plan, "ram", self.onto, min(_TOP, self.onto + self.end - self.start))
        for bank in _banks(plan, "ram", self.start, self.end):
            bank.alias = targets[0] if targets[0] is not bank else None


class RefreshLost(NamedTuple):
    """The refresh does not reach the RAM."""

    retention_ms: float  #: how long its cells hold without

    def put(self, plan: Plan) -> None:
        plan.faulty_board = True
        plan.defects.refresh_lost = True
        plan.retention = plan.t_states(self.retention_ms / 1000)
        plan.watch_refresh()


class DataLate(NamedTuple):
    """Data of the chips of a range arrive after the CPU has taken its sample."""

    chip: str
    probability: float
    start: int
    end: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, self.chip, self.start, self.end):
            bank.late_probability = self.probability


class MultiplexerStuck(NamedTuple):
    """The RAM's dynamic chips get one half of the address twice, for row and column."""

    half: str  #: "rows" (A0 to A6) or "columns" (A7 to A13)
    start: int
    end: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, "ram", self.start, self.end):
            bank.multiplexed = self.half


class CellsWeak(NamedTuple):
    """One bit of the RAM of a range reads the other way now and then."""

    bit: int
    probability: float
    start: int
    end: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, "ram", self.start, self.end):
            bank.weak, bank.weak_probability = 1 << self.bit, self.probability


class ChipFought(NamedTuple):
    """Another chip drives the data bus in some reads of a range; who pulls low wins."""

    chip: str
    probability: float
    start: int
    end: int

    def put(self, plan: Plan) -> None:
        for bank in _banks(plan, self.chip, self.start, self.end):
            bank.fought_probability = self.probability


def _open_suspects(line: str, chip: Literal["rom", "ram"], **_: object) -> Suspects:
    return ("connection", chip, *blame.bus_of(line))


def _level_of_a_data_line(line: str, **_: object) -> Tuple[str, ...]:
    return ("level",) if line in DATA else ()


@fault_kind(
    "open-at-chip",
    explanation="""A data or address line does not reach one kind of memory chip (a cracked joint under it). The chip sees the
    address line at the given level; a data line that is open floats in reads and is lost in writes.""",
    parameters=(line(ADDRESS + DATA), choice("chip", _CHIPS, "rom"), choice("level", LEVELS, "high"), START, END),
    suspects=_open_suspects,
    lines=blame.own_line,
    without_effect=_level_of_a_data_line,
)
def open_at_chip(line: str, chip: str, level: str, start: int, end: int) -> Effects:
    return (ChipLineOpen(chip, line, level, start, end),)


@fault_kind(
    "rom-absent",
    explanation="The ROM is not fitted or has no supply: nobody answers its reads.",
    suspects=("rom", "glue", "data_bus", "connection"),
)
def rom_absent() -> Effects:
    return (ChipSilent("rom", 0, _TOP),)


@fault_kind(
    "rom-not-selected",
    explanation="The board's decoder never enables the ROM: nobody answers its reads.",
    suspects=("glue", "rom", "data_bus", "connection"),
)
def rom_not_selected() -> Effects:
    return (ChipSilent("rom", 0, _TOP),)


@fault_kind(
    "rom-bit-flipped",
    explanation="One bit of one byte of the ROM has lost its charge.",
    parameters=(integer("address", 0, _TOP, None), DATA_BIT),
    suspects=("rom", "connection"),
    lines=blame.data_line,
)
def rom_bit_flipped(address: int, bit: int) -> Effects:
    return (RomBitFlipped(address, bit),)


def _top_line(start: int, end: int) -> Tuple[str, ...]:
    """Return the highest address line of a chip that fills a range, none where no chip does."""
    size = end - start + 1
    return (ADDRESS[size.bit_length() - 2],) if size & size - 1 == 0 and 1 < size <= _TOP else ()


@fault_kind(
    "rom-halves-exchanged",
    explanation="""The two halves of a ROM stand in each other's place: its image was burnt so, or its highest address pin gets the
    level turned over.""",
    parameters=(START, END),
    suspects=("rom", "glue", "connection"),
    lines=_top_line,
)
def rom_halves_exchanged(start: int, end: int) -> Effects:
    return (RomHalvesExchanged(start, end),)


@fault_kind(
    "rom-data-stuck",
    explanation="One output of the ROM is stuck; every other chip's data are right.",
    parameters=(DATA_BIT, RAIL),
    suspects=("rom", "connection"),
    lines=blame.data_line,
)
def rom_data_stuck(bit: int, level: str) -> Effects:
    return (ChipBitStuck("rom", bit, level, 0, _TOP),)


@fault_kind(
    "ram-bit-dead",
    explanation="One bit of the RAM between two addresses reads the same whatever was written: one chip of a bank.",
    parameters=(DATA_BIT, RAIL, START, END),
    suspects=("ram", "connection"),
    lines=blame.data_line,
)
def ram_bit_dead(bit: int, level: str, start: int, end: int) -> Effects:
    return (ChipBitStuck("ram", bit, level, start, end),)


@fault_kind(
    "ram-missing",
    explanation="A bank of RAM does not answer: not fitted, no supply, not enabled.",
    parameters=(START, END),
    suspects=("ram", "glue", "connection"),
)
def ram_missing(start: int, end: int) -> Effects:
    return (ChipSilent("ram", start, end),)


@fault_kind(
    "ram-mirrored",
    explanation="A range of RAM follows another one: the address decoder mixes them up.",
    parameters=(START, END, integer("onto", 0, _TOP, None)),
    suspects=("glue", "ram", "address_bus", "connection"),
)
def ram_mirrored(start: int, end: int, onto: int) -> Effects:
    return (RangeMirrored(start, end, onto),)


@fault_kind(
    "ram-not-refreshed",
    explanation="The refresh does not reach the RAM's chips, so rows that are not read in time run empty.",
    parameters=(number("retention_ms", 0.001, 1000, 2.0),),
    suspects=("glue", "ram", "connection"),
    state="any",
)
def ram_not_refreshed(retention_ms: float) -> Effects:
    return (RefreshLost(retention_ms),)


@fault_kind(
    "late-data",
    explanation="A slow memory chip: its data arrive after the CPU has taken its sample, with the given probability.",
    parameters=(choice("chip", _CHIPS, "ram"), number("probability", 0.0, 1.0, 0.05), START, END),
    suspects=lambda chip, **_: (chip, "glue", "data_bus"),
)
def late_data(chip: str, probability: float, start: int, end: int) -> Effects:
    return (DataLate(chip, probability, start, end),)


@fault_kind(
    "ram-cells-weak",
    explanation="""One bit of the RAM between two addresses reads the other way now and then: cells that lose their charge, a chip that
    is marginal when warm.""",
    parameters=(DATA_BIT, number("probability", 1e-6, 1.0, 0.1), START, END),
    suspects=("ram", "connection", "supply"),
    lines=blame.data_line,
    state="any",
)
def ram_cells_weak(bit: int, probability: float, start: int, end: int) -> Effects:
    return (CellsWeak(bit, probability, start, end),)


@fault_kind(
    "reads-fought",
    explanation="""In some reads of a range a second chip is enabled as well (the decoder, a video circuit, a device on the port):
    both drive the data bus, and who pulls low wins.""",
    parameters=(choice("chip", _CHIPS, "rom"), number("probability", 1e-6, 1.0, 0.1), START, END),
    suspects=("glue", "expansion_device", "rom", "ram", "data_bus", "connection"),
    state="any",
)
def reads_fought(chip: str, probability: float, start: int, end: int) -> Effects:
    return (ChipFought(chip, probability, start, end),)


@fault_kind(
    "ram-multiplexer-stuck",
    explanation="""The multiplexer before the RAM's dynamic chips no longer turns: row and column are the same half of the address, so that
    one cell in 128 serves for all.""",
    parameters=(choice("half", ("rows", "columns"), "rows"), START, END),
    suspects=("glue", "ram", "address_bus", "connection"),
)
def ram_multiplexer_stuck(half: str, start: int, end: int) -> Effects:
    return (MultiplexerStuck(half, start, end),)


class BufferStuck(NamedTuple):
    """The buffer between the CPU's data bus and the memory lets data through in one direction alone."""

    way: str  #: "in" (towards the CPU) or "out"

    def put(self, plan: Plan) -> None:
        plan.faulty_board = True
        plan.defects.buffer = self.way


@fault_kind(
    "buffer-direction",
    explanation="""The buffer between the CPU's data bus and the memory has lost its direction. Stuck "in", towards the CPU, nothing
    that is written reaches the memory; stuck "out", nothing that the memory gives reaches the CPU.""",
    parameters=(choice("way", ("in", "out"), "in"),),
    suspects=("glue", "data_bus", "connection", "ram", "rom"),
)
def buffer_direction(way: str) -> Effects:
    return (BufferStuck(way),)
