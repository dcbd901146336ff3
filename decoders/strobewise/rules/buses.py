"""Rules for lines against each other: shorted pairs, address lines that never follow, leads that prove to be off.

They read ``evidence.parts["buses"]`` (strobewise.evidence.buses.BusesRecord). That neighbouring pins are the likely bridges is common
practice; the refresh counter and the instructions that the witnesses rest on are UM0080's.
"""

from __future__ import annotations

from typing import Any, Iterator, List, Tuple

from ..bus.evidence import BusEvidence
from ..bus.lines import ADDRESS, CONTROL, DATA, LINE, bar, neighbours, pin_text
from .base import CAUTION_SOLDER, Found, Shares, rule
from .memory import runs_away

MOVES_MIN = 24  #: samples at the rarer level before two lines that are always equal are believed
COUNTED_LINES = 7  #: A0..A6 carry the refresh counter
REFRESHES_MIN = 256  #: twice round the counter
OPERANDS_MIN = 4
LOST_SHARE = 0.9

ANY: Tuple[Tuple[str, ...], ...] = (("MREQ",), ("RD", "WR"))
BRIDGE: Shares = (("connection", 0.62), ("glue", 0.14), ("probe_or_capture", 0.14), ("cpu", 0.1))


def _buses(evidence: BusEvidence) -> Any:
    return evidence.parts.get("buses")


@rule(
    "lines-shorted", "two lines that never differ", "fault", needs=ANY, judges=("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", *ADDRESS, *DATA),
    suspects=BRIDGE,
    looks_for="two lines at the same level in every request, although each of them moves and the bus calls for them to differ",
    causes="a solder bridge (most likely between neighbouring pins), a cracked board with a sliver across two tracks, a bent socket pin, "
    "two clips that touch",
    next_step="take the clips off, power off, and measure the resistance between the two pins; then inspect the socket and the tracks "
    "between them",
    source="common practice", caution=CAUTION_SOLDER,
)  # fmt: skip
def lines_shorted(evidence: BusEvidence) -> Iterator[Found]:
    buses = _buses(evidence)
    memory = evidence.parts.get("memory")
    if buses is None or (memory is not None and runs_away(memory)):
        return
    for first, second in _groups(evidence, buses):
        pair = next(p for p in buses.pairs if (p.first, p.second) == (first, second))
        side_by_side = second in neighbours(first)
        where = f", on neighbouring pins {LINE[first].pin} and {LINE[second].pin}" if side_by_side else ""
        yield Found(
            f"{bar(first)} and {bar(second)} equal in all {pair.samples} requests, {pair.moves} of them at the rarer level{where}",
            (first, second), pair.samples, evidence.first_request_s, evidence.last_request_s, confidence=0.93 if side_by_side else 0.88,
        )  # fmt: skip


def _groups(evidence: BusEvidence, buses: Any) -> List[Tuple[str, str]]:
    """Return the always-equal pairs that a healthy machine could not show."""
    return [(p.first, p.second) for p in buses.pairs if p.moves >= MOVES_MIN and _must_differ(evidence, buses, p.first, p.second)]


