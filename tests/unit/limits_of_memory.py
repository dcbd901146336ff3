"""Limits of the rules about memory, ROM images, runaways, the course of a program, and programs known by their bytes alone."""

from __future__ import annotations

from typing import Any

from hand_made import evidence_of
from limits import Limit, fires, memory, says, severity, strong

from strobewise.bus.lines import DATA
from strobewise.records.buses import BusesRecord, Operands, Pushes
from strobewise.records.bytes_alone import BytesRecord, Compared
from strobewise.records.course import AlikeReads, CourseRecord, LastRead, Tail, Walk
from strobewise.records.evidence import LineEvidence
from strobewise.records.memory import Alike, Levels, OwnBytes, ReadBack, RomCheck
from strobewise.records.odd_reads import OddRead, OddReads
from strobewise.records.profile import MemoryRegion, Profile
from strobewise.records.rhythm import Growing, Pushing, Repeated, RhythmRecord
from strobewise.records.told import Anew, Told
from strobewise.records.unwritten import Unwritten
from strobewise.rules.bytes_alone import _believed, _dead_bit, _one_bit, _read_otherwise
from strobewise.rules.contents import _only_lack, _trusted, one_bit, repeats
from strobewise.rules.course import _what_is_read, went_well
from strobewise.rules.memory import _bit_is_dead, _contradicted, _mirror, _readings
from strobewise.rules.odd_reads import _in_ram, _judged, _sure
from strobewise.rules.rom import _address, _at_times, _few, _like_another_memory, _only_lacks, _other, _proves_an_address, _silent
from strobewise.rules.runaways import _all_00, _all_alike, _all_ff
from strobewise.rules.told import _as_told

CLEAN = (500, 0, 500, 0)


def page(*bits: tuple[int, int, int, int], compared: int = 40, wrong: int = 0, ff: int = 0, start: int = 0x8000) -> ReadBack:
    """bits: from D0 on, as in ReadBack; the rest are right."""
    return ReadBack(start, start + 0x3FF, compared, wrong, [*bits, *[CLEAN] * (8 - len(bits))], ff, 0.001, 0.002)


# --- memory ---


def still(addresses: int = 64, values: int = 60, writes: int = 50) -> Any:
    return memory(addresses=addresses, reads_rom=Levels(200, 0xFF, 0x08), values_read=values, writes=Levels(writes, 0xFF, 0x08))


def unsteady(unstable: int, repeated: int, *bits: int) -> Any:
    return memory(unstable=unstable, repeated=repeated, unstable_bits=[*bits, *[0] * (8 - len(bits))])


def varying(unstable: int, repeated: int) -> Any:
    return unsteady(unstable, repeated, *[unstable] * 8)


def contradicted(high: int) -> bool:
    operands = Operands(ones_lost=[2, *[0] * 7, high, *[0] * 7])
    return _contradicted(evidence_of(buses=BusesRecord([], 0, [0] * 7, [0] * 7, operands, Pushes(), [0] * 16)), 0)


def dead_bit(times: int = 20, moving: int = 200, good: int | None = None) -> Any:
    """good: comparisons of another page that has the bit right."""
    pages = [page((20, 0, times, times), wrong=times)]
    pages += [] if good is None else [page((good, 0, 0, 0), start=0xC000)]
    return memory(pages, reads_rom=Levels(moving, 0xFF, 0))


def lost(*pages: tuple[int, int]) -> Any:
    """pages: (wrong, compared) of each."""
    return memory([page(wrong=wrong, compared=of, ff=wrong, start=0x8000 + 0x400 * k) for k, (wrong, of) in enumerate(pages)])


def mirrored(times: int) -> bool:
    record = memory(mirror={14: times}, mirror_chance={14: times}).memory
    return _mirror(record) is not None


