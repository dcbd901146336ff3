"""The board: memory, I/O ports, wait-state rules; and how all of it answers a machine cycle, healthy or not."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import List, NamedTuple, Optional, Sequence, Tuple

from ..bus.lines import FIRST_ADDRESS_BIT, FIRST_DATA_BIT, MASK
from .device import Pager
from .wiring import BOARD, CONNECTOR, DIE, IN, NOISE_BITS, OUT, PIN, Wiring

ALL_HIGH = sum(MASK.values()) & ~(0xFFFF << FIRST_ADDRESS_BIT) & ~(0xFF << FIRST_DATA_BIT) & ~MASK["ROMDIS"]

#: The strobes that are low while data move, by kind of machine cycle (UM0080, timing figures).
ASSERTED = {
    "opcode_fetch": MASK["M1"] | MASK["MREQ"] | MASK["RD"],
    "memory_read": MASK["MREQ"] | MASK["RD"],
    "memory_write": MASK["MREQ"] | MASK["WR"],
    "io_read": MASK["IORQ"] | MASK["RD"],
    "io_write": MASK["IORQ"] | MASK["WR"],
    "interrupt_acknowledge": MASK["M1"] | MASK["IORQ"],
    "refresh": MASK["MREQ"] | MASK["RFSH"],
}


class Port(NamedTuple):
    """An I/O port. It answers where ``port & mask == match``."""

    mask: int
    match: int
    value: int  #: what a read gives until something is written
    latch: bool = False  #: a read gives back what was written last


class WaitRule(NamedTuple):
    """Wait states that the board asks for."""

    states: int
    kinds: Tuple[str, ...] = ("opcode_fetch", "memory_read", "memory_write")
    start: int = 0x0000
    end: int = 0xFFFF
    every: int = 1  #: only one in so many matching cycles


class Bank:
    """A region of the memory map with the chips behind it and what is wrong with them."""

    def __init__(self, kind: str, start: int, end: int, contents: bytearray) -> None:
        self.kind = kind
        self.start = start
        self.end = end
        self.contents = contents
        self.present = True  #: False: the chips do not answer
        self.alias: Optional[Bank] = None  #: its accesses land in another bank
        self.open_address: List[Tuple[int, Optional[int]]] = []  #: (bit, level or None for noise) at this bank's chips
        self.multiplexed = ""  #: "rows" or "columns": the half of the address that dynamic chips get for both
        self.open_data = 0  #: bits of the bus that do not reach the chips
        self.stuck_high = 0  #: bits that the chips read as 1 whatever was written
        self.stuck_low = 0
        self.late_probability = 0.0
        self.weak = 0  #: bits that a read gives the other way now and then
        self.weak_probability = 0.0
        self.fought_probability = 0.0  #: of a read in which another driver pulls lines low
        self.forgets_at: Optional[int] = None  #: T-state at which some cells lose what they hold; None: never, or it is past
        self.forgotten_share = 0.0  #: of the cells, those that do
        self.retention_t_states: Optional[int] = None  #: how long the cells hold without refresh
        self.rows: List[int] = [0] * 128  #: when each row was refreshed last, T-states

    def _index(self, address: int, rng: random.Random) -> int:
        for bit, level in self.open_address:
            value = rng.getrandbits(1) if level is None else level
            address = address & ~(1 << bit) | value << bit
        if self.multiplexed:
            half = address & 0x7F if self.multiplexed == "rows" else address >> 7 & 0x7F
            address = address & ~0x3FFF | half << 7 | half
        return (address - self.start) % len(self.contents)

    def _forget(self, now: int, rng: random.Random) -> None:
        """Let cells lose what they hold, where the moment for it has come."""
        if self.forgets_at is None or now < self.forgets_at:
            return
        self.forgets_at = None
        for index in range(len(self.contents)):
            if rng.random() < self.forgotten_share:
                self.contents[index] = rng.getrandbits(8)

    def refresh(self, address: int, now: int) -> None:
        self.rows[address & 0x7F] = now

    def read(self, address: int, now: int, rng: random.Random) -> Tuple[int, int]:
        """Return the byte that the chips drive and the mask of the bits that they drive."""
        if self.alias is not None:
            return self.alias.read(self.alias.start + (address - self.start) % len(self.alias.contents), now, rng)
        if not self.present:
            return 0xFF, 0x00
        self._forget(now, rng)
        index = self._index(address, rng)
        value = self.contents[index]
        if self.retention_t_states is not None:
            # Every cell of a row that was left alone for too long has run empty; a read writes back what it found.
            if now - self.rows[address & 0x7F] > self.retention_t_states:
                value = 0x00 if index & 0x80 else 0xFF
                self.contents[index] = value
            self.rows[address & 0x7F] = now
        if self.weak and rng.random() < self.weak_probability:
            value ^= self.weak
        if self.fought_probability and rng.random() < self.fought_probability:
            value &= rng.getrandbits(8)
        return (value | self.stuck_high) & ~self.stuck_low & 0xFF, 0xFF & ~self.open_data

    def write(self, address: int, value: int, now: int, rng: random.Random) -> None:
        if self.alias is not None:
            self.alias.write(self.alias.start + (address - self.start) % len(self.alias.contents), value, now, rng)
        elif self.present and self.kind == "ram":
            self._forget(now, rng)
            index = self._index(address, rng)
            noise = rng.getrandbits(8) if self.open_data else 0
            self.contents[index] = value & ~self.open_data | noise & self.open_data
            self.rows[address & 0x7F] = now


class Answer(NamedTuple):
    """What came of a data transfer."""

    die: int  #: the byte that the CPU's core took
    pin: int  #: the byte at the CPU's data pins (where the leads sit), before the CPU took it
    late: bool = False  #: the byte at the pins arrived after the CPU had taken what was there before


class Board:
    """A healthy board. The flat image serves every address; see FaultyBoard for the rest."""

    def __init__(
        self,
        banks: Sequence[Bank],
        ports: Sequence[Port],
        waits: Sequence[WaitRule],
        vector: int,
        pager: Optional[Pager],
        keeps_level: bool,
        rng: random.Random,
    ) -> None:
        self.banks = list(banks)
        self.ports = list(ports)
        self.latches = [port.value for port in ports]
        self.wait_rules = list(waits)
        self.wait_counts = [0] * len(self.wait_rules)
        self.vector = vector
        self.pager = pager
        self.keeps_level = keeps_level
        self.rng = rng
        self.bus = 0xFF  #: what the data bus showed last
        self.now = 0  #: T-states, kept by the machine
        self.by_address: List[Optional[Bank]] = [None] * 256
        for bank in self.banks:
            for page in range(bank.start >> 8, (bank.end >> 8) + 1):
                self.by_address[page] = bank

    @property
    def undriven(self) -> int:
        """What the data bus shows when nobody drives it."""
        return self.bus if self.keeps_level else 0xFF

    def waits(self, kind: str, address: int) -> int:
        """Return the wait states for a cycle."""
        asked = 0
        for index, rule in enumerate(self.wait_rules):
            if kind in rule.kinds and rule.start <= address <= rule.end:
                self.wait_counts[index] += 1
                if self.wait_counts[index] % rule.every == 0:
                    asked = max(asked, rule.states)
        return asked

    def bank(self, address: int) -> Optional[Bank]:
        bank = self.by_address[address >> 8]
        if bank is not None and not bank.start <= address <= bank.end:  # regions that share a page
            return next((b for b in self.banks if b.start <= address <= b.end), None)
        return bank

    def _port_read(self, port: int) -> int:
        value = 0xFF
        answered = False
        for index, entry in enumerate(self.ports):
            if port & entry.mask == entry.match:
                value &= self.latches[index] if entry.latch else entry.value
                answered = True
        return value if answered else self.undriven

    def _port_write(self, port: int, value: int) -> None:
        for index, entry in enumerate(self.ports):
            if port & entry.mask == entry.match:
                self.latches[index] = value

    def transfer(self, kind: str, address: int, value: Optional[int]) -> Answer:
        """Answer one data transfer. value: what the CPU drives, None when it reads."""
        if kind in ("opcode_fetch", "memory_read"):
            data = self._memory_read(kind, address)
        elif value is not None:
            data = value
            if kind == "memory_write":
                bank = self.bank(address)
                if bank is not None and bank.kind == "ram":
                    bank.contents[address - bank.start] = value
            else:
                self._port_write(address, value)
        elif kind == "io_read":
            data = self._port_read(address)
        else:
            data = self.vector
        self.bus = data
        return Answer(data, data)

    def _memory_read(self, kind: str, address: int) -> int:
        pager = self.pager
        if pager is not None:
            if kind == "opcode_fetch":
                pager.fetch(address)
            overlaid = pager.read(address)
            if overlaid is not None:
                return overlaid
        bank = self.bank(address)
        if bank is None or bank.kind not in ("rom", "ram") or (bank.kind == "rom" and pager is not None and pager.paged):
            return self.undriven
        return bank.contents[address - bank.start]

    def refresh(self, address: int) -> None:
        """Take a refresh. A healthy board refreshes in time, so there is nothing to keep."""

    def pin_address(self, address: int) -> int:
        """Return the address as the leads at the CPU's pins see it."""
        return address


