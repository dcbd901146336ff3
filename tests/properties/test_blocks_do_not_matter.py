"""How a capture comes in blocks never changes its machine cycles or its evidence."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from conftest import all_traces
from strobewise.bus.lines import BIT, LINES, MASK, STROBES
from strobewise.bus.semantics import TRUST_GROUP
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.raw.reader import RawCapture
from strobewise.capture.records import Block
from strobewise.capture.vcd.reader import VcdCapture
from strobewise.cycles import warm_up
from strobewise.cycles.rebuild import Rebuild
from strobewise.cycles.requests import Blindness
from strobewise.cycles.table import CycleTable
from strobewise.diagnosis.gathering import gather
from strobewise.evidence.collect import Collector
from strobewise.profile.options import Options
from strobewise.records.raw import RawForm

TRACES = [path for path in all_traces() if ".vcd" in path.name]


def rebuilt(path, block_bytes):
    with VcdCapture(str(path), block_bytes) as capture:
        channels = map_channels(capture.header.channels)
        collector = Collector(channels.captured, 1e-9)
        rebuild = Rebuild.of(capture.header, channels, onlookers=[collector])
        rows = [row for batch in rebuild.batches(capture.blocks(channels.assignments)) for row in batch.cycles.rows()]
        return rows, collector.record(capture.start_time or 0, capture.end_time or 0)


@pytest.mark.parametrize("path", TRACES, ids=lambda path: path.name.partition(".")[0])
def test_block_size_does_not_matter(path):
    whole, evidence = rebuilt(path, 1 << 20)
    assert whole or "clock" in path.name
    for size in (3000, 40_000):
        rows, other = rebuilt(path, size)
        assert rows == whole
        if evidence.clock.mreq_phase is not None:  # the same edges, added up in another order
            assert other.clock.mreq_phase == pytest.approx(evidence.clock.mreq_phase, abs=1e-9)
            other.clock.mreq_phase = evidence.clock.mreq_phase
        assert other == evidence


SAMPLED = {  # what is gathered of a part of a long capture, of so little of it that these captures are long
    "cycles.engine.BATCH_REQUESTS": TRUST_GROUP, "evidence.buses.PAIR_BATCHES": 2, "evidence.leads.FIRST_CYCLES": 200,
    "evidence.leads.LATER_FROM": 2, "capture.vcd.state.EXACT_BLOCKS": 1 << 30,  # a text is read in blocks of one size
    "evidence.stretches.STRETCH_EVENTS": 300, "evidence.stretches.EACH_MEASURED": 3,
    "evidence.stretches.FIRST_MEASURED": 2,
    "evidence.collect.KEPT_EVENTS": 2_000, "evidence.collect.PHASES_WANTED": 100,
    "capture.samples.following.EXACT_SAMPLES": 4_000, "capture.samples.following.STRETCH_SAMPLES": 500,
}  # fmt: skip


def gathered(opener, path):
    """Return all evidence of a capture, opened as `opener` does."""
    with opener(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        return gather(str(path), capture, channels, capture.blocks(channels.assignments), Options()).evidence


@pytest.mark.parametrize("name", ["healthy-full", "healthy-eight", "lodger-m1-dead"])
@pytest.mark.parametrize("kind", ["vcd", "raw"])
def test_block_size_does_not_matter_to_any_evidence(name, kind, tmp_path, monkeypatch):
    for place, value in SAMPLED.items():
        monkeypatch.setattr(f"strobewise.{place}", value)
    path = next(trace for trace in all_traces() if trace.name.startswith(f"{name}.vcd"))
    sizes: tuple[int, ...] = (4000, 1 << 20)

    def opener(size):
        return lambda name: VcdCapture(name, size)

    if kind == "raw":
        path, form = as_raw(path, tmp_path / "samples.bin")
        sizes = (100, 777, 9000, 1 << 20)

        def opener(size):
            return lambda name: RawCapture(name, form, size)

    first, *others = [gathered(opener(size), path) for size in sizes]
    assert first.requests > 5 * TRUST_GROUP
    for other in others:
        if first.clock.mreq_phase is not None:  # the same edges, added up in another order
            assert other.clock.mreq_phase == pytest.approx(first.clock.mreq_phase, abs=1e-9)
            other.clock.mreq_phase = first.clock.mreq_phase
        assert other == first


def as_raw(path, target):
    """Write a capture as raw samples at 24 MHz; return the file and its form."""
    with open_capture(str(path)) as capture:
        channels = map_channels(capture.header.channels)
        blocks = list(capture.blocks(channels.assignments))
        times = np.concatenate([block.times for block in blocks]) * capture.header.tick_s
    words = np.concatenate([block.words for block in blocks])
    moments = np.arange(times[0], times[-1], 1 / 24e6)
    samples = words[np.maximum(np.searchsorted(times, moments, "right") - 1, 0)]
    target.write_bytes(samples.astype("<u8").tobytes())
    return target, RawForm(Fraction(24_000_000), 8, tuple((use.line, use.target_bit) for use in channels.uses if use.line is not None))


def bus_by_chance(seed):
    """Return captured lines and the events of a bus that no CPU drives: long pulses, torn ones, grants, resets, bits that are not known.

    Sometimes only the clock and slow lines move at first, for longer than is held of it.
    """
    rng = np.random.default_rng(seed)
    left_out = set(rng.choice(STROBES, int(rng.integers(0, 3)), replace=False).tolist())
    captured = frozenset(line.name for line in LINES) - left_out
    n, pace = int(rng.choice([40, 400, 3000])), float(rng.choice([1.5, 6.0, 30.0]))
    times = np.cumsum(1 + rng.exponential(pace, n).astype(np.int64))
    quiet = int(rng.integers(0, n // 2)) if rng.random() < 0.4 else 0
    moving = []
    for count, strobe, other in ((quiet, 0.0, 0.05), (n - quiet, 6.0, 0.3)):
        weights = np.array([strobe if line.name in STROBES else 3.0 if line.name == "CLK" else other for line in LINES])
        moving.append(rng.choice(len(LINES), size=(count, 2), p=weights / weights.sum()))
    words, word = np.empty(n, np.uint64), int(rng.integers(0, 1 << 40))
    for k, places in enumerate(np.concatenate(moving)):
        for place in places:
            word ^= 1 << LINES[place].bit
        words[k] = word
    mask = np.uint64(sum(1 << BIT[name] for name in captured))
    unknown = np.zeros(n, np.uint64)
    if rng.random() < 0.5:
        unknown = rng.integers(0, 1 << 40, n).astype(np.uint64) & np.where(rng.random(n) < 0.02, mask, np.uint64(0))
    return captured, times, words & mask, unknown


def in_blocks(captured, times, words, unknown, cuts):
    """Return the rows and the evidence of these events, which come in blocks cut before these events."""
    collector, blocks = Collector(captured, 1e-9), []
    for low, high in zip([0, *cuts], [*cuts, len(times)], strict=True):
        lost = unknown[low:high]
        blocks.append(Block(times[low:high], words[low:high], lost if lost.any() else None))
    tables = [batch.cycles for batch in Rebuild(captured, onlookers=[collector]).batches(blocks)]
    evidence = collector.record(int(times[0]), int(times[-1]))
    evidence.clock.mreq_phase = None  # a sample of the edges, taken block by block
    return CycleTable.concatenate(tables), evidence


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@example(91, [11], 8192).via("a pulse of /RD or /WR over the end of a block")
@example(0, [3, 27], 8192).via("the same")
@example(6, [1, 19], 8192).via("a spike counted in two blocks")
@example(15, [5, 10], 8192).via("of the clock before the first strobe only the last block counted")
@given(st.integers(0, 2**32), st.lists(st.integers(1, 2999), max_size=12), st.sampled_from((20, 300, 8192)))
def test_any_blocks_of_any_bus(seed, cuts, held):
    events = bus_by_chance(seed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(warm_up, "HELD_EVENTS", held)
        rows, evidence = in_blocks(*events, sorted({cut for cut in cuts if cut < len(events[1])}))
        assert in_blocks(*events, []) == (rows, evidence)


def stretches(sizes):
    """Return where Blindness finds /MREQ hidden, given the rows in blocks of these sizes."""
    times = np.arange(60, dtype=np.int64) * 10 + 500
    unknown = np.zeros(60, np.uint64)
    for first, last in ((20, 24), (30, 31), (50, 60)):
        unknown[first:last] = MASK["MREQ"]
    blindness, found, at = Blindness(np.uint16(MASK["MREQ"])), [], 0
    for size in sizes:
        if at >= 60:
            break
        part = unknown[at : at + size]
        found += blindness.feed(times[at : at + size], part if part.any() else None, at + size >= 60)
        at += size
    return found


@given(st.lists(st.integers(1, 25), min_size=60, max_size=60))
def test_where_a_line_is_hidden(sizes):
    """From the row at which it was lost to the one at which it is known again; one that still lasts has no end."""
    assert stretches(sizes) == stretches([60]) == [(700, 740), (800, 810), (1000, 1 << 62)]