UNSTEADY, VARYING = "data-line-unsteady", "reads-unsteady"
BITS = (
    Limit("memory.ENOUGH_OF_A_LEVEL", lambda n: _bit_is_dead(page((20, 0, n, n)), 0), 4, 3),
    Limit("memory.DEAD_SHARE", lambda n: _bit_is_dead(page((20, 0, 1000, n)), 0), 900, 899),
    Limit("memory.CLEAN_SHARE", lambda n: _bit_is_dead(page((20, 0, 20, 20), (500, n, 500, 0)), 0), 50, 51),
    Limit("memory.MIXED_BYTES", fires("data-line-stuck", lambda n: still(values=n)), 12, 11),
    Limit("memory.ENOUGH_WRITES", says("data-line-stuck", "in all writes too", lambda n: still(writes=n)), 16, 15),
    Limit("memory.CONSTANT_ADDRESSES", fires("data-line-stuck", still), 48, 47),
    Limit("memory.FIGHTING_BITS", lambda n: bool(_only_lack([page(*[(20, 0, 20, 4)] * n)])), 3, 2),
    Limit("memory.NO_PAGING", severity(VARYING, lambda n: varying(n, 1000)), 500, 499, "fault", None),
    Limit("memory.MANY_UNSTEADY", severity(VARYING, lambda n: varying(n, 100)), 64, 63, "fault", None),
    Limit("memory.UNSTEADY_MIN", fires(UNSTEADY, lambda n: unsteady(n, 10, n)), 6, 5),
    Limit("memory.UNSTEADY_SHARE", fires(UNSTEADY, lambda n: unsteady(n, 10_000, n)), 100, 99),
    Limit("memory.ONE_BIT", fires(UNSTEADY, lambda n: unsteady(1000, 1000, n)), 900, 899),
    Limit("memory.ONE_BIT_MOST", fires(UNSTEADY, lambda n: unsteady(1000, 1000, 1000, n)), 200, 201),
    Limit("memory.VARYING_MIN", fires(VARYING, lambda n: varying(n, 16)), 16, 15),
    Limit("memory.VARYING_SHARE", fires(VARYING, lambda n: varying(n, 10_000)), 500, 499),
    Limit("memory.VARYING_BIT", fires(VARYING, lambda n: unsteady(1000, 1000, 1000, 1000, n)), 100, 99),
    Limit("memory.CONTRADICTED_MIN", contradicted, 2, 1),
    Limit("memory.READS_MIN", lambda n: len(_readings(memory(reads_ram=Levels(n)).memory)), 8, 7, 2, 1),
    Limit("memory.INPUTS_MIN", lambda n: len(_readings(memory(reads_io=Levels(n)).memory)), 3, 2, 2, 1),
    Limit("memory.READS_MOVE", says("ram-bit-dead", "so the line is good", lambda n: dead_bit(moving=n)), 32, 31),
    Limit("memory.GOOD_MIN", says("ram-bit-dead", "right in 1 other page", lambda n: dead_bit(good=n)), 8, 7),
    Limit("memory.SURE_MIN", strong("ram-bit-dead", dead_bit), 8, 7),
    Limit("memory.PAGE_WRONG", fires("ram-bank-missing", lambda n: lost((n, n), (4, 4), (8 - n, 8 - n))), 4, 3),
    Limit("memory.PAGE_SHARE", fires("ram-bank-missing", lambda n: lost((500, n))), 1000, 1001),
    Limit("memory.BANK_WRONG", fires("ram-bank-missing", lambda n: lost((n, n))), 12, 11),
    Limit("memory.MIRROR_MIN", mirrored, 8, 7),
)  # fmt: skip

# --- bytes here and there ---


def now_and_then(wrong: int, every: bool) -> Any:
    """every: all data bits are wrong, and the byte is FFh; else D2 alone."""
    bits = [(20, 4, 20, 0)] * 8 if every else [CLEAN, CLEAN, (20, wrong, 20, 0)]
    return memory([page(*bits, wrong=wrong, ff=wrong if every else 0)], mismatched=4)


def own(addresses: int = 96, values: int = 24, rarer: int | None = None, astray: bool = False) -> Any:
    """rarer: of two lines that are always equal; without it, D3 never moves."""
    bytes_ = OwnBytes(addresses, values, 0xF7, 0) if rarer is None else OwnBytes(addresses, values, 0xFF, 0, [(0, 1, rarer)])
    evidence = memory(own=bytes_, reads_ram=Levels(50, 0xFF, 0))
    evidence.course = CourseRecord(walk=Walk(512, 0.0, 0xFF, 0)) if astray else None
    return evidence


