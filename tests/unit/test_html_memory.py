"""A wrong read beside the write that it contradicts, held against the cycles of the whole capture."""

from __future__ import annotations

import json
import re

import pytest

from strobewise.bus.lines import DATA
from strobewise.bus.model import KIND_INDEX
from strobewise.cycles.pipeline import Onlooker
from strobewise.diagnosis.facade import diagnose, examine
from strobewise.machine import LINE_SETS, fault, simulate
from strobewise.profile.options import Options
from strobewise_cli.render.html_data import collect_all
from strobewise_cli.render.html_memory import Contradiction, expected_levels
from strobewise_cli.render.html_report import render_page

WRITE = KIND_INDEX["memory_write"]


def write(tmp_path, **settings):
    path = tmp_path / "made.vcd"
    with open(path, "w", encoding="ascii") as file:
        simulate(**{"lines": LINE_SETS["full"], "duration_s": 0.004, **settings}).write_vcd(file)
    return str(path)


class _Cycles(Onlooker):
    def __init__(self):
        self.seen = []

    def feed(self, batch):
        self.seen += list(zip(*(getattr(batch.cycles, name).tolist() for name in ("start", "kind", "address", "data")), strict=True))


def cycles_of(path):
    kept = _Cycles()

    class Part:
        def __init__(self, *_):
            pass

        feed = staticmethod(kept.feed)

        def __getattr__(self, name):
            return lambda *_, **__: None

    examine(path, Options(), None, (Part,))
    return kept.seen


@pytest.mark.parametrize("bit", [0, 5])
def test_the_write_is_the_last_one_before_the_read(tmp_path, bit):
    path = write(tmp_path, faults=[fault("ram-bit-dead", bit=bit, level="low", start=0x4000, end=0x7FFF)])
    (data,) = collect_all(diagnose([path]), Options())
    found = [window for window in data.windows if window.contradiction is not None]
    assert found
    cycles = cycles_of(path)
    for window in found:
        told = window.contradiction
        earlier = [each for each in cycles if each[0] < told.read_at]
        written = [(start, byte) for start, kind, address, byte in earlier if kind == WRITE and address == told.address]
        read = next((address, byte) for start, _, address, byte in cycles if start == told.read_at)
        assert written[-1] == (told.write_at, told.written) and read == (told.address, told.read)
        assert told.written ^ told.read == 1 << bit
        other = next(each for each in data.windows if each.key == f"{window.key}-write")
        assert other.moment == told.write_at and other.start <= told.write_at <= other.end and len(other.cycles)


def test_the_page_tells_and_draws_it(tmp_path):
    path = write(tmp_path, faults=[fault("ram-bit-dead", bit=5, level="low", start=0x4000, end=0x7FFF)])
    said = diagnose([path])
    page = render_page(said, Options())
    (data,) = collect_all(said, Options())
    window = next(each for each in data.windows if each.contradiction is not None)
    told = window.contradiction
    assert f"0x{told.written:02x} was written to 0x{told.address:04x} at" in page
    assert f'data-window="{window.key}-write"' in page and "the write that it contradicts" in page
    view = json.loads(re.search(r'<script id="data" type="application/json">(.*?)</script>', page, re.DOTALL)[1])
    drawn = next(each for each in view["windows"] if each["key"] == window.key)["expected"]
    assert [row[0] for row in drawn] == ["D5"] and drawn[0][3] == 1 and drawn[0][1] < drawn[0][2]


@pytest.mark.parametrize(
    "settings",
    [{}, {"faults": [fault("dead-low", line="M1")]},
     {"lines": LINE_SETS["eight"], "faults": [fault("ram-bit-dead", bit=5, level="low", start=0x4000, end=0x7FFF)]}],
)  # fmt: skip
def test_a_machine_without_that_fault_or_leads_that_do_not_show_it_claim_nothing(tmp_path, settings):
    path = write(tmp_path, **settings)
    said = diagnose([path])
    (data,) = collect_all(said, Options())
    assert all(window.contradiction is None for window in data.windows)
    assert "was written to" not in render_page(said, Options())


def test_only_lines_that_read_wrong_have_an_expected_level():
    found = Contradiction(0x4000, 0b1010_0101, 0b1010_0110, 10, 100, 130)
    assert expected_levels(found, ("D0", "D1", "D2"), 90) == [["D0", 10, 40, 1], ["D1", 10, 40, 0]]
    assert expected_levels(None, DATA, 0) == []
