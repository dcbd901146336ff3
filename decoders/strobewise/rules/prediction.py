"""Rules for what the CPU did against what its program says: the model's word against the bus.

They read ``evidence.prediction``. What the program calls for is UM0080's; whom
a contradiction points at is common practice. The CPU itself comes last: a line or a lead that explains what differs is to blame first.
"""

from __future__ import annotations

from typing import Iterator, List, Optional, Tuple

from ..bus.lines import ADDRESS, DATA, LINE
from ..program.words import explain
from ..records.evidence import BusEvidence
from ..records.prediction import PredictionRecord
from ..records.strobes import healthy
from . import blame
from .base import CAUTION_SOLDER, RAM_WRONG, RUNAWAY, Found, rule
from .buses import contradicted_data
from .grades import FAIR, GUESS, HINT, LIKELY, STRONG
from .picture import MEMORY, STORE_LOAD, Picture, done
from .runaways import runs_away

NEEDS: Tuple[Tuple[str, ...], ...] = (("MREQ", "IORQ", "RD", *ADDRESS, *DATA), ("MREQ", "IORQ", "WR", *ADDRESS, *DATA))
CONSISTENT_MIN = 6  #: contradictions of one line before it is called a fault: as many at one level by chance are one case in 64
CONSISTENT_SHARE = 0.9  #: of the times that the line should be at the level which it does not reach; spikes put some right
ALONE_TIMES = 4  #: a line must be the only explanation this many times as often as any other: alike bits of one opcode often explain the same (our choice)
EXPLAINED_SHARE = 0.5  #: of the contradictions for which one line read otherwise must be an explanation; the rest follow from where it led
SWAPPED_SHARE = 0.8  #: the same for two leads on each other's pins
CROSSED_MIN = 4  #: addresses with two lines changed over: each of them is wrong in two lines at once
LONE_MIN = 12  #: contradictions of one address line before it is called unsteady: twice as many, since it is right at other times
LONE_SHARE = 0.7  #: of all contradictions that must be its; the rest are where it led (our choice)
MOVES_MIN = 3  #: a line that is at its rarer level in so many reads moves, when that is
MOVES_SHARE = 0.2  #: at least this share of what is usual for the other lines: little, where the program ran into emptiness
MANY = 24  #: contradictions that nothing explains, before they are more than a note: a burst of spikes makes some dozen
MANY_SHARE = 0.02  #: of the instructions followed: a fault that stays shows more often (our choice)
OTHER_WAY, ADDRESS_OTHER_WAY = 0.15, 0.05  #: losses the other way for each: of a byte written, in which the program may be wrong twice; of an address
TWIN_SHARE = 0.1  #: losses of the line eight apart, for each: more of them, and it is the data line that both address bytes come over
EXPLAINS_ALL = 0.9  #: share from which a line explains nearly everything: what spikes leave
RUNNER_UP = 0.85  #: of the first, up to which another pair is no rival
ONE_WAY = 0.05  #: of the one way, up to which the other is chance: a line that floats is wrong both ways
AGAINST = 0.1  #: written bytes in which the line is wrong, for each in which it is right: spikes
WRITES_TOLD, WRITES_SURE = 4, 8  #: written bytes that show a line right, from which that is said, and from which it clears the lead
UNLIKE_SHARE = 0.002  #: of the cycles in which two bridged lines may differ all the same: an edge caught between two samples



def _prediction(evidence: BusEvidence) -> Optional[PredictionRecord]:
    record = evidence.prediction
    return record if record is not None and record.instructions else None


def coverage(record: PredictionRecord) -> str:
    """Say how much of the capture was followed."""
    if record.windows == 1:
        return f"{record.instructions} instructions"
    return f"{record.instructions} instructions in {record.windows} windows ({record.cycles} of {record.cycles_in_all} machine cycles)"


def followed(evidence: BusEvidence) -> str:
    """Return what following the program came to, empty where it could not be followed."""
    record = _prediction(evidence)
    if record is None:
        return ""
    outcome = f"{record.total} contradiction{'s' if record.total > 1 else ''}" if record.total else "no contradiction"
    if record.windows == 1:
        return f"{record.instructions} instructions followed from end to end: {outcome}"
    even, share = record.windows - record.odd_windows, 100 * record.cycles / max(1, record.cycles_in_all)
    odd = f" and {record.odd_windows} where something is odd" if record.odd_windows else ""
    return (
        f"{record.instructions} instructions followed in {even} windows spread evenly{odd}, {share:.0f} % of the machine cycles: {outcome}; "
        "the rest was not followed"
    )


