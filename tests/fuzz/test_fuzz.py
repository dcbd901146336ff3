"""The fuzz targets over the kept corpus, and over what hypothesis makes of it."""

from __future__ import annotations

import random
import subprocess
import sys

import pytest
from command_lines import COMMANDS, OPTIONS, OTHERS, VOCABULARY, bytes_of, words_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from targets import CORPUS, TARGETS

_HELD = {target.__name__: target for target in TARGETS}  #: held to their time and memory
capture, reader, page, command_line = _HELD["capture"], _HELD["reader"], _HELD["page"], _HELD["command_line"]
scope, session, raw, sheet, beside = _HELD["scope"], _HELD["session"], _HELD["raw"], _HELD["sheet"], _HELD["beside"]
profile, scenario, expectations = _HELD["profile"], _HELD["scenario"], _HELD["expectations"]
SEEDS = {name: sorted((CORPUS / name).iterdir()) for name in set(TARGETS.values())}
QUICK = settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))

#: Words that a VCD is made of, and some that it is not.
WORDS = [
    b"$timescale", b"1", b"ns", b"$end", b"$var", b"wire", b"reg", b"real", b"64", b"8", b"!", b'"', b"M1", b"MREQ", b"A", b"[7:0]", b"[0]",
    b"$scope", b"module", b"$upscope", b"$enddefinitions", b"$dumpvars", b"$dumpoff", b"$comment", b"#0", b"#10", b"#11", b"#-1",
    b"#99999999999999999999", b"0!", b"1!", b"x!", b"Z!", b"b1010", b"bxz", b"r1.5", b"rnan", b"s\xff", b"\x00", b"\x1b[2J", b"$", b"#",
]  # fmt: skip


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.__name__)
def test_the_corpus(target):
    seeds = SEEDS[TARGETS[target]]
    assert len(seeds) > 3
    for seed in seeds:
        target(seed.read_bytes())


@QUICK
@given(st.lists(st.sampled_from(WORDS), max_size=60), st.sampled_from([b" ", b"\n", b"\r\n", b"\t"]))
def test_words_in_any_order(words, blank):
    capture(blank.join(words))
    reader(b'$var wire 1 ! M1 $end $var wire 8 " A $end $enddefinitions $end\n' + blank.join(words))


@QUICK
@given(st.integers(0, 2**32), st.integers(0, len(SEEDS["capture"]) - 1))
def test_mutated_captures(seed, which):
    reader(mutated(SEEDS["capture"][which].read_bytes()[:4000], random.Random(seed)))


@QUICK
@given(st.integers(0, 2**32), st.integers(0, len(SEEDS["scope"]) - 1))
def test_mutated_csv(seed, which):
    scope(mutated(SEEDS["scope"][which].read_bytes()[:4000], random.Random(seed)))


@QUICK
@given(st.integers(0, 2**32), st.integers(0, len(SEEDS["session"]) - 1))
def test_mutated_sessions(seed, which):
    session(mutated(SEEDS["session"][which].read_bytes(), random.Random(seed)))


@QUICK
@given(st.integers(0, 2**32), st.integers(0, len(SEEDS["toml"]) - 1))
def test_mutated_tables(seed, which):
    data = mutated(SEEDS["toml"][which].read_bytes(), random.Random(seed))
    for target in (profile, scenario, expectations):
        target(data)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["version", "name", "clock_hz", "memory", "kind", "start", "end", "lines", "paging", "fetch_at", "capture", "files", "map",
     "verdict", "state", "findings", "allowed", "cycles", "opcode_fetch", "limits", "timing_ns", "M1 rise", "required", "forbidden",
     "count", "digest", "machine", "faults", "program", "seed", "duration_s", "A", "M1", "lodger"]
)  # fmt: skip
TABLES = st.recursive(
    st.dictionaries(KEYS, VALUES, max_size=4), lambda inner: st.dictionaries(KEYS, inner | VALUES, max_size=4), max_leaves=8
)
CSV_LINES = st.lists(st.sampled_from([b"time,a", b"0,1", b"1e-6,2.5", b"nan,inf", b"x", b"0.1 0.2", b'"a', b";"])).map(b"\n".join)


LATEST = 4 * 10**18  #: the greatest time that a capture may have
MOMENTS = st.integers(0, 20) | st.integers(0, LATEST) | st.integers(LATEST - 20, LATEST) | st.sampled_from([2**53, 2**53 + 1, 2**61])
SCALES = st.sampled_from([f"{count} {unit}" for count in (1, 10, 100) for unit in ("s", "us", "ns", "fs")])
HELD = "CLK M1 MREQ IORQ RD WR RFSH HALT RESET WAIT".split()