def _must_differ(evidence: BusEvidence, buses: Any, first: str, second: str) -> bool:
    """Say whether the machine proves that two lines ought to differ now and then."""
    if first in CONTROL and second in CONTROL:
        return _strobes_must_differ(evidence, first, second)
    if first in CONTROL or second in CONTROL:
        return False
    if first in DATA and second in DATA:
        memory = evidence.parts.get("memory")
        return memory is not None and int((memory.fetched | memory.read).count()) >= 48
    if first in ADDRESS and second in ADDRESS:
        low, high = int(first[1:]), int(second[1:])
        if high < COUNTED_LINES:
            return bool(buses.refreshes >= REFRESHES_MIN // 2)
        unlike, _ = buses.operands.wired_and.get((low, high), (0, 0))
        return bool(unlike >= OPERANDS_MIN)  # the program asked for them to differ, and they never did
    return bool(buses.address_toggles and evidence.requests >= 500)  # an address line that is always its data line's twin


def _strobes_must_differ(evidence: BusEvidence, first: str, second: str) -> bool:
    """Say whether some class of request calls for one of two strobes and not the other, and shows both or neither."""
    counts = [evidence.strobes.get(name) for name in (first, second)]
    return any(count is not None and count.others >= 50 and count.wrong >= MOVES_MIN for count in counts)


@rule(
    "address-line-stuck", "an address line that never follows", "fault", needs=(("MREQ", *ADDRESS),), judges=ADDRESS,
    suspects=(("address_bus", 0.4), ("connection", 0.25), ("probe_or_capture", 0.2), ("cpu", 0.15)),
    looks_for="one of A0 to A6 at rest while the refresh counter runs, or an address line at one level although operands call for the other",
    causes="a line shorted to ground or supply, a dead CPU output, a joint, or the lead",
    next_step="move the lead to a pin known to be live; then power off and measure the line against ground, +5 V and its neighbours",
    source="UM0080, refresh and instruction set; the checks: common practice",
)  # fmt: skip
def address_line_stuck(evidence: BusEvidence) -> Iterator[Found]:
    buses = _buses(evidence)
    if buses is None:
        return
    lead = _lead_proved(evidence)
    for bit in range(16):
        line = evidence.line(f"A{bit}")
        level = "high" if (line.high_fraction or 0) > 0.5 else "low"
        lost = _lost(buses, bit)
        quiet = buses.address_toggles[bit] <= 0.01 * max(1, evidence.requests)
        if bit < COUNTED_LINES and buses.refreshes >= REFRESHES_MIN and buses.refresh_toggles[bit] == 0 and quiet:
            text = f"A{bit} {level} throughout although the refresh address, counted on over {buses.refreshes} refreshes, must move it"
        elif lost and not _data_explains(buses, bit):
            text = f"A{bit} {'low' if lost[2] else 'high'} in {lost[0]} of {lost[1]} addresses that the program's operands give as {'high' if lost[2] else 'low'}"
        else:
            continue
        yield Found(
            text + (": the program runs as if it were right, so it is the lead" if lead else ""), (f"A{bit}",), lost[0] if lost else buses.refreshes,
            evidence.first_request_s, evidence.last_request_s,
            suspects=(("probe_or_capture", 0.72), ("connection", 0.16), ("address_bus", 0.12)) if lead else None, confidence=0.9,
        )  # fmt: skip


def _lost(buses: Any, bit: int) -> Tuple[int, int, bool]:
    """Return (wrong, asked, asked for high) when an address line does not follow the operands, else an empty tuple."""
    operands = buses.operands
    for lost, asked, other_lost, other, high in (
        (operands.ones_lost[bit], operands.ones[bit], operands.zeros_lost[bit], operands.zeros[bit], True),
        (operands.zeros_lost[bit], operands.zeros[bit], operands.ones_lost[bit], operands.ones[bit], False),
    ):
        if asked >= OPERANDS_MIN and lost >= LOST_SHARE * asked and other_lost <= 0.1 * max(1, other):
            return lost, asked, high
    return ()  # type: ignore[return-value]


def _data_explains(buses: Any, bit: int) -> bool:
    """Say whether the operand's data line is the odd one: then the address bit of the other operand byte is lost the other way too."""
    operands = buses.operands
    twin = bit ^ 8
    own = operands.ones_lost[bit] + operands.zeros_lost[bit]
    other = operands.ones_lost[twin] + operands.zeros_lost[twin]
    return bool(own and other >= 0.3 * own)


def _lead_proved(evidence: BusEvidence) -> bool:
    """Say whether memory answers as if the bus were right: reads at one shown address give different bytes, as reads at two addresses would."""
    memory = evidence.parts.get("memory")
    return memory is not None and memory.unstable >= 4 and memory.unstable >= 0.02 * max(1, memory.repeated)


@rule(
    "data-lead-off", "the lead of a data line is off", "fault", needs=(("MREQ", *ADDRESS, *DATA),), judges=DATA,
    suspects=(("probe_or_capture", 0.75), ("connection", 0.2)),
    looks_for="a data line whose captured level contradicts the addresses that the CPU made of the bytes it read",
    causes="the lead is off, on another pin, or the clip does not touch: the CPU itself reads the right bytes",
    next_step="reseat the lead of this data line and capture again", source="UM0080, instruction set",
)  # fmt: skip
def data_lead_off(evidence: BusEvidence) -> Iterator[Found]:
    buses = _buses(evidence)
    if buses is None or buses.operands.compared < 2 * OPERANDS_MIN:
        return
    operands = buses.operands
    for bit in range(8):
        wrong = [operands.ones_lost[k] + operands.zeros_lost[k] for k in (bit, bit + 8)]
        asked = operands.compared
        if sum(wrong) < OPERANDS_MIN or not all(wrong) or not _data_explains(buses, bit):
            continue
        level = "high" if sum(operands.ones_lost[k] for k in (bit, bit + 8)) > sum(operands.zeros_lost[k] for k in (bit, bit + 8)) else "low"
        one_way = min(sum(operands.ones_lost[k] for k in (bit, bit + 8)), sum(operands.zeros_lost[k] for k in (bit, bit + 8)))
        if one_way > 0.3 * sum(wrong):
            continue  # wrong both ways: swapped leads, which have their own rule
        line = evidence.line(f"D{bit}")
        yield Found(
            f"D{bit} captured {level} in operands whose addresses show the opposite, {wrong[0]} times on A{bit} and {wrong[1]} times on "
            f"A{bit + 8} among {asked}: the CPU read the right bytes, the lead on {pin_text(f'D{bit}')} did not ({line.edges} edges)",
            (f"D{bit}",), sum(wrong), evidence.first_request_s, evidence.last_request_s, confidence=0.9,
        )  # fmt: skip