def _first(record: PredictionRecord, *whats: str) -> str:
    """Explain the first difference of some kind, or of which a line is an explanation."""
    kept = [difference for difference in record.kept if difference.what in whats or set(whats) & set(difference.lines)]
    return explain(kept[0]) if kept else "it was not kept"


def _span(record: PredictionRecord) -> Tuple[Optional[float], Optional[float]]:
    if not record.kept:
        return None, None
    return record.kept[0].start * record.tick_s, record.kept[-1].start * record.tick_s


def _moves(record: PredictionRecord, bit: int) -> bool:
    """Say whether a data line moves in reads."""
    moves = [min(level.ones, level.zeros) for level in record.levels]
    return bool(moves[bit] >= MOVES_MIN and moves[bit] >= MOVES_SHARE * sorted(moves)[4])


def _stuck_write(record: PredictionRecord, bit: int) -> Optional[Tuple[int, int, str]]:
    """Return (wrong, asked, level shown) when one data line is at the same wrong level in what the CPU writes."""
    line = record.written[bit]
    for lost, asked, other, level in (
        (line.ones_lost, line.ones, line.zeros_lost, "low"),
        (line.zeros_lost, line.zeros, line.ones_lost, "high"),
    ):
        if lost >= CONSISTENT_MIN and lost >= CONSISTENT_SHARE * asked and other <= OTHER_WAY * lost:
            return lost, asked, level
    return None


def _misread(record: PredictionRecord) -> Optional[int]:
    """Return the one data line that, read at its other level, explains what followed; None when no line stands out."""
    singles = {int(lines[1:]): counts for lines, counts in record.explained.items() if "<" not in lines}
    if not singles or _swapped(record) is not None:
        return None
    best = max(singles, key=lambda bit: (sum(singles[bit][2:]), sum(singles[bit][:2])))
    alone, total = sum(singles[best][2:]), sum(singles[best][:2])
    others = max((sum(counts[2:]) for bit, counts in singles.items() if bit != best), default=0)
    # Where it is wrong in operands alone, the addresses made of them differ in its two bits.
    told = total + record.alone_wrong[best] + record.alone_wrong[best + 8]
    if total == record.sought and alone and not others and told >= MANY // 2:
        return best  # it explains every one, and no other line does
    if alone < CONSISTENT_MIN or alone < ALONE_TIMES * others or total < EXPLAINED_SHARE * record.sought:
        return None
    return best


def _any_of_several(record: PredictionRecord) -> Tuple[int, ...]:
    """Return the data lines one of which explains nearly everything that followed, when it can not be said which."""
    singles = {int(lines[1:]): counts for lines, counts in record.explained.items() if "<" not in lines}
    if record.total < MANY or record.sought < CONSISTENT_MIN:
        return ()
    return tuple(sorted(bit for bit, counts in singles.items() if sum(counts[:2]) >= EXPLAINS_ALL * record.sought))


def _swapped(record: PredictionRecord) -> Optional[Tuple[int, int]]:
    """Return the two data lines that, changed over, explain nearly all that followed; None when no pair stands out."""
    totals = sorted(((sum(counts[:2]), lines) for lines, counts in record.explained.items()), reverse=True)
    if len(totals) < 2 or "<" not in totals[0][1] or totals[0][0] < max(2 * CONSISTENT_MIN, SWAPPED_SHARE * record.sought):
        return None
    if totals[1][0] > RUNNER_UP * totals[0][0]:
        return None
    low, high = totals[0][1].split("<>")
    return int(low[1:]), int(high[1:])


def _line_known(evidence: BusEvidence) -> bool:
    """Say whether the addresses made of operands tell already which data line it is."""
    return evidence.buses is not None and any(True for _ in contradicted_data(evidence.buses))


def _strobes_good(evidence: BusEvidence) -> bool:
    """Say whether the strobes that tell the kinds of cycle apart are what they should be."""
    counts = [evidence.strobes[name] for name in ("MREQ", "IORQ", "RD", "WR") if name in evidence.strobes]
    return all(map(healthy, counts))


