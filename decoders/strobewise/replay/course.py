"""One machine's run beside a capture: it goes where its program goes, as long as the capture does not say otherwise.

What nobody knows (RAM at power-on, what ports answer, an interrupt that no lead shows) is left open. Where the program's way hangs on it,
each way is tried, the deepest first, and taken back when the capture contradicts; a budget bounds the tries.
"""

from __future__ import annotations

from typing import Iterator, List, NamedTuple, Optional, Tuple

from ..bus.model import KINDS
from ..records.replay import COMPLETE, GAVE_UP, LOST, PARTED
from .board import RAM, ReplayBoard
from .compared import T_STATES, ComparedBus, End, Parted, Predicted, Restarted
from .observed import ACCESS, ACKNOWLEDGE, FETCH, NOT_KNOWN, READ, UNKNOWN_KIND, WRITE, Observed
from .unknown import Lost, UncertainCpu, Unknown, Value, known

_REFRESH_AFTER_T = 4  #: T1, T2 and two wait states of an acknowledge come before its refresh (UM0080)
_RESTARTS = (0xFF, 0xC7, 0xCF, 0xD7, 0xDF, 0xE7, 0xEF, 0xF7)  #: what devices give in IM 0, FFh first: an open bus
_WEAK_REACH = 40  #: cycles within which an interrupt that no lead shows must have made the difference
_LOOKED_AT = 0x4000  #: bytes in a row without an empty one after which none is looked for any more
_TABLE_BITS = 6  #: bits of an address that may be open where the entry of a table is looked for: a few entries, and what carries blur
_PAIRS = (("h", "l"), ("d", "e"), ("b", "c"))
_GUESSED_MOST = 400  #: bits that a course may take for granted before it counts as lost
_NMIS_FREE, _CYCLES_AN_NMI = 2, 300  #: NMIs that may be taken for granted: a button or a slow timer, no storm
_FLAG_CHOICES = frozenset(
    [0x20, 0x28, 0x30, 0x38] + [0xC0 | c << 3 | low for c in range(8) for low in (0, 2, 4)]
)  #: opcodes that look at one flag
CHECKPOINT_EVERY = 24  #: cycles

#: A moment of a course. A plain tuple, since one is made for every instruction: the CPU's state, length of the journal, the bus, cycle,
#: due, drift, stretched, lengths of the log and of what is hidden, vector, guessed, NMIs accepted, the address assumed.
Mark = Tuple[Tuple[object, ...], int, Value, int, int, int, int, int, int, int, int, int, Optional[int]]
Checkpoint = Tuple[int, Mark, "dict[int, Value]"]  #: (cycle, state, RAM)


class Outcome(NamedTuple):
    """How far a machine and the capture agree."""

    matched: int  #: cycles, from the begin on
    ended: str  #: COMPLETE, PARTED, LOST (its way hangs on what nobody knows) or GAVE_UP
    steps: int
    log: List[Predicted]
    guessed: int  #: bits of the program that this machine had to take from the capture
    hidden: List[Tuple[int, int]]  #: (row before it, kind) of cycles that no lead shows though it should


class Way(NamedTuple):
    """How far one way has led."""

    at: int
    ended: str
    log: List[Predicted]
    guessed: int
    hidden: List[Tuple[int, int]]
    checkpoints: List[Checkpoint]


def _parts_of(mask: int) -> List[int]:
    """Return all numbers whose bits lie under a mask, the largest first."""
    found = [mask]
    while found[-1]:
        found.append(found[-1] - 1 & mask)
    return found


