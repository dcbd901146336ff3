"""The rule for a ROM whose image is known: what its reads gave, against what it holds.

It reads ``evidence.memory.roms``. The pictures are common practice (no published source): what is the same in every read is a line or the
chip itself, what is right at other times is something that is late or fights.
"""

from __future__ import annotations

from typing import Iterator, List, Optional, Tuple

from ..bus.lines import ADDRESS, DATA
from ..bus.units import time_words
from ..records.evidence import BusEvidence
from ..records.memory import MemoryRecord, RomCheck
from . import blame
from .base import CAUTION_SOLDER, ENOUGH_READS, Found, rule
from .grades import FAIR, GUESS, HINT, LIKELY, STRONG
from .memory import DEAD_SHARE, FIGHTING_BITS, chip_words
from .picture import MEMORY, STORE_LOAD, Picture, done
from .runaways import FULL_BUS, runs_away

EXPLAINED = 0.95  #: share of the wrong reads that one fault must give before it is named: all of them, but for spikes
FEW_DENY = 0.05  #: addresses that may still speak against it, for each that speaks for it: spikes
ONE_BYTE = 0.8  #: share of one byte among the wrong reads from which it may be what nobody drives, so that it proves no address
SOME_WRONG = 4  #: reads, from which on they are more than spikes
ENOUGH_WRONG, ENOUGH_ADDRESSES = 8, 4  #: wrong reads, and their addresses, from which one cause may be named for all
TIMES_RIGHT = 0.1  #: share of the wrong addresses that were right at other times, from which nothing constant is to blame: a spike or two put some right
UNDRIVEN = 0.5  #: share of one byte among the wrong reads from which it is what nobody drives
VARIED = 0.1  #: share of the repeated wrong reads that give yet another byte, below which a second memory answers
FEW_DIFFERENT, FEW_IN = 3, 50  #: addresses of a byte or two that have lost a bit; or one in so many
SILENT_READS, SILENT_SHARE = 45, 0.8  #: wrong reads, and of all reads of the run those that gave one byte: what nobody drives (nine tenths of 50)
MOSTLY_WRONG, MOSTLY_READS = 0.3, 50  #: share of the reads up to which the right byte comes most of the time; and how many must be known
ANOTHER_SHARE = 0.3  #: of the addresses that must differ for another version of the ROM: two programs differ nearly everywhere (our choice)


@rule(
    "rom-content", "ROM reads differ from the image", "fault", needs=FULL_BUS, judges=("ROM", *DATA, *ADDRESS),
    suspects=blame.ROM_CONTENT,
    looks_for="reads from a ROM that differ from the image given with --rom or in the profile",
    causes="a bit that has flipped or an output that has died, an address or data line open, stuck or swapped at the chip, another version of the ROM",
    next_step="read the ROM in a programmer and compare; reseat it; check its address and data pins for continuity to the CPU",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, seen_astray=True, explains=("lost-its-way",), speaks_for={"reads-otherwise": "all"},
    picture=Picture(MEMORY, STORE_LOAD, (done("rom-bit-flipped", address=0x000B, bit=3),)),
)  # fmt: skip
def rom_content(evidence: BusEvidence) -> Iterator[Found]:
    memory = evidence.memory
    if memory is None or runs_away(memory):
        return
    for rom in memory.roms:
        if rom.wrong and rom.compared >= ENOUGH_WRONG:
            judged = (_few(rom), _at_times(rom), _lanes(evidence, memory, rom), _bridge(rom), _address(rom), _fight(rom), _silent(memory, rom))
            yield next((each for each in judged if each is not None), None) or _other(evidence, rom)


def _share(rom: RomCheck) -> str:
    return f"{rom.wrong} of {rom.compared} reads of {rom.name} at {rom.start:#06x} differ"


def spoilt_bits(rom: RomCheck) -> List[int]:
    """Return the data bits in which any read differs."""
    return [bit for bit in range(8) if rom.flipped_to_1[bit] + rom.flipped_to_0[bit]]


def _names(bits: List[int]) -> str:
    return ", ".join(f"D{bit}" for bit in bits)


def _few(rom: RomCheck) -> Optional[Found]:
    """One read, or a few whose addresses were right at other times: no more than spikes, for all that anybody knows."""
    if rom.wrong > 1 and not (rom.wrong < SOME_WRONG and rom.at_times_right == rom.wrong_addresses):
        return None
    else_ = "; read again, it was right" if rom.at_times_right else ""
    which = "one" if rom.wrong == 1 else str(rom.wrong)
    verb = "differs" if rom.wrong == 1 else "differ"
    why = "a spike, or data that came late" if rom.at_times_right else "a bit that has flipped, or a spike"
    return Found(f"{which} of {rom.compared} reads of {rom.name} at {rom.start:#06x} {verb}, in {_names(spoilt_bits(rom))}, at "
                 f"{time_words(rom.first_s)}{else_}: {why}", (), rom.wrong, rom.first_s, rom.last_s, severity="warning", confidence=GUESS)  # fmt: skip