@rule(
    "program-misread", "the CPU acts on other bytes than the capture shows", "fault", needs=NEEDS, judges=DATA,
    suspects=blame.MISREAD_LEAD,
    looks_for="cycles that the captured opcodes do not call for, and that they would call for with one data line at its other level",
    causes="the lead of that line is off or on another pin, so that the CPU reads the right byte and the capture does not; or the bus is right "
    "and the CPU's own input for that line is dead or has no contact",
    next_step="clip this line's lead to the CPU's own leg and capture again: the contradiction gone means the lead; the same again, with the "
    "line moving, means the CPU or its socket",
    source="UM0080, instruction set; the check: common practice",
    host=None, derails=True,
    speaks_for={"program-contradicted": "all"},
    picture=Picture(MEMORY, STORE_LOAD, (done("lead-off", line="D0"),)),
)  # fmt: skip
def program_misread(evidence: BusEvidence) -> Iterator[Found]:
    record = _prediction(evidence)
    if record is None or not _strobes_good(evidence):
        return
    bit = _misread(record)
    start, end = _span(record)
    if bit is None:
        several = _any_of_several(record)
        if several and _runaway(evidence) and not _line_known(evidence):
            names = tuple(f"D{line}" for line in several)
            yield Found(
                f"the CPU does not act on the bytes captured, in {record.sought} contradictions over {coverage(record)}: one of "
                f"{', '.join(names)} reaches it at another level; first, {_first(record, *names)}",
                names, record.sought, start, end, suspects=blame.DATA_INPUT_OR_LEAD, confidence=FAIR,
            )  # fmt: skip
        return
    total = sum(record.explained[f"D{bit}"][:2])
    low, high = record.explained[f"D{bit}"][2:]  # where no other line explains it, the level is sure
    written = record.written[bit]
    right = written.ones + written.zeros - written.ones_lost - written.zeros_lost
    against = written.ones_lost if low > high else written.zeros_lost  # the lead is wrong there, too: it was not the CPU's input
    # A lead that hangs in the air is wrong both ways; one that stands still does not move in reads. The CPU's input is neither.
    one_way = min(low, high) <= ONE_WAY * max(low, high)
    input_dead = one_way and _moves(record, bit) and against <= 1 + AGAINST * right
    way = f"captured {'low' if low > high else 'high'} where the CPU acted as if it were {'high' if low > high else 'low'}"
    yield Found(
        f"D{bit} {way if one_way else 'captured at the other level than the one on which the CPU acted'}, in {total} of "
        f"{record.sought} contradictions over {coverage(record)}"
        + (f", although it moves in reads{f' and is right in {right} written bytes' if right >= WRITES_TOLD else ''}" if input_dead else "")
        + f"; first, {_first(record, f'D{bit}')}",
        (f"D{bit}",), total, start, end, suspects=(blame.DATA_INPUT if right >= WRITES_SURE else blame.DATA_INPUT_OR_LEAD) if input_dead else None, confidence=LIKELY,
    )  # fmt: skip


@rule(
    "leads-crossed", "two leads of a bus on each other's pins", "fault", needs=NEEDS, judges=(*ADDRESS, *DATA),
    suspects=blame.INVERTED_LEAD,
    looks_for="cycles that the captured opcodes do not call for, and that they call for with two data lines changed over; or addresses in which "
    "two lines show each other's level",
    causes="two leads, or their labels, were mixed up: the machine itself could not run its program with two lines crossed",
    next_step="swap the two leads or map them the other way round with --map, and look at the capture again",
    source="UM0080, instruction set; the check: common practice",
    host=None, derails=True, explains_its_lines=True,
    speaks_for={"program-contradicted": "all"},
    picture=Picture(("MREQ", "RD", "D0", "D1", "D"), STORE_LOAD, (done("leads-swapped", lines=["D0", "D1"]),)),
)  # fmt: skip
def leads_crossed(evidence: BusEvidence) -> Iterator[Found]:
    record = _prediction(evidence)
    if record is None or not _strobes_good(evidence):
        return
    pair = _swapped(record)
    start, end = _span(record)
    if pair is not None:
        low, high = (f"D{bit}" for bit in pair)
        count, of, what = record.explained[f"{low}<>{high}"][0], record.sought, "make sense of"
        first = _first(record, f"{low}<>{high}")
    else:
        crossed = _crossed_addresses(record)
        if crossed is None:
            return
        low, high = (f"A{bit}" for bit in crossed)
        count, of, what = record.exchanged[crossed], record.total, "explain"
        first = _first(record, "address", "next")
    yield Found(
        f"{low} and {high} changed over {what} {count} of {of} contradictions between the program and what the CPU did, over "
        f"{coverage(record)}; first, {first}",
        (low, high), count, start, end, next_step=f"swap the two leads, or give --map {low}=... and --map {high}=... the other way round",
        confidence=STRONG if count >= 2 * CONSISTENT_MIN else FAIR,
    )  # fmt: skip


