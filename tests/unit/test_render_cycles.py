"""Rows formatted in blocks say the same as rows formatted one by one, here with the standard library."""

from __future__ import annotations

import csv
import io
import json
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise.bus.model import KINDS, NOTES, MachineCycle
from strobewise.cycles.table import DTYPES, CycleTable
from strobewise_cli.render.cycles import COLUMNS, decimals, format_rows, header, time_text


def known(values):
    return st.none() | values


CYCLES = st.builds(
    MachineCycle,
    kind=st.sampled_from(KINDS),
    start=st.integers(-(10**12), 10**15),
    end=st.integers(-(10**12), 10**15),
    t_states=known(st.integers(0, 2**31 - 1) | st.integers(0, 30)),
    wait_states=known(st.integers(0, 2**15 - 1)),
    address=known(st.integers(0, 0xFFFF)),
    data=known(st.integers(0, 0xFF)),
    inferred=st.booleans(),
    note=st.sampled_from(NOTES),
)
TIMESCALES = st.sampled_from([10**e for e in range(16)] + [20_000_000, 25 * 10**5])


def plain_row(cycle: MachineCycle, timescale_fs: int) -> dict[str, object]:
    """What a row must say, by the slow way."""
    return {
        "start_s": Decimal(cycle.start) * timescale_fs / 10**15,
        "end_s": Decimal(cycle.end) * timescale_fs / 10**15,
        "kind": cycle.kind,
        "t_states": cycle.t_states,
        "wait_states": cycle.wait_states,
        "address": cycle.address,
        "data": cycle.data,
        "inferred": cycle.inferred,
        "note": cycle.note,
    }


def number(text: str) -> int | None:
    return int(text, 0) if text else None


@settings(deadline=None, max_examples=60)
@given(st.lists(CYCLES, max_size=20), TIMESCALES)
def test_csv_says_what_the_records_say(cycles, timescale):
    table = CycleTable.from_rows(cycles)
    text = (header("csv") + format_rows(table, timescale, "csv")).decode()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert text.splitlines()[0] == "start_s,end_s,kind,t_states,wait_states,address,data,inferred,note"
    for row, cycle in zip(rows, cycles, strict=True):
        said = {
            "start_s": Decimal(row["start_s"]), "end_s": Decimal(row["end_s"]), "kind": row["kind"],
            "t_states": number(row["t_states"]), "wait_states": number(row["wait_states"]), "address": number(row["address"]),
            "data": number(row["data"]), "inferred": row["inferred"] == "1", "note": row["note"],
        }  # fmt: skip
        assert said == plain_row(cycle, timescale)


@settings(deadline=None, max_examples=60)
@given(st.lists(CYCLES, max_size=20), TIMESCALES)
def test_json_lines_say_what_the_records_say(cycles, timescale):
    text = header("jsonl") + format_rows(CycleTable.from_rows(cycles), timescale, "jsonl")
    rows = [json.loads(line, parse_float=Decimal) for line in text.splitlines()]
    assert rows == [plain_row(cycle, timescale) for cycle in cycles]
    assert all(tuple(row) == COLUMNS for row in rows)


def test_a_row_as_the_contract_writes_it():
    cycle = MachineCycle("opcode_fetch", 123, 1266, 4, 0, 0x38, 0x3E, True, "halt")
    table = CycleTable.from_rows([cycle, MachineCycle("unknown", -5, 9, None, None, None, None, False, "")])
    assert format_rows(table, 10**6, "csv") == (
        b"0.000000123,0.000001266,opcode_fetch,4,0,0x0038,0x3e,1,halt\n-0.000000005,0.000000009,unknown,,,,,0,\n"
    )


def test_long_tables_are_cut_into_blocks_without_a_seam():
    start = np.arange(20_000, dtype=np.int64) * 10**5
    table = CycleTable.build(start=start, end=start + 1, kind=np.zeros(20_000, np.uint8))
    lines = format_rows(table, 10**6, "csv").splitlines()
    assert len(lines) == 20_000
    assert lines[12_345].startswith(b"1.234500000,1.234500001,")


@pytest.mark.parametrize(("timescale", "places"), [(10**6, 9), (10**15, 9), (10**5, 10), (10**3, 12), (1, 15), (2 * 10**7, 9)])
def test_times_are_exact_and_at_least_to_a_nanosecond(timescale, places):
    assert decimals(timescale) == places
    assert time_text(1, timescale) == f"{Decimal(timescale) / 10**15:.{places}f}"


def test_the_table_refuses_columns_of_another_type():
    columns = {name: np.zeros(2, dtype) for name, dtype in DTYPES.items()}
    with pytest.raises(ValueError, match=r"column 'data' must be int16 of shape \(2,\), not int32 of shape \(2,\)"):
        CycleTable(**{**columns, "data": np.zeros(2, np.int32)})
    with pytest.raises(ValueError, match=r"column 'end'"):
        CycleTable(**{**columns, "end": np.zeros(3, np.int64)})
