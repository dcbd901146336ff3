"""The VCD that the bench writes, read back by the registry's VCD reader (pyvcd)."""

from __future__ import annotations

import io

import pytest
from machine_waves import WITH_PAGER
from vcd.reader import TokenKind, tokenize

from strobewise.bus.lines import ADDRESS, BIT, DATA
from strobewise.machine import LINE_SETS, Dialect, simulate
from strobewise.machine.vcd_text import LAYOUTS, NAMING, TIMESCALES, VcdText, label


def text_of(capture) -> str:
    out = io.StringIO()
    capture.write_vcd(out)
    return out.getvalue()


def read_back(text: str, lines: dict[str, str]) -> list[tuple[int, int]]:
    """Return (time, packed word) per time. lines: reference name -> canonical line."""
    bits: dict[str, list[int]] = {}
    word, time, found = 0, None, []
    for token in tokenize(io.BytesIO(text.encode())):
        if token.kind is TokenKind.VAR:
            name = token.var.reference
            buses = {"ADDR": ADDRESS, "DATA": DATA}
            bits[token.var.id_code] = [BIT[n] for n in buses[name]] if name in buses else [BIT[lines[name]]]
        elif token.kind is TokenKind.CHANGE_TIME:
            if time is not None:
                found.append((time, word))
            time = token.time_change
        elif token.kind in (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR):
            change = token.scalar_change if token.kind is TokenKind.CHANGE_SCALAR else token.vector_change
            for at, bit in enumerate(bits[change.id_code]):
                level = int(change.value) >> at & 1
                word = word & ~(1 << bit) | level << bit
    found.append((time, word))
    return found


DIALECTS = [
    Dialect(),
    Dialect(layout="lines", dumpvars=True, var_type="reg"),
    Dialect(vectors=True, timescale="100ps", spaced_timescale=False),
    Dialect(vectors=True, layout="lines", dumpvars=True),
    Dialect(timescale="10ns", id_length=3),
    Dialect(timescale="1ps"),
]


@pytest.mark.parametrize("dialect", DIALECTS, ids=str)
@pytest.mark.parametrize("lines", ["full_port", "sixteen", "two"])
def test_every_dialect_reads_back(dialect, lines):
    capture = simulate(machine=WITH_PAGER, lines=lines, dialect=dialect, duration_s=0.0003)
    names = dict(zip(capture.labels, LINE_SETS[lines], strict=True))
    found = read_back(text_of(capture), names)
    words = [(time, word) for time, word, _ in capture.words()]
    assert found[: len(words)] == words
    assert found[-1][0] == round(0.0003 * 1e12) // TIMESCALES[dialect.timescale]


@pytest.mark.parametrize("style", [*NAMING, "channels"])
def test_every_style_names_each_channel_once(style):
    names = label(LINE_SETS["full_port"], style)
    assert len(set(names)) == len(names) == len(LINE_SETS["full_port"])
    assert not any(" " in name for name in names)


@pytest.mark.parametrize(
    "style, expected",
    [
        ("plain", ["CLK", "M1", "A3", "D0"]), ("lower", ["clk", "m1", "a3", "d0"]), ("n_prefix", ["CLK", "nM1", "A3", "D0"]),
        ("slash", ["CLK", "/M1", "A3", "D0"]), ("tilde", ["CLK", "~M1", "A3", "D0"]), ("hash", ["CLK", "M1#", "A3", "D0"]),
        ("n_suffix", ["CLK", "M1_n", "A3", "D0"]), ("lower_n_suffix", ["clk", "m1_n", "a3", "d0"]),
        ("padded", ["CLK", "M1n", "A03", "D0"]), ("channels", ["CH0", "CH1", "CH2", "CH3"]),
    ],
)  # fmt: skip
def test_styles_of_names(style, expected):
    assert label(["CLK", "M1", "A3", "D0"], style) == expected


def test_the_header_word_for_word():
    text = VcdText(["M1", "MREQ"], ["nM1", "nMREQ"], Dialect(timescale="10ns", layout="lines", dumpvars=True))
    assert text.header(1 << BIT["M1"]) == (
        "$comment simulated capture $end\n$timescale 10 ns $end\n$scope module logic $end\n"
        "$var wire 1 ! nM1 $end\n$var wire 1 \" nMREQ $end\n$upscope $end\n$enddefinitions $end\n"
        "#0\n$dumpvars\n1!\n0\"\n$end\n"
    )


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_body_word_for_word(layout):
    out = io.StringIO()
    m1, d0 = 1 << BIT["M1"], 1 << BIT["D0"]
    VcdText(["M1", "D0"], ["M1", "D0"], Dialect(layout=layout)).write([(0, m1), (5, d0), (5 + 4, d0), (12, m1 | d0)], 20, out)
    body = out.getvalue().partition("$enddefinitions $end\n")[2]
    joint = " " if layout == "line" else "\n"
    assert body.split("\n")[-2] == "#20"
    assert body == f"#0{joint}1!{joint}0\"\n#5{joint}0!{joint}1\"\n#12{joint}1!\n#20\n"


def test_identifiers_stay_unique_beyond_one_character():
    lines = LINE_SETS["full_port"]
    text = VcdText(lines, lines, Dialect(id_length=4))
    identifiers = [signal.identifier for signal in text.signals]
    assert len(set(identifiers)) == len(lines) and {len(i) for i in identifiers} == {4}


def test_coarse_timescales_keep_the_last_state_of_each_time():
    capture = simulate(lines="control", dialect=Dialect(timescale="1us"), duration_s=0.0001)
    times = [t for t, _, _ in capture.words()]
    assert times == sorted(set(times)) and len(times) <= 101
