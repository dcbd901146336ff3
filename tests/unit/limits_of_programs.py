"""Limits of the rules that hold the buses, and what a program calls for, against what was captured."""

from __future__ import annotations

from typing import Any

from hand_made import evidence_of
from limits import BUS, Limit, fires, found, memory, says, severity
from test_prediction_rules import record

from strobewise.bus.lines import LINE, neighbours
from strobewise.records.buses import BusesRecord, Operands, Pair, Pushes
from strobewise.records.prediction import LineCount
from strobewise.records.replay import PARTED, Candidate, ReplayRecord
from strobewise.rules.blame import DATA_INPUT, DATA_INPUT_OR_LEAD
from strobewise.rules.buses import _data_explains, _groups, _lead_proved, _lost, _must_differ
from strobewise.rules.prediction import (
    _any_of_several,
    _bridge,
    _crossed_addresses,
    _misread,
    _moves,
    _stuck_address,
    _stuck_write,
    _swapped,
)
from strobewise.rules.replay import _lines

# --- the buses ---


def listed(value: int, place: int, length: int = 16) -> list[int]:
    return [value * (k == place) for k in range(length)]


def buses(operands: Operands | None = None, pairs: Any = (), refreshes: int = 0, **changes: Any) -> BusesRecord:
    values = {"address_toggles": [100_000] * 16, "refresh_toggles": [1000] * 7, "refresh_wrong": [0] * 7, "data_values": 16, **changes}
    return BusesRecord(
        list(pairs), refreshes, values["refresh_toggles"], values["refresh_wrong"], operands or Operands(), Pushes(),
        values["address_toggles"], values["data_values"],
    )  # fmt: skip


def with_buses(the_buses: BusesRecord, **changes: Any) -> Any:
    return evidence_of(buses=the_buses, captured=BUS, **changes)


def equal(moves: int = 24, addresses: int = 64, values: int = 16, lines: tuple[str, str] = ("D0", "D1")) -> Any:
    """Two data lines that are always equal, in memory with so many addresses and different bytes."""
    evidence = memory(addresses=addresses, values_read=values)
    evidence.buses = buses(pairs=[Pair(*lines, 2500, moves)])
    return _groups(evidence, evidence.buses)


def written_wrongly(low: int, high: int = 0) -> bool:
    """Two data lines that are always equal, in few bytes; the return addresses that are pushed show one of them low, or high, wrongly."""
    evidence = memory(addresses=8, values_read=4)
    evidence.buses = buses(pairs=[Pair("D2", "D7", 2500, 500)])
    evidence.buses.pushes = Pushes(compared=1000, ones_lost=listed(low, 2, 8), zeros_lost=listed(high, 2, 8))
    return _groups(evidence, evidence.buses) == [("D2", "D7")]


def twins(values: int = 16, requests: int = 2500) -> bool:
    return _must_differ(evidence_of(requests=requests), buses(pairs=[Pair("A9", "D1", 2500, 900, 24)], data_values=values), "A9", "D1")


def at_rest(bit: int = 3, refreshes: int = 256, changes: int = 0, requests: int = 2500) -> Any:
    record = buses(refreshes=refreshes, refresh_toggles=[0] * 7, address_toggles=[changes if k == bit else 100_000 for k in range(16)])
    return with_buses(record, requests=requests)


def followed(lost: int = 4, asked: int = 4, other: int = 0) -> bool:
    operands = Operands(ones=listed(asked, 9), ones_lost=listed(lost, 9), zeros=listed(1000, 9), zeros_lost=listed(other, 9))
    return bool(_lost(buses(operands), 9))


def miscounting(wrong: int, of: int) -> Any:
    return with_buses(buses(refreshes=of, refresh_wrong=listed(wrong, 3, 7)))


