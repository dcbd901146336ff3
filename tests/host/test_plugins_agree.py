"""Inside the real host the plug-ins see the machine cycles and instructions that the command line sees, on every demo capture."""

from __future__ import annotations

import csv
import io
import re

import pytest
from real_host import decode, host_bytes, joined, mapping, need_host, run_host

from conftest import TRACES, all_traces, run_strobewise
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.stream.labels import NOTE_WORDS, WORDS

#: The host reads the lines as they are: one sample for each clock is nothing to it.
CAPTURES = [path for path in all_traces() if ".vcd" in path.name and not path.name.startswith("clocked")]


@pytest.fixture(autouse=True)
def host():
    need_host()


@pytest.fixture
def prepared(tmp_path):
    def prepare(trace):
        target = tmp_path / "prepared.vcd"
        done = run_strobewise("prepare", trace, "-o", target)
        assert done.returncode == 0, done.stderr
        return target

    return prepare


def first_tick(path) -> tuple[int, int]:
    """Return the first time of a capture (the host's sample 0), and femtoseconds a tick."""
    with open_capture(str(path)) as capture:
        block = next(iter(capture.blocks(map_channels(capture.header.channels).assignments)))
        return int(block.times[0]), capture.header.timescale_fs


def command_rows(path, *options) -> list[tuple[object, ...]]:
    """Return what `strobewise cycles` says, with the host's sample numbers for times."""
    done = run_strobewise("cycles", path, "--format", "csv", *options)
    assert done.returncode == 0, done.stderr
    zero, timescale = first_tick(path)

    def sample(text):
        return round(float(text) * 1e15 / timescale) - zero

    return [
        (
            max(sample(row["start_s"]), 0), sample(row["end_s"]), row["kind"], row["t_states"], row["wait_states"] or "0", row["address"],
            row["data"], row["inferred"] == "1", row["note"],
        )
        for row in csv.DictReader(io.StringIO(done.stdout.decode()))
    ]  # fmt: skip


@pytest.mark.parametrize("trace", CAPTURES, ids=lambda path: path.name.partition(".")[0])
def test_cycles_agree(trace, prepared):
    path = prepared(trace)
    assert joined(decode(path, "strobewise_cycles")) == command_rows(path)


@pytest.mark.parametrize("name", ["healthy-full", "healthy-busreq"])
def test_every_edge_gives_the_same(name, prepared):
    path = prepared(TRACES / "good" / f"{name}.vcd.gz")
    assert joined(decode(path, "strobewise_cycles", options=":look=every edge")) == joined(decode(path, "strobewise_cycles"))


def lost(tmp_path, lines):
    """Return a capture whose lines seem to stand still for 60 us here and there."""
    capture = tmp_path / "lost.vcd"
    run_strobewise(
        "simulate", TRACES / "machines" / "dunlin.toml", "--fault", "samples-lost:every_ms=0.9,lost_us=60,close=false", "--lines", lines,
        "--start", "1ms", "--duration", "5ms", "--sample-rate", "24M", "-o", capture,
    )  # fmt: skip
    return capture


def test_samples_that_were_lost(tmp_path, prepared):
    """Behind a stretch in which samples are missing the bus is looked at edge by edge again: no row is lost there."""
    path = prepared(lost(tmp_path, "M1,MREQ,IORQ,RD,WR,RFSH,WAIT,RESET"))
    rows = command_rows(path)
    assert joined(decode(path, "strobewise_cycles")) == rows and any(int(row[3] or 0) > 150 for row in rows)


def test_a_clock_that_rests_counts_nothing(tmp_path, prepared):
    """The clock seems to rest as well: no cycle lasts as long as that. At a seam T1 may not be where it was looked for."""
    path = prepared(lost(tmp_path, "full"))
    rows, expected = joined(decode(path, "strobewise_cycles")), command_rows(path)
    assert len(rows) == len(expected) and sum(a != b for a, b in zip(rows, expected, strict=True)) <= 2
    assert max(int(row[3] or 0) for row in rows) < 50 and max(row[1] - row[0] for row in rows) > 5000


def test_a_clock_that_is_given(prepared):
    path = prepared(TRACES / "good" / "healthy-two.vcd")
    assert joined(decode(path, "strobewise_cycles", options=":clock_hz=3500000")) == command_rows(path, "--clock", "3500000")


@pytest.mark.parametrize("name", ["healthy-full", "healthy-doze", "healthy-waits", "healthy-busreq", "healthy-lodger"])
def test_instructions_agree(name, prepared):
    path = prepared(TRACES / "good" / f"{name}.vcd.gz")
    lines = decode(path, "strobewise_instructions", stack=",strobewise_instructions")
    done = run_strobewise("listing", path, "--format", "csv")
    zero, timescale = first_tick(path)
    rows = list(csv.DictReader(io.StringIO(done.stdout.decode())))
    assert len(lines) == len(rows) > 10
    for line, row in zip(lines, rows, strict=True):
        start, text = re.fullmatch(r"(\d+)-\d+ strobewise_instructions-1: (.*)", line).groups()
        assert int(start) == max(round(float(row["start_s"]) * 1e15 / timescale) - zero, 0)
        assert row["text"] in text and (not row["address"] or text.startswith(row["address"][2:])), (line, row)
        assert not row["t_states"] or f"{row['t_states']} T" in text, (line, row)


def test_annotations_carry_the_names_that_others_rely_on(prepared):
    path = prepared(TRACES / "good" / "healthy-waits.vcd.gz")
    for kind in ("opcode_fetch", "memory_write", "io_read", "unknown"):
        shown = decode(path, f"strobewise_cycles={kind.replace('_', '-')}")
        assert all(WORDS[kind].long in line for line in shown)
    assert decode(path, "strobewise_cycles=opcode-fetch")
    assert all("wait state" in line for line in decode(path, "strobewise_cycles=wait-states"))
    for name, row in (("strobewise_cycles", "cycles"), ("strobewise_cycles", "waits")):
        assert decode(path, f"{name}={row}")


def test_binary_and_figures(prepared):
    path = prepared(TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz")
    rows = command_rows(path)
    chain = f"strobewise_cycles:{mapping(path)}"
    fetched = bytes(int(row[6], 16) for row in rows if row[2] == "opcode_fetch")
    written = bytes(int(row[6], 16) for row in rows if row[2] in ("memory_write", "io_write"))
    for name, expected in (("fetched", fetched), ("written", written)):
        assert host_bytes("-i", path, "-I", "vcd", "-P", chain, "-B", f"strobewise_cycles={name}") == expected
    shown = run_host("-i", path, "-I", "vcd", "-P", chain, "-M", "strobewise_cycles").stdout
    inferred = sum(row[7] for row in rows if row[2] == "opcode_fetch")
    assert f"Machine cycles: {len(rows)}\n" in shown and f"Inferred fetches: {inferred}\n" in shown and inferred > 100


def test_notes_have_words():
    assert len({words.long for words in NOTE_WORDS.values()}) == len(NOTE_WORDS)
