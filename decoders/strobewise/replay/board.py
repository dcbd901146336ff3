"""What memory and ports answer beside a capture: the board of a plan, healthy or spoilt by a fault of the simulator's table.

A fault is put into a plan as the simulator does it (`machine.faults`), and read back from there: wiring, banks, defects. The answers
follow `machine.board.FaultyBoard`, but over values with unknown bits and without any waveform: RAM holds nobody knows what at power-on,
ports answer nobody knows what, and so does an undriven bus that no pull-up is known of.
"""

from __future__ import annotations

import random
from functools import lru_cache
from typing import Callable, NamedTuple, Optional, Sequence, Union

from ..bus.lines import ADDRESS, BIT, FIRST_ADDRESS_BIT, FIRST_DATA_BIT, MASK
from ..machine.board import ALL_HIGH, ASSERTED, Bank
from ..machine.faults import Fault
from ..machine.plan import Plan
from ..machine.wiring import BOARD, DIE, IN, OUT, PIN, View, Wiring
from .unknown import Unknown, Value

#: What stands for a byte in the table of contents where no image gives it.
RAM, UNKNOWN_ROM, DEVICE, NOTHING, GAP = -1, -2, -3, -4, -5
FF, HELD = "pulled up", "held"  #: what an undriven data bus shows: FFh, or what was there before (common practice)


class Region(NamedTuple):
    """A stretch of the memory map, both ends included."""

    kind: str  #: rom, ram, device, nothing, gap (a profile that describes other memory says nothing of it)
    start: int
    end: int
    contents: Optional[bytes]  #: of ROM, from `start` on; None where nobody knows


def leads_elsewhere(fault: Fault) -> bool:
    """Whether a fault changes where in memory an access goes."""
    return bool(fault.lines) and fault.lines[0] in ADDRESS


def make_plan(regions: Sequence[Region]) -> Plan:
    """Return a plan with these regions as banks, ready for faults: no clock, no analyser."""
    banks = [Bank(r.kind, r.start, r.end, bytearray(r.contents or bytes(r.end - r.start + 1))) for r in regions if r.kind in ("rom", "ram")]
    return Plan(1, 0, banks, None, [], tuple(BIT), 1, 0, 0, 1, random.Random(0))


class _Map:
    """What a view makes of the bits of one bus: stuck, floating and bridged lines."""

    def __init__(self, view: View, first: int, width: int) -> None:
        whole = (1 << width) - 1
        self.high, self.low = view.high >> first & whole, view.low >> first & whole
        self.floating = sum(mask >> first & whole for mask, _ in view.floating)
        pairs = [pair >> first & whole for pair in view.shorts]
        self.shorts = [pair for pair in pairs if bin(pair).count("1") == 2]
        self.plain = not (self.high or self.low or self.floating or self.shorts)

    def __call__(self, value: Value) -> Value:
        if self.floating:
            value = value & ~self.floating | Unknown(0, self.floating)
        value = (value | self.high) & ~self.low
        for pair in self.shorts:
            upper, lower = pair.bit_length() - 1, (pair & -pair).bit_length() - 1
            both = value >> upper & value >> lower & 1  # who pulls low wins
            value = value & ~pair | both << upper | both << lower
        result: Value = value
        return result


def _no_change(value: Value) -> Value:
    return value


def _map(view: View, first: int, width: int) -> Callable[[Value], Value]:
    found = _Map(view, first, width)
    return _no_change if found.plain else found


def _address_map(view: View) -> Callable[[Value], Value]:
    return _map(view, FIRST_ADDRESS_BIT, 16)


def _data_map(view: View) -> Callable[[Value], Value]:
    return _map(view, FIRST_DATA_BIT, 8)


class Seen(NamedTuple):
    """Which strobes the board sees asserted in a cycle of one kind."""

    mreq: bool
    iorq: bool
    rd: bool
    wr: bool
    m1: bool


