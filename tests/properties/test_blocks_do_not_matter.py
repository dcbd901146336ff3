"""How a capture comes in blocks never changes its machine cycles or its evidence."""

from __future__ import annotations

import pytest

from conftest import all_traces
from strobewise.bus.lines import BIT
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.vcd.reader import VcdCapture
from strobewise.cycles.pipeline import Pipeline
from strobewise.evidence.collect import Collector

TRACES = [path for path in all_traces() if ".vcd" in path.name]


def rebuilt(path, block_bytes):
    with VcdCapture(str(path), block_bytes) as capture:
        channels = map_channels(capture.header.channels)
        captured = frozenset(name for name in channels.channels if name in BIT)
        pipeline = Pipeline(captured, None, capture.header.timescale_fs)
        collector = Collector(captured, 1e-9)
        pipeline.observer = collector.events
        rows = []
        for block in capture.blocks(channels.assignments):
            collector.block(block)
            for batch in pipeline.feed(block):
                collector.batch(batch)
                rows.extend(batch.cycles.rows())
        for batch in pipeline.finish():
            collector.batch(batch)
            rows.extend(batch.cycles.rows())
        return rows, collector.record(capture.start_time or 0, capture.end_time or 0)


@pytest.mark.parametrize("path", TRACES, ids=lambda path: path.name.partition(".")[0])
def test_block_size_does_not_matter(path):
    whole, evidence = rebuilt(path, 1 << 20)
    assert whole or "clock" in path.name
    for size in (3000, 40_000):
        rows, other = rebuilt(path, size)
        assert rows == whole
        if evidence.clock.mreq_phase is not None:  # a sample of the edges, taken block by block
            assert other.clock.mreq_phase == pytest.approx(evidence.clock.mreq_phase, abs=0.02)
            other.clock.mreq_phase = evidence.clock.mreq_phase
        assert other == evidence