def moving_elsewhere(reads: int) -> Any:
    evidence = own()
    evidence.memory.reads_ram, evidence.memory.writes = Levels(reads, 0xFF, 0), Levels()
    return evidence


def again(line: int, pairs: int, values: int, above: int = 0) -> bool:
    """Bytes that repeat across an address line; above: pairs across the next one, none of them alike."""
    return repeats(OwnBytes(pairs={line + 1: (above, 0)}, alike=[Alike((line,), pairs, values)])) is not None


ITSELF = "rom-against-itself"
CONTENTS = (
    Limit("contents.RIGHT_BEFORE", lambda n: bool(_trusted(evidence_of(), memory([page(compared=n, wrong=2)]).memory)), 10, 9),
    Limit("contents.RIGHT_BEFORE", fires(ITSELF, moving_elsewhere), 8, 7),
    Limit("contents.SOME_WRONG", fires("ram-unsteady", lambda n: now_and_then(n, False)), 4, 3),
    Limit("contents.SOME_SILENT", fires("ram-unsteady", lambda n: now_and_then(n, True)), 8, 7),
    Limit("contents.ALL_ONE", lambda n: one_bit([page((500, n, 500, 0), wrong=1000)]), 900, 899, 0, None),
    Limit("contents.LOW_LINES", lambda line: again(line, 48, 12), 10, 11),
    Limit("contents.FEW_ADDRESSES", fires(ITSELF, lambda n: own(n, astray=True)), 20, 19),
    Limit("contents.FEW_VALUES", fires(ITSELF, lambda n: own(values=n, astray=True)), 12, 11),
    Limit("contents.OWN_ADDRESSES", fires(ITSELF, own), 96, 95),
    Limit("contents.OWN_VALUES", fires(ITSELF, lambda n: own(values=n)), 24, 23),
    Limit("contents.RARER", fires(ITSELF, lambda n: own(rarer=n)), 24, 23),
    Limit("contents.REPEATED", lambda n: again(10, n, 12), 48, 47),
    Limit("contents.REPEATED_VALUES", lambda n: again(10, 48, n), 12, 11),
    Limit("contents.FEW_REPEATED", lambda n: again(3, n, 10), 6, 5),
    Limit("contents.FEW_REPEATED_VALUES", lambda n: again(1, 6, n), 6, 5),
    Limit("contents.MORE_REPEATED", lambda n: again(9, n, 6, above=4), 10, 9),
    Limit("contents.ABOVE", lambda n: again(9, 10, 6, above=n), 4, 3),
    Limit("contents.MORE_VALUES", lambda n: again(3, 6, n), 10, 9),
)  # fmt: skip


# --- ROM images ---


def rom(wrong: int = 1000, places: int = 1000, **changes: Any) -> RomCheck:
    """places: the addresses of the wrong reads, which are wrong in three bits."""
    check = RomCheck(
        "x.rom", 0, 1000, wrong, places, 1000, [wrong] * 3 + [0] * 5, [0] * 8, [1] * 8, [1] * 8,
        first_s=0.001, last_s=0.002, commonest=(0x21, 0),
    )  # fmt: skip
    for name, value in changes.items():
        assert hasattr(check, name)
        setattr(check, name, value)
    return check


def lacking(wrong: int = 8, places: int = 4) -> bool:
    return _only_lacks(rom(wrong, places, flipped_to_1=[0] * 8, flipped_to_0=[wrong] * 3 + [0] * 5))


def flipped(places: int, addresses: int) -> bool:
    check = rom(2000, places, compared=3000, addresses=addresses, flipped_to_1=[2000, *[0] * 7])
    return "have flipped" in _other(evidence_of(), check).evidence


def other(words: str, **changes: Any) -> bool:
    return words in _other(evidence_of(), rom(**changes)).evidence


def read_otherwise(share: int = 1000, reads: int = 1000, wrong: int = 1000) -> bool:
    return _silent(memory(commonest=(0xFF, share), reads=1000).memory, rom(wrong, compared=reads)) is not None


