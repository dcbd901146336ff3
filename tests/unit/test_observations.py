"""What is said beside the findings: interrupts, paging, edges against the clock."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import pytest

from conftest import TRACES
from strobewise import Options, diagnose
from strobewise.bus.model import KIND_INDEX
from strobewise.bus.timing import GRADES
from strobewise.diagnosis.observations import _delays, observations
from strobewise.evidence.timing import interrupt_mode
from strobewise.machine import GENERIC, simulate
from strobewise.profile.machine import load_profile
from strobewise.records.timing import Delay, TimingRecord
from strobewise_cli.render.diagnosis_json import document

ACK, FETCH, READ, WRITE = (KIND_INDEX[kind] for kind in ("interrupt_acknowledge", "opcode_fetch", "memory_read", "memory_write"))


def response(byte, *cycles):
    return [(ACK, 0x1234, byte), (WRITE, 0x7FFF, 0x12), (WRITE, 0x7FFE, 0x34), *cycles]


@pytest.mark.parametrize(
    ("cycles", "mode"),
    [  # UM0080, interrupt response
        (response(0x20, (READ, 0x1020, 0x00), (READ, 0x1021, 0x80)), "2"),
        (response(0x20, (READ, 0x1020, 0x00)), None),
        (response(0x20, (FETCH, 0x0038, 0xF5), (WRITE, 0, 0)), "1"),
        (response(0xFF, (FETCH, 0x0038, 0xF5), (WRITE, 0, 0)), "0 or 1"),
        (response(-1, (FETCH, -1, -1)), "0 or 1"),
        (response(0xE7, (FETCH, 0x0020, 0xF5)), "0"),
        (response(0xFF), None),
        ([(ACK, 0, 0xCD), (READ, 0, 0)], None),
    ],
)
def test_the_mode_by_what_follows_the_acknowledge(cycles, mode):
    assert interrupt_mode(cycles) == mode


def seen(path, **options):
    diagnosis = diagnose([str(path)], Options(**options))
    return {what.topic: what.text for what in observations(diagnosis.evidence)}, document(diagnosis)


def test_interrupts_agree_with_what_was_simulated(tmp_path):
    simulated = simulate(machine=replace(GENERIC, interrupt_period_t_states=6000), lines="full", duration_s=0.006, sample_hz=24_000_000)
    text = io.StringIO()
    simulated.write_vcd(text)
    path = tmp_path / "interrupts.vcd"
    path.write_text(text.getvalue())
    words, body = seen(path)
    told = body["interrupts"]
    count = sum(row["kind"] == "interrupt_acknowledge" for row in simulated.truth["cycles"])
    assert count >= 2
    assert told["acknowledged"] == count
    assert told["period_s"] == pytest.approx(6000 / GENERIC.clock_hz, rel=0.01)
    assert sum(told["modes"].values()) in (count, count - 1)  # the last one may be cut off
    assert f"acknowledged {count} times" in words["interrupts"]


def test_paging_is_told_with_each_trigger():
    machine = load_profile(str(TRACES / "machines" / "dunlin-lodger.toml"))
    words, body = seen(TRACES / "good" / "healthy-lodger.vcd.gz", profile=machine)
    (record,) = body["paging"]
    fresh = [trigger for trigger in record["triggers"] if not trigger["held"]]
    assert fresh and all(trigger["answer_s"] is not None for trigger in fresh)
    assert f"{len(fresh)} trigger" in words[f"paging, {record['name']}"]
    silent, body = seen(TRACES / "faults" / "paging-device-silent" / "lodger-silent.vcd.gz", profile=machine)
    assert ", 0 answered" in silent[f"paging, {record['name']}"]


@pytest.mark.parametrize(("sample_hz", "expected"), [(24_000_000, ""), (500_000_000, "within the limits of the 4")])
def test_edges_against_the_clock(tmp_path, sample_hz, expected):
    text = io.StringIO()
    simulate(machine=GENERIC, lines="eight", duration_s=0.001, sample_hz=sample_hz, delay_fraction=0.8).write_vcd(text)
    path = tmp_path / "edges.vcd"
    path.write_text(text.getvalue())
    words, body = seen(path)
    assert expected in words.get("edges against the clock", "")
    for delay in body["delays"]:
        assert delay["shortest_s"] <= delay["median_s"] <= delay["longest_s"]
        assert not set(delay["keeps_mhz"]) & set(delay["breaks_mhz"])


def test_nothing_is_told_of_what_was_not_captured():
    words, body = seen(TRACES / "good" / "healthy-two.vcd")
    assert not words and body["interrupts"] is None and body["paging"] == [] and body["delays"] == []
    assert json.dumps(body)


@pytest.mark.parametrize("meets", [0, 1, 2])
@pytest.mark.parametrize("breaks", [0, 1, 2])
def test_what_is_said_of_the_speed_grades(meets, breaks):
    """The slow grades are kept, the fast ones broken, and of those between nothing can be told."""
    kept, broken = list(GRADES)[:meets], list(GRADES)[len(GRADES) - breaks :]
    text = _delays(TimingRecord(1e-9, [Delay("TdCf(MREQf)", "MREQ", 9, 6e-8, 5e-8, 7e-8, kept, broken)], None))
    assert ("within the limits" in text) == bool(kept) and ("beyond those of" in text) == bool(broken)
    assert bool(text) == bool(kept or broken)  # where nothing can be told, and nobody asked, nothing is said
    assert ("can not be told at this rate" in text) == bool((kept or broken) and meets + breaks < len(GRADES))
