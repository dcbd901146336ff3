"""The pin-level bench and the replay share one table of faults: what a fault does on the bench, its own hypothesis does beside the capture.

And more leads never make replay worse: what two leads name, eight and all of them name as well.
"""

from __future__ import annotations

import io
import sys
from collections import defaultdict
from pathlib import Path

import pytest

from strobewise.diagnosis.facade import examine
from strobewise.machine.faults import fault
from strobewise.machine.scenario import GENERIC, LINE_SETS
from strobewise.machine.simulate import simulate
from strobewise.profile.options import Options
from strobewise.records.replay import COMPLETE, LOST
from strobewise.replay import part
from strobewise.replay.board import FF, ReplayBoard
from strobewise.replay.catalogue import draw
from strobewise.replay.healthy import Setting, run_course
from strobewise.replay.known import known_program
from strobewise.replay.stimulus import stimulus_for

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
from long_program import long_program

sys.path.pop(0)

IMAGE = stimulus_for(GENERIC).image
OPTIONS = Options(clock_hz=GENERIC.clock_hz, profile=GENERIC, stimulus=True)
LEADS = {**LINE_SETS, "two": ("M1", "MREQ", "RESET")}
STROBES = {"M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "INT"}


def one_of_each():
    """Return a hypothesis of each kind and place, from the middle of its pool; strobes are seen by their own leads (by_lead.py)."""
    pools = defaultdict(list)
    for hypotheses in draw(known_program(OPTIONS), range(0x40)):
        for each in hypotheses:
            if each.undriven == FF and not STROBES & set(each.fault.lines):
                pools[each.fault.kind, each.place].append(each)
    return [pool[len(pool) // 2] for pool in pools.values()]


def capture(tmp_path, leads, *faults, duration_s=0.0015, image=IMAGE):
    path = tmp_path / f"{leads}.vcd"
    text = io.StringIO()
    simulate(lines=LEADS[leads], contents=((0, image),), faults=faults, duration_s=duration_s).write_vcd(text)
    path.write_text(text.getvalue())
    return path


@pytest.mark.parametrize("leads", ["two", "full"])
@pytest.mark.parametrize("hypothesis", one_of_each(), ids=lambda each: f"{each.fault.kind}-{each.place}")
def test_a_fault_of_the_bench_is_matched_by_its_own_hypothesis(tmp_path, monkeypatch, hypothesis, leads):
    kept = []
    monkeypatch.setattr(part, "search", lambda seen, program, evidence, without: kept.append((seen, program)))
    examine(str(capture(tmp_path, leads, hypothesis.fault)), OPTIONS)
    ((seen, program),) = kept
    outcome = run_course(seen, ReplayBoard(program.regions, hypothesis.fault, hypothesis.undriven), Setting(0)).outcome
    assert outcome.ended in (COMPLETE, LOST), (outcome.matched, len(seen))
    assert outcome.matched == len(seen) > 400 or outcome.ended == LOST


NAMED = [
    ("dead-high", {"line": "D2", "at": "line"}), ("dead-low", {"line": "A4", "at": "line"}), ("shorted", {"lines": ["D5", "D6"]}),
    ("shorted", {"lines": ["A8", "A9"]}), ("ram-missing", {"start": 0x4000, "end": 0x7FFF}),
    ("ram-bit-dead", {"bit": 3, "level": "low", "start": 0x4000, "end": 0x7FFF}),
    ("open-at-chip", {"line": "A3", "chip": "rom", "level": "high", "start": 0x0000, "end": 0x1FFF}),
]  # fmt: skip


LONG = long_program(1)
PROGRAMS = [("test program", IMAGE, each) for each in NAMED] + [("long program", LONG, NAMED[at]) for at in (0, 1, 2, 3, 6)]


@pytest.mark.parametrize(("program", "image", "wrong"), PROGRAMS, ids=lambda each: each if isinstance(each, str) else "")
def test_more_leads_never_make_it_worse(tmp_path, program, image, wrong):
    kind, values = wrong
    broken = fault(kind, **values)
    options = Options(clock_hz=GENERIC.clock_hz, profile=GENERIC, roms=((program, 0, image),))
    parts = {}
    for leads in ("two", "eight", "full"):
        path = capture(tmp_path, leads, broken, duration_s=0.003 if image is IMAGE else 0.0015, image=image)
        record = examine(str(path), options).evidence.replay
        parts[leads] = {c.lines or (str(c.region),) for c in record.candidates if c.group == 1}
    truth = set(broken.lines) or {str((values["start"], values["end"]))}
    assert parts["two"] and all(set(each) & truth for each in parts["two"])
    for leads in ("eight", "full"):
        assert parts[leads] and parts[leads] <= parts["two"], parts


def test_behind_a_reset_the_program_begins_with_its_first_fetch(tmp_path):
    """Three pushes in a row, again and again, look like an NMI and the long program's interrupt routine, met two cycles later."""
    wrong = fault("dead-low", line="D5", at="socket")
    options = Options(clock_hz=GENERIC.clock_hz, profile=GENERIC, roms=(("long", 0, LONG),))
    record = examine(str(capture(tmp_path, "two", wrong, image=LONG)), options).evidence.replay
    assert record.explains_all and {c.lines for c in record.candidates if c.group == 1} == {("D5",)}
