"""Unknown levels (x, z, not yet given) assert nothing, move nothing and blame nobody, whatever line they are on and whenever they come."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from strobewise import Options
from strobewise.bus.lines import ADDRESS, DATA, LINES
from strobewise.diagnosis.facade import diagnose
from strobewise.machine import GENERIC, LINE_SETS, BusRequest, simulate
from strobewise.rules import find_rule

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "differential"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit"))
from test_engines_agree import as_tuples, blocks_of, numpy_rows, stream_rows
from test_rules_simulated import MAPPED, SHOWN

SETTINGS = settings(
    deadline=None, max_examples=20, phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)  # fmt: skip
KINDS = ("x first", "never known", "z in the middle", "late first value")


def healthy(lines, seed, sample_hz=24_000_000):
    text = io.StringIO()
    simulate(machine=GENERIC, lines=lines, sample_hz=sample_hz, seed=seed, duration_s=0.0015,
             bus_requests=[BusRequest(first_t_states=1200, period_t_states=1900)]).write_vcd(text)  # fmt: skip
    return by_line(text.getvalue())


def by_line(text):
    """Return a capture with each change on a line of its own."""
    head, mark, body = text.partition("$enddefinitions $end")
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
@example("z in the middle", "MREQ", 552, "full", 0.14518955467435563, 0.6)  # the bus granted while /MREQ was not known
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


def has_bus(shown):
    lines = shown.settings.get("lines", "full")
    return "D0" in LINE_SETS.get(lines, lines)


#: Captures that trip a rule, are short, and show data.
TRIPPED = sorted(rule for rule, shown in SHOWN.items() if shown.settings.get("duration_s", 0.0) < 0.01 and has_bus(shown))


def follows(rule, shown):
    """Say whether a fault may be found in place of those that the whole capture shows: it follows from one, or is of its sort."""
    known = [find_rule(each) for each in shown]
    sort = find_rule(rule).sort
    return any(rule in each.consequences() or rule in each.speaks_for or (sort and each.sort == sort) for each in known)


@SETTINGS
@given(
    rule=st.sampled_from(TRIPPED), kind=st.sampled_from(("z in the middle", "late first value")), bit=st.integers(0, 23),
    begin=st.floats(0.05, 0.8), length=st.sampled_from((0.002, 0.1, 0.6)),
)  # fmt: skip
@example("nmi-bounces", "late first value", 14, 0.35, 0.6)  # a response whose address was not known was none
@example("nmi-bounces", "late first value", 18, 0.32, 0.1)
@example("nmi-bounces", "z in the middle", 17, 0.8, 0.1)  # what was written meanwhile took no byte's place
def test_a_bus_line_that_is_not_known_for_a_while_adds_no_fault(tmp_path, rule, kind, bit, begin, length):
    """Over all rules: of a machine that trips one, whatever is the matter with it."""
    shown, text = SHOWN[rule], io.StringIO()
    settings = {"lines": "full", **shown.settings, "faults": shown.faults, **shown.wrong}
    simulate(**settings).write_vcd(text)
    machine = settings.get("machine", GENERIC)
    options = Options(clock_hz=machine.clock_hz, profile=machine if machine.paging or machine == MAPPED else None)
    whole, codes, path = by_line(text.getvalue()), codes_of(text.getvalue()), tmp_path / "x.vcd"
    lines = [name for name in (*ADDRESS, *DATA) if name in codes]
    path.write_text(whole)
    before = {finding.rule for finding in diagnose([path], options).findings}
    path.write_text(with_unknown(whole, kind, codes[lines[bit % len(lines)]], begin, length))
    after = {finding.rule for finding in diagnose([path], options).findings if finding.severity == "fault"}
    if "program-contradicted" not in before:  # what a machine does that reads wrongly all the time hangs on each byte
        assert {each for each in after - before if not follows(each, before)} == set()


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
