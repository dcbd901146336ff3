"""The channels that the plug-in offers the capture host, in order, and how a tuple of pin levels becomes a packed word."""

from __future__ import annotations

from typing import Dict, FrozenSet, Sequence, Tuple

from ..bus.lines import ADDRESS, BIT, DATA, LINE

#: Strobes first: a host that maps by position gets the most important ones right.
CHANNELS: Tuple[str, ...] = (
    "MREQ", "M1", "IORQ", "RD", "WR", "RFSH", "HALT", "BUSACK", "RESET",
    "WAIT", "INT", "NMI", "BUSREQ", "CLK", "ROMDIS", *ADDRESS, *DATA,
)  # fmt: skip
P_MREQ, P_M1, P_IORQ, P_RD, P_WR, P_RFSH, P_HALT, P_BUSACK, P_RESET = range(9)
P_CLK = CHANNELS.index("CLK")
P_ADDRESS = CHANNELS.index("A0")
P_DATA = CHANNELS.index("D0")
STROBE_PINS = P_RESET + 1  #: so many at the front are all that cycles are made of, address and data apart
#: Parts of a tuple of pins. Slices are made once: each look at the bus takes some.
CONTROL, SLOW, BYTE = slice(P_ADDRESS), slice(P_BUSACK, STROBE_PINS), slice(P_DATA, None)
UNMAPPED = 255  #: level that the host gives for a channel that the user did not map

_DIGITS = bytes((0x31 if level == 1 else 0x30) for level in range(256))


class ControlWords(Dict[Tuple[int, ...], int]):
    """Control word of a tuple's pins up to P_ADDRESS, idle levels filled in where nothing is mapped. Remembers what it has seen."""

    def __missing__(self, pins: Tuple[int, ...]) -> int:
        word = 0
        for name, level in zip(CHANNELS, pins):
            if level == 1 or (level == UNMAPPED and LINE[name].active_level == 0):
                word |= 1 << BIT[name]
        self[pins] = word
        return word


def bus_bits(pins: Sequence[int]) -> int:
    """Return data << 16 | address of a tuple of pins; lines that are not mapped, or not offered at all, read 0."""
    return int(bytes(pins[: P_ADDRESS - 1 : -1]).translate(_DIGITS) or b"0", 2)


def data_bits(pins: Sequence[int]) -> int:
    """Return the data bus of a tuple of pins, 0 where it is not offered."""
    return int(bytes(pins[: P_DATA - 1 : -1]).translate(_DIGITS) or b"0", 2)


def captured_lines(pins: Sequence[int]) -> FrozenSet[str]:
    """Return the lines that the user mapped."""
    return frozenset(name for name, level in zip(CHANNELS, pins) if level != UNMAPPED)