ROM = (
    Limit("rom.EXPLAINED", lambda n: _address(rom(line_explains={"A3=0": n})) is not None, 950, 949),
    Limit("rom.FEW_DENY", lambda n: _address(rom(line_explains={"A3=0": 1000}, line_denies={"A3=0": n})) is not None, 50, 51),
    Limit("rom.ONE_BYTE", lambda n: _proves_an_address(rom(commonest=(0xFF, n))), 799, 800),
    Limit("rom.SOME_WRONG", lambda n: _few(rom(n, 2, at_times_right=2)) is not None, 3, 4),
    Limit("rom.ENOUGH_WRONG", lacking, 8, 7),
    Limit("rom.ENOUGH_ADDRESSES", lambda n: lacking(places=n), 4, 3),
    Limit("rom.TIMES_RIGHT", lambda n: _at_times(rom(at_times_right=n)) is not None, 101, 100),
    Limit("rom.UNDRIVEN", lambda n: _like_another_memory(rom(commonest=(0xFF, n))), 499, 500),
    Limit("rom.VARIED", lambda n: _like_another_memory(rom(2000, otherwise=n)), 100, 101),
    Limit("rom.FEW_DIFFERENT", lambda n: flipped(n, 100), 3, 4),
    Limit("rom.FEW_IN", lambda n: flipped(n, 5000), 100, 101),
    Limit("rom.SILENT_READS", lambda n: read_otherwise(reads=n, wrong=n), 50, 49),
    Limit("rom.SILENT_SHARE", read_otherwise, 800, 799),
    Limit("rom.MOSTLY_WRONG", lambda n: other("most of the time", wrong=n, commonest=(0x21, 200)), 300, 301),
    Limit("rom.MOSTLY_READS", lambda n: other("most of the time", wrong=4, places=4, compared=n, commonest=(0x21, 4)), 50, 49),
    Limit("rom.ANOTHER_SHARE", lambda n: other("another version", places=n), 301, 300),
)  # fmt: skip

# --- single reads ---


def odd(*addresses: int, lacks: bool = False) -> list[OddRead]:
    """lacks: two bits are low that were high before; else one bit is low and another high."""
    return [OddRead(0.001, address, 0x21, 0x00 if lacks else 0x0C) for address in addresses]


def judged(compared: int = 100, samples: float = 4.0) -> bool:
    evidence = memory()
    evidence.samples_per_t, evidence.odd_reads = samples, OddReads(compared)
    return _judged(evidence, odd(1))


def in_ram(address: int = 0xBFFF, right: int = 40) -> bool:
    return _in_ram(memory([page(compared=right), page(compared=40, start=0xC400)]), address)


def above(address: int) -> bool:
    return _in_ram(memory([page(), page(start=0xC400)]), address)


def lacking_reads(reads: int) -> Any:
    evidence = memory()
    evidence.odd_reads = OddReads(1000, [], odd(*range(reads), lacks=True))
    return evidence


ODD_READS = (
    Limit("odd_reads.CLOSE_SAMPLES", lambda n: judged(samples=n), 4.0, 3.95),
    Limit("odd_reads.ENOUGH_COMPARED", judged, 100, 99),
    Limit("odd_reads.ENOUGH_ODD", lambda n: _sure(odd(*range(n))), 4, 3),
    Limit("odd_reads.ODD_PLACES", lambda n: _sure(odd(*[k % n for k in range(9)])), 2, 1),
    Limit("odd_reads.PROVEN", lambda n: in_ram(right=n), 4, 3),
    Limit("odd_reads.AROUND", in_ram, 0xBFFF, 0xC000),
    Limit("odd_reads.AROUND", above, 0x8800, 0x87FF),
    Limit("odd_reads.LACK_MIN", says("reads-otherwise", "only lacks", lacking_reads), 3, 2),
)  # fmt: skip

# --- runaways ---


def ff(reads: int = 1000, of_them: int | None = None, at_38: int = 1000) -> bool:
    return _all_ff(memory(reads=reads, reads_ff=reads if of_them is None else of_them, fetches_at_38=at_38, fetches=1000, alike=0).memory)


