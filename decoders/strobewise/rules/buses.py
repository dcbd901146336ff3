"""Rules for lines against each other: shorted pairs, address lines that never follow, leads that prove to be off.

They read ``evidence.buses``. That neighbouring pins are the likely bridges is common
practice; the refresh counter and the instructions that the witnesses rest on are UM0080's.
"""

from __future__ import annotations

from typing import Iterator, List, Optional, Tuple

from ..bus.lines import ADDRESS, CONTROL, DATA, LINE, bar, neighbours, pin_text
from ..records.buses import BusesRecord, Pushes
from ..records.evidence import BusEvidence
from ..records.strobes import ENOUGH_OTHERS
from . import blame
from .base import CAUTION_SOLDER, ENOUGH_READS, Found, rule, twins
from .grades import FAIR, LIKELY, STRONG
from .picture import MEMORY, STORE, STORE_LOAD, Picture, done
from .runaways import runs_away
from .written import written_low

MOVES_MIN = 24  #: samples at the rarer level before two lines that are always equal are believed
TWIN_BYTES = 16  #: different bytes on the data bus before a data line may be called the twin of an address line
COUNTED_LINES = 7  #: A0..A6 carry the refresh counter
REFRESHES_MIN = 256  #: twice round the counter
OPERANDS_MIN = 4  #: cases in which one line must have stood against another: three may fall together by chance (one in eight)
LOST_SHARE = 0.9  #: of these that must have failed; the rest are reads that another driver or a late edge put right
OTHER_WAY = 0.1  #: share that may fail the other way, which no stuck line does: the same tenth
PAIR_ADDRESSES, PAIR_BYTES = 48, 16  #: addresses and different bytes, of which two data lines that are free differ in some (0.75^48: one in a million)
QUARTER_BYTES = 48  #: the same bytes for D6 and D7, alike in each opcode but 40h to BFh (UM0080: moves and sums of registers): thrice as many (our choice)
TWIN_REQUESTS = 500  #: requests, for a data line and an address line: a short loop may well make them move together
AT_REST = 0.01  #: changes for each request up to which an address line rests: what is left are spikes
UNSTEADY_REFRESHES = 64  #: half round the counter: each line but A6 has moved, and a line that floats has been wrong often
UNSTEADY_OPERANDS = 16  #: addresses: of fewer, the share below is not two
EXCUSED = 0.3  #: of the losses of one operand byte that the other must show for their data line to be the odd one: about as many (our choice)
LEAD_READS, LEAD_SHARE = 4, 0.02  #: reads that give another byte, and their share: a spike or two do that as well
SETTLES_MIN, SETTLES_WRONG, SETTLES_MOST = 16, 6, 0.7  #: addresses, those that differ, and their share: late data are right often enough to run
SETTLES_LINES, SETTLES_BIT = 6, 0.1  #: lines that differ, each in a tenth of these: fewer are a line of their own

ANY: Tuple[Tuple[str, ...], ...] = (("MREQ",), ("RD", "WR"))


SHORTED = "lines-shorted"  #: asked by a case: a meter finds a bridge


@rule(
    SHORTED, "two lines that never differ", "fault", needs=ANY, judges=("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", *ADDRESS, *DATA),
    suspects=blame.BRIDGE,
    looks_for="two lines at the same level in every request, although each of them moves and the bus calls for them to differ",
    causes="a solder bridge (most likely between neighbouring pins), a cracked board with a sliver across two tracks, a bent socket pin, "
    "two clips that touch",
    next_step="take the clips off, power off, and measure the resistance between the two pins; then inspect the socket and the tracks "
    "between them",
    source="common practice", caution=CAUTION_SOLDER,
    host=None, derails=True, explains_its_lines=True,
    speaks_for={**dict.fromkeys(("written-byte-contradicted", "data-output-contradicted"), "lines"), "address-contradicted": "bus", "program-contradicted": "all"},
    picture=Picture(("MREQ", "A0", "A1", "A"), STORE_LOAD, (done("shorted", lines=["A0", "A1"]),), by_time=True),
)  # fmt: skip
def lines_shorted(evidence: BusEvidence) -> Iterator[Found]:
    alike = twins(evidence)
    for first, second in alike:
        yield Found(
            f"{bar(first)} and {bar(second)} move together at each of {evidence.line(first).edges} edges, as no two strobes of a CPU do",
            (first, second), evidence.line(first).edges, evidence.start_s, evidence.end_s,
        )  # fmt: skip
    buses = evidence.buses
    memory = evidence.memory
    if alike or buses is None or (memory is not None and runs_away(memory)):
        return
    for first, second in _groups(evidence, buses):
        pair = next(p for p in buses.pairs if (p.first, p.second) == (first, second))
        side_by_side = second in neighbours(first)
        where = f", on neighbouring pins {LINE[first].pin} and {LINE[second].pin}" if side_by_side else ""
        yield Found(
            f"{bar(first)} and {bar(second)} equal in all {pair.samples} requests, {pair.moves} of them at the rarer level{where}",
            (first, second), pair.samples, evidence.first_request_s, evidence.last_request_s,
        )  # fmt: skip