class Course(ComparedBus):
    """A machine beside a capture."""

    def __init__(self, seen: Observed, board: ReplayBoard, begin: int, budget: int, loose: bool = False, end: Optional[int] = None,
                 resets: Tuple[int, ...] = ()) -> None:  # fmt: skip
        """begin: the cycle that fetches from 0000h (or anywhere, see `start_anywhere`). loose: cycles may be longer than due at any time.

        resets: cycles with which the program starts anew, beside those that the capture shows.
        """
        super().__init__(seen, board, begin, len(seen) if end is None else end, loose, resets)
        self.cpu = UncertainCpu()
        self.cpu.forget()
        if seen.address_mask != 0xFFFF:  # where nothing shows what SP is, the likeliest (see cpu.model); no sound program asks
            self.cpu.sp = 0xFFFF
        self.budget = budget
        self.checkpoints: List[Checkpoint] = []  #: on the way, for `resume`
        self._next_checkpoint = begin + CHECKPOINT_EVERY
        self._script: List[int] = []  # the ways taken in the present step, and how many of them are used up
        self._used = 0
        self._alternatives: List[Tuple[Mark, List[int], bool]] = []
        self._weak = False
        self._vector = 0xFF
        self._accepted = 0  # NMIs that no lead shows
        self._assumed: Optional[int] = None  # where a return address out of untouched RAM led to
        self._tables: dict[int, List[int]] = {}  # page of an interrupt table in ROM -> its vectors
        self._grants = frozenset(seen.grants)
        self._interrupts = not seen.input_idle("INT") and not board.deaf_to_interrupts
        self._interrupts_unseen = self._interrupts and ACKNOWLEDGE in self.hides and "MREQ" in seen.captured
        self._nmis = not seen.input_idle("NMI")
        self.halted: List[int] = []  #: fetches of the halted CPU
        self._mark = self._save()

    # --- the way ---

    def start_anywhere(self, place: Optional[int] = None) -> None:
        """Begin in the middle of a program: nothing is known but where it is: at `place`, else where the capture shows the first fetch."""
        self.cpu.forget_all()
        if place is not None:
            self.cpu.pc = place
            return
        self.cpu.pc = self.seen.address[self.begin]
        first = slice(self.begin, self.begin + 2)  # nothing but a halted CPU fetches twice in a row from one address
        self.cpu.halted = self.seen.kinds[first] == [FETCH, FETCH] and len(set(self.seen.address[first])) == 1

    def run(self) -> Outcome:
        """Follow the capture as far as any way leads."""
        outer = Unknown.choose
        Unknown.choose = self._choose_bit
        try:
            return self._run()
        finally:
            Unknown.choose = outer

    def _run(self) -> Outcome:
        best: Optional[Way] = None
        # The way that led furthest to where nobody knows how it goes on, without an NMI taken for granted: it was never contradicted.
        lost: Optional[Way] = None
        script: List[int] = []
        steps = 0
        while True:
            reason = PARTED
            try:
                while True:
                    self._step(script)
                    script = []
                    steps += 1
                    if steps > self.budget:
                        reason = GAVE_UP
                        break
            except End:
                reason = COMPLETE
            except Lost:
                reason, self._guessed = LOST, self._mark[10]  # what was guessed of an address that led nowhere bought nothing
            except Parted:
                pass
            if best is None or self.at > best.at or (reason != PARTED and self.at >= best.at):
                best = Way(self.at, reason, self._log[:], self._guessed, self._hidden[:], self.checkpoints[:])
                lost = best if reason == LOST and self._may_be_lost() else lost
            elif reason == GAVE_UP:
                best = best._replace(ended=GAVE_UP)
            elif reason == LOST and self._may_be_lost() and (lost is None or self.at > lost.at):
                lost = Way(self.at, reason, self._log[:], self._guessed, self._hidden[:], self.checkpoints[:])
            if reason in (COMPLETE, GAVE_UP) or not self._next_alternative(best.at):
                if best.ended == PARTED and lost is not None and best.at <= lost.at + _WEAK_REACH:
                    best = lost  # what leads on from there for a few cycles was guessed
                self.checkpoints = best.checkpoints
                return Outcome(best.at - self.begin, best.ended, steps, best.log, best.guessed, best.hidden)
            script = self._script

    def _may_be_lost(self) -> bool:
        """Whether being lost here is no guess: no NMI was taken for granted, or one that a device of the profile answers."""
        return not self._accepted or self.board.led_away

    def _next_alternative(self, furthest: int) -> bool:
        while self._alternatives:
            mark, script, weak = self._alternatives.pop()
            if weak and furthest - mark[3] > _WEAK_REACH:
                continue
            self._restore(mark)
            self._script = script
            return True
        return False

    def _save(self) -> Mark:
        return (
            self.cpu.save(), len(self.board.journal), self.board.bus, self.at, self._due, self._drift, self._stretched,
            len(self._log), len(self._hidden), self._vector, self._guessed, self._accepted, self._assumed,
        )  # fmt: skip

    def _restore(self, mark: Mark) -> None:
        journal, log, hidden = self._set_state(mark)
        self.board.take_back(journal)
        del self._log[log:]
        del self._hidden[hidden:]
        while self.halted and self.halted[-1] >= self.at:
            self.halted.pop()
        while self.checkpoints and self.checkpoints[-1][0] > self.at:
            self.checkpoints.pop()
            self._next_checkpoint = self.at

    def _set_state(self, mark: Mark) -> Tuple[int, int, int]:
        """Go back to a mark, but for the three lists, of which the lengths are returned: journal, log, hidden."""
        state, journal, self.board.bus, self.at, self._due, self._drift, self._stretched = mark[:7]
        log, hidden, self._vector, self._guessed, self._accepted, self._assumed = mark[7:]
        self.cpu.restore(state)
        return journal, log, hidden

    def resume(self, checkpoint: Checkpoint) -> None:
        """Begin where another course was, that had gone alike so far."""
        _, mark, ram = checkpoint
        self._set_state(mark)
        self.board.ram = dict(ram)

    def _step(self, script: List[int]) -> None:
        """Run one instruction, or what the capture says came in its place."""
        self._script, self._used = script, 0
        self._mark = self._save()
        cpu, halted, first = self.cpu, self.cpu.halted, self.at
        if self.at in self._resets and self.at != self.begin:
            cpu.reset()
            self._due = NOT_KNOWN
        elif self.at > self.begin:
            self._between()
        if self.at in self._grants and self._option(2) == 1:  # the other master may have written to memory
            self.board.forget_ram()
        if isinstance(cpu.pc, Unknown):
            cpu.pc = self._seen_address(cpu.pc)
        try:
            cpu.step(self)  # type: ignore[arg-type]  # its values may have unknown bits, which the CPU's own types do not foresee
        except Restarted:
            cpu.reset()
            self._due = NOT_KNOWN
        if halted:
            self.halted.append(first)
        cpu.interrupt_line = False
        if self.at >= self._next_checkpoint:
            self._next_checkpoint = self.at + CHECKPOINT_EVERY
            self.checkpoints.append((self.at, self._save(), dict(self.board.ram)))

    def _between(self) -> None:
        """Decide what happens between two instructions: the next one, an interrupt, an NMI, or a pause."""
        if self.at in self.skips:
            self.at += self.skips[self.at]
            self._due = NOT_KNOWN
        if self.at >= self.end:
            raise End
        kinds, t_states = self.seen.kinds, self.seen.t_states
        row = self.at
        if kinds[row] == ACKNOWLEDGE and self._interrupts:
            self.cpu.interrupt_line = True
            return
        if self._interrupts_unseen and kinds[row] in (READ, WRITE, ACCESS, UNKNOWN_KIND) and self.cpu.iff1 is not False:
            self.cpu.interrupt_line = True  # a request where a fetch is due: the refresh of an acknowledge that no lead shows
            return
        few = self._accepted < _NMIS_FREE + (row - self.begin) // _CYCLES_AN_NMI
        if self._nmis and few and kinds[row] == FETCH and self._may_be_response(t_states[row]) and self._pushes_at(row + 1):
            self._weak = True
            if self._option(2) == 1:
                self.cpu.nmi_pending = True
                self._accepted += 1
            self._weak = False

    def _may_be_response(self, t_states: int) -> bool:
        """Whether a fetch of this length may be the response to an NMI: 5 T-states (UM0080)."""
        return t_states == NOT_KNOWN or abs(t_states - 5) <= self._slack or (self._share == 1.0 and t_states > 5)

    def _pushes_at(self, row: int) -> bool:
        pair = self.seen.kinds[row : row + 2]
        return all(kind in (WRITE, ACCESS) for kind in pair)

    # --- choices ---

    def _option(self, count: int) -> int:
        """Take one of several ways; the others are left for later."""
        if self._used < len(self._script):
            chosen = self._script[self._used]
        else:
            chosen = 0
            self._script = [*self._script, 0]
        self._used += 1
        if self._used == len(self._script) and chosen + 1 < count:
            self._alternatives.append((self._mark, [*self._script[: self._used - 1], chosen + 1], self._weak))
        return chosen

    def _likely(self, value: Unknown) -> List[int]:
        """Return where a program may go on at an address that is known in part."""
        found = [address for address in (0x0000, 0xFFFF) if not (address ^ value.value) & ~value.mask]
        if bin(value.mask).count("1") <= 8:
            contents = self.board.contents
            found += [a for a in (value.value | part for part in _parts_of(value.mask)) if a not in found and contents[a] >= 0]
        else:
            found += [a for a in self._empty_place(value) if a not in found]
        return found

    def _empty_place(self, value: Unknown) -> Iterator[int]:
        """Yield an address where the image is empty, which many wild ways lead to: FFh is RST 38h wherever it is fetched (UM0080)."""
        at, contents = -1, self.board.contents
        while 0xFF in contents[at + 1 : at + 2 + _LOOKED_AT]:
            at = contents.index(0xFF, at + 1)
            if not (at ^ value.value) & ~value.mask:
                yield at
                return

    def _choose_bit(self, value: Unknown) -> bool:
        chosen = self._option(2) == 0
        self._guessed += 1
        cpu, mask = self.cpu, value.mask
        if self._opcode in _FLAG_CHOICES and isinstance(cpu.f, Unknown) and not mask & mask - 1 and cpu.f.mask & mask:
            cpu.f = known(cpu.f.value | (mask if chosen else 0), cpu.f.mask & ~mask)
        elif self._opcode == 0x10 and not chosen:  # DJNZ that goes on: B is zero
            cpu.b = 0
        return chosen

    def _seen_address(self, value: Unknown) -> int:
        """Return the address that the capture shows for the coming fetch. Raises Lost where it does not."""
        seen = self.seen
        if self.at < self.end and seen.address_mask == 0xFFFF and seen.kinds[self.at] == FETCH:
            self._guessed += bin(value.mask).count("1")
            return seen.address[self.at]
        # An address out of memory that nobody wrote to: RAM that came up with 00 or FF throughout is the likeliest.
        likely = self._likely(value)
        if not likely or not seen.address_mask ^ 0xFFFF or self._guessed > _GUESSED_MOST:
            raise Lost
        chosen = likely[self._option(len(likely))]
        if chosen != self._assumed:
            self._assumed = chosen
            self._guessed += bin(value.mask).count("1")
        return chosen

    def read(self, address: Value) -> Value:
        """Read memory; where only a few entries of a table in ROM can be meant, each is tried."""
        if isinstance(address, Unknown) and self.seen.address_mask != 0xFFFF:
            address = self._entry(address)
        return super().read(address)

    def _entry(self, address: Unknown) -> Value:
        """Return which of a few known bytes is read, and let the register pair that points there know."""
        bits = bin(address.mask).count("1")
        if bits > _TABLE_BITS or self._guessed > _GUESSED_MOST:
            return address
        entries = [address.value | part for part in _parts_of(address.mask)]
        bytes_there = {self.board.contents[entry & 0xFFFF] for entry in entries}
        if len(bytes_there) == 1 or min(bytes_there) < 0:
            return address
        chosen = entries[self._option(len(entries))]
        self._guessed += bits
        cpu = self.cpu
        for high, low in _PAIRS:
            pair = getattr(cpu, high) << 8 | getattr(cpu, low)
            if isinstance(pair, Unknown) and (pair.value, pair.mask) == (address.value, address.mask):
                setattr(cpu, high, chosen >> 8)
                setattr(cpu, low, chosen & 0xFF)
        return chosen

    # --- interrupts ---

    def acknowledge(self, address: int, refresh: int) -> Value:
        vector: Value
        if self._interrupts_unseen:
            vector = self._unseen_acknowledge()
        else:
            vector = self._read(ACKNOWLEDGE, address)
        if not isinstance(vector, Unknown):
            return vector
        if self.cpu.im == 1:
            return 0xFF
        likely = [self._vector] if self._vector in _RESTARTS else []
        if self.cpu.im == 0:
            options = [*likely, *(code for code in _RESTARTS if code not in likely)]
        else:
            options = self._vectors()
        self._vector = options[self._option(len(options))]
        return self._vector

    def _unseen_acknowledge(self) -> Value:
        """Pass over an acknowledge of which the leads show nothing, or its refresh alone: that begins 4 T-states into it."""
        refresh_told = "RFSH" in self.seen.captured
        if (self._option(2) == 0) == refresh_told:  # what is likelier first
            if self._due != NOT_KNOWN:
                self._due += T_STATES[ACKNOWLEDGE]
            self._hidden.append((self.at - 1, ACKNOWLEDGE))
            return self.board.port(KINDS[ACKNOWLEDGE], Unknown(0, 0xFF))[0]
        row = self.at
        if self._due != NOT_KNOWN:
            self._due += _REFRESH_AFTER_T
        self._close(row)
        if row >= self.end or row in self._resets:
            raise End if row >= self.end else Restarted
        self._due = T_STATES[ACKNOWLEDGE] - _REFRESH_AFTER_T
        self._log.append(Predicted(row, ACKNOWLEDGE, Unknown(0, 0xFFFF), Unknown(0, 0xFF)))
        self.at = row + 1
        return self.board.port(KINDS[ACKNOWLEDGE], Unknown(0, 0xFF))[0]

    def _vectors(self) -> List[int]:
        """Return the vectors that lead to different places of the table at I, the one that led on before first."""
        page = self.cpu.i << 8
        if isinstance(page, Unknown):
            raise Lost
        contents, ram = self.board.contents, self.board.ram
        known_page = self._tables.get(page)
        if known_page is None:
            found: dict[Tuple[Value, ...], int] = {}
            for vector in range(0xFF, -1, -1):
                entry = tuple(contents[a] if contents[a] >= 0 else ram.get(a, RAM) for a in (page | vector, (page | vector) + 1 & 0xFFFF))
                if RAM not in entry and not any(isinstance(byte, Unknown) for byte in entry):
                    found.setdefault(entry, vector)
            known_page = list(found.values())
            if min(contents[page : page + 0x100]) >= 0:
                self._tables[page] = known_page
        if not known_page:
            raise Lost
        return [self._vector, *(v for v in known_page if v != self._vector)] if self._vector in known_page else known_page