def _at_times(rom: RomCheck) -> Optional[Found]:
    """Addresses that are wrong now and right then: no line and no bit that is constant does that."""
    if rom.at_times_right <= TIMES_RIGHT * rom.wrong_addresses:
        return None
    bits = spoilt_bits(rom)
    share = f"{_share(rom)}, at {rom.wrong_addresses} of {rom.addresses} addresses, and {rom.at_times_right} of these gave the right byte at other times"
    floating = _floating(rom)
    if floating is not None:
        return Found(f"{share}: {floating} reaches the chip at times only", (floating,), rom.wrong, rom.first_s, rom.last_s,
                     suspects=blame.ROM_ADDRESS, confidence=LIKELY)  # fmt: skip
    if _only_lacks(rom):
        return Found(f"{share}; they only lack bits that the image has ({_names(bits)}): another chip drives the bus at the same time and pulls "
                     "it low", (), rom.wrong, rom.first_s, rom.last_s, suspects=blame.FIGHT, confidence=LIKELY)  # fmt: skip
    if len(bits) == 1:
        return Found(f"{share}, in {_names(bits)} alone: an output or a contact that fails now and then", (f"D{bits[0]}",), rom.wrong,
                     rom.first_s, rom.last_s, suspects=blame.ROM_SOMETIMES, confidence=LIKELY)  # fmt: skip
    if _like_another_memory(rom):
        return Found(f"{share}, always with the same wrong byte at an address: another memory answers there at times, paged in by what the "
                     "profile does not declare, or two drive the bus", (), rom.wrong, rom.first_s, rom.last_s, severity="warning", confidence=HINT)  # fmt: skip
    return Found(f"{share}, in {_names(bits)}: the data come too late, or the chip answers now and then only", (), rom.wrong, rom.first_s,
                 rom.last_s, suspects=blame.ROM_SOMETIMES, confidence=LIKELY)  # fmt: skip


def _lanes(evidence: BusEvidence, memory: MemoryRecord, rom: RomCheck) -> Optional[Found]:
    """Data lines that are always at one level, and explain all."""
    lanes = [
        (bit, level)
        for bit in range(8)
        for level, flips, chances in ((1, rom.flipped_to_1[bit], rom.zeros[bit]), (0, rom.flipped_to_0[bit], rom.ones[bit]))
        if chances >= ENOUGH_WRONG and flips >= DEAD_SHARE * chances
    ]
    if not lanes or {bit for bit, _ in lanes} != set(spoilt_bits(rom)) or len(lanes) > 2:
        return None
    text = " and ".join(f"D{bit} always {'high' if level else 'low'}" for bit, level in lanes)
    ram_moves = memory.reads_ram.transfers >= ENOUGH_READS and all(memory.reads_ram.constant(bit) is None for bit, _ in lanes)
    tail = ", yet it moves in reads from RAM" if ram_moves else ""
    return Found(f"{_share(rom)}: {text}{tail}{chip_words(evidence, rom.start, lanes[0][0])}", tuple(f"D{bit}" for bit, _ in lanes), rom.wrong,
                 rom.first_s, rom.last_s, suspects=blame.ROM_BIT if ram_moves else blame.ROM_BIT_OR_LINE, confidence=STRONG)  # fmt: skip


def _bridge(rom: RomCheck) -> Optional[Found]:
    """Two data lines that are one, whoever pulls low: equal wherever the image has them differ."""
    pair = rom.bridged
    if pair is None or pair.differ < ENOUGH_WRONG or pair.wrong < max(EXPLAINED * rom.wrong, DEAD_SHARE * pair.differ):
        return None
    return Found(
        f"{_share(rom)}: D{pair.low} and D{pair.high} came equal, both low, in {pair.wrong} of {pair.differ} reads in which the image has only one "
        "of them low: the two are bridged", (f"D{pair.low}", f"D{pair.high}"), rom.wrong, rom.first_s, rom.last_s,
        suspects=blame.ROM_PAIR, confidence=STRONG,
    )  # fmt: skip


def _address(rom: RomCheck) -> Optional[Found]:
    """One address line that is stuck at the chip, or two that are swapped: nothing that was read speaks against it."""
    best = max(rom.line_explains, key=lambda name: (rom.line_explains[name], -rom.line_denies.get(name, 0)), default=None)
    if best is None or not _proves_an_address(rom) or rom.line_explains[best] < EXPLAINED * rom.wrong:
        return None
    if rom.line_denies.get(best, 0) > FEW_DENY * rom.wrong_addresses:
        return None
    return Found(f"{_share(rom)}: {_address_words(best)} explains {rom.line_explains[best]} of them", _address_lines(best), rom.wrong,
                 rom.first_s, rom.last_s, suspects=blame.ROM_ADDRESS, confidence=LIKELY)  # fmt: skip


