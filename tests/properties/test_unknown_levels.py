"""Unknown levels (x, z, not yet given) assert nothing, move nothing and blame nobody, whatever line they are on and whenever they come."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from strobewise.bus.lines import LINES
from strobewise.diagnosis.facade import diagnose
from strobewise.machine import GENERIC, LINE_SETS, BusRequest, simulate

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "differential"))
from test_engines_agree import as_tuples, blocks_of, numpy_rows, stream_rows

SETTINGS = settings(
    deadline=None, max_examples=20, phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)  # fmt: skip
KINDS = ("x first", "never known", "z in the middle", "late first value")


def healthy(lines, seed, sample_hz=24_000_000):
    text = io.StringIO()
    simulate(machine=GENERIC, lines=lines, sample_hz=sample_hz, seed=seed, duration_s=0.0015,
             bus_requests=[BusRequest(first_t_states=1200, period_t_states=1900)]).write_vcd(text)  # fmt: skip
    head, mark, body = text.getvalue().partition("$enddefinitions $end")
    return head + mark + body.replace(" ", "\n")


def codes_of(text):
    """Return the identifier code of each line of a capture, by name."""
    return {name.lstrip("n/_").upper(): code for code, name in re.findall(r"\$var\s+\w+\s+1\s+(\S+)\s+(\S+)", text)}


def with_unknown(text, kind, code, begin=0.4, length=0.1):
    """Return the capture with unknown levels on one channel (or, at the start, on all)."""
    head, mark, body = text.partition("$enddefinitions $end")
    rows = body.split("\n")
    stamps = [at for at, row in enumerate(rows) if row.startswith("#")]
    own = re.compile(rf"[01]{re.escape(code)}")
    if kind == "x first":
        first = int(rows[stamps[0]][1:])
        dump = [f"#{first}", "$dumpvars", *(f"x{each}" for each in codes_of(text).values()), "$end"]
        rows[stamps[0]] = f"#{first + 1}"
        rows = rows[: stamps[0]] + dump + rows[stamps[0] :]
    elif kind == "never known":
        rows = [row for row in rows if not own.fullmatch(row)]
    else:
        start = 0 if kind == "late first value" else stamps[int(begin * len(stamps))]
        end = stamps[min(len(stamps) - 2, int((begin + length) * len(stamps)))]
        before = [row for row in rows[:end] if own.fullmatch(row)]
        middle = [row for row in rows[start:end] if not own.fullmatch(row)]
        if kind == "z in the middle":
            middle.insert(1, f"z{code}")
        rows = [*rows[:start], *middle, rows[end], *before[-1:], *rows[end + 1 :]]
    return head + mark + "\n".join(rows)


@SETTINGS
@given(
    kind=st.sampled_from(KINDS), line=st.sampled_from([line.name for line in LINES if line.pin is not None]), seed=st.integers(0, 10_000),
    leads=st.sampled_from(("full", "sixteen", "eight")), begin=st.floats(0.05, 0.8), length=st.sampled_from((0.002, 0.1, 0.6)),
)  # fmt: skip
@example("late first value", "D5", 3600, "full", 0.3870431039622742, 0.1)  # pushed while a data line was not known, returned to later
@example("late first value", "CLK", 622, "full", 0.36445062152901947, 0.1)  # the bus granted before the first edge of CLK that is known
def test_a_healthy_machine_stays_healthy_and_both_engines_agree(tmp_path, kind, line, seed, leads, begin, length):
    text = healthy(LINE_SETS[leads], seed)
    codes = codes_of(text)
    code = codes.get(line) or sorted(codes.values())[seed % len(codes)]
    path = tmp_path / "x.vcd"
    path.write_text(with_unknown(text, kind, code, begin, length))
    said = diagnose([path])
    assert [finding for finding in said.findings if finding.severity == "fault"] == []
    blocks, captured, timescale = blocks_of(path)
    assert stream_rows(blocks, captured, timescale) == as_tuples(numpy_rows(blocks, captured, timescale))


@pytest.mark.parametrize("line", ["M1", "RD", "WR", "NMI", "RESET", "CLK", "BUSACK", "A5", "D3"])
def test_a_line_that_is_never_known_is_not_captured(tmp_path, line):
    text = healthy(LINE_SETS["full"], 3)
    path = tmp_path / "x.vcd"
    path.write_text(with_unknown(text, "never known", codes_of(text)[line]))
    said = diagnose([path])
    state = next(state for state in said.lines if state.line == line)
    assert (state.state, state.high_fraction) == ("not_captured", None)
    assert "never known" in state.remark
    assert not [finding for finding in said.findings if finding.severity == "fault"]
    assert said.evidence.cycles["opcode_fetch"] > 200
    assert line not in said.evidence.captured


def test_cycles_around_an_unknown_stretch_have_no_length(tmp_path):
    text = healthy(LINE_SETS["full"], 5)
    path, whole = tmp_path / "x.vcd", tmp_path / "whole.vcd"
    whole.write_text(text)
    path.write_text(with_unknown(text, "z in the middle", codes_of(text)["MREQ"]))
    rows, right = (numpy_rows(*blocks_of(each)) for each in (path, whole))
    assert len(rows) < len(right)
    starts = {row.start: row for row in right}
    lost = [at for at, row in enumerate(rows[:-1]) if row.t_states is None]
    assert 1 <= len(lost) < 0.2 * len(rows)
    assert lost == list(range(lost[0], lost[-1] + 1))  # one stretch, and none elsewhere
    assert all(row.t_states is None or row.t_states == starts[row.start].t_states for row in rows)


def test_a_strobe_that_is_not_known_proves_no_other(tmp_path):
    """A request without /RD is a write only where /RD is known to have stayed away."""
    text = healthy(LINE_SETS["full"], 5)
    path, whole = tmp_path / "x.vcd", tmp_path / "whole.vcd"
    whole.write_text(text)
    path.write_text(with_unknown(text, "z in the middle", codes_of(text)["RD"]))
    rows, right = (numpy_rows(*blocks_of(each)) for each in (path, whole))
    starts = {row.start: row.kind for row in right}
    changed = {(starts[row.start], row.kind) for row in rows if row.start in starts and starts[row.start] != row.kind}
    assert changed and changed <= {("memory_read", "memory_access"), ("io_read", "unknown"), ("memory_read", "unknown")}