class ReplayBoard:
    """A board beside a capture. RAM's changes are kept in a journal, so that a course that led nowhere can be taken back."""

    timed = False  #: it is not the same all the time (timed.py)
    since: Optional[int] = None  #: cycle in which its fault begins, None where it is there from the begin on (late.py)

    def __init__(
        self, regions: tuple[Region, ...], fault: Optional[Fault] = None, undriven: Optional[str] = None, second: Optional[Fault] = None
    ) -> None:
        """undriven: FF, HELD, or None where nobody knows what an undriven bus shows."""
        plan = make_plan(regions)
        faults = [each for each in (fault, second) if each is not None]
        self.faulty = bool(faults)
        for each in faults:
            each.apply(plan)
        self.undriven_shows = undriven
        self._gap = undriven if any(map(leads_elsewhere, faults)) else None  # a sound program keeps away from there
        self.contents = _contents(regions, plan.banks)
        self.ram: dict[int, Value] = {}
        self.journal: list[tuple[int, Union[Value, dict[int, Value], None]]] = []  #: (address, what it held); all RAM: (-1, what it was)
        self.bus: Value = 0xFF
        self.spoilt = [bank for bank in plan.banks if _is_spoilt(bank)]
        self.wiring = Wiring([activity.condition for activity in plan.activities], plan.shorts)
        defects = plan.defects
        self._driver = defects.driver_stuck_high, ~defects.driver_stuck_low
        self._die = defects.die_stuck_high, ~defects.die_stuck_low
        views = self.wiring.views
        self.seen = {kind: _strobes(views[BOARD, OUT], mask) for kind, mask in ASSERTED.items()}
        self.pins = {kind: views[PIN, OUT].apply(ALL_HIGH & ~mask, 0) for kind, mask in ASSERTED.items()}
        self.address_at_board = _address_map(views[BOARD, OUT])
        self.address_at_pin = _address_map(views[PIN, OUT])
        self._to_board, self._from_board = _data_map(views[BOARD, OUT]), _data_map(views[BOARD, IN])
        self._pin_in, self._pin_out, self._to_die = _data_map(views[PIN, IN]), _data_map(views[PIN, OUT]), _data_map(views[DIE, IN])
        self._shows_contents = self._from_board is self._pin_in is _no_change
        self.deaf_to_interrupts = bool(views[DIE, IN].high & MASK["INT"])
        self.simple = not self.faulty or not (plan.activities or plan.shorts or self._driver != (0, -1) or self._die != (0, -1))

    @property
    def led_away(self) -> bool:
        """Whether a device's program runs in place of the ROM's."""
        return False

    def at_cycle(self, row: int) -> None:
        """Become what the board is in a captured cycle."""

    def pins_in(self, row: int, kind: str) -> int:
        """Return the control lines in the middle of a captured cycle, as the leads at the CPU show them."""
        return self.pins[kind]

    # --- transfers: each returns (what the CPU takes, what the data pins show) ---

    def read(self, kind: str, address: Value) -> tuple[Value, Value]:
        """Answer a fetch or a memory read."""
        if self.simple:
            byte = self.bus = self._drive(address)[0]
            return byte, byte
        seen = self.seen[kind]
        drives: list[tuple[Value, int]] = []
        address = self.address_at_board(address)
        if seen.mreq and seen.rd and not (seen.wr and self._kind(address) == RAM):
            drives.append(self._drive(address))
        if seen.iorq:
            drives.append((Unknown(0, 0xFF), 0xFF))
        bus = self._from_board(self._joined(drives))
        if seen.wr:
            self._store(address, self._to_board(bus))
        return self._taken(bus)

    def write(self, kind: str, address: Value, value: Value) -> tuple[Value, Value]:
        """Take a write to memory or a port."""
        if self.simple:
            self.bus = value
            if kind == "memory_write":
                self._store(address, value)
            return value, value
        seen = self.seen[kind]
        value = (value | self._driver[0]) & self._driver[1]
        address = self.address_at_board(address)
        bus = value
        if seen.mreq and seen.rd and self._kind(address) != RAM:
            bus = self._joined([self._drive(address), (value, 0xFF)])
        if seen.wr and seen.mreq:
            self._store(address, self._to_board(bus))
        self.bus = pin = self._pin_out(value)
        return value, pin

    def touches_write(self, address: Value, value: Value) -> bool:
        """Say whether the fault changes what becomes of a write to memory."""
        if self.simple:
            bank = self._place(address)[0] if self.spoilt and isinstance(address, int) else None
            return bank is not None
        seen = self.seen["memory_write"]
        if not (seen.wr and seen.mreq) or isinstance(address, Unknown) or isinstance(value, Unknown):
            return True
        stored = self._to_board((value | self._driver[0]) & self._driver[1])
        return bool(self.address_at_board(address) != address or stored != value)

    def port(self, kind: str, answer: Value) -> tuple[Value, Value]:
        """Answer an I/O read or an interrupt acknowledge with what is known of it."""
        seen = self.seen[kind]
        if not seen.iorq or not (seen.rd or seen.m1):
            return self._taken(self._from_board(self.undriven()))
        if self.simple:
            self.bus = answer
            return answer, answer
        return self._taken(self._from_board(answer))

    def learn(self, address: Value, byte: int) -> None:
        """Take note of what the capture shows that memory holds, where nothing on its way to the pins changes it."""
        place = address if self.simple else self.address_at_board(address)
        if not self._shows_contents or not isinstance(place, int):
            return
        if self.spoilt:
            bank, place = self._place(place)
            if (bank is not None and _alters_data(bank)) or not isinstance(place, int):
                return
        if self.contents[place] in (RAM, UNKNOWN_ROM):
            self._set(place, byte)

    def taken(self, pin: Value) -> Value:
        """Return what the CPU's core takes of what its data pins show."""
        if self.simple:
            return pin
        taken = self._to_die(pin)
        return (taken | self._die[0]) & self._die[1] if self._die != (0, -1) else taken

    def undriven(self) -> Value:
        if self.undriven_shows == FF:
            return 0xFF
        return self.bus if self.undriven_shows == HELD else Unknown(0, 0xFF)

    def _taken(self, bus: Value) -> tuple[Value, Value]:
        self.bus = pin = self._pin_in(bus)
        return self.taken(bus), pin

    def _joined(self, drives: list[tuple[Value, int]]) -> Value:
        """Return the data bus: where two drive it, who pulls low wins; where nobody does, it is undriven."""
        value: Value = 0xFF
        driven = 0
        for byte, mask in drives:
            value = value & (byte | ~mask & 0xFF)
            driven |= mask
        return value if driven == 0xFF else value & driven | self.undriven() & ~driven & 0xFF

    # --- memory ---

    def _kind(self, address: Value) -> int:
        return self.contents[address] if isinstance(address, int) else RAM

    def _place(self, address: int) -> tuple[Optional[Bank], Value]:
        """Return the spoilt bank that an address lies in, and the address inside the chips that answers (unknown where a line floats)."""
        for bank in self.spoilt:
            if bank.start <= address <= bank.end:
                if bank.alias is not None:
                    return bank, bank.alias.start + (address - bank.start) % len(bank.alias.contents)
                inside: Value = address
                for bit, level in bank.open_address:
                    inside = inside & ~(1 << bit) | (Unknown(0, 1 << bit) if level is None else level << bit)
                if inside is not address:
                    inside = bank.start + (inside - bank.start) % len(bank.contents) if isinstance(inside, int) else inside
                return bank, inside
        return None, address

    def _drive(self, address: Value) -> tuple[Value, int]:
        """Return the byte that the memory at an address drives, and the mask of the bits that it drives."""
        if not isinstance(address, int):
            return Unknown(0, 0xFF), 0xFF
        if not self.spoilt:
            return self._byte(address), 0xFF
        bank, place = self._place(address)
        if bank is None:
            return self._byte(address), 0xFF
        if not bank.present:
            return self.undriven(), 0xFF
        byte = self._byte(place) if isinstance(place, int) else Unknown(0, 0xFF)
        byte = (byte | bank.stuck_high) & ~bank.stuck_low
        if bank.open_data:
            return byte & ~bank.open_data | self.undriven() & bank.open_data, 0xFF
        return byte, 0xFF

    def _byte(self, address: int) -> Value:
        content = self.contents[address]
        if content >= 0:
            return content
        if content == DEVICE:
            return Unknown(0, 0xFF)
        if content == NOTHING or (content == GAP and self._gap is not None):
            return self.undriven()
        if content == GAP:
            return Unknown(0, 0xFF)
        byte = self.ram.get(address)
        if byte is None:
            byte = Unknown(0, 0xFF)
            self._set(address, byte)
        return byte

    def _store(self, address: Value, value: Value) -> None:
        if not isinstance(address, int):
            self.forget_ram()
            return
        bank, place = self._place(address) if self.spoilt else (None, address)
        if bank is not None:
            if not bank.present:
                return
            if not isinstance(place, int):
                self.forget_ram()
                return
            value = value & ~bank.open_data | Unknown(0, bank.open_data) if bank.open_data else value
        if isinstance(place, int) and self.contents[place] == RAM:
            self._set(place, value)

    def _set(self, address: int, value: Value) -> None:
        self.journal.append((address, self.ram.get(address)))
        self.ram[address] = value

    def forget_ram(self) -> None:
        """Take all RAM for unknown: something was written nobody knows where."""
        self.journal.append((-1, self.ram))
        self.ram = {}

    def take_back(self, length: int) -> None:
        """Undo what was written since the journal had this length."""
        journal = self.journal
        while len(journal) > length:
            address, before = journal.pop()
            if isinstance(before, dict):
                self.ram = before
            elif before is None:
                self.ram.pop(address, None)
            else:
                self.ram[address] = before


