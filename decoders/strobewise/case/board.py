"""What stands between the CPU and the rest of the board, where the machine's profile tells it: points to measure, and the chip to swap."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from ..bus.lines import bar
from ..records.profile import NOTHING_KNOWN, BoardChip, Profile
from .records import Case

POINTS_NAMED = 8  #: ways through a chip that a step names
#: What is asked of a chip, by its kind (common practice).
ASKED: Mapping[str, str] = {
    "buffer": "does what comes in go out again, and does its direction turn with /RD",
    "decoder": "is each output given for the addresses that it stands for, and for no other",
    "multiplexer": "do its outputs change within each access", "latch": "do its outputs hold what came in",
    "gate": "do its outputs follow its inputs",
}  # fmt: skip
ANY_CHIP = (
    "the buffers, decoders and multiplexers between the CPU and the memory, pin by pin: does the data buffer turn with /RD and pass "
    "each line on, is each chip select given, do the outputs of an address multiplexer change within each access?"
)
AT_THE_PORT = "what switches the ROM off for the device: do the ROM's select and output enable stay at rest while {line} asks for that?"


def to_probe(profile: Profile | None, lines: Sequence[str], at_the_port: bool) -> Iterator[tuple[str, str]]:
    """Yield what can be looked at: a chip, or "glue" where nobody knows the board, and what is asked of it, in words.

    lines: of the fault, empty where it names none.
    """
    known = profile or NOTHING_KNOWN
    if at_the_port:
        yield "glue", AT_THE_PORT.format(line=", ".join(dict.fromkeys(bar(each.responds_on) for each in known.paging)) or "ROMDIS")
        return
    chips = known.chips_on(lines) or known.board
    if not chips:
        yield "glue", ANY_CHIP
    for chip in chips:
        yield chip.chip, chip_words(chip, lines)


def chip_words(chip: BoardChip, lines: Sequence[str] = ()) -> str:
    """Return what is asked of a chip, with its pins. lines: those that come first."""
    points = sorted((each for each in chip.passes if each.near is not None), key=lambda each: each.line not in lines)
    ways = [f"{bar(each.line)} from pin {each.near} to {each.far}" for each in points[:POINTS_NAMED]]
    if not ways:
        ways = [", ".join(bar(each.line) for each in chip.passes)]
    ways += [f"{word} at pin {pin}" for word, pin in chip.controls]
    return f"the {chip.kind} {chip.chip} ({'; '.join(ways)}): {ASKED[chip.kind]}?"


def way_to(profile: Profile | None, line: str) -> str:
    """Return where a line first comes in on the board, in words; empty where nobody knows."""
    for chip in (profile or NOTHING_KNOWN).chips_on((line,)):
        point = chip.passing(line)
        if point is not None and point.near is not None:
            return f"pin {point.near} of the {chip.kind} {chip.chip}"
    return ""


def chip_to_swap(case: Case, lines: Sequence[str]) -> BoardChip | None:
    """Return the chip of the board to put right: the one that was measured bad, else the only one on the lines of a fault."""
    known = case.profile or NOTHING_KNOWN
    answers = [item.answer for item in case.items if item.answer is not None and item.counts]
    bad = {answer.about for answer in answers if answer.kind == "passes" and not answer.value}
    good = {answer.about for answer in answers if answer.kind == "passes" and answer.value}
    measured = [chip for chip in known.board if chip.chip in bad]
    others = [chip for chip in known.chips_on(lines) if chip.chip not in good]
    return measured[0] if measured else others[0] if len(others) == 1 else None
