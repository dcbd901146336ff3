"""What memory is known to hold beside a capture: what the capture shows of it, where nothing on the way to the pins changes it."""

from __future__ import annotations

import pytest

from strobewise.machine.faults import fault
from strobewise.replay.board import Region, ReplayBoard

ROM, RAM = {"start": 0x0000, "end": 0x1FFF}, {"start": 0x4000, "end": 0x7FFF}
REGIONS = (Region("rom", 0x0000, 0x1FFF, None), Region("ram", 0x4000, 0x7FFF, None))
BYTE = 0xA5


@pytest.mark.parametrize("start", [0x0100, 0x4100], ids=["ROM without an image", "RAM"])
@pytest.mark.parametrize(
    ("wrong", "here", "beside"),
    [
        (None, True, False),
        # two addresses that differ in the line alone are one place
        (("dead-low", {"line": "A3", "at": "line"}), True, True),
        (("open-at-chip", {"line": "A3"}), True, True),
        # which of the two places answers nobody knows, or whether the byte is what memory holds
        (("open-at-chip", {"line": "A3", "level": "float"}), False, False),
        (("dead-low", {"line": "D3", "at": "line"}), False, False),
        (("open-at-chip", {"line": "D3"}), False, False),
    ],
)
def test_what_a_capture_shows_of_memory_is_known_from_then_on(start, wrong, here, beside):
    kind, values = wrong or ("", {})
    if kind == "open-at-chip":
        values = {**values, **(RAM if start >= RAM["start"] else ROM), "chip": "ram" if start >= RAM["start"] else "rom"}
    board = ReplayBoard(REGIONS, fault(kind, **values) if kind else None)
    board.learn(start, BYTE)
    reads = [board.read("memory_read", address)[1] for address in (start, start ^ 1 << 3)]
    assert [isinstance(read, int) and read == BYTE for read in reads] == [here, beside]