def both_ways(compared: int) -> Any:
    return with_buses(buses(Operands(compared=compared, ones_lost=listed(compared // 2, 9), zeros_lost=listed(compared // 2, 9))))


def twin(other: int) -> bool:
    return _data_explains(buses(Operands(ones_lost=[other * (k == 8) + 1000 * (k == 0) for k in range(16)])), 0)


def lead(unstable: int, repeated: int) -> bool:
    return _lead_proved(memory(unstable=unstable, repeated=repeated))


def settles(compared: int = 100, wrong: int = 50, lines: int = 6, each: int = 50) -> Any:
    lost = [each if k < lines else 0 for k in range(16)]
    return with_buses(buses(Operands(compared=compared, agreed=compared - wrong, ones_lost=lost)))


LATE = "operands-contradicted"
BUSES = (
    Limit("buses.MOVES_MIN", lambda n: bool(equal(n)), 24, 23),
    Limit("buses.TWIN_BYTES", twins, 16, 15),
    Limit("buses.COUNTED_LINES", fires("address-line-stuck", at_rest), 6, 7),
    Limit("buses.REFRESHES_MIN", fires("address-line-stuck", lambda n: at_rest(refreshes=n)), 256, 255),
    Limit("buses.OPERANDS_MIN", lambda n: followed(n, n), 4, 3),
    Limit("buses.LOST_SHARE", lambda n: followed(n, 1000), 900, 899),
    Limit("buses.OTHER_WAY", lambda n: followed(other=n), 100, 101),
    Limit("buses.PAIR_ADDRESSES", lambda n: bool(equal(addresses=n)), 48, 47),
    Limit("buses.QUARTER_BYTES", lambda n: bool(equal(values=n, lines=("D6", "D7"))), 48, 47),
    Limit("buses.PAIR_BYTES", lambda n: bool(equal(values=n)), 16, 15),
    Limit("written.LOW_MIN", written_wrongly, 6, 5),
    Limit("written.HIGH_SHARE", lambda n: written_wrongly(1000, n), 150, 151),
    Limit("buses.TWIN_REQUESTS", lambda n: twins(requests=n), 500, 499),
    Limit("buses.AT_REST", fires("address-line-stuck", lambda n: at_rest(changes=n, requests=10_000)), 100, 101),
    Limit("buses.UNSTEADY_REFRESHES", fires("address-line-unsteady", lambda n: miscounting(n, n)), 64, 63),
    Limit("buses.UNSTEADY_OPERANDS", fires("address-line-unsteady", both_ways), 16, 15),
    Limit("buses.UNSTEADY_SHARE", fires("address-line-unsteady", lambda n: miscounting(n, 1000)), 121, 120),
    Limit("buses.EXCUSED", twin, 300, 299),
    Limit("buses.LEAD_READS", lambda n: lead(n, 10), 4, 3),
    Limit("buses.LEAD_SHARE", lambda n: lead(n, 10_000), 200, 199),
    Limit("buses.SETTLES_MIN", fires(LATE, lambda n: settles(n, 6)), 16, 15),
    Limit("buses.SETTLES_WRONG", fires(LATE, lambda n: settles(wrong=n)), 6, 5),
    Limit("buses.SETTLES_MOST", fires(LATE, lambda n: settles(1000, n, each=900)), 699, 700),
    Limit("buses.SETTLES_LINES", fires(LATE, lambda n: settles(lines=n)), 6, 5),
    Limit("buses.SETTLES_BIT", fires(LATE, lambda n: settles(10_000, 1000, each=n)), 100, 99),
)  # fmt: skip

# --- the program ---


def lines(at: int, line: LineCount, length: int) -> list[LineCount]:
    return [line if k == at else LineCount() for k in range(length)]


def writes(*counts: int) -> bool:
    return _stuck_write(record(written=lines(3, LineCount(*counts), 8)), 3) is not None


def addresses(other: int = 0, its_twin: int = 0) -> bool:
    wrong = [LineCount(1000, 1000, 1000, other) if k == 8 else LineCount(its_twin, its_twin) if k == 0 else LineCount() for k in range(16)]
    return _stuck_address(record(address_wrong=wrong), 8) is not None


def swaps(pair: int, best: int, sought: int = 1000) -> bool:
    return _swapped(record({"D3<>D4": (pair, 0, 0, 0), "D3": (best, 0, 0, 0)}, sought=sought)) is not None


def alone(differs: int, total: int) -> Any:
    return evidence_of(prediction=record(sought=total, alone_wrong=listed(differs, 8)))


def moves(rarer: int, usual: int) -> bool:
    return _moves(record(levels=[LineCount(rarer, 0, 5000, 0), *[LineCount(usual, 0, usual, 0)] * 7]), 0)


def contradicted(times: int, instructions: int = 100) -> Any:
    return evidence_of(prediction=record(differences={"next": times}, instructions=instructions))


def misread(high: int = 0, right: int = 1000, against: int = 0) -> Any:
    """D3, captured low where the CPU acted as if it were high, 1000 times, and the other way; what was written shows it right so often."""
    return evidence_of(prediction=record(
        {"D3": (1000, high, 1000, high)}, sought=1000 + high, written=lines(3, LineCount(right + against, against), 8)
    ))  # fmt: skip


def bridged(unlike: int) -> bool:
    assert "A9" in neighbours("A8") and LINE["A8"].pin
    return _bridge(record(cycles=10_000, sought=20, alone_wrong=listed(20, 8), unlike={(8, 9): unlike})) is not None


def blamed(writes_right: int) -> Any:
    return found("program-misread", misread(right=writes_right))[0].suspects


MISREAD = "program-misread"
PREDICTION = (
    Limit("prediction.CONSISTENT_MIN", lambda n: writes(n, n), 6, 5),
    Limit("prediction.CONSISTENT_SHARE", lambda n: writes(1000, n), 900, 899),
    Limit("prediction.ALONE_TIMES", lambda n: _misread(record({"D3": (20, 0, 12, 0), "D5": (9, 0, n, 0)}, sought=40)), 3, 4, 3, None),
    Limit("prediction.EXPLAINED_SHARE", lambda n: _misread(record({"D3": (500, 0, 6, 0)}, sought=n)), 1000, 1001, 3, None),
    Limit("prediction.SWAPPED_SHARE", lambda n: swaps(n, 10), 800, 799),
    Limit("prediction.CROSSED_MIN", lambda n: _crossed_addresses(record(sought=n, exchanged={(0, 1): n})) is not None, 4, 3),
    Limit("prediction.LONE_MIN", fires("address-contradicted", lambda n: alone(n, n)), 12, 11),
    Limit("prediction.LONE_SHARE", fires("address-contradicted", lambda n: alone(n, 1000)), 700, 699),
    Limit("prediction.MOVES_MIN", lambda n: moves(n, 10), 3, 2),
    Limit("prediction.MOVES_SHARE", lambda n: moves(n, 1000), 200, 199),
    Limit("prediction.MANY", severity("program-contradicted", contradicted), 24, 23, "warning", "note"),
    Limit("prediction.MANY_SHARE", severity("program-contradicted", lambda n: contradicted(n, 10_000)), 200, 199, "warning", "note"),
    Limit("prediction.OTHER_WAY", lambda n: writes(1000, 1000, 1000, n), 150, 151),
    Limit("prediction.ADDRESS_OTHER_WAY", addresses, 50, 51),
    Limit("prediction.TWIN_SHARE", lambda n: addresses(its_twin=n), 100, 101),
    Limit("prediction.EXPLAINS_ALL", lambda n: bool(_any_of_several(record({"D3": (n, 0, 0, 0)}, sought=1000))), 900, 899),
    Limit("prediction.RUNNER_UP", lambda n: swaps(1000, n), 850, 851),
    Limit("prediction.ONE_WAY", says(MISREAD, "captured low where", misread), 50, 51),
    Limit("prediction.AGAINST", says(MISREAD, "although it moves", lambda n: misread(against=n)), 101, 102),
    Limit("prediction.WRITES_TOLD", says(MISREAD, "is right in", lambda n: misread(right=n)), 4, 3),
    Limit("prediction.WRITES_SURE", blamed, 8, 7, DATA_INPUT, DATA_INPUT_OR_LEAD),
    Limit("prediction.UNLIKE_SHARE", bridged, 20, 21),
)  # fmt: skip

# --- the known program ---


def named(number: int) -> int:
    return len(_lines([Candidate(1, "dead-high", "line", tuple(f"D{k}" for k in range(number)), None, (), "cpu", ("cpu",), 1)]))


def left(cycles: int = 1000, matched: int = 10) -> Any:
    return evidence_of(replay=ReplayRecord("x", 0.0, "reset", cycles, matched, PARTED, parted_s=0.001))


REPLAY = (
    Limit("replay.LINES_NAMED", named, 4, 5, 4, 4),
    Limit("replay.LINES_NAMED", named, 8, 3, 4, 3),
    Limit("replay.PARTS_LEAST", fires("program-left", left), 50, 49),
    Limit("replay.PARTS_SHARE", fires("program-left", lambda n: left(matched=n)), 900, 901),
)  # fmt: skip

PROGRAMS = [*BUSES, *PREDICTION, *REPLAY]