def _crossed_addresses(record: PredictionRecord) -> Optional[Tuple[int, int]]:
    """Return the two address lines that show each other's level in nearly all addresses that differ, None when there are none."""
    if not record.exchanged:
        return None
    best: Tuple[int, int] = max(record.exchanged, key=lambda pair: record.exchanged[pair])
    count = record.exchanged[best]
    return best if count >= CROSSED_MIN and count >= EXPLAINS_ALL * record.total else None


@rule(
    "written-byte-contradicted", "the CPU writes other bytes than its program says", "fault", needs=NEEDS, judges=DATA,
    suspects=blame.DATA_OUTPUT,
    looks_for="one data line at the same level in every written byte that the program gives the other one, while reads show it right",
    causes="the CPU's output for that line is dead or its joint is open, another chip drives the line during writes, or the lead is off",
    next_step="scope the line at the CPU's leg during writes: a level between 0.8 and 2.0 V means that two drivers fight, a clean wrong level "
    "means the CPU; a right level means the lead",
    source="UM0080, instruction set; the check: common practice", caution=CAUTION_SOLDER,
    host=None, explains=(RUNAWAY, RAM_WRONG, "halted-for-good", "reads-unsteady"),
    picture=Picture(MEMORY, STORE_LOAD, (done("cpu-data-out-stuck", bit=0, level="low"),)),
)  # fmt: skip
def written_byte_contradicted(evidence: BusEvidence) -> Iterator[Found]:
    record = _prediction(evidence)
    if record is None or _runaway(evidence):
        return
    misread = _misread(record)
    if _swapped(record) is not None:
        return
    start, end = _span(record)
    for bit in range(8):
        stuck = _stuck_write(record, bit)
        if stuck is None or bit == misread:
            continue
        lost, asked, level = stuck
        moves = _moves(record, bit)
        yield Found(
            f"D{bit} {level} in {lost} of {asked} written bytes that the program gives with it {'low' if level == 'high' else 'high'}"
            f"{', while it moves in reads' if moves else ''}, over {coverage(record)}; first, {_first(record, 'data')}",
            (f"D{bit}",), lost, start, end, suspects=None if moves else blame.WRITES_AND_READS,
            confidence=STRONG,
        )  # fmt: skip


@rule(
    "address-contradicted", "an address line that does not follow the program", "fault", needs=NEEDS, judges=ADDRESS,
    suspects=blame.ADDRESS_AGAINST_PROGRAM,
    looks_for="one address line at the same level in the fetches for which the count of PC calls for the other one",
    causes="a line shorted to ground or supply, a dead CPU output, a joint, or the lead",
    next_step="move the lead to a pin known to be live; then power off and measure the line against ground, +5 V and its neighbours",
    source="UM0080, opcode fetch; the check: common practice",
    host=None, derails=True,
    speaks_for={"program-contradicted": "all"},
    picture=Picture(("MREQ", "RD", "WR", "A8", "A"), STORE_LOAD, (done("dead-low", line="A8"),)),
)  # fmt: skip
def address_contradicted(evidence: BusEvidence) -> Iterator[Found]:
    record = _prediction(evidence)
    if record is None:
        return
    wrong = {bit: stuck for bit in range(16) if (stuck := _stuck_address(record, bit)) is not None}
    if len(wrong) > 2:
        return
    start, end = _span(record)
    first = _first(record, "address", "next", "code")
    bridge = _bridge(record)
    if bridge is not None:
        low, high = (f"A{bit}" for bit in bridge)
        yield Found(
            f"{low} and {high}, on neighbouring pins {LINE[low].pin} and {LINE[high].pin}, never differ on the bus, although the program makes "
            f"{record.alone_wrong[bridge[0]] + record.alone_wrong[bridge[1]]} addresses in which they do, over {coverage(record)}; first, {first}",
            (low, high), record.alone_wrong[bridge[0]] + record.alone_wrong[bridge[1]], start, end, suspects=blame.BRIDGE, confidence=LIKELY,
        )  # fmt: skip
        return
    for bit, (lost, asked, level) in wrong.items():
        yield Found(
            f"A{bit} {level} in {lost} of {asked} addresses that the program makes with it {'low' if level == 'high' else 'high'}, over "
            f"{coverage(record)}; first, {first}",
            (f"A{bit}",), lost, start, end, confidence=LIKELY,
        )  # fmt: skip
    lone = max(range(16), key=lambda bit: record.alone_wrong[bit])
    count = record.alone_wrong[lone]
    if not wrong and count >= LONE_MIN and count >= LONE_SHARE * record.total and _misread(record) != lone & 7:
        yield Found(
            f"A{lone} alone differs in {count} of {record.total} contradictions between the program and what the CPU did, over "
            f"{coverage(record)}; first, {first}",
            (f"A{lone}",), count, start, end, suspects=blame.ADDRESS_WRONG_AT_TIMES, confidence=FAIR,
        )  # fmt: skip