def _is_spoilt(bank: Bank) -> bool:
    return not bank.present or bank.alias is not None or bool(bank.open_address or bank.open_data or bank.stuck_high or bank.stuck_low)


def _alters_data(bank: Bank) -> bool:
    return not bank.present or bool(bank.open_data or bank.stuck_high or bank.stuck_low)


def _strobes(view: View, asserted: int) -> Seen:
    word = view.apply(ALL_HIGH & ~asserted, 0)
    return Seen(*(not word & MASK[name] for name in ("MREQ", "IORQ", "RD", "WR", "M1")))


@lru_cache(maxsize=8)
def _healthy_contents(regions: tuple[Region, ...]) -> list[int]:
    """Return for each address its byte, or what it is."""
    found = [NOTHING] * 65536
    for region in regions:
        kind = {"ram": RAM, "rom": UNKNOWN_ROM, "device": DEVICE, "gap": GAP}.get(region.kind, NOTHING)
        found[region.start : region.end + 1] = [kind] * (region.end - region.start + 1)
        if region.kind == "rom" and region.contents is not None:
            found[region.start : region.start + len(region.contents)] = region.contents
    return found


def _contents(regions: tuple[Region, ...], banks: Sequence[Bank]) -> list[int]:
    """Return the contents with what a fault did to the ROM's bytes; shared between boards, so never to be changed."""
    found = _healthy_contents(regions)
    for region in regions:
        if region.kind != "rom" or region.contents is None:
            continue
        for bank in banks:
            if bank.kind == "rom" and region.start <= bank.start <= region.end:
                right = region.contents[bank.start - region.start : bank.end - region.start + 1]
                if bank.contents != right:
                    found = list(found)
                    found[bank.start : bank.start + len(bank.contents)] = bank.contents
    return found
