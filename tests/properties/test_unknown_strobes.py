"""Control strobes that are not known for a while, on machines with a fault: less may be said, never something else."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from strobewise import Options
from strobewise.diagnosis.facade import diagnose
from strobewise.machine import GENERIC, simulate

sys.path.insert(0, str(Path(__file__).resolve().parent))
from test_unknown_levels import MAPPED, SHOWN, as_tuples, blocks_of, by_line, codes_of, follows, numpy_rows, stream_rows, with_unknown

LATE, MIDDLE = "late first value", "z in the middle"


def written(shown):
    """Return the capture of a machine that trips a rule, each change on a line of its own, and the options to judge it by."""
    text = io.StringIO()
    settings = {"lines": "full", **shown.settings, "faults": shown.faults, **shown.wrong}
    simulate(**settings).write_vcd(text)
    machine = settings.get("machine", GENERIC)
    return by_line(text.getvalue()), Options(clock_hz=machine.clock_hz, profile=machine if machine.paging or machine == MAPPED else None)


SURE = 0.5  #: confidence from which a suspect is one


def judged(path, text, options):
    path.write_text(text)
    return diagnose([path], options)


def added(tmp_path, rule, channel, kind, begin, length, least=("fault", "warning")):
    """Return what is said of a capture with an unknown strobe besides what is said of the whole one, and whom it suspects in their place."""
    whole, options = written(SHOWN[rule])
    path = tmp_path / "x.vcd"
    right = judged(path, whole, options)
    found = judged(path, with_unknown(whole, kind, codes_of(whole)[channel], begin, length), options)
    before, after = {each.rule for each in right.findings}, {each.rule for each in found.findings if each.severity in least}
    others = {each.suspect for each in found.verdict.suspects if each.confidence >= SURE}
    others -= {"none", *(each.suspect for each in right.verdict.suspects)}
    return {each for each in after - before if not follows(each, before)} | others


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