def alike(addresses: int) -> bool:
    return _all_alike(memory(addresses=1000, alike=addresses, commonest=(0x21, 1000), reads=1000).memory)


def began(first: int = 0, addresses: int = 16, values: int = 8) -> Any:
    evidence = memory(addresses=0, alike=2000, commonest=(0x21, 1000), reads=1000, values_read=values)
    evidence.memory.fetched[first : first + addresses] = True
    evidence.memory.fetched[0x1000:0x1200] = True
    return evidence


def zeros(addresses: int) -> Any:
    return_ = memory(addresses=0, reads=1000, reads_00=1000, alike=addresses)
    return_.memory.fetched[0x8000 : 0x8000 + addresses] = True
    return return_


ALIKE = "reads-all-alike"
RUNAWAYS = (
    Limit("runaways.RUNAWAY_READS", ff, 50, 49),
    Limit("runaways.RUNAWAY_SHARE", lambda n: ff(1000, n), 970, 969),
    Limit("runaways.FEW_ADDRESSES", lambda n: _all_00(memory(reads=1000, reads_00=1000, alike=n).memory), 16, 15),
    Limit("runaways.RESTARTS", strong(ALIKE, lambda first: began(first, 8)), 0x60, 0x61),
    Limit("runaways.ENOUGH_OF_A_START", strong(ALIKE, lambda n: began(0, n)), 8, 7),
    Limit("runaways.LONG_WALK", severity("reads-all-00", zeros), 0x2000, 0x1FFF, None, "note"),
    Limit("runaways.ALIKE_SHARE", alike, 900, 899),
    Limit("runaways.AT_RST_38", lambda n: ff(at_38=n), 500, 499),
    Limit("runaways.FEW_VALUES", strong(ALIKE, lambda n: began(values=n)), 8, 9),
)  # fmt: skip

# --- the course ---

BEFORE = LastRead(1, 2, 1, 2)


def well(reads: int = 100, values: int = 60) -> bool:
    return went_well(CourseRecord(reads + 10, values), AlikeReads(10, before=BEFORE))


def ends(value: int, addresses: int = 0, at_38: int = 0) -> bool:
    return _what_is_read(CourseRecord(same=AlikeReads(100, None, value, addresses, 0, at_38))) is not None


def echoes(addresses: int) -> bool:
    return _what_is_read(CourseRecord(same=AlikeReads(1), echo=AlikeReads(100, None, 7, addresses))) is not None


def some_lines(*lines: str, **course: Any) -> Any:
    return evidence_of(captured=frozenset(lines), course=CourseRecord(**course))


def nowhere(addresses: int) -> Any:
    evidence = memory(addresses=0)
    evidence.memory.fetched[0x8000 : 0x8000 + addresses] = True
    evidence.profile = Profile("x", memory=(MemoryRegion("nothing", 0x8000, 0xFFFF),))
    return evidence


def anew(number: int = 3, end_s: float = 0.01) -> Any:
    evidence = evidence_of(end_s=end_s)
    evidence.captured = evidence.captured - {"RESET"} | {*DATA}
    evidence.told = Told(0, Compared(), memory().memory, OddReads(), Anew(tuple(0.001 * k for k in range(number)), 5e-5, (0xF3,)))
    return evidence


def starts(number: int) -> Any:
    return some_lines("MREQ", starts_s=[0.001 * k for k in range(number)])


def steps(*cycles: str, **changes: Any) -> Repeated:
    return Repeated(cycles, **{"times": 400, "start_s": 0.001, "before": 40, **changes})


def beats(repeated: Any = None, pushing: Any = None, without: str = "HALT", fetches: int = 1000) -> Any:
    """Evidence of such a rhythm, where one line of the control lines was not captured."""
    evidence = evidence_of(rhythm=RhythmRecord(repeated or Repeated(), pushing or Pushing()))
    evidence.captured -= {without}
    evidence.cycles["opcode_fetch"] = fetches
    return evidence


def from_reset(before: int, fetches: int = 0) -> Any:
    """The same with /RESET low at first, and one instruction over and over so many instructions behind its release."""
    evidence = beats(steps("Frr", before=before), fetches=fetches or before + 400)
    evidence.lines["RESET"] = LineEvidence("RESET", edges=1, high_fraction=0.9, asserted_first=True)
    return evidence


