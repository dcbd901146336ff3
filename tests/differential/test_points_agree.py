"""Which samples are looked at changes no row: the fast path, points and every edge give the cycles that the numpy engine gives.

The bus is sampled as a capture host holds it, one tick a sample; simulated machines with and without faults, and healthy buses into which
chance puts spikes, dead stretches, resets and grants.
"""

from __future__ import annotations

import functools
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from strobewise.bus.calibration import TimeBase
from strobewise.bus.lines import ADDRESS, BIT, DATA
from strobewise.capture.records import Block
from strobewise.cycles.rebuild import Rebuild
from strobewise.machine import FAULTS, GENERIC, LINE_SETS, BusRequest, Fault, Press, simulate
from strobewise.stream.fast import FastPath
from strobewise.stream.records import Begun, Ended
from strobewise.stream.sampler import Sampler, Sinks
from strobewise.stream.tracker import CycleTracker

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))
from fake_host import FakeHost, pins_of

# A machine cannot be made simpler by shrinking its seed: that would only take minutes.
SLOW = settings(
    deadline=None, max_examples=12, phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip
STROBE_FAULTS = ("dead-high", "dead-low", "floating", "intermittent")
HELD_FAULTS = ("wait-held", "reset-held", "busreq-held", "clock-dead")
SPIKED = 0.02  #: share of rows that may differ where spikes of one sample fall between two looks


def sampled(sample_hz, **arguments):
    """Return the times (samples) and words of a simulated machine's bus wherever it changes from one sample to the next."""
    capture = simulate(sample_hz=sample_hz, **arguments)
    changes = [(at, word) for at, word, _ in capture.words()]
    at = np.rint(np.array([time for time, _ in changes], dtype=float) * capture.timescale_ps * sample_hz / 1e12).astype(np.int64)
    words = np.array([word for _, word in changes], dtype=np.uint64)
    keep = np.append(np.diff(at) > 0, True)
    at, words = at[keep] - at[0], words[keep]
    keep = np.append(True, words[1:] != words[:-1])
    return at[keep], words[keep]


@functools.lru_cache(2)
def _changes(times, words, captured):
    """Return the changes that a host plays: (sample, pins). times, words: the bytes of the arrays."""
    mask = sum(1 << BIT[name] for name in captured)
    changes = []
    for time, word in zip(np.frombuffer(times, np.int64).tolist(), np.frombuffer(words, np.uint64).tolist(), strict=True):
        pins = pins_of(word & mask, captured)
        if not changes or changes[-1][1] != pins:
            changes.append((time, pins))
    return changes


def rows_of(times, words, captured, sample_hz, every_edge=False):
    """Return the joined rows that the sampler gives."""
    changes = _changes(times.tobytes(), words.tobytes(), captured)
    begun, rows = {}, []

    def ended(item):
        item = Ended._make(item)
        first = begun.pop(item.number)
        rows.append((
            item.kind, item.start, item.end, item.t_states, first.wait_states, first.address, first.data, first.inferred, item.note,
        ))  # fmt: skip

    sinks = Sinks(lambda item: begun.setdefault(item[0], Begun._make(item)), ended, *[lambda *_: None] * 4)
    with pytest.raises(SystemError):
        Sampler(FakeHost(changes, int(times[-1]) + 1), sinks, sample_hz, every_edge=every_edge).run()
    assert not begun
    return rows


def numpy_rows(times, words, captured, sample_hz):
    mask = np.uint64(sum(1 << BIT[name] for name in captured))
    batches = Rebuild(captured, TimeBase(round(1e15 / sample_hz))).batches([Block(times, words & mask, None)])
    return [tuple(row) for batch in batches for row in batch.cycles.rows()]


def closed(rows):
    """Leave out where a last grant ends: a host does not tell the end of the capture."""
    return [*rows[:-1], rows[-1][:2]] if rows and rows[-1][0] == "bus_granted" else rows


@st.composite
def faults(draw):
    kind = draw(st.sampled_from(("", "", *STROBE_FAULTS, *HELD_FAULTS, "glitches", "rom-absent")))
    if not kind:
        return []
    names = {parameter.name for parameter in FAULTS[kind].parameters}
    values = {}
    if "line" in names:
        values["line"] = draw(st.sampled_from(("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "A3", "D5")))
    if kind in HELD_FAULTS:
        values["after_s"] = draw(st.sampled_from((0.0, 0.0017)))
    return [Fault(kind, values)]


@SLOW
@example([Fault("intermittent", {"line": "M1"})], "sixteen", (), 50_000_000, 6921, True, False)  # clock edges within a request
@given(
    faults=faults(),
    leads=st.sampled_from(("full", "full", "sixteen", "eight")),
    without=st.sampled_from(((), ("CLK",), DATA, ADDRESS, ("WR",))),
    sample_hz=st.sampled_from((16_000_000, 24_000_000, 50_000_000)),
    seed=st.integers(0, 10_000),
    granted=st.booleans(),
    pressed=st.booleans(),
)
def test_on_simulated_machines(faults, leads, without, sample_hz, seed, granted, pressed):
    times, words = sampled(
        sample_hz, machine=GENERIC, faults=faults, seed=seed, duration_s=0.0025,
        bus_requests=[BusRequest(first_t_states=3100, period_t_states=900)] if granted else [],
        presses=[Press("RESET", 0.0018, 0.00003)] if pressed else [],
    )  # fmt: skip
    captured = frozenset(LINE_SETS[leads]) - frozenset(without)
    expected = rows_of(times, words, captured, sample_hz, every_edge=True)
    rows = rows_of(times, words, captured, sample_hz)
    rows, expected = closed(rows), closed(expected)
    if faults and faults[0].kind == "glitches":
        assert len(set(rows) ^ set(expected)) <= SPIKED * len(expected)
    else:  # of a request that a reset cuts short before its sample point the data may have changed unseen
        assert rows == expected or (pressed and len(set(rows) ^ set(expected)) <= 2)
    if not (faults and faults[0].kind == "busreq-held"):  # the numpy engine is told the end
        assert closed(numpy_rows(times, words, captured, sample_hz)) == expected


@pytest.mark.parametrize("probability", [0.02, 0.9], ids=["rarely", "as a rule"])
@pytest.mark.parametrize("sample_hz", [16_000_000, 50_000_000], ids=["slow", "fast"])
def test_data_that_come_late(probability, sample_hz):
    """Data that arrive just before the release are those of the row; where they begin to, one row may still show what was there before."""
    late = [Fault("late-data", {"chip": "rom", "probability": probability})]
    times, words = sampled(sample_hz, machine=GENERIC, faults=late, seed=1, duration_s=0.003)
    captured = frozenset(LINE_SETS["full"]) - frozenset(("CLK",))
    expected = rows_of(times, words, captured, sample_hz, every_edge=True)
    assert len(set(rows_of(times, words, captured, sample_hz)) ^ set(expected)) <= 2 and len(expected) > 1000


def without_fast_path(monkeypatch):
    monkeypatch.setattr(FastPath, "will_do", lambda *_: False)


@pytest.mark.parametrize("without", [(), ("CLK",), DATA], ids=["full", "no-clk", "no-data"])
def test_the_fast_path_is_taken(without, monkeypatch):
    """Nearly all cycles of a healthy machine are given out by it, and they are those that are given out without it."""
    times, words = sampled(24_000_000, machine=GENERIC, duration_s=0.004, seed=3)
    captured = frozenset(LINE_SETS["full"]) - frozenset(without)
    told = []
    catch_up = CycleTracker.catch_up
    monkeypatch.setattr(CycleTracker, "catch_up", lambda self, fetches, others, last: (
        told.append(fetches + others), catch_up(self, fetches, others, last),
    ))  # fmt: skip
    rows = rows_of(times, words, captured, 24_000_000)
    assert sum(told) > 0.5 * len(rows) > 1000
    without_fast_path(monkeypatch)
    told.clear()
    assert rows_of(times, words, captured, 24_000_000) == rows and not told


@pytest.mark.parametrize("line", ["RESET", "BUSACK"])
@pytest.mark.parametrize("fetch", [True, False], ids=["fetch", "access"])
def test_a_slow_line_that_falls_with_a_request_is_told(line, fetch, monkeypatch):
    """In the very sample in which /MREQ falls: whoever looks on from there must see that edge, or a cycle is not known to be cut short."""
    times, words = HEALTHY
    mreq, m1 = np.uint64(1 << BIT["MREQ"]), np.uint64(1 << BIT["M1"])
    falls = np.flatnonzero((words[1:] & mreq == 0) & (words[:-1] & mreq != 0)) + 1
    captured = frozenset(LINE_SETS["full"]) - frozenset(("CLK",))
    first = next(at for at in falls[len(falls) // 2 :] if (words[at] & m1 == 0) == fetch and words[at] & np.uint64(1 << BIT["RFSH"]))
    spoiled = words.copy()
    spoiled[first : first + 300] &= ~np.uint64(1 << BIT[line])
    expected = rows_of(times, spoiled, captured, 24_000_000, every_edge=True)
    assert any(row[-1] == "cut_short" or row[0] == "bus_granted" for row in expected)
    assert rows_of(times, spoiled, captured, 24_000_000) == expected
    without_fast_path(monkeypatch)
    assert rows_of(times, spoiled, captured, 24_000_000) == expected


@pytest.mark.parametrize("read_behind", [0, 1], ids=["with it", "a sample behind"])
@pytest.mark.parametrize("fetch", [True, False], ids=["fetch", "access"])
def test_a_read_that_a_reset_cuts_short_before_it_is_looked_at_stays_one(fetch, read_behind):
    """/RD falls with its request or a sample behind; the reset lets go of both before the look at the request would come."""
    times, words = HEALTHY
    mreq, rd, m1 = (np.uint64(1 << BIT[name]) for name in ("MREQ", "RD", "M1"))
    falls = np.flatnonzero((words[1:] & mreq == 0) & (words[:-1] & mreq != 0)) + 1
    moments = np.arange(int(times[0]), int(times[-1]) + 1)
    every = words[np.searchsorted(times, moments, "right") - 1].copy()
    of = [int(times[at] - times[0]) for at in falls[len(falls) // 2 :] if (words[at] & m1 == 0) == fetch]
    first = next(at for at in of if every[at + read_behind] & rd == 0 and every[at + read_behind - 1] & rd)
    every[first + read_behind + 3 : first + 3000] &= ~np.uint64(1 << BIT["RESET"])
    every[first + read_behind + 4 : first + 3000] |= mreq | rd | m1
    captured = frozenset(LINE_SETS["full"]) - frozenset(("CLK",))
    rows = rows_of(moments, every, captured, 24_000_000)
    cut = [row[0] for row in rows if row[-1] == "cut_short"]
    assert cut == ["opcode_fetch" if fetch else "memory_read"]
    assert rows == rows_of(moments, every, captured, 24_000_000, every_edge=True)


@pytest.mark.parametrize("behind", [-3, -2, -1, 1, 2])
def test_a_reset_between_a_fetch_and_its_refresh_is_dated_by_its_edge(behind, monkeypatch):
    """Samples behind the assert edge of the refresh: /MREQ high while /RFSH is low is a spike only where nothing else moved."""
    times, words = HEALTHY
    mreq, rfsh = np.uint64(1 << BIT["MREQ"]), np.uint64(1 << BIT["RFSH"])
    falls = np.flatnonzero((words[1:] & mreq == 0) & (words[:-1] & mreq != 0) & (words[1:] & rfsh == 0)) + 1
    at = int(times[falls[len(falls) // 2]]) + behind
    moments = np.unique(np.append(times, at))
    spoiled = words[np.searchsorted(times, moments, "right") - 1].copy()
    spoiled[(moments >= at) & (moments < at + 3000)] &= ~np.uint64(1 << BIT["RESET"])
    captured = frozenset(LINE_SETS["full"])
    expected = rows_of(moments, spoiled, captured, 24_000_000, every_edge=True)
    assert closed(numpy_rows(moments, spoiled, captured, 24_000_000)) == closed(expected)
    assert rows_of(moments, spoiled, captured, 24_000_000) == expected
    without_fast_path(monkeypatch)
    assert rows_of(moments, spoiled, captured, 24_000_000) == expected


@SLOW
@given(seed=st.integers(0, 1 << 30), spoiled=st.integers(1, 6), length=st.sampled_from((1, 3, 40, 900)))
def test_on_healthy_buses_with_bad_stretches(seed, spoiled, length):
    """Stretches in which control lines stick: points may miss what falls between two looks, the fast path adds nothing to that."""
    rng = np.random.default_rng(seed)
    times, words = HEALTHY
    words = words.copy()
    for _ in range(spoiled):
        start = int(rng.integers(len(words) // 2, len(words) - length))
        bit = np.uint64(1 << BIT[str(rng.choice(("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "WAIT", "RESET", "BUSACK")))])
        stretch = slice(start, start + length)
        words[stretch] = words[stretch] | bit if rng.random() < 0.5 else words[stretch] & ~bit
    captured = frozenset(LINE_SETS["full"]) - frozenset(("CLK",))
    expected = rows_of(times, words, captured, 24_000_000, every_edge=True)
    rows = rows_of(times, words, captured, 24_000_000)
    with pytest.MonkeyPatch.context() as patch:
        without_fast_path(patch)
        points = rows_of(times, words, captured, 24_000_000)
    # Both paths look on; what moves between two looks is dated a little late: one row at either end of a stretch, and it counts twice here.
    assert len(set(rows) ^ set(expected)) <= len(set(points) ^ set(expected)) + 4 * spoiled
    assert abs(len(rows) - len(points)) <= 2 * spoiled  # an /IORQ that sticks low hides what memory does meanwhile from both


HEALTHY = sampled(24_000_000, machine=GENERIC, duration_s=0.0016, seed=5)  # twice what the time base is settled by, and more
