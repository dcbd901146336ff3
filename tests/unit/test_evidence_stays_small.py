"""What is gathered of a capture does not grow with its length: every onlooker of a long one holds as much as of one half as long."""

from __future__ import annotations

import gc
from types import FunctionType, ModuleType

import numpy as np
import pytest

from conftest import TRACES
from strobewise.bus.semantics import TRUST_GROUP
from strobewise.capture import open_capture
from strobewise.capture.channels.mapping import map_channels
from strobewise.capture.records import Block
from strobewise.cycles.rebuild import Rebuild
from strobewise.diagnosis.gathering import make_parts
from strobewise.evidence.collect import Collector
from strobewise.profile.options import Options

TILES = 24  #: repeats after which every sample that is taken of a long capture is full
MORE_A_TILE = 2_000  #: bytes that one repeat more may leave behind: counts of what is new in it, such as places of the raster of bursts


def held(roots):
    """Return the bytes of all arrays, and eight for each item of all lists, that objects hold."""
    seen, waiting, total = set(), list(roots), 0
    while waiting:
        each = waiting.pop()
        if id(each) in seen or isinstance(each, (ModuleType, FunctionType, type)):
            continue
        seen.add(id(each))
        if isinstance(each, np.ndarray):
            total += each.nbytes
        elif isinstance(each, (list, tuple, dict, set)):
            total += 8 * len(each)
        waiting += gc.get_referents(each)
    return total


@pytest.mark.parametrize("without", [(), ("CLK",), ("M1",), ("CLK", "M1", "RFSH"), tuple(f"A{bit}" for bit in range(16))])
def test_a_capture_twice_as_long_leaves_as_much_in_memory(without, monkeypatch):
    monkeypatch.setattr("strobewise.cycles.engine.BATCH_REQUESTS", TRUST_GROUP)  # many batches, so that what is kept of each is full soon
    monkeypatch.setattr("strobewise.evidence.prediction.CHUNKS_KEPT", 8)
    with open_capture(str(TRACES / "good" / "healthy-full.vcd.gz")) as capture:
        channels = map_channels(capture.header.channels, [f"{line}=none" for line in without])
        blocks = list(capture.blocks(channels.assignments))
        tick_s = capture.header.tick_s
        times, words = (np.concatenate([getattr(block, name) for block in blocks]) for name in ("times", "words"))
        parts = [Collector(channels.captured, tick_s), *make_parts(channels.captured, channels, Options(), tick_s)]
        rebuild = Rebuild.of(capture.header, channels, onlookers=parts)
    period, sizes = int(times[-1] - times[0]) + round(0.5e-6 / tick_s), []

    def repeated():
        for tile in range(2 * TILES):
            if tile in (TILES, 2 * TILES - 1):
                sizes.append({type(part).__name__: held([part]) for part in parts})
            yield Block(times + tile * period, words, None)

    rebuild.run(repeated())
    grown = {name: sizes[1][name] - size for name, size in sizes[0].items()}
    too_much = {name: more for name, more in grown.items() if more >= MORE_A_TILE * TILES}
    assert not too_much