def _floating(rom: RomCheck) -> Optional[str]:
    """Return the address line that is now right and now wrong at the chip, None where no one line explains the wrong reads."""
    for bit in range(16):
        both = sum(rom.line_explains.get(f"A{bit}={level}", 0) for level in (0, 1))
        if both >= EXPLAINED * rom.wrong and _proves_an_address(rom):
            return f"A{bit}"
    return None


def _like_another_memory(rom: RomCheck) -> bool:
    """Say whether each address keeps to one wrong byte and these are many: paging that is not declared reads so, and is no fault."""
    return rom.commonest[1] < UNDRIVEN * rom.wrong and rom.otherwise <= VARIED * (rom.wrong - rom.wrong_addresses)


def _proves_an_address(rom: RomCheck) -> bool:
    """Say whether the wrong bytes are many enough, and not nearly all that one which an undriven bus gives."""
    return rom.wrong >= ENOUGH_WRONG and rom.wrong_addresses >= ENOUGH_ADDRESSES and rom.commonest[1] < ONE_BYTE * rom.wrong


def _only_lacks(rom: RomCheck) -> bool:
    enough = rom.wrong >= ENOUGH_WRONG and rom.wrong_addresses >= ENOUGH_ADDRESSES
    return enough and not any(rom.flipped_to_1) and len(spoilt_bits(rom)) >= FIGHTING_BITS


def _fight(rom: RomCheck) -> Optional[Found]:
    if not _only_lacks(rom):
        return None
    return Found(f"{_share(rom)}, and all of them only lack bits that the image has ({_names(spoilt_bits(rom))}): another chip drives the bus at "
                 "the same time and pulls it low", (), rom.wrong, rom.first_s, rom.last_s, suspects=blame.FIGHT, confidence=LIKELY)  # fmt: skip


def _silent(memory: MemoryRecord, rom: RomCheck) -> Optional[Found]:
    if not (rom.wrong >= DEAD_SHARE * rom.compared >= SILENT_READS and memory.commonest[1] >= SILENT_SHARE * memory.reads):
        return None
    return Found(f"{_share(rom)}, nearly all of them gave {memory.commonest[0]:02X}h: this ROM does not answer", (), rom.wrong, rom.first_s,
                 rom.last_s, suspects=blame.ROM_SILENT, confidence=STRONG)  # fmt: skip


def _other(evidence: BusEvidence, rom: RomCheck) -> Found:
    """Few flipped bits; or most reads right; or more than any of these explains."""
    bits, span = spoilt_bits(rom), (rom.first_s, rom.last_s)
    where = f"{_share(rom)}, at {rom.wrong_addresses} of {rom.addresses} addresses"
    if rom.wrong_addresses <= max(FEW_DIFFERENT, rom.addresses // FEW_IN) and len(bits) <= 2:
        return Found(f"{where}, in {_names(bits)}: bits that have flipped{chip_words(evidence, rom.start, None)}", tuple(f"D{bit}" for bit in bits),
                     rom.wrong, *span, suspects=blame.ROM_FLIPPED, confidence=STRONG)  # fmt: skip
    if rom.commonest[0] in (0x00, 0xFF) and rom.commonest[1] >= ONE_BYTE * rom.wrong and rom.wrong >= ENOUGH_WRONG:
        line = next((name for name, count in rom.line_explains.items() if count == rom.wrong and not rom.line_denies.get(name)), None)
        also = f"; or {_address_words(line)}, where the image is {rom.commonest[0]:02X}h as well" if line is not None else ""
        return Found(f"{where}, and {rom.commonest[1]} of them gave {rom.commonest[0]:02X}h: nothing drives the bus there, or not in time{also}", (),
                     rom.wrong, *span, suspects=blame.ROM_SOMETIMES if line is None else blame.ROM_OR_ADDRESS, confidence=FAIR)  # fmt: skip
    if rom.wrong <= MOSTLY_WRONG * rom.compared and rom.compared >= MOSTLY_READS and rom.wrong >= SOME_WRONG and not _like_another_memory(rom):
        return Found(f"{where}, in {_names(bits)}: the right bytes come most of the time", (), rom.wrong, *span, confidence=LIKELY,
                     suspects=blame.ROM_SOMETIMES)  # fmt: skip
    if rom.wrong_addresses > ANOTHER_SHARE * rom.addresses:
        text = f"{where}: another version of this ROM, or another memory answers there"
        return Found(text, (), rom.wrong, *span, severity="warning", confidence=HINT)
    return Found(f"{where}, first at {time_words(rom.first_s)}", (), rom.wrong, *span, severity="warning", confidence=HINT)


def _address_words(name: str) -> str:
    if "<>" in name:
        return f"{name.replace('<>', ' and ')} swapped at the chip"
    line, level = name.split("=")
    return f"{line} stuck {'high' if level == '1' else 'low'} at the chip"


def _address_lines(name: str) -> Tuple[str, ...]:
    return tuple(name.split("<>")) if "<>" in name else (name.split("=", maxsplit=1)[0],)
