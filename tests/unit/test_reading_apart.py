"""Reading in a process of its own gives what reading here gives: blocks, levels, warnings, errors."""

from __future__ import annotations

import gzip
import os
import signal
from pathlib import Path

import numpy as np
import pytest

from conftest import TRACES, run_strobewise
from strobewise import Options, diagnose
from strobewise.capture import apart as module
from strobewise.capture import open_capture
from strobewise.capture.apart import Apart, possible, read_apart, worth_while
from strobewise.capture.channels.mapping import map_channels
from strobewise.errors import CaptureError
from strobewise_cli.render.diagnosis_json import document

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork, a call of POSIX systems")
WHOLE = ["good/healthy-full.vcd.gz", "good/healthy-vectors.vcd.gz", "faults/fetch-strobe-missing/m1-dead-two.vcd"]


def read(path, apart):
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        blocks, error = [], None
        coming = capture.blocks(channels.assignments)
        try:
            if apart:
                with read_apart(capture, coming) as received:
                    blocks.extend(received)
            else:
                blocks.extend(coming)
        except CaptureError as found:
            error = str(found), found.line, found.offset
        known = (capture.start_time, capture.end_time, capture.taken, list(capture.warnings), dict(capture.channel_statistics()))
        return blocks, known, error


def same(path):
    (here, known, error), (there, known_there, error_there) = read(path, False), read(path, True)
    assert (known, error) == (known_there, error_there)
    assert len(there) <= len(here)  # several come as one
    for one, other in zip(joined(here), joined(there), strict=True):
        assert np.array_equal(one, other)
    return error, known


def joined(blocks):
    """Return times, words and unknown bits of all blocks."""
    unknown = [np.zeros(len(block.words), np.uint64) if block.unknown is None else block.unknown for block in blocks]
    none = [np.empty(0, np.uint64)]
    return [np.concatenate([*none, *parts]) for parts in ([b.times.view(np.uint64) for b in blocks], [b.words for b in blocks], unknown)]


@pytest.mark.parametrize("name", WHOLE)
def test_the_same_blocks_and_the_same_knowledge(name):
    error, _ = same(TRACES / name)
    assert error is None


@pytest.mark.parametrize(
    ("tail", "said"),
    [("#99999999 1", None), ("#banana\n#1 1!\n", "digits"), ("#5\n", "back")],
)
def test_the_same_warnings_and_errors(tmp_path, tail, said):
    path = tmp_path / "damaged.vcd"
    path.write_text((TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd").read_text() + tail)
    error, known = same(path)
    assert known[3] if said is None else said in error[0]


def test_bits_that_are_not_known_come_too(tmp_path):
    text = gzip.decompress((TRACES / "good" / "healthy-eight.vcd.gz").read_bytes()).decode()
    head, mark, body = text.partition("$enddefinitions $end\n")
    code = head.split("$var")[2].split()[2]
    path = tmp_path / "unknown.vcd"
    lines = body.splitlines()
    lines.insert(len(lines) // 2, f"x{code}" if " " not in lines[1] else f"{lines[len(lines) // 2 - 1].split()[0]} x{code}")
    path.write_text(head + mark + "\n".join(lines) + "\n")
    same(path)
    assert any(block.unknown is not None for block in read(path, True)[0])


@pytest.mark.parametrize("events", [1, 50, 5000])
def test_a_block_that_is_larger_than_a_slot_comes_all_the_same(monkeypatch, events):
    """And more blocks than there are slots, each in a slot of its own."""
    monkeypatch.setattr(module, "SLOT_EVENTS", events)
    monkeypatch.setattr(module, "SLOT_BYTES", 24 * events)
    error, _ = same(TRACES / WHOLE[0])
    assert error is None


def test_a_process_that_is_killed_is_said(monkeypatch):
    monkeypatch.setattr(module._Sender, "_send", lambda *_: os.kill(os.getpid(), signal.SIGKILL))
    _, _, error = read(TRACES / WHOLE[0], True)
    assert error is not None and "the process reading it was ended" in error[0]


def test_a_bug_there_is_raised_here(monkeypatch):
    def broken(*_):
        raise KeyError("a bug")

    monkeypatch.setattr(module._Sender, "_put", broken)
    with pytest.raises(KeyError, match="a bug"):
        read(TRACES / WHOLE[0], True)


def test_whoever_stops_early_leaves_no_process(monkeypatch):
    ended = []
    wait = os.waitpid
    monkeypatch.setattr(os, "waitpid", lambda *arguments: ended.append(wait(*arguments)) or ended[-1])
    with open_capture(str(TRACES / WHOLE[0])) as capture:
        blocks = capture.blocks(map_channels(capture.header.channels).assignments)
        with read_apart(capture, blocks) as coming:
            next(coming)
    assert len(ended) == 1


def test_a_diagnosis_does_not_depend_on_it(monkeypatch):
    monkeypatch.setattr(module, "LEAST_BYTES", 0)
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1}, raising=False)
    path = str(TRACES / WHOLE[0])
    with open_capture(path) as capture:
        assert worth_while(capture)
    assert document(diagnose([path], Options(), apart=True)) == document(diagnose([path], Options()))


def test_small_files_and_volts_are_read_here(tmp_path):
    with open_capture(str(TRACES / WHOLE[2])) as capture:
        assert not worth_while(capture)
    path = tmp_path / "scope.csv"
    path.write_text("time,M1,MREQ\n0,4.5,4.5\n1e-7,0.2,4.5\n2e-7,4.5,0.2\n")
    with open_capture(str(path)) as capture:
        assert not possible(capture)


def test_an_informed_capture_knows_after_each_block_what_reading_knows():
    with open_capture(str(TRACES / WHOLE[0])) as here, open_capture(str(TRACES / WHOLE[0])) as there:
        assignments = map_channels(here.header.channels).assignments
        apart = Apart(there, there.blocks(assignments), informed=True)
        try:
            for _, _ in zip(here.blocks(assignments), apart, strict=True):
                assert (here.end_time, dict(here.channel_statistics())) == (there.end_time, dict(there.channel_statistics()))
                assert there.taken == here.taken
        finally:
            apart.close()


def test_a_large_file_on_the_command_line(tmp_path):
    """The same report as for the small file that it is made of, but for its length; an error keeps its line."""
    text = (TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-two.vcd").read_text()
    head, mark, body = text.partition("$enddefinitions $end\n")
    path = tmp_path / "long.vcd"
    comment = "\n$comment\n" + "nothing to see\n" * 300_000 + "$end\n"  # makes the file large enough for a second process
    path.write_text(head + mark + body + comment)
    done = run_strobewise("diagnose", path)
    assert done.returncode == 1 and b"/M1 high" in done.stdout and done.stderr == b""
    path.write_text(head + mark + body + comment + "#banana\n#9999999999\n")
    done = run_strobewise("diagnose", path)
    assert done.returncode == 2 and done.stderr.count(b"\n") == 1 and b"line " in done.stderr


def children() -> set[str]:
    """Return the processes that this one has begun and that are still in the system's table."""
    return {pid for task in Path("/proc/self/task").iterdir() for pid in (task / "children").read_text().split()}


def test_no_process_is_left_behind():
    """An ended process that nobody waits for stays in the system's table."""
    before = children()  # other tests may have left some
    with open_capture(str(TRACES / WHOLE[0])) as capture:
        channels = map_channels(capture.header.channels)
        with read_apart(capture, capture.blocks(channels.assignments)) as received:
            next(iter(received))
            assert children() - before
        assert not children() - before