def _bridge(record: PredictionRecord) -> Optional[Tuple[int, int]]:
    """Return two neighbouring address lines that are one on the bus, where the program calls for them to differ."""
    for low, high in record.unlike:
        count = record.alone_wrong[low] + record.alone_wrong[high]
        if count >= CONSISTENT_MIN and count >= LONE_SHARE * record.total and record.unlike[low, high] <= UNLIKE_SHARE * record.cycles:
            return low, high
    return None


def _stuck_address(record: PredictionRecord, bit: int) -> Optional[Tuple[int, int, str]]:
    """Return (wrong, asked, level shown) when one address line is at the same wrong level in what the program addresses.

    A data line that the CPU reads otherwise looks alike in the addresses that come from operands, but on two lines, eight apart.
    """
    line, twin = record.address_wrong[bit], record.address_wrong[bit ^ 8]
    for lost, asked, other, level in (
        (line.ones_lost, line.ones, line.zeros_lost, "low"),
        (line.zeros_lost, line.zeros, line.ones_lost, "high"),
    ):
        enough = lost >= CONSISTENT_MIN and lost >= CONSISTENT_SHARE * asked and other <= ADDRESS_OTHER_WAY * lost
        if enough and twin.ones_lost + twin.zeros_lost <= TWIN_SHARE * lost and _misread(record) != bit & 7:
            return lost, asked, level
    return None


def _runaway(evidence: BusEvidence) -> bool:
    memory = evidence.memory
    return memory is not None and runs_away(memory)


@rule(
    "program-contradicted", "the CPU does not do what its program says", "warning", needs=NEEDS, judges=("CPU",),
    suspects=blame.CONTRADICTED,
    looks_for="addresses, written bytes or cycles that differ from what the captured program calls for, and that no single line explains",
    causes="spikes or lost samples in the capture, leads on each other's pins, a bus that settles too late; a CPU that miscounts comes last",
    next_step="capture again with ground clipped near the CPU, short leads and a higher rate; if the same instruction is contradicted again, "
    "look at the lines that differ there",
    source="UM0080, instruction set; the check: common practice",
    host=None,
)  # fmt: skip
def program_contradicted(evidence: BusEvidence) -> Iterator[Found]:
    record = _prediction(evidence)
    if record is None or _runaway(evidence):
        return
    total = sum(number for what, number in record.differences.items() if what != "code")
    if not total or _named(record):
        return
    many = total >= MANY and total >= MANY_SHARE * record.instructions
    start, end = _span(record)
    text = f"{total} contradiction{'s' if total > 1 else ''} in {coverage(record)}" + (", beyond which it made no sense to follow" if record.exhausted else "")
    yield Found(
        f"{text}: {_first(record, 'next', 'data', 'address', 'kind')}", _lines_of(record), total, start, end,
        severity="warning" if many else "note", confidence=HINT if many else GUESS,
    )  # fmt: skip


def _named(record: PredictionRecord) -> bool:
    """Say whether a line explains what differs, so that nothing is left to say of the rest."""
    return any(_stuck_write(record, bit) for bit in range(8)) or any(_stuck_address(record, bit) for bit in range(16))


def _lines_of(record: PredictionRecord) -> Tuple[str, ...]:
    """Return the line that all kept differences have in common, if there is one."""
    masks: List[int] = [
        (difference.expected ^ difference.found) << (16 if difference.what == "data" else 0)
        for difference in record.kept
        if difference.what != "kind"
    ]
    if len(masks) < CONSISTENT_MIN or any(mask != masks[0] for mask in masks) or masks[0] & (masks[0] - 1):
        return ()
    bit = masks[0].bit_length() - 1
    return ((*ADDRESS, *DATA)[bit],)