@QUICK
@given(SCALES, st.lists(st.tuples(MOMENTS, st.lists(st.sampled_from("01x"), min_size=10, max_size=10)), min_size=1, max_size=14))
def test_pages_of_any_times(scale, moments):
    """The widest windows, the latest times: nothing is counted in floats that hold fewer digits, nor beyond what an integer holds."""
    declared = "".join(f"$var wire 1 {chr(97 + at)} {name} $end\n" for at, name in enumerate(HELD))
    body = "".join(f"#{time} " + "".join(f"{level}{chr(97 + at)} " for at, level in enumerate(levels)) for time, levels in sorted(moments))
    page(f"$timescale {scale} $end\n{declared}$enddefinitions $end\n{body}".encode())


@QUICK
@given(TABLES)
def test_tables_of_the_right_keys_with_any_values(table):
    import tomlkit

    try:
        data = tomlkit.dumps(without_none(table)).encode("utf-8", "surrogatepass")
    except (ValueError, TypeError, RecursionError):
        return  # what TOML cannot say
    for target in (profile, scenario, expectations):
        target(data)


@QUICK
@given(
    st.sampled_from(COMMANDS),
    st.lists(st.sampled_from(OTHERS), max_size=2),
    st.lists(st.tuples(st.sampled_from(OPTIONS), st.sampled_from(OTHERS)).map(lambda pair: bytes_of(*pair)), max_size=3),
    st.binary(max_size=6),
)
def test_command_lines(command, inputs, options, rest):
    command_line(bytes_of(command, *inputs) + b"".join(options) + rest)


@QUICK
@given(st.binary(max_size=40))
def test_any_bytes_as_a_command_line(data):
    command_line(data)


def test_the_words_of_command_lines():
    """The target is worth no more than its words: all can be said, joined, spelt out; numbers that are spelt out are none."""
    assert len(VOCABULARY) < 250
    assert words_of(bytes_of("diagnose", "two.vcd", "--json", "-")) == ["diagnose", "two.vcd", "--json", "-"]
    assert words_of(bytes_of("lines", "A=") + b"\xfa" + bytes_of("M1,MREQ")) == ["lines", "A=M1,MREQ"]
    assert words_of(b"\xff\x05a/b19") == ["a_b00"]
    assert words_of(bytes_of("survey", "many") + b"\xff\x0b--scheduler") == ["survey", "many"]


@QUICK
@given(st.binary(max_size=400))
def test_any_bytes_as_raw_samples(data):
    raw(data)


@QUICK
@given(st.integers(0, 2**32), st.integers(0, len(SEEDS["sheet"]) - 1))
def test_mutated_sheets(seed, which):
    data = mutated(SEEDS["sheet"][which].read_bytes(), random.Random(seed))
    sheet(data)
    beside(data)


def test_a_target_is_held_to_its_time_and_memory(monkeypatch):
    import targets

    quick = targets.held(lambda data: bytearray(len(data)))
    quick(b"x")
    monkeypatch.setattr(targets, "SECONDS", 0.0)
    with pytest.raises(AssertionError, match="too slow"):
        quick(b"x")
    monkeypatch.setattr(targets, "SECONDS", 0.2)
    with pytest.raises(AssertionError, match="too slow: stopped"):
        targets.held(lambda _: [None for _ in iter(int, 1)])(b"x")
    busy = [sys.executable, "-c", "import time\nwhile time.process_time() < 0.4: pass"]
    with pytest.raises(AssertionError, match="too slow"):
        targets.held(lambda _: subprocess.run(busy, check=True))(b"x")
    monkeypatch.setattr(targets, "SECONDS", 60.0)
    monkeypatch.setattr(targets, "MEMORY", 0)
    with pytest.raises(AssertionError, match="too large"):
        quick(b"x")


@QUICK
@given(st.binary(max_size=200) | CSV_LINES)
def test_any_bytes_as_a_scopes_csv(data):
    scope(data)


def without_none(value):
    if isinstance(value, dict):
        return {key: without_none(inner) for key, inner in value.items() if inner is not None}
    return [without_none(inner) for inner in value if inner is not None] if isinstance(value, list) else value


def mutated(data, chance):
    """Return bytes with a few of them changed, doubled, moved or left out."""
    data = bytearray(data)
    for _ in range(chance.randint(1, 6)):
        if not data:
            break
        at, length = chance.randrange(len(data)), chance.randint(1, 40)
        what = chance.randrange(4)
        if what == 0:
            data[at] = chance.randrange(256)
        elif what == 1:
            del data[at : at + length]
        elif what == 2:
            data[at:at] = data[at : at + length] * chance.randint(1, 3)
        else:
            there = chance.randrange(len(data))
            data[at : at + length], data[there : there + length] = data[there : there + length], data[at : at + length]
    return bytes(data)