def _groups(evidence: BusEvidence, buses: BusesRecord) -> List[Tuple[str, str]]:
    """Return the always-equal pairs that a healthy machine could not show, one of each cluster: the likeliest bridge."""
    proven = [p for p in buses.pairs if p.moves >= MOVES_MIN and _must_differ(evidence, buses, p.first, p.second)]
    chosen: List[Tuple[str, str]] = []
    taken: set[str] = set()
    # Neighbouring pins first, then the pair that moves most; whatever shares a line with it is equal to it for another reason.
    for pair in sorted(proven, key=lambda p: (p.second not in neighbours(p.first), -p.moves)):
        if pair.first not in taken and pair.second not in taken:
            chosen.append((pair.first, pair.second))
        taken.update((pair.first, pair.second))
    return chosen if len(chosen) <= 2 else []  # many equal pairs are a bus that carries too little, not a row of bridges


def _must_differ(evidence: BusEvidence, buses: BusesRecord, first: str, second: str) -> bool:
    """Say whether the machine proves that two lines ought to differ now and then."""
    if first in CONTROL and second in CONTROL:
        return _strobes_must_differ(evidence, first, second)
    if first in CONTROL or second in CONTROL:
        return False
    if first in DATA and second in DATA:
        memory = evidence.memory
        least = QUARTER_BYTES if {first, second} == {"D6", "D7"} else PAIR_BYTES
        many = memory is not None and int((memory.fetched | memory.read).count()) >= PAIR_ADDRESSES and memory.values_read >= least
        return many or written_low(evidence, first) or written_low(evidence, second)
    if first in ADDRESS and second in ADDRESS:
        low, high = int(first[1:]), int(second[1:])
        if high < COUNTED_LINES:
            return bool(buses.refreshes >= REFRESHES_MIN // 2)
        if low < COUNTED_LINES and buses.refreshes >= REFRESHES_MIN // 2:
            return True  # the counter moves one of them, and the other carries I, which stands still
        unlike, _ = buses.operands.wired_and.get((low, high), (0, 0))
        return bool(unlike >= OPERANDS_MIN)  # the program asked for them to differ, and they never did
    # An address line that is always its data line's twin; few bytes, read over and over, may well be so by chance.
    twin = next(p for p in buses.pairs if (p.first, p.second) == (first, second))
    return evidence.requests >= TWIN_REQUESTS and twin.moves_driven >= MOVES_MIN and buses.data_values >= TWIN_BYTES


def _strobes_must_differ(evidence: BusEvidence, first: str, second: str) -> bool:
    """Say whether some class of request calls for one of two strobes and not the other, and shows both or neither."""
    counts = [evidence.strobes.get(name) for name in (first, second)]
    return any(count is not None and count.others >= ENOUGH_OTHERS and count.wrong >= MOVES_MIN for count in counts)


@rule(
    "address-line-stuck", "an address line that never follows", "fault", needs=(("MREQ", *ADDRESS),), judges=ADDRESS,
    suspects=blame.ADDRESS_STUCK,
    looks_for="one of A0 to A6 at rest while the refresh counter runs, or an address line at one level although operands call for the other",
    causes="a line shorted to ground or supply, a dead CPU output, a joint, or the lead",
    next_step="move the lead to a pin known to be live; then power off and measure the line against ground, +5 V and its neighbours",
    source="UM0080, refresh and instruction set; the checks: common practice",
    host=None, derails=True,
    speaks_for={"address-contradicted": "bus", "program-contradicted": "all"},
    picture=Picture(("MREQ", "RFSH", "A1", "A"), STORE, (done("lead-off", line="A1"),)),
)  # fmt: skip
def address_line_stuck(evidence: BusEvidence) -> Iterator[Found]:
    buses = evidence.buses
    if buses is None:
        return
    lead = _lead_proved(evidence)
    bridged = _bridged(evidence, buses)
    if bridged is not None:
        low, high, unlike, both_low = bridged
        yield Found(
            f"A{low} and A{high}, on neighbouring pins {LINE[f'A{low}'].pin} and {LINE[f'A{high}'].pin}, both low in {both_low} of {unlike} "
            "addresses that the program's operands give as different on them",
            (f"A{low}", f"A{high}"), both_low, evidence.first_request_s, evidence.last_request_s, suspects=blame.BRIDGE, confidence=LIKELY,
        )  # fmt: skip
        return
    stuck = list(_stuck_lines(evidence, buses))
    if len(stuck) == 2 and f"A{stuck[1][0]}" in neighbours(f"A{stuck[0][0]}") and all(" low " in text for _, text, _ in stuck):
        low, high = stuck[0][0], stuck[1][0]
        yield Found(
            f"{stuck[0][1]}, and {stuck[1][1]}: two neighbouring pins ({LINE[f'A{low}'].pin} and {LINE[f'A{high}'].pin}) that pull each other low",
            (f"A{low}", f"A{high}"), stuck[0][2] + stuck[1][2], evidence.first_request_s, evidence.last_request_s, suspects=blame.BRIDGE,
            confidence=FAIR,
        )  # fmt: skip
        return
    for bit, text, count in stuck:
        yield Found(
            text + (": memory answers as if it were right, so it is the lead" if lead else ""), (f"A{bit}",), count,
            evidence.first_request_s, evidence.last_request_s, suspects=blame.ADDRESS_LEAD if lead else None, confidence=STRONG,
        )  # fmt: skip


def _stuck_lines(evidence: BusEvidence, buses: BusesRecord) -> Iterator[Tuple[int, str, int]]:
    """Yield (bit, sentence, times) for each address line that does not follow the refresh counter or the operands."""
    for bit in range(16):
        level = evidence.line(f"A{bit}").level
        lost = _lost(buses, bit)
        quiet = buses.address_toggles[bit] <= AT_REST * max(1, evidence.requests)
        if bit < COUNTED_LINES and buses.refreshes >= REFRESHES_MIN and buses.refresh_toggles[bit] == 0 and quiet:
            text = f"A{bit} {level} throughout although the refresh address, counted on over {buses.refreshes} refreshes, must move it"
            yield bit, text, buses.refreshes
        elif lost and not _data_explains(buses, bit):
            held, asked = ("low", "high") if lost[2] else ("high", "low")
            yield bit, f"A{bit} {held} in {lost[0]} of {lost[1]} addresses that the program's operands give as {asked}", lost[0]


def _bridged(evidence: BusEvidence, buses: BusesRecord) -> Optional[Tuple[int, int, int, int]]:
    """Return (low, high, unlike, both low) of two neighbouring address lines that pull each other low, None when there are none."""
    operands = buses.operands
    for (low, high), (unlike, both_low) in operands.wired_and.items():
        lost = [operands.ones_lost[bit] for bit in (low, high)]
        alike = not evidence.line(f"A{low}").edges == 0 < evidence.line(f"A{high}").edges
        alike = alike and not evidence.line(f"A{high}").edges == 0 < evidence.line(f"A{low}").edges  # one that never moves alone is stuck
        if unlike >= OPERANDS_MIN and both_low >= LOST_SHARE * unlike and all(lost) and alike and f"A{high}" in neighbours(f"A{low}"):
            return low, high, unlike, both_low
    return None




@rule(
    "address-line-unsteady", "an address line that does not count", "fault", needs=(("MREQ", *ADDRESS),), judges=ADDRESS,
    suspects=blame.ADDRESS_UNSTEADY,
    looks_for="one of A0 to A6 that does not do what counting the refresh address calls for, or an upper line that is wrong both ways in "
    "the addresses that operands give",
    causes="a line that floats (dead CPU output, open joint) or is shorted to a signal, or the lead",
    next_step="move the lead to a pin known to be live; then measure the line's continuity from the CPU's pin to a memory chip, power off",
    source="UM0080, refresh and instruction set; the checks: common practice",
    host=None, derails=True,
    speaks_for={"address-contradicted": "bus", "program-contradicted": "all"},
    picture=Picture(("MREQ", "RFSH", "A1", "A"), STORE, (done("floating", line="A1"),), by_time=True),
)  # fmt: skip
def address_line_unsteady(evidence: BusEvidence) -> Iterator[Found]:
    buses = evidence.buses
    if buses is None:
        return
    lead = _lead_proved(evidence)
    for bit in range(COUNTED_LINES):
        # The lowest line that does not count is the odd one; those above it are judged by it.
        if buses.refreshes >= UNSTEADY_REFRESHES and buses.refresh_wrong[bit] > UNSTEADY_SHARE * buses.refreshes:
            if buses.refresh_toggles[bit]:
                yield Found(
                    f"A{bit} does not count with the refresh address: wrong in {buses.refresh_wrong[bit]} of {buses.refreshes} refreshes",
                    (f"A{bit}",), buses.refresh_wrong[bit], evidence.first_request_s, evidence.last_request_s,
                    suspects=blame.ADDRESS_LEAD if lead else None, confidence=LIKELY,
                )  # fmt: skip
            return
    operands = buses.operands
    for bit in range(COUNTED_LINES, 16):
        up, down = operands.zeros_lost[bit], operands.ones_lost[bit]
        if operands.compared >= UNSTEADY_OPERANDS and min(up, down) >= 2 and up + down > UNSTEADY_SHARE * operands.compared:
            if not _data_explains(buses, bit):
                yield Found(
                    f"A{bit} is wrong both ways in {up + down} of {operands.compared} addresses that the program's operands give",
                    (f"A{bit}",), up + down, evidence.first_request_s, evidence.last_request_s, suspects=blame.ADDRESS_LEAD if lead else None,
                    confidence=FAIR,
                )  # fmt: skip


UNSTEADY_SHARE = 0.12  #: refreshes that may miscount before a line is blamed: LD R,A and lost samples account for a few


def _lost(buses: BusesRecord, bit: int) -> Tuple[int, int, bool]:
    """Return (wrong, asked, asked for high) when an address line does not follow the operands, else an empty tuple."""
    operands = buses.operands
    for lost, asked, other_lost, other, high in (
        (operands.ones_lost[bit], operands.ones[bit], operands.zeros_lost[bit], operands.zeros[bit], True),
        (operands.zeros_lost[bit], operands.zeros[bit], operands.ones_lost[bit], operands.ones[bit], False),
    ):
        if asked >= OPERANDS_MIN and lost >= LOST_SHARE * asked and other_lost <= OTHER_WAY * max(1, other):
            return lost, asked, high
    return ()  # type: ignore[return-value]


def _data_explains(buses: BusesRecord, bit: int) -> bool:
    """Say whether the operand's data line is the odd one: then the address bit of the other operand byte is lost the other way too."""
    operands = buses.operands
    twin = bit ^ 8
    own = operands.ones_lost[bit] + operands.zeros_lost[bit]
    other = operands.ones_lost[twin] + operands.zeros_lost[twin]
    return bool(own and other >= EXCUSED * own)


def _lead_proved(evidence: BusEvidence) -> bool:
    """Say whether memory answers as if the bus were right: reads at one shown address give different bytes, as reads at two addresses would."""
    memory = evidence.memory
    return memory is not None and memory.unstable >= LEAD_READS and memory.unstable >= LEAD_SHARE * max(1, memory.repeated)


@rule(
    "data-lead-off", "the lead of a data line is off", "fault", needs=(("MREQ", *ADDRESS, *DATA),), judges=DATA,
    suspects=blame.DATA_LEAD_OFF,
    looks_for="a data line whose captured level contradicts the addresses that the CPU made of the bytes it read, and the bytes that it pushed",
    causes="the lead is off, on another pin, or the clip does not touch: the CPU itself reads the right bytes",
    next_step="reseat the lead of this data line and capture again", source="UM0080, instruction set",
    host=None, explains_its_lines=True,
    speaks_for={"program-misread": "lines", "written-byte-contradicted": "lines", "program-contradicted": "all"},
    picture=Picture(("MREQ", "RD", "D0", "D"), STORE_LOAD, (done("lead-off", line="D0"),)),
)  # fmt: skip
def data_lead_off(evidence: BusEvidence) -> Iterator[Found]:
    buses = evidence.buses
    if buses is None:
        return
    for bit, wrong, asked in contradicted_data(buses):
        if _input_dead(evidence, buses, bit):
            continue  # the line moves, and what the CPU writes shows right: the CPU's own input
        line = evidence.line(f"D{bit}")
        yield Found(
            f"D{bit} contradicted by the addresses that the CPU made of {wrong} of {asked} operand bytes: the CPU read the right bytes, the lead on "
            f"{pin_text(f'D{bit}')} did not ({line.edges} edges)",
            (f"D{bit}",), wrong, evidence.first_request_s, evidence.last_request_s, confidence=STRONG,
        )  # fmt: skip


@rule(
    "data-input-contradicted", "the CPU does not see a data line", "fault", needs=(("MREQ", *ADDRESS, *DATA),), judges=DATA,
    suspects=blame.DATA_INPUT,
    looks_for="a data line that moves on the bus and in writes, but not in the addresses that the CPU makes of what it reads",
    causes="the CPU's input is dead, or the pin has no contact with the socket or track that the lead sits on",
    next_step="clip the lead to the CPU's own leg, not the socket or track, and capture again: right there means the contact, wrong the CPU",
    source="UM0080, instruction set; the check: common practice",
    host=None, seen_astray=True, explains_its_lines=True,
    speaks_for={"program-misread": "lines", "written-byte-contradicted": "lines", "program-contradicted": "all"},
    picture=Picture(MEMORY, STORE_LOAD, (done("cpu-data-in-stuck", bit=0, level="low"),)),
)  # fmt: skip
def data_input_contradicted(evidence: BusEvidence) -> Iterator[Found]:
    buses = evidence.buses
    if buses is None:
        return
    for bit, wrong, asked in contradicted_data(buses):
        if _input_dead(evidence, buses, bit):
            yield Found(
                f"D{bit} moves on the bus, yet the addresses that the CPU made of {wrong} of {asked} operand bytes show it at another level",
                (f"D{bit}",), wrong, evidence.first_request_s, evidence.last_request_s, confidence=LIKELY,
            )  # fmt: skip


@rule(
    "data-output-contradicted", "the CPU does not write what it should", "fault", needs=(("MREQ", *ADDRESS, *DATA),), judges=DATA,
    suspects=blame.DATA_OUTPUT,
    looks_for="return addresses that calls push with one data line at a level that they do not have, while reads show the line right",
    causes="the CPU's output for that line is dead, its joint is open, or another chip drives the line during writes",
    next_step="scope the line at the CPU's leg during writes: a level between 0.8 and 2.0 V means that two drivers fight, a clean wrong level "
    "means the CPU",
    source="UM0080, instruction set; the check: common practice",
    host=None, seen_astray=True,
    speaks_for={"written-byte-contradicted": "lines", "program-contradicted": "all"},
    picture=Picture(MEMORY, STORE_LOAD, (done("cpu-data-out-stuck", bit=0, level="low"),)),
)  # fmt: skip
def data_output_contradicted(evidence: BusEvidence) -> Iterator[Found]:
    buses = evidence.buses
    if buses is None:
        return
    contradicted, pushes = {bit for bit, _, _ in contradicted_data(buses)}, buses.pushes
    found = [
        (bit, level, lost, asked) for bit in range(8) for lost, asked, other, level in (
            (pushes.ones_lost[bit], pushes.ones[bit], pushes.zeros_lost[bit], "low"),
            (pushes.zeros_lost[bit], pushes.zeros[bit], pushes.ones_lost[bit], "high"),
        ) if lost >= OPERANDS_MIN and lost >= LOST_SHARE * asked and other == 0 and bit not in contradicted and _moves_in_reads(evidence, bit)
    ]  # fmt: skip
    for bit, level, lost, asked in found if len(found) <= 2 else ():  # more of them are no single output's doing
        yield Found(
            f"D{bit} {level} in {lost} of {asked} bytes of return addresses that need it the other way, while it moves in reads",
            (f"D{bit}",), lost, evidence.first_request_s, evidence.last_request_s, confidence=STRONG,
        )  # fmt: skip


def contradicted_data(buses: BusesRecord) -> Iterator[Tuple[int, int, int]]:
    """Yield (data bit, wrong, compared) for data lines that the addresses made of operands contradict in both operand bytes."""
    if buses.operands.compared < 2 * OPERANDS_MIN:
        return
    operands = buses.operands
    wrong = [operands.ones_lost[k] + operands.zeros_lost[k] for k in range(16)]
    found = []
    for bit in range(8):
        total = wrong[bit] + wrong[bit + 8]
        if total >= OPERANDS_MIN and wrong[bit] and wrong[bit + 8] and _data_explains(buses, bit):
            found.append((bit, total, 2 * operands.compared))
    if len(found) <= 2:  # more of them are no single line's doing
        yield from found


@rule(
    "operands-contradicted", "the CPU reads other bytes than the bus ends with", "fault", needs=(("MREQ", *ADDRESS, *DATA),), judges=("ROM", "RAM"),
    suspects=blame.LATE_MEMORY,
    looks_for="addresses that the CPU makes of operands differing in many bits from the bytes captured just before the strobe's release",
    causes="memory too slow for the clock, so that its data settle after the CPU has taken them; a bus that two chips drive",
    next_step="compare the memory's speed grade with the clock; scope a data line against /RD: it must settle well before the release",
    source="UM0080, instruction set and data set-up times; the checks: common practice",
    host=None,
    picture=Picture(MEMORY, STORE_LOAD, (done("late-data", chip="ram", probability=0.9),)),
)  # fmt: skip
def operands_contradicted(evidence: BusEvidence) -> Iterator[Found]:
    buses = evidence.buses
    if buses is None:
        return
    operands = buses.operands
    wrong = operands.compared - operands.agreed
    lines = sum(1 for k in range(16) if operands.ones_lost[k] + operands.zeros_lost[k] >= SETTLES_BIT * max(wrong, 1))
    if operands.compared >= SETTLES_MIN and SETTLES_WRONG <= wrong < SETTLES_MOST * operands.compared and lines >= SETTLES_LINES:
        yield Found(
            f"{wrong} of {operands.compared} addresses that the CPU made of operands differ from the bytes captured, in {lines} bits", (), wrong,
            evidence.first_request_s, evidence.last_request_s, confidence=FAIR,
        )  # fmt: skip


def _moves_in_reads(evidence: BusEvidence, bit: int) -> bool:
    memory = evidence.memory
    if memory is None:
        return False
    return any(record.transfers >= ENOUGH_READS and record.constant(bit) is None for record in (memory.reads_rom, memory.reads_ram))


def _input_dead(evidence: BusEvidence, buses: BusesRecord, bit: int) -> bool:
    """Say whether a data line moves on the bus and the CPU takes no notice, rather than the lead showing what is not there.

    Its pushes show the line right; where it pushed nothing, what it understood has the line at one level throughout.
    """
    operands, pushes = buses.operands, buses.pushes
    understood = [operands.ones[k] - operands.ones_lost[k] + operands.zeros_lost[k] for k in (bit, bit + 8)]
    one_level = sum(understood) in (0, 2 * operands.compared)
    return _moves_in_reads(evidence, bit) and (_pushes_agree(pushes, bit) or (pushes.compared == 0 and one_level))


def _pushes_agree(pushes: Pushes, bit: int) -> bool:
    """Say whether what the CPU pushed shows this line right, both ways."""
    return bool(min(pushes.ones[bit], pushes.zeros[bit]) >= 2 and not pushes.ones_lost[bit] and not pushes.zeros_lost[bit])