@dataclass
class Defects:
    """What is wrong with a board beside its lines and its memory banks."""

    rom_ignores_disable: bool = False  #: the host's ROM stays on when ROMDIS asks it to go
    refresh_lost: bool = False  #: the refresh does not reach the RAM
    die_stuck_high: int = 0  #: bits that the CPU's own input buffers read as 1
    die_stuck_low: int = 0
    buffer: str = ""  #: "in" or "out": the way in which the data bus buffer before the memory is stuck
    driver_stuck_high: int = 0  #: bits that the CPU's output drivers cannot pull low
    driver_stuck_low: int = 0


class FaultyBoard(Board):
    """A board with something wrong on it: every part answers to what it sees of the lines."""

    wiring: Wiring
    defects: Defects

    def _undriven_part(self, value: int, mask: int) -> int:
        return value & mask | self.undriven & ~mask & 0xFF

    def transfer(self, kind: str, address: int, value: Optional[int]) -> Answer:
        noise = self.rng.getrandbits(NOISE_BITS)
        self.noise = noise
        way = IN if value is None else OUT
        driven = value
        if driven is not None:
            driven = (driven | self.defects.driver_stuck_high) & ~self.defects.driver_stuck_low & 0xFF
        word = ALL_HIGH & ~ASSERTED[kind] | address << FIRST_ADDRESS_BIT
        word |= (self.undriven if driven is None else driven) << FIRST_DATA_BIT
        seen = self.wiring.views[BOARD, OUT].apply(word, noise)
        beyond = self.wiring.views[CONNECTOR, OUT].apply(word, noise)
        drives: List[Tuple[int, int]] = []
        late = False
        self._offer_fetch(kind, beyond)
        if not seen & MASK["MREQ"]:
            late = self._memory(seen, drives)
        if self.defects.buffer == "out":  # it drives towards the memory alone
            drives.clear()
        if not beyond & MASK["MREQ"] and not beyond & MASK["RD"] and self.pager is not None:
            overlaid = self.pager.read(beyond >> FIRST_ADDRESS_BIT & 0xFFFF)
            if overlaid is not None:
                drives.append((overlaid, 0xFF))
        if not seen & MASK["IORQ"]:
            self._input_output(seen, drives)
        if driven is not None:
            drives.append((driven, 0xFF))
        bus = self._bus(drives)
        if not seen & MASK["WR"]:
            self._store(seen, bus if self.defects.buffer != "in" else 0xFF)  # pull-ups, or nothing: no byte gets through
        whole = word & ~(0xFF << FIRST_DATA_BIT)
        bus = self.wiring.views[BOARD, IN].apply(whole | bus << FIRST_DATA_BIT, noise) >> FIRST_DATA_BIT & 0xFF
        before = self.bus
        pin = self.wiring.views[PIN, way].apply(whole | (bus if driven is None else driven) << FIRST_DATA_BIT, noise)
        pin = pin >> FIRST_DATA_BIT & 0xFF
        taken = before if late and self.keeps_level else 0xFF if late else bus
        die = self.wiring.views[DIE, IN].apply(whole | taken << FIRST_DATA_BIT, noise) >> FIRST_DATA_BIT & 0xFF
        die = (die | self.defects.die_stuck_high) & ~self.defects.die_stuck_low & 0xFF
        self.bus = pin
        return Answer(die, pin, late)

    def _offer_fetch(self, kind: str, beyond: int) -> None:
        """Let the pager look at a fetch. Its latch is clocked by /M1's falling edge, so a dead /M1 never reaches it."""
        if self.pager is None or kind != "opcode_fetch":
            return
        view = self.wiring.views[CONNECTOR, OUT]
        if (view.high | view.low) & MASK["M1"]:
            return
        if not beyond & MASK["M1"] and not beyond & MASK["MREQ"]:
            self.pager.fetch(beyond >> FIRST_ADDRESS_BIT & 0xFFFF)

    def _memory(self, seen: int, drives: List[Tuple[int, int]]) -> bool:
        """Add what the memory chips drive; return whether it comes too late for the CPU."""
        address = seen >> FIRST_ADDRESS_BIT & 0xFFFF
        bank = self.bank(address)
        if bank is None or bank.kind not in ("rom", "ram"):
            return False
        if seen & MASK["RD"]:
            return False
        if self._rom_disabled() if bank.kind == "rom" else not seen & MASK["WR"]:  # a RAM that writes does not drive
            return False
        drives.append(bank.read(address, self.now, self.rng))
        return bank.late_probability > 0 and self.rng.random() < bank.late_probability

    def _rom_disabled(self) -> bool:
        if self.pager is None or self.defects.rom_ignores_disable:
            return False
        return bool(self.wiring.views[BOARD, OUT].apply(MASK["ROMDIS"] if self.pager.paged else 0, self.noise) & MASK["ROMDIS"])

    def _input_output(self, seen: int, drives: List[Tuple[int, int]]) -> None:
        port = seen >> FIRST_ADDRESS_BIT & 0xFFFF
        if not seen & MASK["M1"]:
            drives.append((self.vector, 0xFF))
        elif not seen & MASK["RD"]:
            for index, entry in enumerate(self.ports):
                if port & entry.mask == entry.match:
                    drives.append((self.latches[index] if entry.latch else entry.value, 0xFF))

    def _bus(self, drives: Sequence[Tuple[int, int]]) -> int:
        """Return the data bus: where two drive it, the one that pulls low wins; where nobody does, it floats."""
        value, driven = 0xFF, 0
        for byte, mask in drives:
            value &= byte | ~mask & 0xFF
            driven |= mask
        return self._undriven_part(value, driven)

    def _store(self, seen: int, bus: int) -> None:
        seen_bus = self.wiring.views[BOARD, OUT].apply(
            seen & ~(0xFF << FIRST_DATA_BIT) | bus << FIRST_DATA_BIT, self.noise
        )
        value = seen_bus >> FIRST_DATA_BIT & 0xFF
        address = seen >> FIRST_ADDRESS_BIT & 0xFFFF
        if not seen & MASK["MREQ"]:
            bank = self.bank(address)
            if bank is not None:
                bank.write(address, value, self.now, self.rng)
        if not seen & MASK["IORQ"] and seen & MASK["M1"]:
            self._port_write(address, value)

    def refresh(self, address: int) -> None:
        if self.defects.refresh_lost:
            return
        word = ALL_HIGH & ~ASSERTED["refresh"] | address << FIRST_ADDRESS_BIT
        seen = self.wiring.views[BOARD, OUT].apply(word, self.rng.getrandbits(NOISE_BITS))
        if not seen & MASK["MREQ"] and not seen & MASK["RFSH"]:
            for bank in self.banks:
                bank.refresh(seen >> FIRST_ADDRESS_BIT, self.now)

    def pin_address(self, address: int) -> int:
        word = self.wiring.views[PIN, OUT].apply(ALL_HIGH | address << FIRST_ADDRESS_BIT, self.noise)
        return word >> FIRST_ADDRESS_BIT & 0xFFFF

    noise = 0