def pushed(pushes: int, instructions: int) -> Any:
    evidence = beats(pushing=Pushing(pushes, 0, instructions, 0.001))
    evidence.course = CourseRecord()
    return evidence


def grown(net: int = 400, restarts: int = 0, data: bool = False) -> Any:
    evidence = beats()
    evidence.rhythm = RhythmRecord(growing=Growing(net, 400, restarts, 600, 0.001))
    evidence.captured |= frozenset(DATA if data else ())
    return evidence


def one_byte(reads: int) -> Any:
    return some_lines("M1", *DATA, same=AlikeReads(reads, None, 0x69, 0, 1000))


RHYTHM = (
    Limit("rhythm.MANY_TURNS", fires("goes-on-without-jump", lambda n: beats(steps("Fww", *["F"] * 9, "Frr", times=n))), 32, 31),
    Limit("rhythm.MANY_INSTRUCTIONS", fires("goes-on-without-jump", lambda n: beats(
        steps("Fww", "F", "F", "Frr", times=n // 4))), 200, 196),
    Limit("rhythm.ONE_OVER_AND_OVER", fires("one-instruction", lambda n: beats(steps("Frr", times=n))), 300, 299),
    Limit("rhythm.AT_ONCE", severity("one-instruction", lambda n: beats(steps("Frr", behind_reset=n))), 2, 3, "warning", "note"),
    Limit("rhythm.CUT_OFF", severity("one-instruction", lambda n: from_reset(2, 402 + n)), 1, 2, "warning", "note"),
    Limit("rhythm.ANSWERED_MIN", fires("interrupts-without-pause", lambda n: beats(
        steps("Aww", "F", "Frr", times=n, answered_behind_returns=True), without="INT")), 24, 23),
    Limit("rhythm.STACK_GROWS", fires("stack-grows", grown), 100, 99),
    Limit("rhythm.MOSTLY", fires("stack-grows", lambda n: grown(restarts=n, data=True)), 200, 199),
    Limit("course.PUSHING_SHARE", fires("restarts-without-end", lambda n: pushed(900, n)), 1000, 1001),
    Limit("course.ENDLESS_PUSHES", fires("restarts-without-end", lambda n: pushed(n, n)), 200, 199),
    Limit("course.READS_A_FETCH", fires("reads-one-byte", one_byte), 1500, 1499),
)  # fmt: skip

COURSE = (
    Limit("course.GOOD_READS", well, 24, 23),
    Limit("course.GOOD_VALUES", lambda n: well(values=n), 8, 7),
    Limit("course.ROUNDS", lambda n: ends(0xFF, at_38=n), 16, 15),
    Limit("course.WALKED", lambda n: ends(0x21, n), 512, 511),
    Limit("course.ECHOED", echoes, 64, 63),
    Limit("course.WALKED_ZEROS", lambda n: ends(0x00, n), 1024, 1023),
    Limit("course.ENDLESS_PUSHES", fires("restarts-without-end", lambda n: some_lines("M1", only_pushes=Tail(n))), 200, 199),
    Limit("course.LONELY_FETCHES", fires("fetches-only", lambda n: some_lines("M1", only_fetches=Tail(n))), 1000, 999),
    Limit("course.NOWHERE", fires("fetches-nowhere", nowhere), 8, 7),
    Limit("course.UNWRITTEN", fires("runs-unwritten", lambda n: evidence_of(unwritten=Unwritten(n, 0x8000, 0.001, -1))), 16, 15),
    Limit("course.PAUSES", fires("returns-to-start", anew), 3, 2),
    Limit("course.STARTS", fires("starts-again", starts), 4, 3),
)  # fmt: skip

# --- bytes alone ---


def compared(wrong: int, number: int = 100_000, flips: int | None = None, silent: int = 0, ones: int | None = None) -> Compared:
    """flips: wrong in D0, low where it should be high, in all of `ones`."""
    bits = [[50, 0, 50, 0] for _ in range(8)]
    bits[0] = [50, 0, ones if ones is not None else flips or 0, flips or 0]
    return Compared(number, wrong, silent, bits, 0.001, 0.002)


def unlike(number: int, of: int, *explained: int) -> BytesRecord:
    return BytesRecord(of, number, 0.001, 0.002, [*[(each, 0) for each in explained], *[(0, 0)] * (8 - len(explained))])


def obeys(number: int, of: int = 100) -> Any:
    return evidence_of(bytes_alone=unlike(number, of))


def popped(wrong: int) -> Any:
    return evidence_of(bytes_alone=BytesRecord(1000, 0, popped=compared(wrong)))


def moved(edges: int) -> Any:
    """Of D0, which explains all that is not obeyed."""
    evidence = evidence_of(bytes_alone=unlike(100, 1000, 100))
    evidence.lines["D0"] = LineEvidence("D0", edges=edges)
    return evidence


def never_moves(reads: int = 200, values: int = 24, others: int = 50) -> Any:
    evidence = evidence_of(captured=frozenset(DATA), course=CourseRecord(reads, values))
    evidence.lines = {name: LineEvidence(name, edges=0 if name == "D4" else others) for name in DATA}
    return evidence


def written(values: int) -> Any:
    return evidence_of(bytes_alone=BytesRecord(1000, 0, written=values, constant=[0, *[None] * 7], moving=0xFF))


def followed(cycles: int) -> bool:
    evidence = evidence_of(bytes_alone=BytesRecord(1000))
    evidence.told = Told(cycles, Compared(), memory().memory, OddReads())
    return _as_told(evidence) is not None


STILL = "data-line-still"
BYTES_ALONE = (
    Limit("bytes_alone.ENOUGH_INSTRUCTIONS", lambda n: _believed(evidence_of(bytes_alone=BytesRecord(n))) is not None, 50, 49),
    Limit("bytes_alone.SOME_UNLIKE", fires("bytes-not-obeyed", obeys), 8, 7),
    Limit("bytes_alone.UNLIKE_SHARE", fires("bytes-not-obeyed", lambda n: obeys(n, 10_000)), 400, 399),
    Limit("bytes_alone.EXPLAINED", lambda n: _read_otherwise(unlike(1000, 9000, n)) is not None, 800, 799),
    Limit("bytes_alone.BETTER", lambda n: _read_otherwise(unlike(1000, 9000, 900, n)) is not None, 600, 601),
    Limit("bytes_alone.FOLLOWED", lambda n: _believed(evidence_of(bytes_alone=BytesRecord(10_000, n))) is not None, 200, 201),
    Limit("bytes_alone.FEW_WRONG", fires("stack-differs", popped), 2, 1),
    Limit("bytes_alone.SOME_WRONG", lambda n: _one_bit(compared(n, flips=n)) is not None, 8, 7),
    Limit("bytes_alone.ALL_ONE", lambda n: _dead_bit(compared(1000, flips=n)) is not None, 900, 899),
    Limit("bytes_alone.ENOUGH_OF_A_LEVEL", lambda n: _dead_bit(compared(4, flips=4, ones=n)) is not None, 4, 3),
    Limit("bytes_alone.DEAD", lambda n: _dead_bit(compared(900, flips=900, ones=n)) is not None, 1000, 1001),
    Limit("bytes_alone.STILL_READS", fires(STILL, never_moves), 200, 199),
    Limit("bytes_alone.STILL_OTHERS", fires(STILL, lambda n: never_moves(others=n)), 50, 49),
    Limit("bytes_alone.STILL_VALUES", fires(STILL, lambda n: never_moves(values=n)), 10, 9),
    Limit("bytes_alone.STILL_SURE", severity(STILL, lambda n: never_moves(values=n)), 24, 23, None, "warning"),
    Limit("told.ENOUGH_TOLD", followed, 200, 199),
    Limit("bytes_alone.MANY_VALUES", fires("stored-otherwise", written), 40, 39),
)  # fmt: skip

MEMORY = [*BITS, *CONTENTS, *ROM, *ODD_READS, *RUNAWAYS, *RHYTHM, *COURSE, *BYTES_ALONE]
